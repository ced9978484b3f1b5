"""Pages in pictures as they come: poor print, thumbs, crops, any turn, larger beds, several sheets, printed to another size.

Outside sources: the simulator's own geometry (truth.to_px), which was never read from the picture, and OpenCV's
detector on the picture as it is, which the poor prints must defeat before it counts that they are read.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from conftest import DPI, OPTIONS, SETTINGS, Studio, failure, frames_of, marks_of
from numpy.typing import NDArray

from calib.chart.layout import lay_out
from calib.chart.plan import Page
from calib.colour.colorimetry import delta_e_2000
from calib.errors import NotFoundError
from calib.scan.fiducials import reduced_grey
from calib.scan.frame import Frame, fit_frame
from calib.scan.measure import Measured, measure
from calib.scan.place import Place
from calib.scan.printed import Printed, printed_size
from calib.synthetic.scan import SimulatedScan, simulate_page
from calib.synthetic.session import Laying, Printer, Scanner, Stain
from calib.synthetic.writing import write_scan

PX_PER_MM = DPI / 25.4
# Sampling keeps 1.2 mm clear of a cell's edge; measured on these pictures: 0.028 mm at most.
NEAR_MM = 0.05
WORN = Printer(pale=0.4, streaks=60, streak_mm=0.25, pinholes=60, patchy=0.15)
POOR = {
    "pale": Printer(pale=0.75),
    "streaked": Printer(streaks=90, streak_mm=0.3),
    "pinholed": Printer(pinholes=250),
    "banded": Printer(bands=0.9, band_mm=3.0),
    "patchy": Printer(patchy=0.4),
    "all of it": WORN,
}


def middles(page: Page) -> NDArray:
    return np.array([[c.x_mm + c.width_mm / 2, c.y_mm + c.height_mm / 2] for c in page.cells])


def off_mm(frame: Frame, scan: SimulatedScan, moved: NDArray | None = None) -> float:
    """Return how far, at most, a cell's middle is from the truth, which moved (3, 3) takes to the picture's pixels."""
    true = np.column_stack([scan.truth.to_px(middles(frame.page)), np.ones(len(frame.page.cells))])
    true = (true @ (np.eye(3) if moved is None else moved).T)[:, :2]
    return float(np.hypot(*(frame.to_pixels(middles(frame.page)) - true).T).max() / PX_PER_MM)


def beside(one: NDArray, two: NDArray, lid: int = 60_000) -> NDArray:
    """Return two pictures side by side on one bed, the second's first column at one's width."""
    bed = np.full((max(len(one), len(two)), one.shape[1] + two.shape[1], 3), lid, one.dtype)
    bed[: len(one), : one.shape[1]] = one
    bed[: len(two), one.shape[1] :] = two
    return bed


def shifted(x: float, y: float = 0.0) -> NDArray:
    return np.array([[1.0, 0, x], [0, 1, y], [0, 0, 1]])


def measured(studio: Studio, name: str, codes: NDArray) -> Measured:
    return measure(studio.plan, [studio.save(f"{name}.png", codes)], studio.strip, SETTINGS)


# --- poor prints, covered and cut-off marks ------------------------------------------------------


@pytest.mark.parametrize("kind", list(POOR))
def test_a_poor_print_is_found(studio: Studio, kind: str) -> None:
    printer = replace(POOR[kind], hidden=(studio.plan.pages[0].marks[1].id,))
    session = studio.session(printer=printer, laying=Laying(turn_deg=17.0), scanner=Scanner(bits=8))
    scan = simulate_page(studio.plan, 1, studio.inks, session, dpi=DPI)
    if kind == "all of it":
        # The comparison can fail: as it is, the picture shows too few marks.
        assert len(marks_of(scan.pixels)) < 3
    (frame,) = frames_of(scan.pixels, studio.plan)
    assert frame.marks >= 4
    assert off_mm(frame, scan) < NEAR_MM


@pytest.mark.parametrize("every", [7, 11])
def test_white_lines_through_all_marks(studio: Studio, every: int) -> None:
    """Unprinted lines of one pixel, drawn into the finished picture and not by the simulator."""
    codes = studio.pixels("page-1").copy()
    codes[::every] = np.median(codes)
    (frame,) = frames_of(codes, studio.plan)
    assert frame.marks == 6
    assert off_mm(frame, studio.scans["page-1"][1]) < NEAR_MM


def test_thumbs_on_marks(studio: Studio) -> None:
    page = studio.plan.pages[0]
    thumbs = tuple(Stain(m.x_mm + 4, m.y_mm + 6, 8.0, opaque=True) for m in (page.marks[0], page.marks[3]))
    scan = simulate_page(studio.plan, 1, studio.inks, studio.session(laying=Laying(stains=thumbs)), dpi=DPI)
    (frame,) = frames_of(scan.pixels, studio.plan)
    assert frame.marks == 4
    assert off_mm(frame, scan) < NEAR_MM


@pytest.mark.parametrize("side", ["left", "top", "right", "bottom"])
def test_marks_cut_off_by_the_scanner(studio: Studio, side: str) -> None:
    """Half a mark's width is cut off, so that a column or row of marks is not whole."""
    scan = studio.scans["page-1"][1]
    cut = round(18.0 * PX_PER_MM)
    rows, columns = scan.pixels.shape[:2]
    window = {
        "left": np.s_[:, cut:],
        "right": np.s_[:, : columns - cut],
        "top": np.s_[cut:],
        "bottom": np.s_[: rows - cut - round(5 * PX_PER_MM)],
    }[side]
    moved = shifted(-cut if side == "left" else 0.0, -cut if side == "top" else 0.0)
    (frame,) = frames_of(scan.pixels[window], studio.plan)
    assert off_mm(frame, scan, moved) < NEAR_MM


@pytest.mark.parametrize("column", [0, 1])
def test_a_column_of_marks_and_the_black_patch(studio: Studio, column: int) -> None:
    """Three marks in one line tell nothing of a sheet that was stretched across it; the black patch does."""
    page = studio.plan.pages[0]
    edge = sorted({mark.x_mm for mark in page.marks})[column]
    hidden = tuple(mark.id for mark in page.marks if mark.x_mm == edge)
    session = studio.session(printer=Printer(hidden=hidden, scale=1.01, stretch=-0.01))
    scan = simulate_page(studio.plan, 1, studio.inks, session, dpi=DPI)
    (frame,) = frames_of(scan.pixels, studio.plan)
    assert frame.marks == 3
    assert off_mm(frame, scan) < NEAR_MM
    by_marks = [mark for mark in marks_of(scan.pixels) if mark.id not in hidden]
    fitted = fit_frame(page, by_marks)
    # Without the patch it is off by more: the comparison can fail.
    assert fitted is not None and off_mm(fitted[0], scan) > 0.5


# --- turns and beds ------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", range(10, 360, 35))
def test_any_turn_on_a_bed_larger_than_the_page(studio: Studio, degrees: int) -> None:
    """The page anywhere on a bed of 297 by 420 mm, turned by OpenCV and not by the simulator."""
    scan = studio.scans["page-1"][1]
    middle = (scan.pixels.shape[1] / 2, scan.pixels.shape[0] / 2)
    to_bed = np.vstack([cv2.getRotationMatrix2D(middle, degrees, 1.0), [0, 0, 1]])
    bed = (round(297 * PX_PER_MM), round(420 * PX_PER_MM))
    to_bed = shifted(7 * degrees % 800 + 120, 11 * degrees % 1300 + 120) @ to_bed
    codes = cv2.warpAffine(scan.pixels, to_bed[:2], bed, flags=cv2.INTER_LINEAR, borderValue=(60_000,) * 3)
    (frame,) = frames_of(np.asarray(codes), studio.plan)
    assert frame.marks == 6
    assert off_mm(frame, scan, to_bed) < 0.01


@pytest.mark.parametrize("long_side", [2399, 2401, 2700, 3001])
def test_a_reduced_picture_keeps_the_scale_of_each_direction(long_side: int) -> None:
    """By OpenCV's rule, a resized picture's scale is the ratio of its whole numbers of pixels, not the one asked for."""
    codes = np.zeros((long_side, 1703, 3), np.uint8)
    grey, factor = reduced_grey(codes, 2400)
    assert tuple(factor) == (1703 / grey.shape[1], long_side / grey.shape[0])


# --- several sheets on one bed -------------------------------------------------------------------


def test_two_pages_on_one_bed_measure_as_two_scans_do(studio: Studio) -> None:
    one, two = studio.pixels("page-1"), np.rot90(studio.pixels("page-2"), 2)
    together = measured(studio, "both", beside(one, two))
    apart = studio.table("page-1", "page-2")
    assert [row.key for row in together.table.readings] == [row.key for row in apart.table.readings]
    theirs = {row.key: row.lab for row in apart.table.readings}
    pairs = [(row.lab, theirs[row.key]) for row in together.table.readings if row.lab is not None]
    # Measured: see the bound; the lid that each sheet sees at its side is the other sheet's.
    assert float(np.max(delta_e_2000(*np.swapaxes(np.array(pairs), 0, 1)))) < 0.3


def test_the_same_page_twice_on_one_bed_is_averaged(studio: Studio) -> None:
    """Two prints of page 1, coloured separately: each mark is there twice, and geometry tells whose it is."""
    other = simulate_page(studio.plan, 1, studio.inks, studio.session(seed=9), dpi=DPI)
    one, two = studio.scans["page-1"][1], other
    bed = beside(one.pixels, np.rot90(two.pixels, 2))
    frames = frames_of(bed, studio.plan)
    assert [frame.page.page for frame in frames] == [1, 1]
    rows, columns = two.pixels.shape[:2]
    half_turn = np.array([[-1.0, 0, columns - 1 + one.pixels.shape[1]], [0, -1, rows - 1], [0, 0, 1]])
    offs = sorted([(off_mm(f, one), off_mm(f, two, half_turn)) for f in frames])
    assert offs[0][0] < NEAR_MM and offs[1][1] < NEAR_MM
    twice = measured(studio, "twice", bed).table
    once = {row.key: row for row in studio.table("page-1").table.readings}
    assert {row.key for row in twice.readings} == set(once)
    for row in twice.readings:
        if row.kind == "ink":
            # A cell that is seen twice is one swatch, read on twice the pixels.
            assert row.swatches == once[row.key].swatches
            assert row.pixels is not None and row.pixels > 1.7 * (once[row.key].pixels or 0)


def test_a_second_print_with_too_few_marks_is_left_out_and_named(studio: Studio) -> None:
    one = studio.pixels("page-1")
    (frame,) = frames_of(beside(one, one[: len(one) // 3]), studio.plan)
    assert off_mm(frame, studio.scans["page-1"][1]) < NEAR_MM
    assert "second print of page 1" in frame.notes[0] and "left out" in frame.notes[0]


def test_a_sheet_of_another_chart_beside_ours_is_left_out_and_named(studio: Studio) -> None:
    other = lay_out(studio.plan.markers, replace(OPTIONS, seed=1))
    scan = simulate_page(other, 1, studio.inks, studio.session(), dpi=DPI)
    one = studio.pixels("page-1")
    (frame,) = frames_of(beside(np.ascontiguousarray(scan.pixels), one), studio.plan)
    assert off_mm(frame, studio.scans["page-1"][1], shifted(scan.pixels.shape[1])) < NEAR_MM
    assert "another chart" in frame.notes[0]


@pytest.mark.parametrize("tilt", [0.0002, 0.0003])
def test_two_sheets_in_one_tilted_picture_lie_where_they_are(studio: Studio, tilt: float) -> None:
    """The same page twice, seen in perspective by OpenCV: each id is there twice, and nothing is parallel."""
    one = (studio.pixels("page-1") >> 8).astype(np.uint8)
    rows, columns = one.shape[:2]
    bed = beside(one, np.ascontiguousarray(np.rot90(one, 2)), lid=90)
    seen = np.array([[1.0, 0, 0], [0, 1, 0], [tilt, tilt / 2, 1]])
    codes = cv2.warpPerspective(bed, seen, (bed.shape[1], rows), flags=cv2.INTER_AREA, borderValue=(90,) * 3)
    half_turn = np.array([[-1.0, 0, 2 * columns - 1], [0, -1, rows - 1], [0, 0, 1]])
    frames = frames_of(np.asarray(codes), studio.plan)
    assert len(frames) == 2
    for moved in (seen, seen @ half_turn):
        at = np.column_stack(
            [
                studio.scans["page-1"][1].truth.to_px(middles(frames[0].page)),
                np.ones(len(frames[0].page.cells)),
            ]
        )
        at = at @ moved.T
        off = [
            np.hypot(*(f.to_pixels(middles(f.page)) - at[:, :2] / at[:, 2:]).T).max() / f.pixels_per_mm
            for f in frames
        ]
        assert min(off) < 0.3 and max(off) > 50


@pytest.mark.parametrize("above", ["page 2", "another chart"])
def test_sheets_that_lie_over_each_other_are_refused(studio: Studio, above: str) -> None:
    """The sheet below shows half its marks, and would be read with the other's swatches in its cells."""
    one, two = studio.pixels("page-1").copy(), studio.pixels("page-2")
    if above == "another chart":
        other = lay_out(studio.plan.markers, replace(OPTIONS, seed=1))
        two = simulate_page(other, 1, studio.inks, studio.session(), dpi=DPI).pixels
    bed = np.full((2 * len(one), one.shape[1] + 40, 3), 60_000, np.uint16)
    bed[: len(one), : one.shape[1]] = one
    low = round(0.55 * len(one))
    bed[low : low + len(two), : two.shape[1]] = two
    error = failure(lambda: frames_of(bed, studio.plan))
    assert isinstance(error, NotFoundError) and error.exit_code == 4
    assert "over" in str(error) and "side by side" in str(error)


# --- printed to another size -----------------------------------------------------------------


@pytest.mark.parametrize(("scale", "stretch"), [(0.93, 0.01), (1.07, -0.01), (0.96, 0.0), (1.0, 0.0)])
def test_the_size_of_the_print_is_told_by_the_strip_and_the_file(
    studio: Studio, scale: float, stretch: float
) -> None:
    session = studio.session(
        printer=Printer(scale=scale, stretch=stretch),
        strip=replace(studio.session().strip, size_mm=studio.plan.strip_mm),
        scanner=Scanner(bits=8),
    )
    scan = simulate_page(studio.plan, 1, studio.inks, session, dpi=DPI)
    path = studio.folder / f"sized-{scale}.tif"
    write_scan(path, scan.pixels, DPI)
    result = measure(studio.plan, [path], studio.strip, SETTINGS)
    (facts,) = result.table.origin.lighting["pages"]
    true = scale * np.sqrt(1 + stretch)
    # Measured by the strip alone, of 60 mm and ten steps: 0.007 at most.
    assert facts["printed_scale"] == pytest.approx(true, abs=0.01)
    assert facts["stretch"] == pytest.approx(stretch, abs=0.0005)
    told = [words for words in result.warnings if "of its size" in words]
    assert len(told) == (scale != 1.0)
    if told:
        assert f"{100 * true:.0f}." in told[0] or f"{100 * facts['printed_scale']:.1f} %" in told[0]


def frame_of(studio: Studio, per_mm: float) -> Frame:
    return Frame(studio.plan.pages[0], np.diag([per_mm, per_mm, 1.0]), 0.0, 6, per_mm)


LAID, EXACT = Place(along=0.8), Place(along=0.1, scale=0.999)
OTHER = "60 mm long, as the plan says"


@pytest.mark.parametrize(
    ("strip", "dpi", "scale", "words"),
    [
        (replace(LAID, scale=1 / 0.95), 300, 0.95, "strip's length and the file"),
        (replace(LAID, scale=1 / 0.95), None, 0.95, OTHER),
        # A file that says 72 dpi or 1 of a scan of 300: nobody prints at four times the size.
        (replace(LAID, scale=1 / 0.95), 72, 0.95, OTHER),
        (replace(LAID, scale=1 / 0.95), 1, 0.95, OTHER),
        # Printed together with the page, a strip fits its rectangle and tells nothing.
        (EXACT, 300, 0.95, "If the file's 300 dpi are true"),
        (EXACT, None, None, ""),
        (EXACT, 72, None, ""),
        # A strip longer than planned is outvoted by the file.
        (replace(LAID, scale=1.04), 285, 1.0, "If the file's 285 dpi are true"),
        # One laid by hand says true size: the picture was perhaps made smaller since.
        (LAID, 300, None, ""),
        (LAID, 285, 1.0, "strip's length and the file"),
        (LAID, None, 1.0, OTHER),
        (None, 300, 0.95, "If the file's 300 dpi are true"),
        (None, 72, None, ""),
        (None, None, None, ""),
    ],
)
def test_whom_the_size_is_believed(
    studio: Studio, strip: Place | None, dpi: float | None, scale: float | None, words: str
) -> None:
    """The scan has 285 pixels to a planned inch."""
    printed = printed_size(frame_of(studio, 0.95 * 300 / 25.4), strip, dpi)
    assert printed.scale == (None if scale is None else pytest.approx(scale, abs=1e-9))
    assert words in printed.by if words else printed.by == ""
    assert len(printed.notes) == (scale == 0.95)


@pytest.mark.parametrize(("dpi", "told"), [(DPI, True), (72, False), (1, False)])
def test_a_strip_printed_with_the_page_tells_nothing_of_its_size(
    studio: Studio, dpi: float, told: bool
) -> None:
    strip = replace(studio.session().strip, offset_mm=(0.0, 0.0), turn_deg=0.0, shadow=0.0)
    name = "strip-printed"
    if name not in studio.scans:
        session = studio.session(strip=strip, printer=Printer(scale=0.97), scanner=Scanner(bits=8))
        studio.scan(name, session=session)
    path = studio.folder / f"{name}-{dpi}.tif"
    write_scan(path, studio.pixels(name), dpi)
    result = measure(studio.plan, [path], studio.strip, SETTINGS)
    (facts,) = result.table.origin.lighting["pages"]
    assert facts["printed_scale"] == (pytest.approx(0.97, abs=0.001) if told else None)
    assert sum("of its size" in words for words in result.warnings) == told


def test_a_sheet_stretched_one_way_is_told() -> None:
    assert "2.0 % longer" in Printed(1.0, 0.02).notes[0]
    assert "2.0 % shorter" in Printed(None, -0.02).notes[0]
    assert Printed(1.01, 0.01).notes == []
