"""What became of pens between two sessions, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from calib.answers.drift.comparison import Comparison, DriftRow

# A shift of the whole session is worth a sentence from so many Lab units on, and where it is clear.
WORTH = 0.3


def what_became(rows: Sequence[DriftRow]) -> str:
    """Return what became of one pen, from its rows of one session."""
    order = ("patchy", "off-hue", "weaker", "stronger")
    row = min((r for r in rows if r.found), key=lambda r: (order.index(r.verdict), -(r.dE00 or 0)))
    ink = ""
    if row.strength is not None and row.strength_low is not None and row.strength_high is not None:
        ink = f"{100 * row.strength:.0f} % of its ink ({100 * row.strength_low:.0f} to {100 * row.strength_high:.0f})"
    if row.verdict == "patchy":
        if (
            row.coverage_before is not None
            and row.coverage_after is not None
            and row.coverage_after < row.coverage_before - 0.02
        ):
            what = f"covers {100 * row.coverage_after:.0f} % instead of {100 * row.coverage_before:.0f}: running dry"
        else:
            what = "lies more unevenly than it did: perhaps running dry"
    elif row.verdict == "off-hue":
        what = f"differs by {_difference(row)}, which more or less ink does not explain: off-hue, perhaps another ink got in"
    else:
        what = f"gives {ink}: {row.verdict}" if ink else f"differs by {_difference(row)}: {row.verdict}"
    return f"{called(row)} {what}"


def _difference(row: DriftRow) -> str:
    return f"{row.dE00:.1f} dE00 ({row.dE00_low:.1f} to {row.dE00_high:.1f})"


def called(row: DriftRow) -> str:
    """Return what a sentence calls the pen of a row."""
    return f"{row.marker} {row.name}" if row.name and row.name != row.marker else row.marker


def whole_session(one: Comparison) -> Iterator[str]:
    """Yield what all pens of a session have in common against the earlier one, where it is worth a sentence."""
    if one.moved is None:
        if one.markers:
            yield (
                f"With {one.markers} pen{'' if one.markers == 1 else 's'} in common a shift of the whole session cannot be told from pens that changed."
            )
    else:
        L, a, b = one.moved
        clear = abs(L) > max(WORTH, 2 * one.u_moved)
        tinted = max(abs(a), abs(b)) > 2 * WORTH
        if clear or tinted:
            parts = [f"{abs(L):.1f} L* {'darker' if L < 0 else 'lighter'}"] if clear else []
            if abs(a) > 2 * WORTH:
                parts.append(f"{abs(a):.1f} a* {'redder' if a > 0 else 'greener'}")
            if abs(b) > 2 * WORTH:
                parts.append(f"{abs(b):.1f} b* {'yellower' if b > 0 else 'bluer'}")
            yield (
                f"All pens together read {' and '.join(parts)} than on {one.before}: that is paper, scanner, strip or "
                "hand, not pens, and is taken off above."
            )
    if one.paper_moved is not None and max(abs(v) for v in one.paper_moved) > WORTH:
        L, a, b = one.paper_moved
        yield (f"The bare paper itself reads {L:+.1f} L*, {a:+.1f} a*, {b:+.1f} b* against {one.before}.")
