"""The answer of ``calib drift`` as rows under declared columns, with all that the rows do not say in its notes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calib.answers.drift.comparison import Comparison, Drift, Run
from calib.answers.drift.verdicts import FALSE_DISCOVERIES, VERDICTS
from calib.table.answerfile import Answer, table_notes
from calib.table.csvw import Column
from calib.table.table import Table


def _number(name: str, description: str, plain: str, unit: str = "", least: float | None = None) -> Column:
    return Column(name, "number", description, unit, minimum=least, plain=plain)


_OFF = "with what all pens changed by together taken off"
# The manual's words for columns that it explains together.
_PEN = "the pen"
_DATES = "the first session in which the pen was measured on this paper, and the later one"
_DIFFERENCE = (
    "how far the colour has moved, with its 95 % interval; what all pens have in common is taken off"
)
_WAY = "which way: lighter (above 0) or darker, more or less colourful, along the hue circle"
_INK = "amount of ink after over before, with its 95 % interval; 1 is unchanged"
COLUMNS: tuple[Column, ...] = (
    Column("marker", "string", "Id of the marker in the marker list", required=True, plain=_PEN),
    Column("name", "string", "Name of the marker in the marker list", plain=_PEN),
    Column(
        "layers", "integer", "Coats of ink", minimum=1, maximum=2, required=True, plain="coats of ink, 1 or 2"
    ),
    Column("paper", "string", "Name of the paper", required=True, plain="the paper"),
    Column(
        "before",
        "date",
        "Date of the first session in which the row was measured on this paper",
        plain=_DATES,
    ),
    Column("after", "date", "Date of the later session", plain=_DATES),
    _number(
        "dE00",
        f"CIEDE2000 difference of the film's colour, after from before, {_OFF}",
        _DIFFERENCE,
        "dE00",
        0,
    ),
    _number("dE00_low", "Lower end of its 95 % interval", _DIFFERENCE, "dE00", 0),
    _number("dE00_high", "Upper end of its 95 % interval", _DIFFERENCE, "dE00", 0),
    _number("dL", f"Difference of CIE 1976 L*, after less before, {_OFF}", _WAY),
    _number("dC", f"Difference of CIE 1976 chroma C*ab, after less before, {_OFF}", _WAY),
    _number(
        "dH",
        f"CIE 1976 hue difference H*ab, after less before, {_OFF}; positive where the hue angle grows",
        _WAY,
    ),
    _number(
        "strength",
        "Amount of ink after over before, along the marker's dose curve; where both coats agree, that of both together",
        _INK,
        "",
        0,
    ),
    _number("strength_low", "Lower end of its 95 % interval", _INK, "", 0),
    _number("strength_high", "Upper end of its 95 % interval", _INK, "", 0),
    Column(
        "q",
        "number",
        "False discovery rate at which the marker would be called changed, among all markers of the later session",
        minimum=0,
        maximum=1,
        decimals=6,
        plain="how likely a false alarm is: a pen is named where it is under 0.05",
    ),
    Column(
        "verdict",
        "string",
        "The first that applies: unreadable (measured before, not now); where q is under 0.05 and the change at least the "
        "limit: patchy (coverage fell or mottle rose; the spread of colour inside the cell counts as change too), off-hue "
        "(not along the marker's own dose curve), weaker, stronger; steady (surely less than the limit); unsure",
        pattern="|".join(VERDICTS),
        required=True,
        plain="the word for it, as above",
    ),
)
KEY = ("marker", "layers", "paper", "before", "after")


def drift_answer(tables: Sequence[Table], drift: Drift) -> Answer:
    """Return the rows of a comparison as they are written, and their notes."""
    rows = tuple(tuple(getattr(row, column.name) for column in COLUMNS) for row in drift.rows)
    keys = [(row.marker, row.layers, row.paper, row.before, row.after) for row in drift.rows]
    notes = table_notes(tables, at_least=drift.at_least, false_discovery_rate=FALSE_DISCOVERIES)
    notes["comparisons"] = [_comparison(one) for one in drift.comparisons]
    if drift.runs:
        notes["runs"] = [_run(run) for run in drift.runs]
    # Two sessions of one day have rows that only their order tells apart.
    key = KEY if len(set(keys)) == len(keys) else ()
    return Answer("drift", "Changes of markers between sessions", COLUMNS, rows, key, notes, drift.warnings)


def _comparison(one: Comparison) -> dict[str, Any]:
    return {
        "paper": one.paper,
        "before": one.before,
        "after": one.after,
        "markers": one.markers,
        "all_pens_moved_Lab": None if one.moved is None else [round(v, 3) for v in one.moved],
        "u_moved_L": round(one.u_moved, 3),
        "all_pens_stronger": round(one.all_stronger, 4),
        "paper_moved_Lab": None if one.paper_moved is None else [round(v, 3) for v in one.paper_moved],
        "hand_scatter": round(one.hand, 4),
        "hand_scatter_over_stated": round(one.hand_factor, 3),
        "reading_scatter_over_stated": round(one.reading_factor, 3),
        "rows_without_stated_doubt": one.assumed,
        "not_compared": [
            {"marker": left.marker, "layers": left.layers, "because_it": left.why} for left in one.left
        ],
    }


def _run(run: Run) -> dict[str, Any]:
    from datetime import date

    trend = run.trend
    found: dict[str, Any] = {
        "marker": run.marker,
        "paper": run.paper,
        "sessions": [date.fromordinal(round(point.day)).isoformat() for point in trend.points],
        "strength": [round(point.strength, 4) for point in trend.points],
        "strength_low": [round(value, 4) for value in trend.low],
        "strength_high": [round(value, 4) for value in trend.high],
        "forecast": trend.forecast,
    }
    if trend.ewma:
        found["ewma"] = [round(value, 3) for value in trend.ewma]
        found["ewma_limit"] = [round(value, 3) for value in trend.limit]
        found["signal"] = trend.signal
    return found
