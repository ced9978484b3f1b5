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

from calib.answers.films import Film, Films
from calib.colour.colorimetry import linear_to_romm
from calib.colour.dose import DoseCurve, film_density, share_passed

Array = NDArray[np.float64]
Key = tuple[str, int]

# Fewer markers with both coats do not tell the paper's ratio.
LEAST_MARKERS = 8
# Channels that tell: enough ink in one coat to be sure of, and light enough left after two.
LEAST_DENSITY, MOST_DENSITY = 0.04, 1.3
# What papers have (1.6 to 1.9 measured before the start), with room.
LEAST_RATIO, MOST_RATIO = 1.3, 2.2
# Light further below nothing than a scanner's noise, in a cell that is no black, where flare taken off might put it there.
MIXED, COLOURED = -0.003, 0.1


def paper_ratio(films: Mapping[Key, Film]) -> float | None:
    """Return the amount of ink that two coats leave on this paper in amounts of one; None where too few markers tell."""
    from scipy.optimize import least_squares

    at, ratio = [], []
    mixed = all(_wide(film.curve) for film in films.values())
    for (marker, layers), film in films.items():
        two = films.get((marker, 2))
        # Colours outside the readings' primaries have channels that gain by what another loses.
        outside = _wide(film.curve) and not mixed
        if layers != 1 or two is None or len(film.curve.amounts) < 2 or outside:
            continue
        one_two = np.array([film.linear, two.linear]) @ np.linalg.inv(film.curve.back).T
        d_1, d_2 = film_density(film.curve.paper, one_two)
        telling = (d_1 > LEAST_DENSITY) & (d_2 < MOST_DENSITY) & (one_two > 0).all(axis=0)
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


def in_wide_light(before: Films, after: Films) -> dict[Key, Film]:
    """Return the films before; their curves run in wide primaries (ROMM RGB), where either session has negative light.

    Negative light shows that the readings' primaries are narrower than what the scanner saw: a part of one channel was taken off another, and a
    channel that is nearly nothing falls and rises as the others do. Ink takes away light evenly only in light as it was seen.
    """
    found = dict(before.by_key)
    # A clipped row is no film, and yet tells as well.
    lights = [np.array(row.linear) for one in (before, after) for row in one.session.rows if row.linear]
    lights += [film.linear for one in (before, after) for film in one.by_key.values()]
    light = np.array(lights).reshape(-1, 3)
    if not np.any((light.min(axis=1) < MIXED) & (light.max(axis=1) > COLOURED)):
        return found
    wide: Array = np.ascontiguousarray(linear_to_romm(np.eye(3)).T)
    back = np.asarray(np.linalg.inv(wide))
    for (marker, layers), film in before.by_key.items():
        own = film.curve
        if _wide(own):
            continue
        paper = wide @ own.paper
        curve = DoseCurve(paper, np.zeros(3), film_density(paper, wide @ film.linear), np.ones(1), back)
        if len(own.amounts) > 1:
            coats = np.array([before.by_key[marker, n].linear for n in (1, 2)])
            curve = _curve(curve, coats, float(own.amounts[1]))
        found[marker, layers] = replace(film, curve=curve)
    return found


def _wide(curve: DoseCurve) -> bool:
    return not np.array_equal(curve.back, np.eye(3))


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
        passed = share_passed(one, two, ratio)
        floor[c], rate[c] = (one - passed) / (1 - passed), -np.log10(passed)
    return DoseCurve(own.paper, floor, rate, np.array([1.0, ratio]), own.back)
