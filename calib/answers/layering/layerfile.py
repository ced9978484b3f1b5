"""Layers as a file: the columns, the rows, and what the notes say besides."""

from __future__ import annotations

from typing import Any

from calib.answers.between import PEN_COLUMNS
from calib.answers.layering.steps import Layering, Step, mean_miss
from calib.colour.colorimetry import lab_to_hex
from calib.table.answerfile import Answer, table_notes
from calib.table.csvw import Column
from calib.table.table import Table

_OFF = "how far each may be off, of one coat more laid by the same hand: one standard deviation"
_APART = "how far it is from what lies below it, in dE00, with the 95 % interval"
_LIGHTER = "how much lighter (above 0) or darker than what lies below it, with the 95 % interval"
_LAYERS = "`2` where it is two coats of one pen and nothing else; otherwise `1`, which is one coat of each pen that is named"


def _number(name: str, description: str, unit: str, bounds: tuple[float, float], plain: str) -> Column:
    return Column(name, "number", description, unit, minimum=bounds[0], maximum=bounds[1], plain=plain)


COLUMNS: tuple[Column, ...] = (
    Column(
        "marker",
        "string",
        "What lies there: a marker's id, or '034 over 012' where 034 lies on top of 012",
        required=True,
        plain="what lies there: a pen, or `034 over 012`, which is 034 on top of 012",
    ),
    Column(
        "name",
        "string",
        "The same in the markers' names; empty where one has none",
        plain="the same in the pens' names",
    ),
    Column(
        "layers",
        "integer",
        "2 where it is two coats of one marker and nothing else, else 1: one coat of each marker named",
        minimum=1,
        maximum=2,
        required=True,
        plain=_LAYERS,
    ),
    *PEN_COLUMNS[3:],
    *(
        _number(f"u_{letter}", f"Standard uncertainty (k = 1) of {letter}*", f"{letter}*", (0, 1000), _OFF)
        for letter in "Lab"
    ),
    _number(
        "within",
        "CIEDE2000 difference from this colour within which 95 % of such overlays are expected",
        "dE00",
        (0, 1000),
        "how rough that is: 95 of 100 times you will lay a colour within so many dE00 of it",
    ),
    Column(
        "hex",
        "string",
        "Nearest sRGB colour",
        pattern="#[0-9a-f]{6}",
        required=True,
        plain="the nearest colour on a screen",
    ),
    Column(
        "source",
        "string",
        "measured: read from a swatch; predicted: from the single inks",
        pattern="measured|predicted",
        required=True,
        plain="`measured` or `predicted`",
    ),
    Column(
        "against",
        "string",
        "What lies below the uppermost coat, to which the following columns compare",
        required=True,
        plain="what lies below the uppermost coat",
    ),
    _number("dE00", "CIEDE2000 difference from what lies below", "dE00", (0, 1000), _APART),
    _number("dE00_low", "Lower end of its 95 % interval", "dE00", (0, 1000), _APART),
    _number("dE00_high", "Upper end of its 95 % interval", "dE00", (0, 1000), _APART),
    _number("dL", "Lightness less that of what lies below", "L*", (-200, 200), _LIGHTER),
    _number("dL_low", "Lower end of its 95 % interval", "L*", (-1000, 1000), _LIGHTER),
    _number("dL_high", "Upper end of its 95 % interval", "L*", (-1000, 1000), _LIGHTER),
    Column(
        "shows",
        "string",
        "yes: the lower end of dE00 is 1.8 or more; no: the upper end is under 0.8; unsure: neither",
        pattern="yes|no|unsure",
        required=True,
        plain="whether it will show on what lies below: `yes`, `no` (nobody would see it) or `unsure`",
    ),
)


def layer_answer(table: Table, found: Layering) -> Answer:
    """Return the answer as rows: the ground first, then one row for each coat on it."""
    law, miss = found.paper.law, mean_miss(found.paper)
    return Answer(
        name="layer",
        title="Inks over each other",
        columns=COLUMNS,
        rows=tuple(_row(step) for step in found.steps),
        key=("marker", "layers"),
        notes={
            **table_notes([table], markers=[pen.marker for pen in found.pens]),
            "paper": found.shelf.paper,
            "law": {
                "exponent": round(float(law.numbers[0]), 4),
                "u_exponent": round(float(law.doubt[0, 0]) ** 0.5, 4),
                "order": round(float(law.numbers[1]), 4),
                "u_order": round(float(law.doubt[1, 1]) ** 0.5, 4),
                "left_out_dE00": round(law.miss, 4),
                "lights": {name: round(worth, 4) for name, worth in law.worth.items()},
                "pens_with_two_coats": law.pens,
                "measured_overlays": law.overlays,
            },
            "measured_overlays_mean_miss_dE00": None if miss is None else round(miss, 4),
        },
        warnings=found.warnings,
    )


def _row(step: Step) -> tuple[Any, ...]:
    ((text, _),) = lab_to_hex(step.lab[None])
    how = step.how
    return (
        *(step.marker, step.name, step.layers, *map(float, step.lab), *map(float, step.u)),
        *(step.within, text, step.source, step.against),
        *(how.dE00, how.low, how.high, how.dL, how.dL_low, how.dL_high, how.shows),
    )
