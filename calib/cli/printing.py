"""What is printed: ``calib chart`` and ``calib carrier``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.cli.options import (
    FilePath,
    Size,
    Stop,
    Words,
    coats,
    note,
    page_option,
    plan_beside,
    quiet_option,
    say,
)

if TYPE_CHECKING:
    from calib.chart.markers import Marker


@click.command(epilog="Example: calib chart markers.csv -o chart.pdf")
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
    type=Size(),
    default="18x12",
    metavar="SIZE",
    help="Size of a cell in millimetres.  [default: 18x12]",
)
@click.option(
    "--layers",
    type=Words("1", "2", "1,2"),
    callback=coats,
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
    type=Size(),
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
@click.option(
    "--pick",
    type=click.IntRange(1, 100_000),
    default=None,
    metavar="N",
    help="Only the N markers that tell most about a new paper; give --from too.",
)
@click.option(
    "--from",
    "measured",
    type=FilePath,
    default=None,
    metavar="COLOURS.CSV",
    help="The measured table that --pick chooses by.",
)
@click.option(
    "--over",
    type=FilePath,
    default=None,
    metavar="PAIRS.CSV",
    help="Also cells of one ink over another: columns 'under' and 'over', two markers of the list in each row.",
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
    pick: int | None,
    measured: Path | None,
    over: Path | None,
    quiet: bool,
) -> None:
    """Make a chart to print and colour from a list of MARKERS.

    MARKERS is a CSV file with a column 'marker' and, if you like, 'name', 'set', 'kind' (ink or
    blender) and 'hint' (#rrggbb).
    """
    from calib.chart.layout import ChartOptions, lay_out
    from calib.chart.markers import read_markers
    from calib.chart.page import colouring_hours, draw_chart
    from calib.chart.pairs import read_pairs
    from calib.chart.planfile import plan_to_json
    from calib.files import check_writable, write_whole

    if strip_size and strip_print:
        raise click.UsageError("give --strip-size or --strip-print, not both")
    if (pick is None) != (measured is None):
        raise click.UsageError("--pick N and --from COLOURS.CSV go together")
    plan_path = plan_beside(output, markers, strip_print, measured, over)
    check_writable(output, plan_path)
    listed = read_markers(markers)
    pairs = read_pairs(over, listed) if over else ()
    if pick is not None and measured is not None:
        paired = {one for pair in pairs for one in (pair.under, pair.over)}
        listed = _picked(listed, (pick, measured), layers, paired, quiet)
    steps = _printed_steps(strip_print) if strip_print else None
    options = ChartOptions(page, cell, layers, repeats, controls, strip_size or (160.0, 14.0), seed)
    plan = lay_out(listed, options, pairs)
    drawn = draw_chart(plan, steps)
    Stop.check()
    write_whole({output: drawn.pdf, plan_path: plan_to_json(plan).encode()})
    note(quiet, *drawn.warnings)
    cells = sum(len(p.cells) for p in plan.pages)
    pages = "1 page" if len(plan.pages) == 1 else f"{len(plan.pages)} pages"
    say(
        quiet,
        f"Chart {plan.chart}: {len(listed)} markers{_and_pairs(len(pairs))} in {cells} cells on {pages}, "
        f"about {_hours(colouring_hours(plan))} of colouring.",
        f"Written: {output}",
        f"Written: {plan_path} (keep it: measuring needs it)",
        "Print at 100 %, not 'fit to page'.",
        *(
            [
                "Where a cell says 'then … over it': fill it with the first marker, let it dry,",
                "then fill it with the second.",
            ]
            if pairs
            else []
        ),
        "Air the room while you colour, cap each pen, and let the sheets dry for a day before scanning.",
    )


def _picked(
    listed: tuple[Marker, ...],
    wanted: tuple[int, Path],
    layers: tuple[int, ...],
    paired: set[str],
    quiet: bool,
) -> tuple[Marker, ...]:
    """Return the markers of the list that tell most about a paper, by what was measured of them on another.

    Those that are paired come too: an overlay tells little without its inks alone on the same paper.
    """
    from calib.answers.carrying.pick import pick_markers
    from calib.cli.options import read_tables

    count, path = wanted
    (table,) = read_tables(quiet, [path])
    picked = pick_markers(table, count, [marker.marker for marker in listed], layers)
    note(quiet, *picked.warnings)
    say(quiet, f"Picked the {count} of {picked.choice} markers that tell most about a new paper.")
    more = paired - set(picked.markers)
    if more:
        say(quiet, f"The pairs need {len(more)} more.")
    return tuple(marker for marker in listed if marker.marker in {*picked.markers, *more})


def _and_pairs(count: int) -> str:
    """Return ' and 3 overlays', or nothing where there are none."""
    return f" and {count} overlay{'s' if count != 1 else ''}" if count else ""


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


@click.command(epilog="Example: calib carrier card.csv -o carrier.pdf")
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
    type=Size(),
    default="200x130",
    metavar="SIZE",
    help="Outer size of your card, along its rows first.  [default: 200x130]",
)
@page_option
@click.option(
    "--strip-size",
    type=Size(),
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

    plan_path = plan_beside(output, card)
    check_writable(output, plan_path)
    known = read_card(card)
    laid_out = lay_out_carrier(card_size, page, strip_size)
    drawn = draw_carrier(laid_out)
    Stop.check()
    write_whole({output: drawn.pdf, plan_path: carrier_to_json(laid_out).encode()})
    width, height = laid_out.card_mm
    side = "on its side, row 1 to the left" if laid_out.on_its_side else "row 1 at the top"
    say(
        quiet,
        f"Carrier {laid_out.plan.chart}: for a card of {width:g} x {height:g} mm, {side}; "
        f"{known.name} names {len(known.place)} patches in {known.rows} rows and {known.columns} columns.",
        f"Written: {output}",
        f"Written: {plan_path} (keep it: reading the scan needs it)",
        "Print at 100 %, not 'fit to page'.",
        "Scan it with your card and your grey strip on it, as you scan your charts.",
    )
