"""One ink over another: ``calib layer``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.chips import chip
from calib.cli.lines import wrapped
from calib.cli.options import FilePath, answer_options, give_answer, read_tables

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from calib.answers.layering.steps import Layering, Step

    Array = NDArray[np.float64]

SHOWS = {"yes": "shows", "no": "nobody would see it", "unsure": "may be hard to see"}


@click.command(epilog="Example: calib layer colours.csv 001 015 -o layers.csv")
@click.argument("table", type=FilePath, metavar="COLOURS.CSV")
@click.argument("markers", type=str, nargs=-1, required=True, metavar="UNDER OVER...")
@click.option(
    "-o", "output", type=FilePath, default=None, metavar="LAYERS.CSV", help="Write the layers to this file."
)
@answer_options
def layer(table: Path, markers: tuple[str, ...], output: Path | None, as_json: bool, quiet: bool) -> None:
    """Predict the colour of one ink over another, and whether it will show.

    UNDER is the pen that is laid first; each further one goes over all before it, once that has dried. A pen named twice in a row lies there in two
    coats. Where the table holds the overlay as it was measured, that is the answer.
    """
    from calib.answers.layering.layerfile import layer_answer
    from calib.answers.layering.steps import layer as find
    from calib.answers.shelf import shelf_of

    (read,) = read_tables(quiet, [table], output)
    found = find(shelf_of(read), markers)
    give_answer(quiet, as_json, layer_answer(read, found), output, list(_words(found)))


def _words(found: Layering) -> Iterator[str]:
    """Yield the answer in plain words."""
    yield from wrapped(f"On '{found.shelf.paper}', from the ground up; in brackets the 95 % interval:")
    below = found.paper.ground.lab
    for number, (step, pen) in enumerate(zip(found.steps, found.pens, strict=True), start=1):
        yield from _step(number, step, pen.called, below, found.shelf.white)
        below = step.lab
    yield from _rests_on(found)


def _step(number: int, step: Step, called: str, below: Array, white: Array | None) -> Iterator[str]:
    from calib.colour.colorimetry import lab_to_hex
    from calib.colour.naming import colour_words, difference_words

    over = "" if number == 1 else ", a second coat" if step.layers == 2 else " over that"
    L, a, b = step.lab
    seen = chip(lab_to_hex(step.lab[None])[0][0])
    sure = "measured" if step.source == "measured" else f"predicted, to within {step.within:.1f} dE00"
    yield from wrapped(
        f"{number}. {seen}{called}{over}: {colour_words(step.lab, white)}, L {L:.0f} a {a:.0f} b {b:.0f} ({sure})",
        hang="   ",
    )
    how = step.how
    # Where it may be nothing at all, words for it would say too much.
    differs = ", ".join(difference_words(below, step.lab)) if how.low > 0 else ""
    against = "on the bare paper" if number == 1 else "on what lies below"
    yield from wrapped(
        f"{SHOWS[how.shows]} {against}: {how.dE00:.1f} dE00 ({how.low:.1f}..{how.high:.1f}), "
        f"L {how.dL:+.0f} ({how.dL_low:+.0f}..{how.dL_high:+.0f})" + (f"; {differs}" if differs else ""),
        "   ",
    )


def _rests_on(found: Layering) -> Iterator[str]:
    """Yield what the answer rests on, and what would make it better."""
    from calib.answers.layering.steps import mean_miss
    from calib.colour.colorimetry import delta_e_2000

    law, miss = found.paper.law, mean_miss(found.paper)
    last = found.steps[-1]
    if found.reverse is not None:
        apart = float(delta_e_2000(last.lab, found.reverse.colour.lab))
        yield from wrapped(f"The other way round it was measured: {apart:.1f} dE00 from this.")
    if all(step.source == "measured" for step in found.steps):
        return
    if miss is not None:
        count = "1 measured overlay" if law.overlays == 1 else f"{law.overlays} measured overlays"
        yield from wrapped(
            f"Predicted from the single inks and {count}, which the inks alone miss by {miss:.1f} dE00 in the mean."
        )
        return
    pens = f"by {law.pens} {'pen' if law.pens == 1 else 'pens'} read in both" if law.pens else "as is usual"
    yield from wrapped(
        f"Predicted from the single inks; two coats leave {law.numbers[0]:.2f} times the ink of one, {pens}."
    )
    yield from wrapped(
        "Which ink goes first matters on paper, and single inks do not tell how much: both orders are predicted "
        "alike. Colour a few real overlays to know: 'calib chart --over'."
    )
