"""What is read from scans: ``calib measure`` and ``calib scanner``."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.cli.chips import swatch_rows
from calib.cli.lines import signed
from calib.cli.options import (
    FileOrWord,
    FilePath,
    Number,
    Stop,
    note,
    paper_name,
    quiet_option,
    refuse_overwriting,
    say,
    session_date,
)
from calib.cli.progress import Progress

if TYPE_CHECKING:
    from calib.scan.characterise import Characterised
    from calib.scan.measure import Measured


@click.command(
    epilog="Example: calib scanner carrier.json scan.tif --card card.csv --strip strip.csv -o scanner.json"
)
@click.argument("carrier_plan", type=FilePath, metavar="CARRIER.JSON")
@click.argument("scan", type=FilePath, metavar="SCAN")
@click.option(
    "--card",
    type=FilePath,
    required=True,
    metavar="CARD.CSV",
    help="The file with the colours of the card on the page.",
)
@click.option(
    "--strip",
    type=FilePath,
    required=True,
    metavar="STRIP.CSV",
    help="The strip file of the grey strip on the page.",
)
@click.option(
    "--medium",
    type=str,
    default="not named",
    metavar="WORDS",
    help="What the card is made of, such as 'photographic paper'; kept with the model.",
)
@click.option(
    "-o", "output", type=FilePath, required=True, metavar="SCANNER.JSON", help="The scanner's colour model."
)
@quiet_option
def scanner(
    carrier_plan: Path, scan: Path, card: Path, strip: Path, medium: str, output: Path, quiet: bool
) -> None:
    """Find out how your scanner sees colours, from a SCAN of a colour card on its carrier page.

    CARRIER.JSON is the plan that 'calib carrier' wrote beside the PDF. Give the model to every 'calib measure' of scans
    from this scanner, with --scanner.
    """
    from calib.chart.planfile import read_carrier
    from calib.colour.card import read_card
    from calib.colour.reference import read_strip
    from calib.files import check_writable, write_whole
    from calib.scan.characterise import characterise
    from calib.scan.scannerfile import scanner_to_json

    refuse_overwriting(output, carrier_plan, scan, card, strip)
    check_writable(output)
    grey = read_strip(strip)
    note(quiet, *grey.warnings)
    found = characterise(
        read_carrier(carrier_plan), scan, read_card(card), grey, " ".join(medium.split())[:200]
    )
    Stop.check()
    write_whole({output: scanner_to_json(found.scanner, found.notes).encode("utf-8", "replace")})
    note(quiet, *found.warnings)
    say(quiet, *_scanner_words(found), f"Written: {output} (give it to 'calib measure' with --scanner).")


def _scanner_words(found: Characterised) -> list[str]:
    """Return what a scanner's colour model is worth, in a few lines."""
    model, seen = found.scanner, found.scanner.training
    assert seen is not None
    best = seen.candidates[seen.winner]
    turned = found.notes["card_turned"]
    return [
        f"Card {seen.card}: {len(seen.light)} patches read"
        + (f", turned {turned} degrees." if turned else "."),
        f"Model: {model.name}.",
        f"Patches that it was not fitted on are missed by {best.mean:.1f} dE00 in the mean, "
        f"{best.p95:.1f} in 95 of 100, {best.max:.1f} at most.",
        f"Inks, which no card holds, by about {model.error:.1f} dE00; that goes into u_abs.",
    ]


@click.command(
    epilog="Example: calib measure chart.json page1.tif page2.tif --strip strip.csv --paper smooth -o colours.csv"
)
@click.argument("plan", type=FilePath, metavar="CHART.JSON")
@click.argument("scans", type=FilePath, nargs=-1, required=True, metavar="SCAN...")
@click.option(
    "--strip",
    type=FileOrWord("none"),
    required=True,
    metavar="STRIP.CSV|none",
    help="The strip file of the grey strip on the page, or none.",
)
@click.option("--paper", callback=paper_name, required=True, metavar="NAME", help="What you call the paper.")
@click.option(
    "--session",
    callback=session_date,
    default=None,
    metavar="DATE",
    help="Date of the session, such as 2026-05-31.  [default: today]",
)
@click.option(
    "--dried",
    type=Number(0, 100_000),
    default=None,
    metavar="HOURS",
    help="How long the ink had dried.",
)
@click.option(
    "--scanner",
    "scanner_file",
    type=FilePath,
    default=None,
    metavar="SCANNER.JSON",
    help="The colour model of your scanner, made by 'calib scanner'.",
)
@click.option(
    "--proof",
    type=FilePath,
    default=None,
    metavar="FOLDER",
    help="Save a picture of each page as it was understood.",
)
@click.option(
    "--force", is_flag=True, help="Write the table though a scan is not fit to measure; its rows are flagged."
)
@click.option(
    "-o", "output", type=FilePath, required=True, metavar="COLOURS.CSV", help="The measured colour table."
)
@quiet_option
def measure(
    plan: Path,
    scans: tuple[Path, ...],
    strip: str,
    paper: str,
    session: str,
    dried: float | None,
    scanner_file: Path | None,
    proof: Path | None,
    force: bool,
    output: Path,
    quiet: bool,
) -> None:
    """Measure the coloured pages of a chart from their SCANs.

    CHART.JSON is the plan that 'calib chart' wrote beside the PDF. The scans are TIFF, PNG, JPEG, PDF or HEIC
    files of any of its pages, in any order and any way up.
    """

    from calib.chart.planfile import read_plan
    from calib.colour.reference import read_strip
    from calib.files import check_writable
    from calib.scan.measure import Settings
    from calib.scan.measure import measure as measure_scans
    from calib.scan.proof import proof_of
    from calib.scan.prooffolder import ProofFolder
    from calib.scan.scanner import Scanner
    from calib.scan.scannerfile import read_scanner
    from calib.table.csvw import metadata_path
    from calib.table.table import write_table

    grey = None if strip.lower() == "none" else read_strip(Path(strip))
    model = read_scanner(scanner_file) if scanner_file else Scanner()
    refuse_overwriting(output, plan, *scans, Path(strip) if grey else None, scanner_file)
    refuse_overwriting(metadata_path(output), plan, *scans, Path(strip) if grey else None, scanner_file)
    check_writable(output, metadata_path(output))
    if proof:
        _check_proof(proof, output, scans)
    note(quiet, *(grey.warnings if grey else ()))
    chart_plan = read_plan(plan)
    settings = Settings(paper, session, dried, force, model)

    draw = proof_of if proof else None
    keep = ProofFolder(proof) if proof else None
    with Progress(scans, quiet) as progress:

        def read(number: int, picture: Any) -> None:
            if keep:
                keep(number, picture)
            progress.page()

        measured = measure_scans(chart_plan, scans, grey, settings, draw, progress.file, read)
    Stop.check()
    table = keep.finished(measured.table, chart_plan, output.parent) if keep else measured.table
    Stop.check()
    write_table(output, table)
    note(quiet, *measured.warnings)
    say(
        quiet,
        *_measured_words(measured),
        *swatch_rows(table.readings),
        f"Written: {output}",
        *([f"Written: {proof} (pictures of the pages as they were understood)"] if proof else []),
    )


def _check_proof(folder: Path, output: Path, scans: Sequence[Path]) -> None:
    """Refuse a folder of proof pictures that cannot be written to, or where they would take the place of a scan."""
    from calib.files import check_folder
    from calib.scan.prooffolder import PROOF_NAME

    if folder.absolute() == output.absolute():
        raise click.UsageError(f"--proof names a folder, and '{folder}' is the table")
    check_folder(folder)
    for scan in scans:
        if PROOF_NAME.fullmatch(scan.name) and os.path.realpath(scan.parent) == os.path.realpath(folder):
            raise click.UsageError(f"the pictures of --proof {folder} would overwrite the scan {scan}")


def _measured_words(measured: Measured) -> list[str]:
    """Return what a measurement found, in a few lines."""
    from calib.table.flags import FLAGS

    table = measured.table
    pens = [row for row in table.readings if row.kind not in ("paper", "black")]
    read = [row for row in pens if row.lab is not None]
    inks = [row for row in read if row.kind != "overlay"]
    overlays = len(read) - len(inks)
    laid = (
        f", and {overlays} overlay{'s' if overlays != 1 else ''} of one ink over another" if overlays else ""
    )
    flags = {name: sum(name in row.flags for row in pens) for name in FLAGS}
    said = ", ".join(f"{name} {count}" for name, count in flags.items() if count)
    white = next(row for row in table.readings if row.kind == "paper")
    scatter = table.origin.scatter
    lines = [
        f"{len({row.marker for row in inks})} markers measured in {len(inks)} rows{laid}; "
        f"paper L* {white.L:.1f}, a* {signed(white.a)}, b* {signed(white.b)}; "
        f"scattered light {100 * table.origin.flare['mean']:.1f} %.",
        f"Your hand lays {100 * scatter['relative_dose']:.1f} % more or less ink from swatch to swatch "
        + (
            f"(from {scatter['degrees_of_freedom']} repeats)."
            if scatter["degrees_of_freedom"]
            else "(assumed: there are no repeats)."
        ),
    ]
    if said:
        lines.append(f"Flagged: {said}. 'calib flags' explains them.")
    return lines
