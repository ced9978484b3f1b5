"""The bare paper beside a cell: its light, and how the noise of squares of it falls with their size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.squares import BLOCK_MM, median_of

Array = NDArray[np.float64]
Light = NDArray[np.float32]
NoiseOf = Callable[[Array], Array]

# So much of the surroundings left and right of the cell is taken for paper: ink seldom runs so far.
SIDE_MM = 0.6
# With fewer squares than this nothing is told of noise.
LEAST_SQUARES = 24
# A square's noise counts for so many squares at least and at most: one where pixels share nothing; four were found on
# scans with much shared noise.
REACH = (1.0, 6.0)


@dataclass(frozen=True)
class Ground:
    """The bare paper beside a cell.

    light: (3,). scatter: (3,) standard deviation of quarter-millimetre squares of it. reach: how many squares' worth
    of paper one independent square is: 1 where pixels share no noise. grit: how many times noisier a pixel is than a
    square.
    """

    light: Array
    scatter: Array
    reach: float
    grit: float

    def noise(self, noise_of: NoiseOf, at: Array) -> Array:
        """Return the standard deviation (3,) of squares of ink on this paper at light (3,).

        What the paper scatters more than the scanner's noise is its texture, which shows through the ink.
        """
        scanner = noise_of(self.light)
        texture = np.sqrt(np.maximum(self.scatter**2 - scanner**2, 0.0)) / self.light
        return np.asarray(np.hypot(noise_of(at), texture * np.maximum(at, 0.0)))

    def mean_noise(self, noise: Array, pixels: int, per_mm: float) -> Array:
        """Return the standard uncertainty (3,) of the mean of so many pixels whose squares scatter by noise."""
        squares = pixels / (BLOCK_MM * per_mm) ** 2
        return np.asarray(noise / np.sqrt(max(1.0, squares / self.reach)))


def ground_of(light: Light, margin: int, paper: Array, per_mm: float) -> Ground:
    """Return the bare paper beside a cell, or the page's where print or ink covers it.

    light: (h, w, 3) of the cell and margin pixels around it. paper: (3,) of the page. Only strips at the left and
    right end are taken, because above and below stands print.
    """
    side = max(2, round(SIDE_MM * per_mm))
    rows = slice(margin, light.shape[0] - margin)
    strips = [light[rows, :side], light[rows, -side:]]
    pixels = np.concatenate([strip.reshape(-1, 3) for strip in strips])
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    side_px = max(1.0, BLOCK_MM * per_mm)
    unknown = Ground(paper, np.zeros(3), 2.0, max(1.0, 0.7 * side_px))
    if len(pixels) < 20:
        return unknown
    # A mean, because the median of eight-bit codes is a code; without the tails, where dust lies.
    tenth = len(pixels) // 10
    ordered = np.partition(pixels, (tenth, len(pixels) - tenth - 1), axis=0)
    local = ordered[tenth : len(pixels) - tenth].mean(axis=0, dtype=np.float64)
    # Paper is the same over the page once lighting is undone; a larger step is not paper.
    if not np.all(np.abs(local / paper - 1) < 0.02):
        return unknown
    pixel, quarter, half = (_scatter(strips, size, per_mm) for size in (0.0, BLOCK_MM, 2 * BLOCK_MM))
    if pixel is None or quarter is None or half is None:
        return replace(unknown, light=local)
    # The variance of squares of independent pixels falls to a quarter at twice the side. Where noise is shared over a
    # small distance, what it falls short by is inversely proportional to the side, hence twice the shortfall.
    shortfall = float(np.median(4 * half**2 / np.maximum(quarter**2, 1e-12)))
    grit = float(np.median(pixel / np.maximum(quarter, 1e-6)))
    return Ground(
        local, quarter, float(np.clip(2 * shortfall - 1, *REACH)), float(np.clip(grit, 1.0, 1.2 * side_px))
    )


def _scatter(strips: list[Light], size_mm: float, per_mm: float) -> Array | None:
    """Return the standard deviation (3,) of squares of paper, None where there are too few."""
    size = max(1, round(size_mm * per_mm))
    found = []
    for strip in strips:
        rows, columns = strip.shape[0] // size, strip.shape[1] // size
        if not (rows and columns):
            return None
        whole = np.ascontiguousarray(strip[: rows * size, : columns * size])
        squares = whole if size == 1 else cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
        squares = squares.reshape(-1, 3)
        squares = squares[np.isfinite(squares).all(axis=1)]
        # Of single pixels there are more than are needed.
        squares = squares[::3] if size == 1 else squares
        found.append(squares - median_of(squares) if len(squares) else squares)
    squares = np.concatenate(found)
    if len(squares) < LEAST_SQUARES:
        return None
    # Robust, because of dust; by the middle of the squares' absolute distances.
    return np.asarray(1.4826 * median_of(np.abs(squares)), dtype=np.float64)
