"""Words, paths and exit codes: the command line, and the only door to click.

Each command imports what it needs inside itself, so that ``calib --help`` answers at once.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib import __version__
from calib.errors import CalibError

if TYPE_CHECKING:
    from calib.scan.characterise import Characterised
    from calib.scan.measure import Measured

INTERRUPTED = 130
FilePath = click.Path(path_type=Path)


class _Stop:
    """Remembers that the user asked to stop.

    An interrupt that falls into a library's own handling of errors, while it is being imported for
    instance, can be swallowed there. So it is raised at once, and once more before anything is written.
    """

    asked = False

    @classmethod
    def ask(cls, number: int, frame: object) -> None:
        """Handle the signal."""
        cls.asked = True
        raise KeyboardInterrupt

    @classmethod
    def check(cls) -> None:
        """Stop now if that was asked for."""
        if cls.asked:
            raise KeyboardInterrupt


def main() -> None:
    """Run the command line; every failure is a sentence on stderr and an exit code."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, _Stop.ask)
    try:
        code = cli.main(prog_name="calib", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo("calib: interrupted; nothing half-written was left behind", err=True)
        # CPython ends by the signal itself, not by our code, where the interrupt fell into code that a
        # library runs from text while it is imported; everything is cleaned up here already.
        os._exit(INTERRUPTED)
    except CalibError as error:
        click.echo(f"calib: {error}", err=True)
        code = error.exit_code
    except BrokenPipeError:
        # Whoever read our output has had enough; Python must not complain of it at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except MemoryError:
        click.echo("calib: this needs more memory than the computer has. Scan at 300 dpi.", err=True)
        code = 1
    except Exception as error:
        if os.environ.get("CALIB_TRACE"):
            raise
        click.echo(
            f"calib: a mistake in the program itself ({type(error).__name__}: {error}). "
            "Set CALIB_TRACE=1 to see where, and tell its makers.",
            err=True,
        )
        code = 1
    sys.exit(code if isinstance(code, int) else 0)


class _Size(click.ParamType[tuple[float, float]]):
    """A size in millimetres such as 18x12, or the name of a paper size."""

    name = "size"

    def __init__(self, named: bool = False) -> None:
        self.named = named

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        if self.named:
            from calib.chart.layout import PAPERS

            if value.lower() in PAPERS:
                return PAPERS[value.lower()]
        try:
            width, height = (float(part) for part in value.lower().replace("×", "x").split("x"))
        except ValueError:
            names = "a4, letter, a5 or " if self.named else ""
            self.fail(f"'{value}' is not {names}a size in millimetres such as 210x297", param, ctx)
        if not (0 < width < 1e4 and 0 < height < 1e4):
            self.fail(f"'{value}' is not a possible size", param, ctx)
        return width, height


def _layers(ctx: click.Context, param: click.Parameter, value: str) -> tuple[int, ...]:
    if value not in ("1", "2", "1,2"):
        raise click.BadParameter("give 1, 2 or 1,2", ctx, param)
    return tuple(int(n) for n in value.split(","))


def _session(ctx: click.Context, param: click.Parameter, value: str | None) -> str:
    if value is None:
        return date.today().isoformat()
    try:
        return date.fromisoformat(value).isoformat()
    except ValueError as error:
        raise click.BadParameter(f"'{value}' is not a date such as 2026-05-31", ctx, param) from error


def _paper_name(ctx: click.Context, param: click.Parameter, value: str) -> str:
    name = " ".join(value.split())
    if not name or len(name) > 100 or not name.isprintable():
        raise click.BadParameter("give the paper a name of 1 to 100 characters", ctx, param)
    return name


def quiet_option(function: Callable[..., None]) -> Callable[..., None]:
    """Add --quiet, which every command takes."""
    return click.option("--quiet", is_flag=True, help="Print nothing but errors.")(function)


def page_option(function: Callable[..., None]) -> Callable[..., None]:
    """Add --page, the size of the paper."""
    return click.option(
        "--page",
        type=_Size(named=True),
        default="a4",
        metavar="SIZE",
        help="a4, letter, a5 or millimetres such as 210x297.  [default: a4]",
    )(function)


def _say(quiet: bool, *lines: str) -> None:
    if not quiet:
        for line in lines:
            click.echo(line)


def _note(quiet: bool, *lines: str) -> None:
    if not quiet:
        for line in lines:
            click.echo(f"calib: {line}", err=True)


def _refuse_overwriting(output: Path, *inputs: Path | None) -> None:
    """Refuse to write the answer over what the user gave: a slip of the hand, and hours of work."""
    if not output.name:
        raise click.UsageError(f"-o '{output}' names no file")
    for path in inputs:
        if path is not None and _is_same(path, output):
            raise click.UsageError(f"-o {output} would overwrite an input file")


def _plan_beside(output: Path, *inputs: Path | None) -> Path:
    """Return where the plan of a PDF goes; refuse where either would be written over an input."""
    _refuse_overwriting(output, *inputs)
    plan_path = output.with_suffix(".json")
    if plan_path == output:
        raise click.UsageError("-o names the PDF; the plan is written beside it as .json")
    _refuse_overwriting(plan_path, *inputs)
    return plan_path


def _is_same(one: Path, other: Path) -> bool:
    try:
        return one.exists() and other.exists() and one.samefile(other)
    except (OSError, ValueError):
        # A name that the system refuses outright; whoever reads or writes it has the words for that.
        return False


@click.group(
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Each command has its own help: calib measure --help",
)
@click.version_option(__version__, prog_name="calib", message="%(prog)s %(version)s")
def cli() -> None:
    """Print a swatch chart, colour it by hand, scan it, and have every marker measured."""


@cli.command(epilog="Example: calib chart markers.csv -o chart.pdf")
@click.argument("markers", type=FilePath)
@click.option(
    "-o",
    "output",
    type=FilePath,
    required=True,
    metavar="CHART.PDF",
    help="The PDF; the plan is written beside it as .json.",
)
@page_option
@click.option(
    "--cell",
    type=_Size(),
    default="18x12",
    metavar="SIZE",
    help="Size of a cell in millimetres.  [default: 18x12]",
)
@click.option(
    "--layers",
    callback=_layers,
    default="1,2",
    metavar="COATS",
    help="Coats to colour: 1, 2 or 1,2.  [default: 1,2]",
)
@click.option(
    "--repeats", type=click.IntRange(1, 20), default=1, help="Swatches per marker and coat.  [default: 1]"
)
@click.option(
    "--controls",
    type=click.IntRange(0, 1000),
    default=6,
    help="Markers per page that are coloured once more elsewhere on it.  [default: 6]",
)
@click.option(
    "--strip-size",
    type=_Size(),
    default=None,
    metavar="SIZE",
    help="Size of your grey strip, length first.  [default: 160x14]",
)
@click.option(
    "--strip-print",
    type=FilePath,
    default=None,
    metavar="STRIP.CSV",
    help="Print a grey strip from this strip file into its rectangle.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**31),
    default=0,
    help="Chooses the control markers and the marks' ids.  [default: 0]",
)
@quiet_option
def chart(
    markers: Path,
    output: Path,
    page: tuple[float, float],
    cell: tuple[float, float],
    layers: tuple[int, ...],
    repeats: int,
    controls: int,
    strip_size: tuple[float, float] | None,
    strip_print: Path | None,
    seed: int,
    quiet: bool,
) -> None:
    """Make a chart to print and colour from a list of MARKERS.

    MARKERS is a CSV file with a column 'marker' and, if you like, 'name', 'set', 'kind' (ink or
    blender) and 'hint' (#rrggbb).
    """
    from calib.chart.layout import ChartOptions, lay_out
    from calib.chart.markers import read_markers
    from calib.chart.page import colouring_hours, draw_chart
    from calib.chart.planfile import plan_to_json
    from calib.files import check_writable, write_whole

    if strip_size and strip_print:
        raise click.UsageError("give --strip-size or --strip-print, not both")
    plan_path = _plan_beside(output, markers, strip_print)
    check_writable(output, plan_path)
    listed = read_markers(markers)
    steps = _printed_steps(strip_print) if strip_print else None
    options = ChartOptions(page, cell, layers, repeats, controls, strip_size or (160.0, 14.0), seed)
    plan = lay_out(listed, options)
    drawn = draw_chart(plan, steps)
    _Stop.check()
    write_whole({output: drawn.pdf, plan_path: plan_to_json(plan).encode()})
    _note(quiet, *drawn.warnings)
    cells = sum(len(p.cells) for p in plan.pages)
    pages = "1 page" if len(plan.pages) == 1 else f"{len(plan.pages)} pages"
    _say(
        quiet,
        f"Chart {plan.chart}: {len(listed)} markers in {cells} cells on {pages}, "
        f"about {_hours(colouring_hours(plan))} of colouring.",
        f"Written: {output} (print it at 100 %, not 'fit to page') and {plan_path} (keep it: measuring needs it).",
        "Air the room while you colour, cap each pen, and let the sheets dry for a day before scanning.",
    )


def _hours(hours: float) -> str:
    if hours < 0.75:
        return f"{max(5, round(hours * 12) * 5)} minutes"
    return f"{hours:.1f} hours" if hours < 10 else f"{hours:.0f} hours"


def _printed_steps(path: Path) -> list[Any]:
    """Return the steps of a strip file as greys to print, the first at the strip's beginning."""
    from calib.chart.page import PrintedStep
    from calib.colour.colorimetry import srgb_encode
    from calib.colour.reference import read_strip

    strip = read_strip(path)
    greys = srgb_encode(strip.linear.mean(axis=1)) * 255
    return [PrintedStep(float(width), float(grey)) for width, grey in zip(strip.widths, greys, strict=True)]


@cli.command(epilog="Example: calib carrier card.csv -o carrier.pdf")
@click.argument("card", type=FilePath, metavar="CARD.CSV")
@click.option(
    "-o",
    "output",
    type=FilePath,
    required=True,
    metavar="CARRIER.PDF",
    help="The PDF; its plan is written beside it as .json.",
)
@click.option(
    "--card-size",
    type=_Size(),
    default="200x130",
    metavar="SIZE",
    help="Outer size of your card, along its rows first.  [default: 200x130]",
)
@page_option
@click.option(
    "--strip-size",
    type=_Size(),
    default="160x14",
    metavar="SIZE",
    help="Size of your grey strip, length first.  [default: 160x14]",
)
@quiet_option
def carrier(
    card: Path,
    output: Path,
    card_size: tuple[float, float],
    page: tuple[float, float],
    strip_size: tuple[float, float],
    quiet: bool,
) -> None:
    """Make a page that holds a colour card and the grey strip while they are scanned.

    CARD.CSV says what colours your card has: columns 'row' and 'column', from 1, and either 'L', 'a', 'b' or
    'X', 'Y', 'Z' on a scale to 100, under D50. Any card with known colours in a regular grid will do.
    """
    from calib.chart.carrier import lay_out_carrier
    from calib.chart.page import draw_carrier
    from calib.chart.planfile import carrier_to_json
    from calib.colour.card import read_card
    from calib.files import check_writable, write_whole

    plan_path = _plan_beside(output, card)
    check_writable(output, plan_path)
    known = read_card(card)
    laid_out = lay_out_carrier(card_size, page, strip_size)
    drawn = draw_carrier(laid_out)
    _Stop.check()
    write_whole({output: drawn.pdf, plan_path: carrier_to_json(laid_out).encode()})
    width, height = laid_out.card_mm
    side = "on its side, row 1 to the left" if laid_out.on_its_side else "row 1 at the top"
    _say(
        quiet,
        f"Carrier {laid_out.plan.chart}: for a card of {width:g} x {height:g} mm, {side}; "
        f"{known.name} names {len(known.place)} patches in {known.rows} rows and {known.columns} columns.",
        f"Written: {output} (print it at 100 %, not 'fit to page') and {plan_path} (keep it: reading the scan needs it).",
        "Scan it with your card and your grey strip on it, as you scan your charts.",
    )


@cli.command(
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

    _refuse_overwriting(output, carrier_plan, scan, card, strip)
    check_writable(output)
    grey = read_strip(strip)
    _note(quiet, *grey.warnings)
    found = characterise(
        read_carrier(carrier_plan), scan, read_card(card), grey, " ".join(medium.split())[:200]
    )
    _Stop.check()
    write_whole({output: scanner_to_json(found.scanner, found.notes).encode()})
    _note(quiet, *found.warnings)
    _say(quiet, *_scanner_words(found), f"Written: {output} (give it to 'calib measure' with --scanner).")


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


@cli.command(
    epilog="Example: calib measure chart.json page1.tif page2.tif --strip strip.csv --paper smooth -o colours.csv"
)
@click.argument("plan", type=FilePath, metavar="CHART.JSON")
@click.argument("scans", type=FilePath, nargs=-1, required=True, metavar="SCAN...")
@click.option(
    "--strip",
    type=str,
    required=True,
    metavar="STRIP.CSV|none",
    help="The strip file of the grey strip on the page, or none.",
)
@click.option("--paper", callback=_paper_name, required=True, metavar="NAME", help="What you call the paper.")
@click.option(
    "--session",
    callback=_session,
    default=None,
    metavar="DATE",
    help="Date of the session, such as 2026-05-31.  [default: today]",
)
@click.option(
    "--dried",
    type=click.FloatRange(0, 100_000),
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

    CHART.JSON is the plan that 'calib chart' wrote beside the PDF. The scans are TIFF, PNG, JPEG or PDF files
    of any of its pages, in any order and any way up.
    """
    from dataclasses import replace

    from calib.chart.planfile import read_plan
    from calib.colour.reference import read_strip
    from calib.files import check_writable
    from calib.scan.measure import Settings
    from calib.scan.measure import measure as measure_scans
    from calib.scan.scanner import Scanner
    from calib.scan.scannerfile import read_scanner
    from calib.table.table import write_table

    grey = None if strip.lower() == "none" else read_strip(Path(strip))
    model = read_scanner(scanner_file) if scanner_file else Scanner()
    _refuse_overwriting(output, plan, *scans, Path(strip) if grey else None, scanner_file)
    check_writable(output)
    _note(quiet, *(grey.warnings if grey else ()))
    chart_plan = read_plan(plan)
    settings = Settings(paper, session, dried, force, model)
    pictures = _ProofFolder(proof, settings.scanner) if proof else None

    def progress(number: int, count: int, name: str) -> None:
        _Stop.check()
        if count > 1:
            _note(quiet, f"reading {name} ({number} of {count})")

    measured = measure_scans(chart_plan, scans, grey, settings, pictures, progress)
    table = measured.table
    if proof:
        relative = os.path.relpath(proof, output.parent)
        table = replace(table, origin=replace(table.origin, proof=Path(relative).as_posix()))
    _Stop.check()
    write_table(output, table)
    _note(quiet, *measured.warnings)
    _say(
        quiet,
        *_measured_words(measured),
        f"Written: {output}" + (f", pictures of the pages in {proof}" if proof else ""),
    )


class _ProofFolder:
    """Saves a picture of every page as soon as it is read, while its pixels are in memory."""

    def __init__(self, folder: Path, scanner: Any) -> None:
        self.folder = folder
        self.scanner = scanner
        self.seen: dict[int, int] = {}

    def __call__(self, page: Any, swatches: Any) -> None:
        from calib.files import make_folder, write_whole
        from calib.scan.proof import proof_picture

        make_folder(self.folder)
        number = page.frame.page.page
        self.seen[number] = self.seen.get(number, 0) + 1
        again = f"-scan-{self.seen[number]}" if self.seen[number] > 1 else ""
        picture = proof_picture(page, swatches, self.scanner)
        write_whole({self.folder / f"page-{number:02d}{again}.png": picture})


def _signed(value: float | None) -> str:
    """Return a number with its sign and one decimal, and never a nought below nought."""
    return f"{round(value or 0.0, 1) + 0.0:+.1f}"


def _measured_words(measured: Measured) -> list[str]:
    """Return what a measurement found, in a few lines."""
    from calib.table.flags import FLAGS

    table = measured.table
    pens = [row for row in table.readings if row.kind not in ("paper", "black")]
    read = [row for row in pens if row.lab is not None]
    flags = {name: sum(name in row.flags for row in pens) for name in FLAGS}
    said = ", ".join(f"{name} {count}" for name, count in flags.items() if count)
    white = next(row for row in table.readings if row.kind == "paper")
    scatter = table.origin.scatter
    lines = [
        f"{len({row.marker for row in read})} markers measured in {len(read)} rows; "
        f"paper L* {white.L:.1f}, a* {_signed(white.a)}, b* {_signed(white.b)}; "
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


@cli.command(epilog="Example: calib flags")
@quiet_option
def flags(quiet: bool) -> None:
    """Explain every quality flag that can stand in a table."""
    import textwrap

    from calib.table.flags import FLAGS

    for flag in FLAGS.values():
        _say(
            quiet,
            flag.name,
            textwrap.fill(flag.sentence, 78, initial_indent="    ", subsequent_indent="    "),
        )


@cli.command(epilog="Example: calib demo tour")
@click.argument("folder", type=FilePath)
@quiet_option
def demo(folder: Path, quiet: bool) -> None:
    """Run the whole tour on invented data in FOLDER: list, chart, two sessions, tables."""
    from calib.demo import run

    def step(words: str) -> None:
        _Stop.check()
        _note(quiet, words)

    run(folder, step)
    _say(quiet, f"The tour is in {folder}; begin with {folder / 'README.txt'}.")
