"""How a driver wrote light into codes, as the grey strip shows it: which known curve, or whose densities.

The tone curve of the strip undoes any encoding, so nothing here is needed to measure. It is needed to
doubt: a strip file whose densities are a multiple of the true ones passes for another gamma, and only what
drivers really do tells them apart. Drivers write sRGB or a power of 1, 1.8 or 2.2 (common practice), or
bend that by a contrast curve, which no power fits.

How well a curve fits is counted in the errors that are expected of a step, which are larger in codes where the curve is steep: a
strip whose values err by a hundredth misses a linear file's codes by twice what it misses those of sRGB.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import srgb_encode

Array = NDArray[np.float64]
Curve = Callable[[Array], Array]

KNOWN = {"sRGB": 0.0, "gamma 1.0": 1.0, "gamma 1.8": 1.8, "gamma 2.2": 2.2}
# By which of them, and by the file's own, a scan is written that passes for another one.
WRITTEN = ("sRGB", "gamma 1.8", "gamma 2.2")
POWERS = np.linspace(0.15, 1.4, 126)
TIMES = np.linspace(0.4, 2.5, 211)
# What a step's value errs by in density (common practice: a densitometer repeats to 0.01), what its scattered light is known to, and
# its codes, which are read from many pixels.
DENSITY_ERR, VEIL_ERR, CODE_ERR = 0.01, 0.0007, 0.0015
LEAST_LIGHT = 1e-6
# Drivers write no light as code 0, give or take (invented).
OFFSET_ERR = 0.01


@dataclass(frozen=True)
class Line:
    """A straight line from a curve's codes to those of the scan.

    miss: rms of what the steps are off by, in the errors that are expected of them; 1 is as expected. offset: codes at no
    light. white: codes of a perfect white.
    """

    miss: float
    offset: float
    white: float


@dataclass(frozen=True)
class Encoding:
    """What the steps' codes say.

    known, fit: which known curve fits best, with no light near code 0. loose, loose_fit: the same with any codes at no light,
    as where the driver cut off the dark end and stretched the rest. stated_fit: of the curve that the file states. gamma: the
    power that fits best.
    times, times_miss: the multiple of the strip file's densities with which one of the curves that drivers write fits best.
    steps: how many there are.
    """

    known: str
    fit: Line
    loose: str
    loose_fit: Line
    stated_fit: Line
    gamma: float
    times: float
    times_miss: float
    steps: int


def find_encoding(declared: Array, stated: Array, gain: Array, scatter: Array, own_share: float) -> Encoding:
    """Return how the steps were written.

    declared: (n,) light of the steps as the file states it, by its profile or as sRGB, which is meant by sRGB here. stated: (n,)
    light of the strip file. gain, scatter: (n,) illumination and scattered light at the steps. own_share: of the light that
    is not scattered.
    """
    codes = srgb_encode(declared)

    def fitted(curve: Curve, times: float = 1.0, loose: bool = False) -> Line:
        own = gain * own_share * stated**times
        return _line(codes, own, own + gain * scatter, curve, loose)

    fits = {name: fitted(_curve(gamma)) for name, gamma in KNOWN.items()}
    loosely = {name: fitted(_curve(gamma), loose=True) for name, gamma in KNOWN.items()}
    known, loose = (min(lines, key=lambda name: lines[name].miss) for lines in (fits, loosely))
    powers = [fitted(_curve(1 / power)).miss for power in POWERS]
    multiples = [min(fitted(_curve(KNOWN[name]), t).miss for name in WRITTEN) for t in TIMES]
    return Encoding(
        known,
        fits[known],
        loose,
        loosely[loose],
        fits["sRGB"],
        float(1 / POWERS[int(np.argmin(powers))]),
        float(TIMES[int(np.argmin(multiples))]),
        float(np.min(multiples)),
        len(codes),
    )


def _curve(gamma: float) -> Curve:
    """Return the curve from light to codes of a power, of sRGB for 0."""
    return (lambda light: light ** (1 / gamma)) if gamma else srgb_encode


def _line(codes: Array, own: Array, light: Array, curve: Curve, loose: bool) -> Line:
    """Fit codes (n,) by those that a curve makes of light (n,), own of which is the steps' and not scattered."""
    light = np.maximum(light, LEAST_LIGHT)
    steep = (curve(light * 1.001) - curve(light * 0.999)) / (0.002 * light)
    expected = np.sqrt((steep * own * np.log(10) * DENSITY_ERR) ** 2 + (steep * VEIL_ERR) ** 2 + CODE_ERR**2)
    table = np.stack([np.ones_like(light), curve(light)], axis=1) / expected[:, None]
    wanted = codes / expected
    if not loose:
        table, wanted = np.vstack([table, [1 / OFFSET_ERR, 0.0]]), np.append(wanted, 0.0)
    (offset, rise), *_ = np.linalg.lstsq(table, wanted, rcond=None)
    off = table @ [offset, rise] - wanted
    free = len(off) - 2
    return Line(float(np.sqrt(np.sum(off**2) / max(free, 1))), float(offset), float(offset + rise))
