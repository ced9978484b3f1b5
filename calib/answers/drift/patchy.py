"""How evenly a cell is covered, and whether that fell: a pen that runs dry leaves white grain before its colour changes.

Two tests: how much coverage was lost, and by what factor the mottle rose, each against what unchanged markers do. And a size:
a patchy cell looks different though its film has the colour it had, because paper shows through. What counts
is the spread of colour inside the cell, as a root mean square in dE00: the grain's share of white times its difference from the
film, and the mottle times the difference that so much more or less ink makes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.change import Cells
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import local_scale
from calib.colour.significance import robust_scale

Array = NDArray[np.float64]

# On simulated scans the coverage of 400 unchanged cells changed by 0.006 (sd; 0.02 at most), the logarithm of mottle by 0.14
# (0.9 at most, where a channel is nearly black); pens with a fifth to three fifths of grain lost 0.11 to 0.65 of their
# coverage, and their mottle rose by 0 to 200 per cent (measured).
COVERAGE_SD, MOTTLE_SD = 0.006, 0.14
# Their tails are longer than the normal distribution's: white slivers, channels near black.
COVERAGE_FREEDOM, MOTTLE_FREEDOM = 5, 3
LEAST_MOTTLE = 0.02
# What is called patchy lost so much coverage, or its mottle rose by such a factor, besides being significant.
CLEAR_LOSS, CLEAR_RISE = 0.04, 1.5
# From so many cells on, their own spread tells what unchanged ones do.
ENOUGH = 12


@dataclass(frozen=True, eq=False)
class Evenness:
    """p: (n,) how often an unchanged cell would look so, NaN where it is not known. clear: (n,) whether the change is large enough to be
    called patchy. grown: (n,) by how much the spread of colour inside the cell grew, in dE00. before, after: coverage (n,)."""

    p: Array
    clear: NDArray[np.bool_]
    grown: Array
    before: Array
    after: Array


def evenness_of(cells: Cells, lab_after: Array) -> Evenness:
    """Return what became of the coverage and the mottle of cells; lab_after (n, 3) is the film's colour after."""
    from scipy.special import stdtr

    coverage, mottle = (
        np.array([[getattr(film.reading, name) for film in films] for films in (cells.before, cells.after)], dtype=float)
        for name in ("coverage", "mottle")
    )  # fmt: skip
    lost = _centred(coverage[0] - coverage[1])
    rise = _centred(np.log(np.maximum(mottle[1], LEAST_MOTTLE) / np.maximum(mottle[0], LEAST_MOTTLE)))
    p_lost = stdtr(COVERAGE_FREEDOM, -lost / _spread(lost, COVERAGE_SD))
    p_rise = stdtr(MOTTLE_FREEDOM, -rise / _spread(rise, MOTTLE_SD))
    both = np.array([p_lost, p_rise])
    known = np.isfinite(both)
    p = np.where(known.any(axis=0), np.min(np.where(known, both, 1.0), axis=0) * known.sum(axis=0), np.nan)
    with np.errstate(invalid="ignore"):
        clear = ((lost > CLEAR_LOSS) & (p_lost < 0.01)) | ((rise > np.log(CLEAR_RISE)) & (p_rise < 0.01))
    return Evenness(
        np.minimum(p, 1.0), clear, _grown(cells, lab_after, coverage, mottle), coverage[0], coverage[1]
    )


def _centred(change: Array) -> Array:
    """Return changes (n,) less what most cells have in common, where they are enough to tell."""
    known = change[np.isfinite(change)]
    return change - float(np.median(known)) if len(known) >= ENOUGH else change


def _spread(change: Array, least: float) -> float:
    known = change[np.isfinite(change)]
    return max(least, robust_scale(known)) if len(known) >= ENOUGH else 1.5 * least


def _grown(cells: Cells, lab_after: Array, coverage: Array, mottle: Array) -> Array:
    paper = cells.lab_of(cells.curves.light(np.zeros(len(cells.keys))))
    along = np.array([film.along for film in cells.before]).reshape(-1, 3)
    per_amount = np.sqrt(np.einsum("ni,nij,nj->n", along, local_scale(cells.lab_before), along))
    squares = []
    for lab, covered, uneven in zip((cells.lab_before, lab_after), coverage, mottle, strict=True):
        white = covered * (1 - covered) * delta_e_2000(lab, paper) ** 2
        squares.append(np.nan_to_num(white) + np.nan_to_num(uneven * per_amount) ** 2)
    return np.asarray(np.sqrt(np.maximum(squares[1] - squares[0], 0.0)))
