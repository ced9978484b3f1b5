"""How uneven the steps of a set are, and how much of that may be the hand's doing and not the pens'.

The unevenness of noisy readings of an even set is never 0: the noise itself is uneven. So its interval is made as that of a
difference between two colours is (``calib.colour.difference``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.colour.uncertainty import coverage_factor, normal_draws

Array = NDArray[np.float64]

DRAWS = 1000
TAIL = 0.025


@dataclass(frozen=True)
class Spread:
    """Standard deviation of the steps in L*, over their mean, with its 95 per cent interval; 0 is even, and so is a single step."""

    seen: float
    low: float
    high: float


def unevenness(L: Array, u_L: Array, freedom: int = 0) -> Spread:
    """Return how uneven the steps between lightnesses L (m,) are, u_L (m,) being their standard uncertainties.

    freedom: degrees of freedom behind these, 0 where they are taken as known. Steps that go nowhere in all are infinitely uneven.
    """
    steps = np.diff(L)
    mean = float(steps.mean())
    if len(steps) < 2:
        return Spread(0.0, 0.0, 0.0)
    if mean <= 0:
        return Spread(np.inf, 0.0, np.inf)
    # The deviations of two steps each move by the noise of one pen, so the noise is that of L and not of independent steps.
    wider = float(coverage_factor(freedom)) / float(coverage_factor(0))
    noise = np.diff(normal_draws(DRAWS, len(L)) * u_L * wider, axis=1)
    noise = noise - noise.mean(axis=1, keepdims=True)
    off = steps - mean
    size = float(np.linalg.norm(off))
    drawn = np.linalg.norm(off + noise, axis=1)
    along = noise @ (off / max(size, 1e-12))
    inside = along**2 - np.sum(noise**2, axis=1) + size**2
    least = np.where(np.sum(noise**2, axis=1) >= size**2, 0.0, np.sqrt(np.maximum(inside, 0.0)) - along)
    scale = mean * np.sqrt(len(steps))
    low, high = np.quantile(least, TAIL), np.quantile(drawn, 1 - TAIL)
    return Spread(size / scale, float(np.clip(low, 0.0, size)) / scale, max(float(high), size) / scale)


def chances(misses: Sequence[Array]) -> tuple[float, ...]:
    """Return for each of several sets the share of draws in which it would have come out best.

    misses: of each set (draws,) the cost in each draw of the colours. Of equal ones the first counts.
    """
    best = np.argmin(np.stack(list(misses)), axis=0)
    return tuple(float(np.mean(best == i)) for i in range(len(misses)))
