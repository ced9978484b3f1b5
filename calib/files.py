"""Text tables in, whole files out.

Everything that a person may have typed or exported from a spreadsheet comes in through
``read_rows``; everything the program writes goes out through ``write_whole``, so that a file
appears whole or not at all.
"""

from __future__ import annotations

import codecs
import csv
import errno
import io
import math
import os
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from calib.errors import InputError, OutputError, Problem
from calib.kinds import foreign_bytes, foreign_text, mistaken
from calib.staging import Part, discard, group_of, put_in_place, stage

# A marker list or a table of 100,000 rows is under 40 MB; anything far beyond that is not a list.
MOST_BYTES = 200_000_000
# A spreadsheet that was exported with all its empty columns has a few hundred.
MOST_COLUMNS = 1000
# Of a cell, in characters: the csv module's own limit.
MOST_CELL = 131_072
# Of a line, in characters: what the csv module makes of longer ones would fill the memory.
MOST_LINE = 1_000_000
# What is written to see whether a place can be written to: a table's size, more or less.
PROBED_BYTES = 65_536
# What spreadsheets write above the header to say which separator follows.
_SEPARATOR_LINE = re.compile(r"\s*sep=([,;\t])\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Row:
    """One row of a text table: its line in the file and its cells by column name."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True)
class Rows:
    """A text table as it was found: path, column names in order, rows, and the separator."""

    path: Path
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    separator: str

    def number(self, row: Row, column: str) -> float | None:
        """Return the finite number in a cell, None where it is empty.

        A decimal comma is accepted where the separator leaves it unambiguous, because that is
        what a spreadsheet writes in half of Europe. Raises ValueError with a sentence.
        """
        text = row.cells.get(column, "").strip()
        if not text:
            return None
        plain = text.replace(",", ".") if self.separator != "," and text.count(",") == 1 else text
        try:
            value = float(plain)
        except ValueError:
            value = math.nan
        # float() also takes 'nan', 'inf' and '1_000', none of which is a measured number.
        if not math.isfinite(value) or "_" in plain:
            hint = ""
            if re.fullmatch(r"[+-]?\d+,\d+", text):
                hint = f"; where commas part the columns, write {text.replace(',', '.')} with a point"
            raise ValueError(f"column '{column}' holds '{shorten(text)}', which is not a number{hint}")
        return value

    def numbers(
        self, row: Row, needed: Sequence[str], optional: Sequence[str] = ()
    ) -> tuple[dict[str, float], list[str]]:
        """Return the numbers of a row by column, and a sentence for each that is broken or missing.

        needed: columns that must hold one. optional: columns that may be empty; those are left out.
        """
        values: dict[str, float] = {}
        problems = []
        for column in (*needed, *optional):
            try:
                value = self.number(row, column)
            except ValueError as error:
                problems.append(str(error))
                continue
            if value is not None:
                values[column] = value
            elif column in needed:
                problems.append(f"has no value in the column '{column}'")
        return values, problems

    def filled(self, columns: Sequence[str]) -> list[str]:
        """Return those of the columns that hold anything in any row."""
        return [name for name in columns if any(row.cells.get(name, "").strip() for row in self.rows)]


SAVE_AGAIN = "Save it again as 'CSV UTF-8' (plain text in UTF-8)."


def shorten(text: str, most: int = 40) -> str:
    """Return text on one line and cut to a length that fits a message."""
    line = "".join(c if c.isprintable() else " " for c in text)
    return line if len(line) <= most else line[: most - 1] + "…"


def read_bytes(path: Path, most: int = MOST_BYTES) -> bytes:
    """Return a regular file's bytes; raise InputError with a sentence where that fails."""
    path = Path(path)
    try:
        if path.is_dir():
            raise InputError.of(path, "is a folder, not a file")
        if not path.exists():
            raise InputError.of(path, "does not exist")
        # A pipe or a device would make the program wait for ever.
        if not path.is_file():
            raise InputError.of(path, "is not a regular file")
        size = path.stat().st_size
        if size > most:
            raise InputError.of(path, f"is {size / 1e6:.0f} MB large, more than such a file can be")
        return path.read_bytes()
    except OSError as error:
        raise InputError.of(path, f"cannot be read ({error.strerror or error})") from error
    except ValueError as error:
        raise InputError.of(path, f"cannot be read ({error})") from error


def read_text(path: Path) -> str:
    """Return a text file decoded from UTF-8, or from UTF-16 where a byte order mark says so.

    Raises InputError where it is in another encoding or no text at all, and then says what it is instead.
    """
    data = read_bytes(path)
    what, todo = foreign_bytes(data)
    if what:
        raise InputError.of(path, what, todo)
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    else:
        encoding = "utf-8-sig"
    try:
        # A file that was put together from several may hold the mark more than once.
        text = data.decode(encoding).lstrip("\ufeff")
    except UnicodeDecodeError as error:
        if encoding == "utf-16":
            raise InputError.of(
                path, "begins as UTF-16 text and does not go on as such", SAVE_AGAIN
            ) from error
        line = data[: error.start].count(b"\n") + 1
        raise InputError([Problem(Path(path), line, "is not UTF-8 text")], SAVE_AGAIN) from error
    if "\0" in text:
        raise InputError.of(path, "holds zero bytes, so it is not a text file in UTF-8", SAVE_AGAIN)
    what, todo = foreign_text(text)
    if what:
        raise InputError.of(path, what, todo)
    return text


def read_rows(path: Path, required: tuple[str, ...] = (), wanted: str = "") -> Rows:
    """Read a CSV file with a header row as spreadsheets really write it.

    Takes a byte order mark, comma, semicolon or tab as separator, any line ends, and skips empty
    rows. Column names are stripped and matched as they are. wanted: which of the kinds of
    ``calib.kinds`` it should be, so that another one is named. Raises InputError with every
    mistake found: missing or doubled columns, rows with too many cells, broken quotes.
    """
    path = Path(path)
    text = read_text(path)
    _check_lines(path, text)
    # Where a line of a table is long, this looks at the beginning alone.
    header_line = next((line for line in io.StringIO(text, newline="") if line.strip()), "")
    if not header_line:
        raise InputError.of(path, "is empty; its first row must name the columns")
    told = _SEPARATOR_LINE.fullmatch(header_line)
    separator = told[1] if told else max(",;\t", key=header_line.count)
    # The csv module refuses fields over its limit, which is right for us: no name is that long. Some libraries raise it.
    csv.field_size_limit(MOST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    problems: list[Problem] = []
    columns: tuple[str, ...] = ()
    rows: list[Row] = []
    last = 0
    try:
        for record in reader:
            line, last = last + 1, reader.line_num
            if not record or not any(cell.strip() for cell in record):
                continue
            if told:
                told = None
                continue
            if not columns:
                columns = tuple(cell.strip() for cell in record)
                # Spreadsheets pad the header with empty names when a stray cell was once filled.
                while columns and not columns[-1]:
                    columns = columns[:-1]
                if len(columns) > MOST_COLUMNS:
                    raise InputError(
                        [Problem(path, line, f"names {len(columns)} columns; {MOST_COLUMNS} is the most")]
                    )
                problems += _header_problems(path, line, columns, required)
                _check_kind(path, columns, wanted, any(name not in columns for name in required))
                continue
            if any(cell.strip() for cell in record[len(columns) :]):
                problems.append(
                    Problem(path, line, f"has {len(record)} cells where the header names {len(columns)}")
                )
            padded = record + [""] * (len(columns) - len(record))
            rows.append(Row(line, dict(zip(columns, padded, strict=False))))
    except csv.Error as error:
        problems.append(Problem(path, last + 1, f"is broken here: {_csv_words(error)}"))
    if not columns and not problems:
        raise InputError.of(path, "names no columns in its first row")
    if problems:
        raise InputError(problems)
    return Rows(path, columns, tuple(rows), separator)


def _header_problems(
    path: Path, line: int, columns: tuple[str, ...], required: tuple[str, ...]
) -> list[Problem]:
    found = []
    for name, times in sorted(Counter(columns).items()):
        if times > 1:
            found.append(Problem(path, line, f"names the column '{shorten(name)}' {times} times"))
    missing = ", ".join(f"'{name}'" for name in required if name not in columns)
    if missing:
        seen = ", ".join(shorten(c) for c in columns[:8]) + (", ..." if len(columns) > 8 else "")
        found.append(Problem(path, line, f"has no column {missing} (it has: {seen})"))
    return found


def _check_lines(path: Path, text: str) -> None:
    """Refuse lines that no table has, before anything is made of them."""
    start = text[:100].lstrip()
    if start[:1] in ("{", "["):
        raise InputError.of(path, "is JSON, such as a plan, and not CSV", "Give the .csv file.")
    for line, content in enumerate(io.StringIO(text, newline=""), start=1):
        if len(content) > MOST_LINE:
            raise InputError(
                [Problem(path, line, f"is {len(content)} characters long; no table has such a line")]
            )


def _check_kind(path: Path, columns: tuple[str, ...], wanted: str, missing: bool) -> None:
    what, todo = mistaken(columns, wanted, missing)
    if what:
        raise InputError.of(path, what, todo)


def _csv_words(error: csv.Error) -> str:
    """Return what the csv module found, in words of everyday."""
    words = str(error)
    if "field larger" in words:
        return "a cell has no end within 131,072 characters; is a quotation mark left open?"
    if "unexpected end of data" in words:
        return "a quotation mark is left open"
    if "expected after" in words:
        return (
            'something stands behind a closing quotation mark; within quotes, write "" for a quotation mark'
        )
    return words


def write_whole(contents: Mapping[Path, bytes]) -> None:
    """Write files so that each appears whole or not at all, and those given together belong together.

    The first is the one that the others say something about: a table, then its description. Everything is
    first written beside its place under a temporary name and flushed to disk; only when all of them are there are
    they renamed. Raises OutputError, and leaves what stood there before, where anything cannot be written.
    """
    targets = {_target(Path(path)): data for path, data in contents.items()}
    group = group_of(next(iter(targets.values()), b""))
    parts: list[Part] = []
    try:
        for target, data in targets.items():
            parts.append(_stage(target, data, group))
        try:
            put_in_place(parts)
        except OSError as error:
            raise _unwritable(Path(error.filename2 or parts[0].target), error) from error
    finally:
        for part in parts:
            discard(part)


def _target(path: Path) -> Path:
    """Return the file to replace; raise OutputError where that is none."""
    try:
        # A link is followed, so that the file it points to is replaced and the link stays.
        target = path.resolve() if path.is_symlink() else path
        if target.is_dir():
            raise OutputError(f"{path}: is a folder, so no file can be written there")
        # Replacing a device or a pipe by a file would break it for every other program.
        if target.exists() and not target.is_file():
            raise OutputError(f"{path}: is a device or a pipe, not a file; give a file's name")
    except OSError as error:
        raise _unwritable(path, error) from error
    except RuntimeError as error:
        raise OutputError(f"{path}: is a link that leads back to itself") from error
    except ValueError as error:
        raise OutputError(f"{str(path)!r}: cannot be a file's name ({error})") from error
    return target


def _stage(path: Path, data: bytes, group: str) -> Part:
    """Write data beside path under a temporary name."""
    try:
        return stage(path, data, group)
    except OSError as error:
        raise _unwritable(path, error) from error
    except ValueError as error:
        raise OutputError(f"{str(path)!r}: cannot be a file's name ({error})") from error


def _unwritable(path: Path, error: OSError) -> OutputError:
    todo = {
        errno.ENOSPC: "Make room on the disk, or name another place.",
        errno.EDQUOT: "Make room on the disk, or name another place.",
        errno.EFBIG: "Name a place where a file may be as large as this one.",
        errno.ENAMETOOLONG: "Give it a shorter name.",
    }.get(error.errno or 0, "Check that the folder exists and is yours.")
    return OutputError(f"{path}: cannot be written ({error.strerror or error})", todo)


def check_writable(*paths: Path) -> None:
    """Refuse an output that cannot be written before the work is done, not after it.

    A little is really written beside its place and taken away again: rights, quotas and disks that are full or may
    only be read are the system's to judge.
    """
    for path in paths:
        target = _target(Path(path))
        try:
            if not target.absolute().parent.is_dir():
                raise OutputError(
                    f"{path}: cannot be written (there is no such folder)", "Make the folder first."
                )
            # A name may be too long though the temporary one, which is cut, is not.
            with suppress(FileNotFoundError):
                target.lstat()
        except OSError as error:
            raise _unwritable(path, error) from error
        except ValueError as error:
            raise OutputError(f"{str(path)!r}: cannot be a file's name ({error})") from error
        discard(_stage(target, bytes(PROBED_BYTES), group_of(b"")))


def check_folder(path: Path) -> None:
    """Refuse a folder for outputs that cannot be made or written to, before the work is done; make nothing."""
    path = Path(path)
    try:
        # What is there of it decides: the folder itself, or the nearest one above that exists.
        nearest = next(
            folder for folder in (path.absolute(), *path.absolute().parents) if os.path.lexists(folder)
        )
        with suppress(FileNotFoundError):
            path.lstat()
        if not nearest.is_dir():
            raise OutputError(f"{path}: cannot be a folder ({nearest} is a file)", "Name another folder.")
    except OSError as error:
        raise _unwritable(path, error) from error
    except ValueError as error:
        raise OutputError(f"{str(path)!r}: cannot be a folder's name ({error})") from error
    check_writable(nearest / "picture")


def make_folder(path: Path) -> None:
    """Make a folder and its parents; raise OutputError where that fails."""
    try:
        Path(path).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{path}: cannot be made a folder ({error.strerror or error})") from error
