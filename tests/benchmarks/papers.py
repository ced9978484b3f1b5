"""How well ``calib papers`` tells what a paper does to a drawer of markers.

Run by hand: python tests/benchmarks/papers.py [first seed] [runs], and with 'scans' for two simulated scans instead.
Everything is invented. Tables are made without scans (invented_tables), over all kinds of scanner; each run draws its own
drawer and its own paper.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from invented_tables import Making, invented_table
from simulated import chart_of, read_page

from calib.answers.papers.centre import Centre
from calib.answers.papers.comparison import compare_papers
from calib.chart.markers import Marker
from calib.colour.colorimetry import delta_e_2000
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.synthetic.scanners import KINDS
from calib.synthetic.session import Session
from calib.table.table import Table

SIZES = (40, 60, 120, 300)


def paper_of(rng: np.random.Generator, alike: bool) -> SimPaper:
    """Return a paper that differs in everything; alike: with the first paper's growth from coat to coat."""
    return SimPaper(
        "other",
        level=float(rng.uniform(0.55, 0.93)),
        tint=float(rng.choice([-1, 1]) * rng.uniform(0.03, 0.4)),
        gain=float(rng.uniform(0.7, 1.2)),
        two_coat_exponent=1.75 if alike else float(rng.uniform(1.6, 1.9)),
        mottle=float(rng.uniform(0.7, 2.0)),
        bleed=float(rng.uniform(0.6, 2.0)),
    )


def holds(found: Centre | None, truth: float) -> float:
    return np.nan if found is None else float(found.low <= truth <= found.high)


def tables(
    first: int,
    runs: int,
    alike: bool,
    wrong: float = 0.0,
    layers: tuple[int, ...] = (1, 2),
    sizes: tuple[int, ...] = SIZES,
) -> None:
    """Print errors and how often intervals hold; wrong: share of pens that have dried to 0.6 to 0.95 on the other paper."""
    for size in sizes:
        found: list[list[float]] = []
        covered: list[np.ndarray] = []
        for run in range(runs):
            seed = first + 1000 * size + 10 * run
            rng = np.random.default_rng(seed)
            paper, kind = paper_of(rng, alike), KINDS[run % len(KINDS)]
            inks = invent_inks([Marker(f"{i:03d}") for i in range(size)], seed=seed + 1)
            dried = {ink.marker: float(rng.uniform(0.6, 0.95)) for ink in inks if rng.random() < wrong}
            one, true_one = invented_table(inks, Making(kind=kind, layers=layers), seed + 2)
            two, true_two = invented_table(
                inks, Making(paper=paper, kind=kind, strength=dried, layers=layers), seed + 3
            )
            facts = compare_papers([one, two]).facts[1]
            shift, far = facts.shift, facts.against
            assert shift is not None
            assert far is not None
            second = paper.two_coat_exponent / 1.75
            truth = paper.gain * np.mean([1.0 if n == 1 else second for n in layers])
            assert shift.strength is not None
            warm = shift.tinted[1]
            assert warm is not None
            called = {marker for marker, _ in shift.unlike}
            found.append(
                [
                    100 * (shift.strength.value - truth),
                    holds(shift.strength, truth),
                    50 * (shift.strength.high - shift.strength.low),
                    float(warm.value * paper.tint > 0),
                    float(warm.beyond(0.0) and warm.value * paper.tint < 0),
                    shift.mottle.value / paper.mottle - 1 if shift.mottle else np.nan,
                    holds(shift.mottle, paper.mottle),
                    shift.bleed.value - 0.22 * (paper.bleed - 1) if shift.bleed else np.nan,
                    holds(shift.bleed, 0.22 * (paper.bleed - 1)),
                    holds(shift.coat, second),
                    len(called - dried.keys()) / max(len(called), 1),
                    len(called & dried.keys()) / max(len(dried), 1),
                ]
            )
            true = delta_e_2000(
                np.array([true_one.lab[k] for k in far.keys]), np.array([true_two.lab[k] for k in far.keys])
            )
            covered.append((far.low <= true) & (true <= far.high))
        table = np.array(found)
        mean = np.nanmean(table, axis=0)
        off = np.abs(table[:, 0])
        print(
            f"{size:4d} markers: strength off by {off.mean():.2f} points (95 %: {np.percentile(off, 95):.2f}, bias "
            f"{mean[0]:+.2f}), interval +-{mean[2]:.2f} holds {100 * mean[1]:.1f} %; swatch intervals hold "
            f"{100 * np.concatenate(covered).mean():.1f} %;\n     warmth of the right sign {100 * mean[3]:.0f} %, wrong beyond doubt "
            f"{100 * mean[4]:.0f} %; mottle {100 * mean[5]:+.1f} % ({100 * mean[6]:.0f} % held), bleed "
            f"{mean[7]:+.3f} mm ({100 * mean[8]:.0f} %), second coat held {100 * mean[9]:.0f} %; unlike: {100 * mean[10]:.1f} % false, "
            f"{100 * mean[11]:.0f} % found"
        )


def scans(seed: int) -> None:
    """Print what two simulated scans of unlike papers tell."""
    plan = chart_of(40, cell_mm=(20.0, 12.0), controls=6)
    page = max(plan.pages, key=lambda one: len(one.cells)).page
    other = SimPaper("other", level=0.82, tint=0.12, gain=0.85, two_coat_exponent=1.65, mottle=1.6, bleed=2.0)
    read = [
        read_page(plan, Session(paper=paper, seed=seed + i), seed, page=page)
        for i, paper in enumerate((SimPaper(), other))
    ]
    named = [
        Table(tuple(replace(row, paper=name) for row in one.table.readings), one.table.origin)
        for name, one in zip(("smooth", "other"), read, strict=True)
    ]
    found = compare_papers(named)
    shift = found.facts[1].shift
    assert shift is not None
    for facts in found.facts:
        print(
            facts.sheet.paper, facts.markers, facts.white, "mottle", facts.mottle, "coverage", facts.coverage
        )
    print("strength", shift.strength, "true", 0.85 * (1 + 1.65 / 1.75) / 2, shift.by_coats)
    print("second coat", shift.coat, "true", 1.65 / 1.75)
    print("warmth", shift.tinted, "L", shift.L)
    # What the hand really laid in these very cells, which is not quite what it lays in the mean.
    laid = [
        {(cell.marker, cell.layers): cell.film_amount for cell in one.truth.cells.values()} for one in read
    ]
    keys = [key for key in laid[0].keys() & laid[1].keys() if laid[0][key] > 0]
    print("strength as laid", other.gain * np.median([laid[1][key] / laid[0][key] for key in keys]))
    for name, truly, centre in (
        ("mottle", "mottle", shift.mottle),
        ("mottle", "mottle_density", shift.mottle),
        ("coverage", "coverage", shift.coverage),
        ("bleed_mm", "bleed_mm", shift.bleed),
    ):
        true = [{key: getattr(cell, truly) for key, cell in one.truth.cells.items()} for one in read]
        both = sorted(true[0].keys() & true[1].keys())
        change = [
            true[1][key] / true[0][key] if name == "mottle" else true[1][key] - true[0][key] for key in both
        ]
        print(name, centre, f"true {truly}", np.nanmedian(change))


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if word != "scans"]
    start = int(words[0]) if words else 0
    count = int(words[1]) if len(words) > 1 else 40
    if "scans" in sys.argv:
        scans(start)
    else:
        print("second coats alike")
        tables(start, count, alike=True)
        print("second coats unlike")
        tables(start, count, alike=False)
        print("unlike, 15 % of the pens dried out in between")
        tables(start, count, alike=False, wrong=0.15)
        print("one coat only")
        tables(start, count, alike=True, layers=(1,))
