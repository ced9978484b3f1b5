"""What a second coat does to the cast of a grey: whether it keeps it, or which way it turns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.greys.casts import Grey, greys_of
from calib.answers.shelf import Shelf
from calib.colour.naming import CAST_CHROMA, cast_words
from calib.colour.uncertainty import coverage_factor, joint_freedom

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Turn:
    """A grey in one coat and what it is in two.

    step: (2,) the cast of two coats less that of one, in a*b*. u: standard uncertainty of its length. words: which way it goes; none where it is
    too little for a word, even if it were all true. sure: whether that it turns, or that it keeps, is beyond doubt.
    """

    one: Grey
    two: Grey
    step: Array
    u: float
    words: tuple[str, ...]
    sure: bool


def turns_of(shelf: Shelf, greys: Sequence[Grey]) -> tuple[Turn, ...]:
    """Return what a second coat does to each grey of one coat that was also measured in two, in the order of the greys.

    What counts as a turn is what counts as a cast: 1.5 in a*b*. The two coats were read from different cells, so their doubts add.
    """
    single = [grey for grey in greys if grey.layers == 1 and 2 in grey.pen.coats]
    double = {
        grey.pen.order: grey
        for grey in greys_of(shelf, [grey.pen for grey in single], within=np.inf)
        if grey.layers == 2
    }
    return tuple(_turn(grey, double[grey.pen.order]) for grey in single)


def _turn(one: Grey, two: Grey) -> Turn:
    step = two.cast - one.cast
    size = float(np.linalg.norm(step))
    way = step / size if size > 1e-9 else np.array([1.0, 0.0])
    taken = [grey.pen.coats[grey.layers] for grey in (one, two)]
    u = [float(np.sqrt(way @ each.film.covariance[1:, 1:] @ way)) for each in taken]
    both = float(np.linalg.norm(u))
    factor = float(coverage_factor(joint_freedom(u, [each.freedom for each in taken])))
    # Judged in a middle lightness beside nothing: the step is beside the paper's white already.
    words = cast_words(np.array([50.0, *step]))
    # A small step over the border of a word is no turn, and yet nobody would read that the word is kept.
    kept = one.family == two.family and size + factor * both < 2 * CAST_CHROMA
    sure = size - factor * both > CAST_CHROMA if words else kept
    return Turn(one, two, step, both, words, sure)
