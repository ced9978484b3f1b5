"""The chart laid out: where every mark, cell and label stands.

The origin is the top left corner of the page, y runs down, everything is in millimetres. A page
has three horizontal bands of locating marks (top, middle, bottom) and the cells between them:

    mark   title                       mark   instructions    mark
    cells, a group of coats per marker, in the order of the list, then the overlays
    mark   ------- the grey strip, laid across -------        mark
    cells
    mark   ruler                       mark   black patch     mark

Where the strip does not fit across, it stands upright in a column of its own at the right. A
narrow page has six marks. With the strip across, its instructions stand below the title and the
black patch beside it; with the strip upright, the instructions stand in the middle band between
the two marks, and the ruler in the column of the strip.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from calib.chart.furniture import (
    HEADER_NARROW_MM,
    HEADER_STACKED_MM,
    HEADER_WIDE_MM,
    MARK_CLEAR_MM,
    MARK_MM,
    RIM_BOTTOM_MM,
    RIM_MM,
    RULER_ROOM_MM,
    STRIP_CLEAR_MM,
    WIDE_MM,
    black_label,
    black_patch,
    check_sizes,
    identify,
    mark_corners,
    place_marks,
    ruler_box,
    strip_box,
    text_boxes,
)
from calib.chart.markers import Marker
from calib.chart.pairs import Pair
from calib.chart.places import GAP_MM, Places, fill_pages
from calib.chart.plan import MARK_IDS, Box, Cell, Page, Plan
from calib.errors import ImpossibleError

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4), "a5": (148.0, 210.0)}

# Alcohol lifts toner into a pale nib: no solid black stands nearer to a cell than this.
BLACK_CLEAR_MM = 6.0
# Wider than the gap between two cells of a group, so that one tells the groups apart.
GROUP_GAP_MM = 6.0
# Two lines of text above each cell, with air to the cells on either side; above narrow cells, and on charts with
# overlays, there are three lines, and the air comes on top.
LABEL_MM = 7.0
NARROW_MM = 30.0
NARROW_AIR_MM = 1.5


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


def lay_out(markers: Sequence[Marker], options: ChartOptions, pairs: Sequence[Pair] = ()) -> Plan:
    """Return the plan of a chart for these markers, and for these overlays of two of them.

    Raises ImpossibleError where the sizes cannot fit, with the size that would.
    """
    _check_options(options)
    # An overlay's label names two inks, so it has three lines wherever it stands.
    grid = _grid(options, bool(pairs) or _group_mm(options) < NARROW_MM)
    places = Places(grid.rows, grid.columns, options.cell_mm, options.layers)
    pages = fill_pages(markers, pairs, places, (options.repeats, options.controls, options.seed))
    marks_a_page = len(grid.marks)
    if len(pages) * marks_a_page > MARK_IDS:
        most = MARK_IDS // marks_a_page
        raise ImpossibleError(
            f"{len(markers)} markers{f' and {len(pairs)} pairs' if pairs else ''} fill {len(pages)} pages, and the marks tell only {most} pages apart",
            "Split the list into several charts.",
        )
    chart, ids = identify(_content(pages, markers, grid, options), len(pages) * len(grid.marks))
    return Plan(
        chart=chart,
        page_mm=options.page_mm,
        strip_mm=options.strip_mm,
        pages=tuple(
            Page(
                page=number + 1,
                marks=place_marks(grid.marks, ids[number * marks_a_page : (number + 1) * marks_a_page]),
                strip=grid.strip.rounded(),
                black=grid.black.rounded(),
                cells=cells,
                ruler=grid.ruler.rounded(),
                texts=tuple(text.rounded() for text in (*grid.texts, *_labels_aside(cells, options))),
            )
            for number, cells in enumerate(pages)
        ),
        markers=tuple(markers),
    )


def _check_options(options: ChartOptions) -> None:
    check_sizes(options.page_mm, options.strip_mm)
    if not (8 <= options.cell_mm[0] <= 200 and 6 <= options.cell_mm[1] <= 200):
        raise ImpossibleError(
            f"A cell of {options.cell_mm[0]:g} x {options.cell_mm[1]:g} mm cannot be measured",
            "Choose at least 8 x 6 and at most 200 x 200 mm.",
        )
    if not options.layers or any(n not in (1, 2) for n in options.layers):
        raise ImpossibleError("Cells have one coat or two", "Give --layers as 1, 2 or 1,2.")
    if not 1 <= options.repeats <= 20 or not 0 <= options.controls <= 1000:
        raise ImpossibleError("Repeats run from 1 to 20 and controls from 0 to 1000")


def _grid(options: ChartOptions, three_lines: bool) -> _Grid:
    """Return the fixed furniture of every page and the slots that are left for groups; three_lines: whether a label has so many."""
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
    if three_lines:
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
    black = black_patch(left, right, foot_top, wide, across)
    band = (band_middle - above + 2.5, band_middle + below - 0.5)
    return _Grid(
        marks=mark_corners(left, right, (top, band_middle - MARK_MM / 2, foot_top), wide),
        strip=strip_box(options.strip_mm, options.page_mm, right, band_middle if across else None),
        black=black,
        ruler=ruler_box(left, right, (top, bottom), across or wide),
        texts=(
            *text_boxes(left, right, header_bottom, band, (wide, across)),
            black_label(black, left, right, wide, across),
        ),
        rows=cell_rows,
        columns=columns,
    )


def _group_mm(options: ChartOptions) -> float:
    """Return the width of one marker's cells side by side."""
    coats = len(options.layers)
    return coats * options.cell_mm[0] + (coats - 1) * GAP_MM


def _labels_aside(cells: Sequence[Cell], options: ChartOptions) -> list[Box]:
    """Return where the labels of overlays stand that reach over more than their cell, so that no paper is looked for there."""
    aside = _group_mm(options) - options.cell_mm[0]
    overlays = [cell.box for cell in cells if cell.over and aside]
    return [Box(box.right_mm, box.y_mm - LABEL_MM, aside, LABEL_MM) for box in overlays]


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


def _content(
    pages: Sequence[tuple[Cell, ...]], markers: Sequence[Marker], grid: _Grid, options: ChartOptions
) -> dict[str, object]:
    """Return everything that makes this chart another than any other."""
    return {
        "page_mm": options.page_mm,
        "strip_mm": options.strip_mm,
        "seed": options.seed,
        "cells": [[cell.record() for cell in cells] for cells in pages],
        "markers": [asdict(marker) for marker in markers],
        "marks": grid.marks,
    }
