"""Page recognised from its marks: millimetres to pixels and back, with a residual."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Page
from calib.scan.fiducials import FoundMark

Array = NDArray[np.float64]

LEAST_MARKS = 3
# A picture is averaged in bands of about so many pixels, which as floats stay near the processor.
BAND = 500_000
# The printer's black patch, where it stands in for a mark.
BLACK = -1
# A corner farther than this from where the others put it is a misread mark, not a bent sheet.
OUTLIER_MM = 1.0
# Marks whose middles spread less than this across their line count as one line.
LEAST_SPREAD_MM = 12.0
# A page on a scanner is flat: more than this between model and corners and it is not one.
WORST_RESIDUAL_MM = 0.5


@dataclass(frozen=True)
class Frame:
    """Where a page lies in a picture.

    matrix: (3, 3), page millimetres to pixels, homogeneous. residual_mm: root mean square of the
    marks' corners. marks: how many stand behind it. pixels_per_mm: geometric mean over the page.
    notes: sentences for the user about what else is in the picture. found: the ids of the marks behind it.
    """

    page: Page
    matrix: Array
    residual_mm: float
    marks: int
    pixels_per_mm: float
    notes: tuple[str, ...] = ()
    found: tuple[int, ...] = ()

    def to_pixels(self, points_mm: Array) -> Array:
        """Return pixel positions (n, 2) of page points (n, 2) in millimetres."""
        return mapped(self.matrix, points_mm)

    def to_mm(self, points: Array) -> Array:
        """Return page points (n, 2) in millimetres of pixel positions (n, 2)."""
        return mapped(np.linalg.inv(self.matrix), points)

    def cut(
        self, codes: NDArray[np.uint8] | NDArray[np.uint16], box: Box, pixels_per_mm: float
    ) -> NDArray[np.float32]:
        """Return the part of a picture that shows box, upright, at a resolution of our choice.

        Returns float32 (h, w, 3) in 0..1; NaN where the box leaves the picture. Only the pixels
        of the box are touched.
        """
        width = max(1, round(box.width_mm * pixels_per_mm))
        height = max(1, round(box.height_mm * pixels_per_mm))
        # Pixel centres: column 0 of the cut lies half a pixel inside the box.
        to_mm = np.array(
            [
                [box.width_mm / width, 0, box.x_mm + box.width_mm / width / 2],
                [0, box.height_mm / height, box.y_mm + box.height_mm / height / 2],
                [0, 0, 1],
            ]
        )
        matrix = self.matrix @ to_mm
        corners = mapped(matrix, np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=float))
        low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 2, 0)
        high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 3, codes.shape[1::-1])
        if np.any(high - low < 2):
            return np.full((height, width, 3), np.nan, dtype=np.float32)
        part, blocks = _reduced(
            codes[low[1] : high[1], low[0] : high[0]], int(self.pixels_per_mm / pixels_per_mm)
        )
        # Pixel centres again: the centre of a block of k pixels lies (k - 1) / 2 past its first.
        offset = (blocks - 1) / 2
        shift = np.array([[1, 0, -low[0] - offset], [0, 1, -low[1] - offset], [0, 0, blocks]]) / blocks
        return np.asarray(
            cv2.warpPerspective(
                part,
                shift @ matrix,
                (width, height),
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=(float("nan"),) * 3,
            ),
            dtype=np.float32,
        )


def _reduced(codes: NDArray[np.uint8] | NDArray[np.uint16], blocks: int) -> tuple[NDArray[np.float32], int]:
    """Return codes averaged over square blocks as float32 in 0..1, and the blocks' side in pixels.

    Every pixel's light counts, and the averages are not rounded to codes again, which would cost
    most of what an 8-bit scan tells about bare paper. It is done in bands of rows, because the
    whole page as floats would need more memory than the program may take.
    """
    top = float(np.iinfo(codes.dtype).max)
    blocks = max(1, min(blocks, *codes.shape[:2]))
    if blocks == 1:
        return np.multiply(codes, np.float32(1 / top), dtype=np.float32), 1
    height, width = codes.shape[0] // blocks, codes.shape[1] // blocks
    out = np.empty((height, width, 3), dtype=np.float32)
    rows = max(1, BAND // (codes.shape[1] * blocks))
    for start in range(0, height, rows):
        stop = min(height, start + rows)
        band = codes[start * blocks : stop * blocks, : width * blocks].astype(np.float32)
        cv2.resize(band, (width, stop - start), dst=out[start:stop], interpolation=cv2.INTER_AREA)
    out /= np.float32(top)
    return out, blocks


def mapped(matrix: NDArray[Any], points: NDArray[Any]) -> Array:
    """Return points (..., 2) mapped by a homography (3, 3)."""
    out = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(out[..., :2] / out[..., 2:], dtype=np.float64)


def fit_frame(page: Page, found: Sequence[FoundMark]) -> tuple[Frame, list[FoundMark]] | None:
    """Fit millimetres to pixels by marks of one page, each once.

    Returns the frame and the marks behind it, misread ones left out; None where they do not agree on a page.
    """
    positions = _positions(page)
    marks = list(found)
    while len(marks) >= LEAST_MARKS:
        mm = np.concatenate([corners_of(positions[mark.id]) for mark in marks])
        pixels = np.concatenate([mark.corners for mark in marks])
        matrix = _best_matrix(mm, pixels)
        scale = _scale(matrix, page)
        distance = (
            np.hypot(*(mapped(matrix, mm) - pixels).T) / scale if scale > 0 else np.full(len(mm), np.inf)
        )
        worst = distance.reshape(-1, 4).max(axis=1)
        residual = float(np.sqrt(np.mean(distance**2)))
        if worst.max() <= OUTLIER_MM and residual <= WORST_RESIDUAL_MM:
            if not _plausible(matrix, page):
                return None
            ids = tuple(mark.id for mark in marks if mark.id != BLACK)
            return Frame(page, matrix, residual, len(ids), scale, found=ids), marks
        marks.pop(_most_wrong(marks, positions))
    return None


def rough_matrix(page: Page, marks: Sequence[FoundMark]) -> Array:
    """Return about where a page lies, (3, 3) from millimetres to pixels, by as few as one of its marks."""
    positions = _positions(page)
    mm = np.concatenate([corners_of(positions[mark.id]) for mark in marks])
    pixels = np.concatenate([mark.corners for mark in marks])
    return _best_matrix(mm, pixels)


def _most_wrong(marks: Sequence[FoundMark], positions: dict[int, Box]) -> int:
    """Return the mark whose absence lets the others agree best."""
    rest = []
    for i in range(len(marks)):
        others = [mark for j, mark in enumerate(marks) if j != i]
        mm = np.concatenate([corners_of(positions[mark.id]) for mark in others])
        pixels = np.concatenate([mark.corners for mark in others])
        rest.append(float(np.abs(mapped(_affine(mm, pixels), mm) - pixels).max()))
    return int(np.argmin(rest))


def _positions(page: Page) -> dict[int, Box]:
    """Return where what is looked for stands on a page, by its id."""
    return {BLACK: page.black} | {mark.id: mark.box for mark in page.marks}


def in_a_line(page: Page, marks: Sequence[FoundMark]) -> bool:
    """Tell whether marks stand so nearly in one line that they tell nothing of the direction across it."""
    positions = _positions(page)
    return _one_line(np.concatenate([corners_of(positions[mark.id]) for mark in marks]))


def _one_line(mm: Array) -> bool:
    middles = mm.reshape(-1, 4, 2).mean(axis=1)
    spread = np.linalg.svd(middles - middles.mean(axis=0), compute_uv=False)
    return len(middles) < LEAST_MARKS or bool(spread[1] < LEAST_SPREAD_MM)


def corners_of(box: Box) -> Array:
    """Return the corners (4, 2) of a box in mm, from its top left clockwise."""
    return np.array(
        [
            [box.x_mm, box.y_mm],
            [box.right_mm, box.y_mm],
            [box.right_mm, box.bottom_mm],
            [box.x_mm, box.bottom_mm],
        ]
    )


def _affine(mm: Array, pixels: Array) -> Array:
    design = np.column_stack([mm, np.ones(len(mm))])
    solution, *_ = np.linalg.lstsq(design, pixels, rcond=None)
    return np.vstack([solution.T, [0, 0, 1]])


def _similarity(mm: Array, pixels: Array) -> Array:
    """Return the map that only turns, scales and moves."""
    x, y = mm.T
    one, nil = np.ones(len(mm)), np.zeros(len(mm))
    design = np.concatenate([np.stack([x, -y, one, nil], axis=1), np.stack([y, x, nil, one], axis=1)])
    (a, b, c, d), *_ = np.linalg.lstsq(design, pixels.T.ravel(), rcond=None)
    return np.array([[a, -b, c], [b, a, d], [0, 0, 1]])


def _best_matrix(mm: Array, pixels: Array) -> Array:
    """Return the affine map, or another one where that is clearly better.

    A scanner makes an affine picture; the two more numbers of a perspective would only carry
    the marks' noise to the far corners of the page. Marks in one column or row tell nothing of the
    other direction, and a map that takes it from their own width would be millimetres off.
    """
    if _one_line(mm):
        return _similarity(mm, pixels)
    affine = _affine(mm, pixels)
    if len(mm) < 4 * (LEAST_MARKS + 1):
        return affine
    perspective, _ = cv2.findHomography(mm, pixels, 0)
    if perspective is None or not np.all(np.isfinite(perspective)):
        return affine
    error = np.sqrt(np.mean((mapped(affine, mm) - pixels) ** 2))
    better = np.sqrt(np.mean((mapped(perspective, mm) - pixels) ** 2))
    return np.asarray(perspective) if better < 0.6 * error and error > 0.3 else affine


def _scale(matrix: Array, page: Page) -> float:
    """Return pixels per millimetre in the middle of the marks."""
    middle = np.mean([corners_of(mark.box).mean(axis=0) for mark in page.marks], axis=0)
    around = mapped(matrix, middle + np.array([[-1.0, 0], [1, 0], [0, -1], [0, 1]]))
    across, down = (around[1] - around[0]) / 2, (around[3] - around[2]) / 2
    return float(np.sqrt(abs(across[0] * down[1] - across[1] * down[0])))


def _plausible(matrix: Array, page: Page) -> bool:
    """Tell whether the map could come from a page: not mirrored, and not stretched beyond belief."""
    box = page.strip
    middle = np.array([[box.x_mm, box.y_mm], [box.x_mm + 1, box.y_mm], [box.x_mm, box.y_mm + 1]])
    at = mapped(matrix, middle)
    jacobian = np.column_stack([at[1] - at[0], at[2] - at[0]])
    if np.linalg.det(jacobian) <= 0:
        return False
    values = np.linalg.svd(jacobian, compute_uv=False)
    return bool(values[0] / values[1] < 1.5)
