"""Whose rows are whose: the pens of one or more tables, each with its latest reading on one paper."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from calib.answers.films import Film, Films, Left, films_of
from calib.errors import InputError, Problem
from calib.table.sessions import Session, sessions_of
from calib.table.table import Table

# What a row may carry that makes its colour less than an honest reading of a scan.
LESS_THAN_READ = ("forced", "photo", "predicted")
MOST_NAMED = 8


@dataclass(frozen=True, eq=False)
class Taken:
    """A film and the session it was taken from; number counts the sessions on the paper, the oldest being 0."""

    film: Film
    films: Films
    number: int

    @property
    def freedom(self) -> int:
        """Degrees of freedom behind the film's doubt; 0 where the doubt was assumed."""
        return self.films.session.freedom if self.film.reading.u_L is not None else 0


@dataclass(frozen=True, eq=False)
class Pen:
    """One pen: its id and name, its films by number of coats, and in which of the tables it stands (from 0)."""

    marker: str
    name: str
    coats: dict[int, Taken]
    tables: tuple[int, ...]

    @property
    def called(self) -> str:
        """What a sentence calls the pen, such as '017 Forest lake'."""
        return f"{self.marker} {self.name}".strip()

    @property
    def order(self) -> tuple[object, ...]:
        """Where the pen stands among others whatever the order of the rows: 9 before 10."""
        return natural(self.marker), self.name


@dataclass(frozen=True, eq=False)
class Drawer:
    """The pens of tables that may be compared on one paper, in an order of their own (by id).

    sessions: those on the paper, the oldest first. left: rows that were left out. unread: pens without a single film.
    elsewhere: ids of pens that stand on other papers only, papers: which these are. again: ids of pens that were read in several
    sessions. namesakes: ids that more than one pen has. warnings: sentences.
    """

    paper: str
    sessions: tuple[Session, ...]
    pens: tuple[Pen, ...]
    left: tuple[Left, ...]
    unread: tuple[Pen, ...]
    elsewhere: tuple[str, ...]
    papers: tuple[str, ...]
    again: tuple[str, ...]
    namesakes: tuple[str, ...]
    warnings: tuple[str, ...]


def natural(text: str) -> tuple[object, ...]:
    """Return a key that sorts ids as people do, 9 before 10."""
    parts = re.split(r"(\d+)", text)
    return tuple(int(part) if i % 2 else part for i, part in enumerate(parts)), text


def drawer_of(tables: Sequence[Table]) -> Drawer:
    """Return the pens of tables on the paper that all of the tables share.

    A pen is an id with one name; an empty name stands for any. Of a pen that was read in several sessions the latest
    reading of each number of coats counts. Raises InputError where the tables share no paper, or where their colours were computed
    with different models of a scanner.
    """
    split = [sessions_of([table]) for table in tables]
    paper = _shared_paper(split, tables)
    _check_scanners(tables)
    # A stable sort: of one day's readings those of the table that was named last count.
    days = sorted(
        ((t, s) for t, found in enumerate(split) for s in found if s.paper == paper), key=lambda d: d[1].date
    )
    taken = [(t, films_of(session)) for t, session in days]
    rows = [
        (t, s.paper, row)
        for t, found in enumerate(split)
        for s in found
        for row in s.rows
        if row.kind == "ink"
    ]
    name_of = _names((row.marker, row.name) for _, _, row in rows)
    where: dict[tuple[str, str], set[int]] = {
        (row.marker, name_of[row.marker, row.name]): set() for _, on, row in rows if on == paper
    }
    for t, _, row in rows:
        # A pen that a table has on other paper only is owned all the same.
        where.get((row.marker, name_of[row.marker, row.name]), set()).add(t)
    coats: dict[tuple[str, str], dict[int, Taken]] = {pen: {} for pen in where}
    again = set()
    for number, (_, films) in enumerate(taken):
        for (marker, layers), film in films.by_key.items():
            own = coats[marker, name_of[marker, film.reading.name]]
            again |= {marker} if layers in own else set()
            own[layers] = Taken(film, films, number)
    pens = sorted((Pen(*pen, coats[pen], tuple(sorted(found))) for pen, found in where.items()), key=_order)
    left = {one for _, films in taken for one in films.left}
    away = {row.marker for _, _, row in rows} - {marker for marker, _ in where}
    return Drawer(
        paper,
        tuple(films.session for _, films in taken),
        tuple(pen for pen in pens if pen.coats),
        tuple(one for one in sorted(left, key=_left_order) if not _read_elsewhere(one, name_of, coats)),
        tuple(pen for pen in pens if not pen.coats),
        tuple(sorted(away, key=natural)),
        tuple(sorted({s.paper for found in split for s in found} - {paper})),
        tuple(sorted(again, key=natural)),
        tuple(m for m, count in Counter(pen.marker for pen in pens).items() if count > 1),
        (*_strip_words(tables), *_film_words([films for _, films in taken])),
    )


def _order(pen: Pen) -> tuple[object, ...]:
    return pen.order


def _left_order(one: Left) -> tuple[object, ...]:
    return one.why, natural(one.marker), one.layers


def _read_elsewhere(
    one: Left, name_of: dict[tuple[str, str], str], coats: dict[tuple[str, str], dict[int, Taken]]
) -> bool:
    """Return whether another session read what this one could not."""
    pen = one.marker, name_of.get((one.marker, one.name), one.name)
    return one.layers in coats.get(pen, {})


def _names(used: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """Return the name by which the pen of an id and a name goes; case and spaces make no other pen of it."""
    spellings: dict[str, dict[str, list[str]]] = {}
    pairs = sorted(set(used))
    for marker, name in pairs:
        spellings.setdefault(marker, {}).setdefault(" ".join(name.split()).casefold(), []).append(name)
    found = {}
    for marker, name in pairs:
        known = [names for plain, names in spellings[marker].items() if plain]
        own = spellings[marker][" ".join(name.split()).casefold()]
        found[marker, name] = known[0][0] if len(known) == 1 else own[0]
    return found


def _shared_paper(split: Sequence[Sequence[Session]], tables: Sequence[Table]) -> str:
    """Return the paper that all tables have; of several the one with most pens, then the latest, then by name."""
    common = set.intersection(*({session.paper for session in found} for found in split))
    if not common:
        said = [
            Problem(table.path or Path("table"), 0, "is of " + ", ".join(f"'{name}'" for name in papers))
            for table, found in zip(tables, split, strict=True)
            if (papers := sorted({session.paper for session in found}))
        ]
        raise InputError(
            said,
            "Ink looks different on each paper, so pens are compared on one only, and these tables share none. Measure the new "
            "pens on the paper of the others, or carry their table over with 'calib predict'.",
        )
    sessions = [session for found in split for session in found]

    def rank(paper: str) -> tuple[int, str, str]:
        own = [s for s in sessions if s.paper == paper]
        pens = {row.marker for s in own for row in s.rows if row.kind == "ink" and row.keeps_colour}
        return len(pens), max(s.date for s in own), paper

    return max(common, key=rank)


def _check_scanners(tables: Sequence[Table]) -> None:
    """Refuse tables whose colours were computed with another model of a scanner than the first one's."""
    known = [table for table in tables if table.origin.scanner.get("model")]
    for table in known[1:]:
        first, own = known[0].origin.scanner, table.origin.scanner
        if known[0].origin.colour_model == table.origin.colour_model:
            continue
        raise InputError.of(
            table.path or Path("table"),
            f"has its colours from another scanner model ({own['model']}) than "
            f"{_file(known[0])} ({first['model']}), so a difference could be the models' and not the pens'",
            "Measure both scans anew with the same --scanner.",
        )


def _file(table: Table) -> str:
    return table.path.name if table.path else "the first table"


def _strip_words(tables: Sequence[Table]) -> Iterator[str]:
    """Yield warnings on what tables do not share, or do not tell, of their scanners and strips."""
    if len(tables) < 2:
        return
    silent = [_file(table) for table in tables if not table.origin.scanner]
    if silent:
        plural = "do not say" if len(silent) > 1 else "does not say"
        yield (
            f"{', '.join(silent)} {plural} with which scanner model and strip it was measured; compared as if with the same ones"
        )
    bare = [_file(table) for table in tables if _without_strip(table)]
    if bare:
        yield (
            f"{', '.join(bare)}: measured without a grey strip, so a difference to another table may be the scanner's "
            "exposure; scan again with the strip before you rest a decision on it"
        )
    strips = {
        (s.get("file"), s.get("steps")) for t in tables if (s := t.origin.strip) and s.get("kind") != "none"
    }
    if len(strips) > 1:
        names = ", ".join(sorted(str(file) for file, _ in strips))
        yield f"the tables rest on different grey strips ({names}), so their doubts are larger than they say"


def _without_strip(table: Table) -> bool:
    return table.origin.strip.get("kind") == "none" or any("no-strip" in row.flags for row in table.readings)


def _film_words(found: Sequence[Films]) -> Iterator[str]:
    """Yield warnings on rows that are compared though they say less than an honest reading does."""
    assumed = sum(films.assumed for films in found)
    if assumed:
        yield (
            f"{assumed} row{'s' if assumed > 1 else ''} without doubts (u_L, u_a, u_b): a usual hand was assumed there"
        )
    for flag in LESS_THAN_READ:
        ids = {
            film.reading.marker
            for films in found
            for film in films.by_key.values()
            if flag in film.reading.flags
        }
        if ids:
            yield f"flagged {flag}, so to be taken with care: {few_words(sorted(ids, key=natural))}"


def few_words(words: Sequence[str], most: int = MOST_NAMED) -> str:
    """Return the first of some words, and how many more there are."""
    more = f" and {len(words) - most} more" if len(words) > most else ""
    return ", ".join(words[:most]) + more
