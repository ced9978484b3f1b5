"""The pens of one table that a plan may be made with: on one paper, each as it was read last, and which to keep out of proposals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Drawer, Pen, drawer_of
from calib.answers.drift.comparison import drift_of
from calib.answers.films import Left
from calib.errors import ImpossibleError, InputError
from calib.table.table import Reading, Table

Array = NDArray[np.float64]

# What says nothing against a pen: a colour that no screen shows is a good colour, and the others say how all was read.
NO_FAULT = frozenset({"out-of-srgb", "no-strip", "photo", "predicted"})
MOST_NEAR = 3


@dataclass(frozen=True, eq=False)
class Shelf:
    """The pens of one table on one paper, by id.

    paper, date: the paper, and the day of its latest session. white, black: (3,) Lab of the bare paper and of the printed black, None where
    not known. pens: those with a colour; avoid: why a pen should not be proposed, by id, in words that follow 'because it'. drawer: whose rows
    are whose, and warnings of it.
    """

    paper: str
    date: str
    white: Array | None
    black: Array | None
    pens: tuple[Pen, ...]
    avoid: dict[str, str]
    drawer: Drawer

    @property
    def offered(self) -> tuple[Pen, ...]:
        """The pens that nothing speaks against."""
        return tuple(pen for pen in self.pens if pen.marker not in self.avoid)

    @property
    def freedom(self) -> int:
        """Degrees of freedom behind the doubts of the latest session; 0 where they were assumed."""
        return self.drawer.sessions[-1].freedom if self.drawer.sessions else 0

    @property
    def file(self) -> Path:
        """The table's file name, to say where something is wrong."""
        return Path(self.drawer.sessions[-1].file or "the table")

    @property
    def left(self) -> tuple[Left, ...]:
        """Rows that have no colour to compare, and why."""
        return self.drawer.left

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to say before an answer."""
        away = self.drawer.papers
        other = (
            (
                f"the table holds other papers too ({', '.join(away)}); this is about '{self.paper}', which has most pens",
            )
            if away
            else ()
        )
        return (*self.drawer.warnings, *other)

    def pen(self, marker: str) -> Pen:
        """Return the pen of an id.

        Raises ImpossibleError where the table has no such id, and names those that are near; InputError where it has no colour.
        """
        wanted = marker.strip()
        found = [pen for pen in self.pens if pen.marker == wanted]
        if len(found) == 1:
            return found[0]
        file = self.file
        if found:
            raise InputError.of(
                file,
                f"'{wanted}' is used for {len(found)} pens of different names",
                "Give each pen its own id.",
            )
        why = [one.why for one in self.left if one.marker == wanted]
        if why:
            raise InputError.of(
                file,
                f"'{wanted}' has no colour to compare, because it {why[0]}",
                "Leave it out." if "blender" in why[0] else "Colour and scan its cell again.",
            )
        if wanted in self.drawer.elsewhere:
            raise InputError.of(
                file, f"'{wanted}' was not measured on '{self.paper}'", "Ask the table of the other paper."
            )
        raise ImpossibleError(f"{file} has no marker '{wanted}'", self.near(wanted))

    def is_known(self, marker: str) -> bool:
        """Whether the table has a pen of this id, with a colour or without."""
        return marker in {*(pen.marker for pen in self.pens), *(row.marker for row in self.left)}

    def near(self, wanted: str) -> str:
        """Return a sentence that names the ids which may be meant by one that the table does not have."""
        ids = [pen.marker for pen in self.pens]
        # Spreadsheets take 022 for 22; a name is often typed for an id.
        bare = [one for one in ids if wanted and one.lstrip("0") == wanted.lstrip("0")]
        named = [pen.marker for pen in self.pens if wanted and pen.name.casefold() == wanted.casefold()]
        near = list(dict.fromkeys([*bare, *named, *get_close_matches(wanted, ids, MOST_NEAR, 0.5)]))[
            :MOST_NEAR
        ]
        if near:
            return f"Did you mean {' or '.join(near)}?"
        return "Its ids are those in the column marker" + (f", such as {ids[0]}." if ids else ".")


def shelf_of(table: Table, paper: str | None = None) -> Shelf:
    """Return the pens of a table on one paper; where none is named, and there are several, on the one with most pens.

    Of a pen that was read in several sessions the latest reading counts. A pen is kept out of proposals where its row has a flag that speaks against
    it, or where it has changed since an earlier session. A flag that every row carries says nothing of one pen. Raises InputError where the
    table has no pen with a colour.
    """
    if paper is not None:
        table = replace(table, readings=tuple(row for row in table.readings if row.paper == paper))
    drawer = drawer_of([table])
    if not drawer.pens:
        raise InputError.of(
            table.path or Path("table"),
            "holds no pen with a colour that can be compared",
            "Measure a chart, or look at its flags.",
        )
    avoid = dict(_changed(table, drawer)) | dict(_emptied(drawer)) | dict(_flagged(drawer))
    latest = drawer.sessions[-1]
    return Shelf(
        drawer.paper,
        latest.date,
        _lab(latest.white),
        _lab(next((s.black for s in reversed(drawer.sessions) if s.black is not None), None)),
        drawer.pens,
        avoid,
        drawer,
    )


def _flagged(drawer: Drawer) -> Iterator[tuple[str, str]]:
    rows = [(pen.marker, taken.film.reading) for pen in drawer.pens for taken in pen.coats.values()]
    common = (
        frozenset.intersection(*(frozenset(row.flags) for _, row in rows)) if len(rows) > 1 else frozenset()
    )
    lost = [(one.marker, one.why) for one in drawer.left if one.why.startswith("is flagged")]
    yield from lost
    for marker, row in rows:
        against = [flag for flag in row.flags if flag not in NO_FAULT | common]
        if against:
            yield marker, f"is flagged {' and '.join(against)}"


def _emptied(drawer: Drawer) -> Iterator[tuple[str, str]]:
    """Yield the pens whose colour is an earlier session's and whose cell was blank since: dry, or not coloured, which a reading cannot tell."""
    for pen in drawer.pens:
        for n, taken in pen.coats.items():
            later = [session.by_key.get((pen.marker, n)) for session in drawer.sessions[taken.number + 1 :]]
            blank = [row for row in later if row is not None and "blank" in row.flags]
            if blank:
                yield pen.marker, f"was blank when it was read on {blank[-1].session}"


def _changed(table: Table, drawer: Drawer) -> Iterator[tuple[str, str]]:
    """Yield the pens that an earlier session of the same table shows to have changed."""
    if len(drawer.sessions) < 2:
        return
    try:
        drift = drift_of([table])
    except InputError:
        # Sessions that cannot be compared say nothing about a pen.
        return
    for row in drift.findings:
        if row.paper == drawer.paper and row.after == drawer.sessions[-1].date:
            yield row.marker, f"has become {row.verdict} since {row.before}"


def _lab(row: Reading | None) -> Array | None:
    return None if row is None or row.lab is None else np.array(row.lab, dtype=float)
