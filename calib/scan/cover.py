"""How a cell is covered: inked share, mottle, grain, and ink past the edges.

Bare spots are looked for in linear light, where a pixel half of whose area is inked sends back the
mean of both lights, so that the scanner's blur moves no ink from one place to another.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.film import INKED, LEAST_LIGHT
from calib.scan.squares import BLOCK_MM

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# Above and below the cell stands print, so that bleeding is followed less far there.
BLEED_UPDOWN_MM = 0.8
CORNER_MM = 1.5
# Under this density in every channel (about 0.4 L*) nothing can be called ink.
BARE_DENSITY = 0.004
# A channel that sends back less than the first share of the paper's light tells nothing of mottle; less than the
# second, it still tells it, but of a colour outside the scanner's primaries far more than the eye sees.
TELLING, TELLING_WELL = 0.02, 0.1
# Bare spots smaller than twice this are grain, larger ones were left out by the hand.
GRAIN_MM = 0.5
# A pixel is wholly inked where its surroundings are even (the least to the largest share) and far
# from bare, or dark anyway; it is bare where nothing around it is darker than the last figure.
EVEN, FAR_FROM_BARE, DARK, BARE = 0.7, 0.3, 0.85, 0.15
# A spot's ink is compared with the wholly inked pixels around it, this far.
NEAR_MM = 0.25
# Two coats leave so many times the ink of one (middle of what papers have, from memory).
TWO_COATS = 1.75
# How often a spot between bare and two coats is part bare, part one coat: the rest is part two coats.
ONE_COAT = 0.35
# Squares inked by more than this count for mottle.
FULL = 0.9
# The scanner's blur lets bare spots look into the squares beside them; this much of it is taken back.
SHARPER, BLUR_MM = 0.5, 0.06


def cover_map(share: NDArray[np.float32], noise: float, per_mm: float, one_coat: float) -> Light:
    """Return the inked part (h, w) of every pixel, 0..1.

    share: (h, w) how far the pixel's light lies from paper (0) to film (1); noise: its standard deviation.
    one_coat: the share that one coat of a film of several has, 1 where the film is one coat.
    A pixel that is inked in part is measured against the ink beside it, because bands and places
    that only one of two coats reached are not the film.
    """
    kernel = np.ones((3, 3), np.uint8)
    share = np.nan_to_num(share)
    least, most = cv2.erode(share, kernel), cv2.dilate(share, kernel)
    whole = ((least > EVEN * most - 2 * noise) & (least > FAR_FROM_BARE)) | (least > DARK)
    weight = whole.astype(np.float32)

    def near(values: Light) -> Light:
        return np.asarray(cv2.GaussianBlur(values, (0, 0), NEAR_MM * per_mm, borderType=cv2.BORDER_REFLECT))

    # Where nothing wholly inked is near, the film itself is what a spot is compared with.
    around = (near(share * weight) + 0.05) / (near(weight) + 0.05)
    part = np.minimum(share / around, 1.0 + 2 * noise)
    if one_coat < 1:
        part = (1 - ONE_COAT) * part + ONE_COAT * np.minimum(share / one_coat, 1.0)
    return np.where(whole, 1.0, np.where(most < BARE, 0.0, part)).astype(np.float32)


def share_of(light: Light, paper: Array, film: Array) -> NDArray[np.float32]:
    """Return how far each pixel's light (h, w, 3) lies on the way from paper (0) to film (1): (h, w)."""
    drop = paper - film
    weights = drop / max(float(drop @ drop), 1e-9)
    # A matrix of one row, and a constant behind it: many times quicker than a product of arrays.
    matrix = np.append(-weights, paper @ weights)[None].astype(np.float32)
    return np.asarray(cv2.transform(light, matrix), dtype=np.float32)


def one_coat_share(paper: Array, film: Array, layers: int) -> float:
    """Return where, from paper (0) to a film of so many coats (1), the light of one coat lies."""
    if layers < 2:
        return 1.0
    one = paper * (np.maximum(film, LEAST_LIGHT) / paper) ** (1 / TWO_COATS)
    drop = paper - film
    return float(np.clip((paper - one) @ drop / max(float(drop @ drop), 1e-9), 0.3, 1.0))


def mottle_of(
    light: Light, cover: Light, paper: Array, film: Array, noise_sd: Array, per_mm: float, telling: float
) -> tuple[float, float]:
    """Return the coefficient of variation of the densest channel's density over the inked squares, and
    how large noise alone would have made it.

    light: (h, w, 3). cover: (h, w) inked part of each pixel. noise_sd: (3,) of a square at the film's light.
    telling: a channel that sends back less than this share of the paper's light is passed over for the next one; of
    an ink that is black in all of them the lightest is taken.
    """
    passed = film / paper
    tells = passed > telling
    channel = int(np.argmin(np.where(tells, passed, np.inf)) if tells.any() else np.argmax(passed))
    plane = np.ascontiguousarray(light[..., channel])
    blurred = np.asarray(cv2.GaussianBlur(plane, (0, 0), BLUR_MM * per_mm))
    squares, inked = (
        _squares(plane + np.float32(SHARPER) * (plane - blurred), per_mm),
        _squares(cover, per_mm),
    )
    values = squares[(inked > FULL) & np.isfinite(squares)]
    if len(values) < 8:
        return 0.0, 0.0
    density = np.log10(paper[channel] / np.maximum(values, LEAST_LIGHT))
    mean = float(density.mean())
    if mean < BARE_DENSITY:
        return 0.0, 0.0
    noise = noise_sd[channel] / max(float(values.mean()), LEAST_LIGHT) / np.log(10)
    return float(np.sqrt(max(0.0, float(density.var()) - noise**2)) / mean), float(noise / mean)


def _squares(values: Light, per_mm: float) -> Array:
    """Return the means (n,) of squares as near to a quarter millimetre as divide a picture (h, w)."""
    count = [max(1, round(side / per_mm / BLOCK_MM)) for side in values.shape]
    small = cv2.resize(values, (count[1], count[0]), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float64).ravel()


def grain_of(t: NDArray[np.float32], per_mm: float) -> float:
    """Return the share of the area that is bare, but has ink on all sides within GRAIN_MM.

    t: (h, w) amount of ink of each pixel, the film's being 1.
    """
    inked = (np.nan_to_num(t, nan=1.0) > INKED).astype(np.uint8)
    size = 2 * round(GRAIN_MM * per_mm) + 1
    closed = cv2.morphologyEx(
        inked, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    )
    return float(np.mean(closed > inked))


def bleed_of(t: NDArray[np.float32], cell: tuple[slice, slice], per_mm: float) -> float:
    """Return how far ink runs on past the cell's edges without a break, the mean over the edges in mm.

    t: (h, w) amount of ink of each pixel, the film's being 1. cell: where the cell lies in it.
    """
    inked = t > INKED
    rows, columns = cell
    corner = round(CORNER_MM * per_mm)
    updown = max(1, round(BLEED_UPDOWN_MM * per_mm))
    middle_rows = slice(rows.start + corner, rows.stop - corner)
    middle_columns = slice(columns.start + corner, columns.stop - corner)
    runs = [
        inked[middle_rows, : columns.start][:, ::-1],
        inked[middle_rows, columns.stop :],
        inked[rows.start - updown : rows.start, middle_columns][::-1].T,
        inked[rows.stop : rows.stop + updown, middle_columns].T,
    ]
    lengths = [np.cumprod(run, axis=1).sum(axis=1) for run in runs if run.size]
    return float(np.concatenate(lengths).mean() / per_mm) if lengths else 0.0
