"""Flare and falloff of known size found on simulated pages, and none invented where there is none.

Outside source: the simulator scatters light with its own kernels (rms radius 12 mm and a tail of 36 mm), which the
measuring side never sees. One A5 page of dark and pale swatches, because a page too small cannot tell light that
scatters over half of it from a lamp that falls off.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from conftest import DENSITIES, DPI, Studio, pictures_of
from numpy.typing import NDArray

from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.plan import Box, Plan
from calib.scan.lighting import terms
from calib.scan.reading import read_picture
from calib.scan.sheet import PageReading
from calib.synthetic.drawer import invent_inks
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import Scanner, Session, Strip

OPTIONS = ChartOptions(page_mm=(148.0, 210.0), cell_mm=(18.0, 12.0), strip_mm=(90.0, 8.0), controls=0)


@cache
def a5() -> Plan:
    return lay_out([Marker(f"{i:03d}") for i in range(1, 13)], OPTIONS)


@pytest.fixture(scope="module")
def read_with(studio: Studio):  # type: ignore[no-untyped-def]
    """Return a function that scans the A5 page with a changed scanner and reads it."""
    inks = {ink.marker: ink.strengthened(1.3) for ink in invent_inks(12, seed=3)}
    done: dict[tuple[float, float, float], PageReading] = {}

    def read(flare: float, falloff: float = 0.03, tilt: float = 0.005) -> PageReading:
        # A scanner without flare has none of the other fault either, to see that neither is invented.
        if not flare:
            falloff = tilt = 0.0
        key = (flare, falloff, tilt)
        if key not in done:
            scanner = Scanner(flare=flare, falloff=falloff, tilt=tilt)
            session = Session(strip=Strip(densities=DENSITIES), scanner=scanner, seed=9)
            scan = simulate_page(a5(), 1, inks, session, dpi=DPI)
            (picture,) = pictures_of(studio.save("flare.png", scan.pixels))
            (done[key],) = read_picture(picture, a5(), studio.strip)
        return done[key]

    return read


@pytest.mark.parametrize("flare", [0.0, 0.015, 0.04])
def test_known_flare_is_found(read_with, flare: float) -> None:  # type: ignore[no-untyped-def]
    lighting = read_with(flare).lighting
    found, doubt = float(lighting.flare.sum()), lighting.u_flare
    assert doubt < 0.0025
    assert found == pytest.approx(flare, abs=max(0.001, 2 * doubt)), (found, doubt)
    assert found >= 0


def test_no_flare_is_invented(read_with) -> None:  # type: ignore[no-untyped-def]
    lighting = read_with(0.0).lighting
    assert lighting.flare.sum() < 0.0005
    assert lighting.flare.sum() >= 0


@pytest.mark.parametrize("flare", [0.0, 0.015, 0.04])
def test_paper_is_as_white_as_it_is_whatever_the_flare(read_with, flare: float) -> None:  # type: ignore[no-untyped-def]
    page = read_with(flare)
    white = Session().paper.reflectance().mean()
    assert page.paper == pytest.approx([white] * 3, rel=0.012)


@pytest.mark.parametrize(("falloff", "tilt"), [(0.0, 0.0), (0.03, 0.005), (0.08, 0.03)], ids=str)
def test_known_falloff_is_found(read_with, falloff: float, tilt: float) -> None:  # type: ignore[no-untyped-def]
    page = read_with(0.015 if falloff else 0.0, falloff, tilt)
    # The lamp loses `falloff` times x squared to both sides and `tilt` times y to the bottom (and gains it to the
    # top), x and y being 1 at the edges of the picture; the lighting is looked at up to 5 mm inside the page.
    height, width = (side * 25.4 / DPI for side in page.picture.codes.shape[:2])
    x, y = (148 - 10) / width, (210 - 10) / height
    expected = 1 - (1 - falloff * x * x) * (1 - tilt * y) / (1 + tilt * y)
    assert page.lighting.falloff() == pytest.approx(expected, abs=0.003)


def test_bare_paper_reads_alike_all_over_the_page(read_with) -> None:  # type: ignore[no-untyped-def]
    """After falloff and flare are undone, gutters between dark swatches are as light as open paper."""
    page: PageReading = read_with(0.04)
    gutters = []
    for cell in page.frame.page.cells[::2]:
        # The 5 mm between the two coats of a marker, 1.5 mm clear of both.
        box = Box(cell.box.right_mm + 1.5, cell.y_mm + 2, 2.0, cell.height_mm - 4)
        gutters.append(np.median(page.reflectance(page.codes(box), box).reshape(-1, 3), axis=0))
    off = np.array(gutters) / page.paper - 1
    assert np.abs(off).max() < 0.008 and np.abs(off.mean()) < 0.002
    # Without undoing it they would not be: the scattered light differs by more over the page.
    assert page.scatter.max() - page.scatter.min() > 0.005


def test_the_surface_can_make_any_parabola() -> None:
    at = np.random.default_rng(0).uniform([0, 0], [148, 210], (300, 2))
    design: NDArray = terms(at, (148.0, 210.0))
    x, y = 2 * at[:, 0] / 148 - 1, 2 * at[:, 1] / 210 - 1
    wanted = np.log(1 - 0.03 * x**2 - 0.02 * y**2 + 0.01 * x * y)
    left = wanted - design @ np.linalg.lstsq(design, wanted, rcond=None)[0]
    assert np.abs(left).max() < 4e-4


def test_without_a_strip_flare_is_still_found(studio: Studio, read_with) -> None:  # type: ignore[no-untyped-def]
    page = read_with(0.04)
    (bare,) = read_picture(page.picture, a5(), None)
    assert float(bare.lighting.flare.sum()) == pytest.approx(0.04, abs=max(0.006, 2 * bare.lighting.u_flare))
    assert bare.paper == pytest.approx([1, 1, 1], abs=1e-6)
    assert (bare.lighting.weight > 0).sum() > 200
