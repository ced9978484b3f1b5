"""What unchanged pens scatter by, told by all of them: figures for ``significance.spread_of``."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.change import UNKNOWN_OFF, Cells
from calib.answers.drift.inks import Inks, across_squares
from calib.answers.drift.shift import Shift, design
from calib.colour.significance import Group

Array = NDArray[np.float64]

# Where the reading's doubt is larger than this share of the ink, the amount itself is normal, not its logarithm.
PALE = 0.1


def log_strength(inks: Inks, shift: Shift) -> Array:
    """Return the logarithm of each cell's strength (n,), less the session's; of a faint ink how far its strength is from 1."""
    # A faint ink's amount scatters evenly, and may be nothing; its logarithm would run away.
    log = np.where(inks.u_read > PALE, inks.strength - 1.0, np.log(inks.strength))
    return np.asarray(log - shift.strength)


def by_marker(cells: Cells, values: Array) -> Array:
    """Return the sum (k,) of values (n,) of each marker's cells."""
    return np.asarray(np.bincount(cells.marker, values, minlength=len(cells.markers)))


def by_marker_rows(cells: Cells, values: Array) -> Array:
    """Return the sum (k, m) of rows (n, m) of each marker's cells."""
    total = np.zeros((len(cells.markers), values.shape[1]))
    np.add.at(total, cells.marker, values)
    return total


def ahead_of(cells: Cells, inks: Inks) -> Array:
    """Return how each cell's logarithm of strength goes with the 13 figures of a shift: (n, 13)."""
    return np.asarray(np.einsum("nc,ncd->nd", inks.reads, design(cells, inks.strength)))


def off_group(cells: Cells, inks: Inks, shift: Shift) -> Group:
    """Return every marker's sum of squares off its curve, in stated doubts."""
    astray = cells.astray(np.log(inks.strength) - shift.strength)
    squares = across_squares(inks.across, inks.way, cells.noise + UNKNOWN_OFF**2 * cells.unknown + astray)
    dimensions = 2.0 * by_marker(cells, np.ones(len(squares)))
    return Group(by_marker(cells, squares), np.zeros(len(cells.markers)), dimensions)


def hand_groups(cells: Cells, inks: Inks, shift: Shift, reading: float) -> list[Group]:
    """Return every marker's mean change along its curve, and how its two layers differ, which a changed pen alters little."""
    log = log_strength(inks, shift)
    number = by_marker(cells, np.ones(len(log)))
    hand = by_marker(cells, cells.u_hand**2) / number**2
    read = by_marker(cells, (reading * inks.u_read) ** 2 + inks.u_unknown**2) / number**2
    mean = by_marker(cells, log) / number
    # What was fitted to the markers has taken a little of their own scatter with it.
    ahead = ahead_of(cells, inks)
    gone = by_marker_rows(cells, ahead) / number[:, None]
    taken = np.einsum("nd,de,ne->n", gone, shift.covariance, gone)
    groups = [Group(mean**2 / hand, (read - taken) / hand, np.ones(len(mean)))]
    two = number == 2
    if two.any():
        sign = np.where(np.array([layers for _, layers in cells.keys]) == 2, 1.0, -1.0)
        apart = by_marker(cells, sign * log) / 2
        gone = by_marker_rows(cells, sign[:, None] * ahead) / 2
        taken = np.einsum("nd,de,ne->n", gone, shift.covariance, gone)
        fixed = ((read - taken) / hand)[two]
        groups.append(Group(apart[two] ** 2 / hand[two], fixed, np.ones(int(two.sum())), mixed=False))
    return groups
