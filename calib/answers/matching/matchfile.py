"""Matches as a file: the columns, the rows, and what the notes say besides."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from calib.answers.between import PEN_COLUMNS, pen_cells
from calib.answers.matching.nearest import Match, Matches
from calib.answers.matching.target import GIVEN
from calib.table.answerfile import Answer, table_notes
from calib.table.csvw import Column
from calib.table.table import Table

_APART = "how far it is from what was asked for, in dE00, with the 95 % interval"
_WAY = "which way: lighter (above 0) or darker, more or less colourful, along the hue circle"

COLUMNS: tuple[Column, ...] = (
    *PEN_COLUMNS,
    Column("rank", "integer", "1 for the nearest", minimum=1, required=True, plain="1 for the nearest"),
    Column(
        "for_layers",
        "integer",
        "Coats of the marker asked about that this stands for; empty where a colour was asked for",
        minimum=1,
        maximum=2,
        plain="how many coats of the pen asked about it stands for",
    ),
    Column(
        "dE00",
        "number",
        "CIEDE2000 difference from the target",
        "dE00",
        minimum=0,
        maximum=1000,
        plain=_APART,
    ),
    Column(
        "dE00_low", "number", "Lower end of its 95 % interval", "dE00", minimum=0, maximum=1000, plain=_APART
    ),
    Column(
        "dE00_high", "number", "Upper end of its 95 % interval", "dE00", minimum=0, maximum=1000, plain=_APART
    ),
    Column("dL", "number", "Lightness less the target's", "L*", minimum=-200, maximum=200, plain=_WAY),
    Column("dC", "number", "Chroma less the target's", "C*", minimum=-400, maximum=400, plain=_WAY),
    Column(
        "dH", "number", "Metric hue difference from the target", "H*", minimum=-400, maximum=400, plain=_WAY
    ),
    Column(
        "chance",
        "number",
        "Share of draws from the doubts in which this marker is the nearest of all",
        "",
        minimum=0,
        maximum=1,
        plain="how likely it truly is the nearest of all, 0 to 1",
    ),
    Column(
        "tied",
        "boolean",
        "Whether it is one of the fewest markers that together have 95 % of the chance",
        required=True,
        plain="whether it is one of the few among which the truly nearest is, with 95 % chance",
    ),
    Column(
        "verdict",
        "string",
        "same: the upper end is under 0.8; near: within 1.8; fair: within 3.7; far: beyond",
        pattern="same|near|fair|far",
        required=True,
        plain="`same` (nobody sees it), `near` (most people accept it), `fair` (some do), `far`",
    ),
    Column("differs", "string", "How it differs from the target, in words", plain="how it differs, in words"),
)


def match_answer(table: Table, found: Matches, **settings: Any) -> Answer:
    """Return the answer as rows: the matches by rank, then two coats for one and one for two where that is worth a word."""
    target = found.target
    rows = [
        row
        for rank, one in enumerate((*found.found, *found.twice, *found.once), start=1)
        for row in _rows(rank, one)
    ]
    return Answer(
        name="match",
        title="Markers nearest to a colour",
        columns=COLUMNS,
        rows=tuple(rows),
        key=("marker", "layers", "for_layers"),
        notes={
            **table_notes([table], **settings),
            "paper": found.shelf.paper,
            "target": {
                "kind": target.kind,
                "called": target.called,
                "colours": [
                    {"layers": n, **dict(zip("Lab", (round(float(v), 2) for v in aim.lab), strict=True))}
                    for n, aim in target.aims.items()
                ],
                "notes": list(target.notes),
            },
            "doubt": "with u_abs: the scanner's own colour error counts"
            if target.kind == GIVEN
            else "without u_abs: both colours were read by one scanner",
            "undecided": found.undecided,
            "compared": found.compared,
            "left_out": [{"marker": marker, "why": why} for marker, why in found.left.items()],
        },
        warnings=found.shelf.warnings,
    )


def _rows(rank: int, one: Match) -> Iterator[tuple[Any, ...]]:
    for fit in one.fits:
        yield (
            *pen_cells(one.pen, fit.coats),
            rank,
            fit.aim or None,
            *(fit.dE00, fit.low, fit.high, *fit.parts),
            one.chance,
            one.tied,
            one.verdict,
            ", ".join(fit.differs) or "no difference worth a word",
        )
