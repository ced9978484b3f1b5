"""Step readings to a curve from the scanner's light to linear, white-balanced light.

One monotone curve per channel. It is fitted on a lightness scale (CIE 1976 L* over 100), on
which the steps of a strip lie evenly, noise is alike everywhere, and a scanner that already
speaks sRGB gives a straight line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.scan.lightness import light_of_lightness, light_per_lightness, lightness
from calib.scan.tonemodels import Mixture, mixture
from calib.scan.tonescales import Steps

Array = NDArray[np.float64]

FEWEST = 4
# Points of a curve's table, as many between any two steps: of a linear file read as sRGB, the dark ones lie a few thousandths apart.
FINE = 1500
# How much of the table tells the slope at its end.
END = FINE // 50
# Where the curve's doubt is told: as many points along the table, and beyond either end so far.
DOUBT_POINTS = 64
DARKEST = -0.05
LIGHTEST = 1.25
# Darker than the darkest step its table goes on to no light in so many points.
BELOW = 100
# Lighter than the lightest step the curve's table goes on to the end of the scanner's range.
WHITE = 1.0


@dataclass(frozen=True)
class Curve:
    """A monotone curve on the lightness scale, as a fine table, continued by its end slopes.

    Below the darkest step it goes on in straight lines of light, of the powers that the models are over: what the curve makes
    up for there is stray light, an offset, and colours outside sRGB have negative light, of which there is no lightness.

    x, y: (n,) scanner's and true lightness. rise: true light over the scanner's below that. residual: root mean square error of the steps, each left out in
    turn, in lightness. doubt: (3, k) true light, the curve's standard uncertainty there, in light, and the part of
    it that comes from the readings alone.
    """

    x: Array
    y: Array
    rise: float
    residual: float
    name: str
    doubt: Array

    def __call__(self, light: ArrayLike) -> Array:
        """Return linear light of scanner light, any shape."""
        light = np.asarray(light, dtype=float)
        at = lightness(light)
        high = self.y[-1] + (at - self.x[-1]) * _slope(self.x[-END:], self.y[-END:])
        value = light_of_lightness(np.where(at > self.x[-1], high, np.interp(at, self.x, self.y)))
        dark, linear = light_of_lightness(self.x[0]), light_of_lightness(self.y[0])
        return np.where(at < self.x[0], linear + (light - dark) * self.rise, value)


@dataclass(frozen=True)
class Tone:
    """The curves of the three channels. residual: root mean square in L* units of the steps."""

    curves: tuple[Curve, Curve, Curve]

    @property
    def residual(self) -> float:
        """Return the root mean square of the left-out steps' errors, in L* units."""
        return float(100 * np.sqrt(np.mean([curve.residual**2 for curve in self.curves])))

    def __call__(self, light: ArrayLike) -> Array:
        """Return linear light (..., 3) of scanner light (..., 3)."""
        light = np.asarray(light)
        return np.stack([curve(light[..., c]) for c, curve in enumerate(self.curves)], axis=-1)

    def u(self, linear: ArrayLike) -> Array:
        """Return the standard uncertainty (..., 3) that the curves give linear light (..., 3), in light.

        It holds what the strip file's values and the steps' readings leave open. The steps' own errors are
        common to the channels, so take the channels' errors for alike, not for independent; and an error of
        the curve is common to all swatches of the same light.
        """
        return self._doubt(linear, 1)

    def u_again(self, linear: ArrayLike) -> Array:
        """Return what of u another scan of the same strip would not share: the part of the readings alone.

        What the strip's file is off by moves every session with that strip alike, so it is nothing between two of them.
        """
        return self._doubt(linear, 2)

    def _doubt(self, linear: ArrayLike, which: int) -> Array:
        linear = np.asarray(linear, dtype=float)
        return np.stack(
            [
                np.interp(linear[..., c], curve.doubt[0], curve.doubt[which])
                for c, curve in enumerate(self.curves)
            ],
            axis=-1,
        )


_LINE = np.array([0.0, 1.0])
IDENTITY = Tone((Curve(_LINE, _LINE, 1.0, 0.0, "none", np.array([[0.0, 1.0], [0.0, 0.0], [0.0, 0.0]])),) * 3)


class NotMonotone(ValueError):
    """The readings of the steps do not rise with their light: no scale, or no honest scan of it."""


def fit_tone(readings: ArrayLike, expected: ArrayLike, u: ArrayLike | None = None) -> Tone:
    """Fit the tone curves to step readings (n, 3) and the light (n, 3) that they should give.

    u: (n, 3) standard uncertainty of the readings, none where not given.
    Raises NotMonotone where the readings do not order the steps.
    """
    readings, expected = np.asarray(readings, dtype=float), np.asarray(expected, dtype=float)
    noise = np.zeros_like(readings) if u is None else np.asarray(u, dtype=float)
    mixed = mixture([_steps(readings[:, c], expected[:, c], noise[:, c]) for c in range(3)])
    curves = [_curve(mixed, c) for c in range(3)]
    return Tone((curves[0], curves[1], curves[2]))


def _steps(reading: Array, expected: Array, u: Array) -> Steps:
    """Return the steps of a channel in order."""
    x, y, noise = lightness(reading), lightness(expected), lightness(reading + u) - lightness(reading)
    order = np.argsort(y)
    x, y, noise = x[order], y[order], noise[order]
    # Two neighbours may change places by noise where the scanner no longer tells blacks apart.
    if np.any(np.diff(x) < -0.01) or np.ptp(x) < 0.05:
        raise NotMonotone
    order = np.argsort(x, kind="stable")
    x, y, noise = x[order], np.sort(y), noise[order]
    distinct = np.concatenate([[True], np.diff(x) > 1e-5])
    x, y, noise = x[distinct], y[distinct], noise[distinct]
    if len(x) < FEWEST:
        raise NotMonotone
    # A reading's noise moves the curve by as much as the curve is steep there.
    return Steps(x, y, noise * _interpolation(x, y).derivative()(x))


def _interpolation(x: Array, y: Array) -> Any:
    from scipy.interpolate import PchipInterpolator

    return PchipInterpolator(x, y)


def _curve(mixed: Mixture, channel: int) -> Curve:
    """Return the curve of a channel: the mean of the models, where that is monotone."""
    steps = mixed.channels[channel]
    residual = float(np.sqrt(np.mean(np.square(mixed.left_out(channel)[1:-1]))))
    name, best = mixed.name, None
    for top in (max(float(lightness(WHITE)), float(steps.x[-1])), float(steps.x[-1])):
        knots = np.append(steps.x, top) if top > steps.x[-1] else steps.x
        fine = np.interp(np.linspace(0, len(knots) - 1, FINE), np.arange(len(knots)), knots)
        values = mixed.means(channel, fine)
        if np.all(np.diff(values) > 0):
            best = values
            break
    if best is None:
        name, best = "monotone interpolation", _interpolation(steps.x, steps.y)(fine)
        if not np.all(np.diff(best) > 0):
            raise NotMonotone
    off = float(np.sqrt(np.mean(np.square(best - values)))) if best is not values else 0.0
    doubt = _doubt(fine, best, mixed, channel, off)
    dark, linear = light_of_lightness(fine[:END]), light_of_lightness(best[:END])
    rise = _slope(dark, linear)
    below = np.linspace(0.0, fine[0], BELOW, endpoint=False) if fine[0] > 0 else np.zeros(0)
    light = linear[0] + rise * mixed.below(channel, float(fine[0]), below)[0]
    x, y = np.concatenate([below, fine]), np.concatenate([lightness(light), best])
    return Curve(x, y, rise, residual, name, doubt)


def _doubt(x: Array, y: Array, mixed: Mixture, channel: int, off: float) -> Array:
    """Return (3, k): true light, and the standard uncertainty of a curve's light there, in all and by the readings alone.

    Beyond its table the curve goes on in straight lines, as in Curve; their doubt grows with the distance. off: by how
    much the curve is not the models' mean, in lightness.
    """
    at = np.linspace(x[0], x[-1], DOUBT_POINTS)
    value = np.interp(at, x, y)
    points = np.concatenate([x[[0, END - 1]], at, x[[-END, -1]]])
    count = DOUBT_POINTS
    # Below, in light; how far in units of the piece of the table that told the slope.
    first, inner = light_of_lightness(y[0]), light_of_lightness(y[END - 1])
    low = np.linspace(min(DARKEST, float(first) - 0.01), float(first), 8, endpoint=False)
    far = (first - low) / (inner - first)
    rise = light_per_lightness(y[[0, END - 1]])
    told = np.zeros((8 + count + 8, len(points)))
    told[:8, 0], told[:8, 1] = rise[0] * (1 + far), -rise[1] * far
    told[8 : 8 + count, 2:-2] = np.diag(light_per_lightness(value))
    # Above, in lightness.
    high = np.linspace(float(y[-1]), max(float(lightness(LIGHTEST)), float(y[-1]) + 0.01), 9)[1:]
    beyond = (high - y[-1]) / (y[-1] - y[-END])
    told[8 + count :, -1] = (1 + beyond) * light_per_lightness(high)
    told[8 + count :, -2] = -beyond * light_per_lightness(high)
    total, again = mixed.doubts(channel, points, told)
    # Which power it is that goes on in a straight line is not known either.
    dark = light_of_lightness(x[[0, END - 1]])
    spread = mixed.below(channel, float(x[0]), lightness(dark[0] - far * np.ptp(dark)))[1]
    total[:8] += np.square(spread * (inner - first) / np.ptp(dark))
    total = total + np.square(off * light_per_lightness(np.concatenate([np.full(8, y[0]), value, high])))
    light = np.concatenate([low, light_of_lightness(value), light_of_lightness(high)])
    return np.stack([light, np.sqrt(total), np.sqrt(again)])


def _slope(x: Array, y: Array) -> float:
    return float((y[-1] - y[0]) / (x[-1] - x[0]))
