"""A table as a Tabular Data Package: a folder with the CSV and a datapackage.json that describes it.

The descriptor follows version 2 of the Data Package standard (datapackage.org) and keeps the profiles of version 1, by which
older readers know a table.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from contextlib import suppress
from pathlib import Path
from typing import Any

from calib import __version__
from calib.errors import OutputError
from calib.files import check_folder, make_folder, write_whole
from calib.table.columns import COLUMNS
from calib.table.csvw import Column
from calib.table.table import KEY, Table, table_bytes

DESCRIPTOR, DATA = "datapackage.json", "colours.csv"
TITLE = "Measured colours of hand-coloured swatches"
_PROFILES = "https://datapackage.org/profiles/2.0"
# What a run that was killed may have left; the next one takes it away.
_UNFINISHED = re.compile(rf"\.({re.escape(DESCRIPTOR)}|{re.escape(DATA)})\..*\.part")


def package_files(table: Table, created: str) -> dict[str, bytes]:
    """Return the files of the package by name: the descriptor, then the CSV, all rows of the table in it.

    created: date and time, ISO 8601 with a zone.
    """
    data, _ = table_bytes(table, DATA)
    resource = {
        "$schema": f"{_PROFILES}/dataresource.json",
        "profile": "tabular-data-resource",
        "name": "colours",
        "type": "table",
        "path": DATA,
        "title": TITLE,
        "description": "One row for each marker, number of coats, paper and session. An apostrophe stands before text that a spreadsheet "
        "would run as a formula.",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "quoteChar": '"', "doubleQuote": True, "header": True},
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
        "schema": {
            "fields": [_field(column) for column in COLUMNS],
            "missingValues": [""],
            "primaryKey": list(KEY),
        },
    }
    package = {
        "$schema": f"{_PROFILES}/datapackage.json",
        "profile": "tabular-data-package",
        "name": "calib-colours",
        "title": TITLE,
        "description": f"Written by calib {__version__}; 'notes' says how the table was made.",
        "created": created,
        "resources": [resource],
        "notes": table.origin.notes(),
    }
    text = json.dumps(package, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    return {DESCRIPTOR: text.encode("utf-8", "replace"), DATA: data}


def write_package(folder: Path, table: Table, created: str) -> None:
    """Write the package into a folder that is absent, empty, or holds an earlier package; all of it or nothing.

    Raises OutputError where the folder holds anything else, or cannot be made or written to.
    """
    folder = Path(folder)
    check_package_folder(folder)
    new = not folder.exists()
    make_folder(folder)
    try:
        # The descriptor first: a folder with the CSV alone would be taken for somebody's own.
        write_whole({folder / name: data for name, data in package_files(table, created).items()})
    finally:
        if new:
            with suppress(OSError):
                folder.rmdir()


def check_package_folder(folder: Path) -> None:
    """Raise OutputError where a package cannot be written into a folder; make nothing."""
    check_folder(folder)
    try:
        names = set(os.listdir(folder)) if folder.is_dir() else set()
    except OSError as error:
        raise OutputError(
            f"{folder}: cannot be read ({error.strerror or error})", "Name a new folder."
        ) from error
    names = {name for name in names if not _UNFINISHED.fullmatch(name)}
    if names - {DESCRIPTOR, DATA} or names == {DATA}:
        raise OutputError(
            f"{folder}: holds other things than a data package", "Name a folder that is new or empty."
        )


def _field(column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {"required": True} if column.required else {}
    if column.minimum is not None:
        constraints["minimum"] = column.minimum
    if column.maximum is not None:
        constraints["maximum"] = column.maximum
    if column.pattern:
        item = f"({column.pattern})"
        more = f"({re.escape(column.separator)}{item})*" if column.separator else ""
        constraints["pattern"] = f"^{item}{more}$"
    field: dict[str, Any] = {"name": column.name, "type": column.datatype, "description": column.description}
    if column.unit:
        field["unit"] = column.unit
    if constraints:
        field["constraints"] = constraints
    return field
