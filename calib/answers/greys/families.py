"""Which family of greys stays neutral on which paper: the pens of one set, on each paper of a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.answers.greys.casts import NEUTRAL, Grey, greys_of
from calib.answers.greys.secondcoat import Turn, turns_of
from calib.answers.shelf import Shelf, shelf_of
from calib.colour.naming import cast_words
from calib.errors import InputError
from calib.table.sessions import sessions_of
from calib.table.table import Table

# Fewer greys than this are no family (our own choice).
LEAST = 2


@dataclass(frozen=True)
class Family:
    """The greys of one set on one paper in one number of coats: how many pens, their mean cast, the word for it, and how many are neutral."""

    set: str
    paper: str
    layers: int
    pens: int
    cast: tuple[float, float]
    word: str
    neutral: int


@dataclass(frozen=True, eq=False)
class Greys:
    """The answer on the paper with most pens, and the families on every paper of the table."""

    shelf: Shelf
    greys: tuple[Grey, ...]
    families: tuple[Family, ...]
    turns: tuple[Turn, ...]
    within: float


def find_greys(table: Table, within: float) -> Greys:
    """Return the near-neutral pens of a table. Raises InputError where it has no pen with a colour."""
    shelf = shelf_of(table)
    greys = greys_of(shelf, shelf.offered, within)
    papers = list(dict.fromkeys([shelf.paper, *(session.paper for session in sessions_of([table]))]))
    # A family is what is grey on the paper with most pens; what a paper does to it is the question.
    members = {grey.pen.marker for grey in greys}
    families = [family for paper in papers for family in _families(table, paper, members)]
    families.sort(key=lambda one: (one.set, papers.index(one.paper), one.layers))
    return Greys(shelf, greys, tuple(families), turns_of(shelf, greys), within)


def _families(table: Table, paper: str, members: set[str]) -> list[Family]:
    try:
        shelf = shelf_of(table, paper)
    except InputError:
        # A paper on which no pen could be read says nothing.
        return []
    sets: dict[tuple[str, int], list[Grey]] = {}
    greys = greys_of(shelf, [pen for pen in shelf.offered if pen.marker in members], within=np.inf)
    for grey in greys:
        name = grey.pen.coats[grey.layers].film.reading.set
        if name:
            sets.setdefault((name, grey.layers), []).append(grey)
    return [_family(name, shelf, own) for (name, _), own in sets.items() if len(own) >= LEAST]


def _family(name: str, shelf: Shelf, own: Sequence[Grey]) -> Family:
    cast = np.mean([grey.cast for grey in own], axis=0)
    words = cast_words(np.array([50.0, *cast]))
    neutral = sum(grey.family == NEUTRAL for grey in own)
    return Family(
        name,
        shelf.paper,
        own[0].layers,
        len(own),
        (float(cast[0]), float(cast[1])),
        words[0] if words else NEUTRAL,
        neutral,
    )
