"""A CSV file and its description: columns declared once, written, described and read back.

The description is W3C CSV on the Web (Metadata Vocabulary for Tabular Data, 17 December 2015).
Every CSV that a command writes goes through ``csv_bytes`` and ``csvw_metadata``.

Text that a spreadsheet would run as a formula (``=cmd()``) is written with an apostrophe before
it, which spreadsheets and databases take as plain text, and which ``read_cell`` takes off again.
Quoting alone does not stop a spreadsheet. Whatever pandas reads and writes back comes home as
the same id; a plain number such as ``-5`` is no formula and stays as it is.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import quote

from calib.errors import InputError
from calib.files import Row, Rows, shorten
from calib.plainjson import read_json
from calib.staging import left_behind

SUFFIX = "-metadata.json"
CONTEXT = "http://www.w3.org/ns/csvw"
# The W3C names; 'decimal' leaves no room for NaN, infinities and scientific notation.
BASES = {"string": "string", "number": "decimal", "integer": "integer", "boolean": "boolean", "date": "date"}
# What spreadsheets of some languages make of true and false when they save the file again.
TRUTH = {
    **dict.fromkeys(("true", "1", "wahr", "vrai", "verdadero", "vero"), True),
    **dict.fromkeys(("false", "0", "falsch", "faux", "falso"), False),
}
DATE = re.compile(r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")
# A formula begins with one of these, in the East Asian width too; spreadsheets of half of Europe
# also begin a new cell after a semicolon. An apostrophe that stood there before is kept apart
# from ours by adding one all the same.
# What has no width (Unicode's format characters) does not hide the sign from every program.
_BEFORE = r"[\s'\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]*"
_FORMULA = re.compile(rf"(^|;)({_BEFORE})(?=[=+\-@＝＋－＠])")
_GUARDED = re.compile(rf"(^|;)'({_BEFORE})(?=[=+\-@＝＋－＠])")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")
_NEEDS_QUOTES = re.compile(r'[",;\t\r\n]|^\s|\s$')


@dataclass(frozen=True)
class Column:
    """One column of a CSV file.

    datatype: 'string', 'number', 'integer', 'boolean' or 'date' (ISO 8601). minimum, maximum:
    inclusive bounds of numbers. decimals: how many are written. pattern: a regular expression
    that the whole text must match. separator: what stands between the values of a list.
    required: never empty. plain: the same in the manual's plain words, Markdown; columns that
    follow each other and have the same words share a line there.
    """

    name: str
    datatype: str
    description: str
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    decimals: int = 4
    pattern: str = ""
    separator: str = ""
    required: bool = False
    plain: str = ""

    def problem(self, value: Any) -> str:
        """Return what is wrong with one value (no list, not None), or an empty string."""
        if self.datatype in ("number", "integer"):
            if not math.isfinite(value):
                return "is not a finite number"
            low, high = self.minimum, self.maximum
            if (low is not None and value < low) or (high is not None and value > high):
                return f"is outside {_bound(low)} to {_bound(high)}"
        elif self.datatype == "date" and not _is_date(value):
            return "is not a date like 2026-03-31 (keep a spreadsheet from changing it: format it as text)"
        elif self.pattern and not re.fullmatch(self.pattern, value):
            return f"does not match {self.pattern}"
        return ""


def _is_date(text: str) -> bool:
    try:
        # The thirtieth of February has the look of a date and is none.
        return bool(DATE.fullmatch(text)) and date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _bound(value: float | None) -> str:
    return "any" if value is None else f"{value:g}"


def csv_bytes(columns: Sequence[Column], rows: Iterable[Sequence[Any]]) -> bytes:
    """Return a CSV file (UTF-8, comma, line feed) of rows of values in the order of the columns.

    None is an empty cell. Raises ValueError, which only a mistake in the program can cause,
    where a value is none that its column allows: NaN, out of bounds, empty though required.
    """
    lines = [",".join(column.name for column in columns)]
    for number, row in enumerate(rows, start=1):
        cells = []
        for column, value in zip(columns, row, strict=True):
            try:
                cells.append(_cell_text(column, value))
            except (TypeError, ValueError) as error:
                raise ValueError(f"row {number}, column '{column.name}': {value!r} {error}") from error
        # No line of the file may begin with '#', or readers take a marker for a comment.
        lines.append(",".join(_quoted(cell, cell.startswith("#") and not i) for i, cell in enumerate(cells)))
    return ("\n".join(lines) + "\n").encode("utf-8")


def _cell_text(column: Column, value: Any) -> str:
    if value is None or value == "" or (column.separator and not value):
        if column.required:
            raise ValueError("is empty, which this column does not allow")
        return ""
    if column.separator:
        for item in value:
            if found := column.problem(item):
                raise ValueError(f"{found}: {item!r}")
        return column.separator.join(value)
    if column.datatype == "boolean":
        return "true" if value else "false"
    if column.datatype == "number":
        value = round(float(value), column.decimals)
    if found := column.problem(value):
        raise ValueError(found)
    if column.datatype == "number":
        # Adding zero turns -0.0 into 0.0.
        return f"{value + 0.0:.{column.decimals}f}"
    if column.datatype == "integer":
        return str(int(value))
    return guarded(value) if column.datatype == "string" and not column.pattern else str(value)


def guarded(text: str) -> str:
    """Return text with an apostrophe before what a spreadsheet would run as a formula."""
    return text if _PLAIN_NUMBER.fullmatch(text) else _FORMULA.sub(r"\1'\2", text)


def _quoted(text: str, always: bool) -> str:
    # What csv.QUOTE_MINIMAL does, which cannot be told to quote one cell more.
    return '"' + text.replace('"', '""') + '"' if always or _NEEDS_QUOTES.search(text) else text


def read_cell(column: Column, rows: Rows, row: Row) -> Any:
    """Return the value in a cell: str, float, int, bool, a tuple of str, or None where empty.

    Text comes back as '' rather than None where it is empty. Raises ValueError with a sentence.
    """
    text = row.cells.get(column.name, "").strip()
    if not text and column.required:
        raise ValueError(f"column '{column.name}' is empty")
    if column.separator:
        items = tuple(dict.fromkeys(text.split()))
        for item in items:
            if found := column.problem(item):
                raise ValueError(f"{_shown(column, item)} {found}")
        return items
    if not text:
        return "" if column.datatype in ("string", "date") else None
    value: Any = text
    if column.datatype in ("number", "integer"):
        value = rows.number(row, column.name)
        if column.datatype == "integer":
            if value != int(value):
                raise ValueError(f"{_shown(column, text)} is not a whole number")
            value = int(value)
    elif column.datatype == "boolean":
        if text.lower() not in TRUTH:
            raise ValueError(f"{_shown(column, text)} is neither true nor false")
        return TRUTH[text.lower()]
    elif column.datatype == "string" and not column.pattern:
        return _GUARDED.sub(r"\1\2", text)
    if found := column.problem(value):
        raise ValueError(f"{_shown(column, text)} {found}")
    return value


def _shown(column: Column, text: str) -> str:
    return f"column '{column.name}' holds '{shorten(text)}', which"


def csvw_metadata(
    csv_name: str,
    columns: Sequence[Column],
    notes: Mapping[str, Any],
    primary_key: Sequence[str] = (),
    title: str = "",
) -> bytes:
    """Return the CSVW description of a CSV file as JSON.

    csv_name: its file name without folders. notes: how the file was made, any JSON object; it
    comes back from ``read_notes`` as it was. Raises ValueError for NaN and infinities in notes.
    """
    schema: dict[str, Any] = {"columns": [_column_json(column) for column in columns]}
    if primary_key:
        schema["primaryKey"] = list(primary_key)
    metadata: dict[str, Any] = {
        "@context": [CONTEXT, {"@language": "en"}],
        "url": _url(csv_name),
        "dc:title": title or csv_name,
        "tableSchema": schema,
        "notes": _properties(notes),
    }
    text = json.dumps(metadata, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    # A file's name may hold bytes that are no text in any encoding; in a note a question mark stands for them.
    return text.encode("utf-8", "replace")


def _url(name: str) -> str:
    # Letters of other scripts may stand in a reference as they are (RFC 3987), and some readers
    # of local files do not take escapes apart.
    # Bytes of a name that are no text must be escaped, or the description would not find its file.
    return "".join(
        c if ord(c) > 127 and not 0xD800 <= ord(c) <= 0xDFFF else quote(c, safe="", errors="surrogateescape")
        for c in name
    )


def _column_json(column: Column) -> dict[str, Any]:
    datatype: dict[str, Any] = {"base": BASES[column.datatype]}
    if column.pattern:
        datatype["format"] = column.pattern
    for bound in ("minimum", "maximum"):
        value = getattr(column, bound)
        if value is not None:
            datatype[bound] = int(value) if value == int(value) else value
    found: dict[str, Any] = {
        "name": column.name,
        "titles": column.name,
        "dc:description": column.description,
        "datatype": datatype if len(datatype) > 1 else datatype["base"],
        "null": "",
    }
    if column.unit:
        found["schema:unitText"] = column.unit
    if column.separator:
        found["separator"] = column.separator
    if column.required:
        found["required"] = True
    return found


# The vocabulary takes only names with a known prefix (or whole URLs) in annotations, so that what
# we call 'flare' is a property value of schema.org with that name, at every depth.
def _properties(values: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {"@type": "schema:PropertyValue", "schema:name": name, "schema:value": _noted(value)}
        for name, value in values.items()
    ]


def _noted(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {"schema:additionalProperty": _properties(value)}
    if isinstance(value, (list, tuple)):
        return [_noted(item) for item in value]
    return value


def _unnoted(value: Any) -> Any:
    if isinstance(value, dict):
        return _from_properties(_list_of_objects(value["schema:additionalProperty"]))
    if isinstance(value, list):
        return [_unnoted(item) for item in value]
    return value


def _from_properties(found: list[dict[str, Any]]) -> dict[str, Any]:
    return {item["schema:name"]: _unnoted(item["schema:value"]) for item in found if "schema:name" in item}


def _list_of_objects(found: Any) -> list[dict[str, Any]]:
    if not isinstance(found, list) or not all(isinstance(item, dict) for item in found):
        raise TypeError("no list of objects")
    return found


def metadata_path(csv_path: Path) -> Path:
    """Return where the description of a CSV file stands: 'colours.csv-metadata.json'."""
    return Path(csv_path).with_name(Path(csv_path).name + SUFFIX)


def read_notes(csv_path: Path) -> dict[str, Any] | None:
    """Return the notes in the description beside a CSV file, None where there is no such file.

    Raises InputError where the file is there but damaged or no CSVW description.
    """
    path: Path | None = metadata_path(csv_path)
    try:
        if path is not None and not path.exists():
            # The run that wrote the table may have been killed before its description was in place.
            path = left_behind(path, Path(csv_path))
    except OSError:
        # Its name would be longer than the system allows.
        return None
    if path is None:
        return None
    todo = "Restore it, or take it away: the table can be read without it, its history then unknown."
    found = read_json(path, "a table's description", todo)
    context = found.get("@context") if isinstance(found, dict) else None
    if context != CONTEXT and not (isinstance(context, list) and CONTEXT in context):
        raise InputError.of(path, "is not a CSV on the Web description", todo)
    try:
        return _from_properties(_list_of_objects(found.get("notes", [])))
    except (AttributeError, KeyError, TypeError, RecursionError) as error:
        raise InputError.of(path, "has notes that this program cannot read", todo) from error
