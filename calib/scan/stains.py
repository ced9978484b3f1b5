"""Stains, thumbs and hard shadows: bare paper beside a cell that is not the page's paper, once the lighting is undone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box

Array = NDArray[np.float64]

# Bare paper is the same over the page to 0.3 % in 99 of 100 places, on a sheet that lifts off the glass to 1.2 %; what is off by
# more than this is something else (measured on simulated scans).
NOT_PAPER = 0.04
# With so large a share of the places within so many mm of a cell, what lies there may lie on the ink too. A hand that runs
# over the edge by more than a millimetre reaches 0.17, a sheet that lifts 0.29, a stain or thumb 0.4 to 0.8 (likewise).
BESIDE_MM = 5.0
STAINED = 0.35
FEWEST = 4


def off_paper(reflectance: Array, paper: Array) -> Array:
    """Return how far, relative and in the worst channel, places of reflectance (n, 3) are off the paper (3,): (n,)."""
    return np.asarray(np.abs(reflectance / paper - 1).max(axis=1))


def stained(at: Array, off: Array, cell: Box) -> bool:
    """Tell whether a stain or a thumb may lie on a cell. at: (n, 2) places of bare paper in mm, off: (n,) as off_paper says."""
    box = cell.grown(BESIDE_MM)
    near = (
        (at[:, 0] > box.x_mm) & (at[:, 0] < box.right_mm) & (at[:, 1] > box.y_mm) & (at[:, 1] < box.bottom_mm)
    )
    return bool(near.sum() >= FEWEST and np.mean(off[near] > NOT_PAPER) > STAINED)
