"""Which of two doubles to keep: the pen that leaves more ink and lays it more evenly, where that is beyond doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Pen, Taken
from calib.colour.dose import LEAST_LIGHT
from calib.colour.uncertainty import coverage_factor

Array = NDArray[np.float64]

# One swatch of a good pen differs from the next by about a tenth of its mottle (measured on simulated swatches), so a third is no chance;
# and less than two hundredths nobody sees (from memory).
UNEVEN_SHARE, UNEVEN_LEAST = 0.3, 0.02
# Three hundredths of the cell left white are more than a stroke that missed the edge (common sense).
COVERAGE_LEAST = 0.03
# A good hand lays 2 or 3 per cent more or less from swatch to swatch, so a pen that leaves so little more is none the better for it.
INK_LEAST = 0.03
STEPS, SMALL_STEP = 8, 1e-4


@dataclass(frozen=True)
class Keep:
    """Which pen of a group to keep.

    marker, name: the pen's, None where there is nothing to choose. more_ink: its ink over the next best's less 1, with
    the ends of its 95 per cent interval; None where no dose could be read. reasons: words, such as 'evener'.
    """

    marker: str | None
    name: str
    more_ink: tuple[float, float, float] | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Merits:
    """What pens (n,) of a group are worth: logarithm of the amount of ink, its doubt, mottle and coverage, NaN where unknown."""

    ink: Array
    u_ink: Array
    factor: float
    mottle: Array
    coverage: Array

    def stronger(self, i: int, j: int) -> int:
        """Return 1 where pen i surely leaves more ink than j, -1 where less, 0 where that is in doubt."""
        d = self.ink[i] - self.ink[j]
        clear = max(INK_LEAST, self.factor * math.hypot(self.u_ink[i], self.u_ink[j]))
        return int(np.sign(d)) if abs(d) > clear else 0

    def evener(self, i: int, j: int) -> int:
        """Return 1 where pen i is clearly less mottled than j, -1 where more."""
        d = self.mottle[j] - self.mottle[i]
        clear = max(UNEVEN_LEAST, UNEVEN_SHARE * min(self.mottle[i], self.mottle[j]))
        return int(np.sign(d)) if abs(d) > clear else 0

    def fuller(self, i: int, j: int) -> int:
        """Return 1 where pen i clearly covers more of its cells than j, -1 where less."""
        d = self.coverage[i] - self.coverage[j]
        return int(np.sign(d)) if abs(d) > COVERAGE_LEAST else 0

    def better(self, i: int, j: int) -> int:
        """Return 1 where pen i is the better one by all that tell them apart, -1 where j is, 0 where nothing or all is said."""
        said = {self.stronger(i, j), self.evener(i, j), self.fuller(i, j)} - {0}
        return said.pop() if len(said) == 1 else 0


def keep_of(pens: Sequence[Pen], representative: int) -> Keep:
    """Return which pen of a group to keep; amounts of ink are along the dose curve of the representative.

    The one to keep is the only one that none of the others is better than. Where two merits disagree there is none.
    """
    merits = _merits(pens, representative)
    n = len(pens)
    unbeaten = [i for i in range(n) if not any(merits.better(j, i) > 0 for j in range(n) if j != i)]
    if len(unbeaten) != 1:
        return Keep(None, "", None, ())
    (best,) = unbeaten
    others = [j for j in range(n) if j != best]
    # Against the one that comes nearest in ink, the reasons are the weakest that can be claimed.
    rival = max(others, key=lambda j: (np.nan_to_num(merits.ink[j], nan=-np.inf), -j))
    reasons = [
        word
        for word, clear in (
            ("evener", all(merits.evener(best, j) > 0 for j in others)),
            ("covers better", all(merits.fuller(best, j) > 0 for j in others)),
        )
        if clear
    ]
    more = None
    if merits.stronger(best, rival) > 0:
        d = merits.ink[best] - merits.ink[rival]
        u = merits.factor * np.hypot(merits.u_ink[best], merits.u_ink[rival])
        low, mid, high = np.expm1([d - u, d, d + u])
        more = float(mid), float(low), float(high)
    return Keep(pens[best].marker, pens[best].name, more, tuple(reasons))


def _merits(pens: Sequence[Pen], representative: int) -> _Merits:
    coats = sorted(set.intersection(*(set(pen.coats) for pen in pens)))
    nothing = np.full(len(pens), np.nan)
    if not coats:
        return _Merits(nothing, nothing, 1.0, nothing, nothing)
    taken = [[pen.coats[n] for n in coats] for pen in pens]
    found = np.array(
        [[_ink(*both) for both in zip(own, taken[representative], strict=True)] for own in taken]
    )
    # A coat that is as good as the paper tells no amounts.
    found = found[:, np.isfinite(found).all(axis=(0, 2))]
    ink, variance = found[..., 0], found[..., 1]
    # Each coat's word counts by its doubt, and by the same weight for every pen, or pens would not be compared alike.
    weight = 1.0 / variance.mean(axis=0)
    weight = weight / weight.sum() if len(weight) else weight
    freedom = [one.freedom for own in taken for one in own if one.freedom]
    factor = _factor(min(freedom, default=0))
    return _Merits(
        ink @ weight if len(weight) else nothing,
        np.sqrt(variance @ weight**2),
        factor,
        _mean(taken, "mottle"),
        _mean(taken, "coverage"),
    )


@cache
def _factor(freedom: int) -> float:
    return float(coverage_factor(freedom))


def _mean(taken: Sequence[Sequence[Taken]], column: str) -> Array:
    """Return the mean (n,) over coats of a column, NaN where a row does not know it."""
    values = [[getattr(one.film.reading, column) for one in own] for own in taken]
    known = np.array([[np.nan if v is None else v for v in own] for own in values], dtype=float)
    return np.asarray(known.mean(axis=1))


def _ink(taken: Taken, reference: Taken) -> tuple[float, float]:
    """Return the logarithm of a film's amount of ink over the reference's, and its variance from this film's doubt.

    The amount is the one whose light on the reference's dose curve lies nearest (Gauss-Newton steps).
    """
    film, own = taken.film, reference.film
    # Each film is seen against its own sheet, so that a paper's drift between two sessions is no ink.
    sheet = np.maximum(reference.films.paper, LEAST_LIGHT) / np.maximum(taken.films.paper, LEAST_LIGHT)
    power = float(own.along @ own.along)
    variance = max(float(own.along @ film.covariance @ own.along) / max(power, 1e-12) ** 2, 1e-12)
    if film is own:
        return 0.0, variance
    wanted = film.linear * sheet + own.curve.light(own.amount)[0] - own.linear
    amount = own.amount
    for _ in range(STEPS):
        slope = own.curve.slope(amount)[0]
        power = float(slope @ slope)
        if power < 1e-12:
            return np.nan, np.inf
        step = float(slope @ (wanted - own.curve.light(amount)[0])) / power
        amount *= math.exp(min(max(step, -0.5), 0.5))
        if abs(step) < SMALL_STEP:
            break
    return float(np.log(amount / own.amount)), variance
