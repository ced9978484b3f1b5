"""A set as a file: its columns, its rows dark first, and what its notes say besides."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from calib.answers.between import PEN_COLUMNS, pen_cells
from calib.answers.blending.judge import Added, Judgement
from calib.answers.blending.proposal import Proposal
from calib.answers.blending.steps import Blend, Run
from calib.answers.shelf import Shelf
from calib.table.answerfile import Answer, table_notes
from calib.table.csvw import Column
from calib.table.table import Table

# The manual's words for columns that it explains together.
_NEXT = (
    "how much lighter the next pen is in as many coats, and how much more colourful; empty for the lightest"
)
_FAR = "how far the next pen's colour is, with the 95 % interval"

COLUMNS: tuple[Column, ...] = (
    *PEN_COLUMNS,
    Column(
        "place",
        "integer",
        "Place in the set, 1 being the darkest",
        minimum=1,
        required=True,
        plain="place in the set, 1 is the darkest",
    ),
    Column("dL", "number", "L* of the next lighter pen less this one's", "L*", -200, 200, plain=_NEXT),
    Column("dC", "number", "Its chroma less this one's", "C*ab", -500, 500, plain=_NEXT),
    Column(
        "hue_turn",
        "number",
        "Hue angle of the next lighter pen less this one's, -180 to 180; empty where either is too grey to have a hue",
        "degree",
        -180,
        180,
        plain="by how many degrees the hue turns to the next pen; empty where one of both is too grey to have a hue",
    ),
    Column("dE00", "number", "CIEDE2000 difference to the next lighter pen", "dE00", 0, 1000, plain=_FAR),
    Column("dE00_low", "number", "Lower end of its 95 % interval", "dE00", 0, 1000, plain=_FAR),
    Column("dE00_high", "number", "Upper end of its 95 % interval", "dE00", 0, 1000, plain=_FAR),
    Column(
        "step",
        "string",
        "unseen: the upper end is under 0.8 dE00; backwards: darker in this number of coats; small: within 1.8 dE00, or less than 2 L* lighter; "
        "wide: more than 25 L* lighter; turning: its hue turns by more than 30 degrees; good: none of these. Of the step to the next lighter pen",
        pattern="unseen|backwards|small|wide|turning|good",
        plain="the word for that step, as above; empty for the lightest",
    ),
)


def proposal_answer(table: Table, found: Proposal) -> Answer:
    """Return the best set as rows, dark first and each pen in one coat and two; the other sets stand in the notes."""
    best = found.blends[0]
    notes = {
        **_notes(table, found.shelf, found.coats, found.contrast),
        "asked": {
            "steps": found.steps,
            "hue": None if found.hue is None else round(found.hue, 2),
            "between": [best.markers[0], best.markers[-1]] if found.hue is None else None,
        },
        "considered": found.considered,
        "contrast_reached": found.reached,
        "sets": [
            {**_blend_note(blend), "best_of_100_repeats": round(100 * share)}
            for blend, share in zip(found.blends, found.others, strict=True)
        ],
        "not_proposed": found.barred,
    }
    return _answer("Markers that go from dark to light", best, notes, found.warnings)


def judgement_answer(table: Table, found: Judgement) -> Answer:
    """Return the set that was judged as rows, dark first and each pen in one coat and two; the rest stands in the notes."""
    notes = {
        **_notes(table, found.shelf, found.coats, found.contrast),
        "given": [pen.marker for pen in found.given],
        "given_dark_to_light": found.sorted,
        "order_differs_between_coats": [[one.marker, two.marker] for one, two in found.swapped],
        "near_doubles": [[one.marker, two.marker] for one, two in found.doubles],
        "set": _blend_note(found.blend),
        "widest_gap": [pen.marker for pen in found.blend.pens[found.blend.widest : found.blend.widest + 2]],
        "to_add": [_added_note(one, found.coats) for one in found.added],
        "second_coat_in_the_gap": [pen.marker for pen in found.second],
        "not_proposed": found.barred,
    }
    return _answer("Markers from dark to light, judged", found.blend, notes, found.warnings)


def _answer(title: str, blend: Blend, notes: dict[str, Any], warnings: Sequence[str]) -> Answer:
    return Answer("blend", title, COLUMNS, tuple(_rows(blend)), ("marker", "layers"), notes, tuple(warnings))


def _rows(blend: Blend) -> Iterator[tuple[Any, ...]]:
    for place, pen in enumerate(blend.pens):
        for n, run in blend.runs.items():
            cells: tuple[Any, ...] = (None,) * 6 + ("",)
            if place < len(run.steps):
                s = run.steps[place]
                cells = (s.dL, s.dC, s.turn, s.dE00, s.low, s.high, s.verdict)
            yield (*pen_cells(pen, n), place + 1, *cells)


def _notes(table: Table, shelf: Shelf, coats: tuple[int, ...], contrast: float) -> dict[str, Any]:
    return {
        **table_notes([table], layers=list(coats), contrast=contrast),
        "paper": shelf.paper,
        "session": shelf.date,
    }


def _blend_note(blend: Blend) -> dict[str, Any]:
    return {
        "markers": list(blend.markers),
        "names": [pen.name for pen in blend.pens],
        "miss_L": round(blend.miss, 4),
        "miss_share": round(blend.share, 4),
        "coats": [_run_note(n, run) for n, run in blend.runs.items()],
    }


def _run_note(layers: int, run: Run) -> dict[str, Any]:
    figures = (run.uneven.seen, run.uneven.low, run.uneven.high)
    return {
        "layers": layers,
        "span_L": round(run.span, 4),
        **{
            name: round(value, 4) if np.isfinite(value) else None
            for name, value in zip(("unevenness", "unevenness_low", "unevenness_high"), figures, strict=True)
        },
    }


def _added_note(one: Added, coats: tuple[int, ...]) -> dict[str, Any]:
    return {
        "marker": one.pen.marker,
        "name": one.pen.name,
        "where": one.where,
        "after": one.after.marker if one.after else None,
        "miss_L": round(one.miss, 4),
        "worth_adding": one.fits,
        "steps": [
            {"layers": n, "dL": [round(float(v), 4) for v in steps]}
            for n, steps in zip(coats, one.dL, strict=True)
        ],
    }
