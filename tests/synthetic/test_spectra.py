"""The truth of the simulator: spectra, the CIE's sums, papers and inks."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from calib.chart.markers import Marker
from calib.colour.colorimetry import delta_e_2000, hex_to_lab, linear_to_xyz, xyz_to_lab
from calib.errors import ImpossibleError
from calib.synthetic.drawer import dye, hint_of, invent_inks
from calib.synthetic.inks import Ink, SimPaper, dose_of, film_reflectance, reflectance_at
from calib.synthetic.scanners import KINDS, spectral_scanner
from calib.synthetic.spectra import (
    WAVELENGTHS,
    chart_reflectances,
    library,
    spectrum_to_xyz,
    true_lab,
    white_by_sums,
)


def lab_table(name: str) -> np.ndarray:
    """Published Lab (24, 3) of a 24-patch card, from colour-science's CCS_COLOURCHECKERS."""
    colour = library()
    table = colour.CCS_COLOURCHECKERS[name]
    xyz = colour.xyY_to_XYZ(np.array(list(table.data.values())))
    return np.asarray(colour.XYZ_to_Lab(xyz, table.illuminant))


def test_perfect_white_by_the_sums_is_the_published_d50() -> None:
    # CIE 15:2018, table 8: 96.42, 100, 82.51.
    assert white_by_sums() * 100 == pytest.approx([96.42, 100.0, 82.51], abs=0.006)
    assert true_lab(np.ones_like(WAVELENGTHS)) == pytest.approx([100.0, 0.0, 0.0], abs=1e-9)


def test_iso_17321_patches_agree_with_colour_sciences_integration() -> None:
    colour = library()
    shape = colour.SpectralShape(380, 780, 5)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    lamp = colour.SDS_ILLUMINANTS["D50"].copy().align(shape)
    ours = chart_reflectances("ISO 17321-1")
    for patch, spectrum in colour.SDS_COLOURCHECKERS["ISO 17321-1"].items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = colour.sd_to_XYZ(spectrum, observer, lamp, method="Integration") / 100
        # The rest is the rounding of the published white, a few parts in 100,000.
        assert spectrum_to_xyz(ours[patch]) == pytest.approx(theirs, rel=5e-5), patch


@pytest.mark.parametrize(
    ("spectra", "table", "mean", "most"),
    [
        # Same card, spectrum and colour published together: only rounding is between them (0.08 found).
        ("BabelColor Average", "BabelColor Average", 0.10, 0.20),
        # Two productions of the same 24 patches; 0.97 mean and 1.69 at most were found, much as
        # two productions differ among themselves.
        ("ISO 17321-1", "ColorChecker 2005", 1.1, 1.8),
    ],
)
def test_spectra_agree_with_published_card_values(spectra: str, table: str, mean: float, most: float) -> None:
    lab = np.array([true_lab(r) for r in chart_reflectances(spectra).values()])
    difference = delta_e_2000(lab, lab_table(table))
    assert difference.mean() < mean
    assert difference.max() < most


def test_no_ink_is_bare_paper() -> None:
    paper = SimPaper()
    for ink in (*invent_inks(6, seed=1), Ink.blender("b"), invent_inks(1)[0].fluorescing(600, 0.4)):
        assert film_reflectance(ink, paper, 1, amount=0.0) == pytest.approx(paper.reflectance(), abs=1e-12)
    assert film_reflectance(Ink.blender("b"), paper, 2) == pytest.approx(paper.reflectance(), abs=1e-12)


def test_twice_the_dose_is_twice_the_density_where_the_surface_is_black() -> None:
    # Bouguer and Beer.
    paper = SimPaper(surface=0.0)
    for ink in invent_inks(5, seed=2):
        one, two = (-np.log10(reflectance_at(ink, paper, d) / paper.reflectance()) for d in (1.0, 2.0))
        assert one == pytest.approx(ink.absorption, rel=1e-9, abs=1e-12)
        assert two == pytest.approx(2 * one, rel=1e-9, abs=1e-12)


def test_no_film_is_darker_than_the_surface() -> None:
    paper = SimPaper(surface=0.01)
    assert reflectance_at(Ink("x", np.full_like(WAVELENGTHS, 9.0)), paper, 1.0) == pytest.approx(
        0.01, rel=1e-3
    )


def test_two_coats_follow_the_papers_exponent_and_gain() -> None:
    paper = SimPaper(two_coat_exponent=1.6, gain=1.2)
    assert dose_of(paper, 2) == pytest.approx(1.2 * 1.6)
    assert dose_of(paper, 1, amount=0.5) == pytest.approx(0.6)
    with pytest.raises(ImpossibleError, match="3 coats"):
        dose_of(paper, 3)


def test_given_reflectances_come_out_as_given_on_any_paper() -> None:
    for name, given in chart_reflectances().items():
        ink = Ink.from_reflectance(name, WAVELENGTHS, given)
        for paper in (SimPaper(), SimPaper(level=0.8, tint=0.1)):
            assert film_reflectance(ink, paper, 1) == pytest.approx(given)


def test_absorption_of_the_wrong_length_is_refused() -> None:
    with pytest.raises(ImpossibleError, match="absorption of ink '5' has 3 values"):
        Ink("5", np.zeros(3))


def test_fluorescent_ink_reads_above_its_paper_in_its_band_only() -> None:
    paper = SimPaper()
    film = film_reflectance(Ink("f", dye("lemon")).fluorescing(600, 0.5), paper, 1)
    above = WAVELENGTHS[film > paper.reflectance() + 0.05]
    assert len(above) and above.min() > 550 and above.max() < 650


def test_paper_is_white() -> None:
    for paper in (SimPaper(), SimPaper(level=0.91, tint=-0.02), SimPaper(level=0.87, tint=0.06)):
        lightness, a, b = true_lab(paper.reflectance())
        assert 94 < lightness < 97 and abs(a) < 1.5 and abs(b) < 5


def test_drawer_is_plausible() -> None:
    lab = np.array([true_lab(film_reflectance(ink, SimPaper(), 1)) for ink in invent_inks(300, seed=5)])
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    assert 0.2 < np.mean(lab[:, 0] > 82) < 0.5
    assert np.mean(lab[:, 0] < 45) > 0.05
    assert 0.05 < np.mean(chroma < 9) < 0.35
    hues = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    assert np.all(np.histogram(hues[chroma > 15], bins=6, range=(0, 360))[0] >= 5)


def test_an_ink_hangs_on_its_seed_and_id_alone() -> None:
    few, many = invent_inks(3, seed=4), invent_inks(30, seed=4)
    for one, other in zip(few, many, strict=False):
        assert np.array_equal(one.absorption, other.absorption)
    assert not np.array_equal(few[0].absorption, invent_inks(3, seed=5)[0].absorption)


@pytest.mark.parametrize("hint", ["#e0c090", "#204080", "#ff8800", "#808080", "#c00030", "#f4efe2"])
def test_an_ink_follows_its_hint(hint: str) -> None:
    (ink,) = invent_inks([Marker("1", hint=hint)])
    assert delta_e_2000(hex_to_lab(hint_of(ink)), hex_to_lab(hint)) < 5


def test_fading_and_tainting() -> None:
    one, other = invent_inks(2, seed=3)
    assert one.strengthened(0.8).absorption == pytest.approx(0.8 * one.absorption)
    assert one.tainted(other, 0.25).absorption == pytest.approx(
        0.75 * one.absorption + 0.25 * other.absorption
    )


@pytest.mark.parametrize("kind", KINDS)
def test_every_scanner_reads_a_perfect_white_as_one(kind: str) -> None:
    scanner = spectral_scanner(kind)
    assert scanner.linear(np.ones_like(WAVELENGTHS)) == pytest.approx([1.0, 1.0, 1.0], abs=1e-12)
    # And any neutral as itself: it is balanced on grey.
    assert scanner.linear(np.full_like(WAVELENGTHS, 0.2)) == pytest.approx([0.2] * 3, abs=1e-12)


def test_colorimetric_scanner_is_exact_and_the_others_are_not() -> None:
    films = np.array(list(chart_reflectances().values()))
    lab = true_lab(films)
    seen = {kind: spectral_scanner(kind).linear(films) for kind in KINDS}
    assert linear_to_xyz(seen["colorimetric"]) == pytest.approx(spectrum_to_xyz(films), abs=1e-12)
    for kind in KINDS[1:]:
        # A camera's raw channels, taken for sRGB light, are off by much; that is what a matrix is for.
        assert delta_e_2000(xyz_to_lab(linear_to_xyz(seen[kind])), lab).mean() > 2, kind


def test_unknown_scanner_is_refused() -> None:
    with pytest.raises(ImpossibleError, match="kind 'periscope'"):
        spectral_scanner("periscope")
