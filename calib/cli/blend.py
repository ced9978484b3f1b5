"""Sets of pens that go into each other from dark to light: ``calib blend``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.blendwords import judgement_words, proposal_words
from calib.cli.options import FilePath, Number, answer_options, coats, give_answer, note, read_tables

if TYPE_CHECKING:
    from calib.answers.shelf import Shelf

MOST_STEPS = 12
# A difference in lightness carries the form, and shadow and light want a clear one (common practice); how much is clear is invented.
CONTRAST = 40.0


def _coats(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[int, ...] | None:
    return None if value is None else coats(ctx, param, value)


@click.command(epilog="Example: calib blend colours.csv --between 007 001 --steps 4 -o blend.csv")
@click.argument("table", type=FilePath, metavar="COLOURS.CSV")
@click.argument("markers", nargs=-1, metavar="[MARKER]...")
@click.option(
    "--between", nargs=2, default=None, metavar="DARK LIGHT", help="Propose sets from one marker to another."
)
@click.option(
    "--hue",
    default=None,
    metavar="DEGREES|MARKER",
    help="Propose sets around a hue: that of a marker, or an angle (0 pink, 90 yellow, 180 green, 270 blue).",
)
@click.option(
    "--steps",
    type=click.IntRange(2, MOST_STEPS),
    default=None,
    metavar="N",
    help="How many markers a proposed set has, both ends included.  [default: 4]",
)
@click.option(
    "--layers", callback=_coats, default=None, metavar="1|2|1,2", help="Coats that count.  [default: all]"
)
@click.option(
    "--contrast",
    type=Number(0, 100),
    default=CONTRAST,
    metavar="L",
    help="How much lighter than the darkest the lightest should be.  [default: 40]",
)
@click.option(
    "-o", "output", type=FilePath, default=None, metavar="BLEND.CSV", help="Write the set to this file."
)
@answer_options
def blend(
    table: Path,
    markers: tuple[str, ...],
    between: tuple[str, str] | None,
    hue: str | None,
    steps: int | None,
    layers: tuple[int, ...] | None,
    contrast: float,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Judge a set of markers that should go from dark to light, or propose one.

    Name the markers to have them judged: how far each step goes, where the widest gap is, and which of your pens to add. With --between or --hue the best
    sets that your pens allow are proposed: even in lightness, smooth in chroma and hue.
    """
    if sum((bool(markers), between is not None, hue is not None)) != 1:
        raise click.UsageError(
            "name the markers to judge, or ask with --between DARK LIGHT or with --hue, one of the three"
        )
    if markers and steps is not None:
        raise click.UsageError("--steps is how many markers to propose; here they are named")
    from calib.answers.blending.blendfile import judgement_answer, proposal_answer
    from calib.answers.blending.judge import judge
    from calib.answers.blending.propose import propose_around, propose_between
    from calib.answers.shelf import shelf_of

    (read,) = read_tables(quiet, [table], output)
    shelf = shelf_of(read)
    if markers:
        judged = judge(shelf, markers, layers, contrast)
        give_answer(quiet, as_json, judgement_answer(read, judged), output, list(judgement_words(judged)))
        return
    count = 4 if steps is None else steps
    if between is not None:
        found = propose_between(shelf, between, count, layers, contrast)
    else:
        around = _hue(shelf, str(hue))
        like = [pen.marker for pen in shelf.pens if pen.marker.lstrip("0") == str(hue).strip()]
        if like and not isinstance(around, str):
            # Spreadsheets take 022 for 22.
            note(quiet, f"--hue {hue} is taken for {around:g} degrees; for the marker write {like[0]}")
        found = propose_around(shelf, around, count, layers, contrast)
    give_answer(quiet, as_json, proposal_answer(read, found), output, list(proposal_words(found)))


def _hue(shelf: Shelf, text: str) -> float | str:
    """Return an angle, or the id of a marker; an id that the table has goes before a number, and a degree sign tells."""
    import math

    if any(pen.marker == text.strip() for pen in shelf.pens):
        return text
    try:
        angle = float(text.strip().removesuffix("deg").removesuffix("°"))
    except ValueError:
        return text
    if not math.isfinite(angle) or abs(angle) > 360:
        raise click.BadParameter(f"'{text}' is no hue of 0 to 360 degrees", param_hint="'--hue'")
    return angle % 360
