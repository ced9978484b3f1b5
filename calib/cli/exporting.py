"""A measured table for other programs: ``calib export``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.options import FilePath, Stop, note, quiet_option, read_tables, refuse_overwriting, say

if TYPE_CHECKING:
    from calib.table.exchange.pens import Export
    from calib.table.table import Table

FORMATS = ("cgats", "json", "gpl", "datapackage")


@click.command(epilog="Example: calib export colours.csv --as gpl -o markers.gpl")
@click.argument("table", type=FilePath, metavar="COLOURS.CSV")
@click.option(
    "--as",
    "form",
    type=click.Choice(FORMATS),
    required=True,
    help="cgats: CGATS.17 text; json: JSON with a JSON Schema; gpl: palette; datapackage: Tabular Data Package.",
)
@click.option(
    "-o",
    "output",
    type=FilePath,
    required=True,
    metavar="FILE",
    help="Where to write it; for a data package a folder, new or empty.",
)
@quiet_option
def export(table: Path, form: str, output: Path, quiet: bool) -> None:
    """Write a measured table in a form that other programs read.

    A palette and a CGATS file hold pens only; JSON and the data package hold every row of the table.
    """
    from calib.files import check_writable, write_whole
    from calib.table.csvw import metadata_path
    from calib.table.exchange.datapackage import DATA, DESCRIPTOR, check_package_folder, write_package

    inputs = [table, metadata_path(table)] if table.name else []
    if form == "datapackage":
        for name in (DESCRIPTOR, DATA):
            refuse_overwriting(output / name, *inputs)
        check_package_folder(output)
    else:
        refuse_overwriting(output, *inputs)
        check_writable(output)
    (read,) = read_tables(quiet, [table])
    Stop.check()
    if form == "datapackage":
        from datetime import UTC, datetime

        write_package(output, read, datetime.now(UTC).isoformat(timespec="seconds"))
        say(quiet, f"Written: {output}, a folder with {DESCRIPTOR} and {DATA} ({_rows(len(read.readings))})")
        return
    found = _converted(form, read)
    write_whole({output: found.data})
    note(quiet, *found.warnings)
    say(quiet, f"Written: {output} ({_rows(found.rows)})")


def _converted(form: str, table: Table) -> Export:
    if form == "json":
        from calib.table.exchange.jsonform import table_json

        return table_json(table)
    if form == "gpl":
        from calib.table.exchange.palette import gpl_palette

        return gpl_palette(table)
    from datetime import date

    from calib.table.exchange.cgats import cgats_text

    return cgats_text(table, date.today().isoformat())


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"
