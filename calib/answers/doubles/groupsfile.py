"""Doubles as a file: the columns of groups.csv, its rows, and what its notes say besides."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from calib.answers.doubles.groups import UNSURE, Duplicates, Group, Pair, verdict
from calib.answers.doubles.keeping import Keep
from calib.table.answerfile import Answer, table_notes
from calib.table.csvw import Column
from calib.table.table import Table


def _difference(name: str, description: str, plain: str) -> Column:
    return Column(name, "number", description, "dE00", minimum=0, maximum=1000, plain=plain)


# The manual's words for columns that it explains together.
_PEN = "the pen"
_TO_MIDDLE = "how far it is from that pen in this number of coats, with the 95 % interval; the pen itself has 0 and none"


COLUMNS: tuple[Column, ...] = (
    Column(
        "group",
        "integer",
        "Number of the group of doubles, the surest and closest first",
        minimum=1,
        required=True,
        plain="number of the group, the surest and closest first",
    ),
    Column("marker", "string", "Id of the marker", required=True, plain=_PEN),
    Column("name", "string", "Name of the marker", plain=_PEN),
    Column(
        "layers", "integer", "Coats of ink", minimum=1, maximum=2, required=True, plain="coats of ink, 1 or 2"
    ),
    Column(
        "representative",
        "string",
        "Id of the group's middle: the marker with the least sum of differences to the others",
        required=True,
        plain="the pen in the middle of the group: the one most like all the others",
    ),
    _difference(
        "dE00_to_representative",
        "CIEDE2000 difference from the representative in this number of coats, 0 for itself; empty where the representative was not read in it",
        _TO_MIDDLE,
    ),
    _difference(
        "dE00_low", "Lower end of its 95 % interval; empty for the representative itself", _TO_MIDDLE
    ),
    _difference(
        "dE00_high", "Upper end of its 95 % interval; empty for the representative itself", _TO_MIDDLE
    ),
    _difference(
        "widest_dE00",
        "Largest difference of any two markers of the group in any number of coats",
        "the largest difference between any two pens of the group",
    ),
    Column(
        "verdict",
        "string",
        "same: the upper end is under 0.8; near: within the limit and the lower end above 0.8; unsure: neither. The representative "
        "has the verdict of the marker closest to it",
        pattern="same|near|unsure",
        required=True,
        plain="`same`, `near` or `unsure`, as above (`unsure` is *perhaps the same*)",
    ),
)


def duplicates_answer(tables: Sequence[Table], found: Duplicates) -> Answer:
    """Return the answer as rows of groups.csv, with all that it says besides in its notes."""
    rows = [
        row
        for number, group in enumerate(found.groups, start=1)
        for row in _rows(number, group, found.within)
    ]
    clash = bool(found.drawer.namesakes)
    return Answer(
        name="duplicates",
        title="Groups of markers whose colours are alike",
        columns=COLUMNS,
        rows=tuple(rows),
        key=("marker", "name", "layers") if clash else ("marker", "layers"),
        notes={**table_notes(tables, within=found.within), **_notes(found)},
        warnings=found.drawer.warnings,
    )


def _rows(number: int, group: Group, within: float) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of one group: of every pen those coats that some other pen of the group has too."""
    first, d = group.pens[0], group.differences
    shared = {n for n in (1, 2) if sum(n in pen.coats for pen in group.pens) > 1}
    for place, pen in enumerate(group.pens):
        for n in sorted(shared & set(pen.coats)):
            # Of itself the representative knows nothing: its verdict is that of the closest pen that has this coat.
            at = (
                place - 1
                if place
                else next((k for k in range(len(d.seen)) if not math.isnan(d.seen[k, n - 1])), 0)
            )
            seen, low, high = (float(v) for v in (d.seen[at, n - 1], d.low[at, n - 1], d.high[at, n - 1]))
            said = UNSURE if math.isnan(seen) else verdict(seen, low, high, within)
            cells = (
                (0.0, None, None)
                if not place
                else (seen, low, high)
                if not math.isnan(seen)
                else (None, None, None)
            )
            yield number, pen.marker, pen.name, n, first.marker, *cells, group.widest, said


def _cells(
    place: int, seen: float, low: float, high: float
) -> tuple[float | None, float | None, float | None]:
    if place == 0:
        return 0.0, None, None
    return (None, None, None) if math.isnan(seen) else (seen, low, high)


def _notes(found: Duplicates) -> dict[str, Any]:
    drawer = found.drawer
    notes: dict[str, Any] = {
        "paper": drawer.paper,
        "compared": len(drawer.pens),
        "sessions": [{"file": s.file, "session": s.date} for s in drawer.sessions],
        "groups": [
            {
                "group": number,
                "verdict": group.verdict(found.within),
                "markers": [pen.marker for pen in group.pens],
                "names": [pen.name for pen in group.pens],
                "widest_dE00": round(group.widest, 4),
                "keep": _keep_note(group.keep),
            }
            for number, group in enumerate(found.groups, start=1)
        ],
        "straddling_count": found.count,
        "straddling": [
            _pair_note(pair, found.within) | {"in_one_group": pair.both} for pair in found.straddling
        ],
        "split_count": found.split_count,
        "split": [_pair_note(pair, found.within) for pair in found.split],
        "left_out": [
            {"marker": one.marker, "name": one.name, "layers": one.layers, "why": one.why}
            for one in drawer.left
        ],
        "on_other_papers_only": list(drawer.elsewhere),
        "several_sessions": list(drawer.again),
        "one_id_two_names": list(drawer.namesakes),
    }
    if found.new is not None:
        notes["new"] = {
            "owned": found.new.owned,
            "nearest": [
                {
                    "marker": pair.two.marker,
                    "name": pair.two.name,
                    "owned": pair.one.marker,
                    "owned_name": pair.one.name,
                    **{
                        k: v
                        for k, v in _pair_note(pair, found.within).items()
                        if k not in ("markers", "names")
                    },
                }
                for pair in found.new.pairs
            ],
            "not_comparable": [pen.marker for pen in found.new.alone]
            + [pen.marker for pen in drawer.unread if 0 not in pen.tables],
        }
    return notes


def _pair_note(pair: Pair, within: float) -> dict[str, Any]:
    return {
        "markers": [pair.one.marker, pair.two.marker],
        "names": [pair.one.name, pair.two.name],
        "dE00": round(pair.dE00, 4),
        "dE00_low": round(pair.low, 4),
        "dE00_high": round(pair.high, 4),
        "verdict": pair.verdict(within),
    }


def _keep_note(keep: Keep) -> dict[str, Any]:
    if keep.marker is None:
        return {"marker": None, "why": "nothing to choose between them"}
    said: dict[str, Any] = {"marker": keep.marker, "name": keep.name, "why": list(keep.reasons)}
    if keep.more_ink is not None:
        said |= dict(
            zip(
                ("more_ink", "more_ink_low", "more_ink_high"),
                (round(v, 4) for v in keep.more_ink),
                strict=True,
            )
        )
    return said
