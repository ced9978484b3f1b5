"""Pairs of pens: how far apart they are in every coat that both have, and how sure that is.

CIEDE2000 is dear to compute and most pairs of a drawer are far apart, so a bound from below that costs a few
multiplications rules these out first. It is a bound and no estimate, so that no near pair is ever missed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Pen
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import interval, local_scale
from calib.colour.uncertainty import coverage_factor, joint_freedom

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

# Of three independent normal errors 97.5 in 100 are no longer together than this (chi squared, 3 degrees of freedom).
LONGEST_NOISE = 3.06
# Where doubts are so large that nearly all pairs could be near, the nearest of so many are looked at.
MOST_PAIRS = 300_000
# Rows taken at once, so that what is computed stays in the processor's cache.
ROWS = 64
# Pairs whose intervals are drawn at once.
DRAWN = 100


@dataclass(frozen=True, eq=False)
class Coat:
    """One coat of all pens, NaN where a pen has none.

    lab: (n, 3). covariance: (n, 3, 3). session: (n,) which one each was read in, -1 for none. freedom: (n,) behind the doubt.
    scale: (n, 3, 3) dE00 of a small step. noise: (n,) the largest standard deviation in any direction, in dE00.
    """

    lab: Array
    covariance: Array
    session: Ints
    freedom: Array
    scale: Array
    noise: Array


Coats = dict[int, Coat]


def coats_of(pens: Sequence[Pen]) -> Coats:
    """Return the coats of pens (n,) as arrays."""
    return {layers: _coat(pens, layers) for layers in (1, 2) if any(layers in pen.coats for pen in pens)}


def _coat(pens: Sequence[Pen], layers: int) -> Coat:
    n = len(pens)
    own = [(i, pen.coats[layers]) for i, pen in enumerate(pens) if layers in pen.coats]
    at = np.array([i for i, _ in own])
    lab, covariance, scale = np.full((n, 3), np.nan), np.full((n, 3, 3), np.nan), np.full((n, 3, 3), np.nan)
    session, freedom, noise = np.full(n, -1), np.zeros(n), np.full(n, np.nan)
    lab[at] = [taken.film.lab for _, taken in own]
    covariance[at] = [taken.film.covariance for _, taken in own]
    session[at] = [taken.number for _, taken in own]
    freedom[at] = [taken.freedom for _, taken in own]
    scale[at] = local_scale(lab[at])
    noise[at] = np.sqrt(np.linalg.eigvals(scale[at] @ covariance[at]).real.max(axis=1).clip(0.0))
    return Coat(lab, covariance, session, freedom, scale, noise)


def least_difference(one: Array, two: Array) -> Array:
    """Return a bound (...) that dE00 of colours (..., 3) never falls below (Sharma, Wu, Dalal 2005, eq. 2 to 22).

    With x and y the chroma and hue terms, dE00 squared is the lightness term squared plus x x + y y + R_T x y, no less than
    (1 - |R_T| / 2)(x x + y y). Chroma C' is no larger than 1.5 C, steps in a', b' no smaller than in a, b, S_H never above S_C
    (T is at most 1.93), and |R_T| at most sin 60 degrees times R_C.
    """
    middle = (one[..., 0] + two[..., 0]) / 2 - 50.0
    square = middle * middle
    s_l = 1.0 + 0.015 * square / np.sqrt(20.0 + square)
    c = 0.75 * (np.hypot(one[..., 1], one[..., 2]) + np.hypot(two[..., 1], two[..., 2]))
    c_7 = c * c * c * c * c * c * c
    turn = 1.0 - np.sin(np.pi / 3) * np.sqrt(c_7 / (c_7 + 25.0**7))
    s_c = 1.0 + 0.045 * c
    step = (one - two) ** 2
    return np.asarray(np.sqrt(step[..., 0] / s_l**2 + turn * (step[..., 1] + step[..., 2]) / s_c**2))


def distances(coats: Coats, i: Ints, j: Ints) -> Array:
    """Return (m,) the largest dE00 over the coats that pens i and j (m,) both have; infinite where there is none."""
    found = np.full(len(i), -np.inf)
    for coat in coats.values():
        both = np.flatnonzero((coat.session[i] >= 0) & (coat.session[j] >= 0))
        for at in np.array_split(both, max(1, len(both) // 4000)):
            found[at] = np.maximum(found[at], delta_e_2000(coat.lab[i[at]], coat.lab[j[at]]))
    return np.where(np.isneginf(found), np.inf, found)


def close_pairs(coats: Coats, within: float) -> tuple[Ints, Ints, Array]:
    """Return pairs i < j (m,) with their distances (m,), every pair within the limit or which doubt could bring there.

    within: the limit in dE00. Pairs far beyond it come along; pairs out of reach do not.
    """
    found = list(_blocks(coats, within))
    i, j, spare = (np.concatenate(part) for part in zip(*found, strict=True))
    if len(i) > MOST_PAIRS:
        # Those within the limit by the bound have no spare and come first.
        keep = np.sort(np.argsort(spare, kind="stable")[: max(MOST_PAIRS, int((spare <= 0).sum()))])
        i, j = i[keep], j[keep]
    d = distances(coats, i, j)
    real = np.isfinite(d)
    return i[real], j[real], d[real]


def _blocks(coats: Coats, within: float) -> Iterator[tuple[Ints, Ints, Array]]:
    """Yield pairs that may be within reach, and by how much their bound is beyond the limit."""
    n = len(next(iter(coats.values())).lab)
    for start in range(0, n, ROWS):
        rows = slice(start, min(start + ROWS, n))
        bound = np.full((rows.stop - start, n - start), -np.inf)
        inside = np.ones_like(bound, dtype=bool)
        for coat in coats.values():
            least = least_difference(coat.lab[rows, None], coat.lab[None, start:])
            noise = np.hypot(coat.noise[rows, None], coat.noise[None, start:])
            # Comparisons with NaN are false: a coat that one of the two lacks rules nothing out.
            inside &= ~(least > within + reach(coat.freedom) * noise)
            bound = np.fmax(bound, least)
        i, j = np.nonzero(inside & (np.arange(n - start) > np.arange(rows.stop - start)[:, None]))
        yield i + start, j + start, np.maximum(bound[i, j] - within, 0.0)


def reach(freedom: Array) -> float:
    """Return how many standard deviations away noise may be seen, for the least known doubt of all."""
    known = freedom[freedom > 0]
    factor = coverage_factor(known.min()) / coverage_factor(0) if len(known) else 1.0
    return LONGEST_NOISE * float(factor)


def nearest(coats: Coats, rows: Ints, among: Ints) -> tuple[Ints, Array]:
    """Return for each of rows (k,) the nearest pen of among (m,) and its distance; infinite where nothing can be compared."""
    best, distance = np.full(len(rows), -1), np.full(len(rows), np.inf)
    for k, row in enumerate(rows):
        bound = np.full(len(among), -np.inf)
        for coat in coats.values():
            bound = np.fmax(bound, least_difference(coat.lab[row], coat.lab[among]))
        order = np.argsort(bound, kind="stable")
        order = order[np.isfinite(bound[order])]
        for at in np.array_split(order, max(1, len(order) // 50)):
            if not len(at) or bound[at[0]] > distance[k]:
                break
            d = distances(coats, np.full(len(at), row), among[at])
            if d.min() < distance[k]:
                best[k], distance[k] = among[at[np.argmin(d)]], d.min()
    return best, distance


@dataclass(frozen=True, eq=False)
class Differences:
    """dE00 of pairs, coat by coat: seen, low and high are (m, 2) for one coat and two, NaN where not both have it.

    What holds for the pair in every coat is the largest of each, in distance, least and most (m,).
    """

    seen: Array
    low: Array
    high: Array

    @property
    def distance(self) -> Array:
        """The largest dE00 (m,)."""
        return np.asarray(np.nanmax(self.seen, axis=1)) if len(self.seen) else np.zeros(0)

    @property
    def least(self) -> Array:
        """The lower end (m,) of the interval of the largest."""
        return np.asarray(np.nanmax(self.low, axis=1)) if len(self.low) else np.zeros(0)

    @property
    def most(self) -> Array:
        """The upper end (m,) of the interval of the largest."""
        return np.asarray(np.nanmax(self.high, axis=1)) if len(self.high) else np.zeros(0)


def differences(coats: Coats, i: Ints, j: Ints) -> Differences:
    """Return dE00 with its 95 per cent interval of pens i and j (m,), which have a coat in common."""
    seen, low, high = (np.full((len(i), 2), np.nan) for _ in range(3))
    for layers, coat in coats.items():
        both = np.flatnonzero((coat.session[i] >= 0) & (coat.session[j] >= 0))
        for start in range(0, len(both), DRAWN):
            at = both[start : start + DRAWN]
            one, two = i[at], j[at]
            ends = interval(
                coat.lab[one],
                coat.lab[two],
                coat.covariance[one] + coat.covariance[two],
                _freedom(coat, one, two),
            )
            seen[at, layers - 1], low[at, layers - 1], high[at, layers - 1] = ends
    return Differences(seen, low, high)


def _freedom(coat: Coat, i: Ints, j: Ints) -> Array:
    """Return the degrees of freedom (m,) of differences: rows of one session rest on one and the same scatter."""
    u = np.sqrt(np.trace(coat.covariance, axis1=1, axis2=2))
    each = np.stack([coat.freedom[i], coat.freedom[j]])
    joint = np.zeros(len(i))
    for both in np.unique(each, axis=1).T:
        at = np.flatnonzero((each == both[:, None]).all(axis=0))
        joint[at] = joint_freedom(np.stack([u[i[at]], u[j[at]]]), both)
    return np.where(coat.session[i] == coat.session[j], each.min(axis=0), joint)


def rough_ends(coats: Coats, i: Ints, j: Ints, wider: float = 1.0) -> tuple[Array, Array]:
    """Return (m,) and (m,) roughly the ends of the pairs' intervals, from the doubt along each difference.

    wider: by what the doubt is multiplied. Thousands of pairs take no time here, so that only those close to a limit need draws.
    """
    low, high = np.zeros(len(i)), np.zeros(len(i))
    for coat in coats.values():
        both = np.flatnonzero((coat.session[i] >= 0) & (coat.session[j] >= 0))
        for at in np.array_split(both, max(1, len(both) // 4000)):
            one, two = i[at], j[at]
            step = coat.lab[two] - coat.lab[one]
            scale = (coat.scale[one] + coat.scale[two]) / 2
            covariance = coat.covariance[one] + coat.covariance[two]
            way = np.einsum("nij,nj->ni", scale, step)
            length = np.sqrt(np.maximum(np.einsum("ni,ni->n", way, step), 1e-12))
            power = (wider * coverage_factor(np.minimum(coat.freedom[one], coat.freedom[two]))) ** 2
            along = power * np.einsum("ni,nij,nj->n", way, covariance, way) / length**2
            # Noise across the difference makes it longer too, the more so the shorter it is.
            across = np.maximum(power * np.einsum("nij,nji->n", scale, covariance) - along, 0.0)
            d = delta_e_2000(coat.lab[one], coat.lab[two])
            least = np.sqrt(np.maximum(d**2 - across, 0.0)) - np.sqrt(along)
            most = np.hypot(d + np.sqrt(along), np.sqrt(across))
            low[at], high[at] = np.maximum(low[at], least), np.maximum(high[at], most)
    return low, high
