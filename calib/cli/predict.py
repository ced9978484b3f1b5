"""A table carried over to another paper, or to a second coat: ``calib predict``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.chips import swatch_rows
from calib.cli.lines import wrapped
from calib.cli.options import FilePath, Stop, answer_options, note, read_tables, say, say_json

if TYPE_CHECKING:
    from calib.answers.carrying.choice import Learned
    from calib.answers.carrying.predict import Prediction
    from calib.answers.films import Left
    from calib.answers.secondcoat.twocoats import TwoCoats
    from calib.table.table import Table

# A model of more weight than this is named alone.
ALONE = 0.95


@click.command(epilog="Example: calib predict colours.csv rough-few.csv -o rough.csv")
@click.argument("tables", type=FilePath, nargs=-1, required=True, metavar="FULL.CSV [FEW.CSV]")
@click.option(
    "-o",
    "output",
    type=FilePath,
    required=True,
    metavar="PREDICTED.CSV",
    help="The table to write; its description is written beside it.",
)
@click.option(
    "--layers",
    type=click.Choice(["2"]),
    default=None,
    metavar="2",
    help="Predict two coats from one, on the paper of the first table; more tables help to learn from.",
)
@answer_options
def predict(tables: tuple[Path, ...], output: Path, layers: str | None, quiet: bool, as_json: bool) -> None:
    """Carry every marker of FULL.CSV over to the paper of FEW.CSV, on which you coloured only a few of them.

    The new table has all markers on the new paper: those that you coloured as they were measured, the others
    predicted and flagged so. 'calib chart --pick 24 --from FULL.CSV' chooses which few to colour.
    """
    if layers:
        _two_coats(read_tables(quiet, tables, output), output, quiet, as_json)
        return
    if len(tables) != 2:
        raise click.UsageError(
            "give two tables: all markers on one paper, then a few on the new one (or one and --layers 2)"
        )
    from calib.answers.carrying.predict import predict as carry_over

    full, few = read_tables(quiet, tables, output)
    found = carry_over(full, few)
    _give(found.table, found.warnings, list(_words(found)), output, (quiet, as_json))


def _two_coats(tables: Sequence[Table], output: Path, quiet: bool, as_json: bool) -> None:
    from calib.answers.secondcoat.twocoats import predict_two_coats

    found = predict_two_coats(tables)
    _give(found.table, found.warnings, list(_coat_words(found, tables[0])), output, (quiet, as_json))


def _give(
    table: Table, warnings: Sequence[str], lines: Sequence[str], output: Path, how: tuple[bool, bool]
) -> None:
    """Write a table and say what was done, in words or as JSON."""
    from calib.table.answerfile import Answer, answer_json
    from calib.table.columns import COLUMNS
    from calib.table.table import KEY, write_table

    quiet, as_json = how
    Stop.check()
    write_table(output, table)
    note(quiet, *warnings)
    if as_json:
        rows = tuple(tuple(getattr(row, column.name) for column in COLUMNS) for row in table.readings)
        notes = table.origin.notes()
        answer = Answer("predict", "Predicted colours", COLUMNS, rows, KEY, notes, tuple(warnings))
        say_json(quiet, answer_json(answer))
        return
    for line in lines:
        say(quiet, *wrapped(line))
    say(quiet, *swatch_rows(table.readings))
    say(quiet, f"Written: {output}")


def _words(found: Prediction) -> Iterator[str]:
    learned = found.learned
    paper = found.few.paper
    if not found.predicted:
        yield f"{paper} already has every swatch of the first table that can be used; there was nothing to carry over."
        yield "Are the tables in the wrong order? All markers come first, then the few."
        return
    many = f"{found.predicted} swatch{'es' if found.predicted > 1 else ''}"
    if len(set(learned.lesson.markers.tolist())) < 3:
        yield f"Carried {many} over to {paper} from {found.trained}. Model: {learned.trial.family.words}."
    else:
        yield (
            f"Carried {many} over to {paper} from {found.trained}: expect errors of "
            f"{learned.error:.1f} dE00 in the mean (cross-validated) and 95 of 100 under "
            f"{learned.p95:.1f}; direct use would be {learned.expected['direct']:.1f}."
        )
        yield _model(learned)
    if learned.strength is not None:
        off, old = 100 * (learned.strength - 1), found.full.paper
        if abs(off) >= 1:
            yield f"On {paper} your pens leave {abs(off):.0f} % {'more' if off > 0 else 'less'} colour than on {old}."
    yield from _left(found.left)
    yield "The predicted rows are flagged 'predicted'; colour what matters most yourself."


def _model(learned: Learned) -> str:
    """Return which models were averaged, those of the most weight by name."""
    names = {one.family.name: one.family.words for one in learned.mixture.trials}
    first, most = max(learned.weights.items(), key=lambda each: each[1])
    if most > ALONE:
        return f"Model: {names[first]}."
    return (
        f"Model: a mean of {len(names)}, each weighed by how well it guesses swatches that it has not seen. "
        f"Most weight has: {names[first]}."
    )


def _coat_words(found: TwoCoats, table: Table) -> Iterator[str]:
    many = f"{found.predicted} second coat{'s' if found.predicted != 1 else ''}"
    learned = f"from {found.trained} marker{'s' if found.trained != 1 else ''} with both"
    if found.predicted:
        line = f"Predicted {many} {learned}"
        if found.mean is not None and found.p95 is not None:
            line += (
                f": expect errors of {found.mean:.1f} dE00 in the mean (cross-validated), "
                f"95 of 100 under {found.p95:.1f}"
            )
        yield f"{line}."
        yield f"Model: {found.model}. Two coats leave {found.exponent:.2f} times the ink of one."
    else:
        yield "Nothing was left to predict: every marker has its second coat."
    yield from _left(found.left)


def _left(left: Sequence[Left]) -> Iterator[str]:
    from calib.answers.films import left_words

    yield from left_words(left)
