"""Marks found: the corners of the printed locating marks in a picture.

Home printers leave pale, streaked and pinholed black. No single treatment of the picture finds
all of such marks: thickening the black closes white streaks but fills pinholed marks' white
modules. So several versions are tried and their finds united.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# The picture is looked at in this many pixels at most on its long side: a 10 mm mark on A4
# then has 80 pixels, well over the 32 that are read reliably (measured before the start).
LONG_SIDE = 2400
# So many pixels are reduced at once.
BAND = 2_000_000


@dataclass(frozen=True)
class FoundMark:
    """A mark in a picture: corners (4, 2) in pixels, pixel centres at whole numbers.

    The corners run from the mark's own top left clockwise, so they tell which way up it is.
    """

    id: int
    corners: NDArray[np.float64]


def find_marks(
    codes: NDArray[np.uint8] | NDArray[np.uint16], wanted: Sequence[frozenset[int]] = ()
) -> tuple[FoundMark, ...]:
    """Return every AprilTag 36h11 mark in a picture (h, w, 3), each id once or, in doubt, not at all.

    wanted: the ids of each page; when every page that shows has all of its marks, no further
    treatment of the picture is tried.
    """
    grey, factor = reduced_grey(codes, LONG_SIDE)
    found: dict[int, NDArray[np.float64]] = {}
    doubled: set[int] = set()
    for version, scale in _versions(grey):
        for mark_id, corners in _detect(version):
            # Pixel centres: a pixel's centre in a reduced picture is the centre of a block.
            at = (corners + 0.5) / scale - 0.5
            if mark_id not in found:
                found[mark_id] = at
            elif np.abs(at.mean(axis=0) - found[mark_id].mean(axis=0)).max() > 8:
                doubled.add(mark_id)
        shown = [page for page in wanted if not page.isdisjoint(found)]
        if shown and all(page <= found.keys() for page in shown):
            break
    return tuple(
        FoundMark(mark_id, (corners + 0.5) * factor - 0.5)
        for mark_id, corners in sorted(found.items())
        if mark_id not in doubled
    )


def reduced_grey(
    codes: NDArray[np.uint8] | NDArray[np.uint16], long_side: int
) -> tuple[NDArray[np.uint8], float]:
    """Return an 8-bit grey copy no larger than long_side, and how many pixels one of its pixels was.

    Green stands for grey: it is the sharpest channel of most sensors, and the marks are black.
    """
    height, width = codes.shape[:2]
    factor = max(1.0, max(height, width) / long_side)
    size = (round(width / factor), round(height / factor))
    # Across in bands of rows and then down in one, because the green of a whole page at 1200 dpi is a third of its memory.
    across = np.empty((height, size[0]), dtype=np.uint16)
    rows = max(1, BAND // width)
    for start in range(0, height, rows):
        band = codes[start : start + rows]
        # OpenCV takes a channel out of a large picture three times as fast as a strided copy does.
        contiguous = band.flags.c_contiguous
        green: NDArray[Any] = np.asarray(
            cv2.extractChannel(band, 1) if contiguous else np.ascontiguousarray(band[..., 1])
        )
        if green.dtype == np.uint8:
            # In 256ths of a code, so that rounding in between costs nothing.
            green = green.astype(np.uint16) << 8
        out = across[start : start + rows]
        if factor > 1:
            cv2.resize(green, (size[0], len(out)), dst=out, interpolation=cv2.INTER_AREA)
        else:
            out[:] = green
    if factor > 1:
        across = np.asarray(cv2.resize(across, size, interpolation=cv2.INTER_AREA), dtype=np.uint16)
    half = np.uint16(128 if codes.dtype == np.uint8 else 0)
    return ((across + half) >> 8).astype(np.uint8), factor


def _versions(grey: NDArray[np.uint8]) -> Iterator[tuple[NDArray[np.uint8], float]]:
    """Yield treatments of the picture and the scale of each against the given one."""
    yield grey, 1.0
    kernel = np.ones((3, 3), np.uint8)
    yield np.asarray(cv2.erode(grey, kernel), dtype=np.uint8), 1.0
    yield np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.6), dtype=np.uint8), 1.0
    half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    yield np.asarray(half, dtype=np.uint8), 0.5


def _detect(grey: NDArray[np.uint8]) -> list[tuple[int, NDArray[np.float64]]]:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # A mark's side is at least a hundredth of the picture's, even on a bed larger than the page.
    parameters.minMarkerPerimeterRate = 0.03
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    if ids is None:
        return []
    return [
        (int(mark_id), np.asarray(corner, dtype=float).reshape(4, 2))
        for mark_id, corner in zip(np.asarray(ids).ravel(), corners, strict=True)
    ]
