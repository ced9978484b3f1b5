"""The arithmetic of a run of values over time: a control chart, and two ways in which a strength may fall.

All of it takes values with known standard uncertainties, independent of each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# An EWMA chart by Lucas and Saccucci, Technometrics 32 (1990) 1-12, table 3: with this weight and these limits, in
# standard deviations, a steady run leaves them once in 500 values, one that shifts by one deviation within 11.
WEIGHT = 0.25
LIMIT = 2.998
# A strength that falls along a straight line is followed down to this share of its level, short of the logarithm of 0.
LEAST_STRENGTH = 0.01
# Gauss and Newton's steps; fewer are enough for a run that scatters little (a test holds it against another fit).
STEPS = 8


@dataclass(frozen=True)
class Line:
    """A regression's level and slope, the slope's standard uncertainty, and chi squared of what is left."""

    level: float
    slope: float
    u_slope: float
    chi2: float


def departures(y: ArrayLike, u: ArrayLike) -> Array:
    """Return how far each value (n,) lies from the weighted mean of all before it, in standard deviations; 0 first.

    For values of one mean with standard uncertainties u (n,) these are independent and standard normal, though the
    mean is not known (recursive residuals; Brown, Durbin and Evans, J. R. Stat. Soc. B 37 (1975) 149-192).
    """
    y, weight = np.asarray(y, dtype=float), np.asarray(u, dtype=float) ** -2.0
    known = np.cumsum(weight)[:-1]
    mean = np.cumsum(weight * y)[:-1] / known
    return np.concatenate([[0.0], (y[1:] - mean) / np.sqrt(1 / weight[1:] + 1 / known)])


def normal_scores(x: ArrayLike, freedom: int) -> Array:
    """Return values of Student's distribution as ones of the normal distribution that are exceeded as rarely.

    freedom: degrees of freedom, 0 for values that are normal already. A chart's limits are made for normal values
    (Quesenberry, J. Qual. Technol. 23 (1991) 213-224).
    """
    from scipy.special import ndtri, stdtr

    x = np.asarray(x, dtype=float)
    if freedom <= 0:
        return x
    # By the lower tail on either side: the upper one rounds to 1 where it matters.
    return np.asarray(-np.sign(x) * ndtri(np.maximum(stdtr(freedom, -np.abs(x)), 1e-300)))


def ewma_chart(x: ArrayLike, weight: float = WEIGHT, limit: float = LIMIT) -> tuple[Array, Array]:
    """Return the exponentially weighted moving average (n,) of standardised values (n,), and its limit (n,) at each.

    The first value is the level that the average starts from, 0 for standardised ones. The limit is exact for the
    number of values so far, not the one that it tends to (Roberts, Technometrics 1 (1959); ISO 7870-6 in kind).
    """
    x = np.asarray(x, dtype=float)
    z = x.copy()
    for i in range(1, len(x)):
        z[i] = weight * x[i] + (1 - weight) * z[i - 1]
    n = np.arange(len(x))
    return z, limit * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * n)))


def weighted_line(x: ArrayLike, y: ArrayLike, u: ArrayLike) -> Line:
    """Return the fit of y (n,) = level + slope x (n,), each value weighted by u (n,) to the power of -2.

    Raises ValueError where all x are equal.
    """
    x, y, w = np.asarray(x, dtype=float), np.asarray(y, dtype=float), np.asarray(u, dtype=float) ** -2.0
    total = w.sum()
    at, mean = (w @ x) / total, (w @ y) / total
    spread = float(w @ (x - at) ** 2)
    if not spread > 0:
        raise ValueError("all x are equal")
    slope = float(w @ ((x - at) * (y - mean))) / spread
    level = float(mean - slope * at)
    return Line(level, slope, spread**-0.5, float(w @ (y - level - slope * x) ** 2))


def straight_fall(x: ArrayLike, y: ArrayLike, u: ArrayLike) -> Line:
    """Return the fit of y (n,) = level + log(1 + slope x), so that exp(y) runs along a straight line.

    x: (n,) no less than 0. u: (n,) standard uncertainties of y. Least squares by Gauss and Newton, each step a
    weighted line; 1 + slope x is kept above LEAST_STRENGTH. Raises ValueError where all x are equal.
    """
    x, y, u = (np.asarray(values, dtype=float) for values in (x, y, u))
    line, slope = weighted_line(x, y, u), 0.0
    steepest = (LEAST_STRENGTH - 1) / float(x.max())
    for _ in range(STEPS):
        slope = max(line.slope, steepest)
        share = 1 + slope * x
        line = weighted_line(x / share, y - np.log(share) + slope * x / share, u)
    rest = y - np.log(1 + slope * x)
    level = float(np.average(rest, weights=u**-2.0))
    return Line(level, slope, line.u_slope, float(np.sum(((rest - level) / u) ** 2)))
