"""One ink over another: ``calib layer``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.options import FilePath, answer_options, give_answer, read_tables

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from calib.answers.layering.steps import Layering, Step

    Array = NDArray[np.float64]

WIDTH = 79
SHOWS = {
    "yes": "it shows",
    "no": "nobody would see it",
    "unsure": "it may be hard to see",
}


@click.command(epilog="Example: calib layer colours.csv 012 034 -o layers.csv")
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
    yield from _wrapped(
        f"Inks over each other on '{found.shelf.paper}', the lowest first; in brackets the 95 % interval:"
    )
    lab = found.paper.ground.lab
    for number, (step, pen) in enumerate(zip(found.steps, found.pens, strict=True), start=1):
        yield from _step(number, step, pen.called, lab, found)
        lab = step.lab
    yield ""
    yield from _rests_on(found)


def _step(number: int, step: Step, called: str, below: Array, found: Layering) -> Iterator[str]:
    from calib.colour.naming import colour_words, difference_words

    over = "" if number == 1 else ", a second coat" if step.layers == 2 else " over that"
    sure = "as measured" if step.source == "measured" else f"to within {step.within:.1f} dE00"
    L, a, b = step.lab
    yield from _wrapped(
        f"{number}. {called}{over}: {colour_words(step.lab, found.shelf.white)}, L {L:.0f} a {a:.0f} b {b:.0f}, {sure}"
    )
    how = step.how
    # Where it may be nothing at all, words for it would say too much.
    differs = ", ".join(difference_words(below, step.lab)) if how.low > 0 else ""
    against = "the bare paper" if number == 1 else "what lies below"
    yield from _wrapped(
        f"against {against}: {how.dE00:.1f} dE00 ({how.low:.1f}..{how.high:.1f}), "
        f"L {how.dL:+.0f} ({how.dL_low:+.0f}..{how.dL_high:+.0f}); {SHOWS[how.shows]}"
        + (f": {differs}" if differs else ""),
        "     ",
    )


def _rests_on(found: Layering) -> Iterator[str]:
    """Yield what the answer rests on, and what would make it better."""
    from calib.answers.layering.steps import mean_miss
    from calib.colour.colorimetry import delta_e_2000

    law, miss = found.paper.law, mean_miss(found.paper)
    guessed = any(step.source == "predicted" for step in found.steps)
    if found.reverse is not None and found.steps[-1].source == "predicted":
        apart = float(delta_e_2000(found.steps[-1].lab, found.reverse.colour.lab))
        yield from _wrapped(
            f"The other way round it was measured, {apart:.1f} dE00 from what is predicted here."
        )
    elif found.reverse is not None:
        apart = float(delta_e_2000(found.steps[-1].lab, found.reverse.colour.lab))
        yield from _wrapped(f"The other way round it was measured too: {apart:.1f} dE00 from this.")
    if not guessed:
        return
    if miss is not None:
        pairs = "overlay" if law.overlays == 1 else "overlays"
        yield from _wrapped(
            f"Predicted from the single inks, and from {law.overlays} measured {pairs}, which the inks alone had missed "
            f"by {miss:.1f} dE00 in the mean."
        )
        return
    pens = (
        f"{law.pens} {'pen' if law.pens == 1 else 'pens'} read in one coat and two"
        if law.pens
        else "what is usual"
    )
    yield from _wrapped(
        f"Predicted from the single inks. Two coats leave {law.numbers[0]:.2f} times the ink of one, by {pens}. Which ink goes first matters on paper, and no single ink "
        "tells how much, so both orders are predicted nearly alike. Real overlays tell: colour a few, with 'calib chart --over'."
    )


def _wrapped(line: str, indent: str = "") -> list[str]:
    import textwrap

    return textwrap.wrap(
        line,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + "   ",
        break_long_words=False,
        break_on_hyphens=False,
    )
