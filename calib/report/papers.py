"""Papers side by side: the same pens on each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.answers.papers.comparison import Facts, compare_papers
from calib.answers.papers.sentences import by_itself, changes, on_this_paper, second_coat
from calib.errors import CalibError
from calib.report.chips import Chip, chip_of
from calib.table.sessions import sessions_of
from calib.table.table import Table

# More pens than are seen at a glance are folded away.
MOST_OPEN = 12


@dataclass(frozen=True)
class Cell:
    """A pen on one paper: its chips by number of coats, each with its dE00 from the first paper in words, empty on that paper itself."""

    chips: tuple[tuple[Chip | None, str], ...]


@dataclass(frozen=True)
class Row:
    """One pen over all papers; coats: what the chips of each cell are of; far: the largest difference, to sort by."""

    marker: str
    name: str
    coats: tuple[int, ...]
    cells: tuple[Cell, ...]
    far: float


@dataclass(frozen=True)
class Sheets:
    """Papers in the order of the tables; whites: their bare paper; sentences: of each; why: where they could not be compared.

    open: how many rows are not folded away.
    """

    papers: tuple[str, ...]
    whites: tuple[Chip | None, ...] = ()
    sentences: tuple[tuple[str, ...], ...] = ()
    rows: tuple[Row, ...] = ()
    why: str = ""
    open: int = MOST_OPEN


def sheets_of_papers(tables: Sequence[Table]) -> Sheets | None:
    """Return papers side by side, None where there is only one; a CalibError's words are the answer where they cannot be compared."""
    names = tuple(dict.fromkeys(session.paper for session in sessions_of(tables)))
    if len(names) < 2:
        return None
    try:
        found = compare_papers(tables)
    except CalibError as error:
        return Sheets(names, why=str(error))
    first = found.facts[0]
    at = [
        {key: i for i, key in enumerate(f.against.keys)} if f.against is not None else {} for f in found.facts
    ]
    coats: dict[str, set[int]] = {}
    for facts in found.facts:
        for marker, layers in facts.sheet.films:
            coats.setdefault(marker, set()).add(layers)
    rows = [_row(marker, sorted(own), found.facts, at) for marker, own in coats.items()]
    rows.sort(key=lambda row: -row.far)
    return Sheets(
        tuple(facts.sheet.paper for facts in found.facts),
        tuple(
            chip_of(facts.sheet.white, None)
            if facts.sheet.white is not None and facts.sheet.white.lab is not None
            else None
            for facts in found.facts
        ),
        tuple(tuple(_sentences(facts, first)) for facts in found.facts),
        tuple(rows),
    )


def _sentences(facts: Facts, first: Facts) -> list[str]:
    said = [by_itself(facts)]
    if facts.against is not None and facts.shift is not None and facts.against.keys:
        said = [on_this_paper(facts, first), *changes(facts), *second_coat(facts, first), *said]
    return said


def _row(
    marker: str, coats: Sequence[int], facts: Sequence[Facts], places: Sequence[dict[tuple[str, int], int]]
) -> Row:
    """Return one pen over all papers; places: of each paper, where a swatch stands among its differences."""
    cells, far, name = [], -1.0, ""
    for one, place in zip(facts, places, strict=True):
        white = one.sheet.white.lab if one.sheet.white is not None else None
        chips: list[tuple[Chip | None, str]] = []
        for layers in coats:
            film, at, words = one.sheet.films.get((marker, layers)), place.get((marker, layers)), ""
            if one.against is not None and at is not None:
                seen, low, high = (
                    float(v[at]) for v in (one.against.dE00, one.against.low, one.against.high)
                )
                far, words = max(far, seen), f"{seen:.1f} ({low:.1f} to {high:.1f})"
            chips.append((None if film is None else chip_of(film.reading, white), words))
            name = name or ("" if film is None else film.reading.name)
        cells.append(Cell(tuple(chips)))
    return Row(marker, name, tuple(coats), tuple(cells), far)
