"""Tables taken apart into sessions, the rows of one paper on one day, and sessions matched by marker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from calib.table.origin import Origin
from calib.table.table import NO_PENS, Reading, Table


@dataclass(frozen=True)
class Session:
    """What one table holds of one paper and one day.

    file: the table's file name without folders. paper, date: as in the rows. rows: those of pens, in the order of
    the table; white, black: the rows of the bare paper and of the printed black. origin: how the table was made.
    """

    file: str
    paper: str
    date: str
    rows: tuple[Reading, ...]
    white: Reading | None
    black: Reading | None
    origin: Origin

    @cached_property
    def by_key(self) -> dict[tuple[str, int], Reading]:
        """The rows of pens by marker and layers."""
        return {(row.marker, row.layers): row for row in self.rows}

    @property
    def freedom(self) -> int:
        """Degrees of freedom of the scatter behind the rows' doubts; 0 where it was assumed or is not known."""
        found = self.origin.scatter.get("degrees_of_freedom", 0)
        return int(found) if isinstance(found, (int, float)) and found > 0 else 0

    @property
    def called(self) -> str:
        """What a sentence calls the session, such as 'smooth card, 2026-03-14'."""
        return ", ".join(part for part in (self.paper, self.date) if part)


def sessions_of(tables: Sequence[Table]) -> tuple[Session, ...]:
    """Return the sessions of tables: those of the first table first, in each by date and then as they stand."""
    found = []
    for table in tables:
        groups: dict[tuple[str, str], list[Reading]] = {}
        for row in table.readings:
            groups.setdefault((row.session, row.paper), []).append(row)
        for (date, paper), rows in sorted(groups.items(), key=lambda item: item[0][0]):
            sheet = {row.kind: row for row in rows if row.kind in NO_PENS}
            pens = tuple(row for row in rows if row.kind not in NO_PENS)
            file = table.path.name if table.path else ""
            white = _white(sheet.get("paper"), pens)
            found.append(Session(file, paper, date, pens, white, sheet.get("black"), table.origin))
    return tuple(found)


def _white(white: Reading | None, pens: Sequence[Reading]) -> Reading | None:
    """Return the paper's row, where it is missing the blender's, else the lightest."""
    if white is not None and white.lab is not None:
        return white
    read = [row for row in pens if row.lab is not None]
    blenders = [row for row in read if row.kind == "blender"]
    return max(blenders or read, key=lambda row: row.L or 0.0, default=None)


def markers_of(sessions: Sequence[Session]) -> tuple[str, ...]:
    """Return the ids of all pens of sessions, each once, in the order in which they first stand."""
    return tuple(dict.fromkeys(row.marker for session in sessions for row in session.rows))
