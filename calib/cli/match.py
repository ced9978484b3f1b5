"""The nearest pens to a colour, a pen or the printed black: ``calib match``."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.cli.chips import chip_of
from calib.cli.lines import listed
from calib.cli.options import FilePath, answer_options, give_answer, read_tables

if TYPE_CHECKING:
    from calib.answers.matching.nearest import Fit, Match, Matches
    from calib.answers.matching.target import Target
    from calib.answers.shelf import Shelf

MOST_COUNT = 1000
MOST_TIED = 5
SAID = {
    "same": "nobody would see it",
    "near": "near",
    "fair": "some people would accept it",
    "far": "another colour",
}


class _Hex(click.ParamType[str]):
    name = "hex"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the colour in lower case with its sign."""
        found = re.fullmatch(r"#?([0-9a-fA-F]{6})", str(value).strip())
        if not found:
            self.fail(f"'{value}' is not a colour such as '#c8965a'; the shell needs the quotes", param, ctx)
        return f"#{found[1].lower()}"


class _Lab(click.ParamType[tuple[float, float, float]]):
    name = "lab"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float, float]:
        """Return L*, a* and b*."""
        if isinstance(value, tuple):
            return value
        try:
            L, a, b = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"'{value}' is not L*, a* and b* such as 62.5,18,24.1", param, ctx)
        return L, a, b


@click.command(epilog="Example: calib match colours.csv --marker 017 -o match.csv")
@click.argument("table", type=FilePath, metavar="COLOURS.CSV")
@click.option(
    "--hex", "screen", type=_Hex(), default=None, metavar="#RRGGBB", help="A screen colour to come near to."
)
@click.option(
    "--lab", type=_Lab(), default=None, metavar="L,A,B", help="A colour to come near to, as L*, a* and b*."
)
@click.option(
    "--marker", type=str, default=None, metavar="ID", help="A pen of the table that wants a stand-in."
)
@click.option("--black", is_flag=True, help="The printer's black as it was measured.")
@click.option(
    "--count",
    type=click.IntRange(1, MOST_COUNT),
    default=5,
    metavar="NUMBER",
    help="How many pens to name.  [default: 5]",
)
@click.option("--all", "everything", is_flag=True, help="Name blenders and flagged pens too.")
@click.option(
    "-o", "output", type=FilePath, default=None, metavar="MATCH.CSV", help="Write the matches to this file."
)
@answer_options
def match(
    table: Path,
    screen: str | None,
    lab: tuple[float, float, float] | None,
    marker: str | None,
    black: bool,
    count: int,
    everything: bool,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Find the pens that come nearest to a colour, to another pen, or to the printed black.

    A pen wants a stand-in when it is dry; it is matched in one coat and in two. The printed black is for touching up pale spots of printed lines.
    """
    from calib.answers.matching.matchfile import match_answer
    from calib.answers.matching.nearest import match as find
    from calib.answers.shelf import shelf_of

    if sum((screen is not None, lab is not None, marker is not None, black)) != 1:
        raise click.UsageError("say what to match: one of --hex, --lab, --marker or --black")
    (read,) = read_tables(quiet, [table], output)
    shelf = shelf_of(read)
    found = find(shelf, _target(shelf, screen, lab, marker), count, everything)
    answer = match_answer(read, found, target=found.target.called, count=count, all=everything)
    give_answer(quiet, as_json, answer, output, list(_words(found)))


def _target(
    shelf: Shelf, screen: str | None, lab: tuple[float, float, float] | None, marker: str | None
) -> Target:
    import numpy as np

    from calib.answers.matching.target import as_the_pen, check_lab, given_hex, given_lab, printed_black

    if screen is not None:
        return given_hex(screen)
    if lab is not None:
        check_lab(np.array(lab))
        return given_lab(np.array(lab))
    return printed_black(shelf) if marker is None else as_the_pen(shelf, marker)


def _words(found: Matches) -> Iterator[str]:
    """Yield the answer in plain words."""
    from calib.colour.naming import colour_words

    target, shelf = found.target, found.shelf
    aim = next(iter(target.aims.values()))
    named = colour_words(aim.lab, shelf.white)
    yield from listed(
        f"Nearest to {target.called} ({named}) on '{shelf.paper}'; in brackets the 95 % interval:"
    )
    for note in target.notes:
        yield from listed(note, "  ")
    if not found.found:
        yield "  none: the table has no other pen with a colour."
    for rank, one in enumerate(found.found, start=1):
        yield from _match(rank, one)
    yield from _close(found)
    for one in (*found.twice, *found.once):
        fit = one.worst
        said = (
            f"Nearer than any single coat: two coats of {one.pen.called} for one"
            if fit.coats == 2
            else f"Nearer than any two coats: one coat of {one.pen.called} for two"
        )
        yield from listed(f"{said}, {_figures(fit)}{_how(fit)}.")
    yield from _limits(found)
    if found.left:
        names = list(found.left)
        more = f" and {len(names) - 8} more" if len(names) > 8 else ""
        yield from listed(
            f"Not offered, because flagged or changed: {', '.join(names[:8])}{more}; --all names them too."
        )


def _match(rank: int, one: Match) -> Iterator[str]:
    fits = one.fits
    chance = f"; the nearest with {100 * one.chance:.0f} % chance" if one.chance >= 0.01 and rank <= 3 else ""
    if len(fits) == 1:
        fit = fits[0]
        # Of a colour that was asked for it is not clear which coat is meant; of a pen it is.
        coats = " in two coats" if fit.coats == 2 else "" if fit.aim else " in one coat"
        yield from listed(
            f"{rank}. {chip_of(fits[0].taken.film.reading)}{one.pen.called}{coats}: {_figures(fit)}{_how(fit)} ({SAID[one.verdict]}{chance})",
            "",
        )
        return
    yield from listed(
        f"{rank}. {chip_of(*(fit.taken.film.reading for fit in fits))}{one.pen.called} ({SAID[one.verdict]}{chance})",
        "",
    )
    for fit in fits:
        coats = "one coat" if fit.aim == 1 else "two coats"
        yield from listed(f"{coats}: {_figures(fit)}{_how(fit)}", "     ")


def _figures(fit: Fit) -> str:
    return f"{fit.dE00:.1f} dE00 ({fit.low:.1f}..{fit.high:.1f})"


def _how(fit: Fit) -> str:
    return f", {', '.join(fit.differs)}" if fit.differs else ""


def _close(found: Matches) -> Iterator[str]:
    """Yield how sure the first place is, and that nothing is near where nothing is."""
    if not found.found:
        return
    first = found.found[0]
    if first.verdict == "far":
        yield from listed("None of your pens is near: the first is another colour to most people.")
    if found.undecided > 1:
        tied = [_named(one) for one in found.found if one.tied]
        more = found.undecided - len(tied)
        named = ", ".join(tied[:MOST_TIED])
        others = more + max(len(tied) - MOST_TIED, 0)
        rest = f" and {others} more" if others else ""
        yield from listed(
            f"Which is truly the nearest cannot be told for certain: with 95 % chance one of {named}{rest}."
        )


def _named(one: Match) -> str:
    # Where a colour is asked for, a pen may stand in the list in one coat and in two.
    return f"{one.pen.called}, 2 coats" if one.worst.coats == 2 and not one.worst.aim else one.pen.called


def _limits(found: Matches) -> Iterator[str]:
    """Yield what the figures rest on."""
    from calib.answers.matching.reach import beyond_words

    target = found.target
    if target.kind == "colour":
        aim = target.aims[0]
        known = all(fit.taken.film.reading.u_abs is not None for one in found.found for fit in one.fits)
        yield from listed(
            "A colour from elsewhere is compared as a laboratory would see it, so the scanner's own colour error is in the intervals and chances."
            if known
            else "The table does not state for all of these how far the scanner's own colour may be off, so the true differences may be larger."
        )
        for sentence in beyond_words(found.shelf, aim.lab):
            yield from listed(sentence)
    elif target.kind == "black":
        black = target.aims[0].lab[0]
        if all(taken.film.lab[0] > black + 1 for pen in found.shelf.offered for taken in pen.coats.values()):
            yield from listed(f"No pen is as dark as the printed black (L {black:.0f}).")
