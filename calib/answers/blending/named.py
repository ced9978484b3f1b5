"""The pens that somebody names."""

from __future__ import annotations

from collections.abc import Sequence

from calib.answers.doubles.pens import Pen
from calib.answers.shelf import Shelf
from calib.errors import CalibError, ImpossibleError


def both_pens(shelf: Shelf, markers: Sequence[str]) -> tuple[Pen, ...]:
    """Return the pens of these ids; all mistakes of the ids are said at once."""
    errors: list[CalibError] = []
    found = []
    seen: set[str] = set()
    for marker in (one.strip() for one in markers):
        if marker in seen:
            errors.append(ImpossibleError(f"'{marker}' is named twice", "Name each marker once."))
            continue
        seen.add(marker)
        no_pen = [
            one.why
            for one in shelf.left
            if one.marker == marker and ("blender" in one.why or one.why.endswith("no pen"))
        ]
        if no_pen:
            errors.append(
                ImpossibleError(f"'{marker}' {no_pen[0]}", "It has no place in a set; leave it out.")
            )
            continue
        try:
            found.append(shelf.pen(marker))
        except CalibError as error:
            errors.append(error)
    if errors:
        raise errors[0] if len(errors) == 1 else CalibError.joined(errors)
    return tuple(found)


def flagged_words(shelf: Shelf, pens: Sequence[Pen]) -> list[str]:
    """Return warnings of pens that would not be proposed."""
    return [
        f"{pen.called} {shelf.avoid[pen.marker]}, so its colour may not be what it should be"
        for pen in pens
        if pen.marker in shelf.avoid
    ]
