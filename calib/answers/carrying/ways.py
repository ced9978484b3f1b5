"""The ways in which papers differ: families of models, from the simplest to the richest, and their columns.

Direct use; the paper's white; white and one strength; a strength for each coat; these and the light of the surface,
alike for all inks; a low-rank map in log light (principal components, after Shaw, Sharma, Bala and Dalal, Color Res.
Appl. 28, 2003); gains, exponents and surface light per channel; a ridge regression in log light with squares and
products; and smooth functions of the colour on top. ``families`` fits them and ``mixture`` weighs them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.carrying.carry import Carried, Swatches

Array = NDArray[np.float64]
Columns = Callable[[Swatches, Carried], Array]

# How much papers are expected to differ, as standard deviations: strength and gains by a third, what a second coat
# adds by a tenth (1.6 to 1.9 times the first's), exponents by a third, surface light by a hundredth of white, and
# the rest of log light by a tenth. All are generous, from what was measured before the start and invented where it
# was not.
STRENGTH, COAT, GAIN, EXPONENT, SURFACE, LOG_LIGHT = 0.3, 0.1, 0.3, 0.3, 0.01, 0.1


@dataclass(frozen=True)
class Family:
    """One way to think of a paper.

    words: how a sentence goes on after 'Model:'. base: what is carried over. columns, smooth: what is added to it.
    """

    name: str
    words: str
    base: str
    columns: tuple[str, ...] = ()
    smooth: bool = False


ONE = ("strength", "coats")
ALIKE = (*ONE, "surface")
FAMILIES = (
    Family("direct", "the colours of the other paper as they are", "as it is"),
    Family("white", "the paper's white alone", "white"),
    Family("strength", "the paper's white and one strength of all inks", "strength", ("strength",)),
    Family("coats", "the paper's white and a strength for each coat", "strength", ONE),
    Family("law", "white, strength and surface light, alike for all inks", "law", ALIKE),
    Family("low rank", "white, strength and a low-rank map in log light", "strength", (*ONE, "scores")),
    Family(
        "channels", "white, and gain, exponent and surface light of each channel", "law", (*ALIKE, "channels")
    ),
    Family("ridge", "white, strength and a ridge regression in log light", "strength", (*ONE, "products")),
    Family("smooth", "white, strength and a smooth map of colours", "strength", ONE, True),
    Family("smooth law", "white, strength, surface light and a smooth map of colours", "law", ALIKE, True),
    Family("map", "a smooth map from colours to colours", "as it is", (), True),
    Family(
        "both",
        "white, gains, exponents, surface light, and a smooth map of colours",
        "law",
        (*ALIKE, "channels"),
        True,
    ),
    Family(
        "all",
        "white, gains, exponents, surface light, a ridge regression in log light and a smooth map of colours",
        "law",
        (*ALIKE, "channels", "products"),
        True,
    ),
)


def _strength(swatches: Swatches, base: Carried) -> Array:
    return np.asarray(STRENGTH * base.along[:, :, None])


def _coats(swatches: Swatches, base: Carried) -> Array:
    return np.asarray(COAT * base.along[:, :, None] * (swatches.layers == 2)[:, None, None])


def _surface(swatches: Swatches, base: Carried) -> Array:
    return np.asarray(SURFACE * base.by_surface[:, :, None])


def _log_light(base: Carried, features: Array) -> Array:
    """Return a column for each channel of light and each feature (n, k): (n, 3, 3 k)."""
    return np.concatenate([base.by_light * f[:, None, None] for f in features.T], axis=2)


def _channels(swatches: Swatches, base: Carried) -> Array:
    d, ten = swatches.density, np.log(10)
    shapes = (
        GAIN * ten * d,
        EXPONENT * ten * d * np.log(np.maximum(d, 0.01) / 0.5),
        SURFACE * (10 ** np.minimum(d, 2.0) - 1.0),
    )
    return np.concatenate([base.by_light * shape[:, None, :] for shape in shapes], axis=2)


def _scores(swatches: Swatches, base: Carried) -> Array:
    d = swatches.density - swatches.density.mean(axis=0)
    _, _, ways = np.linalg.svd(d, full_matrices=False)
    scores = d @ ways[:2].T
    ones = np.ones((len(d), 1))
    return LOG_LIGHT * _log_light(base, np.hstack([ones, _scaled(scores)]))


def _products(swatches: Swatches, base: Carried) -> Array:
    d = swatches.density
    features = np.hstack([d, d**2, d * np.roll(d, 1, axis=1)])
    return LOG_LIGHT * _log_light(base, _scaled(features))


def _scaled(features: Array) -> Array:
    return np.asarray(features / np.maximum(np.sqrt((features**2).mean(axis=0)), 1e-9))


COLUMNS: dict[str, Columns] = {
    "strength": _strength,
    "coats": _coats,
    "surface": _surface,
    "channels": _channels,
    "scores": _scores,
    "products": _products,
}
# Nothing is known beforehand of how large these are; the swatches tell.
GUESSED = {"scores", "products"}
