"""Print drawn with exact areas: what share of each pixel a box, a mark or a line of text covers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Mark
from calib.synthetic.noise import Plane


@dataclass(frozen=True)
class PrintFrame:
    """From plan mm to sheet mm: the printer's scale about the middle of the page, more along y."""

    page_mm: tuple[float, float]
    scale_x: float
    scale_y: float

    def point(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return where a point of the plan lies on the sheet."""
        middle = (self.page_mm[0] / 2, self.page_mm[1] / 2)
        return middle[0] + (x_mm - middle[0]) * self.scale_x, middle[1] + (y_mm - middle[1]) * self.scale_y

    def box(self, box: Box) -> Box:
        """Return where a rectangle of the plan lies on the sheet."""
        x, y = self.point(box.x_mm, box.y_mm)
        return Box(x, y, box.width_mm * self.scale_x, box.height_mm * self.scale_y)

    def matrix(self) -> NDArray[np.float64]:
        """Return the same as a 3x3 matrix on plan mm."""
        x, y = self.point(0.0, 0.0)
        return np.array([[self.scale_x, 0.0, x], [0.0, self.scale_y, y], [0.0, 0.0, 1.0]])


def _shares(start_px: float, size_px: float, parts: int, length: int) -> tuple[int, Plane]:
    """Return the first pixel and how much of each pixel each of parts equal parts covers (pixels, parts)."""
    first = max(0, int(np.floor(start_px)))
    last = min(length, int(np.ceil(start_px + size_px)))
    edges = start_px + size_px * np.arange(parts + 1) / parts
    pixels = np.arange(first, max(first, last))[:, np.newaxis]
    low = np.maximum(pixels, edges[np.newaxis, :-1])
    high = np.minimum(pixels + 1, edges[np.newaxis, 1:])
    return first, np.asarray(np.clip(high - low, 0.0, 1.0), dtype=np.float32)


def draw_pattern(ink: Plane, box: Box, pattern: Plane, scale: float) -> None:
    """Lay pattern (rows, columns of 0..1) over the box (mm) into the ink map at scale pixels per mm."""
    top, rows = _shares(box.y_mm * scale, box.height_mm * scale, pattern.shape[0], ink.shape[0])
    left, columns = _shares(box.x_mm * scale, box.width_mm * scale, pattern.shape[1], ink.shape[1])
    if rows.shape[0] and columns.shape[0]:
        part = ink[top : top + rows.shape[0], left : left + columns.shape[0]]
        np.maximum(part, rows @ pattern @ columns.T, out=part)


def draw_box(ink: Plane, box: Box, level: float, scale: float) -> None:
    """Fill a box with level of black, 0..1."""
    draw_pattern(ink, box, np.full((1, 1), level, np.float32), scale)


def draw_brackets(
    ink: Plane, box: Box, scale: float, level: float = 0.3, arm_mm: float = 2.5, line_mm: float = 0.18
) -> None:
    """Draw thin pale corner brackets around a box."""
    for x in (box.x_mm, box.right_mm):
        for y in (box.y_mm, box.bottom_mm):
            left = x if x == box.x_mm else x - arm_mm
            top = y if y == box.y_mm else y - arm_mm
            draw_box(ink, Box(left, y - line_mm / 2, arm_mm, line_mm), level, scale)
            draw_box(ink, Box(x - line_mm / 2, top, line_mm, arm_mm), level, scale)


def draw_text(ink: Plane, at_mm: tuple[float, float], text: str, height_mm: float, scale: float) -> None:
    """Write text in dark grey, its lower left at at_mm; drawn four times as fine and averaged down."""
    fine = 4
    font = cv2.FONT_HERSHEY_SIMPLEX
    unit = height_mm * scale * fine / 21.0
    weight = max(1, round(0.16 * scale * fine))
    (width, height), below = cv2.getTextSize(text, font, unit, weight)
    rows, columns = -(-(height + below + 2 * weight) // fine), -(-(width + 2 * weight) // fine)
    canvas = np.zeros((rows * fine, columns * fine), np.uint8)
    cv2.putText(canvas, text, (weight, height + weight), font, unit, 200, weight, cv2.LINE_AA)
    small = cv2.resize(canvas, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0
    left, top = round(at_mm[0] * scale), round(at_mm[1] * scale) - rows
    inner = ink[max(0, top) : max(0, top + rows), max(0, left) : max(0, left + columns)]
    if inner.size:
        y, x = max(0, -top), max(0, -left)
        np.maximum(inner, small[y : y + inner.shape[0], x : x + inner.shape[1]], out=inner)


@cache
def _dictionary() -> Any:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def mark_pattern(mark_id: int) -> Plane:
    """Return the 8 by 8 modules of an AprilTag 36h11, black = 1, border included."""
    image = cv2.aruco.generateImageMarker(_dictionary(), mark_id, 8, borderBits=1)
    return np.asarray(image < 128, dtype=np.float32)


def draw_marks(ink: Plane, marks: Iterable[Mark], frame: PrintFrame, scale: float) -> None:
    """Draw the locating marks at their sub-pixel places."""
    for mark in marks:
        draw_pattern(ink, frame.box(mark.box), mark_pattern(mark.id), scale)
