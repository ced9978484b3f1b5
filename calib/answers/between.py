"""What lies between two pens of one shelf: difference with its interval, its parts, and the turn of hue."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Pen, Taken
from calib.colour.colorimetry import lab_to_lch
from calib.colour.difference import interval, lch_differences
from calib.colour.uncertainty import joint_freedom
from calib.table.csvw import Column

Array = NDArray[np.float64]

# Below this chroma a hue angle is mostly noise (our own choice; a step of one Lab unit across turns it by 6 degrees).
HUED_CHROMA = 10.0
# More degrees of freedom than any chart has: the doubt counts as known.
MOST_FREEDOM = 1e6

# What the rows of every answer about pens at the desk begin with.
PEN_COLUMNS: tuple[Column, ...] = (
    Column("marker", "string", "Id of the marker", required=True, plain="the pen"),
    Column("name", "string", "Name of the marker", plain="the pen"),
    Column(
        "layers", "integer", "Coats of ink", minimum=1, maximum=2, required=True, plain="coats of ink, 1 or 2"
    ),
    Column(
        "L",
        "number",
        "CIE 1976 L*, D50, 2 degrees",
        "L*",
        minimum=-5,
        maximum=200,
        plain="its colour as measured",
    ),
    Column(
        "a",
        "number",
        "CIE 1976 a*, D50, 2 degrees",
        "a*",
        minimum=-300,
        maximum=300,
        plain="its colour as measured",
    ),
    Column(
        "b",
        "number",
        "CIE 1976 b*, D50, 2 degrees",
        "b*",
        minimum=-300,
        maximum=300,
        plain="its colour as measured",
    ),
)


@dataclass(frozen=True)
class Step:
    """From one swatch to another: dE00 with its 95 per cent interval; dL, dC, dH the other less the first.

    turn: degrees of hue from the first to the other, positive where the hue angle grows; None where either is too grey to have a hue.
    """

    dE00: float
    low: float
    high: float
    dL: float
    dC: float
    dH: float
    turn: float | None


def steps_between(pairs: Sequence[tuple[Taken, Taken]]) -> list[Step]:
    """Return what lies between the two of each pair; both are of one paper and scanner."""
    if not pairs:
        return []
    one, two = (np.array([pair[side].film.lab for pair in pairs]) for side in (0, 1))
    covariance = np.array([a.film.covariance + b.film.covariance for a, b in pairs])
    freedom = [
        float(
            joint_freedom(
                [float(np.sqrt(np.trace(t.film.covariance))) for t in pair], [t.freedom for t in pair]
            )
        )
        for pair in pairs
    ]
    seen, low, high = interval(one, two, covariance, np.minimum(freedom, MOST_FREEDOM))
    parts, turns = lch_differences(one, two), hue_turns(one, two)
    return [
        Step(
            float(seen[i]),
            float(low[i]),
            float(high[i]),
            float(parts[i, 0]),
            float(parts[i, 1]),
            float(parts[i, 2]),
            turn=None if np.isnan(turns[i]) else float(turns[i]),
        )
        for i in range(len(pairs))
    ]


def hue_turns(one: Array, two: Array) -> Array:
    """Return degrees of hue (n,) from colours (n, 3) to others (n, 3), -180 to 180, NaN where either is too grey."""
    first, second = lab_to_lch(one), lab_to_lch(two)
    turn = (second[:, 2] - first[:, 2] + 180.0) % 360.0 - 180.0
    return np.where(np.minimum(first[:, 1], second[:, 1]) < HUED_CHROMA, np.nan, turn)


def pen_cells(pen: Pen, layers: int) -> tuple[str, str, int, float, float, float]:
    """Return what the rows of an answer begin with for a pen in a number of coats that it has."""
    L, a, b = (float(v) for v in pen.coats[layers].film.lab)
    return pen.marker, pen.name, layers, L, a, b
