"""The lightness scale that tone is judged on: L* over 100, and what light and density are on it (CIE 15:2018, 8.2.1)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

EDGE = (6 / 29) ** 3
SLOPE = (29 / 3) ** 3 / 100


def lightness(light: NDArray[np.floating] | Sequence[float] | float) -> Array:
    """Return L* / 100 of light 0..1 (CIE 15:2018, 8.2.1); negative light goes on linearly."""
    light = np.asarray(light, dtype=float)
    return np.where(light > EDGE, 1.16 * np.cbrt(np.maximum(light, EDGE)) - 0.16, light * SLOPE)


def light_of_lightness(value: NDArray[np.floating] | Sequence[float] | float) -> Array:
    """Return the light 0..1 of L* / 100; the inverse of lightness."""
    value = np.asarray(value, dtype=float)
    return np.where(value > 0.08, ((np.maximum(value, 0.08) + 0.16) / 1.16) ** 3, value / SLOPE)


def light_per_lightness(value: Array) -> Array:
    """Return the slope of light_of_lightness."""
    return np.where(value > 0.08, 3 * ((np.maximum(value, 0.08) + 0.16) / 1.16) ** 2 / 1.16, 1 / SLOPE)


def scale_of(lightness: Array) -> Array:
    """Return how an error in density moves lightness (L* / 100), relative to that at white (CIE 1976, L* over 8)."""
    return np.asarray((np.maximum(lightness, 0.08) + 0.16) / 1.16)
