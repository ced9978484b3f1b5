"""Which sessions of tables may be held against each other, which rows of them, and what stands in the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.change import Cells, cells_of
from calib.answers.drift.growth import in_wide_light, with_paper_ratio
from calib.answers.films import Films, Left, films_of, measured
from calib.errors import InputError
from calib.table.sessions import Session, sessions_of
from calib.table.table import Reading, Table

Array = NDArray[np.float64]
Key = tuple[str, int]

# Bare paper in two sessions is nearly alike; a ratio beyond this is a misread sheet, not another lamp.
MOST_PAPER = 4.0
# Drying times this much apart leave another colour (common practice: alcohol inks lighten for a day).
DRIED_APART = 2.0


@dataclass(frozen=True, eq=False)
class Pair:
    """A later session against an earlier one of the same paper.

    cells: all that both have. keys: those of which the earlier session is the first that could be measured. lost: later
    rows of such keys that cannot be read. left: what is not compared, and why. paper_moved: (3,) L*, a*, b* of the bare paper after less
    before, None where a table has no row of it. assumed: how many rows stated no doubt.
    """

    before: Session
    after: Session
    cells: Cells
    keys: frozenset[Key]
    lost: tuple[Reading, ...]
    left: tuple[Left, ...]
    paper_moved: Array | None
    assumed: int


def runs_of(tables: Sequence[Table]) -> tuple[dict[str, tuple[Session, ...]], tuple[str, ...]]:
    """Return the sessions of each paper that has more than one, in the order given, and warnings.

    Raises InputError where no paper has two sessions.
    """
    papers: dict[str, list[Session]] = {}
    for session in sessions_of(tables):
        papers.setdefault(session.paper, []).append(session)
    runs = {paper: tuple(found) for paper, found in papers.items() if len(found) > 1}
    path = next((table.path for table in reversed(tables) if table.path is not None), None) or Path("tables")
    if not runs:
        names = ", ".join(f"'{paper}'" for paper in papers)
        if len(papers) > 1:
            raise InputError.of(
                path,
                f"shares no paper with the others: the papers are {names}",
                "Drift is told on one paper only; 'calib papers' compares two papers.",
            )
        raise InputError.of(
            path,
            f"holds one session of the paper {names} and there is no other to compare it with",
            "Give a table of an earlier or later session as well.",
        )
    warnings = [
        f"the paper '{paper}' stands in one session only and is not compared; 'calib papers' compares papers"
        for paper in papers
        if paper not in runs
    ]
    for run in runs.values():
        for one, two in pairwise(run):
            if two.date <= one.date:
                early = two.date < one.date
                word = "an earlier date than" if early else "the same date as"
                warnings.append(
                    f"{two.file or two.called}: has {word} the session given before it ({two.date}, {one.date}); "
                    "the order given counts" + (", so 'stronger' means weaker with time" if early else "")
                )
    return runs, tuple(warnings)


def pairs_of(run: Sequence[Session]) -> tuple[tuple[Pair, ...], tuple[str, ...]]:
    """Return every later session of one paper with each earlier one that is the first for some marker, and warnings."""
    films = [measured(films_of(session)) for session in run]
    first: dict[Key, int] = {}
    for i, one in enumerate(films):
        for key in one.by_key:
            first.setdefault(key, i)
    pairs: list[Pair] = []
    warnings: list[str] = []
    for j in range(1, len(run)):
        for i in range(j):
            keys = frozenset(key for key, at in first.items() if at == i)
            wanted = {key for key in keys if key in films[j].by_key or key in run[j].by_key}
            if not wanted and i:
                continue
            pair, said = _pair(films[i], films[j], keys, first, i == 0)
            pairs.append(pair)
            warnings += said
    return tuple(pairs), tuple(dict.fromkeys(warnings))


def _pair(
    before: Films, after: Films, keys: frozenset[Key], first: dict[Key, int], named: bool
) -> tuple[Pair, tuple[str, ...]]:
    one, two = before.session, after.session
    warnings = _warnings(one, two)
    models = {session.origin.colour_model for session in (one, two)} - {("", "")}
    same_model = len(models) < 2
    common = [key for key in before.by_key if key in after.by_key]
    rows = [films.by_key[key].reading for films in (before, after) for key in common]
    bare = any(row.linear is None for row in rows)
    if not same_model:
        if bare:
            raise InputError.of(
                Path(two.file or two.called),
                f"was measured with another colour model of the scanner than {one.file or one.called} "
                f"({_models(one, two)}), and the light in R, G, B is missing, which would not depend on it",
                "Measure both scans with the same --scanner file.",
            )
        warnings.append(
            f"{two.called}: another colour model of the scanner than {one.called} ({_models(one, two)}); "
            "differences are computed from the light in R, G, B"
        )
    if bare and any(row.linear is not None for row in rows):
        # Light that comes from colours by the default matrix may only be held against its like.
        before, after = (
            measured(films_of(_without_light(films.session))) for films in (before, after)
        )  # fmt: skip
    over, moved, said = _papers(one, two, before.paper, after.paper)
    before = replace(before, by_key=with_paper_ratio(in_wide_light(before, after)))
    cells = cells_of(before, after, over, same_model)
    lost = tuple(
        row
        for key, row in two.by_key.items()
        if key in keys and key not in after.by_key and row.kind == "ink" and "predicted" not in row.flags
    )
    left = _left(before, after, keys, first) if named else ()
    assumed = sum(row.u_L is None for row in rows)
    return Pair(one, two, cells, keys, lost, left, moved, assumed), (*warnings, *said)


def _left(before: Films, after: Films, keys: frozenset[Key], first: dict[Key, int]) -> tuple[Left, ...]:
    """Return the markers that are not compared between the first session and a later one, and why, in words after 'because it'."""
    found = []
    for key in sorted(keys):
        if key not in after.session.by_key:
            row = before.by_key[key].reading
            found.append(
                Left(row.marker, row.name, row.layers, f"was not measured on {after.session.called}")
            )
    for key, row in sorted(after.session.by_key.items()):
        if row.kind == "ink" and key in before.session.by_key and key not in first:
            found.append(Left(row.marker, row.name, row.layers, "could be measured in neither session"))
        elif row.kind == "ink" and key in after.by_key and key not in before.by_key:
            why = (
                f"could not be measured on {before.session.called}"
                if key in before.session.by_key
                else f"was not measured on {before.session.called}"
            )
            found.append(Left(row.marker, row.name, row.layers, why))
    return tuple(found)


def _without_light(session: Session) -> Session:
    def bare(row: Reading | None) -> Reading | None:
        return None if row is None else replace(row, R=None, G=None, B=None)

    rows = tuple(replace(row, R=None, G=None, B=None) for row in session.rows)
    return replace(session, rows=rows, white=bare(session.white), black=bare(session.black))


def _papers(
    one: Session, two: Session, light_1: Array, light_2: Array
) -> tuple[Array, Array | None, list[str]]:
    """Return by what light after is multiplied to lie over the paper before, how the paper's colour moved, and warnings."""
    kinds = {session.white.kind if session.white is not None else "" for session in (one, two)}
    if kinds not in ({"paper"}, {"blender"}):
        return (
            np.ones(3),
            None,
            [
                f"{session.called}: has no row of the bare paper, so its white is taken for unchanged"
                for session in (one, two)
                if session.white is None or session.white.kind != "paper"
            ],
        )
    assert one.white is not None and two.white is not None
    ratio = np.maximum(light_1, 1e-3) / np.maximum(light_2, 1e-3)
    moved = (
        np.subtract(two.white.lab or (0, 0, 0), one.white.lab or (0, 0, 0)) if kinds == {"paper"} else None
    )
    if np.any(ratio > MOST_PAPER) or np.any(ratio < 1 / MOST_PAPER):
        return (
            np.ones(3),
            moved,
            [f"{two.called}: the bare paper has quite another colour than in {one.called}"],
        )
    return np.asarray(ratio), moved, []


def _models(one: Session, two: Session) -> str:
    before, after = (session.origin.colour_model[0] for session in (one, two))
    return f"{after}; {before}" if before != after else f"{after}, fitted anew"


def _warnings(one: Session, two: Session) -> list[str]:
    """Return what differs in how two sessions were made, as sentences."""
    found = []
    names = f"{one.called} and {two.called}"
    dried = [session.origin.dates.get("dried_hours") for session in (one, two)]
    hours = [float(h) if isinstance(h, (int, float)) and h >= 0 else None for h in dried]
    if None in hours and hours != [None, None]:
        found.append(f"{names}: how long the ink dried is known of one session only")
    elif hours[0] is not None and hours[1] is not None:
        low, high = sorted((hours[0], hours[1]))
        if high > DRIED_APART * max(low, 1e-9) and high > 0:
            found.append(
                f"{names}: the ink dried {hours[0]:g} and {hours[1]:g} hours; fresh ink has another colour, so "
                "what all pens changed by may be that"
            )
    strips = [session.origin.strip for session in (one, two)]
    bare = [_flagged(session, "no-strip") or strip.get("kind") == "none" for session, strip in zip((one, two), strips, strict=True)]  # fmt: skip
    files = [strip.get("file") for strip in strips]
    if bare[0] != bare[1]:
        found.append(
            f"{names}: one was measured with a grey strip and one without; tones may differ for that alone"
        )
    elif files[0] and files[1] and files[0] != files[1]:
        found.append(
            f"{names}: other strip files ({files[0]}, {files[1]}); what they are off by is not in the doubts"
        )
    if _flagged(one, "photo") != _flagged(two, "photo"):
        found.append(f"{names}: one was photographed and one scanned; tones may differ for that alone")
    return found


def _flagged(session: Session, flag: str) -> bool:
    return any(flag in row.flags for row in session.rows)
