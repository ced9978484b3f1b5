"""Near-duplicates as the page shows them: the pens of a group side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.answers.doubles.groups import USUALLY_ACCEPTED, Group, find_duplicates
from calib.answers.doubles.pens import Pen
from calib.errors import CalibError
from calib.report.chips import Chip, chip_of
from calib.table.table import Table

MOST_GROUPS = 60
SAID = {
    "same": "the same to the eye",
    "near": "near, not the same",
    "unsure": "perhaps the same; colour them again to know",
}


@dataclass(frozen=True)
class Member:
    """A pen of a group. apart: how far from the group's first pen, in words."""

    marker: str
    name: str
    chips: tuple[Chip, ...]
    apart: str


@dataclass(frozen=True)
class Alike:
    """A group of pens that look alike."""

    verdict: str
    members: tuple[Member, ...]


@dataclass(frozen=True)
class Doubles:
    """All groups of a table; why: a sentence where they could not be looked for; more: groups not shown."""

    groups: tuple[Alike, ...]
    within: float = USUALLY_ACCEPTED
    why: str = ""
    more: int = 0


def doubles_of(table: Table) -> Doubles:
    """Return the near-duplicates of one table; never raises a CalibError, its words are the answer then."""
    try:
        found = find_duplicates([table], USUALLY_ACCEPTED)
    except CalibError as error:
        return Doubles((), why=str(error))
    white = next((s.white.lab for s in reversed(found.drawer.sessions) if s.white is not None), None)
    groups = [_group(group, found.within, white) for group in found.groups[:MOST_GROUPS]]
    return Doubles(tuple(groups), found.within, more=len(found.groups) - len(groups))


def _group(group: Group, within: float, white: Sequence[float] | None) -> Alike:
    apart = {id(group.pens[0]): ""}
    for pair in group.pairs():
        apart[id(pair.two)] = f"{pair.dE00:.1f} dE00 ({pair.low:.1f} to {pair.high:.1f})"
    members = tuple(Member(pen.marker, pen.name, _chips(pen, white), apart[id(pen)]) for pen in group.pens)
    return Alike(SAID[group.verdict(within)], members)


def _chips(pen: Pen, white: Sequence[float] | None) -> tuple[Chip, ...]:
    return tuple(chip_of(pen.coats[n].film.reading, white) for n in sorted(pen.coats))
