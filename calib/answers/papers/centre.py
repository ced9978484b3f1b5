"""The middle of many figures of one thing, with an interval, that a few wrong ones do not move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.uncertainty import coverage_factor

Array = NDArray[np.float64]

# Tukey's bisquare gives nothing beyond so many standard deviations; it keeps 95 per cent of the mean's
# efficiency (Maronna, Martin, Yohai and Salibian-Barrera, Robust Statistics, 2nd edition 2019, 2.3).
BISQUARE = 4.685
# The median of the absolute of a standard normal.
HALF_NORMAL = 0.6745
# From so many figures on, their own spread tells the doubt of the middle better than their stated doubts.
ENOUGH = 10
# Doubts of nothing would make weights without end.
LEAST_DOUBT = 1e-9


@dataclass(frozen=True)
class Centre:
    """A robust mean: value, the ends of its 95 per cent interval, how many figures stand behind it.

    spread: standard deviation of single figures beyond their stated doubts.
    """

    value: float
    low: float
    high: float
    count: int
    spread: float

    def beyond(self, nothing: float, least: float = 0.0) -> bool:
        """Whether the interval leaves out the value that stands for no change, and the value is so far from it."""
        return not self.low <= nothing <= self.high and abs(self.value - nothing) >= least


def centre_of(values: ArrayLike, u: ArrayLike, freedom: int = 0, shared: float = 0.0) -> Centre | None:
    """Return the robust mean of values (n,), each with its standard uncertainty u (n,) or one for all; None without any.

    freedom: degrees of freedom behind u, 0 where taken as known. shared: standard uncertainty that all values have in
    common. Each value weighs by its doubt and by what single values spread beyond it (a random effect, its size by the
    median of the deviations); Tukey's bisquare then takes the weight from values that are far off.
    """
    x = np.asarray(values, dtype=float)
    if not len(x):
        return None
    doubt = np.maximum(np.broadcast_to(np.asarray(u, dtype=float), x.shape), LEAST_DOUBT)
    middle, spread = _weighted_median(x, 1 / doubt**2), 0.0
    for _ in range(3):
        spread = _spread(x - middle, doubt)
        scale = np.hypot(doubt, spread)
        middle = _bisquare_mean(x, scale, middle)
    z = (x - middle) / scale
    if len(x) < ENOUGH:
        variance = float(1 / np.sum(scale**-2.0)) / 0.95
        factor = float(coverage_factor(freedom))
    else:
        inside = np.abs(z) < BISQUARE
        r = np.where(inside, (z / BISQUARE) ** 2, 1.0)
        pull = z * (1 - r) ** 2 / scale
        give = np.where(inside, (1 - r) * (1 - 5 * r), 0.0) / scale**2
        held = max(float(give.sum()), 0.3 * float(np.sum(inside / scale**2)))
        count = float(np.sum(scale**-2.0) ** 2 / np.sum(scale**-4.0))
        variance = float(np.sum(pull**2)) / held**2 * count / max(count - 1, 1)
        factor = float(coverage_factor(max(count - 1, 1)))
    half = float(np.hypot(factor * np.sqrt(variance), coverage_factor(0) * shared))
    return Centre(float(middle), float(middle - half), float(middle + half), len(x), float(spread))


def _weighted_median(x: Array, weight: Array) -> float:
    order = np.argsort(x, kind="stable")
    passed = np.cumsum(weight[order])
    return float(x[order][int(np.argmax(passed >= passed[-1] / 2))])


def _spread(off: Array, doubt: Array) -> float:
    """Return what standard deviation beyond the doubts makes half of the deviations less than a normal's median."""
    if len(off) < 3:
        return 0.0
    # One degree of freedom went into the middle.
    wanted = HALF_NORMAL * float(np.sqrt(1 - 1 / len(off)))

    def excess(spread: float) -> float:
        return float(np.median(np.abs(off) / np.hypot(doubt, spread))) - wanted

    if excess(0.0) <= 0:
        return 0.0

    from scipy.optimize import brentq

    return float(brentq(excess, 0.0, float(np.max(np.abs(off))) / wanted))


def _bisquare_mean(x: Array, scale: Array, start: float) -> float:
    middle = start
    for _ in range(50):
        z = (x - middle) / (BISQUARE * scale)
        weight = np.where(np.abs(z) < 1, (1 - z**2) ** 2, 0.0) / scale**2
        if not weight.any():
            return middle
        before, middle = middle, float(np.sum(weight * x) / weight.sum())
        if abs(middle - before) < 1e-10:
            break
    return middle
