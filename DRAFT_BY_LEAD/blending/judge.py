"""A set of pens judged as a blend from dark to light, and what would mend it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.answers.between import Step, steps_between
from calib.answers.blending.cost import field_of, unevenness
from calib.answers.doubles.groups import USUALLY_ACCEPTED
from calib.answers.doubles.pens import Pen
from calib.answers.shelf import Shelf
from calib.errors import ImpossibleError

# From the darkest to the lightest of a blend: with less a form looks flat (common practice; the figure is our own choice).
CONTRAST = 30.0
# A step wider than this in L* is hard to soften on paper (common practice: neighbouring tones; the figure is our own choice).
WIDE_L = 20.0
# Besides, a step that is so many times the even one is a gap.
GAP = 1.6
# A turn of hue that people notice in a blend (our own choice).
TURN = 25.0


@dataclass(frozen=True, eq=False)
class Judged:
    """A set in one number of coats, dark to light.

    steps: from each pen to the next. contrast: L* from the darkest to the lightest, u_contrast its standard uncertainty. widest: which
    step is the widest in L*. uneven: see cost.unevenness. words: a verdict on each step.
    """

    layers: int
    pens: tuple[Pen, ...]
    steps: tuple[Step, ...]
    contrast: float
    u_contrast: float
    widest: int
    uneven: float
    words: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Mending:
    """A pen to add: where ('darker', 'lighter' or 'between'), after which of the set (None at the dark end), and why."""

    where: str
    after: Pen | None
    pen: Pen
    why: str


@dataclass(frozen=True, eq=False)
class Judgement:
    """The whole: the set in each number of coats, whether it was given from dark to light, and pens that would mend it."""

    judged: tuple[Judged, ...]
    in_order: bool
    wanted: float
    mendings: tuple[Mending, ...]


def judge(shelf: Shelf, pens: Sequence[Pen], contrast: float = CONTRAST) -> Judgement:
    """Judge a set of two pens or more in every number of coats that all of them have.

    contrast: the L* wanted from the darkest to the lightest. Raises ImpossibleError for fewer than two pens, one twice, or none in common.
    """
    if len(pens) < 2:
        raise ImpossibleError("a blend needs two pens or more", "Name them dark to light, or use --between.")
    twice = sorted({pen.marker for pen in pens if list(pens).count(pen) > 1})
    if twice:
        raise ImpossibleError(f"{', '.join(twice)} is named twice", "Name each pen once.")
    coats = [n for n in (1, 2) if all(n in pen.coats for pen in pens)]
    if not coats:
        raise ImpossibleError("these pens were not all measured in the same number of coats", "Leave one out.")
    first = sorted(pens, key=lambda pen: float(pen.coats[coats[0]].film.lab[0]))
    judged = tuple(judge_coat(first, n) for n in coats)
    return Judgement(judged, list(pens) == first, contrast, tuple(_mendings(shelf, judged[0], contrast)))


def judge_coat(pens: Sequence[Pen], layers: int) -> Judged:
    """Judge pens, given from dark to light, in one number of coats."""
    taken = [pen.coats[layers] for pen in pens]
    steps = tuple(steps_between(list(zip(taken, taken[1:], strict=False))))
    lab = np.array([one.film.lab for one in taken])
    ends = taken[0].film.covariance[0, 0] + taken[-1].film.covariance[0, 0]
    contrast = float(lab[-1, 0] - lab[0, 0])
    even = contrast / len(steps)
    return Judged(
        layers,
        tuple(pens),
        steps,
        contrast,
        float(np.sqrt(ends)),
        int(np.argmax([step.dL for step in steps])),
        unevenness(lab[None]),
        tuple(_verdict(step, even) for step in steps),
    )


def _verdict(step: Step, even: float) -> str:
    if step.high < USUALLY_ACCEPTED:
        return "no step to the eye"
    if step.dL <= 0:
        return "not lighter"
    if step.dE00 < USUALLY_ACCEPTED:
        return "hardly a step"
    if step.dL > WIDE_L or (even > 0 and step.dL > GAP * even and step.dL > WIDE_L / 2):
        return "wide"
    if step.turn is not None and abs(step.turn) > TURN:
        return "turns"
    return "good"


def _mendings(shelf: Shelf, judged: Judged, contrast: float) -> list[Mending]:
    """Return a pen for the widest step where it is wide, and one at either end where the set does not span the contrast."""
    found: list[Mending] = []
    if judged.words[judged.widest] == "wide":
        dark, light = judged.pens[judged.widest], judged.pens[judged.widest + 1]
        pen = _fill(shelf, judged, dark, light)
        if pen is not None:
            found.append(Mending("between", dark, pen, f"halves the step of {judged.steps[judged.widest].dL:.0f} L"))
    if judged.contrast < contrast:
        short = f"the set spans {judged.contrast:.0f} L of the {contrast:g} wanted"
        for where in ("darker", "lighter"):
            pen = _further(shelf, judged, where, contrast - judged.contrast)
            if pen is not None:
                found.append(Mending(where, None if where == "darker" else judged.pens[-1], pen, short))
    return found


def _fill(shelf: Shelf, judged: Judged, dark: Pen, light: Pen) -> Pen | None:
    """Return the pen that makes the two steps between two pens evenest, None where none lies between."""
    n = judged.layers
    others = [pen for pen in shelf.offered if pen not in judged.pens and n in pen.coats]
    field = field_of([dark, *others, light], [n])
    cost = np.where(field.may[0] & field.may[:, -1], field.square[0] + field.square[:, -1], np.inf)
    best = int(np.argmin(cost))
    # A pen that lies far aside makes the way longer than the step itself.
    return field.pens[best] if cost[best] < field.square[0, -1] else None


def _further(shelf: Shelf, judged: Judged, where: str, missing: float) -> Pen | None:
    """Return the pen that goes on best from the dark or the light end: as far as is missing, in the set's own direction, None where none does."""
    n = judged.layers
    end, sign = (judged.pens[0], -1.0) if where == "darker" else (judged.pens[-1], 1.0)
    lab = end.coats[n].film.lab
    along = judged.pens[-1].coats[n].film.lab - judged.pens[0].coats[n].film.lab
    aim = lab + sign * along * (missing / max(float(along[0]), 1.0)) * min(1.0, 1.0)
    best, least = None, np.inf
    for pen in shelf.offered:
        if pen in judged.pens or n not in pen.coats:
            continue
        own = pen.coats[n].film.lab
        if sign * (own[0] - lab[0]) < max(2.0, missing / 3):
            continue
        # Twice as far beyond the aim is as bad as not reaching it; hue and chroma count half, as in the cost of a set.
        off = float(np.hypot(own[0] - aim[0], 0.5 * np.hypot(own[1] - aim[1], own[2] - aim[2])))
        if off < least:
            best, least = pen, off
    return best if least <= max(15.0, missing) else None
