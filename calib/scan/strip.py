"""The grey strip found inside its rectangle: where its steps lie and what they read.

The strip is laid by hand, in either direction, a little off and a little turned. Its steps are
flat, so the right place is where the readings vary least inside the steps and most between
them. Only lightness is needed for that, and no knowledge of the tone curve.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.lightness import lightness
from calib.scan.place import MARGIN_MM, SEARCH_PER_MM, Place, StripNotFound, pixels_at, search
from calib.scan.squares import block_means, noise_growth, squares_of

Array = NDArray[np.float64]

# The share of the variance that may remain inside the steps of a strip that was found.
MOST_INSIDE = 0.03
# In a strip with the right number of steps the light hardly changes within one, and always between two.
MOST_RISE = 0.2
ALIKE = 0.25
MOST_ALIKE = 0.25
# A change of less than so many standard uncertainties says nothing of a step.
TELLING = 5.0
# The paper beside a step, this far past the strip's edge, which is found to about a millimetre.
BESIDE_MM = (2.0, 3.5)
# With more of its pixels than this at an end of the code range, a step's mean is off by more than noise.
MOST_CLIPPED = 0.05
# A rectangle in which lightness changes by less than this holds no steps.
FLAT = 0.05
# Steps are read in their middle: neighbours' light and a hand-cut edge stay outside.
INNER_LENGTH = 0.6
INNER_HEIGHT = 0.5


@dataclass(frozen=True)
class StripReading:
    """What the steps read, in the order of the strip file.

    light: (n, 3) scanner light. block_noise: (n, 3) its standard deviation between squares of a
    quarter millimetre. u: (n, 3) standard uncertainty of light, noise that reaches over many squares included.
    at: (n, 2) the steps' middles as shares of the rectangle, along and across. rise: (n,) how much the lightness
    (L* / 100) changes from end to end of a step. inside: share of the variance inside the steps, 0 for a perfect strip. beside: (n, 3) light of what lies beside
    each step. clipped: (n, 2) share of each step's pixels with a channel at the bottom and at the top of the code range.
    """

    light: Array
    block_noise: Array
    u: Array
    at: Array
    rise: Array
    place: Place
    inside: float
    beside: Array
    clipped: Array

    @property
    def usable(self) -> NDArray[np.bool_]:
        """(n,) whether a step is off the ends of the code range, so that its reading means something."""
        return np.asarray(self.clipped.max(axis=1) < MOST_CLIPPED)

    def only(self, chosen: NDArray[np.bool_]) -> StripReading:
        """Return the reading of the chosen steps, (n,) bool."""
        fields = ("light", "block_noise", "u", "at", "rise", "beside", "clipped")
        return replace(self, **{name: getattr(self, name)[chosen] for name in fields})


def find_strip(
    light: NDArray[np.float32],
    per_mm: float,
    size_mm: tuple[float, float],
    widths: Array,
    ends: NDArray[np.bool_] | None = None,
) -> StripReading:
    """Find and read a strip.

    light: (h, w, 3) scanner light of the rectangle grown by MARGIN_MM, its long side along x.
    per_mm: pixels per millimetre. size_mm: the rectangle's length and height. widths: (n,) shares
    of the steps, in file order. ends: (h, w, 2) where a channel is at the bottom, at the top of the code range.
    Raises StripNotFound, with what is there instead where that can be told. The result may run in either
    direction; where its widths do not tell, the caller knows which way the light should go, and swaps it with turned().
    """
    # What lies outside the picture is unknown in all three channels.
    grey = np.asarray(cv2.transform(light, np.full((1, 3), 1 / 3, np.float32)), dtype=np.float32)
    for row in grey:
        # A row at a time, because lightness is worked out in twice the precision and several steps.
        row[:] = lightness(row)
    factor = min(1.0, SEARCH_PER_MM / per_mm)
    reduced = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    small = np.asarray(reduced, dtype=np.float32)
    del grey, reduced
    layers = (light, np.zeros((*light.shape[:2], 2), bool) if ends is None else ends)
    try:
        inside, place = _find(small, per_mm * factor, size_mm, widths)
        reading = _read(layers, per_mm, size_mm, widths, place, inside)
        _check_steps(reading)
    except StripNotFound as error:
        instead = _what_lies_there(np.nan_to_num(small, nan=1.0), per_mm * factor, size_mm)
        raise (StripNotFound(instead) if instead else error) from error
    return reading


def _find(
    grey: NDArray[np.float32], per_mm: float, size_mm: tuple[float, float], widths: Array
) -> tuple[float, Place]:
    """Return the share of variance inside the steps, and the place where it is least."""
    best: tuple[float, Place] | None = None
    for backwards in (False,) if same_either_way(widths) else (False, True):
        share, place = search(grey, per_mm, size_mm, widths[::-1] if backwards else widths)
        if best is None or share < best[0]:
            best = share, replace(place, reversed=backwards)
    assert best is not None
    if best[0] > MOST_INSIDE:
        raise StripNotFound(f"{100 * best[0]:.0f} % of the variance lies inside the steps")
    return best


def _what_lies_there(grey: NDArray[np.float32], per_mm: float, size_mm: tuple[float, float]) -> str:
    """Return in words what the rectangle seems to hold where it holds no strip of these steps, or nothing."""
    margin = round((MARGIN_MM + 1.0) * per_mm)
    seen = grey[margin:-margin, margin:-margin]
    if seen.size == 0 or np.ptp(np.percentile(seen, [3, 97])) < FLAT:
        return "it is evenly light, so no strip lies in it, or one lies face down"
    # Steps that follow each other down the rectangle, over about a strip's height of its length.
    down = np.ptp(np.percentile(seen, [10, 90], axis=0), axis=0) > FLAT
    width = float(down.sum()) / per_mm
    runs = int(np.count_nonzero(np.diff(np.concatenate([[0], down.astype(int), [0]])) == 1))
    if runs <= 2 and 0.5 * size_mm[1] < width < min(2.0 * size_mm[1], 0.5 * size_mm[0]):
        return "what lies in it lies across it and not along it"
    return ""


def same_either_way(widths: Array) -> bool:
    """Tell whether a strip's widths look the same from both ends, so that only light tells its direction."""
    return bool(np.allclose(widths, widths[::-1], rtol=0.02))


def _check_steps(reading: StripReading) -> None:
    """Refuse a strip whose steps are not those that were looked for.

    Another number of steps also divides into bands that differ more between than within. But
    then the bands are not flat, or neighbours read alike. Every band is compared with its own
    neighbours: of a linear file taken for sRGB, the dark steps lie a hundred times nearer than the light ones.
    """
    light = reading.light.mean(axis=1)
    value = lightness(light)
    u = lightness(light + reading.u.mean(axis=1)) - value
    jumps = np.abs(np.diff(value))
    # The larger of a band's two jumps, and the mean of the jumps on either side of a jump.
    beside = np.maximum(np.append(jumps, 0), np.insert(jumps, 0, 0))
    padded = np.concatenate([jumps[1:2], jumps, jumps[-2:-1]])
    around = (padded[:-2] + padded[2:]) / 2
    doubt = np.hypot(u[1:], u[:-1])
    telling = beside > TELLING * 2 * u
    # Within a band of two true steps or more the light still rises as it does from band to band.
    if (
        telling.any()
        and float(np.percentile(np.abs(reading.rise[telling]) / beside[telling], 75)) > MOST_RISE
    ):
        raise StripNotFound("the steps are not flat, as if the strip had more of them")
    alike = (jumps < ALIKE * around) & (around > TELLING * doubt)
    if float(np.mean(alike)) > MOST_ALIKE:
        raise StripNotFound("many neighbouring steps read alike, as if the strip had fewer of them")


def turned(reading: StripReading) -> StripReading:
    """Return the reading of a strip of equal steps that turned out to run the other way."""
    return replace(
        reading,
        light=reading.light[::-1],
        block_noise=reading.block_noise[::-1],
        u=reading.u[::-1],
        at=reading.at[::-1],
        beside=reading.beside[::-1],
        clipped=reading.clipped[::-1],
        rise=-reading.rise[::-1],
        place=replace(reading.place, reversed=not reading.place.reversed),
    )


def _read(
    layers: tuple[NDArray[np.float32], NDArray[np.bool_]],
    per_mm: float,
    size_mm: tuple[float, float],
    widths: Array,
    place: Place,
    inside: float,
) -> StripReading:
    """Read every step in its middle, the brightest and darkest tenth of its squares left out.

    layers: (h, w, 3) light, and (h, w, 2) whether a channel is at the bottom and at the top of the code range.
    """
    length, height = size_mm
    order = widths[::-1] if place.reversed else widths
    edges = np.concatenate([[0.0], np.cumsum(order)]) - 0.5
    shape = layers[0].shape[:2]
    steps = []
    fields: list[Array] = []

    def cut(u: Array, v: Array) -> NDArray[np.float32]:
        x, y = pixels_at(shape, per_mm, *np.meshgrid(u, v), place)
        rows, columns = _around(y, shape[0]), _around(x, shape[1])
        # Only so much is put together, because at full size the rectangle is the largest thing in memory but for the picture.
        part = np.dstack([layer[rows, columns] for layer in layers]).astype(np.float32)
        there = (x - np.float32(columns.start), y - np.float32(rows.start))
        return np.asarray(cv2.remap(part, *there, cv2.INTER_LINEAR), dtype=np.float32)

    for left, right in itertools.pairwise(edges):
        middle = place.along + place.scale * length * (left + right) / 2
        half = place.scale * length * (right - left) * INNER_LENGTH / 2
        u = np.arange(middle - half, middle + half, 1 / per_mm)
        pixels = cut(u, np.arange(-height * INNER_HEIGHT / 2, height * INNER_HEIGHT / 2, 1 / per_mm))
        off = height / 2 + np.arange(*BESIDE_MM, 1 / per_mm)
        beside = cut(u, np.concatenate([-off, off]))[..., :3].reshape(-1, 3)
        step = _read_step(pixels[..., :3], per_mm)
        steps.append(step)
        fields.append(squares_of(pixels[..., :3], per_mm))
        x_mid, y_mid = pixels_at(shape, per_mm, np.array([middle]), np.array([0.0]), place)
        step["at"] = np.array(
            [(float(x_mid[0]) + 0.5) / per_mm - MARGIN_MM, (float(y_mid[0]) + 0.5) / per_mm - MARGIN_MM]
        ) / np.array([length, height])
        step["beside"] = np.nanmedian(beside, axis=0)
        step["clipped"] = (pixels[..., 3:] > 0.5).mean(axis=(0, 1))
    table = {name: np.array([step[name] for step in steps]) for name in steps[0]}
    table["u"] *= np.sqrt(noise_growth(fields))
    result = StripReading(**table, place=place, inside=inside)
    return replace(turned(result), place=place) if place.reversed else result


def _around(at: NDArray[np.float32], size: int) -> slice:
    """Return the rows or columns, at least one of them, that interpolating at these places takes of so many."""
    low = min(max(0, int(np.floor(at.min())) - 1), size - 1)
    return slice(low, max(low + 1, min(size, int(np.ceil(at.max())) + 2)))


def _read_step(pixels: NDArray[np.float32], per_mm: float) -> dict[str, Array]:
    """Return a step's light, the noise of its squares, its doubt were they independent, and its rise."""
    squares = block_means(pixels, per_mm)
    squares = np.sort(squares[np.isfinite(squares).all(axis=1)], axis=0)
    if len(squares) < 12:
        raise StripNotFound("a step lies outside the picture or is too narrow")
    tenth = len(squares) // 10
    core = squares[tenth : len(squares) - tenth]
    # Cutting a tenth off both ends leaves 0.66 of a normal distribution's standard deviation.
    noise = core.std(axis=0) / 0.66
    third = max(1, pixels.shape[1] // 3)
    ends = [np.median(end.reshape(-1, 3), axis=0).mean() for end in (pixels[:, :third], pixels[:, -third:])]
    return {
        "light": core.mean(axis=0),
        "block_noise": noise,
        "u": noise / np.sqrt(len(squares)),
        "rise": np.asarray(np.diff(lightness(np.array(ends)))[0]),
    }
