"""What a file is that was given in another's place: told by its first bytes, or by the names of its columns.

What it is instead helps a user more than what it is not.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

AS_CSV = "Open it in a spreadsheet program and save it as 'CSV UTF-8'."
# Signatures from the formats' own specifications: ISO/IEC 15948 (PNG), ITU-T T.81 (JPEG), TIFF 6.0, GIF89a, ISO 32000
# (PDF), APPNOTE (ZIP), RFC 1952 (gzip), RFC 9649 (WebP), ISO/IEC 14496-12 (HEIC); the others from memory.
_PICTURE = "is a picture, not a text file"
_PACKED = "is a compressed file, not a text file"
_SIGNATURES: tuple[tuple[bytes, str, str], ...] = (
    (b"\x89PNG", _PICTURE, ""),
    (b"\xff\xd8\xff", _PICTURE, ""),
    (b"II*\0", _PICTURE, ""),
    (b"MM\0*", _PICTURE, ""),
    (b"II+\0", _PICTURE, ""),
    (b"MM\0+", _PICTURE, ""),
    (b"GIF8", _PICTURE, ""),
    (b"%PDF", "is a PDF, not a text file", ""),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "is an old spreadsheet or word processor's file, not a text file", AS_CSV),
    (b"\x1f\x8b", _PACKED, "Unpack it first."),
    (b"BZh", _PACKED, "Unpack it first."),
    (b"\xfd7zXZ\0", _PACKED, "Unpack it first."),
    (b"7z\xbc\xaf\x27\x1c", _PACKED, "Unpack it first."),
    (b"SQLite format 3\0", "is a database, not a text file", ""),
    (b"{\\rtf", "is a word processor's file, not a text file", AS_CSV),
)  # fmt: skip
_MARKUP = (
    (
        "<!doctype html",
        "is a web page, not a text file",
        "Download the file itself, not the page that shows it.",
    ),
    ("<html", "is a web page, not a text file", "Download the file itself, not the page that shows it."),
    ("<?xml", "is XML, not a text file", AS_CSV),
)


def foreign_bytes(data: bytes) -> tuple[str, str]:
    """Return what a file is by its first bytes, where that is no text, and a way out; else two empty texts."""
    if data[:4] in (b"PK\3\4", b"PK\5\6"):
        # Both office formats name their parts in the archive: OASIS OpenDocument 1.3 and ECMA-376.
        sheet = any(name in data for name in (b"xl/workbook.xml", b"opendocument.spreadsheet"))
        if sheet:
            return "is a spreadsheet's own file, not CSV", AS_CSV
        return "is a zip archive, not a text file", "Unpack it first."
    if (data[:4] == b"RIFF" and data[8:12] == b"WEBP") or data[4:8] == b"ftyp":
        return _PICTURE, ""
    return next(((what, todo) for start, what, todo in _SIGNATURES if data.startswith(start)), ("", ""))


def foreign_text(text: str) -> tuple[str, str]:
    """Return what a text is by its beginning, where that is markup, and a way out; else two empty texts."""
    start = text[:1000].lstrip("\ufeff \t\r\n").lower()
    return next(((what, todo) for begin, what, todo in _MARKUP if start.startswith(begin)), ("", ""))


@dataclass(frozen=True)
class Kind:
    """One kind of CSV file: what it is called, the columns that tell it, and where to get one."""

    called: str
    columns: frozenset[str]
    todo: str = ""


# The first whose columns are all there is the one; the names are those that the commands write.
_CSVS: dict[str, Kind] = {
    name: Kind(called, frozenset(columns.split()), todo)
    for name, called, columns, todo in (
        ("table", "a measured colour table", "marker kind layers paper session L a b", "Give a table that 'calib measure' wrote."),
        ("groups", "the answer of 'calib duplicates'", "group marker representative", ""),
        ("drift", "the answer of 'calib drift'", "marker before after strength", ""),
        ("papers", "the answer of 'calib papers'", "paper whiteness gamut_volume", ""),
        ("swatches", "the answer of 'calib papers --swatches'", "marker layers paper dE00 dE00_low", ""),
        ("card", "the file of a colour card", "row column", "Give the file with the colours of your card: columns row, column, and L, a, b or X, Y, Z."),
        ("strip", "the file of a grey strip", "step density", "Give the file of your grey strip: columns step, and density or L, a, b."),
        ("pairs", "a list of pairs for 'calib chart --over'", "under over", "Give a list of pairs: columns 'under' and 'over', the ids of two markers in each row."),
        ("list", "a marker list", "marker", "Give the list of your pens: a column 'marker', one row per pen."),
    )
}  # fmt: skip
_ALSO_STRIP = frozenset(("step", "L", "a", "b"))
# These hold several rows of one pen, so that none of them can be a list of pens though it names them.
_NO_LISTS = ("table", "groups", "drift", "swatches")


def mistaken(columns: Iterable[str], wanted: str, missing: bool) -> tuple[str, str]:
    """Return what a CSV file is by its columns, where it is another kind than wanted, and a way out; else two empty texts.

    wanted: 'list', 'table', 'strip', 'card' or 'pairs'. missing: whether it lacks a column that the wanted kind needs.
    """
    names = set(columns)
    found = next((name for name, kind in _CSVS.items() if kind.columns <= names), "")
    if not found and names >= _ALSO_STRIP:
        found = "strip"
    unlike = missing or (wanted == "list" and found in _NO_LISTS)
    # A table that lost a column still names its pens; it is told which column that is.
    nearly = wanted == "table" and found == "list" and len(names & _CSVS["table"].columns) > 4
    if wanted not in _CSVS or not found or found == wanted or not unlike or nearly:
        return "", ""
    return f"is {_CSVS[found].called}, not {_CSVS[wanted].called}", _CSVS[wanted].todo
