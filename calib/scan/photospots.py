"""Glare and shadow edges at a swatch of a photographed page, and how well it is known there."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.scan.photolight import PhotoLight

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# Paper this near to a cell's middle that is off what the paper around it foresees by so much in log light lies in a shadow's edge or
# under glare (measured, tests/benchmarks/photos.py: on pages without either it stays under a third of this).
NEAR_MM = 20.0
OFF = 0.015
# Where it is only lighter than foreseen and nowhere darker by this share of that, it is glare and no shadow.
ONE_SIDED = 0.5
# A mirrored lamp adds white light to ink. So much of it, as a share of a perfect white's, is seen in squares of so many mm;
# less ink adds light of the ink's own colour, unless the ink is grey.
GLARE = 0.006
SQUARE_MM = 2.0
LEAST_COLOUR = 0.25
CLEAR = 4.0
# Squares with so much less or more ink are gaps and bands, whose colours no straight line tells.
MOST_INK = 0.25


def spots_at(light: PhotoLight, box: Box) -> tuple[str, ...]:
    """Return 'shadow' or 'glare' where the bare paper around a cell shows it."""
    middle = np.array([box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2])
    missed = light.missed[np.hypot(*(light.at - middle).T) < NEAR_MM, 0]
    if not len(missed) or np.abs(missed).max() < OFF:
        return ()
    lighter = missed.max() > OFF and missed.min() > -ONE_SIDED * missed.max()
    return ("glare",) if lighter else ("shadow",)


@dataclass(frozen=True)
class Inside:
    """The inside of a cell: its light (h, w, 3), the film's and the paper's (3,)."""

    light: Light
    film: Array
    paper: Array


def mirrored(inside: Inside, per_mm: float) -> bool:
    """Tell whether white light lies on part of a cell that more or less of its ink does not explain."""
    side = max(1, round(SQUARE_MM * per_mm))
    high, wide = inside.light.shape[0] // side, inside.light.shape[1] // side
    if high * wide < 6 or not np.isfinite(inside.light).all():
        return False
    whole = np.ascontiguousarray(inside.light[: high * side, : wide * side])
    off = cv2.resize(whole, (wide, high), interpolation=cv2.INTER_AREA).reshape(-1, 3) - inside.film
    # The way to the paper, and white light beside it.
    way = np.maximum(inside.film, 1e-3) * np.log(inside.paper / np.maximum(inside.film, 1e-3))
    size = float(np.linalg.norm(way))
    if size < 1e-3:
        return False
    way /= size
    white = np.ones(3) - way * way.sum()
    if float(white @ white) < LEAST_COLOUR:
        return False
    off = off[np.abs(off @ way) < MOST_INK * size]
    if len(off) < 6:
        return False
    added = (off @ white) / float(white @ white)
    added -= np.median(added)
    spread = 1.4826 * float(np.median(np.abs(added)))
    lit = np.sort(added)[-max(2, len(added) // 10) :].mean()
    return bool(lit > max(GLARE, CLEAR * spread))
