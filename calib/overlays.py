"""What one ink over another is called: in the marker's place of the measured table stands '034 over 012'.

A marker's id is any text, so such a name is only taken apart with the ids at hand that it may be made of.
"""

from __future__ import annotations

from collections.abc import Collection

KIND = "overlay"
BETWEEN = " over "
# A text of the measured table holds so many letters.
LONGEST = 200


def overlay_id(under: str, over: str) -> str:
    """Return what marker over, laid on the dried marker under, is called: '034 over 012' is 034 on top of 012."""
    return f"{over}{BETWEEN}{under}"


def overlay_name(under: str, over: str) -> str:
    """Return the same of the names of two markers, cut to what a table holds; nothing where either has none."""
    called = overlay_id(under, over) if under and over else ""
    return called if len(called) <= LONGEST else f"{called[: LONGEST - 1]}…"


def pairs_of(marker: str, ids: Collection[str]) -> tuple[tuple[str, str], ...]:
    """Return every (under, over) among ids that is called so; ids: best a set, for speed."""
    found = []
    start = marker.find(BETWEEN)
    while start >= 0:
        over, under = marker[:start], marker[start + len(BETWEEN) :]
        if over in ids and under in ids:
            found.append((under, over))
        start = marker.find(BETWEEN, start + 1)
    return tuple(found)


def pair_of(marker: str, ids: Collection[str]) -> tuple[str, str] | None:
    """Return the (under, over) among ids that an overlay's row is about; None where there is none, or more than one."""
    found = pairs_of(marker, ids)
    return found[0] if len(found) == 1 else None
