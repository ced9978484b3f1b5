"""A judged picture as a file: one row for each area and marker, and what the notes say of areas, borders and the whole."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from calib.answers.scene.judging import Scene
from calib.table.answerfile import Answer, table_notes
from calib.table.csvw import Column
from calib.table.table import Table

_LAB = "its colour in one coat (two where it was not read in one)"
COLUMNS: tuple[Column, ...] = (
    Column("area", "string", "Area of the picture", required=True, plain="the area"),
    Column("marker", "string", "Id of the marker", required=True, plain="the pen"),
    Column("name", "string", "Name of the marker", plain="the pen"),
    Column("L", "number", "CIE 1976 L*, D50, 2 degrees", "L*", minimum=-5, maximum=200, plain=_LAB),
    Column("a", "number", "CIE 1976 a*, D50, 2 degrees", "a*", minimum=-300, maximum=300, plain=_LAB),
    Column("b", "number", "CIE 1976 b*, D50, 2 degrees", "b*", minimum=-300, maximum=300, plain=_LAB),
    Column(
        "areas",
        "integer",
        "Number of areas that use the marker",
        minimum=1,
        required=True,
        plain="how many areas use it",
    ),
    Column(
        "trouble", "string", "Why the marker cannot be counted on", plain="why it cannot be counted on, if so"
    ),
    Column(
        "stand_in",
        "string",
        "Id of the nearest marker that stands in for it",
        plain="the nearest pen that stands in for it",
    ),
    Column(
        "stand_in_dE00",
        "number",
        "How far that one is, the worst over the coats",
        "dE00",
        minimum=0,
        maximum=1000,
        plain="how far that one is from it, in dE00",
    ),
)


def scene_answer(table: Table, found: Scene) -> Answer:
    """Return the answer as rows, in the order of the plan, each area dark to light."""
    return Answer(
        name="scene",
        title="A planned picture and its markers",
        columns=COLUMNS,
        rows=tuple(_rows(found)),
        key=("area", "marker"),
        notes={
            **table_notes([table], plan=found.plan.path.name),
            "paper": found.shelf.paper,
            **_notes(found),
        },
        warnings=found.shelf.warnings,
    )


def _rows(found: Scene) -> Iterator[tuple[Any, ...]]:
    trouble = {one.marker: one for one in found.troubles}
    for judged in found.areas:
        labs = {tone.pen.marker: tone for tone in judged.tones}
        for marker in (*labs, *judged.lost):
            why = trouble.get(marker)
            lab = [float(v) for v in labs[marker].lab] if marker in labs else [None] * 3
            name = labs[marker].pen.name if marker in labs else why.name if why else ""
            first = why.stand_ins[0] if why and why.stand_ins else None
            yield (
                judged.area.name,
                marker,
                name,
                *lab,
                len(found.shared.get(marker, (1,))),
                why.why if why else "",
                first.pen.marker if first else "",
                first.worst.dE00 if first else None,
            )


def _notes(found: Scene) -> dict[str, Any]:
    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 2)

    return {
        "areas": [
            {"area": one.area.name, "span_L": rounded(one.span), "u_span_L": rounded(one.u_span), "verdict": one.verdict}
            for one in found.areas
        ],
        "borders": [
            {
                "one": one.one, "two": one.two, "dL": rounded(one.dL), "dE00": rounded(one.dE00),
                "dE00_low": rounded(one.low), "dE00_high": rounded(one.high), "verdict": one.verdict,
            }
            for one in found.borders
        ],
        "neighbours_given": found.plan.neighbours,
        "shared": [{"marker": marker, "areas": list(names)} for marker, names in found.shared.items()],
        "doubles": [{"one": one.one, "two": one.two, "dE00": rounded(one.dE00)} for one in found.doubles],
        "lightest_L": rounded(found.lightest),
        "darkest_L": rounded(found.darkest),
    }  # fmt: skip
