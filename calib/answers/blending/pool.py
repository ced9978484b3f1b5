"""Which pens a set may be made of, and which may follow which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.blending.steps import LEAST_STEP, lab_of, step_parts
from calib.answers.doubles.groups import USUALLY_ACCEPTED
from calib.answers.doubles.pairs import close_pairs, coats_of
from calib.answers.doubles.pens import Pen, few_words, natural
from calib.answers.shelf import Shelf
from calib.errors import ImpossibleError

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Pool:
    """Pens, dark first, all read in each of these numbers of coats.

    lab: (k, n, 3). cost: (n, n) what a step from the row's pen to the column's adds: the mean over coats of its squared length (``step_parts``);
    infinite where it is none, being less than LEAST_STEP lighter in some coat, or a near double.
    """

    pens: tuple[Pen, ...]
    coats: tuple[int, ...]
    lab: Array
    cost: Array

    @property
    def edges(self) -> Bools:
        """Which pen may follow which (n, n)."""
        return np.isfinite(self.cost)

    def place(self, marker: str) -> int:
        """Return where the pen of this id stands."""
        return [pen.marker for pen in self.pens].index(marker)


def pool_of(pens: Sequence[Pen], coats: tuple[int, ...]) -> Pool:
    """Return pens as a pool; the order in which they are given does not matter."""
    lightness = lab_of(pens, coats)[..., 0].mean(axis=0)
    order = sorted(range(len(pens)), key=lambda i: (lightness[i], pens[i].order))
    sorted_pens = tuple(pens[i] for i in order)
    lab = lab_of(sorted_pens, coats)
    parts = step_parts(lab[:, :, None], lab[:, None])
    cost = np.sum(parts**2, axis=-1).mean(axis=0)
    cost[(parts[..., 0] < LEAST_STEP).any(axis=0) | near_doubles(sorted_pens)] = np.inf
    return Pool(sorted_pens, coats, lab, cost)


def near_doubles(pens: Sequence[Pen]) -> Bools:
    """Return (n, n) which pens are so alike in every coat that both have that most people accept one for the other."""
    near = np.zeros((len(pens), len(pens)), dtype=bool)
    if len(pens) > 1:
        i, j, d = close_pairs(coats_of(pens), USUALLY_ACCEPTED)
        close = d <= USUALLY_ACCEPTED
        near[i[close], j[close]] = near[j[close], i[close]] = True
    return near


def common_coats(pens: Sequence[Pen], asked: tuple[int, ...] | None) -> tuple[int, ...]:
    """Return the numbers of coats in which pens are to be compared: those asked for, else those in which all were read.

    Raises ImpossibleError, which names the pens, where one was not read in them.
    """
    common = tuple(n for n in (1, 2) if all(n in pen.coats for pen in pens))
    wanted = asked or common
    missing = {n: [pen.called for pen in pens if n not in pen.coats] for n in wanted or (1, 2)}
    said = [f"not read in {coat_words((n,))}: {', '.join(called)}" for n, called in missing.items() if called]
    if said and (asked or not common):
        raise ImpossibleError(
            "; ".join(said),
            "Colour and scan these cells, leave the pens out, or ask with --layers for what was read."
            if common
            else "Colour and scan the missing cells, or leave these pens out.",
        )
    return wanted


def lacking_words(pens: Sequence[Pen], coats: tuple[int, ...], asked: tuple[int, ...] | None) -> list[str]:
    """Return a warning where nothing was asked for and a number of coats does not count, because not all pens were read in it."""
    others = sorted({n for pen in pens for n in pen.coats} - set(coats))
    if asked or not others:
        return []
    lacking = [pen.called for pen in pens if any(n not in pen.coats for n in others)]
    return [
        f"in {coat_words(coats)} only, because {coat_words(others)} could not be read of {few_words(lacking)}"
    ]


def may_be_proposed(shelf: Shelf, coats: tuple[int, ...]) -> tuple[tuple[Pen, ...], dict[str, str]]:
    """Return the pens that a set may be made of, and of all others why not, in words that follow 'because it', by id."""
    ids = [pen.marker for pen in shelf.pens]
    why = dict(shelf.avoid)
    for pen in shelf.pens:
        lacks = [n for n in coats if n not in pen.coats]
        if lacks:
            why.setdefault(pen.marker, f"was not read in {coat_words(lacks)}")
        if ids.count(pen.marker) > 1:
            why.setdefault(pen.marker, "is an id of several pens")
    for one in shelf.left:
        # One ink over another is no pen that anybody could miss here.
        if one.layers in coats and one.marker not in ids and not one.why.endswith("no pen"):
            why.setdefault(one.marker, one.why)
    good = tuple(pen for pen in shelf.pens if pen.marker not in why)
    return good, {marker: why[marker] for marker in sorted(why, key=natural)}


def coat_words(coats: Sequence[int]) -> str:
    """Return 'one coat', 'two coats' or 'one coat and two'."""
    return "one coat and two" if len(coats) > 1 else ("one coat", "two coats")[coats[0] - 1]
