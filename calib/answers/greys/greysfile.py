"""Greys as a file: the columns, the rows in order of lightness, and what the notes say besides."""

from __future__ import annotations

from typing import Any

from calib.answers.between import PEN_COLUMNS, pen_cells
from calib.answers.greys.families import Greys
from calib.answers.greys.ladders import Ladder
from calib.table.answerfile import Answer, table_notes
from calib.table.csvw import Column
from calib.table.table import Table

_CAST = "its a* and b* beside this paper's white: above 0 is pinker and warmer, below 0 greener and cooler"

COLUMNS: tuple[Column, ...] = (
    *PEN_COLUMNS,
    Column("cast_a", "number", "a* beside the paper's white", "a*", minimum=-300, maximum=300, plain=_CAST),
    Column("cast_b", "number", "b* beside the paper's white", "b*", minimum=-300, maximum=300, plain=_CAST),
    Column(
        "cast_C",
        "number",
        "Chroma beside the paper's white",
        "C*",
        minimum=0,
        maximum=400,
        plain="how strong that cast is; 0 is neutral",
    ),
    Column(
        "u_C",
        "number",
        "Standard uncertainty of cast_C",
        "C*",
        minimum=0,
        maximum=400,
        plain="how far it may be off",
    ),
    Column(
        "cast",
        "string",
        "neutral, or which way it leans",
        plain="`neutral`, or which way it leans: `warmer`, `cooler`, `greener`, `pinker`",
    ),
    Column(
        "sure",
        "boolean",
        "Whether the cast, or that there is none, is beyond doubt",
        required=True,
        plain="whether the cast, or that there is none, is beyond doubt",
    ),
    Column(
        "second_coat",
        "string",
        "What a second coat does to the cast: keeps it or which way it turns; empty where that was not measured or is in doubt",
        plain="what a second coat does to it: `keeps`, or which way it turns; empty where that is in doubt or not known",
    ),
    Column(
        "ladders",
        "string",
        "Numbers of the ladders in which it is a rung",
        plain="the ladders in which it is a rung",
    ),
)


def greys_answer(table: Table, found: Greys, ladders: tuple[Ladder, ...]) -> Answer:
    """Return the answer as rows, the lightest first."""
    rungs: dict[tuple[str, int], list[int]] = {}
    for number, ladder in enumerate(ladders, start=1):
        for grey in ladder.greys:
            rungs.setdefault((grey.pen.marker, grey.layers), []).append(number)
    turns = {(turn.one.pen.marker, 1): " ".join(turn.words) or "keeps" for turn in found.turns if turn.sure}
    rows = [
        (
            *pen_cells(grey.pen, grey.layers),
            *(float(value) for value in grey.cast),
            grey.chroma,
            grey.u_chroma,
            " ".join(grey.words) or "neutral",
            grey.sure,
            turns.get((grey.pen.marker, grey.layers), ""),
            " ".join(str(n) for n in rungs.get((grey.pen.marker, grey.layers), [])),
        )
        for grey in found.greys
    ]
    notes: dict[str, Any] = {
        **table_notes([table], within=found.within),
        "paper": found.shelf.paper,
        "white": None if found.shelf.white is None else [round(float(v), 2) for v in found.shelf.white],
        "ladders": [
            {
                "number": number,
                "markers": [grey.pen.marker for grey in ladder.greys],
                "layers": ladder.greys[0].layers,
                "span_L": round(ladder.span, 2),
                "uneven": round(ladder.uneven, 3),
            }
            for number, ladder in enumerate(ladders, start=1)
        ],
        "families": [
            {
                "set": one.set, "paper": one.paper, "layers": one.layers, "pens": one.pens, "cast": one.word, "neutral": one.neutral,
                "cast_a": round(one.cast[0], 2), "cast_b": round(one.cast[1], 2),
            }
            for one in found.families
        ],
    }  # fmt: skip
    return Answer(
        "greys",
        "Near-neutral markers and their cast",
        COLUMNS,
        tuple(rows),
        ("marker", "layers"),
        notes,
        found.shelf.warnings,
    )
