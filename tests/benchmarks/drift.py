"""Does drift find the pens that changed, and no others: invented tables by the hundred, and some simulated scans.

    python tests/benchmarks/drift.py [runs] [first seed]        invented tables
    python tests/benchmarks/drift.py scans [pairs] [first seed] [folder]   simulated scans, 300 dpi, some 20 seconds a page pair; a folder
        keeps the measured tables, so that a change of the answer is judged without measuring again

15 % of the markers change: a third of them weakened to 0.6 to 0.95, a third dried (grain 0.2 to 0.6), a third contaminated with 10 to 40
per cent of another ink, or all of one kind. On top every run has a shift of the whole session, in tone and in the strength of all pens. Printed
per setting: false discovery rate (mean over runs, markers; goal 5 %), markers with a true change of at least 2 dE00 that were called
(goal: 97 % with both layers, 93 % with one), dry pens called patchy or weaker (goal 90 %), the right word, the median error of the strength
of weakened pens (goal 0.02; 0.01 without scatter of the hand), and how often the intervals of changed pens hold the truth (goal 93 to 97 %).

A change of 2 dE00 is only two or three times what a hand's scatter of 2.5 % makes of a full ink, so that some are missed by anyone.
"""

from __future__ import annotations

import json
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from invented_tables import Making, Truth, invented_table, lab_of
from simulated import chart_of, strip_of

from calib.answers.drift.comparison import Drift, drift_of
from calib.answers.drift.shift import light_of_lightness, lightness
from calib.colour.colorimetry import delta_e_2000, lab_to_lch
from calib.scan.measure import Settings, measure
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import Ink
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import Hand, Laying, Scanner, Session
from calib.synthetic.writing import write_scan
from calib.table.table import Reading, Table, read_table, write_table

KINDS = ("colorimetric", "camera-1", "camera-2", "three-led")
FINDINGS = ("patchy", "off-hue", "weaker", "stronger")


@dataclass(frozen=True)
class Setting:
    """What a run is like: how many markers, layers, scatter of the hand, which changes, what the tables leave out."""

    name: str
    count: int = 100
    layers: tuple[int, ...] = (1, 2)
    scatter: float = 0.025
    changes: tuple[str, ...] = ("weak", "dry", "taint")
    shift: bool = True
    repeats: int = 12
    share: float = 0.15


@dataclass(frozen=True)
class Changed:
    """What was done to single pens: strength, grain, and the ink and share that came into another."""

    weak: dict[str, float]
    dry: dict[str, float]
    taint: dict[str, Ink]


def change(inks: tuple[Ink, ...], setting: Setting, rng: np.random.Generator) -> Changed:
    """Draw the pens that change."""
    ids = [ink.marker for ink in inks]
    rng.shuffle(ids)
    number = round(setting.share * len(ids))
    groups: dict[str, list[str]] = {kind: [] for kind in ("weak", "dry", "taint")}
    for i, marker in enumerate(ids[:number]):
        groups[setting.changes[i % len(setting.changes)]].append(marker)
    by_id = {ink.marker: ink for ink in inks}
    return Changed(
        {m: float(rng.uniform(0.6, 0.95)) for m in groups["weak"]},
        {m: float(rng.uniform(0.2, 0.6)) for m in groups["dry"]},
        {
            m: by_id[m].tainted(by_id[ids[-1 - i]], float(rng.uniform(0.1, 0.4)))
            for i, m in enumerate(groups["taint"])
        },
    )


def shifted(table: Table, rng: np.random.Generator) -> Table:
    """Return a table whose whole session reads differently: lightness of each channel, smoothly, nothing on white."""
    common, tint = rng.normal(0, 1.0), rng.normal(0, 0.4, (3, 2))

    def moved(row: Reading) -> Reading:
        if row.linear is None:
            return row
        v = lightness(np.array(row.linear))
        w = np.clip(1 - v / 100, 0, 1)
        light = light_of_lightness(
            v + common * 4 * w * (1 - w) + tint[:, 0] * w + tint[:, 1] * 4 * w * (1 - w)
        )
        lab = lab_of(light)
        names = ("L", "a", "b", "C", "h", "R", "G", "B")
        values = (*lab, *lab_to_lch(lab)[1:], *light)
        return replace(row, **{name: float(v) for name, v in zip(names, values, strict=True)})

    return replace(table, readings=tuple(moved(row) for row in table.readings))


def one_run(setting: Setting, kind: str, seed: int) -> tuple[Drift, Changed, Truth, Truth, float]:
    """Make two sessions and compare them; also the factor by which all pens were stronger in the second."""
    rng = np.random.default_rng(seed)
    inks = invent_inks(setting.count, seed=seed)
    changed = change(inks, setting, rng)
    making = Making(layers=setting.layers, scatter=setting.scatter, kind=kind, repeats=setting.repeats)
    before, truth_1 = invented_table(inks, making, 10 * seed + 1)
    all_pens = float(np.exp(rng.normal(0, 0.02))) if setting.shift else 1.0
    strength = {ink.marker: all_pens * changed.weak.get(ink.marker, 1.0) for ink in inks}
    after_inks = tuple(changed.taint.get(ink.marker, ink) for ink in inks)
    later = replace(making, date="2026-09-01", strength=strength, dry=changed.dry)
    after, _ = invented_table(after_inks, later, 10 * seed + 2)
    # The true change of a pen is without what all pens share.
    _, truth_2 = invented_table(after_inks, replace(later, strength=changed.weak), 10 * seed + 2)
    if setting.shift:
        after = shifted(after, rng)
    return drift_of([before, after]), changed, truth_1, truth_2, all_pens


class Tally:
    """Counts over runs."""

    def __init__(self) -> None:
        self.fdr: list[float] = []
        self.caught: list[bool] = []
        self.dry: list[bool] = []
        self.words: list[bool] = []
        self.errors: list[float] = []
        self.inside: list[bool] = []
        self.strength: list[bool] = []
        self.unchanged: list[bool] = []
        self.calls = 0
        self.missed: list[str] = []

    def add(self, drift: Drift, changed: Changed, true: dict[tuple[str, int], float]) -> None:
        """Count one run; true: the true dE00 by marker and layers."""
        called = {row.marker for row in drift.rows if row.verdict in FINDINGS}
        really = {*changed.weak, *changed.dry, *changed.taint}
        self.calls += len(called)
        self.fdr.append(len(called - really) / max(len(called), 1))
        rows: dict[str, list] = {}
        for row in drift.rows:
            if row.verdict != "unreadable":
                rows.setdefault(row.marker, []).append(row)
        for marker, own in rows.items():
            words = {row.verdict for row in own}
            largest = max(true[marker, row.layers] for row in own)
            if marker in changed.dry:
                self.dry.append(bool(words & {"patchy", "weaker"}))
            elif marker in really and largest >= 2:
                self.caught.append(marker in called)
                if marker not in called:
                    said = ", ".join(f"{row.verdict} at {row.dE00:.1f}, q {row.q:.3f}" for row in own)
                    self.missed.append(f"true {largest:.1f} ({said})")
                if marker in called:
                    self.words.append(("weaker" if marker in changed.weak else "off-hue") in words)
            for row in own:
                truly = true[marker, row.layers]
                if marker in changed.weak and row.strength is not None:
                    self.errors.append(abs(row.strength - changed.weak[marker]))
                if marker in changed.weak and row.strength is not None:
                    self.strength.append(row.strength_low <= changed.weak[marker] <= row.strength_high)
                if marker not in really:
                    if row.strength is not None:
                        self.unchanged.append(row.strength_low <= 1 <= row.strength_high)
                elif truly >= 1:
                    self.inside.append(row.dE00_low <= truly <= row.dE00_high)

    def line(self) -> str:
        """Return the figures."""

        def share(values: list[bool]) -> str:
            return f"{100 * np.mean(values):5.1f} %" if values else "   -   "

        return (
            f"fdr {100 * np.mean(self.fdr):4.1f} %  caught {share(self.caught)} of {len(self.caught):4d}  dry {share(self.dry)}  "
            f"word {share(self.words)}  strength {np.median(self.errors) if self.errors else np.nan:.4f}  "
            f"in: dE00 {share(self.inside)} strength {share(self.strength)} unchanged {share(self.unchanged)}"
        )


SETTINGS = (
    Setting("60, mixed", 60),
    Setting("100, mixed"),
    Setting("300, mixed", 300),
    Setting("100, one layer", layers=(1,)),
    Setting("300, one layer", 300, layers=(1,)),
    Setting("100, weakened", changes=("weak",)),
    Setting("100, weakened, one layer", layers=(1,), changes=("weak",)),
    Setting("100, contaminated", changes=("taint",)),
    Setting("100, dry", changes=("dry",)),
    Setting("100, still hand", scatter=0.0),
    Setting("100, hand 1 %", scatter=0.01),
    Setting("100, hand 4 %", scatter=0.04),
    Setting("100, scatter assumed", repeats=0),
    Setting("100, no shift", shift=False),
    Setting("100, nothing changed", share=0.0),
    Setting("10, mixed", 10),
    Setting("5, mixed, no shift", 5, shift=False),
)


@dataclass(frozen=True)
class Scanned:
    """Two measured sessions, what was done to their pens, and the true dE00 of each row in the scanner's own light."""

    tables: list[Table]
    changed: Changed
    true: dict[tuple[str, int], float]


def scanned_pair(setting: Setting, kind: str, seed: int) -> Scanned:
    """Simulate the scans of two sessions and measure them."""
    plan = chart_of(setting.count, layers=setting.layers)
    inks = invent_inks(plan.markers, seed=seed)
    changed = change(inks, setting, np.random.default_rng(seed))
    later = {
        ink.marker: changed.taint.get(ink.marker, ink.strengthened(changed.weak.get(ink.marker, 1.0)))
        for ink in inks
    }
    tables, films = [], []
    for number, own in ((1, {ink.marker: ink for ink in inks}), (2, later)):
        session = Session(
            hand=Hand(scatter=setting.scatter, dry_marker=changed.dry if number == 2 else {}),
            scanner=Scanner(kind=kind, bits=8),
            laying=Laying(turn_deg=0.5 * number),
            seed=10 * seed + number,
        )
        scans = [simulate_page(plan, page.page, own, session, dpi=300) for page in plan.pages]
        with tempfile.TemporaryDirectory() as folder:
            paths = [Path(folder) / f"page{i}.tif" for i in range(len(scans))]
            for path, scan in zip(paths, scans, strict=True):
                write_scan(path, scan.pixels, 300)
            settings = Settings("simulated", f"2026-0{3 * number}-01")
            tables.append(measure(plan, paths, strip_of(scans[0].truth.strip_densities), settings).table)
        cells = {cell.cell: cell for scan in scans for cell in scan.truth.cells.values()}
        films.append({(cell.marker, cell.layers): lab_of(cell.nominal.linear) for cell in cells.values()})
    true = {key: float(delta_e_2000(films[0][key], films[1][key])) for key in films[0]}
    return Scanned(tables, changed, true)


def kept_pair(setting: Setting, kind: str, seed: int, folder: Path | None) -> Scanned:
    """Return the pair of this seed from the folder, measured first where it is not there."""
    if folder is None:
        return scanned_pair(setting, kind, seed)
    own = folder / f"{seed}-{kind}-{setting.count}-{len(setting.layers)}"
    paths = [own / "before.csv", own / "after.csv"]
    if not (own / "truth.json").exists():
        made = scanned_pair(setting, kind, seed)
        own.mkdir(parents=True, exist_ok=True)
        for path, table in zip(paths, made.tables, strict=True):
            write_table(path, table)
        truth = {
            "weak": made.changed.weak,
            "dry": made.changed.dry,
            "taint": list(made.changed.taint),
            "true": [[*key, value] for key, value in made.true.items()],
        }
        (own / "truth.json").write_text(json.dumps(truth), encoding="utf-8")
    truth = json.loads((own / "truth.json").read_text(encoding="utf-8"))
    inks = {ink.marker: ink for ink in invent_inks(chart_of(setting.count).markers, seed=seed)}
    changed = Changed(truth["weak"], truth["dry"], {marker: inks[marker] for marker in truth["taint"]})
    true = {(marker, layers): value for marker, layers, value in truth["true"]}
    return Scanned([read_table(path)[0] for path in paths], changed, true)


def scans(pairs: int = 4, first: int = 72000, folder: Path | None = None) -> None:
    """Print a row per number of layers; the scanners take turns."""
    for setting in (Setting("scans, 68", 68), Setting("scans, 68, one layer", 68, layers=(1,))):
        tally = Tally()
        for i in range(pairs):
            made = kept_pair(setting, KINDS[(first + i) % len(KINDS)], first + i, folder)
            tally.add(drift_of(made.tables), made.changed, made.true)
        print(
            f"{setting.name:26s} {tally.line()}",
            *(f"   missed: {one}" for one in tally.missed),
            sep="\n",
            flush=True,
        )


def main(runs: int = 20, first: int = 70000, only: str = "") -> None:
    """Print a row per setting."""
    for setting in SETTINGS:
        if only not in setting.name:
            continue
        tally = Tally()
        for i in range(runs):
            drift, changed, one, two, _ = one_run(setting, KINDS[i % len(KINDS)], first + i)
            true = {key: float(delta_e_2000(one.lab[key], two.lab[key])) for key in one.lab}
            tally.add(drift, changed, true)
        print(f"{setting.name:26s} {tally.line()}", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["scans"]:
        scans(*(int(a) for a in sys.argv[2:4]), *(Path(a) for a in sys.argv[4:5]))
    else:
        main(*(int(a) for a in sys.argv[1:3]), *sys.argv[3:4])
