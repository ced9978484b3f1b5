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
BAND = 500_000

# Gaps that are closed, at half the size, in the search for marks that cannot be decoded: two modules of a mark.
GAPS_PX = (7, 13, 9, 17)
# How far the modules of such a mark correlate with the mark's.
LEAST_ALIKE = 0.55


@dataclass(frozen=True)
class FoundMark:
    """A mark in a picture: corners (4, 2) in pixels, pixel centres at whole numbers.

    The corners run from the mark's own top left clockwise, so they tell which way up it is.
    """

    id: int
    corners: NDArray[np.float64]

    @property
    def middle(self) -> NDArray[np.float64]:
        """The middle (2,) in pixels."""
        return np.asarray(self.corners.mean(axis=0))

    @property
    def side(self) -> float:
        """The mean length of a side in pixels."""
        return float(np.hypot(*(self.corners - np.roll(self.corners, 1, axis=0)).T).mean())


def find_marks(grey: NDArray[np.uint8], factor: NDArray[np.float64]) -> Iterator[tuple[FoundMark, ...]]:
    """Yield every AprilTag 36h11 mark that was found so far in a grey picture (h, w), after each treatment of it.

    factor: (2,) how many pixels of the whole picture one of these was, across and down; the corners are in the whole
    picture's. An id that is there several times, as where a page was laid down twice, comes several times.
    """
    found: list[FoundMark] = []
    for version, scale in _versions(grey):
        for mark_id, corners in detect(version):
            # Pixel centres: a pixel's centre in a reduced picture is the centre of a block.
            mark = FoundMark(mark_id, (corners + 0.5) / scale * factor - 0.5)
            if not any(_same(mark, other) for other in found):
                found.append(mark)
        yield tuple(found)


def _same(mark: FoundMark, other: FoundMark) -> bool:
    """Tell whether two finds are the same mark: one id, and their middles nearer than half a side."""
    apart = float(np.hypot(*(mark.middle - other.middle)))
    return mark.id == other.id and apart < max(mark.side, other.side) / 2


def reduced_grey(
    codes: NDArray[np.uint8] | NDArray[np.uint16], long_side: int
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return an 8-bit grey copy no larger than long_side, and how many pixels one of its pixels was, across and down.

    The two differ, because the copy has whole pixels; one number for both would stretch an A4 page by up to 0.07 mm.

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
    across += np.uint16(128 if codes.dtype == np.uint8 else 0)
    across >>= 8
    exact = np.array([width / across.shape[1], height / across.shape[0]])
    return across.astype(np.uint8), exact


def _versions(grey: NDArray[np.uint8]) -> Iterator[tuple[NDArray[np.uint8], float]]:
    """Yield treatments of the picture and the scale of each against the given one.

    In the order of the marks that each found in pale, streaked, pinholed and patchy prints (measured on 40 simulated
    scans: as it is 25 % of the marks, opened 65, thickened and halved 57, a third 55, smoothed by the median 42; all
    of these 82).
    """
    yield grey, 1.0
    kernel = np.ones((3, 3), np.uint8)
    yield np.asarray(cv2.morphologyEx(grey, cv2.MORPH_OPEN, kernel), dtype=np.uint8), 1.0
    thick = cv2.erode(grey, kernel)
    yield _smaller(thick, 0.5), 0.5
    yield _smaller(grey, 0.35), 0.35
    yield np.asarray(cv2.medianBlur(grey, 5), dtype=np.uint8), 1.0
    yield np.asarray(cv2.GaussianBlur(thick, (0, 0), 1.5), dtype=np.uint8), 1.0
    yield _smaller(grey, 0.5), 0.5


def _smaller(grey: Any, scale: float) -> NDArray[np.uint8]:
    return np.asarray(
        cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )


def dictionary() -> Any:
    """Return the AprilTag 36h11 family."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def faint_marks(
    grey: NDArray[np.uint8], factor: NDArray[np.float64], ids: Sequence[int]
) -> Iterator[tuple[FoundMark, ...]]:
    """Yield what may be marks with these ids in a grey picture (h, w), for when none could be decoded.

    A banded print breaks a mark's border to pieces. With all gaps closed that are narrower than a few modules, a mark
    is a dark square, and of all marks it is the one whose modules its own resemble most. Some of them are none: what
    a page's marks are must be told by more than one.
    """
    codes = np.stack([_modules(mark_id) for mark_id in ids])
    turned = np.stack([np.rot90(codes, k, axes=(1, 2)) for k in range(4)], axis=1).reshape(len(ids) * 4, -1)
    turned = (turned - turned.mean(axis=1, keepdims=True)) / turned.std(axis=1, keepdims=True)
    half = _smaller(grey, 0.5)
    found: list[FoundMark] = []
    for gap in GAPS_PX:
        # A round gap is as wide in a page that was laid askew.
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (gap, gap))
        closed = np.asarray(cv2.morphologyEx(half, cv2.MORPH_OPEN, disc), dtype=np.uint8)
        for small in _squares(closed):
            quad = (small + 0.5) * 2 - 0.5
            seen = _sampled(grey, quad)
            if seen.std() < 2:
                continue
            alike = turned @ ((seen - seen.mean()) / seen.std()).ravel() / seen.size
            best = int(np.argmax(alike))
            if alike[best] > LEAST_ALIKE:
                # rot90 turns against the clock, so that the mark's own first corner is so many corners back.
                corners = np.roll(quad, best % 4, axis=0)
                mark = FoundMark(ids[best // 4], (corners + 0.5) * factor - 0.5)
                if not any(_same(mark, other) for other in found):
                    found.append(mark)
        yield tuple(found)


def _modules(mark_id: int) -> NDArray[np.float64]:
    """Return the 8 by 8 modules of a mark, border included, white = 1."""
    return np.asarray(
        cv2.aruco.generateImageMarker(dictionary(), mark_id, 8, borderBits=1) > 127, dtype=float
    )


def _squares(grey: NDArray[np.uint8]) -> list[NDArray[np.float64]]:
    """Return the corners (4, 2) of dark squares that hold no mark that can be decoded, clockwise."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.03
    # Print this pale is a few codes darker than paper; with OpenCV's own 7, one of eight such marks was found, not six.
    parameters.adaptiveThreshConstant = 2.5
    _, _, quads = cv2.aruco.ArucoDetector(dictionary(), parameters).detectMarkers(grey)
    corners = [np.asarray(quad, dtype=float).reshape(4, 2) for quad in quads]
    sides = [np.hypot(*(c - np.roll(c, 1, axis=0)).T) for c in corners]
    return [c for c, side in zip(corners, sides, strict=True) if side.min() > 0.75 * side.max()]


def _sampled(grey: NDArray[np.uint8], quad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean grey (8, 8) of the modules of a mark with these corners."""
    fine = 6
    side = 8 * fine
    onto = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32) - np.float32(0.5)
    matrix = cv2.getPerspectiveTransform(quad.astype(np.float32), onto)
    flat = cv2.warpPerspective(grey, matrix, (side, side), flags=cv2.INTER_LINEAR).astype(float)
    return np.asarray(flat.reshape(8, fine, 8, fine)[:, 1:-1, :, 1:-1].mean(axis=(1, 3)))


def detect(grey: NDArray[np.uint8]) -> list[tuple[int, NDArray[np.float64]]]:
    """Return id and corners (4, 2) of every mark that can be decoded in a grey picture (h, w), in its own pixels."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # A mark's side is at least a hundredth of the picture's, even on a bed larger than the page.
    parameters.minMarkerPerimeterRate = 0.03
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary(), parameters).detectMarkers(grey)
    if ids is None:
        return []
    return [
        (int(mark_id), np.asarray(corner, dtype=float).reshape(4, 2))
        for mark_id, corner in zip(np.asarray(ids).ravel(), corners, strict=True)
    ]
