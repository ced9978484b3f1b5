"""Where a strip lies in its rectangle: the place where its readings vary least inside the steps.

The strip is laid by hand, a little off and a little turned. Its steps are flat, so at the right place
the readings vary least inside the steps and most between them, whatever the tone curve.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Steps = NDArray[np.floating[Any]]

# How far the strip is looked for: 1.5 mm and 1.5 degrees of misplacement are expected, which are 3.6
# mm across at the ends; a strip of true size on a page printed to 93..107 % is longer or shorter than planned.
ALONG_MM = 2.5
ACROSS_MM = 2.5
ANGLE_DEG = 2.2
SCALES = np.linspace(0.93, 1.08, 16)
WIDE_SCALES = np.linspace(0.86, 1.16, 21)
FAR_BETTER = 0.4
MARGIN_MM = 9.0
SEARCH_PER_MM = 4.0
COARSE_PAD, FINE_PAD = 0.12, 0.05
# Of a step that the picture's edge cuts, so much must be seen, and each unseen share of the strip counts as so much variance, so
# that of places that fit alike the one wins that shows most.
LEAST_SEEN, UNSEEN = 0.4, 0.01


@dataclass(frozen=True)
class Place:
    """Where the strip lies: shift of its middle in mm along and across the rectangle, turn in
    degrees, length over planned length, and whether it runs backwards."""

    along: float = 0.0
    across: float = 0.0
    angle: float = 0.0
    scale: float = 1.0
    reversed: bool = False


class StripNotFound(ValueError):
    """No strip with so many steps lies in the rectangle."""


def search(
    grey: NDArray[np.float32], per_mm: float, size_mm: tuple[float, float], widths: Array
) -> tuple[float, Place]:
    """Return the least share of variance inside the steps, and the place that has it."""
    found = _Search(grey, per_mm, size_mm, widths)
    angles = np.arange(-ANGLE_DEG, ANGLE_DEG + 0.01, 0.4)
    across = np.arange(-ACROSS_MM, ACROSS_MM + 0.1, 0.5)
    along = np.arange(-ALONG_MM, ALONG_MM + 0.1, 0.5)
    best = found.refined(found.best_of(_places(angles, across), along, SCALES, COARSE_PAD))
    # Looked for farther than it can lie: where that fits far better, it is another strip.
    wide = np.arange(-2 * ALONG_MM, 2 * ALONG_MM + 0.1, 0.75)
    other = found.refined(found.best_of(_places(angles[::2], across[::2]), wide, WIDE_SCALES, COARSE_PAD))
    if _impossible(best[1]) or (other[0] < FAR_BETTER * best[0] and _impossible(other[1])):
        raise StripNotFound(
            "what fits best lies too far off its place, as if the strip had another number of steps"
        )
    return best


def _impossible(place: Place) -> bool:
    """Tell whether no hand lays a strip so."""
    return abs(place.along) > ALONG_MM + 0.5 or not 0.98 * SCALES[0] <= place.scale <= 1.02 * SCALES[-1]


def _places(angles: Steps, across: Steps) -> Iterator[Place]:
    for angle in angles:
        for shift in across:
            yield Place(across=float(shift), angle=float(angle))


@dataclass(frozen=True)
class _Search:
    """What is searched: the lightness of the rectangle grown by MARGIN_MM, NaN outside the picture, and the strip's make."""

    grey: NDArray[np.float32]
    per_mm: float
    size_mm: tuple[float, float]
    widths: Array

    def refined(self, best: tuple[float, Place]) -> tuple[float, Place]:
        """Return the best near a place, in finer and finer steps.

        The last round looks at nearly whole steps, which leaves no play.
        """
        near = np.arange(-3, 4)
        for angle_step, shift_step, scale_step, pad in (
            (0.15, 0.25, 0.005, COARSE_PAD),
            (0.08, 0.15, 0.002, FINE_PAD),
        ):
            at = best[1]
            best = self.best_of(
                _places(at.angle + near * angle_step, at.across + near * shift_step),
                at.along + near * shift_step,
                at.scale + near * scale_step,
                pad,
            )
        return best

    def best_of(
        self, places: Iterator[Place], along: Steps, scales: Steps, pad: float
    ) -> tuple[float, Place]:
        """Try all places with all shifts along and all scales; return the best with its figure.

        For each turn and shift across, a few lines along the strip are sampled once; sums over any
        step are then differences of running sums, so that hundreds of shifts and scales cost little.
        pad: the share of a step left out at either end of it.
        """
        length, height = self.size_mm
        reach = length / 2 + MARGIN_MM - 0.5
        positions = np.arange(-reach, reach, 1 / self.per_mm)
        edges = np.concatenate([[0.0], np.cumsum(self.widths)]) - 0.5
        lengths = (scales * length)[None, :, None]
        low = along[:, None, None] + lengths * (edges[:-1] + pad * self.widths)[None, None, :]
        high = along[:, None, None] + lengths * (edges[1:] - pad * self.widths)[None, None, :]
        index_low = np.clip(np.rint((low + reach) * self.per_mm).astype(int), 0, len(positions))
        index_high = np.clip(np.rint((high + reach) * self.per_mm).astype(int), 0, len(positions))
        offsets = np.linspace(-0.4, 0.4, 7) * height
        whole = np.maximum(index_high - index_low, 1) * len(offsets)
        cut_off = bool(np.isnan(self.grey).any())
        n, seen = whole, np.ones(whole.shape[:2])
        best = (np.inf, Place())
        for place in places:
            lines = _lines(self.grey, self.per_mm, positions, offsets, place)
            if cut_off:
                known = np.isfinite(lines)
                lines[~known] = 0.0
                counts = np.concatenate([[0], np.cumsum(known.sum(axis=0))])
                n = np.maximum(counts[index_high] - counts[index_low], 1)
                seen = (n / whole).min(axis=2)
            sums = np.concatenate([[0.0], np.cumsum(lines.sum(axis=0))])
            squares = np.concatenate([[0.0], np.cumsum(np.square(lines).sum(axis=0))])
            total = sums[index_high] - sums[index_low]
            square = (squares[index_high] - squares[index_low]).sum(axis=2)
            pixels = n.sum(axis=2)
            inside = np.maximum(square - (total**2 / n).sum(axis=2), 0)
            overall = np.maximum(square - total.sum(axis=2) ** 2 / pixels, 1e-9)
            # A rectangle of bare paper has next to no variance at all; it must not win on noise.
            share = (inside + 1e-5 * pixels) / (overall + 1e-5 * pixels)
            if cut_off:
                unseen = 1 - pixels / whole.sum(axis=2)
                share = np.where(seen < LEAST_SEEN, 1.0, share + UNSEEN * unseen)
            i, j = np.unravel_index(int(np.argmin(share)), share.shape)
            if share[i, j] < best[0]:
                best = (float(share[i, j]), replace(place, along=float(along[i]), scale=float(scales[j])))
        return best


def _lines(
    grey: NDArray[np.float32], per_mm: float, positions: Array, offsets: Array, place: Place
) -> NDArray[np.float64]:
    """Sample lines along a strip at this place: (len(offsets), len(positions))."""
    along, across = np.meshgrid(positions, offsets)
    x, y = pixels_at(grey.shape[:2], per_mm, along, across, place)
    return np.asarray(
        cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64
    )


def pixels_at(
    shape: tuple[int, ...], per_mm: float, u: Array, v: Array, place: Place
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return pixel positions of points (u along, v across, mm from the strip's middle)."""
    turn = np.radians(place.angle)
    x = u * np.cos(turn) - v * np.sin(turn)
    y = u * np.sin(turn) + v * np.cos(turn) + place.across
    # Pixel centres are at whole numbers, so the middle of the cut is half a pixel before its half.
    return (
        (shape[1] / 2 - 0.5 + x * per_mm).astype(np.float32),
        (shape[0] / 2 - 0.5 + y * per_mm).astype(np.float32),
    )
