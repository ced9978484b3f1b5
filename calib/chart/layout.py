"""The chart laid out: where every mark, cell and label stands.

The origin is the top left corner of the page, y runs down, everything is in millimetres. A page
has three horizontal bands of locating marks (top, middle, bottom) and the cells between them:

    mark   title                       mark   instructions    mark
    cells, a group of coats per marker, in the order of the list
    mark   ------- the grey strip, laid across -------        mark
    cells
    mark   ruler                       mark   black patch     mark

Where the strip does not fit across, it stands upright in a column of its own at the right. A
narrow page has six marks. With the strip across, its instructions stand below the title and the
black patch beside it; with the strip upright, the instructions stand in the middle band between
the two marks, and the ruler in the column of the strip.
"""

from __future__ import annotations

import hashlib
import json
import math
import random
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise

from calib.chart.markers import Marker
from calib.chart.plan import MARK_IDS, MOST_PAGE_MM, Box, Cell, Mark, Page, Plan
from calib.errors import ImpossibleError

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4), "a5": (148.0, 210.0)}

# Printers and scanner glass lose the rim of a sheet, most of it at the bottom, where the feed
# lets go of it (common practice).
RIM_MM = 10.0
RIM_BOTTOM_MM = 15.0
MARK_MM = 10.0
# Alcohol lifts toner into a pale nib: no solid black stands nearer to a cell than this.
BLACK_CLEAR_MM = 6.0
STRIP_CLEAR_MM = 5.0
# Bare paper between two cells, and the wider gap by which one tells the groups apart.
GAP_MM = 5.0
GROUP_GAP_MM = 6.0
# Two lines of text above each cell, with air to the cells on either side; above narrow cells
# there are three lines, and the air comes on top.
LABEL_MM = 7.0
NARROW_MM = 30.0
NARROW_AIR_MM = 1.5
# A page too small for the long ruler gets the short one.
RULER_MM = 100.0
RULER_LEAST_MM = 20.0
# Beside an upright strip: air to the cells, the ruler with its one line of text.
RULER_ROOM_MM = 9.0
BLACK_PATCH_MM = (16.0, 8.0)
# The header is as tall as its lines of text: title and instructions side by side; the title
# alone; the title with the instructions under it.
HEADER_WIDE_MM = 23.0
HEADER_NARROW_MM = 16.0
HEADER_STACKED_MM = 31.0
# From here on there is room for a mark, the ruler, a mark, the black patch and a mark in one row.
WIDE_MM = 162.0
# Text keeps this far from a mark, the white margin that the mark needs to be found included.
MARK_CLEAR_MM = 4.0


@dataclass(frozen=True)
class ChartOptions:
    """What the user chose; controls is the number of control markers on each page."""

    page_mm: tuple[float, float] = PAPERS["a4"]
    cell_mm: tuple[float, float] = (18.0, 12.0)
    layers: tuple[int, ...] = (1, 2)
    repeats: int = 1
    controls: int = 6
    strip_mm: tuple[float, float] = (160.0, 14.0)
    seed: int = 0


@dataclass(frozen=True)
class _Grid:
    """The room of one page: marks without ids, fixed boxes, and the slots of the marker groups."""

    marks: tuple[tuple[float, float], ...]
    strip: Box
    black: Box
    ruler: Box
    texts: tuple[Box, ...]
    rows: tuple[float, ...]
    columns: tuple[float, ...]

    @property
    def slots(self) -> int:
        return len(self.rows) * len(self.columns)


def lay_out(markers: Sequence[Marker], options: ChartOptions) -> Plan:
    """Return the plan of a chart for these markers.

    Raises ImpossibleError where the sizes cannot fit, with the size that would.
    """
    _check_options(options)
    grid = _grid(options)
    pages: list[tuple[Cell, ...]] = []
    rng = random.Random(options.seed)
    per_page = _markers_per_page(grid, options)
    for start in range(0, len(markers), per_page):
        here = markers[start : start + per_page]
        pages.append(_cells(len(pages) + 1, here, grid, options, rng))
    marks_a_page = len(grid.marks)
    if len(pages) * marks_a_page > MARK_IDS:
        most = MARK_IDS // marks_a_page
        raise ImpossibleError(
            f"{len(markers)} markers fill {len(pages)} pages, and the marks tell only {most} pages apart",
            "Split the list into several charts.",
        )
    chart, ids = _identify(pages, markers, grid, options)
    return Plan(
        chart=chart,
        page_mm=options.page_mm,
        strip_mm=options.strip_mm,
        pages=tuple(
            Page(
                page=number + 1,
                marks=tuple(
                    Mark(ids[number * marks_a_page + i], round(x, 3), round(y, 3), MARK_MM)
                    for i, (x, y) in enumerate(grid.marks)
                ),
                strip=grid.strip.rounded(),
                black=grid.black.rounded(),
                cells=cells,
                ruler=grid.ruler.rounded(),
                texts=tuple(text.rounded() for text in grid.texts),
            )
            for number, cells in enumerate(pages)
        ),
        markers=tuple(markers),
    )


def _check_options(options: ChartOptions) -> None:
    width, height = options.page_mm
    if not (80 <= width <= MOST_PAGE_MM and 80 <= height <= MOST_PAGE_MM):
        raise ImpossibleError(
            f"A page of {width:g} x {height:g} mm cannot carry a chart",
            f"Sides from 80 to {MOST_PAGE_MM:g} mm are possible.",
        )
    if not (8 <= options.cell_mm[0] <= 200 and 6 <= options.cell_mm[1] <= 200):
        raise ImpossibleError(
            f"A cell of {options.cell_mm[0]:g} x {options.cell_mm[1]:g} mm cannot be measured",
            "Choose at least 8 x 6 and at most 200 x 200 mm.",
        )
    if not (40 <= options.strip_mm[0] <= 400 and 5 <= options.strip_mm[1] <= 60):
        raise ImpossibleError(
            f"A grey strip of {options.strip_mm[0]:g} x {options.strip_mm[1]:g} mm cannot be read",
            "Give its length first: 40 to 400 mm long, 5 to 60 mm wide.",
        )
    if not options.layers or any(n not in (1, 2) for n in options.layers):
        raise ImpossibleError("Cells have one coat or two", "Give --layers as 1, 2 or 1,2.")
    if not 1 <= options.repeats <= 20 or not 0 <= options.controls <= 1000:
        raise ImpossibleError("Repeats run from 1 to 20 and controls from 0 to 1000")


def _grid(options: ChartOptions) -> _Grid:
    """Return the fixed furniture of every page and the slots that are left for groups."""
    width, height = options.page_mm
    strip_long, strip_short = options.strip_mm
    left, top, bottom = RIM_MM, RIM_MM, height - RIM_BOTTOM_MM
    across = strip_long + 2 * STRIP_CLEAR_MM <= width - 2 * RIM_MM - 2 * MARK_MM
    column_mm = 0.0 if across else strip_short + BLACK_CLEAR_MM
    if not across and width - 2 * RIM_MM - column_mm < WIDE_MM:
        column_mm += RULER_ROOM_MM
    right = width - RIM_MM - column_mm
    wide = right - left >= WIDE_MM
    if not across and (strip_long > height - RIM_MM - RIM_BOTTOM_MM or right - left < 60):
        raise ImpossibleError(
            f"A grey strip of {strip_long:g} x {strip_short:g} mm fits a page of "
            f"{width:g} x {height:g} mm neither across nor upright",
            "Give a shorter strip with --strip-size, or a larger page.",
        )
    header_bottom = top + (HEADER_WIDE_MM if wide else HEADER_STACKED_MM if across else HEADER_NARROW_MM)
    foot_top = bottom - MARK_MM
    # The cells of the upper half end at the middle band, those of the lower half begin their
    # label's height below it. A printed strip is black at one end, so it keeps clear of cells as marks do.
    above = BLACK_CLEAR_MM + max(strip_short if across else 0.0, MARK_MM) / 2
    below = max(strip_short / 2 + STRIP_CLEAR_MM if across else 0.0, MARK_MM / 2 + MARK_CLEAR_MM)
    row_mm = LABEL_MM + options.cell_mm[1]
    if _group_mm(options) < NARROW_MM:
        row_mm += NARROW_AIR_MM
    room = foot_top - BLACK_CLEAR_MM - header_bottom - above - below
    count = math.floor(room / row_mm + 1e-9)
    columns = _columns(left, right, options)
    if count < 1 or not columns:
        raise ImpossibleError(
            f"Not one marker's cells fit on a page of {width:g} x {height:g} mm",
            "Choose smaller cells with --cell, or a larger page.",
        )
    # The spare room goes between the rows, so that the page is filled and not top-heavy.
    pitch = min(room / count, row_mm + 3.0)
    upper = count // 2
    first = header_bottom + (room - count * pitch) / 2
    band_middle = first + upper * pitch + above
    rows = [first + i * pitch for i in range(upper)]
    rows += [band_middle + below + i * pitch for i in range(count - upper)]
    # Each row's air and label come first, the cells stand below them.
    cell_rows = tuple(row + pitch - options.cell_mm[1] for row in rows)
    black = _black_patch(left, right, foot_top, wide, across)
    band = (band_middle - above + 2.5, band_middle + below - 0.5)
    return _Grid(
        marks=_mark_corners(left, right, (top, band_middle - MARK_MM / 2, foot_top), wide),
        strip=(
            Box((left + right - strip_long) / 2, band_middle - strip_short / 2, strip_long, strip_short)
            if across
            else Box(width - RIM_MM - strip_short, (top + bottom - strip_long) / 2, strip_short, strip_long)
        ),
        black=black,
        ruler=_ruler(left, right, (top, bottom), across or wide),
        texts=(
            *_texts(left, right, header_bottom, band, (wide, across)),
            _black_label(black, left, right, wide, across),
        ),
        rows=cell_rows,
        columns=columns,
    )


def _group_mm(options: ChartOptions) -> float:
    """Return the width of one marker's cells side by side."""
    coats = len(options.layers)
    return coats * options.cell_mm[0] + (coats - 1) * GAP_MM


def _columns(left: float, right: float, options: ChartOptions) -> tuple[float, ...]:
    """Return the x of each group, spread over the width, or nothing where not one fits."""
    group_mm = _group_mm(options)
    width = right - left
    count = math.floor((width + GROUP_GAP_MM) / (group_mm + GROUP_GAP_MM) + 1e-9)
    if count < 1:
        return ()
    gap = GROUP_GAP_MM if count == 1 else min((width - count * group_mm) / (count - 1), 2 * GROUP_GAP_MM)
    start = left + (width - count * group_mm - (count - 1) * gap) / 2
    return tuple(start + i * (group_mm + gap) for i in range(count))


def _mark_corners(
    left: float, right: float, rows: tuple[float, float, float], wide: bool
) -> tuple[tuple[float, float], ...]:
    """Return the top left corners of the marks: the sides on three heights, two more where wide."""
    corners = [(x, y) for y in rows for x in (left, right - MARK_MM)]
    if wide:
        # The lower one stands off the middle, so that the ruler fits beside it.
        corners.append(((left + right - MARK_MM) / 2, rows[0]))
        corners.append((left + MARK_MM + MARK_CLEAR_MM + RULER_MM + 6, rows[2]))
    return tuple(corners)


def _black_patch(left: float, right: float, foot_top: float, wide: bool, across: bool) -> Box:
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


def _black_label(black: Box, left: float, right: float, wide: bool, across: bool) -> Box:
    """Return the box of the words that say what the black patch is for."""
    inner_left, inner_right = left + MARK_MM + MARK_CLEAR_MM, right - MARK_MM - MARK_CLEAR_MM
    if wide and inner_right - black.right_mm >= 12:
        return Box(black.right_mm + 1.5, black.y_mm, inner_right - black.right_mm - 1.5, black.height_mm)
    if wide or across:
        # No room beside it: one line below, inside the rim that is lost to the marks only.
        return Box(black.x_mm, black.bottom_mm + 0.3, black.width_mm, 2.5)
    return Box(inner_left, black.y_mm, black.x_mm - 1.5 - inner_left, black.height_mm)


def _ruler(left: float, right: float, height: tuple[float, float], in_foot: bool) -> Box:
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


def _texts(
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


def _markers_per_page(grid: _Grid, options: ChartOptions) -> int:
    # Control swatches must leave room for the markers they repeat.
    controls = min(options.controls, max(0, grid.slots // 2))
    per_page = (grid.slots - controls) // options.repeats
    if per_page < 1:
        raise ImpossibleError(
            f"{options.repeats} repeats of one marker do not fit on one page ({grid.slots} places)",
            "Choose fewer repeats, smaller cells or a larger page.",
        )
    return per_page


def _cells(
    page: int, markers: Sequence[Marker], grid: _Grid, options: ChartOptions, rng: random.Random
) -> tuple[Cell, ...]:
    """Return the cells of one page: the markers in list order, then the controls."""
    groups = [(marker.marker, repeat) for marker in markers for repeat in range(1, options.repeats + 1)]
    free = grid.slots - len(groups)
    groups += [
        (marker, options.repeats + 1)
        for marker in _controls(markers, groups, grid, min(options.controls, free), rng)
    ]
    cells = []
    coats = len(options.layers)
    width, height = options.cell_mm
    for slot, (marker, repeat) in enumerate(groups):
        row, column = divmod(slot, len(grid.columns))
        for coat, layers in enumerate(options.layers):
            cells.append(
                Cell(
                    cell=f"{page}-{row + 1:02d}-{column * coats + coat + 1:02d}",
                    marker=marker,
                    layers=layers,
                    repeat=repeat,
                    x_mm=round(grid.columns[column] + coat * (width + GAP_MM), 3),
                    y_mm=round(grid.rows[row], 3),
                    width_mm=width,
                    height_mm=height,
                )
            )
    return tuple(cells)


def _controls(
    markers: Sequence[Marker],
    groups: Sequence[tuple[str, int]],
    grid: _Grid,
    count: int,
    rng: random.Random,
) -> list[str]:
    """Choose the markers that are coloured once more, away from their first swatch.

    They are spread over the list: it is cut into as many runs as there are controls and one is
    drawn from each. Blenders tell nothing about the scatter of a hand, so they are left out, and
    so are markers of the row above the controls where there are enough others.
    """
    inks = [marker.marker for marker in markers if marker.kind == "ink"]
    count = min(count, len(inks))
    if count <= 0:
        return []
    slot_of: dict[str, int] = {}
    for slot, (marker, _) in enumerate(groups):
        slot_of.setdefault(marker, slot)
    columns = len(grid.columns)
    first_row = len(groups) // columns
    far = [m for m in inks if slot_of[m] // columns < first_row - 1]
    pool = far if len(far) >= count else inks
    edges = [round(i * len(pool) / count) for i in range(count + 1)]
    return [pool[rng.randrange(low, high)] for low, high in pairwise(edges)]


def _identify(
    pages: Sequence[tuple[Cell, ...]], markers: Sequence[Marker], grid: _Grid, options: ChartOptions
) -> tuple[str, list[int]]:
    """Return the chart's short id and the ids of all its marks, both from a hash of the plan.

    The id is six letters without vowels: easily typed, never a word, and never mistaken for the
    id of a marker, as something with digits might be.
    """
    content = {
        "page_mm": options.page_mm,
        "strip_mm": options.strip_mm,
        "seed": options.seed,
        "cells": [[asdict(cell) for cell in cells] for cells in pages],
        "markers": [asdict(marker) for marker in markers],
        "marks": grid.marks,
    }
    digest = hashlib.sha256(json.dumps(content, sort_keys=True).encode()).digest()
    number = int.from_bytes(digest[:16], "big")
    letters = "bcdfghjkmnpqrstvwxz"
    chart = ""
    for _ in range(6):
        number, rest = divmod(number, len(letters))
        chart += letters[rest]
    rng = random.Random(int.from_bytes(digest, "big"))
    return chart, rng.sample(range(MARK_IDS), len(pages) * len(grid.marks))
