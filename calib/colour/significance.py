"""Is a change more than doubt: T2 with pooled freedom, the false discovery rate, and the spread that most things show.

A stated doubt can be wrong both ways: too small, and every unchanged marker is called; too wide, and none is. Where many
things were measured twice most of them will not have changed, and their differences tell the spread themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# What changed things scatter by, in spreads of unchanged ones: any of these, so that no change is too large for it (invented).
BROAD = (6.0, 15.0, 40.0, 130.0)
# No more than this share of things is taken to have changed; beyond it nobody could tell which are the changed ones.
MOST_CHANGED = 0.45
# The spread may be from a seventh of the stated doubt to twenty times as much, in steps of some three per cent.
FACTORS = np.exp(np.linspace(-2.0, 3.0, 167))
SHARES = np.linspace(0.01, MOST_CHANGED, 16)


def t2_p(t2: ArrayLike, size: int | Array, freedom: ArrayLike) -> Array:
    """Return how often a T2 (...) this large comes of doubt alone.

    t2: d S**-1 d of differences of size variables, S a covariance with so many degrees of freedom; 0 or infinite means that it is
    known. Hotelling, Ann. Math. Stat. 2 (1931) 360-378: T2 (freedom - size + 1) / (freedom size) follows F(size,
    freedom - size + 1). A freedom under size is taken as size, because less has no distribution.
    """
    from scipy.special import chdtrc, fdtrc

    t2, size = np.asarray(t2, dtype=float), np.asarray(size, dtype=float)
    known = np.asarray(freedom, dtype=float)
    finite = (known > 0) & (known < 1e6)
    below = np.where(finite, np.maximum(known, size) - size + 1, 1.0)
    held = np.where(finite, np.maximum(known, size), 1.0)
    return np.asarray(np.where(finite, fdtrc(size, below, t2 * below / (held * size)), chdtrc(size, t2)))


def t2_limit(size: int, freedom: float, share: float = 0.95) -> float:
    """Return the T2 that doubt alone does not exceed in so many cases; freedom as in ``t2_p``."""
    from scipy.special import chdtri, fdtri

    if not 0 < freedom < 1e6:
        return float(chdtri(size, 1 - share))
    below = max(freedom, size) - size + 1
    return float(max(freedom, size) * size / below * fdtri(size, below, share))


def student_p(t: ArrayLike, freedom: ArrayLike) -> Array:
    """Return the two-sided p of Student's t (...); a freedom of 0 or infinite gives the normal distribution's."""
    from scipy.special import stdtr

    known = np.asarray(freedom, dtype=float)
    return np.asarray(2 * stdtr(np.where(known > 0, known, np.inf), -np.abs(t)))


def false_discovery(p: ArrayLike) -> Array:
    """Return the false discovery rate (n,) at which each of n tests would be called (Benjamini and Hochberg, J. R. Stat. Soc. B 57, 1995).

    p: (n,), NaN for what was not tested, which stays NaN and does not count.
    """
    p = np.asarray(p, dtype=float)
    found, tested = np.full(p.shape, np.nan), np.flatnonzero(np.isfinite(p))
    largest_first = tested[np.argsort(-p[tested], kind="stable")]
    rank = np.arange(len(tested), 0, -1)
    found[largest_first] = np.minimum.accumulate(np.clip(p[largest_first], 0.0, 1.0) * len(tested) / rank)
    return found


def combined(ps: Sequence[ArrayLike], weights: Sequence[float]) -> Array:
    """Return one p (n,) of several tests (n,) each of the same thing, NaN where a test could not be made.

    Bonferroni's with unequal shares of the error (Holm, Scand. J. Stat. 6 (1979), with weights): the smallest p over its share. It holds
    however the tests depend on each other, and a test with most of the share loses next to nothing of its power.
    """
    p = np.array([np.asarray(one, dtype=float) for one in ps])
    share = np.where(np.isfinite(p), np.asarray(weights, dtype=float)[:, None], 0.0)
    total = share.sum(axis=0)
    each = np.where(share > 0, p * total / np.where(share > 0, share, 1.0), np.inf)
    least = each.min(axis=0)
    return np.asarray(np.where(np.isfinite(least), np.minimum(least, 1.0), np.nan))


def robust_scale(values: ArrayLike, centre: float | None = None) -> float:
    """Return the standard deviation of values (n,) by the median of their distance from the centre, their median if None.

    Consistent for the normal distribution (factor 1.4826); 0 without values.
    """
    x = np.asarray(values, dtype=float)
    if not len(x):
        return 0.0
    middle = float(np.median(x)) if centre is None else centre
    return float(1.482602 * np.median(np.abs(x - middle)))


@dataclass(frozen=True)
class Spread:
    """By what factor true spread exceeds the stated doubt, its degrees of freedom, and the share that seems to have changed."""

    factor: float
    freedom: float
    changed: float = 0.0


@dataclass(frozen=True)
class Group:
    """Differences over what is known of them.

    squares: (n,) sums of dimensions squares of differences, each over the variance that the factor multiplies. fixed: (n,) the
    variance, in the same unit, that the factor leaves as it is; below 0 where fitting something has taken some away. dimensions: (n,). mixed: whether some of these may have changed.
    """

    squares: Array
    fixed: Array
    dimensions: Array
    mixed: bool = True


def spread_of(groups: Sequence[Group], u_log: float) -> Spread:
    """Return the factor on stated doubts that the differences themselves ask for, weighed against the statement.

    u_log: standard uncertainty of the factor's logarithm before any of this was seen; with f degrees of freedom it is
    1 / sqrt(2 f). In each group most differences are normal with the stated variance times factor**2, a share has changed
    and scatters far wider (BROAD); the share is found too. The answer is the mean of the factor's logarithm given the
    differences (Bayes on a grid), so that few differences leave the statement alone and many outvote it.
    """
    from scipy.special import logsumexp

    log = np.log(FACTORS)
    # Long tails, so that a statement that is plainly wrong does not hold out against what is seen: Student's t with 4 degrees of
    # freedom and u_log as its standard deviation.
    belief = -2.5 * np.log1p((log / u_log) ** 2 / 2)
    changed = 0.0
    for group in groups:
        if not len(group.squares):
            continue
        variance = np.maximum(FACTORS[:, None] ** 2 + group.fixed, FACTORS[:, None] ** 2 / 4)
        inner = -0.5 * group.dimensions * np.log(variance) - 0.5 * group.squares / variance
        wide = np.square(BROAD)[:, None, None] * variance
        outer = logsumexp(-0.5 * group.dimensions * np.log(wide) - 0.5 * group.squares / wide, axis=0)
        outer -= np.log(len(BROAD))
        shares = SHARES if group.mixed else SHARES[SHARES < 0.1]
        each = np.stack([np.logaddexp(np.log1p(-s) + inner, np.log(s) + outer).sum(axis=1) for s in shares])
        highest = each.max(axis=0)
        belief = belief + highest + np.log(np.mean(np.exp(each - highest), axis=0))
        if group.mixed:
            changed = float(shares[int(np.argmax(each[:, int(np.argmax(belief))]))])
    weight = np.exp(belief - belief.max())
    weight /= weight.sum()
    mean = float(weight @ log)
    variance_of_log = max(float(weight @ (log - mean) ** 2), 1e-6)
    return Spread(float(np.exp(mean)), 1 / (2 * variance_of_log), changed)
