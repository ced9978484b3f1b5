"""The failures a user can meet: each is a sentence, a way out and an exit code.

Nothing below the command line prints or exits; it raises one of these. The exit codes are the
contract's: 2 for what cannot be done at all, 3 for a file, 4 for something not found in a scan,
5 for a scan that was read but is not fit to measure, 10 for findings under ``--check``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# Control characters (a terminal takes orders by them), halves of surrogate pairs, the two line separators, and what
# turns the reading direction round (Unicode 15, general categories Cc, Cs, Zl, Zp and the explicit bidi controls).
_STEERING = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def harmless(text: str, lines: bool = False) -> str:
    r"""Return text that a terminal only shows: what would steer it stands as \u001b, as JSON writes it too.

    lines: keep line ends, and let a line that begins with a tab begin with spaces.
    """
    if lines:
        text = text.replace("\n\t", "\n  ")
    return _STEERING.sub(
        lambda found: found[0] if lines and found[0] == "\n" else f"\\u{ord(found[0]):04x}", text
    )


class CalibError(Exception):
    """A failure with a sentence for the user.

    what: what went wrong and where, without a full stop at the end.
    todo: what the user can do about it, a sentence of its own, may be empty.
    """

    exit_code = 1

    def __init__(self, what: str, todo: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.todo = todo

    def __str__(self) -> str:
        return f"{self.what}. {self.todo}" if self.todo else self.what

    def __reduce__(self) -> tuple[Any, ...]:
        # Exceptions are pickled as a call with their words, which is not how all of ours are made.
        return _restored, (type(self), self.args), self.__dict__

    @classmethod
    def joined(cls, errors: Sequence[CalibError]) -> CalibError:
        """Return one error that says what all of these say, with the exit code of the first."""
        both = CalibError("\n".join(str(error) for error in errors))
        both.exit_code = errors[0].exit_code
        return both


def _restored(kind: type[CalibError], words: tuple[str, ...]) -> CalibError:
    return kind.__new__(kind, *words)


class ImpossibleError(CalibError):
    """What was asked for cannot be made, such as a strip longer than its page."""

    exit_code = 2


@dataclass(frozen=True)
class Problem:
    """One mistake in one file; line 0 means the file as a whole."""

    path: Path
    line: int
    message: str

    def __str__(self) -> str:
        # A file's name may hold anything but a slash, line ends too.
        where = harmless(str(self.path))
        return f"{where}:{self.line}: {self.message}" if self.line else f"{where}: {self.message}"


class InputError(CalibError):
    """A file that cannot be used; it carries every mistake found in that file."""

    exit_code = 3
    SHOWN = 20

    def __init__(self, problems: Sequence[Problem], todo: str = "") -> None:
        self.problems = tuple(problems)
        lines = [str(problem) for problem in self.problems[: self.SHOWN]]
        if len(self.problems) > self.SHOWN:
            lines.append(f"and {len(self.problems) - self.SHOWN} more mistakes of the same file")
        super().__init__("\n".join(lines), todo)

    @classmethod
    def of(cls, path: Path, message: str, todo: str = "") -> InputError:
        """Return the error for one mistake of a whole file."""
        return cls([Problem(Path(path), 0, message)], todo)


class OutputError(CalibError):
    """A file that cannot be written."""

    exit_code = 3


class NotFoundError(CalibError):
    """The chart, a page or the strip was not found in a scan, or belongs to another chart."""

    exit_code = 4


class UnfitError(CalibError):
    """A scan that was read but is not fit to measure."""

    exit_code = 5


def raise_all(problems: Iterable[Problem], todo: str = "") -> None:
    """Raise one InputError for all problems, if there are any."""
    found = list(problems)
    if found:
        raise InputError(found, todo)
