"""What the commands share: kinds of options, what is said on stdout and on stderr, and being interrupted."""

from __future__ import annotations

import json
import math
import os
import re
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.cli.chips import coloured
from calib.cli.lines import fitted, wrapped
from calib.errors import CalibError, InputError, harmless

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from calib.table.answerfile import Answer
    from calib.table.table import Table

# What a command with --check returns where it has findings.
FINDINGS = 10
FilePath = click.Path(path_type=Path)


class Stop:
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


class Size(click.ParamType[tuple[float, float]]):
    """A size in millimetres such as 18x12, or the name of a paper size."""

    name = "size"

    def __init__(self, named: bool = False) -> None:
        self.named = named

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Return width and height in millimetres."""
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
            hint = "; write decimals with a point" if "," in value else ""
            self.fail(f"'{value}' is not {names}a size in millimetres such as 210x297{hint}", param, ctx)
        if not (0 < width < 1e4 and 0 < height < 1e4):
            self.fail(f"'{value}' is not a possible size", param, ctx)
        return width, height

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the names of paper sizes that begin so."""
        from click.shell_completion import CompletionItem

        from calib.chart.layout import PAPERS

        return [CompletionItem(name) for name in PAPERS if self.named and name.startswith(incomplete.lower())]


class FileOrWord(click.ParamType[str]):
    """The path of a file, or a word that stands for none."""

    name = "file"

    def __init__(self, word: str) -> None:
        self.word = word

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the word where it was begun; else leave it to the shell to complete names of files."""
        from click.shell_completion import CompletionItem

        # A shell that is given a word and files shows the word alone, so the word is for who asks for it.
        if len(incomplete) > 1 and self.word.startswith(incomplete):
            return [CompletionItem(self.word)]
        return [CompletionItem(incomplete, type="file")]


class Words(click.ParamType[str]):
    """Text of any kind; the shell completes the words that are usual."""

    name = "text"

    def __init__(self, *words: str) -> None:
        self.words = words

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the usual words that begin so."""
        from click.shell_completion import CompletionItem

        return [CompletionItem(word) for word in self.words if word.startswith(incomplete)]


class Number(click.ParamType[float]):
    """A number such as 1.8, within bounds; a decimal comma is explained, not guessed at."""

    name = "number"

    def __init__(self, least: float, most: float) -> None:
        self.least, self.most = least, most

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number."""
        if isinstance(value, float):
            return value
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        # float() also takes 'nan', 'inf' and '1_000'.
        if not math.isfinite(number) or "_" in value:
            comma = re.fullmatch(r"\s*[+-]?\d*,\d+\s*", value)
            hint = f"; write it with a point: {value.strip().replace(',', '.')}" if comma else ""
            self.fail(f"'{value}' is not a number{hint}", param, ctx)
        if not self.least <= number <= self.most:
            self.fail(f"{value} is outside {self.least:g} to {self.most:g}", param, ctx)
        return number


def difference(ctx: click.Context, param: click.Parameter, value: float) -> float:
    """Return a difference of colours that something is held against; refuse 0."""
    if not 0 < value <= 100:
        raise click.BadParameter(f"{value:g} is not a difference in dE00 above 0, such as 1.5", ctx, param)
    return value


def coats(ctx: click.Context, param: click.Parameter, value: str) -> tuple[int, ...]:
    """Return the coats that --layers asks for."""
    if value not in ("1", "2", "1,2"):
        raise click.BadParameter("give 1, 2 or 1,2", ctx, param)
    return tuple(int(n) for n in value.split(","))


def session_date(ctx: click.Context, param: click.Parameter, value: str | None) -> str:
    """Return the date of --session, today where it is not given."""
    if value is None:
        return date.today().isoformat()
    try:
        return date.fromisoformat(value).isoformat()
    except ValueError as error:
        raise click.BadParameter(f"'{value}' is not a date such as 2026-05-31", ctx, param) from error


def paper_name(ctx: click.Context, param: click.Parameter, value: str) -> str:
    """Return the name of --paper, its spaces evened out."""
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
        type=Size(named=True),
        default="a4",
        metavar="SIZE",
        help="a4, letter, a5 or millimetres such as 210x297.  [default: a4]",
    )(function)


def say(quiet: bool, *lines: str) -> None:
    """Print the short summary, on stdout: no line wider than 80 columns, chips as blocks of colour."""
    if not quiet:
        for line in lines:
            for part in harmless(line, lines=True).split("\n"):
                for fit in fitted(part):
                    click.echo(coloured(fit))


def say_json(quiet: bool, text: str) -> None:
    """Print JSON on stdout, with escapes where stdout lacks a letter of it."""
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        text = json.dumps(json.loads(text), indent=1)
    if not quiet:
        click.echo(harmless(text, lines=True))


def note(quiet: bool, *lines: str) -> None:
    """Print progress and warnings, on stderr."""
    if not quiet:
        for line in lines:
            complain(_fitted(f"calib: {harmless(line, lines=True)}"))


def _fitted(line: str) -> str:
    """Return a line broken between words where stderr is a terminal; a file or another program gets it whole."""
    if not sys.stderr.isatty():
        return line
    import shutil

    width = max(shutil.get_terminal_size().columns - 1, 40)
    return "\n".join(wrapped(line, width=width, whole=True))


def complain(words: str) -> None:
    """Print words on stderr; where stderr is full, or its reader has gone, the work still counts."""
    try:
        click.echo(words, err=True)
    except OSError:
        # What could not be said waits in a buffer, and Python would end with a complaint of its own, so it goes nowhere.
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())


def refuse_overwriting(output: Path, *inputs: Path | None) -> None:
    """Refuse to write the answer over what the user gave: a slip of the hand, and hours of work."""
    if not output.name:
        raise click.UsageError(f"-o '{output}' names no file")
    for path in inputs:
        if path is not None and _is_same(path, output):
            raise click.UsageError(f"-o {output} would overwrite an input file")


def plan_beside(output: Path, *inputs: Path | None) -> Path:
    """Return where the plan of a PDF goes; refuse where either would be written over an input."""
    refuse_overwriting(output, *inputs)
    plan_path = output.with_suffix(".json")
    if plan_path == output:
        raise click.UsageError("-o names the PDF; the plan is written beside it as .json")
    refuse_overwriting(plan_path, *inputs)
    return plan_path


def _is_same(one: Path, other: Path) -> bool:
    try:
        return one.exists() and other.exists() and one.samefile(other)
    except (OSError, ValueError):
        # A name that the system refuses outright; whoever reads or writes it has the words for that.
        return False


def answer_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add --quiet and --json, which every command takes that answers a question."""
    for option in (
        click.option("--quiet", is_flag=True, help="Print nothing but errors."),
        click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON instead of words."),
    ):
        function = option(function)
    return function


def check_option(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add --check, which makes findings an exit code."""
    return click.option(
        "--check", is_flag=True, help=f"End with exit code {FINDINGS} where there are findings."
    )(function)


def check_answer(output: Path, *tables: Path) -> tuple[Path, Path]:
    """Return the two files of an answer, its CSV and the description; refuse where one cannot be written or is an input."""
    from calib.files import check_writable
    from calib.table.csvw import metadata_path

    inputs = [path for table in tables if table.name for path in (table, metadata_path(table))]
    refuse_overwriting(output, *inputs)
    written = output, metadata_path(output)
    refuse_overwriting(written[1], *inputs)
    check_writable(*written)
    return written


def read_tables(quiet: bool, paths: Sequence[Path], output: Path | None = None) -> list[Table]:
    """Read measured colour tables, with their warnings on stderr; say all their mistakes at once.

    The output is checked first: nobody wants to wait for an answer that cannot be written.
    """
    from calib.table.table import read_table

    if output is not None:
        check_answer(output, *paths)
    tables: list[Table] = []
    errors: list[CalibError] = []
    for i, path in enumerate(paths):
        if any(_is_same(path, other) for other in paths[:i]):
            errors.append(InputError.of(path, "is given twice", "Name each table once."))
            continue
        try:
            table, warnings = read_table(path)
        except CalibError as error:
            errors.append(error)
            continue
        note(quiet, *warnings)
        tables.append(table)
    if errors:
        raise errors[0] if len(errors) == 1 else CalibError.joined(errors)
    return tables


def give_answer(
    quiet: bool, as_json: bool, answer: Answer, output: Path | None, lines: Sequence[str]
) -> None:
    """Write an answer's rows to a file, if one is named, and print it in words or as JSON."""
    from calib.table.answerfile import answer_json, write_answer

    Stop.check()
    if output is not None:
        write_answer(output, answer)
    note(quiet, *answer.warnings)
    if as_json:
        say_json(quiet, answer_json(answer))
    else:
        say(quiet, *lines, *([f"Written: {output}"] if output is not None else []))
