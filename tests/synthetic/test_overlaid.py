"""One ink over another in the simulator: the law of its films, and what a hand leaves of them in a cell."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from calib.chart.markers import Marker
from calib.chart.plan import Cell
from calib.colour.colorimetry import delta_e_2000
from calib.errors import ImpossibleError
from calib.synthetic.drawer import invent_inks
from calib.synthetic.hand import colour_overlay
from calib.synthetic.inks import Ink, SimPaper, film_reflectance, reflectance_at
from calib.synthetic.noise import Grid
from calib.synthetic.overlays import overlay_doses, overlay_passed, overlay_reflectance
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.session import STILL_HAND, Hand
from calib.synthetic.spectra import WAVELENGTHS, chart_reflectances, library, spectrum_to_xyz, true_lab

PAPER = SimPaper()
ONE, TWO, THREE = invent_inks([Marker(str(i)) for i in range(3)], seed=8)
CELL = Cell("1-01-01", "1", 1, 1, 4.0, 4.0, 18.0, 12.0, over="2")
GRID = Grid(0.0, 0.0, 11.8, (236, 307))


def test_densities_of_two_films_add_by_bouguers_law() -> None:
    """Bouguer 1729: what each layer passes of each wavelength multiplies; a paper's surface has its share by itself."""
    paper = replace(PAPER, surface=0.0)
    doses = overlay_doses(paper, 1.2, 0.7)
    bare = paper.reflectance()
    shares = [reflectance_at(ink, paper, dose) / bare for ink, dose in zip((ONE, TWO), doses, strict=True)]
    assert overlay_reflectance(ONE, TWO, paper, (1.2, 0.7)) == pytest.approx(bare * shares[0] * shares[1])


@pytest.mark.parametrize("order", [0.0, 0.4, 1.0])
def test_an_ink_over_itself_is_its_second_coat(order: float) -> None:
    paper = replace(PAPER, order=order)
    assert overlay_reflectance(ONE, ONE, paper) == pytest.approx(film_reflectance(ONE, paper, 2))


def test_order_and_trapping_do_what_they_say() -> None:
    assert overlay_reflectance(ONE, TWO, PAPER) == pytest.approx(overlay_reflectance(TWO, ONE, PAPER))
    sealed = replace(PAPER, order=1.0)
    assert overlay_doses(sealed) == (pytest.approx(1.0), pytest.approx(0.75))
    assert (
        delta_e_2000(
            true_lab(overlay_reflectance(ONE, TWO, sealed)), true_lab(overlay_reflectance(TWO, ONE, sealed))
        )
        > 1.0
    )
    kept_off = replace(PAPER, trapping=0.3)
    assert overlay_doses(kept_off)[1] == pytest.approx(0.7 * overlay_doses(PAPER)[1])
    assert overlay_doses(kept_off, under=0.0)[1] == pytest.approx(overlay_doses(PAPER, under=0.0)[1])
    for wrong in (replace(PAPER, order=2.0), replace(PAPER, trapping=1.0)):
        with pytest.raises(ImpossibleError):
            overlay_doses(wrong)


def test_two_published_patches_over_each_other_have_the_colour_that_colour_science_gives_their_product() -> (
    None
):
    colour = library()
    patches = list(chart_reflectances("ISO 17321-1").values())
    paper = replace(PAPER, two_coat_exponent=2.0)
    shape = colour.SpectralShape(380, 780, 5)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    lamp = colour.SDS_ILLUMINANTS["D50"].copy().align(shape)
    inks = [Ink.from_reflectance(str(i), WAVELENGTHS, patch) for i, patch in enumerate(patches[:12])]
    for below, above in zip(inks[:6], inks[6:], strict=True):
        product = below.reflectance * above.reflectance / paper.reflectance()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = colour.sd_to_XYZ(
                colour.SpectralDistribution(product, WAVELENGTHS), observer, lamp, method="Integration"
            )
        ours = spectrum_to_xyz(overlay_reflectance(below, above, paper)) * 100
        assert ours == pytest.approx(theirs, rel=1e-4, abs=1e-4)


def test_a_still_hands_overlay_is_the_film_and_a_cell_has_both_inks_where_both_lie() -> None:
    spectral = spectral_scanner("colorimetric", "LED-B3")
    bare = spectral.linear(PAPER.reflectance())
    laid = colour_overlay(CELL, CELL.box, GRID, STILL_HAND, PAPER, 1)
    passed = overlay_passed((ONE, TWO), laid, PAPER, spectral)
    film = spectral.linear(overlay_reflectance(ONE, TWO, PAPER)) / bare
    assert laid.amounts == pytest.approx((1.0, 1.0)) and laid.both.coverage == pytest.approx(1.0, abs=0.02)
    assert passed[:, laid.both.film] == pytest.approx(
        np.repeat(film[:, None], laid.both.film.sum(), 1), abs=1e-4
    )

    # A hand's two coats miss each other at the edges: there is one ink or the other, and its own light.
    laid = colour_overlay(CELL, CELL.box, GRID, Hand(scatter=0.1), PAPER, 2)
    passed = overlay_passed((ONE, TWO), laid, PAPER, spectral)
    assert abs(laid.amounts[0] - laid.amounts[1]) > 0.01
    below_only = (laid.below.cover > 0.999) & (laid.above.cover < 0.001)
    assert below_only.sum() > 20
    alone = spectral.linear(reflectance_at(ONE, PAPER, laid.below.amount[below_only])) / bare
    # Up to a thousandth of such a pixel may be bare.
    assert np.abs(passed[:, below_only].T - alone).max() < 1e-3
    nothing = laid.both.cover < 1e-6
    assert passed[:, nothing] == pytest.approx(1.0, abs=1e-5)


def test_the_second_ink_can_be_forgotten_and_the_cell_left_blank() -> None:
    forgotten = colour_overlay(CELL, CELL.box, GRID, Hand(forgotten=(CELL.cell,)), PAPER, 3)
    assert forgotten.amounts[1] == 0 and forgotten.above.coverage == 0 and forgotten.both.coverage > 0.95
    blank = colour_overlay(CELL, CELL.box, GRID, Hand(blank=(CELL.cell,)), PAPER, 3)
    assert blank.both.coverage == 0
    half = colour_overlay(CELL, CELL.box, GRID, Hand(half=(CELL.cell,)), PAPER, 3)
    assert 0.4 < half.below.coverage < 0.6 and 0.4 < half.above.coverage < 0.6
