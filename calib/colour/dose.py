"""How a colour runs with the amount of ink: along the line from paper through the film.

In linear light, ink over paper reads p 10**(-k D), with D the film's density per channel and k the
amount of ink relative to the film (Bouguer and Beer's law). From swatch to swatch a hand lays 2 or 3 per cent
more or less ink, so readings of one marker scatter along this line and hardly off it.

A scanner's channel is wider than an ink's absorption, and the surface sends back some light through any
amount of ink. So the density of a channel rises ever more slowly, and where one and two coats were read they show
how slowly: the curve of such a marker is p (floor + (1 - floor) 10**(-k D)), a floor for each channel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import linear_to_romm

Array = NDArray[np.float64]

# Light below this share of white is noise to any scanner, and its logarithm would be worse.
LEAST_LIGHT = 1e-4


def film_density(paper: ArrayLike, film: ArrayLike) -> Array:
    """Return the density (..., 3) of films over their paper, from linear light (..., 3)."""
    paper, film = np.asarray(paper, dtype=float), np.asarray(film, dtype=float)
    return np.asarray(np.log10(np.maximum(paper, LEAST_LIGHT) / np.maximum(film, LEAST_LIGHT)))


def with_amount(paper: ArrayLike, film: ArrayLike, amount: ArrayLike) -> Array:
    """Return the light of film over paper with amount (n,) times its ink: (n, 3).

    paper, film: (3,) linear light. An amount of 0 is the paper, of 1 the film.
    """
    density = film_density(paper, film)
    k = np.atleast_1d(np.asarray(amount, dtype=float))[:, None]
    return np.asarray(np.asarray(paper, dtype=float) * 10.0 ** (-k * density))


def amount_between(paper: ArrayLike, reference: ArrayLike, films: ArrayLike) -> Array:
    """Return the amount of ink (n,) of films (n, 3) relative to a reference film (3,) of the same ink.

    Least squares over the channels, each weighted by its light, because the noise of a density
    grows as the light gets small. NaN where the reference has no ink to speak of.
    """
    density = film_density(paper, reference)
    weight = np.maximum(np.asarray(reference, dtype=float), LEAST_LIGHT) ** 2
    power = float(np.sum(weight * density**2))
    others = film_density(paper, np.atleast_2d(np.asarray(films, dtype=float)))
    if power < 1e-7:
        return np.full(len(others), np.nan)
    return np.asarray(others @ (weight * density) / power)


# Amounts of ink that two coats may leave, in amounts of one: on paper 1.6 to 1.9 (measured before the start).
LEAST_TWO_COATS, MOST_TWO_COATS = 1.1, 2.6
# A channel with less density tells nothing of the amount of ink.
LEAST_DENSITY = 0.01
# A floor may lie below nothing, by noise or by the mixing of primaries; so far below, light falls evenly with the ink.
LOWEST_FLOOR = -20.0
# A channel that reads lighter than its paper by more than noise and lighting explain.
LIGHTER = 1.01
# Of a channel with less density than this, noise would say how much ink two coats left.
TELLING_DENSITY = 0.03


@dataclass(frozen=True)
class DoseCurve:
    """How the light of one marker on one paper runs with its amount of ink, one coat being 1.

    paper: (3,) light without ink. floor: (3,) share of it that no amount of ink takes away. rate: (3,)
    density per amount of the rest. amounts: (m,) those of the films that the curve was made from. back: (3, 3) from
    the light in which all this holds to the light of the readings.
    """

    paper: Array
    floor: Array
    rate: Array
    amounts: Array
    back: Array

    def light(self, amount: ArrayLike) -> Array:
        """Return the light (n, 3) of amounts of ink (n,)."""
        k = np.atleast_1d(np.asarray(amount, dtype=float))[:, None]
        return np.asarray(
            self.paper * (self.floor + (1 - self.floor) * 10.0 ** (-k * self.rate)) @ self.back.T
        )

    def slope(self, amount: ArrayLike) -> Array:
        """Return how fast the light changes at amounts (n,), per relative change of the amount: (n, 3)."""
        k = np.atleast_1d(np.asarray(amount, dtype=float))[:, None]
        passed = 10.0 ** (-k * self.rate)
        return np.asarray(
            (-np.log(10) * k * self.rate * self.paper * (1 - self.floor) * passed) @ self.back.T
        )


def dose_curve(paper: ArrayLike, films: ArrayLike, two_coats: float | None = None) -> DoseCurve:
    """Return the dose curve of a marker from paper (3,) and its films (m, 3) of one coat, or of one and of two.

    two_coats: the amount of ink that two coats leave, where more is known of it than this marker tells.

    A single film, or a second coat that is no darker, gives the plain line through it. How much ink two coats
    left is told by the growth of density, mostly in the channels that still send back much of their light.
    Colours outside the readings' primaries have negative light in one channel, or more than their paper's, or lose
    more of it with the second coat than any amount of ink explains: such a marker's curve runs in the light of wider
    primaries (ROMM RGB), which hold all surface colours.
    """
    bare: Array = np.maximum(np.asarray(paper, dtype=float), LEAST_LIGHT)
    light: Array = np.atleast_2d(np.asarray(films, dtype=float))
    if light.min() < 0 or np.max(light / bare) > LIGHTER or _bends_up(bare, light):
        wide: Array = np.ascontiguousarray(linear_to_romm(np.eye(3)).T)
        return replace(_curve(wide @ bare, light @ wide.T, two_coats), back=np.asarray(np.linalg.inv(wide)))
    return _curve(bare, light, two_coats)


def _bends_up(paper: Array, films: Array) -> bool:
    """Return whether a channel loses more light by two coats than any ink does in light of its own."""
    lost = 1 - films / paper
    return len(films) > 1 and bool(np.any(lost[1] > MOST_TWO_COATS * np.maximum(lost[0], LEAST_DENSITY)))


def _curve(paper: Array, films: Array, two_coats: float | None) -> DoseCurve:
    density = film_density(paper, films)
    plain = DoseCurve(paper, np.zeros(3), density[0], np.ones(1), np.eye(3))
    if len(films) == 1:
        return plain
    one, two = density[:2]
    weight = np.where(one > LEAST_DENSITY, one * np.maximum(films[1] / paper, 0.0), 0.0)
    if weight.sum() < LEAST_DENSITY**2:
        return plain
    ratio = float(np.sum(weight * two / np.maximum(one, LEAST_DENSITY)) / weight.sum())
    if ratio < LEAST_TWO_COATS:
        return plain
    ratio = ratio if two_coats is None else two_coats
    share = films[:2] / paper
    # No channel loses light faster than evenly with the ink.
    telling = one > TELLING_DENSITY
    if telling.any():
        ratio = max(ratio, 1.001 * float(np.max((1 - share[1, telling]) / (1 - share[0, telling]))))
    ratio = min(ratio, MOST_TWO_COATS)
    # A channel without ink to speak of goes straight through the mean of both.
    floor, rate = np.zeros(3), (one + two) / (1 + ratio)
    for c in np.flatnonzero(one > LEAST_DENSITY):
        passed = share_passed(share[0, c], share[1, c], ratio)
        floor[c], rate[c] = (share[0, c] - passed) / (1 - passed), -np.log10(passed)
    return DoseCurve(paper, floor, rate, np.array([1.0, ratio]), np.eye(3))


def share_passed(one: float, two: float, ratio: float) -> float:
    """Return what share of the light above the floor one coat passes, where so much comes back after one and two.

    The floor follows from it twice over, and it is found where both agree (bisection). Where no curve of this
    shape goes through both, the nearest one does.
    """
    low, high = LEAST_LIGHT, (one - LOWEST_FLOOR) / (1 - LOWEST_FLOOR)
    for _ in range(50):
        x = (low + high) / 2
        if (one - x) * (1 - x**ratio) > (two - x**ratio) * (1 - x):
            low = x
        else:
            high = x
    return float((low + high) / 2)
