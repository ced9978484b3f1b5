"""How far the numbers of a table are to be trusted, in sentences for its owner."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.table.sessions import Session
from calib.table.table import Reading

# With so few repeats the scatter of a hand is hardly known (our own choice; Student's factor is then over 2.5).
FEW_REPEATS = 6
# Two readings each doubtful by u along one line differ by more than 2.8 u in 1 of 20 cases (1.96 times the root of 2), rounded up.
SURE = 3.0


def trust_words(session: Session) -> tuple[tuple[str, str], ...]:
    """Return what a session rests on as (what, sentence), the most important first."""
    return tuple(_words(session))


def trust_in_short(session: Session) -> str:
    """Return in one sentence which differences are real, and how far the colours themselves may be off."""
    rows = [row for row in session.rows if row.lab is not None]
    doubt, absolute = _doubt(rows), [row.u_abs for row in rows if row.u_abs is not None]
    real = (
        f"Differences above about {SURE * doubt:.1f} in L*a*b* are almost certainly real"
        if doubt is not None
        else "Which differences are real is not known"
    )
    colour = (
        f"the colours themselves are within about {np.median(absolute):.1f} dE00 in two cases of three"
        if absolute
        else "how far off the colours themselves are is not" + (" known" if doubt is not None else " either")
    )
    return f"{real}; {colour}."


def _doubt(rows: Sequence[Reading]) -> float | None:
    """Return the doubt of the middle swatch, over all three axes, None where no row states one."""
    found = [
        float(np.hypot(np.hypot(row.u_L, row.u_a), row.u_b))
        for row in rows
        if row.u_L is not None and row.u_a is not None and row.u_b is not None
    ]
    return float(np.median(found)) if found else None


def _words(session: Session) -> Iterator[tuple[str, str]]:
    origin = session.origin
    rows = [row for row in session.rows if row.lab is not None]
    doubt = _doubt(rows)
    if doubt is not None:
        yield (
            "Comparing",
            f"Two swatches of this table, or of another from the same scanner and strip, differ almost for certain where "
            f"they are more than about {SURE * doubt:.1f} apart in L*a*b*: three times the doubt of the middle swatch, "
            f"your hand counted in.",
        )
    else:
        yield "Comparing", "The rows state no doubt, so small differences mean nothing."
    yield from _colour_itself(rows, origin.scanner)
    hand = origin.scatter.get("relative_dose")
    repeats = session.freedom
    if hand is not None:
        known = (
            f"known from {repeats} repeats"
            + ("; more of them would tell more" if repeats < FEW_REPEATS else "")
            if repeats
            else "assumed, because no marker was coloured twice"
        )
        yield "Your hand", f"Lays {100 * hand:.1f} % more or less ink from swatch to swatch ({known})."
    strip = origin.strip
    if strip.get("kind") == "none" or any("no-strip" in row.flags for row in session.rows):
        yield (
            "Grey strip",
            "None was used, so tones come from the scan file: compare swatches of this sheet only.",
        )
    elif strip.get("steps"):
        yield (
            "Grey strip",
            f"{strip.get('steps')} steps. The tones are as true as its file is of this very strip.",
        )
    if any("photo" in row.flags for row in session.rows):
        yield "Photograph", "The page was photographed. Small differences mean little; a scan is surer."
    predicted = sum("predicted" in row.flags for row in session.rows)
    if predicted:
        yield (
            "Predicted",
            f"{predicted} of {len(session.rows)} rows were not measured on this paper but carried over to it.",
        )
    if any("forced" in row.flags for row in session.rows):
        yield (
            "Forced",
            "A scan was judged unfit and measured all the same. Rest no decision on rows flagged so.",
        )
    dried = origin.dates.get("dried_hours")
    if dried is not None:
        yield (
            "Drying",
            f"The ink had dried for {dried:g} hours. Compare with swatches that dried about as long.",
        )
    if not origin.known:
        yield "Not known", "The table's description is not beside it: scanner, strip and hand are unknown."


def _colour_itself(rows: Sequence[Reading], scanner: dict[str, object]) -> Iterator[tuple[str, str]]:
    absolute = [row.u_abs for row in rows if row.u_abs is not None]
    if absolute:
        told = scanner.get("error_from")
        known = told if isinstance(told, str) and told else "where that comes from is not told"
        yield (
            "The colour itself",
            f"A laboratory would find the colours within about {np.median(absolute):.1f} dE00 in two cases of three "
            f"({known}).",
        )
    else:
        yield "The colour itself", "How far it is from what a laboratory would find is not known."
