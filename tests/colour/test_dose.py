"""How a colour runs with the amount of ink, against Bouguer and Beer's law worked by hand and by the simulator's films.

Outside source: the law itself (transmittance falls by a power of ten with the amount); hypothesis for its properties.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from calib.chart.markers import Marker
from calib.colour.colorimetry import linear_to_xyz, xyz_to_lab
from calib.colour.dose import LEAST_LIGHT, DoseCurve, amount_between, dose_curve, film_density, with_amount
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper, reflectance_at
from calib.synthetic.scanners import spectral_scanner

PAPER = np.array([0.90, 0.88, 0.85])
light = st.floats(0.02, 0.84)
films = st.tuples(light, light, light).map(np.array)
amounts = st.floats(0.05, 2.5)


def test_density_by_hand() -> None:
    # Half the light is density 0.30103, a tenth is 1, a hundredth is 2.
    film = PAPER * [0.5, 0.1, 0.01]
    assert film_density(PAPER, film) == pytest.approx([np.log10(2), 1.0, 2.0])


def test_two_doses_pass_the_square_of_what_one_does() -> None:
    film = PAPER * [0.5, 0.9, 0.2]
    one, two, none = with_amount(PAPER, film, [1.0, 2.0, 0.0])
    assert one == pytest.approx(film)
    assert two == pytest.approx(PAPER * [0.25, 0.81, 0.04])
    assert none == pytest.approx(PAPER)


def test_shapes() -> None:
    film = PAPER * 0.5
    assert film_density(PAPER, np.stack([film] * 4)).shape == (4, 3)
    assert with_amount(PAPER, film, np.linspace(0.5, 1.5, 7)).shape == (7, 3)
    assert with_amount(PAPER, film, 1.0).shape == (1, 3)
    assert amount_between(PAPER, film, np.stack([film] * 5)).shape == (5,)
    assert amount_between(PAPER, film, film).shape == (1,)


@given(films, st.lists(amounts, min_size=1, max_size=5))
def test_the_amount_comes_back(film: NDArray, given_amounts: list[float]) -> None:
    found = amount_between(PAPER, film, with_amount(PAPER, film, given_amounts))
    # Where light falls under what can be told from black the way back is closed.
    dark = with_amount(PAPER, film, given_amounts).min(axis=1) < 2 * LEAST_LIGHT
    assert found[~dark] == pytest.approx(np.array(given_amounts)[~dark], rel=1e-6)


@given(films, amounts, amounts)
def test_more_ink_is_never_lighter(film: NDArray, one: float, other: float) -> None:
    low, high = sorted((one, other))
    less, more = with_amount(PAPER, film, [low, high])
    assert np.all(more <= less + 1e-12)


@given(films, amounts, amounts)
def test_amounts_multiply(film: NDArray, one: float, other: float) -> None:
    once = with_amount(PAPER, film, one)[0]
    if once.min() > 2 * LEAST_LIGHT:
        assert with_amount(PAPER, once, other) == pytest.approx(
            with_amount(PAPER, film, one * other), rel=1e-6, abs=1e-9
        )


def test_noise_next_to_black_does_not_lead() -> None:
    """A channel at a thousandth of the light, off by half of itself: the others tell the amount."""
    film = np.array([0.40, 0.30, 0.001])
    seen = with_amount(PAPER, film, 1.1)
    seen[0, 2] = 0.0005
    assert amount_between(PAPER, film, seen) == pytest.approx([1.1], abs=0.005)


def test_nonsense_is_answered_with_nan_and_not_with_an_error() -> None:
    assert np.isnan(amount_between(PAPER, PAPER, [PAPER * 0.5])).all()
    assert np.isfinite(film_density(PAPER, [0.0, -0.01, 0.5])).all()
    assert np.isfinite(with_amount(PAPER, [0.0, -0.01, 0.5], [0.5, 1.0])).all()


# --- curves through one and two coats --------------------------------------------------------

floors = st.tuples(*[st.floats(0.0, 0.05)] * 3).map(np.array)
rates = st.tuples(*[st.floats(0.1, 1.2)] * 3).map(np.array)


def test_one_film_gives_bouguer_and_beers_line() -> None:
    film = PAPER * [0.5, 0.9, 0.2]
    curve = dose_curve(PAPER, film)
    k = np.array([0.0, 0.5, 1.0, 2.0])
    assert curve.light(k) == pytest.approx(with_amount(PAPER, film, k))
    assert curve.amounts == pytest.approx([1.0])


@given(floors, rates, st.floats(1.4, 2.0))
def test_the_curve_goes_through_both_coats(floor: NDArray, rate: NDArray, ratio: float) -> None:
    def light(k: float) -> NDArray:
        return PAPER * (floor + (1 - floor) * 10.0 ** (-k * rate))

    films = np.stack([light(1.0), light(ratio)])
    curve = dose_curve(PAPER, films)
    # How much more ink there is cannot be told exactly of three unlike channels: one that grew faster than
    # by that is missed by a little, about a unit of lightness where the channels differ most.
    assert curve.light(curve.amounts) == pytest.approx(films, abs=0.015)


def test_without_a_floor_the_second_amount_comes_back() -> None:
    film = PAPER * [0.5, 0.9, 0.2]
    curve = dose_curve(PAPER, np.stack([film, with_amount(PAPER, film, 1.75)[0]]))
    assert curve.amounts == pytest.approx([1.0, 1.75], rel=1e-6)
    assert curve.floor == pytest.approx(np.zeros(3), abs=1e-5)


@given(floors, rates, st.floats(0.3, 2.0))
def test_the_slope_is_the_curves_own(floor: NDArray, rate: NDArray, amount: float) -> None:
    curve = DoseCurve(PAPER, floor, rate, np.ones(1), np.eye(3))
    step = 1e-5
    by_difference = (curve.light(amount * (1 + step)) - curve.light(amount * (1 - step))) / (2 * step)
    assert curve.slope(amount) == pytest.approx(by_difference, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize("kind", ["colorimetric", "camera-1", "three-led"])
def test_a_little_more_ink_moves_a_colour_along_the_curve(kind: str) -> None:
    """Films by sums over the spectrum, as three scanners see them: the curve of two coats points the right way.

    Bouguer and Beer's law channel by channel points past it for most inks; both are tried.
    """
    scanner = spectral_scanner(kind)
    paper = scanner.linear(SimPaper().reflectance())
    plain, bent = [], []
    for ink in invent_inks([Marker(f"{i:03d}") for i in range(40)], seed=3):
        one, two, more = (
            scanner.linear(reflectance_at(ink, SimPaper(), dose)) for dose in (1.0, 1.75, 1.75 * 1.04)
        )
        curve = dose_curve(paper, np.stack([one, two]))
        for found, slope in (
            (bent, curve.slope(curve.amounts[-1])[0]),
            (plain, dose_curve(paper, two).slope(1.0)[0]),
        ):
            here, moved = (xyz_to_lab(linear_to_xyz(light)) for light in (two, more))
            moved = moved - here
            step = xyz_to_lab(linear_to_xyz(two + 0.04 * slope)) - here
            along = step * (moved @ step) / (step @ step)
            found.append(np.linalg.norm(moved - along) / np.linalg.norm(moved))
    assert np.median(bent) < 0.06 and np.percentile(bent, 90) < 0.25
    assert np.mean(bent) < 0.7 * np.mean(plain)


def test_a_second_coat_that_is_no_darker_gives_the_line_of_the_first() -> None:
    film = PAPER * [0.5, 0.9, 0.2]
    for second in (film, film * 1.1, PAPER):
        assert dose_curve(PAPER, np.stack([film, second])).light(1.0) == pytest.approx(film[None])


def test_colours_outside_the_primaries_have_a_curve() -> None:
    """Cyans and oranges whose light on sRGB's primaries falls below nothing, by sums over the spectrum."""
    scanner, outside, missed = spectral_scanner("colorimetric"), 0, []
    paper = scanner.linear(SimPaper().reflectance())
    for ink in invent_inks([Marker(f"{i:03d}") for i in range(40)], seed=3):
        films = scanner.linear(reflectance_at(ink, SimPaper(), np.array([1.0, 1.75])))
        curve = dose_curve(paper, films)
        outside += bool(films.min() < 0)
        missed.append(np.abs(curve.light(curve.amounts) - films[: len(curve.amounts)]).max())
        assert curve.light(0.0) == pytest.approx(paper[None])
    assert outside > 5
    assert np.percentile(missed, 95) < 0.01 and np.max(missed) < 0.02
