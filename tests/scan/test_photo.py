"""Photographs of a page: known for one, read where it lies, measured in the light that falls on it, its shadows and glare flagged.

The pages are the studio's small ones, photographed by the simulator's camera, which shares no formula with what is tested but geometry.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import SETTINGS, Studio
from scipy.interpolate import RBFInterpolator

from calib.colour.colorimetry import delta_e_2000, xyz_to_lab
from calib.scan.lens import Lens
from calib.scan.measure import Measured, measure
from calib.scan.photoframe import PhotoFrame
from calib.scan.photolight import PIECE_MM, UNIT_MM, _left_out, _spline, _values
from calib.scan.sheet import PageReading
from calib.synthetic.camera import Camera, Glare, Lamp, Shadow
from calib.synthetic.photograph import Photo, Sheet, photograph, simulate_sheet, write_photo
from calib.synthetic.session import Laying, Scanner

SMALL = Camera(size_px=(1700, 1280), height_mm=165.0, over_mm=(2.0, -3.0), turn_deg=88.0)


@pytest.fixture(scope="module")
def sheet(studio: Studio) -> Sheet:
    return simulate_sheet(studio.plan, 1, studio.inks, studio.session(), dpi=200)


def taken(studio: Studio, sheet: Sheet, name: str, camera: Camera) -> tuple[Path, Photo]:
    photo = photograph(sheet, camera)
    path = studio.folder / f"{name}.jpg"
    write_photo(path, photo)
    return path, photo


def errors(table: Measured, photo: Photo) -> dict[tuple[str, int], float]:
    """Return dE00 of every row with one swatch to the swatch's true film colour, by the CIE's sums."""
    found = {}
    for row in table.table.readings:
        cells = [c for c in photo.sheet.page.cells if (c.marker, c.layers) == (row.marker, row.layers)]
        if len(cells) == 1 and row.L is not None and "out-of-srgb" not in row.flags:
            true = xyz_to_lab(photo.sheet.truth.cells[cells[0].cell].film.xyz)
            found[row.marker, row.layers] = float(delta_e_2000(np.array([row.L, row.a, row.b]), true))
    return found


def test_a_photograph_is_measured_and_says_so(studio: Studio, sheet: Sheet) -> None:
    lamps = (Lamp((-250, 40, 500)), Lamp((500, 200, 900), 0.4, (1.03, 1.0, 0.95)))
    path, photo = taken(studio, sheet, "photo", replace(SMALL, lamps=lamps, tilt_deg=7))
    table = measure(studio.plan, [path], studio.strip, SETTINGS)
    assert all("photo" in row.flags for row in table.table.readings)
    off = list(errors(table, photo).values())
    # A phone's picture of this size, under a lamp: the aim is twice a scan's error, with room for few swatches.
    assert len(off) >= 8
    assert np.mean(off) < 0.9
    assert max(off) < 2.5
    (report,) = table.table.origin.lighting["pages"]
    assert report["photo"] is True
    assert report["falloff"] > 0.2
    assert any("this is a photograph" in words for words in table.warnings)


def test_a_photograph_has_wider_doubts_than_a_scan(studio: Studio, sheet: Sheet) -> None:
    path, _ = taken(studio, sheet, "wider", SMALL)
    photo = measure(studio.plan, [path], studio.strip, SETTINGS).table.readings
    scan = {row.key: row for row in studio.table("page-1").table.readings}
    pairs = [(row.u_L, scan[row.key].u_L) for row in photo if row.u_L is not None and row.key in scan]
    assert len(pairs) > 10
    assert np.median([one / other for one, other in pairs if other]) > 1.0


@pytest.mark.parametrize(
    ("name", "scanner", "laying"),
    [
        ("plain", Scanner(), Laying()),
        ("dim sides", Scanner(falloff=0.1, tilt=0.03), Laying(turn_deg=4)),
        ("lifted", Scanner(falloff=0.08), Laying(lift_mm=3.0, lift_edge="left", lift_reach_mm=30)),
    ],
)
def test_a_scan_is_no_photograph(studio: Studio, name: str, scanner: Scanner, laying: Laying) -> None:
    path = studio.scan(f"no photo, {name}", session=studio.session(scanner=scanner, laying=laying))
    (page,) = studio.read(path)
    assert page.photo is None
    assert not isinstance(page.frame, PhotoFrame)


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("barrel", {"barrel": -0.02}),
        ("pincushion", {"barrel": 0.02}),
        ("steep", {"tilt_deg": 18.0, "height_mm": 190.0}),
        ("curled", {"curl_mm": 2.0}),
    ],
)
def test_cells_are_found_where_a_lens_shows_them(
    studio: Studio, sheet: Sheet, name: str, changes: dict[str, float]
) -> None:
    path, photo = taken(studio, sheet, name, replace(SMALL, **changes))  # type: ignore[arg-type]
    (page,) = studio.read(path)
    assert isinstance(page.frame, PhotoFrame)
    middles = np.array([[c.x_mm + c.width_mm / 2, c.y_mm + c.height_mm / 2] for c in photo.sheet.page.cells])
    off = page.frame.to_pixels(middles) - photo.lens.pixels_of(middles)
    assert np.hypot(*off.T).max() / page.frame.pixels_per_mm < 0.5
    assert page.frame.to_mm(page.frame.to_pixels(middles)) == pytest.approx(middles, abs=1e-6)


def flagged(page: PageReading, studio: Studio) -> dict[str, set[str]]:
    from calib.scan.swatch import read_swatches

    markers = {marker.marker: marker for marker in studio.plan.markers}
    return {swatch.cell.cell: set(swatch.flags) for swatch in read_swatches(page, markers, SETTINGS.scanner)}


def test_a_shadow_edge_is_flagged_where_it_lies(studio: Studio, sheet: Sheet) -> None:
    cell = sheet.page.cells[-1]
    edge = Shadow((cell.x_mm + cell.width_mm / 2, cell.y_mm), 0.0, 6.0, 0.35)
    path, _ = taken(studio, sheet, "shadow", replace(SMALL, shadows=(edge,)))
    (page,) = studio.read(path)
    flags = flagged(page, studio)
    assert "shadow" in flags[cell.cell] | {
        f for c in sheet.page.cells if c.x_mm == cell.x_mm for f in flags[c.cell]
    }
    path, _ = taken(studio, sheet, "no-shadow", SMALL)
    (page,) = studio.read(path)
    assert not any({"shadow", "glare"} & found for found in flagged(page, studio).values())


def test_strong_glare_is_flagged(studio: Studio, sheet: Sheet) -> None:
    cell = max(sheet.page.cells, key=lambda c: float(np.ptp(sheet.truth.cells[c.cell].film.linear)))
    spot = Glare((cell.x_mm + 2, cell.y_mm + 2), 8.0, 0.2)
    path, _ = taken(studio, sheet, "glare", replace(SMALL, glares=(spot,)))
    (page,) = studio.read(path)
    assert {"glare", "shadow", "fluorescent"} & flagged(page, studio)[cell.cell]


def test_the_smooth_light_is_the_spline_of_another_library() -> None:
    # SciPy's interpolator, an implementation of its own, with the same kernel, smoothing and parabola.
    rng = np.random.default_rng(4)
    points, values = rng.uniform(-5, 5, (60, 2)), rng.normal(size=(60, 3))
    at = rng.uniform(-5, 5, (20, 2))
    for stiffness in (0.01, 1.0, 100.0):
        other = RBFInterpolator(points, values, kernel="thin_plate_spline", smoothing=stiffness, degree=2)
        ours = _values(_spline(points, values, stiffness), points, at)
        assert ours == pytest.approx(other(at), abs=1e-6)
    # A piece left out is missed by what the same library foresees without it.
    missed = _left_out(points, values, np.ones(60, dtype=bool), 1.0)
    piece = np.floor(points * UNIT_MM / PIECE_MM).astype(int)
    out = np.all(piece == piece[0], axis=1)
    without = RBFInterpolator(points[~out], values[~out], smoothing=1.0, degree=2)
    assert missed[out] == pytest.approx(values[out] - without(points[out]), abs=1e-6)


@pytest.mark.parametrize("bent", [-0.05, 0.0, 0.05])
def test_a_lens_bends_and_unbends(bent: float) -> None:
    lens = Lens(np.array([2000.0, 1500.0]), 2500.0, (210.0, 297.0), bent, (0.02, -0.01))
    pixels = np.random.default_rng(1).uniform([0, 0], [4000, 3000], (50, 2))
    assert lens.seen(lens.straight(pixels)) == pytest.approx(pixels, abs=1e-6)
    mm = np.random.default_rng(2).uniform([0, 0], [210, 297], (50, 2))
    assert lens.unpressed(lens.pressed(mm)) == pytest.approx(mm, abs=1e-5)
