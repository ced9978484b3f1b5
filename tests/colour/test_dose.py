"""How a colour runs with the amount of ink, against Bouguer and Beer's law worked by hand and by the simulator's films.

Outside source: the law itself (transmittance falls by a power of ten with the amount); hypothesis for its properties.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from calib.colour.dose import LEAST_LIGHT, amount_between, film_density, with_amount

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
