"""The light on a photographed page: lamps near and far, shadows, and lamps mirrored in ink and strip."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Page
from calib.synthetic.camera import Camera, Glare, Lamp, Shadow

Array = NDArray[np.float64]


def light_at(camera: Camera, page_mm: tuple[float, float], x: Array, y: Array) -> Array:
    """Return the light (..., 3) that falls on places of the page in plan mm, about 1 in its middle."""
    total = np.zeros((*np.shape(x), 3))
    whole = sum(lamp.share for lamp in camera.lamps)
    for number, lamp in enumerate(camera.lamps):
        light = _lamp(lamp, page_mm, x, y) * lamp.share / whole
        for shadow in camera.shadows:
            if not shadow.lamps or number in shadow.lamps:
                light = light * _shaded(shadow, x, y)
        total += light[..., None] * np.array(lamp.tint)
    return total


def _lamp(lamp: Lamp, page_mm: tuple[float, float], x: Array, y: Array) -> Array:
    """A point's light on a plane: by the square of the distance and the cosine of the angle."""
    left, top, high = lamp.at_mm

    def at(px: Array | float, py: Array | float) -> Array:
        return np.asarray(high / ((px - left) ** 2 + (py - top) ** 2 + high**2) ** 1.5)

    return np.asarray(at(x, y) / at(page_mm[0] / 2, page_mm[1] / 2))


def _shaded(shadow: Shadow, x: Array, y: Array) -> Array:
    if shadow.radius_mm:
        into = shadow.radius_mm - np.hypot(x - shadow.at_mm[0], y - shadow.at_mm[1])
    else:
        way = np.radians(shadow.toward_deg)
        into = (x - shadow.at_mm[0]) * np.cos(way) + (y - shadow.at_mm[1]) * np.sin(way)
    share = np.clip(into / shadow.soft_mm + 0.5, 0.0, 1.0)
    # The edge of a round lamp's shadow is a smooth step.
    return np.asarray(1.0 - shadow.depth * share**2 * (3.0 - 2.0 * share))


def glare_at(camera: Camera, page: Page, x: Array, y: Array) -> Array:
    """Return the light (...,) that is mirrored at places of the page, as a share of a perfect white's."""
    total = np.zeros(np.shape(x))
    if not camera.glares:
        return total
    ink = _within([cell.box for cell in page.cells], x, y)
    strip = _within([page.strip], x, y)
    for glare in camera.glares:
        total += spot(glare, x, y) * np.where(strip, glare.strip, np.where(ink, 1.0, glare.paper))
    return total


def spot(glare: Glare, x: Array, y: Array) -> Array:
    """Return the light (...,) that a spot adds to dry ink."""
    far = np.hypot(x - glare.at_mm[0], y - glare.at_mm[1]) / glare.radius_mm
    return np.asarray(glare.strength * np.exp(-(far**2) * np.log(2.0)))


def _within(boxes: list[Box], x: Array, y: Array) -> NDArray[np.bool_]:
    inside = np.zeros(np.shape(x), dtype=bool)
    for box in boxes:
        inside |= (x > box.x_mm) & (x < box.right_mm) & (y > box.y_mm) & (y < box.bottom_mm)
    return inside
