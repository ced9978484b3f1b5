"""Cells of one ink over another from the chart to the table: printed, coloured and scanned by the simulator, and read back.

The simulator (calib.synthetic) lays one film of dye over another by their spectra; the measuring side knows three channels and no
dye. One small page at 150 dpi, six invented inks in one coat, and six overlays: one lacks its second ink, one is blank, one is there twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from conftest import DENSITIES, DPI, SETTINGS, write_strip

from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.pairs import Pair
from calib.chart.plan import Plan
from calib.chart.planfile import plan_to_json, read_plan
from calib.colour.colorimetry import delta_e_2000
from calib.overlays import overlay_id
from calib.scan.measure import Measured, measure
from calib.scan.overlays import Laid
from calib.scan.scanner import Scanner
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import Ink, SimPaper, reflectance_at
from calib.synthetic.overlays import overlay_reflectance
from calib.synthetic.scan import ScanTruth, simulate_page
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.session import Hand, Session, Strip
from calib.synthetic.writing import write_scan
from calib.table.table import Reading, read_table, write_table

PENS = [Marker(f"{i:03d}", name=f"Invented {i}", set="a" if i < 4 else "b") for i in range(1, 7)]
PAIRS = [Pair(f"{u:03d}", f"{o:03d}") for u, o in ((1, 2), (2, 1), (4, 6), (5, 3), (6, 5), (3, 4))]
FORGOTTEN, BLANK = PAIRS[3], PAIRS[5]
OPTIONS = ChartOptions(
    page_mm=(125.0, 180.0), cell_mm=(13.0, 9.0), strip_mm=(60.0, 8.0), controls=4, layers=(1,)
)


@dataclass
class Desk:
    plan: Plan
    truth: ScanTruth
    measured: Measured
    scan: Path

    def row(self, pair: Pair) -> Reading:
        (row,) = [one for one in self.measured.table.readings if one.marker == pair.called]
        return row

    def true_lab(self, pair: Pair) -> np.ndarray:
        (cell,) = [c for c in self.plan.pages[0].cells if (c.marker, c.over) == (pair.under, pair.over)]
        return self.truth.cells[cell.cell].film.lab


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("laid")
    path = folder / "chart.json"
    path.write_text(plan_to_json(lay_out(PENS, OPTIONS, PAIRS)), encoding="utf-8")
    plan = read_plan(path)
    cell_of = {(cell.marker, cell.over): cell.cell for cell in plan.pages[0].cells if cell.over}
    hand = Hand(
        forgotten=(cell_of[FORGOTTEN.under, FORGOTTEN.over],), blank=(cell_of[BLANK.under, BLANK.over],)
    )
    inks = {ink.marker: ink for ink in invent_inks(PENS, seed=1)}
    made = simulate_page(plan, 1, inks, Session(strip=Strip(densities=DENSITIES), hand=hand, seed=4), dpi=DPI)
    write_scan(folder / "scan.png", made.pixels, DPI)
    strip = write_strip(folder / "strip.csv")
    return Desk(plan, made.truth, measure(plan, [folder / "scan.png"], strip, SETTINGS), folder / "scan.png")


def test_overlays_are_rows_of_their_own_after_the_markers(desk: Desk) -> None:
    rows = [row for row in desk.measured.table.readings if row.layers]
    assert [row.marker for row in rows] == [*(m.marker for m in PENS), *(pair.called for pair in PAIRS)]
    assert [row.kind for row in rows] == ["ink"] * 6 + ["overlay"] * 6
    row = desk.row(PAIRS[2])
    assert (row.marker, row.name, row.set, row.layers) == (
        "006 over 004",
        "Invented 6 over Invented 4",
        "b",
        1,
    )
    assert desk.row(PAIRS[4]).set == "b" and desk.row(PAIRS[3]).set == "" and row.swatches == 1
    # Swatches of the marker below count none of its overlays.
    below = next(one for one in rows if one.marker == "004")
    assert below.swatches == sum(c.marker == "004" and not c.over for c in desk.plan.pages[0].cells)


def test_an_overlay_is_read_as_well_as_an_ink(desk: Desk, tmp_path: Path) -> None:
    read = [pair for pair in PAIRS if pair not in (FORGOTTEN, BLANK)]
    off = [float(delta_e_2000(np.array(desk.row(pair).lab), desk.true_lab(pair))) for pair in read]
    assert max(off) < 1.0 and np.mean(off) < 0.5
    for pair in read:
        row = desk.row(pair)
        assert (
            row.coverage is not None and row.coverage > 0.95 and row.mottle is not None and row.mottle < 0.15
        )
        assert row.bleed_mm is not None and 0 < row.bleed_mm < 0.5
    # In the table's files too, where it keeps all its columns.
    write_table(tmp_path / "t.csv", desk.measured.table)
    table, warnings = read_table(tmp_path / "t.csv")
    assert [row.marker for row in table.readings] == [row.marker for row in desk.measured.table.readings]
    assert warnings == ()


def test_a_forgotten_second_ink_and_an_empty_cell_are_noticed(desk: Desk) -> None:
    assert desk.row(FORGOTTEN).flags == ("one-ink-only",) and not desk.row(FORGOTTEN).keeps_colour
    assert desk.row(BLANK).flags == ("blank",) and desk.row(BLANK).lab is None
    assert any("004 over 003 (1)" in word for word in desk.measured.warnings)
    for pair in PAIRS:
        if pair not in (FORGOTTEN, BLANK):
            assert "one-ink-only" not in desk.row(pair).flags


def test_the_scatter_of_the_hand_is_learned_from_single_inks_alone(desk: Desk) -> None:
    repeats = sum(cell.repeat > 1 for cell in desk.plan.pages[0].cells)
    scatter = desk.measured.table.origin.scatter
    assert repeats == 4 and scatter["degrees_of_freedom"] <= repeats


@pytest.mark.parametrize("seed", [3, 4, 5, 6, 7, 11])
def test_the_doubt_of_an_overlay_is_that_of_both_inks_chances(seed: int) -> None:
    """Against the simulator's spectra: both inks' amounts drawn by themselves, 3 % each (JCGM 101:2008)."""
    paper, scanner = SimPaper(), Scanner()
    spectral = spectral_scanner("colorimetric", "LED-B3")
    below, above = invent_inks(PENS, seed=seed)[:2]

    def seen(reflectance: np.ndarray) -> np.ndarray:
        return np.asarray(spectral.linear(reflectance))

    film = seen(overlay_reflectance(below, above, paper))
    alone = [seen(reflectance_at(ink, paper, paper.gain)) for ink in (below, above)]
    laid = Laid(seen(paper.reflectance()), film, (alone[0], alone[1]))
    draws = 0.03 * np.random.default_rng(seed).standard_normal((2000, 2))
    true = scanner.to_lab(seen(overlay_reflectance(below, above, paper, (1 + draws[:, 0], 1 + draws[:, 1]))))
    ours = scanner.to_lab(laid.light_with(draws))
    # Never much too narrow in any direction of Lab, and as a whole at most a third too wide: the ink below is taken for a whole coat.
    width, wanted = ours.std(0), true.std(0)
    assert np.all(width > 0.85 * wanted)
    assert 0.9 < np.linalg.norm(width) / np.linalg.norm(wanted) < 1.34
    # One ink read alone will do for that. Where neither was, colours that take from each other hide some of it.
    for part, least in (((laid.alone[0], None), 0.9), ((None, laid.alone[1]), 0.9), ((None, None), 0.7)):
        less = Laid(laid.paper, film, part)
        width = scanner.to_lab(less.light_with(draws[:, : len(less.shares)])).std(0)
        assert np.linalg.norm(width) > least * np.linalg.norm(wanted)


def lacks(below: Ink, above: Ink, film: np.ndarray, paper: SimPaper) -> bool:
    spectral = spectral_scanner("colorimetric", "LED-B3")
    alone = [spectral.linear(reflectance_at(ink, paper, paper.gain)) for ink in (below, above)]
    laid = Laid(spectral.linear(paper.reflectance()), spectral.linear(film), (alone[0], alone[1]))
    return laid.lacks_an_ink(Scanner())


@pytest.mark.parametrize("order", [0.0, 1.0])
def test_one_ink_is_missed_only_where_it_would_show(order: float) -> None:
    paper = SimPaper(order=order, trapping=0.2)
    inks = invent_inks(PENS, seed=1)
    found = 0
    for below in inks:
        for above in inks:
            if below is above:
                continue
            both = overlay_reflectance(below, above, paper)
            assert not lacks(below, above, both, paper)
            found += lacks(below, above, reflectance_at(below, paper, 1.03), paper)
    # A pale ink over a dark one, or a yellow under a black, is missed by nobody.
    assert found >= 10


def test_the_summary_and_the_proof_of_a_page_with_overlays(
    desk: Desk, calib: Callable[..., object], tmp_path: Path
) -> None:
    (tmp_path / "chart.json").write_text(plan_to_json(desk.plan), encoding="utf-8")
    ended = calib(
        "measure",
        str(tmp_path / "chart.json"),
        str(desk.scan),
        *("--strip", str(desk.scan.with_name("strip.csv")), "--paper", "smooth"),
        *("--proof", str(tmp_path / "proof"), "-o", str(tmp_path / "c.csv")),
    )
    assert ended.code == 0, ended.err  # type: ignore[attr-defined]
    assert "6 markers measured in 6 rows, and 5 overlays of one ink over another" in ended.out  # type: ignore[attr-defined]
    assert (tmp_path / "proof" / "page-01.png").exists()
    assert overlay_id("004", "006") in (tmp_path / "c.csv").read_text(encoding="utf-8")
