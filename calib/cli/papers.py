"""What paper does to the colours: ``calib papers``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.chips import chip
from calib.cli.lines import wrapped
from calib.cli.options import (
    FilePath,
    Stop,
    answer_options,
    check_answer,
    give_answer,
    read_tables,
    say,
)

if TYPE_CHECKING:
    from calib.answers.papers.comparison import Facts, Papers


@click.command(epilog="Example: calib papers colours.csv rough.csv -o papers.csv")
@click.argument("tables", type=FilePath, nargs=-1, required=True, metavar="A.CSV B.CSV...")
@click.option(
    "-o", "output", type=FilePath, default=None, metavar="PAPERS.CSV", help="Write one row per paper here."
)
@click.option(
    "--swatches",
    type=FilePath,
    default=None,
    metavar="FILE",
    help="Write one row per marker, layer and paper here.",
)
@answer_options
def papers(
    tables: tuple[Path, ...], output: Path | None, swatches: Path | None, quiet: bool, as_json: bool
) -> None:
    """Tell what each paper does to your colours, against the paper of the first table.

    Each table is one that 'calib measure' wrote; a table may also hold several papers. Swatches are compared by marker and
    number of coats.
    """
    from calib.answers.papers.comparison import compare_papers
    from calib.answers.papers.paperfile import left_out, papers_answer, swatches_answer
    from calib.table.answerfile import write_answer

    if swatches is not None:
        written = check_answer(swatches, *tables)
        if output is not None and {path.resolve() for path in written} & {
            path.resolve() for path in check_answer(output, *tables)
        }:
            raise click.UsageError("-o and --swatches name the same file")
    read = read_tables(quiet, tables, output)
    found = compare_papers(read)
    answer = papers_answer(found, read)
    Stop.check()
    if swatches is not None:
        write_answer(swatches, swatches_answer(found, read))
    lines = [line for words in (*_words(found), *left_out(found)) for line in wrapped(words)]
    give_answer(quiet, as_json, answer, output, lines)
    if swatches is not None and not as_json:
        say(quiet, f"Written: {swatches}")


def _words(found: Papers) -> Iterator[str]:
    from calib.answers.papers.sentences import by_itself, changes, on_this_paper, second_coat

    first, *others = found.facts
    yield f"{len(found.facts)} papers; the others are held against {first.sheet.paper}."
    for facts in others:
        if facts.against is None or facts.shift is None or not facts.against.keys:
            continue
        yield on_this_paper(facts, first)
        yield from changes(facts)
        yield from second_coat(facts, first)
    for facts in found.facts:
        yield f"{_white_chip(facts)}{by_itself(facts)}"


def _white_chip(facts: Facts) -> str:
    """Return the chip of a paper's white, where that was measured."""
    from calib.colour.colorimetry import lab_to_hex

    return chip(lab_to_hex(facts.white)[0][0]) if facts.white is not None else ""
