"""How well cells of one ink over another are read, whether their doubts hold, and whether a forgotten ink is noticed.

    python tests/benchmarks/overlays.py [charts of each kind] [first seed]

Eight invented inks in one coat and in two, and ten overlays of them, one cell each, on small pages at 150 dpi; every third overlay
never got its second ink. The film's error is against the swatch's own film (unclipped ones); a doubt is held against what an average hand
would have laid, which is what a row promises. The paper's knobs turn order and trapping up.
"""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.pairs import Pair, marker_in
from calib.colour.colorimetry import delta_e_2000
from calib.colour.reference import read_strip
from calib.colour.uncertainty import coverage_factor
from calib.scan.measure import Settings, measure
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.synthetic.scan import CellTruth, simulate_page
from calib.synthetic.session import Hand, Session, Strip
from calib.synthetic.writing import write_scan
from calib.table.table import Reading

FIRST_SEED = 81000
DPI = 150
DENSITIES = tuple(round(0.1 + 0.2 * i, 2) for i in range(10))
OPTIONS = ChartOptions(page_mm=(125.0, 150.0), cell_mm=(13.0, 9.0), strip_mm=(60.0, 8.0), controls=2)
PAPERS = {
    "order and trapping off": SimPaper(),
    "order 1, trapping 0.25": SimPaper(order=1.0, trapping=0.25),
    "order -1, trapping 0.5": SimPaper(order=-1.0, trapping=0.5),
}
PENS = [Marker(f"{i:03d}") for i in range(1, 9)]
LISTED = {marker.marker: marker for marker in PENS}
FORGOTTEN = "forgotten"
Found = tuple[str, Reading, CellTruth, float]


def rows_of(folder: Path, paper: SimPaper, seed: int) -> list[Found]:
    """Return the rows of one cell each of a measured chart: what it is ('ink', 'overlay' or FORGOTTEN), its truth, Student's factor."""
    every = [(a, b) for a in LISTED for b in LISTED if a != b]
    chosen = np.random.default_rng(seed).choice(len(every), 10, replace=False)
    plan = lay_out(PENS, OPTIONS, [Pair(*every[i]) for i in chosen])
    cells = [cell for page in plan.pages for cell in page.cells]
    forgotten = tuple(cell.cell for cell in cells if cell.over)[::3]
    inks = {ink.marker: ink for ink in invent_inks(PENS, seed=seed)}
    session = Session(
        paper=paper, hand=Hand(forgotten=forgotten), strip=Strip(densities=DENSITIES), seed=seed
    )
    paths, truth = [], {}
    for page in plan.pages:
        made = simulate_page(plan, page.page, inks, session, dpi=DPI)
        paths.append(folder / f"{page.page}.png")
        write_scan(paths[-1], made.pixels, DPI)
        truth.update(made.truth.cells)
    table = measure(plan, paths, read_strip(folder / "strip.csv"), Settings("paper", "2026-01-01")).table
    rows = {(row.marker, row.layers): row for row in table.readings}
    factor = coverage_factor(table.origin.scatter["degrees_of_freedom"])
    found = []
    for cell in cells:
        marker = marker_in(cell, LISTED)
        row = rows[marker.marker, cell.layers]
        if row.swatches == 1:
            kind = FORGOTTEN if cell.cell in forgotten else marker.kind
            found.append((kind, row, truth[cell.cell], factor))
    return found


def main(charts: int = 20, first: int = FIRST_SEED) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        steps = "".join(f"{i},{density}\n" for i, density in enumerate(DENSITIES, 1))
        (folder / "strip.csv").write_text(f"step,density\n{steps}", encoding="utf-8")
        for number, (called, paper) in enumerate(PAPERS.items()):
            rows = [
                row
                for seed in range(first + 1000 * number, first + 1000 * number + charts)
                for row in rows_of(folder, paper, seed)
            ]
            print(f"{called}, {charts} charts from seed {first + 1000 * number}")
            report(rows)


def report(rows: list[Found]) -> None:
    off, within = defaultdict(list), defaultdict(list)
    flagged = defaultdict(list)
    for kind, row, truth, factor in rows:
        flagged[kind].append("one-ink-only" in row.flags)
        if row.lab is None or "clipped" in row.flags or kind == FORGOTTEN:
            continue
        lab = np.array(row.lab)
        off[kind].append(float(delta_e_2000(lab, truth.film.lab)))
        within[kind].append(np.abs(lab - truth.nominal.lab) / np.array([row.u_L, row.u_a, row.u_b]) / factor)
    for kind in ("ink", "overlay"):
        error, ratio = np.array(off[kind]), np.array(within[kind])
        held = " ".join(f"{100 * share:.1f}" for share in (ratio < 1).mean(axis=0))
        print(
            f"  {kind:8} {len(error):4} film dE00 mean {error.mean():.2f}, 95 % {np.percentile(error, 95):.2f}, "
            f"most {error.max():.2f}; 95 % intervals hold an average hand's L, a, b in {held} %"
        )
    print(
        f"  second ink forgotten: {sum(flagged[FORGOTTEN])} of {len(flagged[FORGOTTEN])} noticed; "
        f"{sum(flagged['overlay'])} of {len(flagged['overlay'])} whole overlays taken for such"
    )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
