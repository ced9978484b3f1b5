"""How well a few swatches carry a table over to another paper, and how well they are chosen.

    python tests/benchmarks/predict.py [papers|prints|picks|speed] [first seed] [seeds]

papers: invented inks on invented papers that obey Bouguer and Beer's law with one strength, and on papers that do
not; 24 of 80 swatches, against the true colours, with the hand's scatter in both tables and without. prints: the
same recipes on four real papers (tests/data/prints.csv), 24 of 356. picks: the same with swatches chosen at random
and evenly spread.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from itertools import permutations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from invented_tables import Making, invented_table
from outside import common_prints

from calib.answers.carrying.pick import pick_markers
from calib.answers.carrying.predict import Prediction, predict
from calib.colour.colorimetry import delta_e_2000
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.table.table import Reading, Table

# The first two obey one gain and one exponent for all inks; the others do not. All are invented.
PAPERS = {
    "weaker, cream": SimPaper(gain=0.85, tint=0.05),
    "second coat": SimPaper(gain=1.15, two_coat_exponent=1.6, level=0.82, tint=-0.03),
    "surface": SimPaper(surface=0.03, gain=0.9),
    "violet": SimPaper(violet=0.4, gain=1.1, tint=0.08),
    "all at once": SimPaper(
        surface=0.025, violet=0.35, gain=0.8, two_coat_exponent=1.9, tint=0.06, level=0.8
    ),
    "kraft": SimPaper(level=0.55, tint=0.35, gain=0.75, surface=0.012),
}
COUNT = 24


@dataclass(frozen=True)
class Case:
    """One table carried over: dE00 of what was not measured, by the model, direct use, and white with one strength."""

    errors: np.ndarray
    direct: np.ndarray
    strength: np.ndarray
    # Errors on each axis in units of the stated uncertainty.
    z: np.ndarray
    found: Prediction


def few_of(table: Table, markers: tuple[str, ...]) -> Table:
    """Return the rows of some markers, with the paper's and the black's."""
    return replace(
        table,
        readings=tuple(r for r in table.readings if r.kind in ("paper", "black") or r.marker in markers),
    )


def case(full: Table, new: Table, markers: tuple[str, ...], truth: dict[tuple[str, int], np.ndarray]) -> Case:
    found = predict(full, few_of(new, markers))
    rows = [row for row in found.table.readings if "predicted" in row.flags]
    true = np.array([truth[row.marker, row.layers] for row in rows])
    lab = np.array([row.lab for row in rows])
    u = np.array([(row.u_L, row.u_a, row.u_b) for row in rows], dtype=float)
    known = {(row.marker, row.layers): row.lab for row in full.readings}
    direct = delta_e_2000(np.array([known[row.marker, row.layers] for row in rows]), true)
    return Case(delta_e_2000(lab, true), direct, _one_strength(found, rows, true), (lab - true) / u, found)


def _one_strength(found: Prediction, rows: list[Reading], true: np.ndarray) -> np.ndarray:
    """Return the errors of the paper's white and one strength, whether or not that was chosen."""
    from calib.answers.carrying.families import trials

    lesson = found.learned.lesson
    trial = next(one for one in trials(lesson) if one.family.name == "strength")
    lab = dict(zip(found.keys, trial.fit.predict(trial.rows)[0], strict=False))
    return delta_e_2000(np.array([lab[row.marker, row.layers] for row in rows]), true)


def papers(first: int, seeds: int, scatter: float, kind: str) -> None:
    print(f"hand scatter {scatter:g}, scanner {kind}")
    print(f"{'paper':14} {'chart':7} mean  95 %  expected  direct  strength  worst ratio  inside  models")
    for name, paper in PAPERS.items():
        for count, layers in ((40, (1, 2)), (80, (1,))):
            cases = []
            for seed in range(first, first + seeds):
                inks = invent_inks(count, seed=seed)
                making = Making(layers=layers, scatter=scatter, kind=kind, repeats=12 if scatter else 0)
                full, _ = invented_table(inks, making, seed)
                other = replace(making, paper=replace(paper, name=name), date="2026-04-01")
                new, truth = invented_table(inks, other, seed + 10_000)
                picked = pick_markers(full, COUNT // len(layers), [ink.marker for ink in inks], layers)
                cases.append(case(full, new, picked.markers, truth.lab))
            print(f"{name:14} {count}x{len(layers):<4} {_line(cases)}", flush=True)


def _line(cases: list[Case]) -> str:
    e, d, s, z = (
        np.concatenate([getattr(c, n) for c in cases]) for n in ("errors", "direct", "strength", "z")
    )
    said = np.mean([c.found.learned.error for c in cases])
    ratio = max(c.errors.mean() / c.strength.mean() for c in cases)
    names = [c.found.learned.trial.family.name for c in cases]
    models = ", ".join(f"{names.count(n)} {n}" for n in sorted(set(names)))
    return (
        f"{e.mean():.2f}  {np.quantile(e, 0.95):.2f}  {said:8.2f}  {d.mean():6.2f}  {s.mean():8.2f}  {ratio:11.2f}  "
        f"{100 * np.mean(np.abs(z) < 1.96):.1f} %  {models}"
    )


def print_tables() -> dict[str, Table]:
    names = ("FOGRA39L", "FOGRA29L", "FOGRA40L")
    recipes, labs = common_prints(*names)
    tables = {}
    for name, lab in zip(names, labs, strict=True):
        rows = []
        for recipe, colour in zip(recipes, lab, strict=True):
            bare = not recipe.any()
            marker = "paper" if bare else "-".join(f"{ink:g}" for ink in recipe)
            rows.append(
                Reading(
                    marker,
                    0 if bare else 1,
                    name,
                    "2026-01-01",
                    kind="paper" if bare else "ink",
                    **dict(zip("Lab", map(float, colour), strict=True)),
                )
            )
        tables[name] = Table(tuple(rows))
    return tables


def spread(lab: np.ndarray, count: int) -> list[int]:
    """Return an evenly spread choice: each next one the farthest from all taken, the lightest first."""
    taken = [int(lab[:, 0].argmax())]
    while len(taken) < count:
        far = np.linalg.norm(lab[:, None] - lab[taken], axis=-1).min(axis=1)
        taken.append(int(far.argmax()))
    return taken


def prints() -> None:
    tables = print_tables()
    cases = []
    print("from, to              mean  95 %  expected  direct  ratio  inside  model")
    for one, two in permutations(tables, 2):
        names = [row.marker for row in tables[one].readings if row.kind == "ink"]
        truth = {(row.marker, row.layers): np.array(row.lab) for row in tables[two].readings}
        done = case(tables[one], tables[two], pick_markers(tables[one], COUNT, names).markers, truth)
        cases.append(done)
        learned = done.found.learned
        print(
            f"{one}, {two}:  {done.errors.mean():.2f}  {np.quantile(done.errors, 0.95):.2f}  "
            f"{learned.error:8.2f}  {done.direct.mean():6.2f}  "
            f"{done.errors.mean() / done.direct.mean():5.3f}  {100 * np.mean(np.abs(done.z) < 1.96):.1f} %  "
            f"{learned.trial.family.name}",
            flush=True,
        )
    z = np.concatenate([one.z for one in cases])
    print(f"all six: {100 * np.mean(np.abs(z) < 1.96):.1f} % inside")


def picks(first: int, seeds: int) -> None:
    tables = print_tables()
    for one, two in permutations(tables, 2):
        inks = [row for row in tables[one].readings if row.kind == "ink"]
        names = [row.marker for row in inks]
        truth = {(row.marker, row.layers): np.array(row.lab) for row in tables[two].readings}
        ours = case(tables[one], tables[two], pick_markers(tables[one], COUNT, names).markers, truth)
        even = spread(np.array([row.lab for row in inks]), COUNT)
        evenly = case(tables[one], tables[two], tuple(names[i] for i in even), truth)
        chance = []
        for seed in range(first, first + seeds):
            taken = np.random.default_rng(seed).choice(len(names), COUNT, replace=False)
            chance.append(case(tables[one], tables[two], tuple(names[i] for i in taken), truth).errors.mean())
        print(
            f"{one}, {two}: picked {ours.errors.mean():.2f}, spread {evenly.errors.mean():.2f}, "
            f"random {np.mean(chance):.2f} (best {min(chance):.2f}, worst {max(chance):.2f})",
            flush=True,
        )


def picks_on_papers(first: int, seeds: int) -> None:
    """The same choices on the invented papers, 80 markers, one coat."""
    for name, paper in PAPERS.items():
        ours, evenly, chance = [], [], []
        for seed in range(first, first + seeds):
            inks = invent_inks(80, seed=seed)
            full, _ = invented_table(inks, Making(layers=(1,)), seed)
            new, truth = invented_table(
                inks, Making(layers=(1,), paper=paper, date="2026-04-01"), seed + 10_000
            )
            rows = [row for row in full.readings if row.kind == "ink"]
            names = [row.marker for row in rows]
            choices = {
                "picked": pick_markers(full, COUNT, names, (1,)).markers,
                "spread": tuple(names[i] for i in spread(np.array([row.lab for row in rows]), COUNT)),
                "random": tuple(np.random.default_rng(seed).choice(names, COUNT, replace=False)),
            }
            for found, choice in zip((ours, evenly, chance), choices.values(), strict=True):
                found.append(case(full, new, choice, truth.lab).errors.mean())
        print(
            f"{name:14} picked {np.mean(ours):.2f}, spread {np.mean(evenly):.2f}, random {np.mean(chance):.2f}"
        )


def speed() -> None:
    inks = invent_inks(400, seed=1)
    full, _ = invented_table(inks, Making(), 1)
    new, _ = invented_table(inks, Making(paper=PAPERS["kraft"], date="2026-04-01"), 2)
    for count in (24, 100, 399):
        start = time.perf_counter()
        markers = pick_markers(full, count, [ink.marker for ink in inks]).markers
        picked = time.perf_counter()
        predict(full, few_of(new, markers))
        print(
            f"{count} of 400 markers, two coats: picked in {picked - start:.1f} s, "
            f"carried over in {time.perf_counter() - picked:.1f} s",
            flush=True,
        )


def main(what: str = "all", first: str = "1000", seeds: str = "8") -> None:
    begin, many = int(first), int(seeds)
    if what in ("all", "papers"):
        papers(begin, many, 0.025, "colorimetric")
        papers(begin, max(many // 2, 1), 0.0, "colorimetric")
        papers(begin, max(many // 2, 1), 0.025, "three-led")
    if what in ("all", "prints"):
        prints()
    if what in ("all", "picks"):
        picks(begin, many)
        picks_on_papers(begin, many)
    if what in ("all", "speed"):
        speed()


if __name__ == "__main__":
    main(*sys.argv[1:])
