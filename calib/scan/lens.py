"""What a lens and a page that curls do to a photograph: lines that are straight on paper are bent in it.

A flat page behind a perfect lens is a perspective picture. A phone's lens bends lines, and its program takes most of that out
again; a sheet lifts off the table along two sides. Both grow from the middle outwards, and three numbers say how far.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.frame import mapped

Array = NDArray[np.float64]

# No phone's picture is bent by more than this at its corners, no page is measured that stands up by more of the way to the lens.
MOST_BENT = 0.08
MOST_CURL = 0.05
# A bend counts where F (the gain per number over what is left per freedom) is past the chance of one in a million.
CLEAR_F = 15.0
# Bends and curls are usually about so large; few marks must not make more of their noise.
USUAL_BENT, USUAL_CURL = 0.02, 0.01
CORNER_MM = 0.04


@dataclass(frozen=True)
class Lens:
    """middle (2,), radius: of the picture, in pixels, to its corner. bent: the division model's number (Fitzgibbon, CVPR 2001)
    over the square of that radius. page_mm: the page's size. curl: (2,) how far places at the page's sides, and at its
    ends, are shifted outwards, as a share of their distance from its middle."""

    middle: Array
    radius: float
    page_mm: tuple[float, float]
    bent: float = 0.0
    curl: tuple[float, float] = (0.0, 0.0)

    def straight(self, pixels: Array) -> Array:
        """Return where a perfect lens would have put what is seen at pixels (..., 2)."""
        off = (pixels - self.middle) / self.radius
        return np.asarray(
            self.middle + self.radius * off / (1 + self.bent * np.sum(off**2, axis=-1, keepdims=True))
        )

    def seen(self, straight: Array) -> Array:
        """Return where this lens shows what a perfect one would put at straight (..., 2)."""
        off = (straight - self.middle) / self.radius
        square = np.sum(off**2, axis=-1, keepdims=True)
        inside = np.sqrt(np.maximum(1 - 4 * self.bent * square, 0.01))
        return np.asarray(self.middle + self.radius * off * 2 / (1 + inside))

    def pressed(self, mm: Array) -> Array:
        """Return which places (..., 2) of a flat page lie in line with those of the page as it curls."""
        half = np.array(self.page_mm) / 2
        off = mm - half
        rise = np.sum(np.square(off / half) * np.array(self.curl), axis=-1, keepdims=True)
        return np.asarray(half + off * (1 + rise))

    def unpressed(self, flat: Array) -> Array:
        """Return the inverse of pressed."""
        half = np.array(self.page_mm) / 2
        off, found = flat - half, flat - half
        for _ in range(8):
            found = off / (1 + np.sum(np.square(found / half) * np.array(self.curl), axis=-1, keepdims=True))
        return np.asarray(half + found)


def fit_lens(mm: Array, pixels: Array, flat: Lens, per_mm: float) -> tuple[Lens, Array, Array]:
    """Return the lens and the homography that map marks' corners mm (n, 2) to pixels (n, 2), and what they are missed by, mm (n,).

    flat: middle, radius and page's size. Of no bend, a bent lens, and a curling page too, the simplest wins that is not clearly worse.
    """
    from scipy.optimize import least_squares

    def lens_of(values: Array) -> Lens:
        bent, *curl = [*values, 0.0, 0.0][:3] if len(values) == 1 else values
        return Lens(flat.middle, flat.radius, flat.page_mm, float(bent), (float(curl[0]), float(curl[1])))

    def matrix_of(lens: Lens) -> Array:
        matrix, _ = cv2.findHomography(lens.pressed(mm), lens.straight(pixels), 0)
        return np.eye(3) if matrix is None else np.asarray(matrix, dtype=float)

    def off(lens: Lens) -> Array:
        return np.asarray((mapped(matrix_of(lens), lens.pressed(mm)) - lens.straight(pixels)) / per_mm)

    def rest(values: Array) -> Array:
        prior = values / np.array([USUAL_BENT, USUAL_CURL, USUAL_CURL])[: len(values)]
        return np.concatenate([off(lens_of(values)).ravel(), CORNER_MM * prior])

    best, left, spent = flat, float(np.sum(off(flat) ** 2)), 8
    for count in (1, 3):
        free = 2 * len(mm) - 8 - count
        if free < 4 * count:
            continue
        most = np.array([MOST_BENT, MOST_CURL, MOST_CURL])[:count]
        found = least_squares(rest, np.zeros(count), bounds=(-most, most), x_scale=most)
        lens = lens_of(found.x)
        again = float(np.sum(off(lens) ** 2))
        gain = (left - again) / (8 + count - spent) / max(again / free, 1e-9)
        if gain > CLEAR_F:
            best, left, spent = lens, again, 8 + count
    return best, matrix_of(best), np.hypot(*off(best).T)
