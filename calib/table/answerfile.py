"""An answer: rows under declared columns, and the CSV, description and JSON that they are written as."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calib import __version__
from calib.files import write_whole
from calib.table.csvw import Column, csv_bytes, csvw_metadata, metadata_path
from calib.table.table import Table


@dataclass(frozen=True)
class Answer:
    """What a command found out.

    name: the command's. title: of its CSV, a few words. columns, rows: values in the order of the columns, None
    where not known. key: names of the columns that are unique together. notes: how it came about and what the
    rows do not say, a plain JSON object. warnings: sentences for the user.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Any, ...], ...]
    key: tuple[str, ...]
    notes: Mapping[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def table_notes(tables: Sequence[Table], **settings: Any) -> dict[str, Any]:
    """Return what the notes of every answer begin with: the program, the tables by name, the options."""
    return {
        "program": f"calib {__version__}",
        "tables": [
            {
                "file": table.path.name if table.path else "",
                "chart": table.origin.chart,
                "papers": sorted({row.paper for row in table.readings}),
                "sessions": sorted({row.session for row in table.readings if row.session}),
            }
            for table in tables
        ],
        "settings": settings,
    }


def write_answer(path: Path, answer: Answer) -> None:
    """Write an answer's CSV file and, beside it, its description; both whole or not at all."""
    path = Path(path)
    metadata = csvw_metadata(path.name, answer.columns, answer.notes, answer.key, answer.title)
    write_whole({path: csv_bytes(answer.columns, answer.rows), metadata_path(path): metadata})


def answer_json(answer: Answer) -> str:
    """Return an answer as JSON: numbers as the CSV rounds them, its notes and its warnings."""
    names = [column.name for column in answer.columns]
    rows = [
        {name: plain(column, value) for name, column, value in zip(names, answer.columns, row, strict=True)}
        for row in answer.rows
    ]
    found = {"answer": answer.name, "rows": rows, "notes": answer.notes, "warnings": list(answer.warnings)}
    return json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False)


def plain(column: Column, value: Any) -> Any:
    """Return a value of a column as JSON has it: rounded as the CSV rounds it, None where not known, lists as lists."""
    if value is None or value == "":
        return None
    if column.datatype == "number":
        return round(float(value), column.decimals) + 0.0
    if column.datatype == "integer":
        return int(value)
    if column.datatype == "boolean":
        return bool(value)
    return list(value) if column.separator else str(value)
