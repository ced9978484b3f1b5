"""Predicted rows held against what a table may hold: a guess that is no colour is left unknown and named."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, TypeVar

from calib.table.columns import COLUMNS
from calib.table.table import Reading

Key = TypeVar("Key")

_BOUNDS = {column.name: column for column in COLUMNS if column.datatype == "number"}
_COLOUR, _LIGHT, _TRISTIMULUS = ("L", "a", "b", "C", "h"), ("R", "G", "B"), ("X", "Y", "Z")
_DOUBTS = ("u_L", "u_a", "u_b", "u_dose", "u_abs")
# All that says nothing without the colour.
_OF_COLOUR = (*_COLOUR, *_DOUBTS, *_LIGHT, *_TRISTIMULUS, "hex", "in_srgb", "dE00_paper")
MOST_NAMED = 8


def sound_rows(rows: Mapping[Key, Reading]) -> tuple[dict[Key, Reading], list[str]]:
    """Return predicted rows without what no table may hold, and a warning that names those without a colour.

    The bounds are those of the table's columns, which are wider than any paper and ink: what is beyond them comes of tables
    that have nothing to do with each other. A doubt beyond them is the largest that may be stated.
    """
    found = {key: _sound(row) for key, row in rows.items()}
    lost = [row for row in found.values() if row.lab is None]
    if not lost:
        return found, []
    names = [f"{row.marker} ({row.layers} coats)" if row.layers == 2 else row.marker for row in lost]
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return found, [
        f"Could not be predicted, because what the readings say of them is no colour at all: {', '.join(names[:MOST_NAMED])}{more}. "
        "Look whether the tables are of the same pens."
    ]


def _sound(row: Reading) -> Reading:
    changed: dict[str, Any] = {}
    if not _all_inside(row, _COLOUR):
        changed |= dict.fromkeys(_OF_COLOUR)
        return replace(row, **changed)
    for names in (_LIGHT, _TRISTIMULUS, ("dE00_paper",)):
        if not _all_inside(row, names):
            changed |= dict.fromkeys(names)
    for name in _DOUBTS:
        if not _all_inside(row, (name,)):
            changed[name] = _BOUNDS[name].maximum
    return replace(row, **changed) if changed else row


def _all_inside(row: Reading, names: tuple[str, ...]) -> bool:
    return all(_inside(name, getattr(row, name)) for name in names)


def _inside(name: str, value: float | None) -> bool:
    column = _BOUNDS[name]
    # As the table rounds it when it is written; an infinity cannot be rounded.
    return value is None or (math.isfinite(value) and not column.problem(round(value, column.decimals)))
