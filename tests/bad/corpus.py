"""A desk with one good file of every kind, and every way in which such a file is found broken on real desks.

Nothing here is read by the program's own code but the good files, which it wrote or which are shipped with it. The broken ones
are made by hand or by the standard library (zipfile, gzip, sqlite3, codecs).
"""

from __future__ import annotations

import bz2
import codecs
import gzip
import io
import json
import lzma
import shutil
import sqlite3
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
EARLIER = b"An earlier answer, hours of work.\n"
OUTPUTS = ("out.pdf", "out.json", "out.csv", "out.csv-metadata.json")


@dataclass(frozen=True)
class Reader:
    """One kind of file: its name on the desk, a command that reads it, and where a good one leads.

    json: is it JSON. goes_on: the file that is refused next where this one was read, because the desk's scan is no
    picture; empty where the command ends well.
    """

    file: str
    words: tuple[str, ...]
    json: bool = False
    goes_on: str = ""


MEASURE = ("measure", "chart.json", "scan.png", "--strip", "strip.csv", "--paper", "smooth", "-o", "out.csv")
SCANNER = (
    "scanner",
    "carrier.json",
    "scan.png",
    "--card",
    "card.csv",
    "--strip",
    "strip.csv",
    "-o",
    "out.json",
)
READERS = {
    "list": Reader("markers.csv", ("chart", "markers.csv", "--controls", "0", "-o", "out.pdf")),
    "plan": Reader("chart.json", MEASURE, True, "scan.png"),
    "carrier": Reader("carrier.json", SCANNER, True, "scan.png"),
    "strip": Reader("strip.csv", MEASURE, False, "scan.png"),
    "card": Reader("card.csv", ("carrier", "card.csv", "-o", "out.pdf")),
    "table": Reader("colours.csv", ("papers", "colours.csv", "rough.csv", "-o", "out.csv")),
    "notes": Reader(
        "colours.csv-metadata.json", ("papers", "colours.csv", "rough.csv", "-o", "out.csv"), True
    ),
    "scanner": Reader("scanner.json", (*MEASURE, "--scanner", "scanner.json"), True, "scan.png"),
}
# A few pens are enough, and quick.
ROWS = 20


class Desk:
    """A folder with one good file of every kind, and outputs of earlier runs."""

    def __init__(self, folder: Path, scanner: str) -> None:
        self.folder = folder
        for source, name in (
            ("charts/carrier-a4.json", "carrier.json"),
            *((f"examples/{name}", name) for name in ("chart.json", "strip.csv", "card.csv")),
        ):
            shutil.copy(ROOT / source, folder / name)
        for name, rows in (
            ("markers.csv", 8),
            ("colours.csv", ROWS),
            ("rough.csv", ROWS),
            ("autumn.csv", ROWS),
        ):
            lines = (ROOT / "examples" / name).read_text(encoding="utf-8").splitlines(keepends=True)
            (folder / name).write_text("".join(lines[: rows + 1]), encoding="utf-8")
        for name in ("colours.csv", "rough.csv", "autumn.csv"):
            beside = f"{name}-metadata.json"
            shutil.copy(ROOT / "examples" / beside, folder / beside)
        (folder / "scanner.json").write_text(scanner, encoding="utf-8")
        (folder / "scan.png").write_bytes(b"This is no picture.\n" * 50)
        for name in OUTPUTS:
            (folder / name).write_bytes(EARLIER)
        self.good = self.listing()

    def listing(self) -> dict[str, bytes]:
        """Every file with its bytes, hidden ones too; anything else by its kind."""
        return {
            str(path.relative_to(self.folder)): path.read_bytes() if path.is_file() else b"no file"
            for path in sorted(self.folder.rglob("*"))
        }

    def restore(self) -> None:
        """Make the desk as it was."""
        for path in sorted(self.folder.rglob("*"), reverse=True):
            if path.is_dir() and not path.is_symlink():
                path.rmdir()
            elif (
                str(path.relative_to(self.folder)) not in self.good or path.is_symlink() or not path.is_file()
            ):
                path.unlink()
        for name, data in self.good.items():
            if not (self.folder / name).exists() or (self.folder / name).read_bytes() != data:
                (self.folder / name).write_bytes(data)


# --- whole files ----------------------------------------------------------------------------------------------


def _zipped(names: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, data in names.items():
            archive.writestr(name, data)
    return stream.getvalue()


def _database() -> bytes:
    connection = sqlite3.connect(":memory:")
    connection.execute("create table marker (marker text)")
    return connection.serialize()


# Files of other kinds by what they are; the words that the refusal must hold, where it should know them.
OTHER_KINDS: dict[str, tuple[bytes, str]] = {
    "workbook": (
        _zipped({"[Content_Types].xml": b"<Types/>", "xl/workbook.xml": b"<workbook/>"}),
        "spreadsheet",
    ),
    "opendocument": (
        _zipped({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet", "content.xml": b"<x/>"}),
        "spreadsheet",
    ),
    "old-workbook": (bytes.fromhex("d0cf11e0a1b11ae1") + bytes(504), "spreadsheet"),
    "zip": (_zipped({"markers.csv": b"marker\n001\n"}), "zip"),
    "gzip": (gzip.compress(b"marker\n001\n"), "compressed"),
    "bzip2": (bz2.compress(b"marker\n001\n"), "compressed"),
    "xz": (lzma.compress(b"marker\n001\n"), "compressed"),
    "database": (_database(), "database"),
    "pdf": (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj<<>>endobj\n%%EOF\n", "PDF"),
    "png": (b"\x89PNG\r\n\x1a\n" + bytes(60), "picture"),
    "jpeg": (b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(60), "picture"),
    "tiff": (b"II*\x00\x08\x00\x00\x00" + bytes(60), "picture"),
    "big-endian-tiff": (b"MM\x00*\x00\x00\x00\x08" + bytes(60), "picture"),
    "gif": (b"GIF89a\x01\x00\x01\x00" + bytes(60), "picture"),
    "webp": (b"RIFF\x24\x00\x00\x00WEBPVP8 " + bytes(60), "picture"),
    "heic": (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(60), "picture"),
    "web-page": (b"<!DOCTYPE html>\n<html><table><tr><td>marker</td></tr></table></html>\n", "web page"),
    "web-page-in-capitals": (b"\xef\xbb\xbf\r\n <HTML><BODY>Sign in</BODY></HTML>", "web page"),
    "xml": (b'<?xml version="1.0"?>\n<Workbook><Row/></Workbook>\n', "XML"),
    "rtf": (rb"{\rtf1\ansi marker,name\par}", "word processor"),
    "program": (b"\x7fELF\x02\x01\x01" + bytes(60), ""),
    "noise": (bytes(range(256)) * 8, ""),
    "all-ones": (b"\xff" * 500, ""),
    "nothing-but-zeros": (bytes(500), ""),
    "prose": (b"Dear shop,\n\nplease send me the list. Thank you!\n", ""),
    "lock-file": (b"\x05Somebody" + b" " * 46 + bytes(100), ""),
    "shell-output": (b"bash: markers.csv: No such file or directory\n", ""),
}
# Text that is no list, no table and no plan.
JSON_VALUES = ("null", "[]", "{}", "5", '"text"', "true", "[[]]", '{"format": null}', '{"format": []}', "[" * 100_000,
               '{"a":' * 100_000, "[" * 100_000 + "]" * 100_000, "9" * 5000, "[NaN]", "{'a': 1}", '{"a": 1,}')  # fmt: skip

Change = Callable[[bytes], bytes]


def accented(data: bytes, word: str) -> str:
    """Return a good file's text with a word that is not ASCII: in a column or key that nobody reads."""
    text = data.decode()
    if text.startswith("{"):
        return text.replace("{", f'{{ "remark": "{word}",', 1)
    first, second, *rest = text.split("\n")
    return "\n".join(
        [f"{first},remark", f"{second}{',' * (first.count(',') - second.count(','))},{word}", *rest]
    )


def _encoded(word: str, name: str) -> Change:
    return lambda data: accented(data, word).encode(name)


def _first_sixteenths(number: int) -> Change:
    return lambda data: data[: len(data) * number // 16]


def _without_last(number: int) -> Change:
    return lambda data: data.rstrip()[:-number]


# Each with whether the file is still good: True, False, or None where that depends on where the cut falls.
CHANGES: dict[str, tuple[Change, bool | None]] = {
    "utf-8": (_encoded("Café 色 🖍", "utf-8"), True),
    "utf-8-with-mark": (lambda d: codecs.BOM_UTF8 + d, True),
    "two-marks": (lambda d: codecs.BOM_UTF8 * 2 + d, True),
    "utf-16-le": (lambda d: codecs.BOM_UTF16_LE + accented(d, "Café 色 🖍").encode("utf-16-le"), True),
    "utf-16-be": (lambda d: codecs.BOM_UTF16_BE + accented(d, "Café 色 🖍").encode("utf-16-be"), True),
    "windows-line-ends": (lambda d: d.replace(b"\n", b"\r\n"), True),
    "old-mac-line-ends": (lambda d: d.replace(b"\n", b"\r"), True),
    "mixed-line-ends": (lambda d: d.replace(b"\n", b"\r\n", 2).replace(b"\n", b"\r", 1), True),
    "no-last-line-end": (lambda d: d.rstrip(), True),
    "empty-lines-around": (lambda d: b"\n\r\n" + d + b"\n\n \n", True),
    "utf-16-without-mark": (lambda d: d.decode().encode("utf-16-le"), False),
    "utf-16-cut-in-a-letter": (lambda d: codecs.BOM_UTF16_LE + d.decode().encode("utf-16-le")[:-1], False),
    "utf-16-lone-surrogate": (lambda d: codecs.BOM_UTF16_LE + b"\x00\xd8" + d.decode().encode("utf-16-le"), False),
    "utf-32": (lambda d: d.decode().encode("utf-32"), False),
    "utf-32-be": (lambda d: d.decode().encode("utf-32-be"), False),
    "utf-7": (lambda d: codecs.BOM_UTF8[:2] + d, False),
    "latin-1": (_encoded("Café", "latin-1"), False),
    "windows-1252": (_encoded("Café", "cp1252"), False),
    "windows-1251": (_encoded("Цвет", "cp1251"), False),
    "koi8-r": (_encoded("Цвет", "koi8-r"), False),
    "mac-roman": (_encoded("Café", "mac-roman"), False),
    "shift-jis": (_encoded("色鉛筆", "shift_jis"), False),
    "gb18030": (_encoded("颜色", "gb18030"), False),
    "big5": (_encoded("顏色", "big5"), False),
    "euc-kr": (_encoded("색연필", "euc-kr"), False),
    "ebcdic": (lambda d: d.decode().encode("cp037"), False),
    "cut-inside-a-letter": (lambda d: d + "é".encode()[:1], False),
    "overlong-letter": (lambda d: d + b"\xc0\xaf", False),
    "surrogate-in-utf-8": (lambda d: d + b"\xed\xa0\x80", False),
    "zero-byte-inside": (lambda d: d[:30] + b"\0" + d[30:], False),
    "zero-bytes-at-the-end": (lambda d: d + bytes(512), False),
    "first-line-lost": (lambda d: d.split(b"\n", 1)[1], False),
    "empty": (lambda d: b"", False),
    "only-a-mark": (lambda d: codecs.BOM_UTF8, False),
    "only-a-utf-16-mark": (lambda d: codecs.BOM_UTF16_LE, False),
    "only-white": (lambda d: b" \r\n\t\n", False),
    "first-line-only": (lambda d: d.split(b"\n", 1)[0] + b"\n", False),
    "one-byte": (lambda d: d[:1], False),
    "reversed": (lambda d: d[::-1], False),
    **{f"cut-at-{n}-of-16": (_first_sixteenths(n), None) for n in range(1, 16, 2)},
    **{f"cut-{n}-before-its-end": (_without_last(n), None) for n in (1, 2, 7)},
}  # fmt: skip
CSV_CHANGES: dict[str, tuple[Change, bool | None]] = {
    "semicolons": (lambda d: b"\n".join(line.replace(b",", b";") for line in d.split(b"\n")), None),
    "every-row-twice": (lambda d: d + d.split(b"\n", 1)[1], False),
    "header-twice": (lambda d: d.split(b"\n", 1)[0] + b"\n" + d, False),
    "every-column-twice": (lambda d: b"\n".join(x + b"," + x for x in d.rstrip().split(b"\n")), False),
    "open-quote": (lambda d: d + b'"an open quote,1\n', False),
    "open-quote-in-the-header": (lambda d: b'"' + d, False),
    "text-after-a-quote": (lambda d: d + b'"x"y,1\n', False),
    "a-cell-of-a-megabyte": (lambda d: d + b"x" * 1_000_000 + b",1\n", False),
    "a-row-of-many-cells": (lambda d: d + b"1" + b",1" * 5000 + b"\n", False),
    "ten-thousand-columns": (
        lambda d: d.replace(b"\n", b"," + b",".join(b"c%d" % i for i in range(10_000)) + b"\n", 1),
        False,
    ),
    "ten-thousand-columns-of-one-name": (lambda d: d.replace(b"\n", b",x" * 10_000 + b"\n", 1), False),
    "a-line-of-commas": (lambda d: b"," * 3_000_000 + b"\n" + d, False),
    "title-above-the-header": (lambda d: b"My pens\n" + d, False),
    "comment-above-the-header": (lambda d: b"# made by hand\n" + d, False),
    "columns-quoted": (
        lambda d: b'"' + d.split(b"\n", 1)[0].replace(b",", b'","') + b'"\n' + d.split(b"\n", 1)[1],
        True,
    ),
    "spaces-around-the-names": (lambda d: d.replace(b",", b" , ", d.split(b"\n", 1)[0].count(b",")), True),
    "empty-cells-at-the-end": (
        lambda d: b"\n".join(line + b",,," for line in d.rstrip().split(b"\n")) + b"\n",
        True,
    ),
    "separator-line": (lambda d: b"sep=,\n" + d, True),
}
JSON_CHANGES: dict[str, tuple[Change, bool | None]] = {
    "twice": (lambda d: d + d, False),
    "something-behind": (lambda d: d + b"x", False),
    "comment": (lambda d: b"// a plan\n" + d, False),
    "in-a-list": (lambda d: b"[" + d + b"]", False),
    "single-quotes": (lambda d: d.replace(b'"', b"'"), False),
    # The reader of a plan looks at the numbers that it needs, and the next five are none of them.
    "number-too-large": (lambda d: d.replace(b"{", b'{"remark": 1e400,', 1), None),
    "not-a-number": (lambda d: d.replace(b"{", b'{"remark": NaN,', 1), None),
    "infinity": (lambda d: d.replace(b"{", b'{"remark": [-Infinity],', 1), None),
    "number-of-5000-digits": (lambda d: d.replace(b"{", b'{"remark": ' + b"9" * 5000 + b",", 1), None),
    "number-of-400-digits": (lambda d: d.replace(b"{", b'{"remark": ' + b"9" * 400 + b",", 1), None),
    "deep": (lambda d: d.replace(b"{", b'{"remark": ' + b"[" * 500 + b"]" * 500 + b",", 1), False),
    "bottomless": (lambda d: d.replace(b"{", b'{"remark": ' + b"[" * 100_000 + b"]" * 100_000 + b",", 1), False),
    "half-a-letter": (lambda d: d.replace(b"{", b'{"remark": "\\ud800",', 1), False),
    "half-a-letter-in-a-name": (lambda d: d.replace(b"{", b'{"\\udfff": 1,', 1), False),
    "whole-escaped-letter": (lambda d: d.replace(b"{", b'{"remark": "\\ud83d\\udd8d \\u00e9",', 1), True),
    "a-name-twice": (lambda d: d.replace(b"{", b'{"remark": 1, "remark": 2,', 1), False),
    "control-character": (lambda d: d.replace(b"{", b'{"remark": "a\tb",', 1), False),
}  # fmt: skip


# --- values of a JSON file, one by one -------------------------------------------------------------------------

NONSENSE: dict[str, Any] = {
    "null": None, "text": "seven", "empty-text": "", "list": [], "object": {}, "true": True,
    "minus-one": -1, "huge": 1e308, "half": 0.5, "zero": 0, "escape": "\x1b[31mred\x1b[0m", "zero-letter": "\0",
}  # fmt: skip


def places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Yield the path of every value in plain JSON: of lists, the first item stands for all."""
    if path:
        yield path
    if isinstance(value, dict):
        for key, item in value.items():
            yield from places(item, (*path, key))
    elif isinstance(value, list) and value:
        yield from places(value[0], (*path, 0))


def replaced(content: Any, path: tuple[str | int, ...], value: Any) -> Any:
    """Return a copy of plain JSON with another value at a path."""
    copy = json.loads(json.dumps(content))
    inner = copy
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    return copy


def removed(content: Any, path: tuple[str | int, ...]) -> Any:
    """Return a copy of plain JSON without the value at a path."""
    copy = json.loads(json.dumps(content))
    inner = copy
    for step in path[:-1]:
        inner = inner[step]
    del inner[path[-1]]
    return copy


# --- cells of a CSV file -----------------------------------------------------------------------------------

NO_NUMBERS = ("nan", "NaN", "inf", "-inf", "Infinity", "1e400", "-1e400", "0x1F", "1_000", "1 000", "1.5.2", "--1", "+-1",
              "½", "twelve", "#DIV/0!", "#REF!", "#NAME?", "=1+1", "12 %", "1d3", "−1", "1e", ".", "'5", "5 mm", "1.234,5",
              "1'000", "true", "\u200b1", "9" * 400)  # fmt: skip


def with_cell(data: bytes, row: int, column: str, text: str) -> bytes:
    """Return a CSV file with another text in one cell, quoted; row 1 is the first below the header."""
    lines = data.decode().split("\n")
    names = lines[0].split(",")
    cells = lines[row].split(",")
    cells[names.index(column)] = '"' + text.replace('"', '""') + '"'
    lines[row] = ",".join(cells)
    return "\n".join(lines).encode()
