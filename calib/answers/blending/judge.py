"""Judging a set: is it in order, how even is it, does it span enough, and which pen would do it good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.blending.named import both_pens, flagged_words
from calib.answers.blending.pool import common_coats, lacking_words, may_be_proposed, near_doubles
from calib.answers.blending.steps import LEAST_STEP, Blend, blend_of, lab_of, step_parts
from calib.answers.doubles.pens import Pen
from calib.answers.shelf import Shelf
from calib.errors import ImpossibleError

Array = NDArray[np.float64]

# How many pens are named for one place.
MOST_ADDED = 2
# A pen between two others is worth adding where it misses the middle between them by less than this share of half the way; an end may miss by
# as much of the set's mean step (invented: at a half a step would be half as long again as it should be).
FITS = 0.5
# With less than this in L* above the set or below it there is no room for another end.
LEAST_END = 5.0


@dataclass(frozen=True, eq=False)
class Added:
    """A pen that could be added, and how well it goes there.

    where: 'darker', 'between' or 'lighter'. after: for one between, the darker of its neighbours. miss: root mean square of how far
    its steps are from those of the middle between its neighbours, or from the set's mean step, in L*. dL: (k, 1 or
    2) its steps in each number of coats, from dark to light. fits: whether it is worth adding.
    """

    pen: Pen
    where: str
    after: Pen | None
    miss: float
    dL: Array
    fits: bool


@dataclass(frozen=True, eq=False)
class Judgement:
    """What is to be said of a set.

    blend: it, dark first. given: the pens in the order in which they were named. sorted: whether that was dark to light. swapped: pairs whose
    order is another one in some number of coats. added: pens that could be added, the best of each place first. second: pens of the set whose two coats
    stand in the widest gap of one coat. contrast: in L*, what is wanted. barred: why pens were not thought of, by id.
    """

    shelf: Shelf
    coats: tuple[int, ...]
    given: tuple[Pen, ...]
    blend: Blend
    sorted: bool
    swapped: tuple[tuple[Pen, Pen], ...]
    added: tuple[Added, ...]
    second: tuple[Pen, ...]
    doubles: tuple[tuple[Pen, Pen], ...]
    contrast: float
    barred: dict[str, str]
    warnings: tuple[str, ...]

    def for_place(self, where: str) -> tuple[Added, ...]:
        """Return the pens for one place: 'darker', 'between' or 'lighter'."""
        return tuple(one for one in self.added if one.where == where)


def judge(shelf: Shelf, markers: Sequence[str], layers: tuple[int, ...] | None, contrast: float) -> Judgement:
    """Return the judgement of a set of pens, named in any order.

    layers: numbers of coats it is judged in, None for all in which every pen was read. contrast: in L*, what it should span. Raises ImpossibleError
    where a marker is unknown, named twice or a blender, all of them at once, where fewer than two are named, or where they have no coat in common.
    """
    pens = both_pens(shelf, markers)
    if len(pens) < 2:
        raise ImpossibleError("a set is of two markers at least", "Name its markers, the darkest first.")
    coats = common_coats(pens, layers)
    warnings = [*shelf.warnings, *flagged_words(shelf, pens)]
    warnings += lacking_words(pens, coats, layers)
    lightness = lab_of(pens, coats)[..., 0]
    # Pens that are equally light stay in the order in which they were named.
    order = np.argsort(lightness.mean(axis=0), kind="stable")
    blend = blend_of([pens[i] for i in order], coats)
    good, barred = may_be_proposed(shelf, coats)
    free = [pen for pen in good if pen.marker not in blend.markers]
    near = near_doubles(blend.pens)
    return Judgement(
        shelf,
        coats,
        pens,
        blend,
        bool(np.all(order == np.arange(len(pens)))),
        tuple(_swapped(blend)),
        (*_ends(blend, free, coats), *_between(blend, free, coats)),
        tuple(_second(blend)),
        tuple((blend.pens[int(i)], blend.pens[int(j)]) for i, j in np.argwhere(np.triu(near))),
        contrast,
        {marker: why for marker, why in barred.items() if marker not in blend.markers},
        tuple(warnings),
    )


def _swapped(blend: Blend) -> list[tuple[Pen, Pen]]:
    """Return neighbours of which the lighter one is the darker in some number of coats."""
    return [
        (blend.pens[i], blend.pens[i + 1])
        for i in range(len(blend.pens) - 1)
        if any(run.steps[i].dL < 0 for run in blend.runs.values())
    ]


def _unlike(pens: Sequence[Pen], free: Sequence[Pen]) -> list[Pen]:
    """Return those that are no near double of any pen of the set."""
    near = near_doubles([*pens, *free])[len(pens) :, : len(pens)]
    return [pen for pen, alike in zip(free, near, strict=True) if not alike.any()]


def _between(blend: Blend, free: Sequence[Pen], coats: tuple[int, ...]) -> list[Added]:
    """Return the pens that would divide the widest gap best."""
    dark, light = blend.pens[blend.widest : blend.widest + 2]
    gap = step_parts(*lab_of([dark, light], coats).swapaxes(0, 1))
    half = np.sum((gap / 2) ** 2, axis=-1)
    found = []
    for pen in _unlike(blend.pens, free):
        parts = step_parts(lab_of([dark, pen], coats), lab_of([pen, light], coats))
        if (parts[..., 0] < LEAST_STEP).any():
            continue
        # The gap's own change in chroma and hue has to be made by somebody; only what goes beyond two halves of the gap is missed.
        excess = float(np.mean(np.sum(parts**2, axis=-1).mean(axis=-1) - half))
        miss = float(np.sqrt(max(excess, 0.0)))
        fits = miss < FITS * float(np.sqrt(np.mean(half)))
        found.append(Added(pen, "between", dark, miss, parts[..., 0], fits))
    return sorted(found, key=lambda one: (one.miss, one.pen.order))[:MOST_ADDED]


def _ends(blend: Blend, free: Sequence[Pen], coats: tuple[int, ...]) -> list[Added]:
    """Return the pens that would go on at either end by the set's own mean step."""
    own = np.array([run.span / len(run.steps) for run in blend.runs.values()])
    even = np.maximum(own, LEAST_END)
    found = []
    for where, end in (("darker", blend.pens[0]), ("lighter", blend.pens[-1])):
        here = []
        for pen in _unlike(blend.pens, free):
            pair = [pen, end] if where == "darker" else [end, pen]
            parts = step_parts(*lab_of(pair, coats).swapaxes(0, 1))
            if (parts[..., 0] < LEAST_STEP).any() or parts[..., 0].mean() < LEAST_END:
                continue
            off = parts - np.stack([even, 0 * even, 0 * even], axis=-1)
            miss = float(np.sqrt(np.mean(np.sum(off**2, axis=-1))))
            fits = miss < FITS * float(np.sqrt(np.mean(even**2)))
            here.append(Added(pen, where, None, miss, parts[..., :1], fits))
        found += sorted(here, key=lambda one: (one.miss, one.pen.order))[:MOST_ADDED]
    return found


def _second(blend: Blend) -> list[Pen]:
    """Return pens of the set whose second coat divides the widest gap of one coat: no further pen is needed then."""
    if 1 not in blend.runs:
        return []
    lab = blend.runs[1].lab
    at = blend.widest
    half = float(np.sum((step_parts(lab[at], lab[at + 1]) / 2) ** 2))
    found = []
    for pen in blend.pens[at + 1 :]:
        if 2 not in pen.coats:
            continue
        twice = pen.coats[2].film.lab
        parts = step_parts(np.stack([lab[at], twice]), np.stack([twice, lab[at + 1]]))
        excess = float(np.sum(parts**2, axis=-1).mean()) - half
        if (parts[:, 0] >= LEAST_STEP).all() and excess < FITS**2 * half:
            found.append((excess, pen))
    return [pen for _, pen in sorted(found, key=lambda one: (one[0], one[1].order))][:MOST_ADDED]
