"""The grey strip found inside its rectangle: where its steps lie and what they read.

The strip is laid by hand, in either direction, a little off and a little turned. Its steps are
flat, so the right place is where the readings vary least inside the steps and most between
them. Only lightness is needed for that, and no knowledge of the tone curve.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.tone import lightness

Array = NDArray[np.float64]

# How far the strip is looked for: the contract expects 1.5 mm and 1.5 degrees of misplacement; a
# strip of true size on a page that was printed to 93..107 % is longer or shorter than planned.
SHIFT_MM = 2.5
ANGLE_DEG = 2.2
SCALES = np.linspace(0.92, 1.08, 17)
MARGIN_MM = 9.0
SEARCH_PER_MM = 4.0
# The share of the variance that may remain inside the steps of a strip that was found.
MOST_INSIDE = 0.03
# Steps are read in their middle: neighbours' light and a hand-cut edge stay outside.
BLOCK_MM = 0.25
INNER_LENGTH = 0.6
INNER_HEIGHT = 0.5


@dataclass(frozen=True)
class Place:
    """Where the strip lies: shift of its middle in mm along and across the rectangle, turn in
    degrees, length over planned length, and whether it runs backwards."""

    along: float = 0.0
    across: float = 0.0
    angle: float = 0.0
    scale: float = 1.0
    reversed: bool = False


@dataclass(frozen=True)
class StripReading:
    """What the steps read, in the order of the strip file.

    light: (n, 3) scanner light. block_noise: (n, 3) its standard deviation between squares of a
    quarter millimetre. u: (n, 3) standard uncertainty of light. at: (n, 2) the steps' middles as shares of the
    rectangle, along and across. inside: share of the variance inside the steps, 0 for a perfect strip.
    """

    light: Array
    block_noise: Array
    u: Array
    at: Array
    place: Place
    inside: float


class StripNotFound(ValueError):
    """No strip with so many steps lies in the rectangle."""


def find_strip(light: NDArray[np.float32], per_mm: float, size_mm: tuple[float, float], widths: Array) -> StripReading:
    """Find and read a strip.

    light: (h, w, 3) scanner light of the rectangle grown by MARGIN_MM, its long side along x.
    per_mm: pixels per millimetre. size_mm: the rectangle's length and height. widths: (n,) shares
    of the steps, in file order. Raises StripNotFound. The result may run in either direction;
    the caller knows which way the light should go, and swaps it with turned().
    """
    grey = lightness(np.nanmean(light, axis=2)).astype(np.float32)
    factor = min(1.0, SEARCH_PER_MM / per_mm)
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    small = np.nan_to_num(small, nan=1.0)
    symmetric = np.allclose(widths, widths[::-1], rtol=0.02)
    best: tuple[float, Place] | None = None
    for backwards in (False,) if symmetric else (False, True):
        found = _search(small, per_mm * factor, size_mm, widths[::-1] if backwards else widths)
        found = (found[0], replace(found[1], reversed=backwards))
        if best is None or found[0] < best[0]:
            best = found
    assert best is not None
    inside, place = best
    if inside > MOST_INSIDE:
        raise StripNotFound(f"{100 * inside:.0f} % of the variance lies inside the steps")
    return _read(light, per_mm, size_mm, widths, place, inside)


def turned(reading: StripReading) -> StripReading:
    """Return the reading of a strip of equal steps that turned out to run the other way."""
    return replace(
        reading,
        light=reading.light[::-1],
        block_noise=reading.block_noise[::-1],
        u=reading.u[::-1],
        at=reading.at[::-1],
        place=replace(reading.place, reversed=not reading.place.reversed),
    )


def _search(grey: NDArray[np.float32], per_mm: float, size_mm: tuple[float, float], widths: Array) -> tuple[float, Place]:
    """Return the least share of variance inside the steps, and the place that has it."""
    shift = np.arange(-SHIFT_MM, SHIFT_MM + 0.1, 0.5)
    angles = np.arange(-ANGLE_DEG, ANGLE_DEG + 0.01, 0.4)
    best = _best_of(grey, per_mm, size_mm, widths, _places(angles, shift), shift, SCALES)
    for angle_step, shift_step, scale_step in ((0.15, 0.2, 0.004), (0.05, 0.08, 0.0015)):
        at = best[1]
        near = np.arange(-3, 4)
        best = _best_of(
            grey,
            per_mm,
            size_mm,
            widths,
            _places(at.angle + near * angle_step, at.across + near * shift_step),
            at.along + near * shift_step,
            at.scale + near * scale_step,
        )
    return best


def _places(angles: Array, across: Array) -> Iterator[Place]:
    for angle in angles:
        for shift in across:
            yield Place(across=float(shift), angle=float(angle))


def _best_of(
    grey: NDArray[np.float32],
    per_mm: float,
    size_mm: tuple[float, float],
    widths: Array,
    places: Iterator[Place],
    along: Array,
    scales: Array,
) -> tuple[float, Place]:
    """Try all places with all shifts along and all scales; return the best with its figure.

    For each turn and shift across, a few lines along the strip are sampled once; sums over any
    step are then differences of running sums, so that hundreds of shifts and scales cost little.
    """
    length, height = size_mm
    reach = length / 2 + MARGIN_MM - 0.5
    positions = np.arange(-reach, reach, 1 / per_mm)
    edges = np.concatenate([[0.0], np.cumsum(widths)]) - 0.5
    lengths = (scales * length)[None, :, None]
    pad = 0.12
    low = along[:, None, None] + lengths * (edges[:-1] + pad * widths)[None, None, :]
    high = along[:, None, None] + lengths * (edges[1:] - pad * widths)[None, None, :]
    index_low = np.clip(np.rint((low + reach) * per_mm).astype(int), 0, len(positions))
    index_high = np.clip(np.rint((high + reach) * per_mm).astype(int), 0, len(positions))
    count = np.maximum(index_high - index_low, 1)
    best = (np.inf, Place())
    for place in places:
        lines = _lines(grey, per_mm, positions, np.linspace(-0.4, 0.4, 7) * height, place)
        sums = np.concatenate([[0.0], np.cumsum(lines.sum(axis=0))])
        squares = np.concatenate([[0.0], np.cumsum(np.square(lines).sum(axis=0))])
        n = count * len(lines)
        total = sums[index_high] - sums[index_low]
        square = squares[index_high] - squares[index_low]
        inside = np.maximum(square - total**2 / n, 0).sum(axis=2)
        mean = total.sum(axis=2) / n.sum(axis=2)
        overall = np.maximum(square.sum(axis=2) - n.sum(axis=2) * mean**2, 1e-9)
        # A rectangle of bare paper has next to no variance at all; it must not win on noise.
        share = (inside + 1e-5 * n.sum(axis=2)) / (overall + 1e-5 * n.sum(axis=2))
        i, j = np.unravel_index(int(np.argmin(share)), share.shape)
        if share[i, j] < best[0]:
            best = (float(share[i, j]), replace(place, along=float(along[i]), scale=float(scales[j])))
    return best


def _lines(
    grey: NDArray[np.float32], per_mm: float, positions: Array, offsets: Array, place: Place
) -> NDArray[np.float64]:
    """Sample lines along a strip at this place: (len(offsets), len(positions))."""
    x, y = _pixels(grey.shape[:2], per_mm, *np.meshgrid(positions, offsets), place)
    return np.asarray(cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64)


def _pixels(
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


def _read(
    light: NDArray[np.float32], per_mm: float, size_mm: tuple[float, float], widths: Array, place: Place, inside: float
) -> StripReading:
    """Read every step in its middle, the brightest and darkest tenth of its squares left out."""
    length, height = size_mm
    order = widths[::-1] if place.reversed else widths
    edges = np.concatenate([[0.0], np.cumsum(order)]) - 0.5
    readings, noises, doubts, at = [], [], [], []
    for left, right in zip(edges[:-1], edges[1:], strict=True):
        middle = place.along + place.scale * length * (left + right) / 2
        half = place.scale * length * (right - left) * INNER_LENGTH / 2
        u = np.arange(middle - half, middle + half, 1 / per_mm)
        v = np.arange(-height * INNER_HEIGHT / 2, height * INNER_HEIGHT / 2, 1 / per_mm)
        x, y = _pixels(light.shape[:2], per_mm, *np.meshgrid(u, v), place)
        squares = block_means(np.asarray(cv2.remap(light, x, y, cv2.INTER_LINEAR)), per_mm)
        squares = np.sort(squares[np.isfinite(squares).all(axis=1)], axis=0)
        if len(squares) < 12:
            raise StripNotFound("a step lies outside the picture or is too narrow")
        tenth = len(squares) // 10
        core = squares[tenth : len(squares) - tenth]
        readings.append(core.mean(axis=0))
        # Cutting a tenth off both ends leaves 0.66 of a normal distribution's standard deviation.
        noises.append(core.std(axis=0) / 0.66)
        # Neighbouring squares share some of their noise; a quarter of them count as independent.
        doubts.append(noises[-1] / np.sqrt(len(squares) / 4))
        x_mid, y_mid = _pixels(light.shape[:2], per_mm, np.array([middle]), np.array([0.0]), place)
        at.append([(float(x_mid[0]) + 0.5) / per_mm - MARGIN_MM, (float(y_mid[0]) + 0.5) / per_mm - MARGIN_MM])
    shares = np.array(at) / np.array([length, height])
    result = StripReading(np.array(readings), np.array(noises), np.array(doubts), shares, place, inside)
    if place.reversed:
        result = replace(turned(result), place=place)
    return result


def block_means(light: NDArray[np.float32], per_mm: float) -> Array:
    """Return the means (n, channels) of squares of a quarter millimetre of a picture (h, w[, channels])."""
    side = max(1, round(BLOCK_MM * per_mm))
    height, width = light.shape[0] // side, light.shape[1] // side
    whole = np.ascontiguousarray(light[: height * side, : width * side], dtype=np.float32)
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float64).reshape(height * width, -1)
