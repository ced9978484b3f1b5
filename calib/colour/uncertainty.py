"""Propagation of doubt by Monte Carlo, and scatter pooled over many small groups of repeats."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Four hundred draws give a standard deviation to 3.5 per cent of itself, finer than it is known.
DRAWS = 400
# Less scatter than this is none.
LEAST_SCATTER = 1e-5


@dataclass(frozen=True)
class Scatter:
    """A pooled relative standard deviation; freedom 0 means that it was assumed, not measured."""

    sd: float
    freedom: int


def propagate(function: Callable[[Array], Array], draws: Array) -> Array:
    """Return the standard deviation (m, ...) of a function over draws of its input (JCGM 101:2008).

    function: takes (n, 3) and returns (n, ...). draws: (m, n, 3), n draws for each of m quantities; all are passed
    through the function in one call, which is what makes 2,000 rows quick.
    """
    m, n = draws.shape[:2]
    values = function(draws.reshape(m * n, -1))
    return np.asarray(values.reshape(m, n, *values.shape[1:]).std(axis=1, ddof=1))


def normal_draws(count: int, size: int, seed: int = 0) -> Array:
    """Return (count, size) standard normal draws, each column's mean exactly 0 and sd exactly 1.

    The seed is fixed, so that the same scans give the same table to the last digit.
    """
    draws = np.random.default_rng(seed).standard_normal((count, size))
    draws -= draws.mean(axis=0)
    return np.asarray(draws / draws.std(axis=0, ddof=1))


@dataclass(frozen=True)
class Repeats:
    """Repeated readings of one thing.

    off: (n, 3) from their mean. along: (3,) the direction in which they are
    expected to scatter, per unit of it. known: (3, 3) the covariance of one reading that is known already.
    """

    off: Array
    along: Array
    known: Array


def scatter_along(repeats: Sequence[Repeats]) -> tuple[Scatter, float] | None:
    """Pool the scatter along each one's direction, and what is left over, alike in all three; None without repeats.

    Of all groups at once the likelihood is greatest of normal deviations whose covariance is s**2 along along.T +
    r**2 + known (restricted maximum likelihood: n readings give n - 1 degrees of freedom). So a pale ink,
    in which a hair of noise looks like a tenth of its amount, does not pass for an uneven hand (variance components as
    in Searle, Casella and McCulloch, Variance Components, 1992, chapter 6).
    """
    from scipy.optimize import minimize

    several = [one for one in repeats if len(one.off) > 1]
    freedom = np.array([len(one.off) - 1 for one in several])
    if not several:
        return None
    squares = np.array([one.off.T @ one.off for one in several])
    along = np.array([np.outer(one.along, one.along) for one in several])
    known = np.array([one.known for one in several])

    def cost(logarithms: Array) -> float:
        s, r = np.exp(np.clip(logarithms, np.log(LEAST_SCATTER), 0.0))
        covariance = s**2 * along + r**2 * np.eye(3) + known
        inside = np.einsum("gij,gji->g", np.linalg.inv(covariance), squares)
        return float(np.sum(freedom * np.linalg.slogdet(covariance)[1] + inside))

    starts = [np.log([s, r]) for s in (0.003, 0.03) for r in (0.0005, 0.005)]
    best = min((minimize(cost, start, method="Nelder-Mead") for start in starts), key=lambda found: found.fun)
    s, r = np.exp(np.clip(best.x, np.log(LEAST_SCATTER), 0.0))
    return Scatter(float(s), int(freedom.sum())), float(r)


def coverage_factor(freedom: float, share: float = 0.95) -> float:
    """Return by what a standard uncertainty is multiplied for an interval that holds this share.

    Student's factor: a scatter known from few repeats may be larger than it looks (JCGM 100:2008, G.3).
    freedom 0 stands for an assumed scatter and gives the normal distribution's.
    """
    from scipy.stats import norm, t

    tail = 0.5 + share / 2
    return float(t.ppf(tail, freedom)) if freedom > 0 else float(norm.ppf(tail))
