"""The measured colour table: its columns declared once, its rows, and the files it lives in."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calib.errors import InputError, Problem, raise_all
from calib.files import Row, Rows, read_rows, shorten, write_whole
from calib.table.csvw import Column, csv_bytes, csvw_metadata, metadata_path, read_cell, read_notes
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


def _doubt(name: str, description: str, plain: str, unit: str = "") -> Column:
    return Column(name, "number", description, unit, minimum=0, maximum=1000, plain=plain)


_COMPARING = (
    "Standard uncertainty (k = 1) of {} for comparing with another table from the same scanner, "
    "hand scatter included"
)
_LIGHT = "Linear, white-balanced {} scanner light of the ink film, a perfect white = 1: what comparison uses"
_TRISTIMULUS = "CIE tristimulus value {} of the ink film, D50, 2 degree observer; a perfect white has Y = 100"
# The manual's words for columns that it explains together.
_PEN = "the pen, from your list; `kind` also says `paper` and `black`"
_AB = "`a` runs from green (below 0) to red (above 0), `b` from blue (below 0) to yellow (above 0)"
_CH = "the same two as strength of colour (0 is grey) and hue as an angle in degrees: 0 red, 90 yellow, 180 green, 270 blue"
_SESSION = "what you called the paper; the date"
_OFF = (
    "how far `L`, `a` and `b` may be off when you compare with another table from the same scanner; your hand is "
    "counted in"
)
_SEEN = "the light that the scanner saw, a perfect white being 1"
_CIE = "the colour as CIE tristimulus values, which other colour programs ask for"
_SCREEN = "the nearest colour a screen can show, and whether it is that colour exactly (`true`) or only near it (`false`)"
_BEHIND = "how many cells and how many pixels stand behind the row"

# Bounds are wider than any paper: they catch a decimal point that was lost, not an odd colour. L
# may pass 100 where ink or paper fluoresces, and dark light may fall just under 0 by noise.
COLUMNS: tuple[Column, ...] = (
    Column(
        "marker",
        "string",
        "Id of the marker in the marker list; 'paper' and 'black' name rows that are no pens",
        required=True,
        plain=_PEN,
    ),
    Column("name", "string", "Name of the marker in the marker list", plain=_PEN),
    Column("set", "string", "Set the marker belongs to, from the marker list", plain=_PEN),
    Column(
        "kind",
        "string",
        "What the row is: ink, colourless blender, bare paper, printed black, or one ink over another",
        pattern="ink|blender|paper|black|overlay",
        required=True,
        plain=_PEN,
    ),
    Column(
        "layers",
        "integer",
        "Coats of ink; 0 for paper and black",
        minimum=0,
        maximum=2,
        required=True,
        plain="coats of ink: 1 or 2; 0 for paper and black",
    ),
    Column("paper", "string", "Name of the paper", required=True, plain=_SESSION),
    Column("session", "date", "Date of the session, ISO 8601", required=True, plain=_SESSION),
    Column(
        "L",
        "number",
        "CIE 1976 L* of the ink film where it covers well, D50, 2 degree observer",
        minimum=-10,
        maximum=150,
        plain="lightness: 0 is black, 100 a perfect white",
    ),
    Column("a", "number", "CIE 1976 a* of the ink film", minimum=-250, maximum=250, plain=_AB),
    Column("b", "number", "CIE 1976 b* of the ink film", minimum=-250, maximum=250, plain=_AB),
    Column("C", "number", "CIE 1976 chroma C*ab of the ink film", minimum=0, maximum=360, plain=_CH),
    Column(
        "h", "number", "CIE 1976 hue angle h_ab of the ink film", "degree", minimum=0, maximum=360, plain=_CH
    ),
    _doubt("u_L", _COMPARING.format("L"), _OFF),
    _doubt("u_a", _COMPARING.format("a"), _OFF),
    _doubt("u_b", _COMPARING.format("b"), _OFF),
    _doubt(
        "u_dose",
        "Relative standard uncertainty (k = 1) of the amount of ink behind the row",
        "how far the amount of ink may be off, as a share: 0.03 is 3 %",
    ),
    _doubt(
        "u_abs",
        "Standard uncertainty (k = 1) of the colour itself, scanner colour error on inks included",
        "how far the colour itself may be off, in dE00 (see below)",
        "dE00",
    ),
    Column("R", "number", _LIGHT.format("red"), minimum=-1, maximum=10, decimals=6, plain=_SEEN),
    Column("G", "number", _LIGHT.format("green"), minimum=-1, maximum=10, decimals=6, plain=_SEEN),
    Column("B", "number", _LIGHT.format("blue"), minimum=-1, maximum=10, decimals=6, plain=_SEEN),
    Column("X", "number", _TRISTIMULUS.format("X"), minimum=-50, maximum=1000, plain=_CIE),
    Column("Y", "number", _TRISTIMULUS.format("Y"), minimum=-50, maximum=1000, plain=_CIE),
    Column("Z", "number", _TRISTIMULUS.format("Z"), minimum=-50, maximum=1000, plain=_CIE),
    Column("hex", "string", "Nearest sRGB colour, #rrggbb", pattern="#[0-9a-f]{6}", plain=_SCREEN),
    Column("in_srgb", "boolean", "Whether hex needed no clipping", plain=_SCREEN),
    Column(
        "dE00_paper",
        "number",
        "CIEDE2000 difference from the bare paper",
        "dE00",
        minimum=0,
        maximum=250,
        plain="how different the ink looks from the bare paper, in dE00",
    ),
    Column(
        "coverage",
        "number",
        "Inked share of the cell",
        minimum=0,
        maximum=1,
        plain="how much of the cell is inked: 1 is all of it",
    ),
    Column(
        "mottle",
        "number",
        "Coefficient of variation of the ink's densest channel over the inked area in 0.25 mm "
        "squares, scanner noise removed",
        minimum=0,
        maximum=1000,
        plain="how uneven the ink lies: 0.05 is an even swatch, 0.15 a patchy one",
    ),
    Column(
        "bleed_mm",
        "number",
        "How far ink ran past the cell, mean over its edges; below 0 where it stopped short",
        "mm",
        minimum=-100,
        maximum=100,
        decimals=3,
        plain="how far ink ran past the cell's edge, in millimetres",
    ),
    Column(
        "swatches",
        "integer",
        "Swatches that stand behind the row",
        minimum=0,
        maximum=1_000_000,
        plain=_BEHIND,
    ),
    Column(
        "pixels",
        "integer",
        "Pixels that stand behind the row",
        minimum=0,
        maximum=1_000_000_000_000,
        plain=_BEHIND,
    ),
    Column(
        "flags",
        "string",
        "Quality flags; the command 'calib flags' explains each",
        pattern="[a-z0-9]+(-[a-z0-9]+)*",
        separator=" ",
        plain="words about what went wrong, see [Flags](#flags)",
    ),
)
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
    title = "Measured colours of hand-coloured swatches"
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
