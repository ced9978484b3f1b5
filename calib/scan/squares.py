"""Flat areas in squares of a quarter millimetre: their means, and how far their noise is shared by neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# The side of the squares in which noise and mottle are told.
BLOCK_MM = 0.25


def median_of(values: NDArray[Any]) -> NDArray[Any]:
    """Return the median (channels,) of values (n, channels) without NaN, n at least 1.

    numpy's own looks for NaN first, which takes longer than the median of a few hundred values.
    """
    half = len(values) // 2
    if len(values) % 2:
        return np.asarray(np.partition(values, half, axis=0)[half])
    ordered = np.partition(values, (half - 1, half), axis=0)
    return np.asarray((ordered[half - 1] + ordered[half]) / 2)


def noise_growth(fields: Sequence[Array]) -> float:
    """Return how much larger the variance of a step's mean is than independent squares would make it, 1 or more.

    fields: of each step its squares (rows, columns, 3). Noise that neighbours share falls more slowly with the area
    that is averaged: so the variance of larger and larger pieces is looked at, whole rows and columns among them,
    for a sensor line leaves each column its own gain. A slope from end to end is light and no noise.
    """
    growth: dict[str, list[float]] = {}
    for field in fields:
        rows, columns = field.shape[:2]
        if min(rows, columns) < 3 or not np.isfinite(field).all():
            continue
        flat = _without_slope(field)
        base = float(np.sum(np.square(flat))) / (3 * (rows * columns - 3))
        if base <= 0:
            continue
        pieces = {"rows": flat.mean(axis=1), "columns": flat.mean(axis=0)}
        areas = {"rows": columns, "columns": rows}
        for side in (2, 4, 8):
            high, wide = rows // side, columns // side
            if high * wide >= 6:
                whole = flat[: high * side, : wide * side].reshape(high, side, wide, side, 3)
                pieces[f"{side}"] = whole.mean(axis=(1, 3)).reshape(-1, 3)
                areas[f"{side}"] = side * side
        for name, means in pieces.items():
            # The slope that was taken off has taken its share of few pieces' variance with it.
            free = len(means) - (2 if name in ("rows", "columns") else 3)
            growth.setdefault(name, []).append(float(np.sum(means**2)) / (3 * free) * areas[name] / base)
    return max(1.0, *(float(np.mean(values)) for values in growth.values())) if growth else 4.0


def _without_slope(field: Array) -> Array:
    """Return squares (rows, columns, 3) without their plane, and with specks of dust cut down to the rest."""
    rows, columns = field.shape[:2]
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    plane = np.stack([np.ones(rows * columns), x.ravel(), y.ravel()], axis=1)
    values = field.reshape(-1, 3)
    spread = np.percentile(np.abs(values - np.median(values, axis=0)), 68.3, axis=0)
    middle = np.median(values, axis=0)
    values = np.clip(values, middle - 3 * spread, middle + 3 * spread)
    return np.asarray(values - plane @ (np.linalg.pinv(plane) @ values)).reshape(field.shape)


def squares_of(light: NDArray[np.float32], per_mm: float) -> Array:
    """Return the means (rows, columns[, channels]) of squares of a quarter millimetre of a picture."""
    side = max(1, round(BLOCK_MM * per_mm))
    height, width = light.shape[0] // side, light.shape[1] // side
    whole = np.ascontiguousarray(light[: height * side, : width * side], dtype=np.float32)
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float64)


def block_means(light: NDArray[np.float32], per_mm: float) -> Array:
    """Return the means (n, channels) of squares of a quarter millimetre of a picture (h, w[, channels])."""
    small = squares_of(light, per_mm)
    return small.reshape(small.shape[0] * small.shape[1], -1)
