"""Blocks of true colour beside the markers' names, where stdout is a terminal that can show them.

A chip travels through sentences as two characters of a private plane, which are two columns wide like the block that takes their
place when the line is said. Which two is drawn by lot in each run, so that no text out of a file can pass for a chip, and what
makes text harmless need not let anything through.
"""

from __future__ import annotations

import math
import os
import re
import secrets
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.table.table import Reading

# The two private planes (Unicode 15, 23.5), without their last characters, which are none.
_PLANES = (0xF0000, 0x100000)
_IN_PLANE = 0xFFFE
_HEX = re.compile(r"#[0-9a-f]{6}", re.IGNORECASE)
# What terminals call themselves that have 24-bit colour without saying so in COLORTERM; -direct is the custom of terminfo.
_TRUE_COLOUR = re.compile(
    r".*(-direct\d*|-truecolor|-24bits?)|alacritty|foot(-extra)?|xterm-(kitty|ghostty)|wezterm"
)
# The last space must not be a place where a line is broken: a chip stays with its name.
_SPACE = "\u00a0"
BAND = 38
MOST_BANDS = 6

_tokens: dict[str, str] = {}


def chips_shown() -> bool:
    """Return whether stdout is a terminal with 24-bit colour whose user has nothing against colour (https://no-color.org)."""
    term = os.environ.get("TERM", "")
    if os.environ.get("NO_COLOR") or term == "dumb":
        return False
    if os.environ.get("COLORTERM", "").lower() not in ("truecolor", "24bit") and not _TRUE_COLOUR.fullmatch(
        term
    ):
        return False
    try:
        return sys.stdout.isatty()
    except ValueError:
        # It was closed.
        return False


def chip(*colours: str | None) -> str:
    """Return what stands in a sentence for colours `#rrggbb` side by side, and a space; '' where no chip may be shown or one of them is not known.

    It is two columns wide for each colour and one for the space, and holds no text. `say` makes blocks of it; a sentence with
    chips goes nowhere else.
    """
    blocks = [_block(colour) for colour in colours]
    return f"{''.join(blocks)}{_SPACE}" if blocks and all(blocks) else ""


def chip_of(*readings: Reading | None) -> str:
    """Return the chip of rows of tables, by their colours where the tables have no hex; '' where one has neither."""
    return chip(*(_hex(reading) if reading is not None else None for reading in readings))


def swatch_rows(readings: Iterable[Reading]) -> list[str]:
    """Return lines with all colours of a table's markers in its order: one coat, and below it two; none where no chip may be shown."""
    if not chips_shown():
        return []
    by_marker: dict[str, dict[int, str]] = {}
    for row in readings:
        if row.kind in ("ink", "blender") and row.layers in (1, 2) and (colour := _hex(row)):
            by_marker.setdefault(row.marker, {})[row.layers] = colour
    if not by_marker:
        return []
    coats = [n for n in (1, 2) if any(n in found for found in by_marker.values())]
    both = "one coat, and below it two" if len(coats) == 2 else "one coat" if coats == [1] else "two coats"
    shown = list(by_marker.values())
    # Bands of one length, and no longer than a line.
    each = math.ceil(len(shown) / math.ceil(len(shown) / BAND))
    bands = [shown[i : i + each] for i in range(0, len(shown), each)]
    lines = [f"All colours, {both}:"]
    for band in bands[:MOST_BANDS]:
        lines += [_row(band, n) for n in coats]
    hidden = len(shown) - each * MOST_BANDS
    return [*lines, f"  and {hidden} more"] if hidden > 0 else lines


def coloured(line: str) -> str:
    """Return a harmless line with its chips as blocks of colour."""
    for colour, token in _tokens.items():
        if token in line:
            red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
            line = line.replace(f"{token}{_SPACE}", f"{token} ")
            line = line.replace(token, f"\x1b[48;2;{red};{green};{blue}m  \x1b[0m")
    return line


def _hex(reading: Reading) -> str | None:
    if reading.hex or reading.lab is None or not chips_shown():
        return reading.hex
    from calib.colour.colorimetry import lab_to_hex

    return lab_to_hex(reading.lab)[0][0]


def _row(band: Sequence[dict[int, str]], coats: int) -> str:
    # Where a colour is missing the row shows the terminal's own ground.
    return "  " + "".join(_block(found.get(coats)) or "  " for found in band).rstrip(" ")


def _block(colour: str | None) -> str:
    if colour is None or not _HEX.fullmatch(colour) or not chips_shown():
        return ""
    key = colour.lower()
    if key not in _tokens:
        _tokens[key] = "".join(chr(plane + secrets.randbelow(_IN_PLANE)) for plane in _PLANES)
    return _tokens[key]
