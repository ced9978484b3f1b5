"""Propagation of doubt by Monte Carlo, and scatter pooled over many small groups of repeats."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

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

    off: (n, 3) from their mean. along: (3,) the way in which they are expected to scatter, per unit of it. known:
    (3, 3) the covariance of one reading that is known already.
    """

    off: Array
    along: Array
    known: Array


def scatter_along(repeats: Sequence[Repeats]) -> tuple[Scatter, float] | None:
    """Pool the scatter along each one's way, and what is left over across it; None without repeats.

    The first is the most likely one for normal deviations along the ways, what is known and the rest taken off
    (restricted maximum likelihood, in which n readings give n - 1 degrees of freedom; Searle, Casella and McCulloch,
    Variance Components, 1992, chapter 6). So a pale ink, in which a hair of noise looks like a tenth of its
    amount, does not pass for an uneven hand. The second is a robust standard deviation in each direction across,
    because a way that points a little wrong makes a few of these large.
    """
    from scipy.optimize import minimize_scalar
    from scipy.special import gammaincinv

    several = [one for one in repeats if len(one.off) > 1 and float(one.along @ one.along) > 0]
    if not several:
        return None
    freedom = np.array([len(one.off) - 1 for one in several])
    power = np.array([float(one.along @ one.along) for one in several])
    unit = np.array([one.along for one in several]) / np.sqrt(power)[:, None]
    squares = np.array([one.off.T @ one.off for one in several])
    known = np.array([one.known for one in several])
    inside, known_inside = (np.einsum("gi,gij,gj->g", unit, m, unit) for m in (squares, known))
    across, known_across = (
        np.trace(m, axis1=1, axis2=2) - i for m, i in ((squares, inside), (known, known_inside))
    )
    # Across there are two degrees of freedom for each one along; half of such sums lie below chi squared's median.
    rest = np.sqrt(max(0.0, float(np.median(across / (2 * gammaincinv(freedom, 0.5)) - known_across / 2))))

    def cost(logarithm: float) -> float:
        variance = np.exp(2 * logarithm) * power + rest**2 + known_inside
        return float(np.sum(freedom * np.log(variance) + inside / variance))

    found = minimize_scalar(cost, bounds=(np.log(LEAST_SCATTER), 0.0), method="bounded")
    return Scatter(float(np.exp(found.x)), int(freedom.sum())), float(rest)


def joint_freedom(u: ArrayLike, freedom: ArrayLike) -> Array:
    """Return the effective degrees of freedom (...) of a sum or difference of estimates.

    u: (k, ...) their standard uncertainties. freedom: (k,) their degrees of freedom, 0 where assumed. By Welch and Satterthwaite's formula
    (JCGM 100:2008, G.4): two sessions with 12 each have up to 24 together.
    """
    u = np.asarray(u, dtype=float)
    each = np.asarray(freedom, dtype=float).reshape(-1, *[1] * (u.ndim - 1))
    # An assumed scatter counts as known: the formula's term for it is nothing.
    share = np.where(each > 0, u**4 / np.maximum(each, 1), 0.0).sum(axis=0)
    return np.asarray((u**2).sum(axis=0) ** 2 / np.maximum(share, 1e-280))


def coverage_factor(freedom: ArrayLike, share: float = 0.95) -> Array:
    """Return by what a standard uncertainty is multiplied for an interval that holds this share.

    freedom: (...) degrees of freedom, 0 for a scatter that was assumed, which gives the normal distribution's.
    Student's factor: a scatter known from few repeats may be larger than it looks (JCGM 100:2008, G.3).
    """
    from scipy.special import ndtri, stdtrit

    known = np.asarray(freedom, dtype=float)
    student = stdtrit(np.where(known > 0, known, 1.0), 0.5 + share / 2)
    return np.asarray(np.where(known > 0, student, ndtri(0.5 + share / 2)))
