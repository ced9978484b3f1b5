"""Neutral pens and their casts: ``calib greys``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.chips import chip_of
from calib.cli.lines import listed, signed
from calib.cli.options import FilePath, Number, answer_options, give_answer, read_tables

if TYPE_CHECKING:
    from calib.answers.greys.casts import Grey
    from calib.answers.greys.families import Greys
    from calib.answers.greys.ladders import Ladder

MOST = 40
MOST_TURNS = 6


@click.command(epilog="Example: calib greys colours.csv -o greys.csv")
@click.argument("table", type=FilePath, metavar="COLOURS.CSV")
@click.option(
    "--within",
    type=Number(0.5, 30),
    default=7.0,
    metavar="CHROMA",
    help="How strong a cast a grey may have, as chroma beside the paper.  [default: 7]",
)
@click.option(
    "-o", "output", type=FilePath, default=None, metavar="GREYS.CSV", help="Write the greys to this file."
)
@answer_options
def greys(table: Path, within: float, output: Path | None, as_json: bool, quiet: bool) -> None:
    """Name the neutral and nearly neutral pens, from light to dark, and which way each leans on this paper.

    A grey is judged beside the paper's own white, because that is what the eye takes for white. Even ladders of three pens and more are named.
    """
    from calib.answers.greys.families import find_greys
    from calib.answers.greys.greysfile import greys_answer
    from calib.answers.greys.ladders import ladders_of

    (read,) = read_tables(quiet, [table], output)
    found = find_greys(read, within)
    ladders = ladders_of(found.greys)
    give_answer(quiet, as_json, greys_answer(read, found, ladders), output, list(_words(found, ladders)))


def _words(found: Greys, ladders: Sequence[Ladder]) -> Iterator[str]:
    """Yield the answer in plain words."""
    shelf = found.shelf
    if not found.greys:
        yield from listed(
            f"No pen on '{shelf.paper}' is within a chroma of {found.within:g} of the paper's own white."
        )
        return
    white = (
        "the paper's white is not known, so greys are judged against a perfect white"
        if shelf.white is None
        else (
            f"beside its white (L {shelf.white[0]:.0f}, a {signed(shelf.white[1])}, b {signed(shelf.white[2])})"
        )
    )
    yield from listed(f"Greys on '{shelf.paper}' from light to dark, {white}:")
    neutral = next((g for g in sorted(found.greys, key=lambda g: g.chroma) if g.sure and not g.words), None)
    for grey in found.greys[:MOST]:
        yield from listed(_grey(grey), "  ")
    if len(found.greys) > MOST:
        yield f"  and {len(found.greys) - MOST} more; -o FILE writes all."
    if neutral is not None:
        yield from listed(f"Truly neutral, the nearest to it first: {_named(found.greys)}.")
    else:
        yield "None is neutral beyond doubt."
    for number, ladder in enumerate(ladders, start=1):
        yield from listed(_ladder(number, ladder))
    yield from _turn_words(found)
    yield from _family_words(found)


def _grey(grey: Grey) -> str:
    lean = (
        f"{' and '.join(grey.words)} ({signed(grey.cast[0])} a, {signed(grey.cast[1])} b)"
        if grey.words
        else "neutral"
    )
    doubt = "" if grey.sure else ", perhaps"
    chip = chip_of(grey.pen.coats[grey.layers].film.reading)
    return f"L {grey.lab[0]:3.0f}  {chip}{grey.pen.called}{_coats(grey)}: {lean}{doubt}"


def _coats(grey: Grey) -> str:
    return ", 2 coats" if grey.layers == 2 else ""


def _named(greys: Sequence[Grey]) -> str:
    order = [g for g in sorted(greys, key=lambda g: g.chroma) if g.sure and not g.words]
    return ", ".join(f"{g.pen.called}{_coats(g)}" for g in order[:6])


def _ladder(number: int, ladder: Ladder) -> str:
    coats = "in two coats" if ladder.greys[0].layers == 2 else "in one coat"
    rungs = ", ".join(f"{g.pen.called} (L {g.lab[0]:.0f})" for g in ladder.greys)
    return f"Ladder {number}, {coats}, {ladder.span:.0f} L in {len(ladder.greys) - 1} steps: {rungs}."


def _family_words(found: Greys) -> Iterator[str]:
    """Yield how the greys of a set lean, on each paper where they were measured."""
    sets: dict[str, dict[str, list[str]]] = {}
    for one in found.families:
        lean = (
            f"{one.word} ({signed(one.cast[0])} a, {signed(one.cast[1])} b)"
            if one.word != "neutral"
            else "neutral"
        )
        coats = "in two coats" if one.layers == 2 else "in one coat"
        said = f"{coats} {lean}, {one.neutral} of {one.pens} neutral"
        sets.setdefault(one.set, {}).setdefault(one.paper, []).append(said)
    for name, papers in sets.items():
        told = "; ".join(f"on {paper} {', '.join(said)}" for paper, said in papers.items())
        yield from listed(f"Greys of the set '{name}': {told}.")


def _turn_words(found: Greys) -> Iterator[str]:
    """Yield what a second coat does to the casts, where it was measured."""
    turned = [turn for turn in found.turns if turn.sure and turn.words]
    kept = [turn for turn in found.turns if turn.sure and not turn.words]
    for turn in turned[:MOST_TURNS]:
        yield from listed(
            f"A second coat turns {turn.one.pen.called} {' and '.join(turn.words)} ({turn.step[0]:+.1f} a, {turn.step[1]:+.1f} b)."
        )
    if len(turned) > MOST_TURNS:
        yield f"It turns {len(turned) - MOST_TURNS} more; -o FILE writes all."
    if kept:
        more = f" and {len(kept) - MOST_TURNS} more" if len(kept) > MOST_TURNS else ""
        names = ", ".join(turn.one.pen.called for turn in kept[:MOST_TURNS])
        yield from listed(f"These keep their lean in a second coat: {names}{more}.")
