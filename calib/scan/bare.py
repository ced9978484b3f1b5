"""Bare paper found on a page, and light looked up in coarse grids of it.

The plan says where nothing is printed or coloured; what lies there is sampled in small tiles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.layout import LABEL_MM
from calib.chart.plan import Box, Page

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# So many tiles tell all there is to tell.
MOST_TILES = 2500
# The page is looked at as a whole at three pixels a millimetre for the tiles of bare paper, and at
# one pixel a millimetre for what varies slowly: illumination and scattered light.
GRID_PER_MM = 3
TILE_PX = 6
# What is darker than this share of bare paper, from the sheet's rim inwards, is no paper: a sheet that lifts off the glass keeps more.
NO_SHEET = 0.6
# Clear of the sheet's edge, whose shadow and blur are no paper either.
CLEAR_EDGE_MM = 2.0
# Ink bleeds past a cell's edge and print lies beside other things; the sheet's rim may be shaded.
CLEAR_CELL_MM = 1.5
CLEAR_PRINT_MM = 2.0
CLEAR_RIM_MM = 4.0


@dataclass(frozen=True)
class Tiles:
    """Samples of bare paper: at (n, 2) in millimetres, light (n, 3)."""

    at: Array
    light: Array


def paper_mask(page: Page, page_mm: tuple[float, float]) -> NDArray[np.bool_]:
    """Return where the plan leaves bare paper, on the grid of GRID_PER_MM."""
    shape = (round(page_mm[1] * GRID_PER_MM), round(page_mm[0] * GRID_PER_MM))
    mask = np.ones(shape, dtype=bool)

    def clear(box: Box) -> None:
        low_x, low_y = (max(0, int(np.floor(v * GRID_PER_MM))) for v in (box.x_mm, box.y_mm))
        mask[
            low_y : int(np.ceil(box.bottom_mm * GRID_PER_MM)),
            low_x : int(np.ceil(box.right_mm * GRID_PER_MM)),
        ] = False

    for cell in page.cells:
        clear(cell.box.grown(CLEAR_CELL_MM))
        clear(Box(cell.x_mm, cell.y_mm - LABEL_MM, cell.width_mm, LABEL_MM).grown(0.5))
    for box in (mark.box for mark in page.marks):
        clear(box.grown(CLEAR_PRINT_MM))
    for printed in (page.black, page.ruler, *page.texts):
        if printed is not None:
            clear(printed.grown(CLEAR_PRINT_MM))
    # A strip or card laid askew, or larger than planned, reaches out of its rectangle.
    clear(page.strip.grown(4.0))
    if page.slot is not None:
        clear(page.slot.grown(4.0))
    rim = round(CLEAR_RIM_MM * GRID_PER_MM)
    mask[:rim], mask[-rim:], mask[:, :rim], mask[:, -rim:] = False, False, False, False
    return mask


def on_sheet(light: Light, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which of a page grid (h, w, 3) may lie on the sheet: (h, w), false where a dark lid or nothing shows.

    mask: where the plan leaves bare paper. A page that was printed too large reaches past its sheet, where the plan has paper and
    the lid is. Light lids are not told from paper, and do no harm.
    """
    grey = light.mean(axis=2)
    seen = mask & np.isfinite(grey)
    if not seen.any():
        return np.ones_like(mask)
    dark = np.nan_to_num(grey, nan=0.0) < NO_SHEET * np.median(grey[seen])
    # Print and ink are dark as well; what is no sheet hangs together with the outside.
    framed = np.pad(dark, 1, constant_values=True).astype(np.uint8)
    _, labels = cv2.connectedComponents(framed, connectivity=4)
    outside = (labels == labels[0, 0])[1:-1, 1:-1].astype(np.uint8)
    size = 2 * round(CLEAR_EDGE_MM * GRID_PER_MM) + 1
    return np.asarray(cv2.dilate(outside, np.ones((size, size), np.uint8)) == 0)


def paper_tiles(light: Light, mask: NDArray[np.bool_]) -> Tiles:
    """Return the tiles of a page grid (h, w, 3) that lie on bare paper as a whole.

    A tile is the mean of its middle half in brightness, so that a speck of dust in it is left out.
    """
    height, width = (n // TILE_PX for n in mask.shape)
    blocks = (
        mask[: height * TILE_PX, : width * TILE_PX].reshape(height, TILE_PX, width, TILE_PX).all(axis=(1, 3))
    )
    values = light[: height * TILE_PX, : width * TILE_PX].reshape(height, TILE_PX, width, TILE_PX, 3)
    rows, columns = np.nonzero(blocks)
    picked = values[rows, :, columns].reshape(len(rows), TILE_PX * TILE_PX, 3)
    # In a picture that cuts the page off, some of it is not there.
    whole = np.isfinite(picked).all(axis=(1, 2))
    rows, columns, picked = rows[whole], columns[whole], picked[whole]
    ordered = np.sort(picked, axis=1)
    quarter = TILE_PX * TILE_PX // 4
    mean = ordered[:, quarter:-quarter].mean(axis=1, dtype=np.float64)
    keep = np.flatnonzero(np.all(mean > 0.02, axis=1))
    keep = keep[:: max(1, round(len(keep) / MOST_TILES))]
    at = (np.stack([columns, rows], axis=1) * TILE_PX + TILE_PX / 2) / GRID_PER_MM
    return Tiles(at[keep].astype(float), mean[keep])


def coarse(light: Light) -> Light:
    """Return a page grid (h, w, 3) of GRID_PER_MM averaged to one pixel a millimetre, NaN where cut off."""
    height, width = (n // GRID_PER_MM for n in light.shape[:2])
    whole = np.ascontiguousarray(light[: height * GRID_PER_MM, : width * GRID_PER_MM])
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)


def coarse_mask(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a mask of GRID_PER_MM at one pixel a millimetre: true where all of the pixel is."""
    height, width = (n // GRID_PER_MM for n in mask.shape)
    blocks = mask[: height * GRID_PER_MM, : width * GRID_PER_MM]
    return np.asarray(blocks.reshape(height, GRID_PER_MM, width, GRID_PER_MM).all(axis=(1, 3)))


def grid_points(shape: tuple[int, ...]) -> Array:
    """Return the page points (h * w, 2) in mm of a coarse grid's pixel centres."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return np.stack([columns.ravel() + 0.5, rows.ravel() + 0.5], axis=1)


def sample(grid: Light, at: Array) -> Array:
    """Return a coarse grid (h, w, 3) interpolated at page points (n, 2) in mm: (n, 3)."""
    x, y = (np.ascontiguousarray(at[:, i : i + 1] - 0.5, dtype=np.float32) for i in (0, 1))
    return np.asarray(cv2.remap(grid, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), float)[:, 0]


def sample_mean(grid: Light, spots: Sequence[Array]) -> Array:
    """Return the mean (n, 3) of a coarse grid over several page points for each place, spots being (n, 2) in mm."""
    return np.asarray(np.mean([sample(grid, at) for at in spots], axis=0))


def part(grid: Light, box: Box, shape: tuple[int, ...]) -> Light:
    """Return the part of a coarse grid that covers box, interpolated to (h, w, 3) pixels."""
    columns = box.x_mm + (np.arange(shape[1]) + 0.5) * box.width_mm / shape[1] - 0.5
    rows = box.y_mm + (np.arange(shape[0]) + 0.5) * box.height_mm / shape[0] - 0.5
    x, y = np.meshgrid(columns.astype(np.float32), rows.astype(np.float32))
    return np.asarray(cv2.remap(grid, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)
