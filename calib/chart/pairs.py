"""Which inks are to be laid over which: the pairs file, and what an overlay is called as a row."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from calib.chart.markers import Marker, same_shape
from calib.chart.plan import Cell, Plan
from calib.errors import InputError, Problem, raise_all
from calib.files import Row, read_rows, shorten
from calib.overlays import KIND, LONGEST, overlay_id, overlay_name, pairs_of

COLUMNS = ("under", "over")


@dataclass(frozen=True)
class Pair:
    """One ink over another: the id of the marker below, which dries first, and of the one on top."""

    under: str
    over: str

    @property
    def called(self) -> str:
        """The pair's name in the measured table."""
        return overlay_id(self.under, self.over)


def read_pairs(path: Path, markers: Sequence[Marker]) -> tuple[Pair, ...]:
    """Read a pairs file, of markers of this list; raise InputError with every mistake of the file."""
    table = read_rows(path, required=COLUMNS, wanted="pairs")
    listed = {marker.marker: marker for marker in markers}
    problems: list[Problem] = []
    lines: dict[Pair, int] = {}
    names = {same_shape(marker.marker): f"the marker '{shorten(marker.marker)}'" for marker in markers}
    for row in table.rows:
        pair = _pair(row)
        found = list(_mistakes(pair, listed))
        if not found:
            earlier = lines.setdefault(pair, row.line)
            if earlier != row.line:
                found = [f"repeats the pair of line {earlier}; --repeats asks for more swatches of each"]
            elif len(pair.called) > LONGEST:
                found = [f"pairs two ids of {len(pair.called)} letters together; {LONGEST} is the most"]
            else:
                found = list(_unclear(pair, listed, names))
                names.setdefault(same_shape(pair.called), f"the pair of line {row.line}")
        problems += [Problem(table.path, row.line, message) for message in found]
    raise_all(problems)
    if not lines:
        raise InputError.of(table.path, "names no pairs", "Give one row per pair below the header row.")
    return tuple(lines)


def _pair(row: Row) -> Pair:
    under, over = (unicodedata.normalize("NFC", row.cells.get(name, "").strip()) for name in COLUMNS)
    return Pair(under, over)


def _mistakes(pair: Pair, listed: Mapping[str, Marker]) -> Iterable[str]:
    """Yield a sentence for everything that is wrong with one pair by itself."""
    for column in COLUMNS:
        marker = getattr(pair, column)
        if not marker:
            yield f"has no marker in the column '{column}'"
        elif marker not in listed:
            yield f"names '{shorten(marker)}' in the column '{column}', which is not in the marker list{_meant(marker, listed)}"
        elif listed[marker].kind == "blender":
            yield f"names the blender '{shorten(marker)}', which has no ink to lay; pair two inks"
    if pair.under and pair.under == pair.over:
        yield f"lays '{shorten(pair.under)}' over itself, which is its second coat; --layers 1,2 measures that"


def _meant(marker: str, listed: Mapping[str, Marker]) -> str:
    """Return what was meant, in words, where the list has such an id."""
    # A spreadsheet takes 012 for a number and writes 12.
    bare = marker.lstrip("0").casefold()
    close = [one for one in listed if one.lstrip("0").casefold() == bare]
    close = close or get_close_matches(marker, listed, n=1)
    return f"; is '{shorten(close[0])}' meant?" if len(close) == 1 else ""


def _unclear(pair: Pair, listed: Mapping[str, Marker], names: Mapping[str, str]) -> Iterable[str]:
    """Yield a sentence where the pair's name in the table could be taken for something else."""
    other = names.get(same_shape(pair.called))
    if other:
        yield f"would be called '{shorten(pair.called)}' in the table, as {other} is; give a marker another id"
    elif len(pairs_of(pair.called, listed.keys())) > 1:
        yield f"would be called '{shorten(pair.called)}' in the table, which can be read as two pairs; give a marker another id"


def as_marker(under: Marker, over: Marker) -> Marker:
    """Return what stands in the marker's place for an overlay; its kind is 'overlay', and it has no hint."""
    return Marker(
        overlay_id(under.marker, over.marker),
        name=overlay_name(under.name, over.name),
        set=under.set if under.set == over.set else "",
        kind=KIND,
    )


def marker_in(cell: Cell, markers: Mapping[str, Marker]) -> Marker:
    """Return whose swatch a cell is: a marker of the list by its id, or an overlay of two."""
    under = markers[cell.marker]
    return as_marker(under, markers[cell.over]) if cell.over else under


def overlays_of(plan: Plan) -> tuple[Marker, ...]:
    """Return the overlays of a plan as markers, in the order in which they first stand."""
    listed = {marker.marker: marker for marker in plan.markers}
    cells = [cell for page in plan.pages for cell in page.cells if cell.over]
    return tuple({marker.marker: marker for marker in (marker_in(cell, listed) for cell in cells)}.values())
