"""The measured colour table: its rows, and the files it lives in."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calib.errors import InputError, Problem, raise_all
from calib.files import Row, Rows, read_rows, shorten, write_whole
from calib.table.columns import COLUMNS
from calib.table.csvw import csv_bytes, csvw_metadata, metadata_path, read_cell, read_notes
from calib.table.flags import FLAGS
from calib.table.origin import Origin

KINDS = ("ink", "blender", "paper", "black", "overlay")
# These kinds are no pens; their rows carry the kind as the marker.
NO_PENS = ("paper", "black")
KEY = ("marker", "layers", "paper", "session")
# Without these a table says nothing; any other column that a user deleted is unknown.
NEEDED = (*KEY, "kind", "L", "a", "b")
TOGETHER = (("L", "a", "b"), ("R", "G", "B"), ("X", "Y", "Z"))
LONGEST_TEXT = 200
_BY_NAME = {column.name: column for column in COLUMNS}


@dataclass(frozen=True)
class Reading:
    """One row of the table; units and ranges are those of COLUMNS, None is not known."""

    marker: str
    layers: int
    paper: str
    session: str
    name: str = ""
    set: str = ""
    kind: str = "ink"
    L: float | None = None
    a: float | None = None
    b: float | None = None
    C: float | None = None
    h: float | None = None
    u_L: float | None = None
    u_a: float | None = None
    u_b: float | None = None
    u_dose: float | None = None
    u_abs: float | None = None
    R: float | None = None
    G: float | None = None
    B: float | None = None
    X: float | None = None
    Y: float | None = None
    Z: float | None = None
    hex: str | None = None
    in_srgb: bool | None = None
    dE00_paper: float | None = None
    coverage: float | None = None
    mottle: float | None = None
    bleed_mm: float | None = None
    swatches: int | None = None
    pixels: int | None = None
    flags: tuple[str, ...] = ()

    @property
    def key(self) -> tuple[str, int, str, str]:
        """What is unique in a table: marker, layers, paper, session."""
        return self.marker, self.layers, self.paper, self.session

    @property
    def lab(self) -> tuple[float, float, float] | None:
        """L*a*b*, None where the colour is not known."""
        if self.L is None or self.a is None or self.b is None:
            return None
        return self.L, self.a, self.b

    @property
    def linear(self) -> tuple[float, float, float] | None:
        """R, G, B, None where they are not known."""
        if self.R is None or self.G is None or self.B is None:
            return None
        return self.R, self.G, self.B

    @property
    def keeps_colour(self) -> bool:
        """Whether the row has a colour and no flag takes it away; an unknown flag takes nothing."""
        return self.lab is not None and all(FLAGS[f].keeps_colour for f in self.flags if f in FLAGS)


@dataclass(frozen=True)
class Table:
    """Readings in order, where they come from, and the file they were read from, if any."""

    readings: tuple[Reading, ...]
    origin: Origin = field(default_factory=Origin)
    path: Path | None = None


def table_bytes(table: Table, csv_name: str) -> tuple[bytes, bytes]:
    """Return the CSV file and its description; csv_name is the file's name without folders.

    Raises ValueError, a mistake in the program, for values that COLUMNS does not allow and for
    two rows of one key.
    """
    keys = [reading.key for reading in table.readings]
    if len(set(keys)) < len(keys):
        raise ValueError(f"two rows of {next(key for key in keys if keys.count(key) > 1)}")
    rows = ([getattr(reading, column.name) for column in COLUMNS] for reading in table.readings)
    guessed = any("predicted" in reading.flags for reading in table.readings)
    title = f"{'Measured and predicted' if guessed else 'Measured'} colours of hand-coloured swatches"
    return csv_bytes(COLUMNS, rows), csvw_metadata(csv_name, COLUMNS, table.origin.notes(), KEY, title)


def write_table(path: Path, table: Table) -> None:
    """Write a table and, beside it, its description; both whole or not at all."""
    path = Path(path)
    data, metadata = table_bytes(table, path.name)
    write_whole({path: data, metadata_path(path): metadata})


def read_table(path: Path) -> tuple[Table, tuple[str, ...]]:
    """Read a table, also as a spreadsheet saved it again, and return it with warnings.

    Warnings are sentences for the user: a missing description, columns that are missing or not
    ours, unknown flags. Raises InputError with every mistake of the file.
    """
    rows = read_rows(Path(path), required=NEEDED, wanted="table")
    problems: list[Problem] = []
    readings: list[Reading] = []
    lines: dict[tuple[str, int, str, str], int] = {}
    for row in rows.rows:
        reading, found = _reading(rows, row)
        if reading is not None:
            found += list(_row_problems(reading))
            earlier = lines.setdefault(reading.key, row.line)
            if earlier != row.line:
                found.append(f"repeats the marker, layers, paper and session of line {earlier}")
            readings.append(reading)
        problems += [Problem(rows.path, row.line, message) for message in found]
    raise_all(problems)
    if not readings:
        raise InputError.of(rows.path, "has no rows below its header", "Measure a chart into it first.")
    origin, warnings = _origin(rows.path, {reading.session for reading in readings})
    warnings += _column_warnings(rows)
    warnings += _flag_warnings(rows.path, readings)
    return Table(tuple(readings), origin, rows.path), tuple(warnings)


def _reading(rows: Rows, row: Row) -> tuple[Reading | None, list[str]]:
    """Return the reading of one row, None where a cell cannot be read, and what is wrong."""
    values: dict[str, Any] = {}
    problems: list[str] = []
    for column in COLUMNS:
        try:
            value = read_cell(column, rows, _lower_hex(row) if column.name == "hex" else row)
        except ValueError as error:
            problems.append(str(error))
            continue
        if isinstance(value, str) and not (value.isascii() and value.isprintable()):
            # Two spellings of one accented letter look the same, so they must be the same id.
            value = unicodedata.normalize("NFC", value)
            if any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in value):
                problems.append(f"column '{column.name}' holds a line break or control character")
        if isinstance(value, str) and len(value) > LONGEST_TEXT:
            problems.append(
                f"column '{column.name}' holds {len(value)} characters; {LONGEST_TEXT} is the most"
            )
        values[column.name] = None if column.name == "hex" and not value else value
    return (None if problems else Reading(**values)), problems


def _lower_hex(row: Row) -> Row:
    return Row(row.line, {"hex": row.cells.get("hex", "").lower()})


def _row_problems(reading: Reading) -> Iterator[str]:
    """Yield what is wrong with a row whose cells are all readable by themselves."""
    if reading.kind in NO_PENS:
        if reading.marker != reading.kind or reading.layers != 0:
            yield f"is of the kind '{reading.kind}', so its marker must be '{reading.kind}' and its layers 0"
    elif reading.marker.lower() in NO_PENS:
        yield f"uses the id '{reading.marker}', which is reserved, with the kind '{reading.kind}'"
    elif reading.layers == 0:
        yield f"has 0 layers, which only paper and black have, with the kind '{reading.kind}'"
    for names in TOGETHER:
        if len({getattr(reading, name) is None for name in names}) > 1:
            yield f"gives only a part of {', '.join(names)}; give all three or none"


def _origin(path: Path, sessions: set[str]) -> tuple[Origin, list[str]]:
    notes = read_notes(path)
    if notes is None:
        unknown = "what it would have said is unknown: scanner, strip, flare, scatter of the hand"
        return Origin(), [f"{path}: {metadata_path(path).name} is not beside it, so {unknown}"]
    try:
        origin = Origin.from_notes(notes)
    except ValueError as error:
        raise InputError.of(
            metadata_path(path), str(error), "Restore it, or take it away: the table can be read without it."
        ) from error
    if not origin.known:
        return origin, [f"{path}: {metadata_path(path).name} does not say how the table was made"]
    session = origin.dates.get("session")
    if session and session not in sessions:
        return origin, [
            f"{path}: {metadata_path(path).name} tells of the session of {shorten(session)}, of which the table has "
            "no row; is it another table's?"
        ]
    return origin, []


def _column_warnings(rows: Rows) -> list[str]:
    found = []
    missing = [column.name for column in COLUMNS if column.name not in rows.columns]
    if missing:
        found.append(f"{rows.path}: has no column {', '.join(missing)}; taken as unknown")
    extra = [shorten(name) for name in rows.columns if name not in _BY_NAME]
    if extra:
        found.append(
            f"{rows.path}: has columns that are not of this table and are left out: {', '.join(extra)}"
        )
    return found


def _flag_warnings(path: Path, readings: list[Reading]) -> list[str]:
    unknown = sorted({flag for reading in readings for flag in reading.flags if flag not in FLAGS})
    if not unknown:
        return []
    return [
        f"{path}: has flags that this version does not know: {', '.join(shorten(f) for f in unknown[:8])}"
    ]
