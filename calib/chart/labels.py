"""What stands above the cells of a marker: its id and name, how many coats, where it is again; what is laid over what.

Everything is in the label zone of ``layout.LABEL_MM`` above the cells, where the hand that fills
them does not cover it. Two lines where the cells are wide together, three where they are narrow
or the id is long; the last line is of the coats.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.chart import wording
from calib.chart.layout import NARROW_MM
from calib.chart.lettering import Lettering
from calib.chart.markers import Marker
from calib.chart.places import GAP_MM
from calib.chart.plan import Cell
from calib.errors import ImpossibleError
from calib.files import shorten

# Greys of DeviceGray, 0..255: dark enough to read and still no solid black, because alcohol
# lifts solid toner.
DARK = 80
MIDDLE = 100
FAINT = 150

ID_SIZES_PT = (8.0, 7.5, 7.0, 6.5, 6.0)
ID_LEAST_PT = ID_SIZES_PT[-1]
NOTE_PT = 5.5
# An overlay's label has two lines, each with an id.
OVERLAY_SIZES_PT = (6.5, 6.0)
NAME_GAP_MM = 1.0
# Baselines above the upper edge of the cells, in millimetres: of the line of the coats, of the
# one line above it, and of the upper and lower of two lines above it.
COATS_MM, ONLY_MM, UPPER_MM, LOWER_MM = 0.95, 3.6, 5.15, 3.05


@dataclass(frozen=True)
class Group:
    """The cells of one marker side by side, or one overlay. other is where its other swatch is, if it has one.

    first: is this the marker's first place on the page. coats: how many cells have room side by side in a place.
    """

    cells: tuple[Cell, ...]
    first: bool
    other: Cell | None
    coats: int = 1

    @property
    def left_mm(self) -> float:
        """The x of the first cell's left edge."""
        return self.cells[0].x_mm

    @property
    def right_mm(self) -> float:
        """The x of the last cell's right edge; an overlay's label takes its whole place."""
        if self.over:
            return self.left_mm + self.coats * (self.cells[0].width_mm + GAP_MM) - GAP_MM
        return self.cells[-1].box.right_mm

    @property
    def width_mm(self) -> float:
        """The width of all cells together."""
        return self.right_mm - self.left_mm

    @property
    def over(self) -> str:
        """The marker on top, of an overlay."""
        return self.cells[0].over


@dataclass(frozen=True)
class Words:
    """One line of text: the left end of its baseline, size and grey."""

    x_mm: float
    y_mm: float
    text: str
    size_pt: float
    grey: int
    bold: bool = False


@dataclass(frozen=True)
class Label:
    """The texts above a group, and a sentence for what found no room."""

    texts: tuple[Words, ...]
    warnings: tuple[str, ...] = ()


def groups_of(cells: Sequence[Cell], coats: int = 1) -> tuple[Group, ...]:
    """Return the cells of a page in groups of one marker's swatches side by side; coats: cells in a whole group."""
    together: dict[tuple[str, str, int, float], list[Cell]] = {}
    for cell in cells:
        together.setdefault((cell.marker, cell.over, cell.repeat, cell.y_mm), []).append(cell)
    places: dict[tuple[str, str], list[Cell]] = {}
    for members in together.values():
        members.sort(key=lambda cell: cell.x_mm)
        places.setdefault((members[0].marker, members[0].over), []).append(members[0])
    groups = []
    for members in together.values():
        here = members[0]
        mine = places[here.marker, here.over]
        first = mine[0] is here
        others = [cell for cell in mine if cell is not here]
        # The last place is the control, the one that is far away and must be pointed at.
        other = (others[-1] if first else others[0]) if others else None
        groups.append(Group(tuple(members), first, other, coats))
    return tuple(groups)


def label_of(group: Group, marker: Marker, letters: Lettering) -> Label:
    """Return the texts above a group of cells.

    The id is never shortened: it shrinks, then takes two lines. Raises ImpossibleError where it
    still does not fit.
    """
    coats, homeless = _coats(group, letters)
    left, base, width = group.left_mm, group.cells[0].y_mm, group.width_mm
    size = next((s for s in ID_SIZES_PT if letters.width(marker.marker, s, True) <= width), None)
    if size is None:
        return _long_id(group, marker, letters, coats, bool(homeless))
    where = next((text for text in homeless if letters.width(text, NOTE_PT) <= width), None)
    lost = (_no_room(marker),) if homeless and where is None else ()
    if where is None and width >= NARROW_MM:
        y = base - ONLY_MM
        start = left + letters.width(marker.marker, size, True) + 1.2
        # The name stays a little smaller than the id, and shrinks before it is shortened.
        rest = group.right_mm - start
        sizes = [s for s in ID_SIZES_PT if s <= max(size - 1.0, ID_LEAST_PT)]
        small = next((s for s in sizes if letters.width(marker.name, s) <= rest), ID_LEAST_PT)
        name = letters.shortened(marker.name, rest, small)
        texts = [Words(left, y, marker.marker, size, DARK, True), Words(start, y, name, small, MIDDLE)]
        return Label((*texts, *coats), lost)
    size = min(size, 6.5)
    upper, lower = base - UPPER_MM, base - LOWER_MM
    # The note of the other swatch takes the line of the name, which moves up beside the id.
    start, y = left, lower
    if where is not None:
        start, y = left + letters.width(marker.marker, size, True) + 1.0, upper
    name = letters.shortened(marker.name, group.right_mm - start, ID_LEAST_PT)
    texts = [Words(left, upper, marker.marker, size, DARK, True), Words(start, y, name, ID_LEAST_PT, MIDDLE)]
    if where is not None:
        texts.append(Words(left, lower, where, NOTE_PT, DARK))
    return Label((*texts, *coats), lost)


def _long_id(group: Group, marker: Marker, letters: Lettering, coats: list[Words], homeless: bool) -> Label:
    lines = letters.wrapped(marker.marker, group.width_mm, ID_LEAST_PT, True)
    if len(lines) > 2 or any(letters.width(line, ID_LEAST_PT, True) > group.width_mm for line in lines):
        raise ImpossibleError(
            f"The id of marker '{shorten(marker.marker)}' does not fit above its cells, "
            f"which are {group.width_mm:g} mm wide together",
            "Give the marker a shorter id (its name may be long), or choose wider cells with --cell.",
        )
    base = group.cells[0].y_mm
    texts = [
        Words(group.left_mm, y, line, ID_LEAST_PT, DARK, True)
        for line, y in zip(lines, (base - UPPER_MM, base - LOWER_MM), strict=False)
    ]
    return Label((*texts, *coats), (_no_room(marker),) if homeless else ())


def overlay_label(group: Group, pens: tuple[Marker, Marker], letters: Lettering) -> Label:
    """Return the texts above an overlay's cell; pens: the marker below and the one on top.

    The upper line names the ink that dries first, the lower one the ink that goes over it. Ids are never shortened:
    they shrink, then the names give way. Raises ImpossibleError where an id still does not fit.
    """
    coats, homeless = _coats(group, letters)
    base = group.cells[0].y_mm
    texts: list[Words] = []
    for marker, y, versions in zip(
        pens, (base - UPPER_MM, base - LOWER_MM), (wording.LAID_FIRST, wording.LAID_OVER), strict=True
    ):
        texts += _overlay_line(marker, (group.left_mm, y, group.width_mm), versions, letters)
    return Label((*texts, *coats), (_no_room(pens[0]),) if homeless else ())


def _overlay_line(
    marker: Marker,
    place: tuple[float, float, float],
    versions: Sequence[tuple[str, str]],
    letters: Lettering,
) -> list[Words]:
    """Return one line of an overlay's label: words, the id, as much of the name as fits, words; place: x, y and width."""
    x, y, width = place
    for before, after in versions:
        for size in OVERLAY_SIZES_PT:
            lead, tail = (letters.width(text, size) for text in (before, after))
            mine = letters.width(marker.marker, size, True)
            rest = width - lead - mine - tail
            if rest < 0:
                continue
            name = letters.shortened(marker.name, rest - NAME_GAP_MM, ID_LEAST_PT)
            if len(name) <= len(marker.name) / 2:
                # A few letters of a name tell less than they clutter.
                name = ""
            at = x + lead + mine
            texts = [Words(x + lead, y, marker.marker, size, DARK, True)]
            if name:
                texts.append(Words(at + NAME_GAP_MM, y, name, ID_LEAST_PT, MIDDLE))
                at += NAME_GAP_MM + letters.width(name, ID_LEAST_PT)
            if before:
                texts.insert(0, Words(x, y, before, size, DARK))
            return [*texts, Words(at, y, after, size, DARK)] if after else texts
    raise ImpossibleError(
        f"The id of marker '{shorten(marker.marker)}' does not fit above its overlay, "
        f"where {width:g} mm of room are",
        "Give the marker a shorter id (its name may be long), choose wider cells with --cell, or give --layers 1,2.",
    )


def _coats(group: Group, letters: Lettering) -> tuple[list[Words], tuple[str, ...]]:
    """Return the line of the coats: coats at each cell's right end, at its left end the place.

    Second value: the versions of the note of the other swatch, where it found no room here.
    """
    y = group.cells[0].y_mm - COATS_MM
    texts = []
    room = []
    for cell in group.cells:
        coats = wording.coats(cell.layers, bool(cell.over))
        wide = letters.width(coats, NOTE_PT)
        texts.append(Words(cell.box.right_mm - wide, y, coats, NOTE_PT, MIDDLE))
        room.append(cell.width_mm - wide - 1.2)
    notes = wording.elsewhere(*_place(group.other), group.first) if group.other else ()
    # The note goes over the last cell; over an only cell it takes the place of the address.
    note = next((text for text in notes if letters.width(text, NOTE_PT) <= room[-1]), None)
    if note is not None:
        texts.append(Words(group.cells[-1].x_mm, y, note, NOTE_PT, DARK))
    here = wording.address(*_place(group.cells[0]))
    if (len(group.cells) > 1 or note is None) and letters.width(here, NOTE_PT) <= room[0]:
        texts.append(Words(group.left_mm, y, here, NOTE_PT, FAINT))
    return texts, notes if note is None else ()


def _no_room(marker: Marker) -> str:
    return f"marker '{shorten(marker.marker)}': no room to print where its other swatch is"


def _place(cell: Cell) -> tuple[int, int]:
    """Return row and column out of a cell's id."""
    numbers = [int(part) for part in cell.cell.split("-") if part.isdigit()]
    return (numbers[-2], numbers[-1]) if len(numbers) >= 2 else (0, 0)
