"""A table as JSON, and the JSON Schema (draft 2020-12) that describes it, made of the one list of columns."""

from __future__ import annotations

import json
from typing import Any

from calib.table.answerfile import plain
from calib.table.columns import COLUMNS
from calib.table.csvw import DATE, Column
from calib.table.exchange.pens import Export
from calib.table.table import Table

FORMAT = "calib colour table"
VERSION = 1
# What the file of the schema is called that travels with the program, beside table.py.
SCHEMA_NAME = "colours.schema.json"
SCHEMA_ID = f"urn:calib:colour-table:{VERSION}"
_TYPES = {
    "string": "string",
    "date": "string",
    "number": "number",
    "integer": "integer",
    "boolean": "boolean",
}


def table_json(table: Table) -> Export:
    """Return all rows of a table, paper and black too, as JSON in UTF-8; what is not known is null.

    ``colours_schema`` describes it. notes: how the table was made, as in its description.
    """
    rows = [
        {column.name: plain(column, getattr(row, column.name)) for column in COLUMNS}
        for row in table.readings
    ]
    found = {
        "format": FORMAT,
        "version": VERSION,
        "schema": SCHEMA_ID,
        "rows": rows,
        "notes": table.origin.notes(),
    }
    text = json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    # A file's name in the notes may hold bytes that are no text in any encoding.
    return Export(text.encode("utf-8", "replace"), len(rows))


def colours_schema() -> bytes:
    """Return the JSON Schema of ``table_json`` as a file: every column with its meaning, unit and bounds."""
    row = {
        "type": "object",
        "properties": {column.name: _property(column) for column in COLUMNS},
        "required": [column.name for column in COLUMNS],
        "additionalProperties": False,
    }
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        "title": "Measured colours of hand-coloured swatches",
        "description": "What 'calib export --as json' writes. Each row is one marker, number of coats, paper and session, and "
        "these four are unique together; null is not known. Units stand in 'x-unit'.",
        "type": "object",
        "properties": {
            "format": {"const": FORMAT},
            "version": {"const": VERSION},
            "schema": {"const": SCHEMA_ID},
            "rows": {"type": "array", "items": row},
            "notes": {
                "type": "object",
                "description": "How the table was made; empty where that is not known",
            },
        },
        "required": ["format", "version", "schema", "rows", "notes"],
        "additionalProperties": False,
    }
    return (json.dumps(schema, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def _property(column: Column) -> dict[str, Any]:
    kind = _TYPES[column.datatype]
    values: dict[str, Any] = {}
    if column.minimum is not None:
        values["minimum"] = column.minimum
    if column.maximum is not None:
        values["maximum"] = column.maximum
    if column.datatype == "date":
        values |= {"format": "date", "pattern": f"^(?:{DATE.pattern})$"}
    elif column.pattern:
        values["pattern"] = f"^(?:{column.pattern})$"
    elif kind == "string":
        values["minLength"] = 1
    unit = {"x-unit": column.unit} if column.unit else {}
    if column.separator:
        return {"description": column.description, **unit, "type": "array", "items": {"type": kind, **values}}
    null: str | list[str] = kind if column.required else [kind, "null"]
    return {"description": column.description, **unit, "type": null, **values}
