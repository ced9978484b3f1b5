"""What a paper does to a drawer of markers: its white, and every swatch against the same one on the first paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Film
from calib.answers.papers.amounts import growth_of
from calib.answers.papers.centre import Centre, centre_of
from calib.answers.papers.gamut import hull_volume
from calib.answers.papers.sheets import Sheet, sheets_of
from calib.answers.papers.shifts import Shift, shift_of
from calib.answers.papers.swatches import Differences, differences_of, models_of
from calib.colour.colorimetry import delta_e_2000, lab_to_lch, whiteness
from calib.colour.uncertainty import coverage_factor
from calib.errors import InputError
from calib.table.table import Table

Array = NDArray[np.float64]

# From so many L* on a yellowish sheet is called brown (our own choice).
MUCH_DARKER = 8.0


@dataclass(frozen=True, eq=False)
class Facts:
    """One paper as it is, and against the first; against is None for the first paper itself.

    white: (3,) Lab. white_light: whiteness and tint. volume: cubic Lab units. second: amount of two coats in amounts of one.
    coats_dE00: median difference between one coat and two. mottle, coverage, bleed: medians.
    """

    sheet: Sheet
    markers: int
    white: Array | None
    white_light: tuple[float, float] | None
    volume: float | None
    second: Centre | None
    coats_dE00: float | None
    mottle: float | None
    coverage: float | None
    bleed: float | None
    against: Differences | None = None
    shift: Shift | None = None


@dataclass(frozen=True, eq=False)
class Papers:
    """Every paper, the first one first."""

    facts: tuple[Facts, ...]
    names_differ: tuple[str, ...] = ()


def compare_papers(tables: Sequence[Table]) -> Papers:
    """Compare the papers of measured tables with the first one.

    Raises InputError where there are fewer than two papers, and where scanners of unlike colour models cannot be compared
    because a table has no R, G, B.
    """
    first, *others = sheets_of(tables)
    found = [_facts(first, None)]
    for other in others:
        _refuse_models(first, other, tables)
        found.append(_facts(other, first))
    return Papers(tuple(found), tuple(_names_differ(first, others)))


def _refuse_models(first: Sheet, other: Sheet, tables: Sequence[Table]) -> None:
    if len(models_of(first) | models_of(other)) < 2:
        return
    for sheet in (first, other):
        if any(film.reading.linear is None for film in sheet.films.values()):
            path = next(
                (t.path for t in tables if t.path and t.path.name == sheet.latest.file),
                Path(sheet.latest.file),
            )
            raise InputError.of(
                path,
                "has no R, G, B, and its scanner's colour model is another than that of the paper it is "
                "compared with, so part of any difference would be the model's",
                "Measure both scans again with the same --scanner, or with none.",
            )


def _names_differ(first: Sheet, others: Sequence[Sheet]) -> list[str]:
    names: dict[str, str] = {row.marker: row.name for row in first.rows.values() if row.name}
    found = []
    for sheet in others:
        for row in sheet.rows.values():
            mine = names.get(row.marker, "")
            if row.layers == 1 and row.name and mine and row.name.casefold() != mine.casefold():
                found.append(f"{row.marker} is '{mine}' on {first.paper} but '{row.name}' on {sheet.paper}")
    return found


def _facts(sheet: Sheet, first: Sheet | None) -> Facts:
    white = np.array(sheet.white.lab, dtype=float) if sheet.white is not None else None
    points = [film.lab for film in sheet.films.values()] + ([white] if white is not None else [])
    both = [marker for marker, n in sheet.films if n == 1 and (marker, 2) in sheet.films]
    pairs = [(sheet.films[m, 1], sheet.films[m, 2], sheet.bare_below((m, 1))) for m in both]
    rows = [film.reading for film in sheet.films.values()]
    facts = Facts(
        sheet,
        len({marker for marker, _ in sheet.films}),
        white,
        whiteness(white) if white is not None and sheet.white_known else None,
        hull_volume(np.array(points)) if points else None,
        _second_coat(pairs),
        _between_coats(pairs),
        _median([row.mottle for row in rows]),
        _median([row.coverage for row in rows]),
        _median([row.bleed_mm for row in rows]),
    )
    if first is None:
        return facts
    keys = tuple(key for key in first.films if key in sheet.films)
    against = differences_of(keys, first, sheet)
    return replace(facts, against=against, shift=shift_of(against, first, sheet))


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def _between_coats(pairs: Sequence[tuple[Film, Film, Array]]) -> float | None:
    """Return the median difference between one coat and two."""
    labs = np.array([(one.lab, two.lab) for one, two, _ in pairs])
    return float(np.median(delta_e_2000(labs[:, 0], labs[:, 1]))) if pairs else None


def _second_coat(pairs: Sequence[tuple[Film, Film, Array]]) -> Centre | None:
    """Return what two coats leave in amounts of one; of few markers, those whose coats lie on one curve tell it."""
    growth = growth_of(pairs)
    if growth is not None:
        half = float(coverage_factor(0)) * growth.u * growth.amount
        return Centre(growth.amount, growth.amount - half, growth.amount + half, growth.channels, 0.0)
    told = [(one, two) for one, two, _ in pairs if len(one.curve.amounts) == 2]
    if not told:
        return None
    amounts = np.array([two.amount for _, two in told])
    # How well a pair tells it goes with the ink it holds; a pale one tells next to nothing.
    read = np.array([max(_u_read(one), _u_read(two)) for one, two in told])
    hand = np.array([np.hypot(one.u_dose, two.u_dose) for one, two in told])
    return centre_of(amounts, np.hypot(read * np.sqrt(2), hand) * np.median(amounts))


def _u_read(film: Film) -> float:
    rest = np.sqrt(np.maximum(np.diag(film.covariance) - (film.u_dose * film.along) ** 2, 0.0))
    return float(np.linalg.norm(rest) / max(float(np.linalg.norm(film.along)), 1e-6))


def tint_word(white: Array, first: Array) -> str:
    """Return what a paper's white looks like beside another: '', 'cream', 'brownish', 'bluish', 'pinkish' or 'greenish'.

    Differences of a* and b* under 1 are none: a sheet's own white varies as much (from memory). Cream that is
    much darker is brown.
    """
    _, chroma, hue = lab_to_lch(np.array([0.0, *(white - first)[1:]]))
    if chroma < 1.0:
        return ""
    # Hue angles of CIELAB: red near 25, yellow near 95, green near 165, blue near 260 degrees (CIE 15:2018, approximate).
    bounds = ((45.0, "pinkish"), (120.0, "cream"), (205.0, "greenish"), (310.0, "bluish"), (360.0, "pinkish"))
    word = next(word for bound, word in bounds if hue <= bound)
    return "brownish" if word == "cream" and white[0] < first[0] - MUCH_DARKER else word
