"""How a driver wrote light into codes, as the grey strip shows it: which known curve, or whose densities.

The tone curve of the strip undoes any encoding, so nothing here is needed to measure. It is needed to
doubt: a strip file whose densities are a multiple of the true ones passes for another gamma, and only what
drivers really do tells them apart. Drivers write sRGB or a power of 1, 1.8 or 2.2 (common practice), or
bend that by a contrast curve, which no power fits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import srgb_encode

Array = NDArray[np.float64]

KNOWN = {"sRGB": 0.0, "gamma 1.0": 1.0, "gamma 1.8": 1.8, "gamma 2.2": 2.2}
POWERS = np.linspace(0.15, 1.3, 116)
TIMES = np.linspace(0.4, 1.7, 131)


@dataclass(frozen=True)
class Encoding:
    """What the steps' codes say. All misses are root mean squares in codes of 0..1.

    known, known_miss: which known curve fits best. offset: codes at no light, as that curve has it; pulled below 0
    where the driver cut off the dark end and stretched the rest. gain: codes of a perfect white.
    gamma, gamma_miss: the power that fits best, with any offset.
    times, times_miss: the multiple of the strip file's densities with which the scan would be what its
    file states, sRGB or its profile.
    """

    known: str
    known_miss: float
    offset: float
    gain: float
    gamma: float
    gamma_miss: float
    times: float
    times_miss: float


def find_encoding(declared: Array, stated: Array, gain: Array, scatter: Array, own_share: float) -> Encoding:
    """Return how the steps were written.

    declared: (n,) light of the steps as the file states it. stated: (n,) light of the strip file. gain, scatter:
    (n,) illumination and scattered light at the steps. own_share: of the light that is not scattered.
    """
    expected = gain * (own_share * stated + scatter)
    codes = srgb_encode(declared)
    fits = {name: _line(codes, _encoded(expected, gamma)) for name, gamma in KNOWN.items()}
    known = min(fits, key=lambda name: fits[name][2])
    powers = [_line(codes, np.maximum(expected, 0) ** power) for power in POWERS]
    best = int(np.argmin([fit[2] for fit in powers]))
    weight = _code_per_light(declared)
    multiples = [_veiled(declared, codes, weight, gain * stated**times, gain * scatter) for times in TIMES]
    nearest = int(np.argmin(multiples))
    offset, white, miss = fits[known]
    return Encoding(
        known,
        miss,
        offset,
        offset + white,
        float(1 / POWERS[best]),
        powers[best][2],
        float(TIMES[nearest]),
        multiples[nearest],
    )


def _encoded(light: Array, gamma: float) -> Array:
    return np.maximum(light, 0) ** (1 / gamma) if gamma else srgb_encode(light)


def _line(codes: Array, encoded: Array) -> tuple[float, float, float]:
    """Return offset, gain and miss of a straight line."""
    table = np.stack([np.ones_like(encoded), encoded], axis=1)
    (offset, gain), *_ = np.linalg.lstsq(table, codes, rcond=None)
    return float(offset), float(gain), float(np.sqrt(np.mean(np.square(table @ [offset, gain] - codes))))


def _code_per_light(light: Array) -> Array:
    """Return how much code a little light makes; a line fitted in light is to be best in codes."""
    ramp = np.linspace(0, 1, 2001)
    return np.asarray(np.interp(light, ramp, np.gradient(srgb_encode(ramp), 1 / 2000)))


def _veiled(declared: Array, codes: Array, weight: Array, light: Array, scattered: Array) -> float:
    """Return the miss, in codes, of light times a gain under a veil of scattered light, each as strong as fits.

    weight: (n,) how much code a little light makes.
    """
    table = np.stack([scattered, light], axis=1)
    fitted, *_ = np.linalg.lstsq(table * weight[:, None], declared * weight, rcond=None)
    return float(np.sqrt(np.mean(np.square(srgb_encode(table @ fitted) - codes))))
