"""Pictures of swatches as they were scanned, from the folder of proof pictures, made fit to stand in a page."""

from __future__ import annotations

import base64
import re
import struct
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from calib.table.table import Table

# What 'calib measure --proof' calls them; nothing else in that folder is looked at.
NAME = re.compile(r"swatch-[0-9]+(-[0-9]+){2}\.png")
SIGNATURE = b"\x89PNG\r\n\x1a\n"
MOST_BYTES = 200_000
MOST_PIXELS = 1000
# What a picture is made of; all other chunks (text, dates, places) may be private and are left behind.
KEPT = (b"IHDR", b"PLTE", b"IDAT", b"IEND")
# All pictures of a table together, so that a page of many flagged swatches stays small.
MOST_TOGETHER = 600_000


def pictures_of(table: Table) -> Mapping[tuple[str, int], str]:
    """Return the pictures that a table names and that are there, by marker and layers, as data URIs.

    Looked for in the folder that the description names, relative to the table, and only where that lies in the table's own
    folder: a description may be anybody's. A file that is missing, too large or no PNG is passed over: the page is whole without it.
    """
    folder = _folder(table)
    named = table.origin.details.get("swatch_pictures")
    if folder is None or not isinstance(named, list):
        return {}
    found: dict[tuple[str, int], str] = {}
    together = 0
    for marker, layers, name in _named(named):
        if (marker, layers) not in found:
            data = _png(folder / name, folder)
            if data is not None and (together := together + len(data)) <= MOST_TOGETHER:
                found[marker, layers] = "data:image/png;base64," + base64.b64encode(data).decode("ascii")
    return found


def _folder(table: Table) -> Path | None:
    proof = table.origin.proof
    if not proof or table.path is None or PurePosixPath(proof).is_absolute() or Path(proof).is_absolute():
        return None
    try:
        home = table.path.parent.resolve()
        folder = (home / proof).resolve()
    except (OSError, ValueError, RuntimeError):
        return None
    return folder if folder.is_relative_to(home) else None


def _named(named: list[Any]) -> Iterator[tuple[str, int, str]]:
    for one in named:
        if isinstance(one, dict):
            marker, layers, name = one.get("marker"), one.get("layers"), one.get("file")
            if (
                isinstance(marker, str)
                and isinstance(layers, int)
                and isinstance(name, str)
                and NAME.fullmatch(name)
            ):
                yield marker, layers, name


def _png(path: Path, folder: Path) -> bytes | None:
    try:
        # A link may lead anywhere, and a file may grow while it is read.
        if not path.is_file() or path.resolve().parent != folder:
            return None
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except (OSError, ValueError, RuntimeError):
        return None
    return _bare(data) if len(data) <= MOST_BYTES else None


def _bare(data: bytes) -> bytes | None:
    """Return a PNG's picture without what else the file says, None where it is none (PNG specification, third edition, 5)."""
    if not data.startswith(SIGNATURE) or data[12:16] != b"IHDR" or len(data) < 33:
        return None
    if max(struct.unpack(">II", data[16:24])) > MOST_PIXELS:
        return None
    kept, at = [SIGNATURE], len(SIGNATURE)
    while at + 12 <= len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind, end = data[at + 4 : at + 8], at + 12 + length
        if end > len(data):
            return None
        if kind in KEPT:
            kept.append(data[at:end])
        if kind == b"IEND":
            return b"".join(kept)
        at = end
    return None
