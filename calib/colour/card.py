"""Colour cards: the known colours of a grid of patches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
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
