"""How a colour runs with the amount of ink: along the line from paper through the film.

In linear light, ink over paper reads p 10**(-k D), with D the film's density per channel and k the
amount of ink relative to the film (Bouguer and Beer's law). From swatch to swatch a hand lays 2 or 3 per cent
more or less ink, so readings of one marker scatter along this line and hardly off it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

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
