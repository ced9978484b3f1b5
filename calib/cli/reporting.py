"""Tables as a page to look at: ``calib report``."""

from __future__ import annotations

from pathlib import Path

import click

from calib.cli.options import FilePath, Stop, quiet_option, read_tables, refuse_overwriting, say


@click.command(epilog="Example: calib report colours.csv autumn.csv -o report.html")
@click.argument("tables", type=FilePath, nargs=-1, required=True, metavar="COLOURS.CSV [MORE.CSV]...")
@click.option(
    "-o", "output", type=FilePath, required=True, metavar="REPORT.HTML", help="The page, one HTML file."
)
@quiet_option
def report(tables: tuple[Path, ...], output: Path, quiet: bool) -> None:
    """Make a page to look at: chips, maps, doubles, what was flagged, and how far to trust it all.

    With more than one table it also shows what changed between sessions on one paper, and papers side by side.
    """
    import calib
    from calib.files import check_writable, write_whole
    from calib.report.page import report_html
    from calib.table.csvw import metadata_path

    inputs = [path for table in tables if table.name for path in (table, metadata_path(table))]
    refuse_overwriting(output, *inputs)
    check_writable(output)
    read = read_tables(quiet, tables)
    page = report_html(read, f"calib {calib.__version__}").encode("utf-8", "replace")
    Stop.check()
    write_whole({output: page})
    say(quiet, f"Written: {output} ({len(page) / 1e6:.1f} MB; it opens in any browser, without a network)")
