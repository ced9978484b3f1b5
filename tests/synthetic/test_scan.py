"""Whole simulated pages: truth against pixels, marks against OpenCV, and every fault at work."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.plan import Box, Cell, Mark, Page, Plan
from calib.colour.colorimetry import delta_e_2000, linear_to_xyz, srgb_decode, srgb_encode, xyz_to_lab
from calib.errors import ImpossibleError
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import Ink, SimPaper
from calib.synthetic.optics import scan_light, scattered
from calib.synthetic.raster import draw_box, mark_pattern
from calib.synthetic.scan import SimulatedScan, simulate_page
from calib.synthetic.scanners import KINDS
from calib.synthetic.session import (
    STILL_HAND,
    TRUE_SCANNER,
    Hand,
    Laying,
    Printer,
    Scanner,
    Session,
    Stain,
    Strip,
)
from calib.synthetic.sheet import print_page
from calib.synthetic.spectra import WAVELENGTHS, chart_reflectances, true_lab

# A page without any fault, for a scanner that reads true.
FLAT_PAPER = SimPaper(texture=0.0)
TRUE = Session(
    paper=FLAT_PAPER,
    hand=STILL_HAND,
    strip=Strip(offset_mm=(0, 0), turn_deg=0, shadow=0),
    laying=Laying(turn_deg=0, offset_mm=(0, 0), shadow=0, margin_mm=0),
    scanner=TRUE_SCANNER,
)


@cache
def small_plan() -> Plan:
    """A page of 100 x 150 mm with four markers in one and two coats, and an upright strip."""
    cells = tuple(
        Cell(
            f"1-{row:02d}-{coat:02d}",
            f"{row:03d}",
            coat,
            1,
            10.0 + 23 * (coat - 1),
            8.0 + 22 * row,
            18.0,
            12.0,
        )
        for row in range(1, 5)
        for coat in (1, 2)
    )
    marks = tuple(
        Mark(mark_id, x, y, 10.0)
        for mark_id, x, y in ((17, 10.0, 8.0), (100, 70.0, 8.0), (301, 10.0, 130.0), (586, 70.0, 130.0))
    )
    sheet = Page(
        1,
        marks,
        Box(84.0, 30.0, 10.0, 90.0),
        Box(30.0, 131.0, 16.0, 8.0),
        cells,
        texts=(Box(24.0, 8.0, 40.0, 12.0),),
    )
    markers = tuple(Marker(f"{i:03d}", name=f"Moss {i}") for i in range(1, 5))
    return Plan("bcdfgh", (100.0, 150.0), (90.0, 10.0), (sheet,), markers)


@cache
def small_inks() -> dict[str, Ink]:
    return {ink.marker: ink for ink in invent_inks(4, seed=8)}


def simulated(session: Session = TRUE, dpi: float = 150) -> SimulatedScan:
    return simulate_page(small_plan(), 1, small_inks(), session, dpi)


def page() -> Page:
    return small_plan().pages[0]


def decoded(pixels: np.ndarray) -> np.ndarray:
    """Linear light of sRGB pixels."""
    return srgb_decode(pixels / np.iinfo(pixels.dtype).max)


def light(scan: SimulatedScan) -> np.ndarray:
    return decoded(scan.pixels)


@cache
def flawless() -> SimulatedScan:
    """The page without any fault, at 100 dpi."""
    return simulated(dpi=100)


def at(scan: SimulatedScan, x_mm: float, y_mm: float, reach: int = 3) -> np.ndarray:
    """Mean light (3,) around a point of the plan."""
    x, y = np.rint(scan.truth.to_px(np.array([[x_mm, y_mm]]))[0]).astype(int)
    return decoded(scan.pixels[y - reach : y + reach + 1, x - reach : x + reach + 1]).mean(axis=(0, 1))


def middle(scan: SimulatedScan, number: int = 0) -> np.ndarray:
    cell = page().cells[number]
    return at(scan, cell.x_mm + cell.width_mm / 2, cell.y_mm + cell.height_mm / 2)


def bare(scan: SimulatedScan) -> np.ndarray:
    """Light of the bare paper in a corner of the page that holds nothing."""
    return at(scan, page().cells[0].x_mm - 4, page().cells[0].box.bottom_mm + 3, reach=5)


# --- truth ----------------------------------------------------------------------------------


def test_iso_17321_patches_read_back_as_their_cie_values() -> None:
    # ISO 17321-1 reflectances as colour-science carries them, put through as a chart.
    patches = chart_reflectances("ISO 17321-1")
    markers = [Marker(name) for name in patches]
    plan = lay_out(markers, ChartOptions(layers=(1,), controls=0))
    inks = {name: Ink.from_reflectance(name, WAVELENGTHS, r) for name, r in patches.items()}
    scan = simulate_page(plan, 1, inks, TRUE, dpi=100)
    clipped = 0
    for cell in plan.pages[0].cells:
        truth = scan.truth.cells[cell.cell]
        assert truth.film_lab == pytest.approx(true_lab(patches[cell.marker]), abs=1e-3)
        read = at(scan, cell.x_mm + 9, cell.y_mm + 6)
        if truth.film.linear.min() < 0:
            # Cyan lies outside sRGB: no sRGB file can hold it.
            clipped += 1
            continue
        assert delta_e_2000(xyz_to_lab(linear_to_xyz(read)), truth.film_lab) < 0.02, cell.marker
    assert clipped == 1


def test_film_colour_of_two_coats_in_the_middle_of_each_cell() -> None:
    scan = simulated()
    for number, cell in enumerate(page().cells):
        truth = scan.truth.cells[cell.cell]
        assert (truth.marker, truth.layers) == (cell.marker, cell.layers)
        assert truth.film.xyz == pytest.approx(truth.nominal.xyz, abs=1e-6)
        inside = np.clip(truth.film.linear, 0, 1)
        assert middle(scan, number) == pytest.approx(inside, abs=2e-4)
    assert bare(scan) == pytest.approx(scan.truth.paper.linear, abs=1e-4)


@pytest.mark.parametrize("kind", KINDS[1:])
@pytest.mark.parametrize("lamp", ["LED-B3", "FL11"])
def test_other_scanners_see_the_film_by_their_own_sensitivities(kind: str, lamp: str) -> None:
    scan = simulated(replace(TRUE, scanner=replace(TRUE_SCANNER, kind=kind, lamp=lamp)), dpi=100)
    for number, cell in enumerate(page().cells):
        film = scan.truth.cells[cell.cell].film
        assert film.linear.min() > 0
        assert middle(scan, number) == pytest.approx(film.linear, abs=3e-4)
        # The truth of the colour itself does not hang on who looks.
        assert film.lab == pytest.approx(flawless().truth.cells[cell.cell].film_lab, abs=1e-6)


def test_every_step_of_the_strip_reads_its_density() -> None:
    for backwards in (False, True):
        scan = simulated(replace(TRUE, strip=replace(TRUE.strip, reversed=backwards)))
        box, true = page().strip, scan.truth.strip_densities
        assert (np.diff(true) < 0).all() == backwards
        for i, density in enumerate(true):
            x = box.x_mm + box.width_mm / 2
            y = box.y_mm + (i + 0.5) * box.height_mm / len(true)
            assert -np.log10(at(scan, x, y)) == pytest.approx([density] * 3, abs=0.002)


def test_a_seed_reproduces_bytes_and_another_does_not() -> None:
    first = simulated(Session(seed=3), dpi=100).pixels
    assert np.array_equal(first, simulated(Session(seed=3), dpi=100).pixels)
    assert not np.array_equal(first, simulated(Session(seed=4), dpi=100).pixels)
    again = simulated(Session(seed=3, scanner=Scanner(again=1)), dpi=100)
    assert not np.array_equal(first, again.pixels)
    # Scanned again it is still the same page.
    other = simulated(Session(seed=3), dpi=100)
    for name, cell in again.truth.cells.items():
        assert np.array_equal(cell.film.xyz, other.truth.cells[name].film.xyz)


# --- where things are -----------------------------------------------------------------------


def found_marks(pixels: np.ndarray) -> dict[int, np.ndarray]:
    """What OpenCV's own detector sees: corners (4, 2) by id."""
    grey = cv2.cvtColor(
        (pixels >> 8).astype(np.uint8) if pixels.dtype == np.uint16 else pixels, cv2.COLOR_RGB2GRAY
    )
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    return (
        {int(i): c.reshape(4, 2) for i, c in zip(np.ravel(ids), corners, strict=True)}
        if ids is not None
        else {}
    )


def corners_px(scan: SimulatedScan, box: Box) -> np.ndarray:
    """Where the truth has a rectangle's corners (4, 2), clockwise from the plan's top left."""
    right, bottom = box.right_mm, box.bottom_mm
    return scan.truth.to_px(
        np.array([(box.x_mm, box.y_mm), (right, box.y_mm), (right, bottom), (box.x_mm, bottom)])
    )


@pytest.mark.parametrize("turn", [0.0, 90.0, 180.0, 270.0, 3.0, 93.0, 183.0, 273.0])
def test_opencv_finds_the_marks_where_the_truth_has_them(turn: float) -> None:
    laying = Laying(turn_deg=turn, offset_mm=(1.3, -2.2), margin_mm=4)
    scan = simulated(Session(laying=laying, scanner=Scanner(tone="linear")), dpi=200)
    found = found_marks(scan.pixels)
    assert set(found) == {mark.id for mark in page().marks}
    off = np.array([found[mark.id] - corners_px(scan, mark.box) for mark in page().marks])
    # OpenCV's refined corners lie some tenths of a pixel inside a soft-edged square, on all four
    # sides alike, so it is the middle of each mark that tells where the mark is.
    assert np.hypot(*off.mean(axis=1).T).max() < 0.2
    assert np.abs(off.mean(axis=(0, 1))).max() < 0.06
    assert np.abs(off).max() < 0.6


@pytest.mark.parametrize("turn", [0.0, 90.0, 3.0, 183.0])
def test_the_black_patch_has_its_centre_of_gravity_where_the_truth_says(turn: float) -> None:
    laying = Laying(turn_deg=turn, offset_mm=(1.3, -2.2), margin_mm=4)
    scanner = replace(TRUE_SCANNER, tone="linear", blur_mm=0.06)
    scan = simulated(replace(TRUE, laying=laying, scanner=scanner))
    corners = corners_px(scan, page().black)
    low, high = np.floor(corners.min(axis=0) - 4).astype(int), np.ceil(corners.max(axis=0) + 4).astype(int)
    part = scan.pixels[low[1] : high[1], low[0] : high[0], 1] / 65535.0
    dark = scan.truth.paper.linear[1] - part
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    found = np.array([(dark * x).sum(), (dark * y).sum()]) / dark.sum()
    assert found == pytest.approx(corners.mean(axis=0), abs=0.02)
    area = dark.sum() / (scan.truth.paper.linear[1] - scan.truth.black.linear[1]) * (25.4 / 150) ** 2
    assert area == pytest.approx(page().black.width_mm * page().black.height_mm, rel=0.002)


def test_print_scale_and_stretch_move_the_marks_as_the_truth_says() -> None:
    scanner = replace(TRUE_SCANNER, tone="linear")
    scan = simulated(replace(TRUE, printer=Printer(scale=0.95, stretch=0.01), scanner=scanner), dpi=200)
    found = found_marks(scan.pixels)
    middles = np.array([found[mark.id].mean(axis=0) for mark in page().marks])
    true = np.array([corners_px(scan, mark.box).mean(axis=0) for mark in page().marks])
    assert middles == pytest.approx(true, abs=0.2)
    first, last = page().marks[0].box, page().marks[3].box
    apart = np.array([last.x_mm - first.x_mm, last.y_mm - first.y_mm]) * 200 / 25.4
    assert (middles[3] - middles[0]) / apart == pytest.approx([0.95, 0.95 * 1.01], abs=0.001)


def test_lines_are_drawn_with_their_exact_area() -> None:
    ink = np.zeros((40, 40), np.float32)
    draw_box(ink, Box(1.03, 2.41, 0.17, 1.09), 1.0, 10.0)
    assert ink.sum() / 100 == pytest.approx(0.17 * 1.09, rel=1e-5)
    rows, columns = np.nonzero(ink)
    centre = np.average(np.stack([columns, rows]) + 0.5, axis=1, weights=ink[rows, columns]) / 10
    assert centre == pytest.approx([1.03 + 0.17 / 2, 2.41 + 1.09 / 2], abs=0.01)


def test_marks_are_the_published_family() -> None:
    # The same id drawn by OpenCV at another size, averaged down, is the same pattern.
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for mark_id in (0, 17, 586):
        large = cv2.aruco.generateImageMarker(dictionary, mark_id, 80)
        small = cv2.resize(large, (8, 8), interpolation=cv2.INTER_AREA) < 128
        assert np.array_equal(mark_pattern(mark_id) > 0.5, small)


def test_a_picture_of_the_page_takes_the_place_of_the_stand_in() -> None:
    for dpi in (150, 300):
        ink = print_page(small_plan(), page(), Printer(), dpi / 25.4, 0)
        picture = np.rint(255 * srgb_encode(1 - ink)).astype(np.uint8)
        own = simulated(TRUE, dpi=150).pixels.astype(int)
        given = simulate_page(small_plan(), 1, small_inks(), TRUE, 150, picture).pixels.astype(int)
        coloured = np.repeat(picture[..., np.newaxis], 3, axis=2)
        assert np.array_equal(given, simulate_page(small_plan(), 1, small_inks(), TRUE, 150, coloured).pixels)
        assert np.abs(given - own).mean() / 65535 < 0.002
        # The marks' edges fall within a pixel, so only there may the two differ at all.
        assert np.mean(np.abs(given - own) > 0.02 * 65535) < 0.02


# --- faults ---------------------------------------------------------------------------------


def contrast(scan: SimulatedScan) -> float:
    """Standard deviation of the bare paper's green light, relative."""
    part = page().cells[0]
    x, y = np.rint(scan.truth.to_px(np.array([[part.x_mm, part.box.bottom_mm + 1]]))[0]).astype(int)
    patch = light(scan)[y : y + 10, x : x + 60, 1]
    return float(patch.std() / patch.mean())


def sharpness(scan: SimulatedScan) -> float:
    return float(np.abs(np.diff(light(scan)[..., 1], axis=1)).max())


def black(scan: SimulatedScan) -> float:
    box = page().black
    return float(at(scan, box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2)[1])


def lights_in_black(scan: SimulatedScan) -> float:
    """How uneven the solid black is."""
    box = page().black.grown(-1)
    (x, y), (right, bottom) = np.rint(
        scan.truth.to_px(np.array([[box.x_mm, box.y_mm], [box.right_mm, box.bottom_mm]]))
    ).astype(int)
    return float(light(scan)[y:bottom, x:right, 1].std())


def dark_end(scan: SimulatedScan) -> float:
    """The darkest step's light."""
    box = page().strip
    return float(at(scan, box.x_mm + box.width_mm / 2, box.bottom_mm - 2)[1])


def sides(scan: SimulatedScan) -> float:
    """Paper near the left edge over paper in the middle, along the upper rim."""
    return float(at(scan, 2, 4)[1] / at(scan, 50, 4)[1])


def white(scan: SimulatedScan) -> float:
    return float(bare(scan)[1])


def size(scan: SimulatedScan) -> float:
    return float(scan.pixels.shape[0])


def edge_of_strip(scan: SimulatedScan) -> float:
    return float(np.ptp(scan.truth.strip_px[[0, 3], 1]))


def dark_specks(scan: SimulatedScan) -> float:
    return float(np.mean(light(scan)[..., 1] < 0.7))


def share_of_ends(scan: SimulatedScan) -> float:
    top = np.iinfo(scan.pixels.dtype).max
    return float(np.mean((scan.pixels == 0) | (scan.pixels == top)))


def redness(scan: SimulatedScan) -> float:
    red, green, _ = bare(scan)
    return float(red / green)


def fine_detail(scan: SimulatedScan) -> float:
    """Mean change of green light from row to row."""
    return float(np.abs(np.diff(light(scan)[..., 1], axis=0)).mean())


FAULTS: list[tuple[str, dict[str, object], Callable[[SimulatedScan], float], float]] = [
    ("scanner", {"flare": 0.04}, dark_end, +0.01),
    ("scanner", {"falloff": 0.1}, sides, -0.05),
    ("scanner", {"blur_mm": 0.2}, sharpness, -0.1),
    ("scanner", {"noise_read": 0.01}, contrast, +0.005),
    ("scanner", {"noise_shot": 0.02}, contrast, +0.01),
    ("scanner", {"columns": 0.02}, contrast, +0.01),
    ("scanner", {"gain": (1.1, 1.0, 1.0)}, redness, +0.08),
    ("scanner", {"matrix": ((1, 0.1, 0), (0, 1, 0), (0, 0, 1))}, redness, +0.05),
    ("scanner", {"tone": "linear"}, white, -0.08),
    ("scanner", {"tone": "gamma 1.8"}, dark_end, -0.003),
    ("scanner", {"tone": "s-curve"}, white, +0.02),
    ("scanner", {"auto_contrast": 0.02}, share_of_ends, +0.015),
    ("scanner", {"sharpen": 1.0}, sharpness, +0.05),
    ("scanner", {"jerk_mm": 0.6}, fine_detail, -0.0002),
    ("scanner", {"denoise": 5}, fine_detail, -0.0005),
    ("scanner", {"descreen_mm": 0.5}, sharpness, +0.05),
    ("scanner", {"whiten": 0.05}, white, +0.05),
    ("scanner", {"packed": 10}, contrast, +0.01),
    ("scanner", {"dust": 400}, dark_specks, +0.0005),
    ("scanner", {"hairs": 4}, dark_specks, +0.0002),
    ("laying", {"lift_mm": 4.0}, sides, -0.1),
    ("laying", {"lift_mm": 4.0, "lift_edge": "top"}, lambda s: float(at(s, 50, 2)[1]), -0.1),
    ("laying", {"margin_mm": 10}, size, +75),
    ("laying", {"margin_mm": -5}, size, -38),
    ("laying", {"bed_mm": (216, 297)}, size, +500),
    ("laying", {"turn_deg": 90.0}, size, -190),
    ("laying", {"margin_mm": 5, "lid": 0.03}, dark_specks, +0.1),
    ("laying", {"stains": (Stain(5, 6, 8),)}, lambda s: float(at(s, 5, 6)[2]), -0.1),
    ("laying", {"stains": (Stain(5, 6, 8, opaque=True),)}, lambda s: float(at(s, 5, 6)[2]), -0.3),
    ("printer", {"black_L": 30.0}, black, +0.03),
    ("printer", {"pale": 0.3}, black, +0.2),
    ("printer", {"streaks": 200}, lights_in_black, +0.02),
    ("printer", {"pinholes": 80}, lights_in_black, +0.01),
    ("printer", {"patchy": 0.3}, lights_in_black, +0.02),
    ("strip", {"turn_deg": 1.5}, edge_of_strip, +0.5),
    ("strip", {"present": False}, dark_end, +0.5),
    ("strip", {"reversed": True}, dark_end, +0.5),
    ("strip", {"gap_mm": 1.0}, dark_specks, -0.001),
    ("paper", {"texture": 0.03}, contrast, +0.01),
    ("paper", {"level": 0.8}, white, -0.05),
    ("paper", {"gain": 1.5}, lambda s: float(middle(s)[1]), -0.01),
    ("hand", {"blank": ("1-01-01",)}, lambda s: float(middle(s).min()), +0.02),
    ("hand", {"grain": 0.5}, lambda s: float(middle(s).min()), +0.01),
]


@pytest.mark.parametrize(
    ("part", "change", "what", "least"),
    FAULTS,
    ids=[f"{p}-{'-'.join(c)}-{i}" for i, (p, c, _, _) in enumerate(FAULTS)],
)
def test_each_fault_changes_what_it_should(
    part: str, change: dict[str, object], what: Callable[[SimulatedScan], float], least: float
) -> None:
    session = replace(TRUE, **{part: replace(getattr(TRUE, part), **change)})
    difference = what(simulated(session, dpi=100)) - what(flawless())
    assert difference * np.sign(least) > abs(least), difference


def test_flare_scatters_light_as_far_as_it_says_and_loses_none() -> None:
    plane = np.zeros((600, 600), np.float32)
    plane[296:304, 296:304] = 1.0
    y, x = (np.mgrid[:600, :600] - 299.5) / 4.0
    for tail, mean_square in ((0.0, 6.0**2), (0.3, 0.7 * 6.0**2 + 0.3 * 18.0**2)):
        spread = scattered(plane, 0.0, replace(TRUE_SCANNER, flare_mm=6.0, flare_tail=tail), 4.0)
        assert spread.sum() == pytest.approx(64.0, rel=0.01)
        found = (spread * (x**2 + y**2)).sum() / spread.sum()
        assert np.sqrt(found) == pytest.approx(np.sqrt(mean_square), rel=0.06)


def test_flare_lifts_a_dark_spot_by_its_share_of_the_surround() -> None:
    # A spot much smaller than the reach of the scattered light, on paper as bright as the lid.
    for flare in (0.01, 0.04):
        planes = np.full((3, 300, 300), 0.8, np.float32)
        planes[:, 148:152, 148:152] = 0.0
        scanner = replace(TRUE_SCANNER, flare=flare, flare_mm=12.0, tone="linear")
        pixels = scan_light(planes, Laying(lid=0.8), scanner, 4.0, "test") / 65535.0
        assert pixels[150, 150] == pytest.approx([flare * 0.8] * 3, rel=0.02)
        assert pixels[20, 20] == pytest.approx([0.8] * 3, abs=2e-4)


def test_lamp_falls_off_as_a_parabola_to_both_sides() -> None:
    planes = np.full((3, 101, 401), 0.9, np.float32)
    scanner = replace(TRUE_SCANNER, falloff=0.08, falloff_by_channel=(1.0, 1.1, 0.9), tone="linear")
    pixels = scan_light(planes, Laying(), scanner, 4.0, "test") / 65535.0
    for channel, factor in enumerate((1.0, 1.1, 0.9)):
        across = pixels[50, [0, 100, 200, 300, 400], channel] / 0.9
        assert across == pytest.approx([1 - 0.08 * factor * s for s in (1, 0.25, 0, 0.25, 1)], abs=1e-4)


def test_noise_has_the_stated_size_and_grain() -> None:
    found = {}
    for grain in (0.0, 0.6):
        scanner = replace(TRUE_SCANNER, noise_read=0.01, noise_grain=grain, tone="linear")
        session = replace(TRUE, scanner=scanner)
        quiet = replace(TRUE, scanner=replace(TRUE_SCANNER, tone="linear"))
        noise = (simulated(session).pixels.astype(float) - simulated(quiet).pixels) / 65535.0
        patch = noise[5:40, 40:400, 1]
        assert patch.std() == pytest.approx(0.01, rel=0.06)
        found[grain] = np.corrcoef(patch[:, :-1].ravel(), patch[:, 1:].ravel())[0, 1]
    assert abs(found[0.0]) < 0.05 and found[0.6] > 0.3


def test_wrong_pen_is_in_the_truth_and_on_the_page() -> None:
    cell = page().cells[0]
    other = next(c for c in page().cells if c.marker != cell.marker and c.layers == cell.layers)
    scan = simulated(replace(TRUE, hand=replace(STILL_HAND, wrong={cell.cell: other.marker})))
    assert scan.truth.cells[cell.cell].marker == other.marker
    assert middle(scan) == pytest.approx(middle(scan, page().cells.index(other)), abs=2e-4)


def test_hidden_marks_are_gone_and_the_others_stay() -> None:
    hidden = tuple(mark.id for mark in page().marks[:2])
    scan = simulated(replace(TRUE, printer=Printer(hidden=hidden)), dpi=200)
    assert set(found_marks(scan.pixels)) == {mark.id for mark in page().marks[2:]}


def test_bits_and_jpeg() -> None:
    assert simulated(dpi=72).pixels.dtype == np.uint16
    eight = simulated(replace(TRUE, scanner=replace(TRUE_SCANNER, bits=8)), dpi=72)
    packed = simulated(replace(TRUE, scanner=replace(TRUE_SCANNER, jpeg=60)), dpi=72)
    assert eight.pixels.dtype == packed.pixels.dtype == np.uint8
    loss = np.abs(packed.pixels.astype(int) - eight.pixels)
    assert 0.1 < loss.mean() < 6


def test_average_hand_leaves_film_in_the_middle_close_to_the_truth() -> None:
    scan = simulated(Session(scanner=TRUE_SCANNER, paper=FLAT_PAPER), dpi=300)
    for number, cell in enumerate(page().cells):
        truth = scan.truth.cells[cell.cell]
        if truth.film.linear.min() > 0.01:
            read = xyz_to_lab(linear_to_xyz(middle(scan, number)))
            assert delta_e_2000(read, truth.film_lab) < 3.0
        assert 0.9 < truth.film_amount / (1.0 if cell.layers == 1 else 1.75) < 1.1
        assert truth.coverage > 0.95
        assert 0.0 < truth.mottle_density < 0.2
        assert 0.05 < truth.bleed_mm < 0.6


def test_dry_pen_and_blank_cell_in_the_truth() -> None:
    cells = page().cells
    hand = Hand(dry_marker={cells[0].marker: 0.4}, blank=(cells[2].cell,))
    truth = simulated(Session(hand=hand), dpi=200).truth.cells
    assert 0.45 < truth[cells[0].cell].coverage < 0.75
    empty = truth[cells[2].cell]
    assert (empty.marker, empty.coverage, empty.film_amount, empty.bleed_mm) == ("", 0.0, 0.0, 0.0)
    assert empty.film_lab == pytest.approx(true_lab(SimPaper().reflectance()))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"dpi": 5}, "5 dpi"),
        ({"page_number": 9}, "no page 9"),
        ({"inks": {}}, "No ink is given for the markers 001, 002"),
        ({"session": replace(TRUE, scanner=replace(TRUE_SCANNER, tone="odd"))}, "tone curve 'odd'"),
        ({"session": replace(TRUE, scanner=replace(TRUE_SCANNER, bits=12))}, "12 bits"),
        ({"session": replace(TRUE, laying=replace(TRUE.laying, lift_mm=1, lift_edge="near"))}, "edge 'near'"),
        ({"session": replace(TRUE, laying=replace(TRUE.laying, margin_mm=-80))}, "bed is empty"),
        (
            {"session": replace(TRUE, strip=replace(TRUE.strip, widths_mm=(1.0, 2.0)))},
            "widths must be positive",
        ),
        ({"session": replace(TRUE, printer=Printer(scale=3))}, "print scale"),
    ],
)
def test_what_cannot_be_simulated_is_said(change: dict[str, object], words: str) -> None:
    given = {
        "plan": small_plan(),
        "page_number": 1,
        "inks": small_inks(),
        "session": TRUE,
        "dpi": 60,
        **change,
    }
    with pytest.raises(ImpossibleError, match=words):
        simulate_page(**given)  # type: ignore[arg-type]
