"""What stands around the cells of a chart, or around the card of a carrier: marks, ruler, black patch, words.

left and right are the x of the marks' outer edges. A page is wide where three marks, the ruler and the
black patch stand in one row; across tells whether the grey strip lies along the page's width.
"""

from __future__ import annotations

import hashlib
import json
import math
import random
from collections.abc import Sequence

from calib.chart.plan import MARK_IDS, MOST_PAGE_MM, Box, Mark
from calib.errors import ImpossibleError

# Printers and scanner glass lose the rim of a sheet, most of it at the bottom, where the feed
# lets go of it (common practice).
RIM_MM = 10.0
RIM_BOTTOM_MM = 15.0
MARK_MM = 10.0
# A page too small for the long ruler gets the short one.
RULER_MM = 100.0
RULER_LEAST_MM = 20.0
# Beside an upright strip: air to the cells, the ruler with its one line of text.
RULER_ROOM_MM = 9.0
BLACK_PATCH_MM = (16.0, 8.0)
# From here on there is room for a mark, the ruler, a mark, the black patch and a mark in one row.
WIDE_MM = 162.0
# Text keeps this far from a mark, the white margin that the mark needs to be found included.
MARK_CLEAR_MM = 4.0
STRIP_CLEAR_MM = 5.0
# The header is as tall as its lines of text: title and instructions side by side; the title
# alone; the title with the instructions under it.
HEADER_WIDE_MM = 23.0
HEADER_NARROW_MM = 16.0
HEADER_STACKED_MM = 31.0


def check_sizes(page_mm: tuple[float, float], strip_mm: tuple[float, float]) -> None:
    """Raise ImpossibleError where a page or a grey strip has a size that nothing can be done with."""
    if not all(80 <= side <= MOST_PAGE_MM for side in page_mm):
        raise ImpossibleError(
            f"A page of {page_mm[0]:g} x {page_mm[1]:g} mm cannot carry a chart",
            f"Sides from 80 to {MOST_PAGE_MM:g} mm are possible.",
        )
    if not (40 <= strip_mm[0] <= 400 and 5 <= strip_mm[1] <= 60):
        raise ImpossibleError(
            f"A grey strip of {strip_mm[0]:g} x {strip_mm[1]:g} mm cannot be read",
            "Give its length first: 40 to 400 mm long, 5 to 60 mm wide.",
        )


def identify(content: object, marks: int) -> tuple[str, list[int]]:
    """Return a short id and the ids of so many marks, both from a hash of content (plain lists and dicts).

    The id is six letters without vowels: easily typed, never a word, and never mistaken for the
    id of a marker, as something with digits might be.
    """
    digest = hashlib.sha256(json.dumps(content, sort_keys=True).encode()).digest()
    number = int.from_bytes(digest[:16], "big")
    letters = "bcdfghjkmnpqrstvwxz"
    short = ""
    for _ in range(6):
        number, rest = divmod(number, len(letters))
        short += letters[rest]
    rng = random.Random(int.from_bytes(digest, "big"))
    return short, rng.sample(range(MARK_IDS), marks)


def mark_corners(
    left: float, right: float, rows: tuple[float, float, float], wide: bool
) -> tuple[tuple[float, float], ...]:
    """Return the top left corners of the marks: the sides on three heights, two more where wide."""
    corners = [(x, y) for y in rows for x in (left, right - MARK_MM)]
    if wide:
        # The lower one stands off the middle, so that the ruler fits beside it.
        corners.append(((left + right - MARK_MM) / 2, rows[0]))
        corners.append((left + MARK_MM + MARK_CLEAR_MM + RULER_MM + 6, rows[2]))
    return tuple(corners)


def place_marks(corners: Sequence[tuple[float, float]], ids: Sequence[int]) -> tuple[Mark, ...]:
    """Return marks with these ids at these corners."""
    return tuple(
        Mark(number, round(x, 3), round(y, 3), MARK_MM) for number, (x, y) in zip(ids, corners, strict=True)
    )


def strip_box(
    strip_mm: tuple[float, float], page_mm: tuple[float, float], right: float, middle: float | None
) -> Box:
    """Return the strip's rectangle: across with its middle at this height, or upright at the right where None."""
    long_mm, short_mm = strip_mm
    if middle is not None:
        return Box((RIM_MM + right - long_mm) / 2, middle - short_mm / 2, long_mm, short_mm)
    bottom = page_mm[1] - RIM_BOTTOM_MM
    return Box(page_mm[0] - RIM_MM - short_mm, (RIM_MM + bottom - long_mm) / 2, short_mm, long_mm)


def black_patch(left: float, right: float, foot_top: float, wide: bool, across: bool) -> Box:
    """Return the black patch: in the foot between the last two marks, or beside the title."""
    width, height = BLACK_PATCH_MM
    inner_right = right - MARK_MM - MARK_CLEAR_MM
    if wide:
        inner_left = left + 2 * MARK_MM + 2 * MARK_CLEAR_MM + RULER_MM + 6
        width = min(width, inner_right - inner_left)
        return Box(inner_left, foot_top + (MARK_MM - height) / 2, width, height)
    if across:
        return Box(inner_right - width, RIM_MM, width, height)
    return Box(inner_right - width, foot_top + (MARK_MM - height) / 2, width, height)


def black_label(black: Box, left: float, right: float, wide: bool, across: bool) -> Box:
    """Return the box of the words that say what the black patch is for."""
    inner_left, inner_right = left + MARK_MM + MARK_CLEAR_MM, right - MARK_MM - MARK_CLEAR_MM
    if wide and inner_right - black.right_mm >= 12:
        return Box(black.right_mm + 1.5, black.y_mm, inner_right - black.right_mm - 1.5, black.height_mm)
    if wide or across:
        # No room beside it: one line below, inside the rim that is lost to the marks only.
        return Box(black.x_mm, black.bottom_mm + 0.3, black.width_mm, 2.5)
    return Box(inner_left, black.y_mm, black.x_mm - 1.5 - inner_left, black.height_mm)


def ruler_box(left: float, right: float, height: tuple[float, float], in_foot: bool) -> Box:
    """Return the ruler: in the foot, or upright beside an upright strip, short where it must be."""
    top, bottom = height
    if in_foot:
        room = right - left - 2 * MARK_MM - 2 * MARK_CLEAR_MM
        return Box(
            left + MARK_MM + MARK_CLEAR_MM,
            bottom - MARK_MM + 1,
            _ruler_length(room),
            8.0,
        )
    # The strip keeps its 5 mm of bare paper, the cells keep 3.
    length = _ruler_length(bottom - top)
    return Box(right + 3, (top + bottom - length) / 2, RULER_ROOM_MM - 3, length)


def _ruler_length(room: float) -> float:
    """Return the longest ruler of whole centimetres that fits, 100 mm at most."""
    length = min(RULER_MM, math.floor(room / 10) * 10.0)
    if length < RULER_LEAST_MM:
        raise ImpossibleError(
            f"There is no room on the page for a ruler of {RULER_LEAST_MM:g} mm", "Choose a larger page."
        )
    return length


def text_boxes(
    left: float, right: float, header_bottom: float, band: tuple[float, float], shape: tuple[bool, bool]
) -> tuple[Box, ...]:
    """Return the boxes of the title and of the instructions, in this order.

    band: upper and lower end of the room between the two marks of the middle band.
    shape: is the page wide, does the strip lie across.
    """
    wide, across = shape
    top = RIM_MM - 2
    inner_left, inner_right = left + MARK_MM + MARK_CLEAR_MM, right - MARK_MM - MARK_CLEAR_MM
    height = header_bottom - top - 1
    if wide:
        middle = (left + right) / 2
        half = MARK_MM / 2 + MARK_CLEAR_MM
        return (
            Box(inner_left, top, middle - half - inner_left, height),
            Box(middle + half, top, inner_right - middle - half, height),
        )
    if across:
        title_mm = 13.0
        beside = inner_right - BLACK_PATCH_MM[0] - MARK_CLEAR_MM - inner_left
        return (
            Box(inner_left, top, beside, title_mm),
            Box(left, top + title_mm + 1.5, right - left, height - title_mm - 1.5),
        )
    return (
        Box(inner_left, top, inner_right - inner_left, height),
        Box(inner_left, band[0], inner_right - inner_left, band[1] - band[0]),
    )
