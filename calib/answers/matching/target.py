"""What is to be matched: a colour as given, a pen in each number of coats, or the printed black."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Pen, Taken
from calib.answers.films import films_of
from calib.answers.shelf import NO_FAULT, Shelf
from calib.colour.colorimetry import hex_to_lab
from calib.errors import ImpossibleError, InputError

Array = NDArray[np.float64]

GIVEN, PEN, BLACK = "colour", "marker", "black"


@dataclass(frozen=True, eq=False)
class Aim:
    """One colour to come near to. lab: (3,). covariance: (3, 3). freedom: degrees of freedom behind it, 0 where it counts as known."""

    lab: Array
    covariance: Array
    freedom: int = 0


@dataclass(frozen=True, eq=False)
class Target:
    """What is to be matched. kind: GIVEN, PEN or BLACK. called: in words. aims: by number of coats, 0 for a plain colour.

    pen: the pen asked about. notes: sentences on how its colour is known.
    """

    kind: str
    called: str
    aims: Mapping[int, Aim]
    pen: Pen | None = None
    notes: tuple[str, ...] = ()


def given_lab(lab: Array) -> Target:
    """Return the target of a colour (3,) L*a*b* under D50, as given."""
    L, a, b = (float(v) for v in lab)
    return Target(
        GIVEN, f"L* {L:g}, a* {a:g}, b* {b:g}", {0: Aim(np.asarray(lab, dtype=float), np.zeros((3, 3)))}
    )


def given_hex(text: str) -> Target:
    """Return the target of a screen colour #rrggbb: sRGB, adapted from its D65 to D50."""
    return Target(GIVEN, text, {0: Aim(hex_to_lab(text), np.zeros((3, 3)))})


def printed_black(shelf: Shelf) -> Target:
    """Return the target of the printer's black as measured. Raises InputError where the table has none."""
    row = next(
        (s.black for s in reversed(shelf.drawer.sessions) if s.black is not None and s.black.lab is not None),
        None,
    )
    if row is None or row.lab is None:
        raise InputError.of(
            shelf.file, "has no row of the printed black", "Measure a chart whose black patch can be read."
        )
    doubts = (row.u_L, row.u_a, row.u_b)
    u = np.array([0.0 if value is None else value for value in doubts])
    lab = np.array(row.lab, dtype=float)
    return Target(BLACK, f"the printed black on {shelf.paper}", {0: Aim(lab, np.diag(u**2))})


def as_the_pen(shelf: Shelf, marker: str) -> Target:
    """Return the target of a pen in every number of coats in which it is known.

    A pen that has changed or is flagged stands for what it was when it was first read without a fault, where the table has that. Raises ImpossibleError where there is no such pen,
    InputError where it has no colour.
    """
    pen = shelf.pen(marker)
    why = shelf.avoid.get(pen.marker, "")
    well = _well(shelf, pen) if why else {}
    taken = {**pen.coats, **well}
    notes = []
    older = {n: one for n, one in taken.items() if one.number < len(shelf.drawer.sessions) - 1}
    if why and older:
        dates = " and ".join(sorted({one.films.session.date for one in older.values()}))
        notes.append(f"{pen.called} {why}, so its colour of {dates} is what is matched{_in(older, taken)}.")
    doubtful = {n: one for n, one in taken.items() if _faulty(one)}
    if why and doubtful:
        notes.append(f"{pen.called} {why}: its own colour{_in(doubtful, taken)} is in doubt.")
    missing = {n for other in shelf.pens for n in other.coats} - set(taken)
    if missing:
        notes.append(f"Its colour in {_coats(missing.pop())} is not known.")
    aims = {n: Aim(one.film.lab, one.film.covariance, one.freedom) for n, one in sorted(taken.items())}
    return Target(PEN, pen.called, aims, pen, tuple(notes))


def _coats(number: int) -> str:
    return "two coats" if number == 2 else "one coat"


def _in(some: Mapping[int, Taken], everything: Mapping[int, Taken]) -> str:
    """Return ' in one coat' or the like where something is not said of all coats."""
    return "" if len(some) == len(everything) else f" in {_coats(min(some))}"


def _faulty(taken: Taken) -> bool:
    return bool(set(taken.film.reading.flags) - NO_FAULT)


def _well(shelf: Shelf, pen: Pen) -> dict[int, Taken]:
    """Return a pen as it was read first without a fault, in each number of coats in which it ever was."""
    found: dict[int, Taken] = {}
    for number, session in enumerate(shelf.drawer.sessions):
        films = films_of(session)
        for n in (1, 2):
            film = films.by_key.get((pen.marker, n))
            # Another pen may have had this id in an earlier session, under another name.
            if film is None or n in found or _plain(film.reading.name) not in ("", _plain(pen.name)):
                continue
            taken = Taken(film, films, number)
            if not _faulty(taken):
                found[n] = taken
    return found


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def check_lab(lab: Array) -> None:
    """Raise ImpossibleError where numbers are no colour that a surface can have."""
    L, a, b = (float(v) for v in lab)
    if not (np.isfinite(lab).all() and 0 <= L <= 100 and max(abs(a), abs(b)) <= 150):
        raise ImpossibleError(
            f"L* {L:g}, a* {a:g}, b* {b:g} is no colour of a surface",
            "L* runs from 0 to 100, a* and b* from -150 to 150.",
        )
