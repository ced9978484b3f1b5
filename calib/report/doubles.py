"""Near-duplicates as the page shows them: the pens of a group side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from calib.answers.doubles.groups import USUALLY_ACCEPTED, Duplicates, Group, find_duplicates
from calib.answers.doubles.pens import Pen
from calib.errors import CalibError
from calib.report.chips import Chip, chip_of
from calib.table.table import Table

# More groups of one kind than are seen at a glance are folded away.
MOST_GROUPS, MOST_OPEN = 60, 9
# The verdicts in their order, each with what stands above its groups.
SAID = {
    "same": "The same to the eye",
    "unsure": "Perhaps the same: colour these pens again to know",
    "near": "Near, but not the same",
}


@dataclass(frozen=True)
class Member:
    """A pen of a group. apart: how far from the group's first pen, in words, empty for that pen itself."""

    marker: str
    name: str
    apart: str


@dataclass(frozen=True)
class Facing:
    """The chips of a group's pens in one number of coats, side by side; None where a pen has none."""

    coats: str
    chips: tuple[Chip | None, ...]


@dataclass(frozen=True)
class Alike:
    """A group of pens that look alike; keep: which one to keep and why, empty where there is nothing to choose."""

    members: tuple[Member, ...]
    facing: tuple[Facing, ...]
    keep: str


@dataclass(frozen=True)
class Doubles:
    """The groups of a paper under their headings; why: a sentence where they could not be looked for.

    more: groups not shown. open: how many of a kind are not folded away.
    """

    paper: str
    kinds: tuple[tuple[str, tuple[Alike, ...]], ...]
    within: float = USUALLY_ACCEPTED
    why: str = ""
    more: int = 0
    open: int = MOST_OPEN


def doubles_of(tables: Sequence[Table], paper: str) -> Doubles:
    """Return the near-duplicates among all pens of one paper, each with its latest reading.

    Pens that stand in unlike tables are compared as well; where these cannot be, those of the last table are. Never raises a
    CalibError: its words are the answer then.
    """
    own = [
        replace(table, readings=tuple(row for row in table.readings if row.paper == paper))
        for table in tables
    ]
    own = [table for table in own if table.readings]
    for some in (own, own[-1:]):
        try:
            return _shown(find_duplicates(some, USUALLY_ACCEPTED), paper)
        except CalibError as error:
            why = str(error)
    return Doubles(paper, (), why=why)


def _shown(found: Duplicates, paper: str) -> Doubles:
    white = next((s.white.lab for s in reversed(found.drawer.sessions) if s.white is not None), None)
    kinds: dict[str, list[Alike]] = {}
    # They come with those first that are the same.
    for group in found.groups[:MOST_GROUPS]:
        kinds.setdefault(SAID[group.verdict(found.within)], []).append(_group(group, white))
    shown = tuple((said, tuple(groups)) for said, groups in kinds.items())
    return Doubles(paper, shown, found.within, more=max(0, len(found.groups) - MOST_GROUPS))


def _group(group: Group, white: Sequence[float] | None) -> Alike:
    apart = {id(group.pens[0]): ""}
    for pair in group.pairs():
        apart[id(pair.two)] = f"{pair.dE00:.1f} dE00 ({pair.low:.1f} to {pair.high:.1f})"
    return Alike(
        tuple(Member(pen.marker, pen.name, apart[id(pen)]) for pen in group.pens),
        tuple(_facing(group.pens, white)),
        group.keep_words(),
    )


def _facing(pens: Sequence[Pen], white: Sequence[float] | None) -> Iterator[Facing]:
    for layers in (1, 2):
        chips = tuple(
            chip_of(pen.coats[layers].film.reading, white) if layers in pen.coats else None for pen in pens
        )
        if any(chips):
            yield Facing("1 coat" if layers == 1 else f"{layers} coats", chips)
