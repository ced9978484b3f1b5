"""Tone and light of a photographed page, found in turns: each from the last estimate of the other.

The strip tells the tone only in the light that falls on it, and paper tells the light only through the tone curve. Paper right beside
each step shows the light of that step.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.scan.bare import Tiles, sample, sample_mean
from calib.scan.lightness import lightness
from calib.scan.photolight import PhotoLight, fit_photo_light
from calib.scan.strip import StripReading
from calib.scan.tone import IDENTITY, Tone

Array = NDArray[np.float64]
Light = NDArray[np.float32]
ToneOf = Callable[[Array, Array, Array], tuple[Tone, bool]]

ROUNDS = 5
# Paper beside a step may differ from what the field foresees by no more than this, or it is something else.
MOST_BESIDE = 0.25
# A step that misses the curve of the others by so many L* and so many robust deviations lies under glare or in a shadow; more than so
# large a share of them is a matter for the user.
STEP_OFF, STEP_SIGMA = 1.0, 5.0
MOST_LEFT_OUT = 0.3
FEWEST_STEPS = 6


@dataclass(frozen=True)
class Shown:
    """The strip on a photographed page. reading: what its steps read. linear: (n, 3) the strip file's. spots: places in page mm
    all over the steps."""

    reading: StripReading
    linear: Array
    spots: Sequence[Array]


@dataclass(frozen=True)
class Solved:
    """used: (n,) which of the strip's steps told the tone."""

    light: PhotoLight
    tone: Tone
    gain: Light
    paper: Array
    forced: bool
    used: NDArray[np.bool_]


@dataclass(frozen=True)
class PhotoPage:
    """A page to be solved: squares of bare paper, shape (h, w, 3) of its coarse grid, its size, and the place (2,) where
    the light is 1 by definition."""

    tiles: Tiles
    shape: tuple[int, ...]
    page_mm: tuple[float, float]
    reference_mm: Array

    def lit(self, tone: Tone, last: PhotoLight | None) -> PhotoLight:
        """Return the light by a tone curve."""
        seen = replace(self.tiles, light=np.maximum(tone(self.tiles.light), 1e-4))
        return fit_photo_light(seen, self.shape, self.page_mm, self.reference_mm, last)


def solve_photo(page: PhotoPage, strip: Shown | None, tone_of: ToneOf) -> Solved:
    """Find tone and light in turns; tone_of: from readings, light to be expected and doubt to the curve."""
    light = page.lit(IDENTITY, None)
    tone, forced, used = IDENTITY, False, np.ones(0, dtype=bool)
    if strip is None:
        # Nothing says how white the paper is, so it is called a perfect white.
        white = light.lighting.paper.astype(np.float32)
        return Solved(light, tone, light.lighting.illumination() * white, np.ones(3), False, used)
    used = np.ones(len(strip.linear), dtype=bool)
    for number in range(ROUNDS):
        expected = strip.linear * _light_on_steps(strip, tone, light)
        steps = strip.reading
        tone, forced = tone_of(steps.light[used], expected[used], steps.u[used])
        if number == ROUNDS - 3:
            used = _sound(lightness(tone(steps.light)) - lightness(expected), used)
        # How stiff the light is, is looked for again when the tone is known.
        light = page.lit(tone, None if number == ROUNDS - 2 else light)
    return Solved(light, tone, light.lighting.illumination(), light.lighting.paper, forced, used)


def _light_on_steps(strip: Shown, tone: Tone, light: PhotoLight) -> Array:
    """Return the illumination (n, 3) of the steps, by the field and by the paper right beside them."""
    field = sample_mean(light.lighting.illumination(), strip.spots)
    beside = np.log(np.maximum(tone(strip.reading.beside), 1e-4) / (field * light.lighting.paper))
    there = np.abs(beside).max(axis=1) < MOST_BESIDE
    if there.sum() < len(beside) / 2:
        return field
    # The strip may lie on a border of its own; what is alike all along it is no light.
    off = np.where(there[:, None], beside - np.median(beside[there], axis=0), 0.0)
    # The colour of the paper beside it is less sure than its light.
    return np.asarray(field * np.exp(off.mean(axis=1, keepdims=True)))


def _sound(off: Array, used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which steps (n,) agree with the curve that they miss by off (n, 3), in L* / 100."""
    size = 100 * np.abs(off).max(axis=1)
    sound = size < max(STEP_OFF, STEP_SIGMA * 1.4826 * float(np.median(size)))
    few = sound.sum() < FEWEST_STEPS or np.mean(~sound) > MOST_LEFT_OUT
    return used if few else used & sound


def relit(reading: StripReading, gain: Light, at: Array) -> StripReading:
    """Return the reading of a strip that was found in evened light as it is in its own; at (n, 2): its steps in mm."""
    own = sample(gain, at)
    values = {name: getattr(reading, name) * own for name in ("light", "u", "block_noise", "beside")}
    return replace(reading, **values)
