"""The grey strip found inside its rectangle: where its steps lie and what they read.

The strip is laid by hand, in either direction, a little off and a little turned. Its steps are
flat, so the right place is where the readings vary least inside the steps and most between
them. Only lightness is needed for that, and no knowledge of the tone curve.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.tone import lightness

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
# The share of the variance that may remain inside the steps of a strip that was found.
MOST_INSIDE = 0.03
# In a strip with the right number of steps the light hardly changes within one, and always between two.
MOST_RISE = 0.2
ALIKE = 0.25
MOST_ALIKE = 0.25
# The side of the squares in which noise and mottle are told.
BLOCK_MM = 0.25
# Steps are read in their middle: neighbours' light and a hand-cut edge stay outside.
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
    rectangle, along and across. rise: (n,) how much the lightness (L* / 100) changes from end to end of a step.
    inside: share of the variance inside the steps, 0 for a perfect strip.
    """

    light: Array
    block_noise: Array
    u: Array
    at: Array
    rise: Array
    place: Place
    inside: float


class StripNotFound(ValueError):
    """No strip with so many steps lies in the rectangle."""


def find_strip(
    light: NDArray[np.float32], per_mm: float, size_mm: tuple[float, float], widths: Array
) -> StripReading:
    """Find and read a strip.

    light: (h, w, 3) scanner light of the rectangle grown by MARGIN_MM, its long side along x.
    per_mm: pixels per millimetre. size_mm: the rectangle's length and height. widths: (n,) shares
    of the steps, in file order. Raises StripNotFound. The result may run in either direction;
    where its widths do not tell, the caller knows which way the light should go, and swaps it with turned().
    """
    grey = lightness(np.nanmean(light, axis=2)).astype(np.float32)
    factor = min(1.0, SEARCH_PER_MM / per_mm)
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    small = np.nan_to_num(small, nan=1.0)
    best: tuple[float, Place] | None = None
    for backwards in (False,) if same_either_way(widths) else (False, True):
        found = _search(
            np.asarray(small, np.float32), per_mm * factor, size_mm, widths[::-1] if backwards else widths
        )
        found = (found[0], replace(found[1], reversed=backwards))
        if best is None or found[0] < best[0]:
            best = found
    assert best is not None
    inside, place = best
    if inside > MOST_INSIDE:
        raise StripNotFound(f"{100 * inside:.0f} % of the variance lies inside the steps")
    reading = _read(light, per_mm, size_mm, widths, place, inside)
    _check_steps(reading)
    return reading


def same_either_way(widths: Array) -> bool:
    """Tell whether a strip's widths look the same from both ends, so that only light tells its direction."""
    return bool(np.allclose(widths, widths[::-1], rtol=0.02))


def _check_steps(reading: StripReading) -> None:
    """Refuse a strip whose steps are not those that were looked for.

    Another number of steps also divides into bands that differ more between than within. But
    then the bands are not flat, or neighbours read alike.
    """
    value = lightness(reading.light.mean(axis=1))
    jumps = np.abs(np.diff(value))
    typical = float(np.median(jumps))
    # Within a band of two true steps or more the light still rises as it does from band to band.
    if float(np.percentile(np.abs(reading.rise), 75)) > MOST_RISE * max(typical, 1e-3):
        raise StripNotFound("the steps are not flat, as if the strip had more of them")
    if float(np.mean(jumps < ALIKE * typical)) > MOST_ALIKE:
        raise StripNotFound("many neighbouring steps read alike, as if the strip had fewer of them")


def turned(reading: StripReading) -> StripReading:
    """Return the reading of a strip of equal steps that turned out to run the other way."""
    return replace(
        reading,
        light=reading.light[::-1],
        block_noise=reading.block_noise[::-1],
        u=reading.u[::-1],
        at=reading.at[::-1],
        rise=-reading.rise[::-1],
        place=replace(reading.place, reversed=not reading.place.reversed),
    )


def _search(
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
    """What is searched: the lightness of the rectangle grown by MARGIN_MM, and the strip's make."""

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
        n = np.maximum(index_high - index_low, 1) * len(offsets)
        pixels = n.sum(axis=2)
        best = (np.inf, Place())
        for place in places:
            lines = _lines(self.grey, self.per_mm, positions, offsets, place)
            sums = np.concatenate([[0.0], np.cumsum(lines.sum(axis=0))])
            squares = np.concatenate([[0.0], np.cumsum(np.square(lines).sum(axis=0))])
            total = sums[index_high] - sums[index_low]
            square = (squares[index_high] - squares[index_low]).sum(axis=2)
            inside = np.maximum(square - (total**2 / n).sum(axis=2), 0)
            overall = np.maximum(square - total.sum(axis=2) ** 2 / pixels, 1e-9)
            # A rectangle of bare paper has next to no variance at all; it must not win on noise.
            share = (inside + 1e-5 * pixels) / (overall + 1e-5 * pixels)
            i, j = np.unravel_index(int(np.argmin(share)), share.shape)
            if share[i, j] < best[0]:
                best = (float(share[i, j]), replace(place, along=float(along[i]), scale=float(scales[j])))
        return best


def _lines(
    grey: NDArray[np.float32], per_mm: float, positions: Array, offsets: Array, place: Place
) -> NDArray[np.float64]:
    """Sample lines along a strip at this place: (len(offsets), len(positions))."""
    along, across = np.meshgrid(positions, offsets)
    x, y = _pixels(grey.shape[:2], per_mm, along, across, place)
    return np.asarray(
        cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64
    )


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
    light: NDArray[np.float32],
    per_mm: float,
    size_mm: tuple[float, float],
    widths: Array,
    place: Place,
    inside: float,
) -> StripReading:
    """Read every step in its middle, the brightest and darkest tenth of its squares left out."""
    length, height = size_mm
    order = widths[::-1] if place.reversed else widths
    edges = np.concatenate([[0.0], np.cumsum(order)]) - 0.5
    readings, noises, doubts, at, rises = [], [], [], [], []
    for left, right in itertools.pairwise(edges):
        middle = place.along + place.scale * length * (left + right) / 2
        half = place.scale * length * (right - left) * INNER_LENGTH / 2
        u = np.arange(middle - half, middle + half, 1 / per_mm)
        v = np.arange(-height * INNER_HEIGHT / 2, height * INNER_HEIGHT / 2, 1 / per_mm)
        along, across = np.meshgrid(u, v)
        x, y = _pixels(light.shape[:2], per_mm, along, across, place)
        pixels = np.asarray(cv2.remap(light, x, y, cv2.INTER_LINEAR), dtype=np.float32)
        squares = block_means(pixels, per_mm)
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
        third = max(1, pixels.shape[1] // 3)
        ends = [
            np.median(end.reshape(-1, 3), axis=0).mean() for end in (pixels[:, :third], pixels[:, -third:])
        ]
        rises.append(float(np.diff(lightness(np.array(ends)))[0]))
        at.append(
            [(float(x_mid[0]) + 0.5) / per_mm - MARGIN_MM, (float(y_mid[0]) + 0.5) / per_mm - MARGIN_MM]
        )
    shares = np.array(at) / np.array([length, height])
    result = StripReading(
        np.array(readings), np.array(noises), np.array(doubts), shares, np.array(rises), place, inside
    )
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
