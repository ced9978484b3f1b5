"""Which cells stand in which places of the pages: the markers in list order, the controls, the overlays."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from calib.chart.markers import Marker
from calib.chart.pairs import Pair
from calib.chart.plan import Cell
from calib.errors import ImpossibleError

# Bare paper between two cells of a group.
GAP_MM = 5.0


@dataclass(frozen=True)
class Places:
    """The places of a page, a group of cells in each: rows (y of the cells), columns (x of the groups).

    cell_mm: size of a cell. layers: the coats of a group's cells, side by side.
    """

    rows: tuple[float, ...]
    columns: tuple[float, ...]
    cell_mm: tuple[float, float]
    layers: tuple[int, ...]

    @property
    def count(self) -> int:
        """How many groups a page holds."""
        return len(self.rows) * len(self.columns)

    def cells(self, page: int, slot: int, swatch: tuple[str, str, int]) -> list[Cell]:
        """Return the cells of one group; swatch: a marker, which one lies over it ('' for none), and the repeat.

        An overlay has one cell, at the left of its place; the room beside it is its label's.
        """
        marker, over, repeat = swatch
        row, column = divmod(slot, len(self.columns))
        width, height = self.cell_mm
        coats = len(self.layers)
        return [
            Cell(
                cell=f"{page}-{row + 1:02d}-{column * coats + coat + 1:02d}",
                marker=marker,
                layers=layers,
                repeat=repeat,
                x_mm=round(self.columns[column] + coat * (width + GAP_MM), 3),
                y_mm=round(self.rows[row], 3),
                width_mm=width,
                height_mm=height,
                over=over,
            )
            for coat, layers in enumerate((1,) if over else self.layers)
        ]


def fill_pages(
    markers: Sequence[Marker], pairs: Sequence[Pair], places: Places, wanted: tuple[int, int, int]
) -> list[tuple[Cell, ...]]:
    """Return the cells of every page; wanted: repeats of each swatch, controls of a page, and the seed that draws them.

    The overlays begin a row of their own below the last markers and their controls. Raises ImpossibleError where the
    repeats of one marker do not fit on a page.
    """
    repeats, controls, seed = wanted
    rng = random.Random(seed)
    per_page = _markers_per_page(places, repeats, controls)
    pages: list[list[Cell]] = []
    free = 0
    for start in range(0, len(markers), per_page):
        here = markers[start : start + per_page]
        groups = [(marker.marker, "", repeat) for marker in here for repeat in range(1, repeats + 1)]
        room = min(controls, places.count - len(groups))
        groups += [(marker, "", repeats + 1) for marker in _controls(here, groups, places, room, rng)]
        number = len(pages) + 1
        pages.append([cell for i, group in enumerate(groups) for cell in places.cells(number, i, group)])
        free = -(-len(groups) // len(places.columns)) * len(places.columns)
    for pair in pairs:
        if not pages or free + repeats > places.count:
            # The swatches of one pair stay together, as those of a marker do.
            pages.append([])
            free = 0
        for repeat in range(1, repeats + 1):
            pages[-1] += places.cells(len(pages), free, (pair.under, pair.over, repeat))
            free += 1
    return [tuple(cells) for cells in pages]


def _markers_per_page(places: Places, repeats: int, controls: int) -> int:
    # Control swatches must leave room for the markers they repeat.
    held = min(controls, max(0, places.count // 2))
    per_page = (places.count - held) // repeats
    if per_page < 1:
        raise ImpossibleError(
            f"{repeats} repeats of one marker do not fit on one page ({places.count} places)",
            "Choose fewer repeats, smaller cells or a larger page.",
        )
    return per_page


def _controls(
    markers: Sequence[Marker],
    groups: Sequence[tuple[str, str, int]],
    places: Places,
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
    for slot, (marker, _, _) in enumerate(groups):
        slot_of.setdefault(marker, slot)
    columns = len(places.columns)
    first_row = len(groups) // columns
    far = [m for m in inks if slot_of[m] // columns < first_row - 1]
    pool = far if len(far) >= count else inks
    edges = [round(i * len(pool) / count) for i in range(count + 1)]
    return [pool[rng.randrange(low, high)] for low, high in pairwise(edges)]
