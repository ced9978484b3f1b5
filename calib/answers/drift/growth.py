"""How much ink two coats leave on a paper, told by all its markers together, and the dose curves that follow from it.

A single marker's two swatches cannot tell it: its hand's scatter is in the ratio, and a channel wider than the ink's absorption
loses density as the ink grows, which looks like less ink. Over all markers the scatter averages out, and the loss goes with
the density, so that the ratio is where the line through all of them meets no density at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Film
from calib.colour.dose import DoseCurve, film_density

Array = NDArray[np.float64]
Key = tuple[str, int]

# Fewer markers with both coats do not tell the paper's ratio.
LEAST_MARKERS = 8
# Channels that tell: enough ink in one coat to be sure of, and light enough left after two.
LEAST_DENSITY, MOST_DENSITY = 0.04, 1.3
# What papers have (1.6 to 1.9 measured before the start), with room.
LEAST_RATIO, MOST_RATIO = 1.3, 2.2
LEAST_LIGHT = 1e-4
LOWEST_FLOOR = -20.0


def paper_ratio(films: Mapping[Key, Film]) -> float | None:
    """Return the amount of ink that two coats leave on this paper in amounts of one; None where too few markers tell."""
    from scipy.optimize import least_squares

    at, ratio = [], []
    for (marker, layers), film in films.items():
        two = films.get((marker, 2))
        # Colours outside the readings' primaries have channels that gain by what another loses.
        inside = np.array_equal(film.curve.back, np.eye(3))
        if layers != 1 or two is None or len(film.curve.amounts) < 2 or not inside:
            continue
        paper = film.curve.back @ film.curve.paper
        d_1, d_2 = film_density(paper, film.linear), film_density(paper, two.linear)
        telling = (d_1 > LEAST_DENSITY) & (d_2 < MOST_DENSITY) & (film.linear > 0) & (two.linear > 0)
        if telling.any():
            # The channel that lost least tells best; the hand's scatter is alike in all three.
            c = int(np.argmax(np.where(telling, d_2 / np.maximum(d_1, 1e-9), -np.inf)))
            at.append(d_1[c])
            ratio.append(d_2[c] / d_1[c])
    if len(at) < LEAST_MARKERS:
        return None
    x, y = np.array(at), np.array(ratio)
    fit = least_squares(
        lambda v: v[0] - v[1] * x - y, [float(np.clip(np.median(y), LEAST_RATIO, MOST_RATIO)), 0.0], loss="soft_l1", f_scale=0.05,
        bounds=([LEAST_RATIO, 0.0], [MOST_RATIO, 1.0]),
    )  # fmt: skip
    return float(fit.x[0])


def with_paper_ratio(films: Mapping[Key, Film]) -> dict[Key, Film]:
    """Return films whose markers with both coats have curves of the paper's own ratio, where it can be told."""
    ratio = paper_ratio(films)
    found = dict(films)
    if ratio is None:
        return found
    for (marker, layers), film in films.items():
        two = films.get((marker, 2))
        if layers == 1 and two is not None and len(film.curve.amounts) > 1:
            curve = _curve(film.curve, np.array([film.linear, two.linear]), ratio)
            found[marker, 1] = replace(film, curve=curve, amount=1.0)
            found[marker, 2] = replace(two, curve=curve, amount=ratio)
    return found


def _curve(own: DoseCurve, light: Array, ratio: float) -> DoseCurve:
    """Return the curve through one coat and two, light (2, 3), where the second is so many times the ink of the first."""
    inner = light @ np.linalg.inv(own.back).T
    share = inner / own.paper
    density = film_density(own.paper, inner)
    floor, rate = np.zeros(3), density.sum(axis=0) / (1 + ratio)
    for c in np.flatnonzero(density[0] > 0.01):
        one, two = float(share[0, c]), float(share[1, c])
        # No channel loses light faster than evenly with the ink.
        two = max(two, 1 - 0.999 * ratio * (1 - one))
        passed = _passed(one, two, ratio)
        floor[c], rate[c] = (one - passed) / (1 - passed), -np.log10(passed)
    return DoseCurve(own.paper, floor, rate, np.array([1.0, ratio]), own.back)


def _passed(one: float, two: float, ratio: float) -> float:
    """Return what share of the light above its floor one coat passes, by bisection; see ``colour/dose``."""
    low, high = LEAST_LIGHT, (one - LOWEST_FLOOR) / (1 - LOWEST_FLOOR)
    for _ in range(50):
        x = (low + high) / 2
        if (one - x) * (1 - x**ratio) > (two - x**ratio) * (1 - x):
            low = x
        else:
            high = x
    return float((low + high) / 2)
