"""Why no pen comes near a colour: what about it lies beyond all that the pens of a shelf can do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from calib.answers.shelf import Shelf
from calib.colour.colorimetry import lab_to_lch
from calib.colour.naming import GREY_CHROMA

Array = NDArray[np.float64]

# Pens whose hue is no further off than this are 'of about that hue' (our own choice: two neighbours among the twelve of a hue circle).
SAME_HUE = 30.0
# Beyond the pens by less than this in L* or chroma is no news (our own choice).
BEYOND = 2.0


def beyond_words(shelf: Shelf, lab: Array) -> Iterator[str]:
    """Yield sentences on how a colour (3,) lies beyond the bare paper and the pens that are offered, each by itself; none where it does not."""
    L, C, h = (float(v) for v in lab_to_lch(lab))
    white = shelf.white
    if white is not None and white[0] + 1 < L:
        yield f"It is lighter than the bare paper (L {white[0]:.0f}), which no ink can be."
    pens = np.array([taken.film.lab for pen in shelf.offered for taken in pen.coats.values()])
    if not len(pens):
        return
    lch = lab_to_lch(pens)
    if float(lch[:, 0].min()) - BEYOND > L:
        yield f"It is darker than any of your pens (the darkest has L {lch[:, 0].min():.0f})."
    if C < GREY_CHROMA:
        # A grey has no hue of which there could be too little.
        return
    turn = np.abs((lch[:, 2] - h + 180.0) % 360.0 - 180.0)
    alike = lch[(turn <= SAME_HUE) & (lch[:, 1] >= GREY_CHROMA)]
    if not len(alike):
        yield "You have no pen of about that hue."
    elif float(alike[:, 1].max()) + BEYOND < C:
        yield (
            f"It is stronger than any of your pens of about that hue (C {C:.0f}; the strongest has {alike[:, 1].max():.0f}): "
            "screens show colours that ink does not reach."
        )
