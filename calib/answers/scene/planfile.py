"""The plan of a picture as people write it: areas, and the pens meant for each."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from calib.errors import InputError, Problem, raise_all
from calib.files import Row, read_rows, shorten

REQUIRED = ("area", "markers")
MOST_AREAS, MOST_IN_AREA = 200, 40
_APART = re.compile(r"[;,\s]+")


@dataclass(frozen=True)
class Area:
    """One area of a picture. markers: ids as they are typed, each once. beside: names of areas that it touches. line: where it first stands in the file."""

    name: str
    markers: tuple[str, ...]
    beside: tuple[str, ...]
    line: int


@dataclass(frozen=True)
class Plan:
    """The areas in the order of the file; neighbours: whether the file says which of them touch."""

    path: Path
    areas: tuple[Area, ...]
    neighbours: bool

    def touching(self) -> tuple[tuple[Area, Area], ...]:
        """Return the pairs of areas that touch, each once; all pairs where the file does not say."""
        found = []
        for i, one in enumerate(self.areas):
            for other in self.areas[i + 1 :]:
                if not self.neighbours or other.name in one.beside or one.name in other.beside:
                    found.append((one, other))
        return tuple(found)


def read_plan_of_scene(path: Path, known: Iterable[str]) -> Plan:
    """Read the plan of a picture; raise InputError with every mistake of the file.

    known: ids of markers, so that one with a space in it is known from two. An area may have several rows, whose markers add up. In a cell, markers are
    set apart by spaces, commas or semicolons, neighbours by commas or semicolons.
    """
    table = read_rows(Path(path), required=REQUIRED, wanted="scene")
    ids = set(known)
    problems: list[Problem] = []
    areas: dict[str, Area] = {}
    for row in table.rows:
        name, markers = _cell(row, "area"), _markers(_cell(row, "markers"), ids)
        if not name:
            problems.append(
                Problem(table.path, row.line, "has no area; write its name again in every row of it")
            )
            continue
        if not markers:
            problems.append(Problem(table.path, row.line, f"names no marker for '{shorten(name)}'"))
        key = name.casefold()
        old = areas.get(key, Area(name, (), (), row.line))
        beside = tuple(part.strip() for part in re.split(r"[;,]", _cell(row, "beside")) if part.strip())
        areas[key] = Area(
            old.name,
            tuple(dict.fromkeys((*old.markers, *markers))),
            tuple(dict.fromkeys((*old.beside, *beside))),
            old.line,
        )
    called = {area.name.casefold(): area.name for area in areas.values()}
    for area in areas.values():
        problems += [
            Problem(
                table.path,
                area.line,
                f"says that '{shorten(area.name)}' is beside '{shorten(other)}', which {why}",
            )
            for other in area.beside
            for why in _wrong(area, other, called)
        ]
        if len(area.markers) > MOST_IN_AREA:
            problems.append(
                Problem(
                    table.path, area.line, f"gives '{shorten(area.name)}' more than {MOST_IN_AREA} markers"
                )
            )
    if len(areas) > MOST_AREAS:
        problems.append(Problem(table.path, 0, f"has {len(areas)} areas; {MOST_AREAS} is the most"))
    raise_all(problems)
    if not areas:
        raise InputError.of(table.path, "names no area", "Give one row per area below the header row.")
    named = tuple(
        Area(area.name, area.markers, tuple(called[other.casefold()] for other in area.beside), area.line)
        for area in areas.values()
    )
    return Plan(table.path, named, any(area.beside for area in named))


def _wrong(area: Area, other: str, called: dict[str, str]) -> list[str]:
    if other.casefold() == area.name.casefold():
        return ["is the same area"]
    return [] if other.casefold() in called else ["is no area of this file"]


def _cell(row: Row, column: str) -> str:
    text = unicodedata.normalize("NFC", row.cells.get(column, ""))
    return " ".join(text.split())


def _markers(cell: str, known: set[str]) -> tuple[str, ...]:
    """Return the ids in a cell: an id of the table may hold spaces or commas itself, so the whole cell is tried first, then its parts."""
    if not cell:
        return ()
    if cell in known:
        return (cell,)
    found: list[str] = []
    for part in (one.strip() for one in re.split(r"[;,]", cell)):
        found += [part] if part in known else [one for one in _APART.split(part) if one]
    return tuple(dict.fromkeys(found))
