"""Ladders of greys: pens of one cast that step evenly from dark to light, found exactly."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from calib.answers.greys.casts import Grey

Array = NDArray[np.float64]

RUNGS = (3, 4, 5)
# A rung narrower than this is hardly a step, and a ladder shorter than that carries no form (our own choice).
LEAST_RUNG, LEAST_SPAN = 6.0, 24.0
# The casts of one ladder are no further apart than this in a*b* (our own choice: twice what has a word).
ONE_CAST = 3.0
# A ladder's rungs may be off the even one by so much of it, in the root of the mean square.
UNEVEN = 0.35


@dataclass(frozen=True, eq=False)
class Ladder:
    """Greys from dark to light in one number of coats. uneven: root of the mean square by which the rungs miss the even one, as a share of it."""

    greys: tuple[Grey, ...]
    uneven: float

    @property
    def span(self) -> float:
        """L* from the darkest to the lightest."""
        return float(self.greys[-1].lab[0] - self.greys[0].lab[0])


def ladders_of(greys: Sequence[Grey]) -> tuple[Ladder, ...]:
    """Return the evenest ladder of three, four and five rungs in each number of coats, as far as there is one, the longest first."""
    found = []
    for _, own in groupby(sorted(greys, key=lambda grey: grey.layers), key=lambda grey: grey.layers):
        rungs = sorted(own, key=lambda grey: float(grey.lab[0]))
        found += [ladder for count in RUNGS for ladder in _best(rungs, count)]
    return tuple(sorted(found, key=lambda ladder: (-len(ladder.greys), ladder.uneven)))


def _best(greys: Sequence[Grey], count: int) -> Iterator[Ladder]:
    """Yield the ladder of so many rungs that is evenest for its span, of all pairs of ends."""
    if len(greys) < count:
        return
    L = np.array([grey.lab[0] for grey in greys])
    cast = np.array([grey.cast for grey in greys])
    apart = np.hypot(*(cast[:, None] - cast[None, :]).transpose(2, 0, 1))
    step = L[None, :] - L[:, None]
    best: tuple[float, list[int]] | None = None
    for dark in range(len(greys)):
        for light in range(dark + 1, len(greys)):
            span = L[light] - L[dark]
            if span < LEAST_SPAN or apart[dark, light] > ONE_CAST:
                continue
            one = np.flatnonzero((apart[dark] <= ONE_CAST) & (apart[light] <= ONE_CAST))
            path = _path(one, step, count, dark, light, span / (count - 1))
            if path is None:
                continue
            uneven = float(
                np.sqrt(np.mean((np.diff(L[path]) - span / (count - 1)) ** 2)) / (span / (count - 1))
            )
            # Of two about equally even ones the longer is worth more.
            score = uneven - span / 200
            if uneven <= UNEVEN and (best is None or score < best[0]):
                best = score, path
    if best is not None:
        at = best[1]
        rungs = np.diff(L[at])
        even = rungs.mean()
        yield Ladder(tuple(greys[i] for i in at), float(np.sqrt(np.mean((rungs - even) ** 2)) / even))


def _path(
    one: NDArray[np.intp], step: Array, count: int, dark: int, light: int, even: float
) -> list[int] | None:
    """Return the path of so many rungs between two ends whose steps miss the even one least, None where there is none (Bellman's recursion)."""
    part = step[np.ix_(one, one)]
    cost = np.where(part >= LEAST_RUNG, (part - even) ** 2, np.inf)
    start, end = int(np.flatnonzero(one == dark)[0]), int(np.flatnonzero(one == light)[0])
    sums = np.full(len(one), np.inf)
    sums[start] = 0.0
    came = []
    for _ in range(count - 1):
        total = sums[:, None] + cost
        came.append(np.argmin(total, axis=0))
        sums = total.min(axis=0)
    if not np.isfinite(sums[end]):
        return None
    path = [end]
    for back in reversed(came):
        path.append(int(back[path[-1]]))
    return [int(one[i]) for i in path[::-1]]
