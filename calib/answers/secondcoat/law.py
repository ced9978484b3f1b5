"""How the light of two coats follows from that of one, learned from markers of which both were read.

A second coat leaves so many times the ink of one (the exponent, one number for a paper), and by Bouguer and
Beer's law the density of one wavelength grows as much. A channel sees many wavelengths. If what a film
absorbs varies over the channel as a gamma distribution whose variance is theta times its squared mean, its
light after an amount k of ink is the mean (1 + k s)**(-1 / theta), and density grows ever more slowly (the
Laplace transform of that distribution). A share of light that the surface sends back, whatever lies under it,
is a floor. These three numbers are the base; what they miss depends on the sort of ink and is for
``coatrest``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import linear_to_romm, rgb_to_xyz_matrix

Array = NDArray[np.float64]

# The three numbers of the base: exponent, spread of absorption in a channel, floor. What they are before
# anything is learned: exponents from 1.6 to 1.9 (measured before the start); the rest a choice between
# nothing and what four invented scanners showed.
USUAL = np.array([1.75, 0.07, 0.004])
USUAL_SD = np.array([0.1, 0.12, 0.005])
LOWEST, HIGHEST = np.array([1.1, 0.0, 0.0]), np.array([2.6, 1.5, 0.05])
# What a base misses of a density, weighted as below: about what one hand's scatter and unlike inks make
# (measured, 0.01 to 0.03).
MISS = 0.025
# Light below this share of the paper's has no density that means anything.
LEAST_LIGHT = 2e-4
# A difference in lightness goes about with the cube root of light, so an error of density counts with this
# power of it, squared.
POWER = 2.0 / 3.0
# From XYZ to channels that were made narrow (spectral sharpening; Finlayson and Suesstrunk, 8th Color Imaging
# Conference, 2000).
SHARP = np.array([[1.2694, -0.0988, -0.1706], [-0.8364, 1.8006, 0.0357], [0.0297, -0.0315, 1.0018]])


@cache
def lights() -> dict[str, Array]:
    """Return by name the lights in which the law may be taken to hold: (3, 3) from linear light, white to
    white.
    """
    made = {
        "scanner": np.eye(3),
        "sharpened": rgb_to_xyz_matrix().T @ SHARP.T,
        "wide": linear_to_romm(np.eye(3)),
    }
    return {name: np.asarray(matrix / matrix.sum(axis=0)) for name, matrix in made.items()}


def density_in(light: str, paper: ArrayLike, films: ArrayLike) -> Array:
    """Return densities (n, 3) over paper (3,) or (n, 3) of films (n, 3), from linear light, in one of the
    lights.
    """
    m = lights()[light]
    share = np.maximum(np.asarray(films, dtype=float) @ m, 0.0) / (np.asarray(paper, dtype=float) @ m)
    return np.asarray(-np.log10(np.maximum(share, LEAST_LIGHT)))


def base_density(one: ArrayLike, numbers: ArrayLike) -> Array:
    """Return the densities of two coats of those of one (..., 3), by exponent, spread and floor (3,)."""
    one = np.asarray(one, dtype=float)
    ratio, spread, floor = np.asarray(numbers, dtype=float)
    # A film as dark as the floor keeps its light.
    passed = np.maximum((10.0**-one - floor) / (1 - floor), LEAST_LIGHT)
    if spread > 1e-4:
        grown = np.maximum(1 + ratio * (passed**-spread - 1), 1e-3) ** (-1 / spread)
    else:
        grown = passed**ratio
    return np.asarray(-np.log10(np.maximum(floor + (1 - floor) * grown, LEAST_LIGHT)))


@dataclass(frozen=True, eq=False)
class Pairs:
    """Films of which both coats were read: densities (n, 3) of one and of two in one light.

    Marker: (n,) numbers of pens.
    """

    one: Array
    two: Array
    marker: NDArray[np.int_]

    @property
    def weight(self) -> Array:
        """Return (n, 3) how much an error of the second density counts."""
        return np.asarray(10.0 ** (-POWER / 2 * np.maximum(self.two, 0.0)))

    def __getitem__(self, chosen: Any) -> Pairs:
        return Pairs(self.one[chosen], self.two[chosen], self.marker[chosen])


@dataclass(frozen=True, eq=False)
class Fitted:
    """A base found by penalised least squares. numbers: (3,). each: (n, 3), those without each film's marker."""

    numbers: Array
    each: Array


def fit_base(pairs: Pairs, free: tuple[int, ...] = (0, 1, 2), usual: ArrayLike = USUAL) -> Fitted:
    """Return the base's numbers from pairs; each is drawn to the usual by how well that is known, those not
    free are 0.

    Without a single pair they are the usual ones. What they are without each marker is one Newton step from
    where they are with all, which is as good as fitting anew (tested against that).
    """
    from scipy.optimize import least_squares

    index = list(free)
    start = np.where(np.isin(np.arange(3), index), np.asarray(usual, dtype=float), 0.0)
    if not len(pairs.one):
        return Fitted(start, np.zeros((0, 3)))

    def numbers(x: Array) -> Array:
        full = np.zeros(3)
        full[index] = np.clip(x, LOWEST[index], HIGHEST[index])
        return full

    def misses(x: Array) -> Array:
        return np.asarray(pairs.weight * (base_density(pairs.one, numbers(x)) - pairs.two) / MISS)

    def cost(x: Array) -> Array:
        return np.concatenate([misses(x).ravel(), (x - start[index]) / USUAL_SD[index]])

    bounds = (LOWEST[index], HIGHEST[index])
    inside = np.clip(start[index], bounds[0] + 1e-6, bounds[1] - 1e-6)
    x = least_squares(cost, inside, bounds=bounds, x_scale=USUAL_SD[index]).x
    step = 1e-3 * USUAL_SD[index]
    slope = np.stack([(misses(x + d) - misses(x - d)) / (2 * d.sum()) for d in np.diag(step)], axis=-1)
    power_of_each, gradient = _by_marker(pairs.marker, slope, misses(x))
    power = np.einsum("ncp,ncq->pq", slope, slope) + np.diag(1 / USUAL_SD[index] ** 2)
    moved = x + np.linalg.solve(power - power_of_each, gradient[..., None])[..., 0]
    return Fitted(numbers(x), np.array([numbers(one) for one in moved]))


def _by_marker(marker: NDArray[np.int_], slope: Array, missed: Array) -> tuple[Array, Array]:
    """Return (n, p, p) and (n, p) the normal matrix and the gradient that all films of each film's marker put
    in.
    """
    film = np.unique(marker, return_inverse=True)[1]
    power, gradient = np.einsum("ncp,ncq->npq", slope, slope), np.einsum("ncp,nc->np", slope, missed)
    powers, gradients = (np.zeros((film.max() + 1, *one.shape[1:])) for one in (power, gradient))
    np.add.at(powers, film, power)
    np.add.at(gradients, film, gradient)
    return powers[film], gradients[film]
