"""Which markers tell most about a paper: the few to colour on a new one, so that all others can be carried over.

What a paper does to colours is mostly smooth: swatches near each other move alike (``model.Smooth``). So a set
of markers is as good as what it leaves unknown about all the others, summed over the whole table, before anything
is measured on the new paper: an A-optimal design for prediction (common practice in the design of experiments).
Light, dark, grey and strong colours come in by themselves, because guesses beyond the measured ones are the least
sure; of two doubles only one does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.answers.carrying.model import Smooth
from calib.answers.films import films_of
from calib.errors import InputError
from calib.table.sessions import sessions_of
from calib.table.table import Table

Array = NDArray[np.float64]

# What a swatch leaves open of its own colour (variance), where the smooth function has the size 1: a paper moves
# colours by a few Lab units, and the hand by some half of one (invented).
NOISE = 0.02
REACH = 2.0
# What the choice leaves unknown is summed over no more rows than this, evenly taken.
MOST_JUDGED = 600
# Rounds of exchanging single markers for better ones; of more markers than this each matters too little for the
# time it takes.
ROUNDS, MOST_EXCHANGED = 3, 60


@dataclass(frozen=True)
class Picked:
    """What was chosen.

    markers: ids of those to colour, in the table's order. choice: how many there were to choose from. warnings:
    sentences.
    """

    markers: tuple[str, ...]
    choice: int
    warnings: tuple[str, ...]


def pick_markers(table: Table, count: int, among: Sequence[str], layers: Sequence[int] = (1, 2)) -> Picked:
    """Return the markers of a table to colour on a new paper.

    count: how many. among: the ids that may be chosen. layers: coats that the chart will have. Where the table has
    several papers or sessions, the one with most readable rows counts. Blenders and flagged rows without a colour
    of their own are never chosen. Raises InputError where there are fewer than count.
    """
    path = table.path or Path("the table")
    every = [films_of(session) for session in sessions_of([table])]
    films = max(every, key=lambda one: (len(one.by_key), one.session.date, one.session.paper))
    allowed, rows = set(among), dict[str, list[Array]]()
    for (marker, coats), film in films.by_key.items():
        if coats in layers and marker in allowed:
            rows.setdefault(marker, []).append(film.lab)
    blenders = {row.marker for row in films.session.rows if row.kind == "blender"}
    unread = [name for name in among if name not in rows and name not in blenders]
    if len(rows) < count:
        raise InputError.of(
            path,
            f"{count} markers are asked for, but it has a usable colour of only {len(rows)} of the marker list",
            "Ask for fewer, or measure the others first.",
        )
    warnings = []
    if len(every) > 1:
        warnings.append(
            f"{path.name} holds {len(every)} papers or sessions; {films.session.called} has most and is used."
        )
    if unread:
        more = f" and {len(unread) - 8} more" if len(unread) > 8 else ""
        warnings.append(
            f"Not to choose from, because {path.name} has no usable colour of them: {', '.join(unread[:8])}{more}."
        )
    # Equal choices must not hang on the order of the rows.
    names = sorted(rows, key=lambda name: (*rows[name][0].tolist(), name))
    taken = {names[i] for i in chosen_groups([np.array(rows[name]) for name in names], count)}
    return Picked(tuple(name for name in rows if name in taken), len(rows), tuple(warnings))


def chosen_groups(groups: Sequence[Array], count: int) -> list[int]:
    """Return which of the groups of colours, each (k, 3) Lab, to measure so that most is known of all the others.

    Greedy, then exchanged one by one as long as that helps; the result depends on nothing but the input.
    """
    if count == len(groups):
        return list(range(count))
    candidates = _Candidates.of(groups)
    taken: list[int] = []
    for _ in range(count):
        gains = candidates.gains(taken)
        taken.append(int(gains.argmax()))
    for _ in range(ROUNDS if count <= MOST_EXCHANGED else 0):
        before = sorted(taken)
        for place in range(count):
            others = taken[:place] + taken[place + 1 :]
            gains = candidates.gains(others)
            better = int(gains.argmax())
            if gains[better] > gains[taken[place]] * (1 + 1e-9):
                taken[place] = better
        if sorted(taken) == before:
            break
    return sorted(taken)


@dataclass(frozen=True, eq=False)
class _Candidates:
    """Groups of colours, filled up to one size k.

    at: (g, k) rows of all colours. there: (g, k) whether it is one of the group's. whole: (n, n) covariance of the
    colours. judged: which of them are summed over.
    """

    at: NDArray[np.int64]
    there: NDArray[np.bool_]
    whole: Array
    judged: NDArray[np.int64]

    @classmethod
    def of(cls, groups: Sequence[Array]) -> _Candidates:
        sizes = np.array([len(group) for group in groups])
        there = np.arange(sizes.max()) < sizes[:, None]
        at = (np.cumsum(sizes) - sizes)[:, None] + np.where(there, np.arange(sizes.max()), 0)
        lab = np.concatenate(groups)
        judged = np.unique(np.linspace(0, len(lab) - 1, MOST_JUDGED).round().astype(np.int64))
        return cls(at, there, Smooth(1.0, REACH).between(lab, lab), judged)

    def gains(self, taken: Sequence[int]) -> Array:
        """Return how much variance each group (g,) would take away where these are measured; -1 for themselves."""
        left = self.whole[self.judged]
        own = self.whole[self.at[:, :, None], self.at[:, None, :]]
        measured = self.at[list(taken)][self.there[list(taken)]]
        if len(measured):
            inside = self.whole[np.ix_(measured, measured)] + NOISE * np.eye(len(measured))
            solved = np.linalg.solve(inside, self.whole[measured])
            left = left - self.whole[np.ix_(self.judged, measured)] @ solved
            known = self.whole[measured][:, self.at]
            own = own - np.einsum("mgk,mgl->gkl", known, solved[:, self.at], optimize=True)
        there = self.there[:, :, None] & self.there[:, None, :]
        inside = (
            np.where(there, own, 0.0) + np.eye(own.shape[1]) * np.where(self.there, NOISE, 1.0)[:, None, :]
        )
        part = left[:, self.at] * self.there
        gains = np.einsum("jgk,jgl,gkl->g", part, part, np.linalg.inv(inside), optimize=True)
        gains[list(taken)] = -1.0
        return np.asarray(gains)
