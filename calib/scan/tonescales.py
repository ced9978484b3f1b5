"""The scales that drivers write light on: on one of them a strip's steps are even, but for a sway and their errors.

They are the light that the file states, and powers of its codes; any other power, and a veil or a moved black, are looked
for by how evenly the steps lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import srgb_decode, srgb_encode
from calib.scan.lightness import light_of_lightness, lightness, scale_of

Array = NDArray[np.float64]
Span = tuple[float, float]

# The scanner's light is taken as the file states it, and as powers of its codes: what a driver without a
# profile writes is mostly one of these (common practice), and then next to a straight line.
GAMMAS = (1.0, 1.8, 2.2)
# Any other power of the file's light may be it, or a veil that is added, or both: once in so many (invented). They are looked
# for, so that chance finds some that fit, and must be far better.
FREE, VEILED = 0.03, 0.03
POWERS = (0.4, 2.5)
# As a share of the darkest step's light.
VEILS = (-0.5, 0.9995)
# A driver's contrast curve pulls the codes apart in the middle and keeps both ends, as a hyperbolic tangent does of this
# strength; automatic contrast moves the black by this share of the codes. Both are common practice, how often is invented.
PULLED, STRETCHED = 0.05, 0.01
PULLS = (0.05, 3.5)
BLACKS = (-0.05, 0.45)
PULL_LOOKS, BLACK_LOOKS = np.linspace(*PULLS, 139), np.linspace(*BLACKS, 126)
LOOKS, CLOSER = 25, 4


@dataclass(frozen=True)
class Steps:
    """The steps of one channel. x, y: (n,) scanner's and true lightness, rising; noise: (n,) standard deviation of y by the readings."""

    x: Array
    y: Array
    noise: Array


@dataclass(frozen=True)
class Scale:
    """A power of the light that the file states less a veil, or, where codes is set, of the codes of that light.

    pull, black: the strength of a contrast curve and the black of automatic contrast that the codes are freed of before they are read as
    the file states. prior: how likely it is before looking, relative to others.
    """

    codes: bool
    power: float
    veil: float = 0.0
    prior: float = 1.0
    pull: float = 0.0
    black: float = 0.0

    def light(self, x: Array) -> Array:
        """Return the light 0..1 of which lines go on in the dark, of scanner's lightness x."""
        light = light_of_lightness(x)
        if self.pull or self.black:
            return _unpulled(srgb_encode(light), self.pull, self.black)
        if self.codes:
            return np.asarray(srgb_encode(light) ** self.power)
        light = light - self.veil
        return np.sign(light) * np.abs(light) ** self.power if self.power != 1 else light

    def __call__(self, x: Array) -> Array:
        """Return its lightness."""
        return lightness(self.light(x))

    @property
    def name(self) -> str:
        """Return the scale in words."""
        if self.pull or self.black:
            return f"the file's own tone {'with a contrast curve' if self.pull else 'stretched'}"
        if self.codes:
            return f"gamma {self.power:.2g}"
        own = "the file's own tone" + (" less a veil" if self.veil else "")
        return own if self.power == 1 else f"{own} to the power {self.power:.2g}"


def scales_of(channels: Sequence[Steps]) -> list[list[Scale]]:
    """Return for each channel the scales that its steps may be even on: those that drivers write, another power, a veil, both,
    a contrast curve and a moved black. The last two are the driver's, and one for all channels: else they would give a cast."""
    codes = [srgb_encode(light_of_lightness(steps.x)) for steps in channels]
    pull = _best([[_unpulled(c, one, 0.0) for one in PULL_LOOKS] for c in codes], PULL_LOOKS, channels)
    black = _best([[_unpulled(c, 0.0, one) for one in BLACK_LOOKS] for c in codes], BLACK_LOOKS, channels)
    driven = [Scale(False, 1.0, 0.0, PULLED, pull=pull), Scale(False, 1.0, 0.0, STRETCHED, black=black)]
    return [[*_own_scales(steps), *driven] for steps in channels]


def _own_scales(steps: Steps) -> list[Scale]:
    light = light_of_lightness(steps.x)
    known = [Scale(False, 1.0), *(Scale(True, gamma) for gamma in GAMMAS)]
    powered = Scale(False, _most_even(light, steps.y, POWERS, None)[0], 0.0, FREE)
    veiled = Scale(False, 1.0, _most_even(light, steps.y, None, VEILS)[1], VEILED)
    power, veil = _most_even(light, steps.y, POWERS, VEILS)
    return [*known, powered, veiled, Scale(False, power, veil, FREE * VEILED)]


def _unpulled(codes: Array, pull: float, black: float) -> Array:
    """Return the light that codes stand for, freed of a contrast curve and of a moved black."""
    if pull:
        codes = 0.5 + np.arctanh((2 * codes - 1) * np.tanh(pull / 2)) / pull
    return np.asarray(srgb_decode(black + (1 - black) * np.clip(codes, 0.0, 1.0)))


def _best(lights: list[list[Array]], numbers: Array, channels: Sequence[Steps]) -> float:
    """Return the number of which the light of all channels runs most evenly."""
    left = np.zeros(len(numbers))
    for light, steps in zip(lights, channels, strict=True):
        left += _uneven(lightness(np.array(light)), steps.y)
    return float(numbers[int(np.argmin(left))])


def _most_even(light: Array, y: Array, powers: Span | None, veils: Span | None) -> tuple[float, float]:
    """Return power and veil that make light (n,) run most evenly with y, by a grid that closes in; None: no power, no veil."""
    power, veil = powers or (1.0, 1.0), veils or (0.0, 0.0)
    ends = power, veil
    for _ in range(CLOSER):
        grid = [np.linspace(*span, LOOKS if span[1] > span[0] else 1) for span in (power, veil)]
        rest = light - grid[1][:, None] * light.min()
        t = lightness(np.sign(rest) * np.abs(rest) ** grid[0][:, None, None])
        best = np.unravel_index(int(np.argmin(_uneven(t, y))), t.shape[:2])
        found = [float(one[i]) for one, i in zip(grid, best, strict=True)]
        power, veil = (
            (max(end[0], at - pitch), min(end[1], at + pitch))
            for end, at, pitch in zip(ends, found, (np.ptp(one) / (LOOKS - 1) for one in grid), strict=True)
        )
    return found[0], found[1] * float(light.min())


def _uneven(t: Array, y: Array) -> Array:
    """Return the squares that lines over t (..., n) leave of y (n,), in units of density."""
    weight = 1 / scale_of(y) ** 2
    weight = weight / weight.sum()
    t, y = t - (t @ weight)[..., None], y - weight @ y
    return np.asarray(weight @ y**2 - (t @ (weight * y)) ** 2 / np.maximum(t**2 @ weight, 1e-12))
