"""The difference between two colours: its parts, and the interval in which the true one lies.

The dE00 of two noisy readings of one colour is never 0: the noise itself has a length. So an interval of a
difference is no plus and minus. Its upper end is the difference that so many draws of the true colours do not
exceed (JCGM 101:2008), which a bad reading can only widen; its lower end is the smallest true difference
that would still read as large as this often enough, so that it is 0 where noise alone explains the reading.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import delta_e_2000
from calib.colour.uncertainty import coverage_factor, normal_draws

Array = NDArray[np.float64]

# The tails of a 95 per cent interval hold 2.5 per cent each; a thousand draws give 25 in each.
INTERVAL_DRAWS = 1000
# Colours whose intervals are drawn at once: a thousand draws of each would otherwise fill the memory.
AT_ONCE = 64
# The step, in Lab units, over which the local scale of dE00 is taken.
STEP = 0.05


def lch_differences(before: ArrayLike, after: ArrayLike) -> Array:
    """Return dL*, dC*ab and dH*ab (n, 3) of colours (n, 3), after less before.

    dH is the metric hue difference (CIE 15:2018, 8.2.2.1), positive where the hue angle grows.
    """
    one, two = (np.asarray(lab, dtype=float) for lab in (before, after))
    c_1, c_2 = (np.hypot(lab[..., 1], lab[..., 2]) for lab in (one, two))
    product = one[..., 1] * two[..., 2] - two[..., 1] * one[..., 2]
    inner = one[..., 1] * two[..., 1] + one[..., 2] * two[..., 2]
    # Twice the square root of C C times the sine of half the turn, with the sign of the turn. For small turns the plain
    # difference would be lost in rounding, and the same number comes of the sine of the whole turn.
    both = c_1 * c_2 + inner
    small = product**2 / np.where(both > 0, both, 1.0)
    size = np.sqrt(2.0 * np.where(inner > 0, small, np.maximum(c_1 * c_2 - inner, 0.0)))
    return np.stack([two[..., 0] - one[..., 0], c_2 - c_1, np.where(product < 0, -size, size)], axis=-1)


def local_scale(lab: ArrayLike) -> Array:
    """Return (n, 3, 3) the symmetric G at colours (n, 3) for which dE00 of a small step d is sqrt(d G d)."""
    lab = np.atleast_2d(np.asarray(lab, dtype=float))
    steps = STEP * np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [1, 0, 1], [0, 1, 1]], dtype=float)
    squares = delta_e_2000(lab[:, None] + steps / 2, lab[:, None] - steps / 2) ** 2 / STEP**2
    g = np.zeros((len(lab), 3, 3))
    for i in range(3):
        g[:, i, i] = squares[:, i]
    for k, (i, j) in enumerate(((0, 1), (0, 2), (1, 2)), start=3):
        g[:, i, j] = g[:, j, i] = (squares[:, k] - squares[:, i] - squares[:, j]) / 2
    # Noise of the differences may leave a tiny negative length.
    values, vectors = np.linalg.eigh(g)
    return np.asarray(np.einsum("nij,nj,nkj->nik", vectors, np.maximum(values, 1e-6), vectors))


def interval(
    one: ArrayLike, two: ArrayLike, covariance: ArrayLike, freedom: ArrayLike = 0, share: float = 0.95
) -> tuple[Array, Array, Array]:
    """Return dE00 (n,) of colours one and two (n, 3), and the lower and upper ends (n,) of its interval.

    covariance: (n, 3, 3) of two less one, in Lab units. freedom: (n,) or one for all, degrees of freedom behind it, 0 where it is
    taken as known. share: how much of the doubt the interval holds.
    """
    one, two = (np.atleast_2d(np.asarray(lab, dtype=float)) for lab in (one, two))
    one, two = np.broadcast_arrays(one, two)
    seen = delta_e_2000(one, two)
    # Student's factor makes the tail as wide as that of a scatter known from few repeats.
    wider = coverage_factor(freedom, share) / coverage_factor(0, share)
    root = _root(np.asarray(covariance, dtype=float)) * np.reshape(
        np.broadcast_to(wider, len(one)), (-1, 1, 1)
    )
    z = normal_draws(INTERVAL_DRAWS, 3)
    tail = (1.0 - share) / 2
    low, high = np.empty(len(one)), np.empty(len(one))
    for start in range(0, len(one), AT_ONCE):
        at = slice(start, start + AT_ONCE)
        noise = np.einsum("nij,kj->nki", root[at], z)
        drawn = delta_e_2000(one[at, None], two[at, None] + noise)
        high[at] = np.maximum(np.quantile(drawn, 1.0 - tail, axis=1), seen[at])
        low[at] = _least(one[at], two[at], seen[at], noise, tail)
    return seen, low, high


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :])


def _least(one: Array, two: Array, seen: Array, noise: Array, tail: float) -> Array:
    """Return the smallest true differences (n,) that read as large as seen (n,) or larger in a share tail of readings.

    In the local scale of dE00 a true difference t along the one that is seen reads |t u + e| with noise e, so each draw of e
    has a t from which on it reads that large.
    """
    scale = _root(local_scale((one + two) / 2))
    away = np.einsum("nji,nj->ni", scale, two - one)
    length = np.linalg.norm(away, axis=1)
    u = away / np.maximum(length, 1e-12)[:, None]
    e = np.einsum("nji,nkj->nki", scale, noise)
    along = np.einsum("nki,ni->nk", e, u)
    inside = along**2 - np.sum(e**2, axis=2) + (seen**2)[:, None]
    # Where the noise alone is longer, any true difference reads that large.
    enough = np.where(inside > 0, np.sqrt(np.maximum(inside, 0.0)) - along, 0.0)
    enough = np.where(np.sum(e**2, axis=2) >= (seen**2)[:, None], 0.0, enough)
    return np.asarray(np.clip(np.quantile(enough, tail, axis=1), 0.0, seen))
