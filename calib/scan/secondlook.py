"""Marks looked for where the plan puts them, once other marks have told where that is.

A mark that is too streaked, pale or stained to be decoded is still there to be compared with. The plan says
which mark it must be, so its picture is laid over the place, and where they agree the mark is found. Only the
middle is taken from it: turn and size come from the page.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Page
from calib.scan.fiducials import FoundMark, dictionary
from calib.scan.frame import BLACK, corners_of, mapped

Array = NDArray[np.float64]

# A 36h11 mark is eight modules wide, its black border of one module included; a module of white is round it.
MODULES = 8
MOST_PER_MODULE = 8.0
LEAST_PER_MODULE = 3.0
# How far a mark may lie from where a page's other marks put it: a sheet is not quite flat, and ...
REACH_MM = 1.2
# ... one or two marks tell its turn and its stretch no better than to this share of the way to them.
REACH_SHARE = 0.025
FAR_REACH_MM = 7.0
# Correlation of the whole mark, and of its inner code alone. Two marks of the family differ in 11 of 36 modules at
# least, so that another mark's code correlates to 0.39 at most, and print that is no mark less.
LEAST_WHOLE = 0.55
LEAST_CODE = 0.55
# The black patch has no code, only its edges.
LEAST_BLACK = 0.8
# So many marks tell where the page lies in both directions.
ENOUGH = 4

Fit = Callable[[Sequence[FoundMark]], Array]


@dataclass(frozen=True)
class Grey:
    """A reduced grey picture, and how many pixels of the whole one of its pixels was, across and down (2,)."""

    pixels: NDArray[np.uint8]
    factor: Array

    @property
    def from_whole(self) -> Array:
        """Return the map (3, 3) from pixels of the whole picture to those of this one."""
        x, y = 0.5 / self.factor - 0.5
        return np.array([[1 / self.factor[0], 0, x], [0, 1 / self.factor[1], y], [0, 0, 1]])


def look_again(grey: Grey, page: Page, known: Sequence[FoundMark], fit: Fit) -> list[FoundMark]:
    """Return the known marks of a page and those that are found from them, in the whole picture's pixels.

    fit: from marks to the map (3, 3) from page mm to the whole picture's pixels. The search begins with the nearest
    mark, because the way to it is known best, and each mark that is found tells more of the way to the others.
    """
    boxes = {mark.id: mark.box for mark in page.marks}
    found = {mark.id: mark for mark in known}
    searching = True
    while searching and len(found) < len(boxes):
        searching = False
        matrix = fit(list(found.values()))
        for mark_id, distance in _nearest_first(boxes, found):
            share = REACH_SHARE if len(found) < ENOUGH else REACH_SHARE / 4
            mark = _look(
                grey, matrix, boxes[mark_id], mark_id, min(REACH_MM + share * distance, FAR_REACH_MM)
            )
            if mark is not None:
                found[mark_id] = mark
                searching = True
                break
    return list(found.values())


def refined(grey: Grey, page: Page, known: Sequence[FoundMark], matrix: Array) -> list[FoundMark]:
    """Return a page's marks with their places taken from all of their modules instead of from their corners.

    A streak or a pinhole at a corner drags it along; it does little to the whole. matrix: from page mm to pixels.
    """
    boxes = {mark.id: mark.box for mark in page.marks}
    return [_look(grey, matrix, boxes[mark.id], mark.id, REACH_MM) or mark for mark in known]


def _nearest_first(boxes: dict[int, Box], found: dict[int, FoundMark]) -> list[tuple[int, float]]:
    """Return the ids still missing, with their distance in mm to the nearest mark that was found."""
    here = np.array([_middle(boxes[mark_id]) for mark_id in found])
    missing = [mark_id for mark_id in boxes if mark_id not in found]
    far = [float(np.hypot(*(here - _middle(boxes[mark_id])).T).min()) for mark_id in missing]
    return sorted(zip(missing, far, strict=True), key=lambda pair: pair[1])


def _middle(box: Box) -> Array:
    return np.array([box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2])


@cache
def _code(mark_id: int) -> NDArray[np.float32]:
    """Return a mark with its white margin, (10, 10) modules, white = 1."""
    image = cv2.aruco.generateImageMarker(dictionary(), mark_id, MODULES, borderBits=1)
    return np.pad((image > 127).astype(np.float32), 1, constant_values=1.0)


def look_for_black(grey: Grey, page: Page, matrix: Array) -> FoundMark | None:
    """Return the printer's black patch as if it were a mark with the id BLACK, or None.

    It has no code to know it by, so that it must be seen clearly; it is asked for where marks in one line tell
    nothing of the direction across it.
    """
    box = page.black
    module_mm = min(box.width_mm, box.height_mm) / MODULES
    rows, columns = (round(side / module_mm) for side in (box.height_mm, box.width_mm))
    pattern = np.pad(np.zeros((rows, columns), np.float32), 1, constant_values=1.0)
    match = _match(grey, matrix, box, pattern, FAR_REACH_MM / 2)
    if match is None or match.whole < LEAST_BLACK:
        return None
    return FoundMark(BLACK, mapped(matrix, corners_of(box) + match.shift))


def _look(grey: Grey, matrix: Array, box: Box, mark_id: int, reach_mm: float) -> FoundMark | None:
    """Return the mark where it is seen within reach_mm of its box, or None."""
    match = _match(grey, matrix, box, _code(mark_id), reach_mm)
    if match is None or not (match.whole >= LEAST_WHOLE and match.inner >= LEAST_CODE):
        return None
    return FoundMark(mark_id, mapped(matrix, corners_of(box) + match.shift))


@dataclass(frozen=True)
class _Match:
    """How a pattern agrees with the picture where it does so best.

    shift: (2,) from its place in mm. whole, inner: correlation of all of it, and without its two outermost modules.
    """

    shift: Array
    whole: float
    inner: float


def _match(
    grey: Grey, matrix: Array, box: Box, pattern: NDArray[np.float32], reach_mm: float
) -> _Match | None:
    """Compare a pattern of modules (h, w), white = 1, its white margin of one included, with the picture round a box."""
    module_mm = box.width_mm / (pattern.shape[1] - 2)
    to_grey = grey.from_whole @ matrix
    middle = mapped(to_grey, _middle(box)[None])[0]
    per_module = module_mm * _pixels_per_mm(to_grey, _middle(box))
    seen = (middle >= 0).all() and (middle < grey.pixels.shape[1::-1]).all()
    if not seen or not per_module >= LEAST_PER_MODULE / 2:
        return None
    side = int(np.clip(round(per_module), LEAST_PER_MODULE, MOST_PER_MODULE))
    step = module_mm / side
    reach = int(np.ceil(reach_mm / step))
    template = np.kron(pattern, np.ones((side, side), np.float32))
    # Pixel (0, 0) of the window has its middle half a step inside its corner.
    corner = np.array([box.x_mm, box.y_mm]) - module_mm - reach * step + step / 2
    to_mm = np.array([[step, 0, corner[0]], [0, step, corner[1]], [0, 0, 1]])
    window = cv2.warpPerspective(
        grey.pixels,
        to_grey @ to_mm,
        (template.shape[1] + 2 * reach, template.shape[0] + 2 * reach),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32)
    whole = np.asarray(cv2.matchTemplate(window, template, cv2.TM_CCOEFF_NORMED), dtype=np.float64)
    y, x = (int(i) for i in np.unravel_index(int(np.argmax(whole)), whole.shape))
    inner = np.s_[2 * side : -2 * side, 2 * side : -2 * side]
    here = window[y : y + template.shape[0], x : x + template.shape[1]]
    at = np.array([x + _peak(whole[y, :], x), y + _peak(whole[:, x], y)])
    if _margin_is_gone(here, side):
        off = _without_margin(here, template, side)
        at = np.array([x, y]) + off
        here = np.roll(here, -np.rint(off[::-1]).astype(int), axis=(0, 1))
    return _Match((at - reach) * step, float(whole[y, x]), _correlation(here[inner], template[inner]))


def _margin_is_gone(here: NDArray[np.float32], side: int) -> bool:
    """Tell whether a side of a mark's white margin is dark, as where a page that was printed too large ends before a dark lid.

    The whole mark would then be found towards that side, by half a millimetre, and with it the page.
    """
    low, high = np.percentile(here[2 * side : -2 * side, 2 * side : -2 * side], [10, 90])
    sides = (here[:side], here[-side:], here[:, :side], here[:, -side:])
    # A margin of which a quarter is gone draws the mark as well.
    return bool(min(float(np.percentile(part, 25)) for part in sides) < (low + high) / 2)


def _without_margin(here: NDArray[np.float32], template: NDArray[np.float32], side: int) -> Array:
    """Return by how many pixels (2,) a mark lies off its place by what is inside its margin."""
    core = np.ascontiguousarray(template[side:-side, side:-side])
    alike = np.asarray(cv2.matchTemplate(here, core, cv2.TM_CCOEFF_NORMED), dtype=np.float64)
    y, x = (int(i) for i in np.unravel_index(int(np.argmax(alike)), alike.shape))
    return np.array([x + _peak(alike[y, :], x), y + _peak(alike[:, x], y)]) - side


def _correlation(one: NDArray[np.float32], other: NDArray[np.float32]) -> float:
    """Return the correlation of two pictures of one shape, 0 where one of them is even."""
    a, b = one.ravel() - one.mean(), other.ravel() - other.mean()
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size > 0 else 0.0


def _peak(values: Array, at: int) -> float:
    """Return how far the top of the parabola through a largest value and its neighbours lies from it."""
    if not 0 < at < len(values) - 1:
        return 0.0
    low, top, high = (float(v) for v in values[at - 1 : at + 2])
    bend = low - 2 * top + high
    return 0.5 * (low - high) / bend if bend < 0 else 0.0


def _pixels_per_mm(matrix: Array, at: Array) -> float:
    near = mapped(matrix, at + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    return float(np.sqrt(abs(np.linalg.det(near[1:] - near[0]))))
