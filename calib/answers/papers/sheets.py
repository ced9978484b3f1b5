"""All that tables hold of one paper, put together for comparing it with another paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Film, Left, films_of, measured
from calib.errors import InputError
from calib.table.sessions import Session, sessions_of
from calib.table.table import Reading, Table

Array = NDArray[np.float64]
Key = tuple[str, int]


@dataclass(frozen=True)
class Sheet:
    """One paper: of every marker the rows of the latest session in which it could be read.

    rows: every row, by marker and layers. films: those that may be compared. home: the session behind each row, as a place in
    sessions, which run from the earliest to the latest. bare: (3,) light of the paper in each session.
    left: what may not be compared. again: markers that stand in more than one session. assumed: rows without stated doubt.
    """

    paper: str
    sessions: tuple[Session, ...]
    rows: dict[Key, Reading]
    films: dict[Key, Film]
    home: dict[Key, int]
    bare: tuple[Array, ...]
    left: tuple[Left, ...]
    again: tuple[str, ...]
    assumed: int

    @property
    def latest(self) -> Session:
        """The last session, whose paper row tells the paper's white."""
        return self.sessions[-1]

    @property
    def white(self) -> Reading | None:
        """The row that stands for the paper's white: its own, else a blender's, else the lightest ink's."""
        rows = [s.white for s in reversed(self.sessions) if s.white is not None and s.white.lab is not None]
        own = next((row for kind in ("paper", "blender") for row in rows if row.kind == kind), None)
        return own or next(iter(rows), None)

    @property
    def white_known(self) -> bool:
        """Whether the white is that of the bare paper and not an ink's."""
        return self.white is not None and self.white.kind in ("paper", "blender")

    def bare_below(self, key: Key) -> Array:
        """Return the light (3,) of the bare paper in the session behind a row."""
        return self.bare[self.home[key]]


def sheets_of(tables: Sequence[Table]) -> tuple[Sheet, ...]:
    """Return the papers of tables, in the order in which they first stand.

    Raises InputError where there are fewer than two.
    """
    papers: dict[str, list[Session]] = {}
    for session in sessions_of(tables):
        papers.setdefault(session.paper, []).append(session)
    if len(papers) < 2:
        raise _one_paper(tables, next(iter(papers), ""))
    # Of one day, the table that was named later is taken as the later one.
    return tuple(_sheet(paper, tuple(sorted(found, key=lambda s: s.date))) for paper, found in papers.items())


def _one_paper(tables: Sequence[Table], paper: str) -> InputError:
    path = tables[-1].path or Path("table")
    if len(tables) == 1 and len({row.session for row in tables[0].readings}) == 1:
        return InputError.of(
            path,
            f"holds a single paper, '{paper}', and nothing to compare it with",
            "Name the table of another paper too.",
        )
    return InputError.of(
        path,
        f"is of the paper '{paper}' like all the rest, so there are no two papers to compare",
        "What changed on one paper from day to day, 'calib drift' tells. If these are two papers, measure "
        "one of them again and name it with --paper.",
    )


def _sheet(paper: str, sessions: tuple[Session, ...]) -> Sheet:
    found = [measured(films_of(session)) for session in sessions]
    places: dict[str, list[int]] = {}
    for i, session in enumerate(sessions):
        for marker in dict.fromkeys(row.marker for row in session.rows if row.kind != "overlay"):
            places.setdefault(marker, []).append(i)
    readable = [{marker for marker, _ in films.by_key} for films in found]
    home = {}
    for marker, where in places.items():
        best = max(where, key=lambda i: (marker in readable[i], i))
        home.update({key: best for key in sessions[best].by_key if key[0] == marker})
    return Sheet(
        paper,
        sessions,
        {key: sessions[i].by_key[key] for key, i in home.items()},
        {key: found[i].by_key[key] for key, i in home.items() if key in found[i].by_key},
        home,
        tuple(films.paper for films in found),
        tuple(
            one
            for i, films in enumerate(found)
            for one in films.left
            if home.get((one.marker, one.layers), i) == i
        ),
        tuple(marker for marker, where in places.items() if len(where) > 1),
        sum(films.assumed for films in found),
    )
