"""Colour cards: the known colours of a grid of patches."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import WHITE_D50, lab_to_xyz
from calib.errors import InputError, Problem, raise_all
from calib.files import Row, Rows, read_rows

Array = NDArray[np.float64]

LAB, XYZ = ("L", "a", "b"), ("X", "Y", "Z")
# A 3x3 has nine numbers, six of which are free once white stays white; with fewer patches than twice as many
# nothing is left to check it on.
FEWEST_PATCHES = 12
# More rows or columns than this would be patches of a millimetre.
MOST_SIDE = 200
# Where more places than this share of the grid are empty, a row or column is counted wrongly.
LEAST_FILLED = 0.5
# A whitened paper glows a little above a perfect white; values under another light are far above it in Z.
OVER_WHITE = 1.05
# ICC.1:2022 keeps a and b in 8 bits, from -128 to 127; no print comes near either.
MOST_AXIS = 128.0
# The lightest patch of a card is white or nearly so; one this dark is a number on another scale.
LEAST_LIGHTEST_Y = 0.05


@dataclass(frozen=True, eq=False)
class Card:
    """A colour card as its file says.

    name: the file's name. rows, columns: of the grid. place: (n, 2) row and column of each patch, from 0.
    xyz: (n, 3) tristimulus values under D50, Y of a perfect white = 1.
    """

    name: str
    rows: int
    columns: int
    place: NDArray[np.int64]
    xyz: Array


@dataclass(frozen=True)
class _Patch:
    """One patch as its row gives it; None stands for what has a mistake."""

    line: int
    place: tuple[int, int] | None
    xyz: tuple[float, ...] | None


def read_card(path: Path) -> Card:
    """Read a colour card's file; raise InputError with every mistake of the file.

    Columns: row and column, from 1 at the card's top left, and either L, a, b or X, Y, Z on a scale to 100, both
    under D50 and the 2 degree observer. Other columns are ignored. A few places of the grid may be empty.
    """
    rows = read_rows(Path(path), required=("row", "column"), wanted="card")
    if len(rows.rows) > MOST_SIDE**2:
        raise InputError.of(rows.path, f"names {len(rows.rows)} patches; {MOST_SIDE**2} is the most")
    columns = _columns(rows)
    problems: list[Problem] = []
    patches: list[_Patch] = []
    for row in rows.rows:
        patch, found = _patch(rows, row, columns)
        patches.append(patch)
        problems += [Problem(rows.path, row.line, message) for message in found]
    problems += [Problem(rows.path, line, message) for line, message in _grid(patches)]
    if not any(patch.xyz is None for patch in patches):
        problems += [Problem(rows.path, 0, message) for message in _scale(patches, columns)]
    raise_all(sorted(problems, key=lambda problem: problem.line or math.inf))
    place = np.array([patch.place for patch in patches], dtype=np.int64)
    height, width = (int(side) + 1 for side in place.max(axis=0))
    return Card(rows.path.name, height, width, place, np.array([patch.xyz for patch in patches], dtype=float))


def _columns(rows: Rows) -> tuple[str, str, str]:
    """Return the columns that hold the colours."""
    if not rows.rows:
        raise InputError.of(rows.path, "names no patches", "Give one row per patch below the header row.")
    lab, xyz = rows.filled(LAB), rows.filled(XYZ)
    # An X and a Y without a Z may be places in millimetres, and are nobody's colour beside L, a and b.
    if len(lab) == len(xyz) == 3:
        raise InputError.of(
            rows.path,
            "gives both L, a, b and X, Y, Z",
            "Keep the ones that were measured, under D50 and the 2 degree observer.",
        )
    if len(lab) == 3:
        return LAB
    if len(xyz) == 3:
        return XYZ
    if not lab and not xyz:
        raise InputError.of(
            rows.path, "gives no colours", "Give each patch L, a and b, or X, Y and Z on a scale to 100."
        )
    given, wanted = (lab, LAB) if len(lab) >= len(xyz) else (xyz, XYZ)
    missing = ", ".join(name for name in wanted if name not in given)
    raise InputError.of(
        rows.path,
        f"gives {', '.join(given)} but not {missing}",
        f"Give all of {wanted[0]}, {wanted[1]} and {wanted[2]}.",
    )


def _patch(rows: Rows, row: Row, columns: tuple[str, str, str]) -> tuple[_Patch, list[str]]:
    values, problems = rows.numbers(row, ("row", "column", *columns))
    place = []
    for name in ("row", "column"):
        number = values.get(name)
        if number is None:
            continue
        if number != int(number) or not 1 <= number <= MOST_SIDE:
            problems.append(f"has the {name} {number:g}; it must be a whole number from 1 to {MOST_SIDE}")
        else:
            place.append(int(number) - 1)
    colour = [values[name] for name in columns if name in values]
    xyz = None
    if len(colour) == 3:
        xyz, wrong = _from_lab(colour) if columns == LAB else _from_xyz(colour)
        if wrong:
            problems.append(wrong)
    return _Patch(row.line, (place[0], place[1]) if len(place) == 2 else None, xyz), problems


def _from_lab(lab: list[float]) -> tuple[tuple[float, ...] | None, str]:
    """Return a patch's XYZ, or None and what is wrong with its L, a, b."""
    if not 0 <= lab[0] <= 100:
        return None, f"has L = {lab[0]:g}, which is outside 0 to 100"
    xyz = lab_to_xyz(lab)
    # No surface sends back less than nothing, or more than a perfect white does.
    outside = np.any(xyz < -0.001) or np.any(xyz > OVER_WHITE * WHITE_D50)
    if outside or max(abs(lab[1]), abs(lab[2])) > MOST_AXIS:
        return None, f"has L = {lab[0]:g}, a = {lab[1]:g}, b = {lab[2]:g}, a colour that no surface can have"
    return tuple(xyz.tolist()), ""


def _from_xyz(hundredths: list[float]) -> tuple[tuple[float, ...] | None, str]:
    """Return a patch's XYZ, or None and what is wrong with its X, Y, Z."""
    for name, value, white in zip(XYZ, hundredths, WHITE_D50 * 100.0, strict=True):
        if value < 0:
            return None, f"has {name} = {value:g}, which is below 0"
        if value > OVER_WHITE * white:
            return None, (
                f"has {name} = {value:g}, and a perfect white has {white:g} under D50; "
                f"are the values of another light?"
            )
    return tuple(value / 100.0 for value in hundredths), ""


def _grid(patches: list[_Patch]) -> Iterator[tuple[int, str]]:
    """Yield why patches that are each readable make no grid."""
    first: dict[tuple[int, int], int] = {}
    for patch in patches:
        if patch.place is not None and first.setdefault(patch.place, patch.line) != patch.line:
            row, column = (number + 1 for number in patch.place)
            yield (
                patch.line,
                f"repeats the patch at row {row}, column {column} of line {first[patch.place]}",
            )
    if len(patches) < FEWEST_PATCHES:
        yield 0, f"has {len(patches)} patches; a colour card has at least {FEWEST_PATCHES}"
    if any(patch.place is None for patch in patches):
        return
    height, width = (max(place[i] for place in first) + 1 for i in (0, 1))
    if len(first) < LEAST_FILLED * height * width:
        yield (
            0,
            f"names {len(first)} patches in a grid of {height} rows and {width} columns; "
            f"is a row or a column counted wrongly?",
        )


def _scale(patches: list[_Patch], columns: tuple[str, str, str]) -> Iterator[str]:
    lightest = max(patch.xyz[1] for patch in patches if patch.xyz is not None)
    if lightest < LEAST_LIGHTEST_Y:
        value = f"Y = {100 * lightest:g}" if columns == XYZ else "an L under 27"
        yield f"has {value} for its lightest patch; {', '.join(columns)} are on a scale to 100"
