"""The comparison of papers as files: one row per paper, and one row per marker, layer and paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from calib.answers.films import left_words
from calib.answers.papers.centre import Centre
from calib.answers.papers.comparison import Facts, Papers, tint_word
from calib.answers.papers.conditions import MOST_NAMED, conditions, sheet_warnings
from calib.table.answerfile import Answer, table_notes
from calib.table.columns import COLUMNS as TABLE
from calib.table.csvw import Column
from calib.table.table import Table

_AGAINST = "against the same swatches on the first paper"
_DE = "CIEDE2000 difference"
# The manual's words for columns that it explains together.
_BARE = "the bare paper: lightness, green to red, blue to yellow"
_LOOK = "how unevenly the ink lies, and how much of a cell it covers: the middle of all swatches"
_APART = "how far the colours are from those on the first paper, in dE00: the middle of all swatches, and what 95 of 100 stay under"
_MOVED = "how far the colour is from that on the first paper, in dE00, with its 95 % interval"
_WAY = "which way: lighter (above 0) or darker, more or less colourful, along the hue circle"
COLUMNS = (
    Column("paper", "string", "Name of the paper; the first row is the one that the others are held against", required=True,
           plain="the paper; the first row is the one that the others are compared with"),
    Column("markers", "integer", "Markers with a colour that may be compared", minimum=0, required=True,
           plain="how many pens have a colour on it"),
    Column("white_L", "number", "CIE 1976 L* of the bare paper, D50, 2 degree observer", plain=_BARE),
    Column("white_a", "number", "CIE 1976 a* of the bare paper", plain=_BARE),
    Column("white_b", "number", "CIE 1976 b* of the bare paper", plain=_BARE),
    Column("whiteness", "number", "CIE whiteness of the bare paper in the scanner's light, carried to D65 (CIE 15:2018); brighteners are not "
           "excited as by daylight. Empty outside the formula's range", decimals=2, plain="how white the bare paper is, see below"),
    Column("gamut_volume", "number", "Volume of the convex hull of all films and the bare paper in L*a*b*; between papers only "
           "comparable over the same markers", "cubic L*a*b* unit", minimum=0, decimals=0,
           plain="how much room all colours on it take up together, see below"),
    Column("strength", "number", f"Amount of ink {_AGAINST}, a robust mean; 1 for the first paper itself",
           plain="amount of ink over that on the first paper, see below"),
    Column("mottle", "number", "Median of the films' mottle, a coefficient of variation", minimum=0, plain=_LOOK),
    Column("coverage", "number", "Median of the inked share of the cells", minimum=0, maximum=1, plain=_LOOK),
    Column("bleed_mm", "number", "Median of how far ink ran past the cells", "mm", decimals=3,
           plain="how far ink ran past the outline, in millimetres: the middle of all swatches"),
    Column("dE00_median", "number", f"Median {_DE} {_AGAINST}; 0 for the first paper itself", "dE00", minimum=0, plain=_APART),
    Column("dE00_p95", "number", "95th percentile of the same differences", "dE00", minimum=0, plain=_APART),
)  # fmt: skip
_TABLE = {column.name: column for column in TABLE}
SWATCH_COLUMNS = (
    *(
        replace(_TABLE[name], plain=plain)
        for name, plain in (
            ("marker", "the pen"), ("name", "the pen"), ("layers", "coats of ink, 1 or 2"), ("paper", "the paper")
        )
    ),
    Column("dE00", "number", f"{_DE} {_AGAINST}; 0 on the first paper itself, empty where either cannot be compared",
           "dE00", minimum=0, plain=_MOVED),
    Column("dE00_low", "number", "Lower end of its 95 % interval", "dE00", minimum=0, plain=_MOVED),
    Column("dE00_high", "number", "Upper end of its 95 % interval", "dE00", minimum=0, plain=_MOVED),
    Column("dL", "number", "L* less that on the first paper", plain=_WAY),
    Column("dC", "number", "Chroma C*ab less that on the first paper", plain=_WAY),
    Column("dH", "number", "Metric hue difference dH*ab, positive where the hue angle is larger (CIE 15:2018, 8.2.2.1)", plain=_WAY),
    Column("strength", "number", "Amount of ink over that on the first paper, along the marker's dose curve; 1 on the first paper "
           "itself, empty where there is no ink to speak of",
           plain="amount of ink over that on the first paper; 1 is as much"),
    _TABLE["mottle"],
    _TABLE["bleed_mm"],
)  # fmt: skip


def papers_answer(found: Papers, tables: Sequence[Table], **settings: Any) -> Answer:
    """Return one row per paper; what has no column stands in the notes."""
    rows = []
    for facts in found.facts:
        white: Sequence[float | None] = [None] * 3 if facts.white is None else [float(x) for x in facts.white]
        rows.append(
            (
                facts.sheet.paper, facts.markers, *white, facts.white_light[0] if facts.white_light else None,
                facts.volume, *_against(facts), facts.mottle, facts.coverage, facts.bleed, *_spans(facts),
            )
        )  # fmt: skip
    notes = {
        **table_notes(tables, **settings),
        "papers": [_notes(facts, found.facts[0]) for facts in found.facts],
        "left_out": left_out(found),
    }
    return Answer(
        "papers", "Papers compared", COLUMNS, tuple(rows), ("paper",), notes, tuple(_warnings(found))
    )


def swatches_answer(found: Papers, tables: Sequence[Table], **settings: Any) -> Answer:
    """Return one row per marker, layer and paper, the first paper's rows being 0 and 1 by definition."""
    rows = []
    for facts in found.facts:
        at = {key: i for i, key in enumerate(facts.against.keys)} if facts.against is not None else {}
        for key, row in facts.sheet.rows.items():
            if row.kind == "overlay":
                continue
            values: list[float | None] = [None] * 7
            if facts.against is None and key in facts.sheet.films:
                values = [*[0.0] * 6, 1.0]
            elif facts.against is not None and key in at:
                i, far = at[key], facts.against
                ratio = float(far.amounts.ratio[i])
                values = [
                    *(float(x[i]) for x in (far.dE00, far.low, far.high)),
                    *(float(x) for x in far.parts[i]),
                    ratio if np.isfinite(ratio) else None,
                ]
            rows.append(
                (row.marker, row.name, row.layers, facts.sheet.paper, *values, row.mottle, row.bleed_mm)
            )
    return Answer(
        "papers",
        "Swatches on several papers against the first",
        SWATCH_COLUMNS,
        tuple(rows),
        ("marker", "layers", "paper"),
        table_notes(tables, **settings),
    )


def _against(facts: Facts) -> tuple[float | None]:
    if facts.shift is None:
        return (1.0,)
    return (facts.shift.strength.value if facts.shift.strength else None,)


def _spans(facts: Facts) -> tuple[float | None, float | None]:
    if facts.against is None:
        return 0.0, 0.0
    if not facts.against.keys:
        return None, None
    return float(np.median(facts.against.dE00)), float(np.percentile(facts.against.dE00, 95))


def numbers(centre: Centre | None) -> dict[str, Any] | None:
    """Return a robust mean as plain JSON."""
    if centre is None:
        return None
    low, high = (round(end, 4) if np.isfinite(end) else None for end in (centre.low, centre.high))
    return {"value": round(centre.value, 4), "low": low, "high": high, "count": centre.count}


def _notes(facts: Facts, first: Facts) -> dict[str, Any]:
    """Return what has no column, as plain JSON: intervals, second coats, warmth, what changes most."""
    said: dict[str, Any] = {
        "paper": facts.sheet.paper,
        "sessions": [session.date for session in facts.sheet.sessions],
        "white_from": facts.sheet.white.kind if facts.sheet.white is not None else "not known",
        "tint": round(facts.white_light[1], 2) if facts.white_light else None,
        "two_coats_over_one": numbers(facts.second),
        "two_coats_dE00_from_one": round(facts.coats_dE00, 3) if facts.coats_dE00 is not None else None,
    }
    if facts.against is None or facts.shift is None:
        return said
    shift, far = facts.shift, facts.against
    if (
        facts.sheet.white_known
        and first.sheet.white_known
        and facts.white is not None
        and first.white is not None
    ):
        said["white_looks"] = tint_word(facts.white, first.white) or "as the first paper's"
    said |= {
        "compared_swatches": len(far.keys),
        "beyond_doubt": int(np.sum(far.low > 0)),
        "strength": numbers(shift.strength),
        "strength_by_coats": {str(n): numbers(centre) for n, centre in shift.by_coats.items()},
        "dL": numbers(shift.L),
        "dC": numbers(shift.C),
        "da_at_equal_ink": numbers(shift.tinted[0]),
        "db_at_equal_ink": numbers(shift.tinted[1]),
        "da_beyond_white": numbers(shift.beyond[0]),
        "db_beyond_white": numbers(shift.beyond[1]),
        "second_coat_over_first_papers": numbers(shift.coat),
        "mottle_ratio": numbers(shift.mottle),
        "coverage_difference": numbers(shift.coverage),
        "bleed_mm_difference": numbers(shift.bleed),
        "gamut_ratio_same_swatches": [round(x, 4) for x in shift.gamut] if shift.gamut else None,
        "unlike_the_rest": [
            {"marker": marker, "strength_over_the_rest": round(ratio, 4)} for marker, ratio in shift.unlike
        ],
    }
    return said


def _warnings(found: Papers) -> list[str]:
    first, *others = found.facts
    said = sheet_warnings([facts.sheet for facts in found.facts])
    for facts in others:
        said += conditions(first.sheet, facts.sheet)
        if facts.against is not None and not facts.against.keys:
            said.append(
                f"{first.sheet.paper} and {facts.sheet.paper} have no swatch in common that can be compared: only "
                "what each paper is by itself stands side by side."
            )
    if found.names_differ:
        more = (
            f" and {len(found.names_differ) - MOST_NAMED} more"
            if len(found.names_differ) > MOST_NAMED
            else ""
        )
        said.append(
            f"Not the same pens? {'; '.join(found.names_differ[:MOST_NAMED])}{more}. Markers are matched by their id alone."
        )
    return said


def left_out(found: Papers) -> list[str]:
    """Return sentences on what was not compared and why, paper by paper."""
    said: list[str] = []
    first = found.facts[0].sheet
    for facts in found.facts:
        elsewhere = [left_words(other.sheet.left) for other in found.facts if other is not facts]
        for line in left_words(facts.sheet.left):
            everywhere = all(line in lines for lines in elsewhere)
            said.append(line if everywhere else f"{facts.sheet.paper}: {line}")
    said = list(dict.fromkeys(said))
    for facts in found.facts[1:]:
        for here, there in ((first, facts.sheet), (facts.sheet, first)):
            lone = dict.fromkeys(
                marker
                for marker, _ in here.films
                if (marker, 1) not in there.rows and (marker, 2) not in there.rows
            )
            if lone:
                named = ", ".join(list(lone)[:MOST_NAMED]) + (
                    f" and {len(lone) - MOST_NAMED} more" if len(lone) > MOST_NAMED else ""
                )
                said.append(f"On {here.paper} but not on {there.paper}: {named}.")
    return said
