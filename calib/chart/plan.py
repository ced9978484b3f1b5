"""A chart in millimetres as plain records: marks, cells, pages, the plan.

The origin is the top left corner of the page, y runs down. These are what the PDF, the scan and
the simulator share; how the places are chosen is the layout's.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from calib.chart.markers import Marker

# AprilTag 36h11 has 587 ids (Wang and Olson, IROS 2016); a page takes six or eight of them.
MARK_IDS = 587
MOST_PAGE_MM = 1200.0


@dataclass(frozen=True)
class Box:
    """A rectangle on the page, its top left corner first, in millimetres."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    def rounded(self) -> Box:
        """Return the box to the micrometre, which is what a plan file keeps."""
        return Box(*(round(v, 3) for v in (self.x_mm, self.y_mm, self.width_mm, self.height_mm)))

    @property
    def right_mm(self) -> float:
        """The x of the right edge."""
        return self.x_mm + self.width_mm

    @property
    def bottom_mm(self) -> float:
        """The y of the lower edge."""
        return self.y_mm + self.height_mm

    def grown(self, by_mm: float) -> Box:
        """Return the box moved outwards by by_mm on every side (inwards where negative)."""
        return Box(
            self.x_mm - by_mm, self.y_mm - by_mm, self.width_mm + 2 * by_mm, self.height_mm + 2 * by_mm
        )


def overlapping(boxes: Iterable[Box]) -> bool:
    """Return whether any two boxes share more than an edge.

    A line sweeps down the page; as long as no two overlap, those that it crosses stand in order side by side, so that
    a new one can only lie over its two neighbours (Shamos and Hoey, FOCS 1976).
    """
    events = []
    for box in boxes:
        # Places are kept to the micrometre, and so may touch by rounding.
        left, top, right, bottom = box.x_mm, box.y_mm, box.right_mm - 0.002, box.bottom_mm - 0.002
        if right > left and bottom > top:
            events += [(top, 1, left, right), (bottom, 0, left, right)]
    crossed: list[tuple[float, float]] = []
    for _, begins, left, right in sorted(events):
        at = bisect_left(crossed, (left, right))
        if not begins:
            crossed.pop(at)
            continue
        if at < len(crossed) and crossed[at][0] < right:
            return True
        if at and crossed[at - 1][1] > left:
            return True
        crossed.insert(at, (left, right))
    return False


@dataclass(frozen=True)
class Mark:
    """A locating mark: the id in the AprilTag 36h11 family and its outer black square."""

    id: int
    x_mm: float
    y_mm: float
    size_mm: float

    @property
    def box(self) -> Box:
        """The outer black square."""
        return Box(self.x_mm, self.y_mm, self.size_mm, self.size_mm)


@dataclass(frozen=True)
class Cell:
    """A rectangle to be filled with one marker, in one or two coats, or with one marker over another.

    cell: page, row and column, such as '1-03-05'. layers: coats, 1 or 2. repeat: which of the
    marker's swatches with so many coats this is, from 1, controls included. over: of an overlay the marker that is
    laid over the dried one, one coat of each; its repeat counts the swatches of this pair.
    """

    cell: str
    marker: str
    layers: int
    repeat: int
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    over: str = ""

    @property
    def box(self) -> Box:
        """The rectangle that the user fills."""
        return Box(self.x_mm, self.y_mm, self.width_mm, self.height_mm)

    @property
    def coats(self) -> int:
        """How many times a hand fills it."""
        return 2 if self.over else self.layers

    def record(self) -> dict[str, Any]:
        """Return the cell as a plan file keeps it; 'over' stands in overlays alone."""
        kept = asdict(self)
        if not self.over:
            del kept["over"]
        return kept


@dataclass(frozen=True)
class Page:
    """One sheet of the chart, or the carrier of a colour card.

    ruler and texts are where print stands that nobody measures; slot is where a colour card is laid, on
    a carrier alone.
    """

    page: int
    marks: tuple[Mark, ...]
    strip: Box
    black: Box
    cells: tuple[Cell, ...]
    ruler: Box | None = None
    texts: tuple[Box, ...] = ()
    slot: Box | None = None


@dataclass(frozen=True)
class Plan:
    """The whole chart: chart is its short id, markers the pens in list order."""

    chart: str
    page_mm: tuple[float, float]
    strip_mm: tuple[float, float]
    pages: tuple[Page, ...]
    markers: tuple[Marker, ...]
