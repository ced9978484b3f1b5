"""What a grey strip's dark steps say of scattered light: they read too light by what is scattered onto them.

They alone see flare so wide that on paper it looks like the lamp's falloff. But a strip's steps err, a driver's tone curve is not
known, and a zero that is off is nearly the same as wide flare. So the steps are judged under all of these at once:

    log light = a + b x + sway(x) + zero / light + error

with x the log of the reading, for a file that states its light, or of its code, for one that is a power of its codes. The slope b is one
that drivers write or any; the sway is a contrast curve's, a parabola and a cubic over x; the errors' size is unknown. What
is linear is integrated out, all the rest is a sum over a grid, so that the steps say no more than they know.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import srgb_encode
from calib.scan.tonemodels import USUAL

Array = NDArray[np.float64]

# Steps below this light tell little and stay out; fewer than so many tell nothing.
LEAST_LIGHT = 2e-3
LEAST_STEPS = 8
# The curves over f are told at so many points.
POINTS = 41
# Slopes over the log of the reading and over that of its code, and how likely each is (common practice; the rest invented): None is any.
SLOPES: tuple[tuple[tuple[float | None, float], ...], ...] = (
    ((1.0, 0.45), (None, 0.05)),
    ((1.0, 0.05), (1.8, 0.2), (2.2, 0.2), (None, 0.05)),
)
# Any slope is one of this breadth.
BREADTH = 1.5
# What the steps err by in log light, about what strips usually do, and no less than the first: no tone curve is better.
ERRORS = (0.003, 0.01, 0.03, 0.1)
TIMES = 2.3
# How far curves sway in log light, root mean square of each of parabola and cubic, and how likely (invented).
SWAYS = ((0.0, 0.4), (0.03, 0.3), (0.2, 0.3))
# A scanner's zero is good to this light or, one time in five, is just somewhere near.
ZEROS = ((6e-4, 0.8), (1e-2, 0.2))


@dataclass(frozen=True)
class Steps:
    """What the grey strip shows.

    reading: (s, 3) scanner light. linear: (s, 3) the strip file's. gain: (s, 3) illumination. around: (k, s, 3)
    the page blurred by the radii of flare.RADII_MM, as a share of a perfect white's light.
    """

    reading: Array
    linear: Array
    gain: Array
    around: Array


@dataclass(frozen=True)
class _Sums:
    """Products of log light l, of its change by a unit of zero z, both (s, n, m), of x (m,) and of the sways (2, m)."""

    count: int
    xx: float
    zz: Array
    z1: Array
    zx: Array
    zl: Array
    xl: Array
    ll: Array
    sway_z: Array
    sway_l: Array


def strip_says(steps: Steps, shapes: Array, f: Array) -> Array:
    """Return the log likelihood (s, n) of the steps' readings for kernels (s, k) and shares f (n,), but for a constant."""
    usable = np.all(steps.reading > LEAST_LIGHT, axis=1)
    if usable.sum() < LEAST_STEPS:
        return np.zeros((len(shapes), len(f)))
    reading, own = steps.reading[usable], steps.linear[usable].mean(axis=1)
    around = shapes @ steps.around[:, usable].mean(axis=2)
    points = np.linspace(0, f[-1], POINTS)
    light = own + points[None, :, None] * (around[:, None] - own)
    log_light = np.log(light) + np.log(steps.gain[usable]).mean(axis=1)
    log_light -= log_light.mean(axis=2, keepdims=True)
    said: Array | None = None
    for values, slopes in zip((reading, srgb_encode(reading)), SLOPES, strict=True):
        sums = _sums(np.log(values).mean(axis=1), log_light, 1 / light)
        for error in ERRORS:
            size = -0.5 * (np.log(error / (USUAL * np.log(10))) / np.log(TIMES)) ** 2
            for sway, often in SWAYS:
                for zero, chance in ZEROS:
                    one = _likely(sums, slopes, error, sway, zero) + size + np.log(often * chance)
                    said = one if said is None else np.logaddexp(said, one)
    assert said is not None
    # The likelihood is smooth in f, so it is told at fewer points than are looked at.
    return np.array([np.interp(f, points, row) for row in said])


def _sums(x: Array, log_light: Array, zero: Array) -> _Sums:
    # Directions of a parabola and a cubic that no line has a part of.
    bends = np.linalg.qr(np.vander(x - x.mean(), 4, increasing=True))[0][:, 2:]
    x = x - x.mean()
    return _Sums(
        len(x),
        float(x @ x),
        (zero**2).sum(axis=2),
        zero.sum(axis=2),
        zero @ x,
        (zero * log_light).sum(axis=2),
        log_light @ x,
        (log_light**2).sum(axis=2),
        np.moveaxis(zero @ bends, 2, 0),
        np.moveaxis(log_light @ bends, 2, 0),
    )


def _likely(
    sums: _Sums, slopes: tuple[tuple[float | None, float], ...], error: float, sway: float, zero: float
) -> Array:
    """Return the log likelihood (s, n) of one size of errors, sway and zero, summed over the slopes.

    The covariance is error^2 + sway + zero^2 z z'. The sway, orthogonal to lines, takes its share off all products; the zero
    is inverted by the rule of Sherman and Morrison (1950); the line's numbers are integrated out.
    """
    room = sums.count * sway**2
    kept = room / (error**2 + room)
    zz = sums.zz - kept * (sums.sway_z**2).sum(axis=0)
    zl = sums.zl - kept * (sums.sway_z * sums.sway_l).sum(axis=0)
    ll = sums.ll - kept * (sums.sway_l**2).sum(axis=0)
    k = zero**2 / (error**2 + zero**2 * zz)
    a, b, c = sums.count - k * sums.z1**2, -k * sums.z1 * sums.zx, sums.xx - k * sums.zx**2
    d, e = -k * sums.z1 * zl, sums.xl - k * sums.zx * zl
    rest = ll - k * zl**2
    common = -(sums.count - 1) * np.log(error) - np.log1p(room / error**2)
    common = common - 0.5 * (np.log1p(zero**2 * zz / error**2) + np.log(a))
    # What is left once the level is integrated out, as a parabola of the slope.
    bend, rise, left = c - b**2 / a, e - b * d / a, rest - d**2 / a
    said = []
    for slope, chance in slopes:
        if slope is None:
            explained = left - rise**2 / bend
            once = np.log(error / BREADTH) + 0.5 * np.log(2 * np.pi / bend)
            said.append(np.log(chance) + once - 0.5 * explained / error**2)
        else:
            said.append(np.log(chance) - 0.5 * (left - 2 * slope * rise + slope**2 * bend) / error**2)
    return np.asarray(common + np.logaddexp.reduce(said))
