"""Two coats predicted from one: a table completed by the rows of second coats that nobody laid.

What a second coat does on a paper is learned from the markers of which both were read, and said with how far
it was off when each of them was left out in turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Left, films_of
from calib.answers.secondcoat.learning import Known, Sheet, colours, learn_paper, way
from calib.answers.secondcoat.light import light_model
from calib.answers.secondcoat.model import LEVELS
from calib.answers.sound import sound_rows
from calib.colour.colorimetry import delta_e_2000, lab_to_hex, lab_to_lch, lab_to_xyz
from calib.colour.difference import local_scale
from calib.errors import InputError
from calib.table.sessions import sessions_of
from calib.table.table import Reading, Table

Array = NDArray[np.float64]

# What of a one-coat row's flags is true of what was predicted from it too.
KEPT_FLAGS = ("no-strip", "forced", "photo", "unlike-hint", "mottled", "half-filled", "few-pixels")
# Fewer markers than this say little of how far off the prediction is.
FEW = 6


@dataclass(frozen=True)
class TwoCoats:
    """A table with every second coat, measured or predicted.

    table: the rows of the first table, the predicted ones after their first coats. predicted: how many. mean,
    p95: dE00 between prediction and reading of the markers with both coats, each left out of the learning in
    turn; None where there was none. model: the way that won, in words, and exponent: how many times the ink
    of one coat two leave on the paper; both of the paper with most rows predicted. trained: how many markers
    with both coats it was learned from. left: rows from which nothing could be predicted. warnings:
    sentences.
    """

    table: Table
    predicted: int
    mean: float | None
    p95: float | None
    model: str
    exponent: float
    trained: int
    left: tuple[Left, ...]
    warnings: tuple[str, ...]


def predict_two_coats(tables: Sequence[Table]) -> TwoCoats:
    """Return the first table with the second coats that it lacks, predicted from the first coats.

    tables: the table to be completed, and further ones to learn from: of the same paper fully, of other
    papers how density saturates. Tables of another scanner are not used. Raises InputError where the table
    has no coat to predict from.
    """
    if not tables:
        raise ValueError("no table")
    usable, warnings = _same_scanner(tables)
    every = [Sheet(films, light_model(films)) for films in map(films_of, sessions_of(usable))]
    count = len(sessions_of(usable[:1]))
    mine = every[:count]
    if not any(layers == 1 for sheet in mine for _, layers in sheet.films.by_key):
        raise InputError.of(
            tables[0].path or Path("the table"),
            "has no row of one coat with a usable colour, so there is nothing to predict two coats from",
            "Measure a chart with one coat of each marker first.",
        )
    known = {paper: learn_paper(paper, mine, every) for paper in dict.fromkeys(sheet.paper for sheet in mine)}
    new: dict[tuple[str, int, str, str], Reading] = {}
    for sheet in mine:
        new.update(_predicted(sheet, known[sheet.paper]))
    new, unsound = sound_rows(new)
    warnings += unsound
    main = max(known, key=lambda paper: sum(key[2] == paper for key in new))
    warnings += _bare(mine) + _warnings(known, new, tables[0])
    misses = np.concatenate([one.misses for one in known.values()])
    found = TwoCoats(
        table=_completed(tables[0], new),
        predicted=len(new),
        mean=float(misses.mean()) if len(misses) else None,
        p95=float(np.quantile(misses, 0.95)) if len(misses) else None,
        model=LEVELS[known[main].model.level],
        exponent=float(known[main].model.numbers[0]),
        trained=sum(len(one.markers) for one in known.values()),
        left=tuple(left for sheet in mine for left in sheet.films.left if _lacks(sheet, left)),
        warnings=tuple(warnings),
    )
    return replace(found, table=_noted(found))


def _same_scanner(tables: Sequence[Table]) -> tuple[list[Table], list[str]]:
    """Return the first table and those that do not say that they are of another scanner, and what is to be
    said of the rest.
    """
    first = tables[0].origin.colour_model
    kept, warnings = [tables[0]], []
    for table in tables[1:]:
        other = table.origin.colour_model
        if ("", "") not in (first, other) and first != other:
            name = table.path.name if table.path else "A further table"
            warnings.append(
                f"{name} is of another scanner model ({other[0]}), so nothing was learned from it."
            )
        else:
            kept.append(table)
    return kept, warnings


def _lacks(sheet: Sheet, left: Left) -> bool:
    """Return whether a row left out was a first coat whose second is not there either."""
    return left.layers == 1 and (left.marker, 2) not in sheet.films.by_key


def _predicted(sheet: Sheet, known: Known) -> dict[tuple[str, int, str, str], Reading]:
    """Return the rows of second coats that a session lacks, by key."""
    films = sheet.films
    ones = [film for (marker, n), film in films.by_key.items() if n == 1 and (marker, 2) not in films.by_key]
    if not ones:
        return {}
    sheets = [sheet] * len(ones)
    two = known.model.two(np.array([films.paper] * len(ones)), np.array([film.linear for film in ones]))
    lab = colours(sheets, ones, two)
    covariance = known.doubt.covariance(ones, way(known.model, sheets, ones), lab)
    white = films.session.white
    bare = np.array(white.lab) if white is not None and white.lab is not None else None
    rows = [
        _row(ones[i].reading, two[i], lab[i], covariance[i], known.doubt.dose(ones[i].u_dose), bare)
        for i in range(len(ones))
    ]
    return {row.key: row for row in rows}


def _row(
    one: Reading, light: Array, lab: Array, covariance: Array, u_dose: float, bare: Array | None
) -> Reading:
    u = np.sqrt(np.diag(covariance))
    ((text, inside),) = lab_to_hex(lab[None])
    values = (*lab, *lab_to_lch(lab)[1:], *u, u_dose, *light, *(100 * lab_to_xyz(lab)))
    names = ("L", "a", "b", "C", "h", "u_L", "u_a", "u_b", "u_dose", "R", "G", "B", "X", "Y", "Z")
    size = float(np.sqrt(np.trace(local_scale(lab)[0] @ covariance)))
    flags = (*(f for f in one.flags if f in KEPT_FLAGS), *(() if inside else ("out-of-srgb",)), "predicted")
    filled: dict[str, Any] = {name: float(value) for name, value in zip(names, values, strict=True)}
    return Reading(
        one.marker,
        2,
        one.paper,
        one.session,
        one.name,
        one.set,
        one.kind,
        **filled,
        u_abs=None if one.u_abs is None else float(np.hypot(one.u_abs, size)),
        hex=text,
        in_srgb=inside,
        dE00_paper=None if bare is None else float(delta_e_2000(lab, bare)),
        flags=flags,
    )


def _completed(table: Table, new: dict[tuple[str, int, str, str], Reading]) -> Table:
    """Return the table with the new rows: in place of rows of the same key, else after their first coats."""
    there = {row.key for row in table.readings}
    rows: list[Reading] = []
    for row in table.readings:
        rows.append(new.get(row.key, row))
        after = (row.marker, 2, row.paper, row.session)
        if row.layers == 1 and after in new and after not in there:
            rows.append(new[after])
    return replace(table, readings=tuple(rows))


def _noted(found: TwoCoats) -> Table:
    """Return the table with a note of how its predicted rows came about."""
    note = {
        "predicted": found.predicted,
        "model": found.model,
        "exponent": round(found.exponent, 3),
        "learned_from": found.trained,
        "error_dE00": None if found.mean is None else round(found.mean, 2),
        "error_dE00_p95": None if found.p95 is None else round(found.p95, 2),
        "error_from": "each marker with both coats left out in turn",
    }
    details = {**found.table.origin.details, "two_coats": note}
    return replace(found.table, origin=replace(found.table.origin, details=details))


def _bare(mine: Sequence[Sheet]) -> list[str]:
    """Return what is to be said of sessions without a row of the bare paper."""
    papers = {
        sheet.paper: None
        for sheet in mine
        if sheet.films.session.white is None or sheet.films.session.white.kind not in ("paper", "blender")
    }
    return [
        f"The bare paper of {paper} was not measured, so the lightest row stands for it; second coats of the "
        "palest inks come out too light."
        for paper in papers
    ]


def _warnings(
    known: dict[str, Known], new: dict[tuple[str, int, str, str], Reading], table: Table
) -> list[str]:
    found = []
    for paper, one in known.items():
        count = len(one.markers)
        if one.model.odd:
            names = ", ".join(dict.fromkeys(one.model.odd))
            found.append(
                f"On {paper} the second coat does not follow from the first for {names}; nothing was learned from "
                "it. Look whether the two cells were coloured with different pens."
            )
        if count < FEW and any(key[2] == paper for key in new):
            learned = f"only {count} markers have" if count > 1 else f"{('no', 'only one')[count]} marker has"
            found.append(
                f"On {paper} {learned} both coats, so the usual growth of ink is taken and the doubt is wide. "
                f"Lay two coats of some {2 * FEW} unlike markers to make it better."
            )
    replaced = [row for row in table.readings if row.key in new]
    if replaced:
        why = ", ".join(f"{row.marker} ({' '.join(row.flags) or 'no colour'})" for row in replaced[:8])
        more = f" and {len(replaced) - 8} more" if len(replaced) > 8 else ""
        found.append(f"Second coats that could not be used and are predicted instead: {why}{more}.")
    if not new:
        found.append("Every marker with a usable first coat has a usable second one: nothing was predicted.")
    return found
