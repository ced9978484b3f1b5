"""Near-neutral pens with their cast against the paper's own white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Pen
from calib.answers.shelf import Shelf
from calib.colour.naming import CAST_CHROMA, GREY_CHROMA, beside, cast_words
from calib.colour.uncertainty import coverage_factor

Array = NDArray[np.float64]

NEUTRAL = "neutral"


@dataclass(frozen=True, eq=False)
class Grey:
    """A pen that is near neutral in some number of coats.

    cast: (2,) a*b* beside the paper's white. chroma: its length, u_chroma the standard uncertainty of that. words: which way it leans, the
    stronger first; none for a neutral. sure: whether the cast is beyond doubt, or, for a neutral, that there is none worth a word.
    """

    pen: Pen
    layers: int
    lab: Array
    cast: Array
    chroma: float
    u_chroma: float
    words: tuple[str, ...]
    sure: bool

    @property
    def family(self) -> str:
        """The first word of the cast, or 'neutral'."""
        return self.words[0] if self.words else NEUTRAL


def greys_of(shelf: Shelf, pens: Sequence[Pen], within: float = GREY_CHROMA) -> tuple[Grey, ...]:
    """Return the near-neutral swatches of pens, the lightest first; within: the largest chroma beside the paper's white."""
    white = None if shelf.white is None else shelf.white
    found = []
    for pen in pens:
        for layers, taken in pen.coats.items():
            grey = _grey(pen, layers, taken.film.lab, white, taken.film.covariance, taken.freedom)
            if grey.chroma <= within:
                found.append(grey)
    return tuple(sorted(found, key=lambda grey: (-grey.lab[0], grey.pen.order, grey.layers)))


def _grey(pen: Pen, layers: int, lab: Array, white: Array | None, covariance: Array, freedom: int) -> Grey:
    cast = beside(lab, white)
    chroma = float(np.hypot(*cast))
    way = cast / chroma if chroma > 1e-9 else np.array([1.0, 0.0])
    u = float(np.sqrt(way @ covariance[1:, 1:] @ way))
    words = cast_words(lab, white)
    factor = float(coverage_factor(freedom))
    low, high = chroma - factor * u, chroma + factor * u
    sure = low > CAST_CHROMA if words else high < 2 * CAST_CHROMA
    return Grey(pen, layers, np.asarray(lab), cast, chroma, u, words, sure)
