"""A step from one pen to the next lighter one, in one number of coats: how far up, across and round it goes.

What shades is the step in lightness. Besides it a step may change in chroma and turn in hue, and both are weighed as CIE94 weighs
them (CIE 116-1995), because a strong colour's chroma and hue may move more before the eye minds: chroma by 1 + 0.045 C, hue by 1 + 0.015 C,
with C the geometric mean of both chromas. Both count half beside lightness, which carries the form (common practice). The squares of such
steps add up, which is what lets the best set be found and not only a good one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.answers.between import steps_between
from calib.answers.blending.evenness import Spread, unevenness
from calib.answers.doubles.groups import JUST_PERCEPTIBLE, USUALLY_ACCEPTED
from calib.answers.doubles.pens import Pen
from calib.colour.difference import lch_differences

Array = NDArray[np.float64]

# CIE 116-1995.
CHROMA_WEIGHT, HUE_WEIGHT = 0.045, 0.015
# CIE94's parametric factors k_C and k_H, k_L being 1: lightness counts double (common practice puts it first; how much is our own choice. Measured on
# sets of one hue out of 60 invented inks: 1 leaves the steps in L* 40 per cent uneven and turns up to 26 degrees, 2 31 and 37, 3.2 24 and 49).
ACROSS_FACTOR = 2.0
# Less than this in L* in any number of coats is no step, and would let two near doubles stand apart in a set: dE00 divides a step in L* by
# 1.75 at most (Sharma, Wu and Dalal 2005, eq. 15), so two such steps are 2.3 dE00 (invented, and chosen for that).
LEAST_STEP = 2.0
# From here on a seam is likely to show where two pens meet (invented: a quarter of the way from black to white).
WIDE_STEP = 25.0
# A step that turns further than this looks like another colour and not like shade (invented: a twelfth of the circle).
FAR_TURN = 30.0


@dataclass(frozen=True)
class Step:
    """From a pen to the next lighter one.

    dL, dC: in L* and chroma, lighter less darker. turn: degrees of hue, None where one of both is too grey to have one. across: what changes beside lightness, as CIE94 weighs it. dE00, low, high: with its 95 per cent interval.
    """

    dL: float
    dC: float
    turn: float | None
    across: float
    dE00: float
    low: float
    high: float

    @property
    def verdict(self) -> str:
        """'unseen', 'backwards', 'small', 'wide', 'turning' or 'good'."""
        if self.high < JUST_PERCEPTIBLE:
            return "unseen"
        if self.dL < 0:
            return "backwards"
        if self.dE00 <= USUALLY_ACCEPTED or self.dL < LEAST_STEP:
            return "small"
        if self.dL > WIDE_STEP:
            return "wide"
        turns = self.turn is not None and abs(self.turn) > FAR_TURN
        return "turning" if turns and self.across > JUST_PERCEPTIBLE else "good"


@dataclass(frozen=True, eq=False)
class Run:
    """A set in one number of coats: lab (m, 3), the steps between (m - 1), and how uneven their dL are."""

    lab: Array
    steps: tuple[Step, ...]
    uneven: Spread

    @property
    def span(self) -> float:
        """From the darkest to the lightest, in L*."""
        return float(np.ptp(self.lab[:, 0]))


@dataclass(frozen=True, eq=False)
class Blend:
    """Pens from dark to light, in each number of coats that is asked for.

    miss: root mean square over coats and steps of how far a step is from an even one straight up (see ``squared_miss``), in L*.
    """

    pens: tuple[Pen, ...]
    runs: dict[int, Run]
    miss: float

    @property
    def markers(self) -> tuple[str, ...]:
        """The ids, dark first."""
        return tuple(pen.marker for pen in self.pens)

    @property
    def share(self) -> float:
        """The miss over the even step; 0 is a set that climbs evenly and straight up."""
        even = np.sqrt(np.mean([(run.span / len(run.steps)) ** 2 for run in self.runs.values()]))
        return self.miss / max(float(even), LEAST_STEP)

    @property
    def widest(self) -> int:
        """Which step is the widest in L*, in the mean over coats."""
        return int(
            np.argmax(np.mean([[step.dL for step in run.steps] for run in self.runs.values()], axis=0))
        )


def lab_of(pens: Sequence[Pen], coats: Sequence[int]) -> Array:
    """Return (k, n, 3) Lab of n pens in k numbers of coats, all of which each pen has."""
    return np.array([[pen.coats[n].film.lab for pen in pens] for n in coats]).reshape(
        len(coats), len(pens), 3
    )


def covariance_of(pens: Sequence[Pen], coats: Sequence[int]) -> Array:
    """Return (k, n, 3, 3) the covariance of their Lab."""
    found = [[pen.coats[n].film.covariance for pen in pens] for n in coats]
    return np.array(found).reshape(len(coats), len(pens), 3, 3)


def step_parts(dark: ArrayLike, light: ArrayLike) -> Array:
    """Return (..., 3) of steps between colours (..., 3) dL*, and what their changes in chroma and in hue count beside it."""
    one, two = np.asarray(dark, dtype=float), np.asarray(light, dtype=float)
    parts = lch_differences(one, two)
    chroma = np.sqrt(np.hypot(one[..., 1], one[..., 2]) * np.hypot(two[..., 1], two[..., 2]))
    k = ACROSS_FACTOR
    weights = np.stack(
        [np.ones_like(chroma), k * (1.0 + CHROMA_WEIGHT * chroma), k * (1.0 + HUE_WEIGHT * chroma)], axis=-1
    )
    return np.asarray(parts / weights)


def squared_miss(lab: ArrayLike) -> Array:
    """Return (...) the mean square over coats and steps of how far steps miss an even one straight up, in L* squared.

    lab: (..., k, m, 3) of m pens, dark first, in k numbers of coats. The even step of a number of coats is the set's own span there
    divided by its steps, in lightness alone; any change in chroma and hue counts as missed, by half. With the ends fixed the
    mean even step is a constant, so what a step adds depends on its own two pens only.
    """
    lab = np.asarray(lab, dtype=float)
    parts = step_parts(lab[..., :-1, :], lab[..., 1:, :])
    even = parts[..., 0].mean(axis=-1)
    return np.asarray((np.sum(parts**2, axis=-1).mean(axis=-1) - even**2).mean(axis=-1))


def blend_of(pens: Sequence[Pen], coats: Sequence[int]) -> Blend:
    """Return pens, dark first and two at least, as a set in these numbers of coats, all of which each pen has."""
    lab = lab_of(pens, coats)
    runs = {}
    for k, n in enumerate(coats):
        taken = [pen.coats[n] for pen in pens]
        across = ACROSS_FACTOR * np.hypot(*np.moveaxis(step_parts(lab[k, :-1], lab[k, 1:])[:, 1:], -1, 0))
        found = steps_between(list(pairwise(taken)))
        steps = tuple(
            Step(one.dL, one.dC, one.turn, float(far), one.dE00, one.low, one.high)
            for one, far in zip(found, across, strict=True)
        )
        u_L = np.sqrt([one.film.covariance[0, 0] for one in taken])
        runs[n] = Run(lab[k], steps, unevenness(lab[k, :, 0], u_L, min(one.freedom for one in taken)))
    return Blend(tuple(pens), runs, float(np.sqrt(max(float(squared_miss(lab)), 0.0))))
