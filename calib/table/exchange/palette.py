"""A table as a GPL palette, the text that free painting programs share (GIMP Palette Format Version 2)."""

from __future__ import annotations

from collections.abc import Sequence

from calib import __version__
from calib.table.exchange.pens import Export, coats, one_line, pens_with_colour, taken_away
from calib.table.table import Reading, Table

# Some readers refuse longer lines (Pillow: 100 bytes, the line's end included).
LONGEST_LINE = 99
COLUMNS = 8
OUTSIDE = "outside sRGB"


def gpl_palette(table: Table) -> Export:
    """Return the pens of a table that have a colour as a GPL palette, UTF-8: sRGB 0..255 and a name for each.

    A name is the marker's id and name and the coats, with the paper and the date where the table has several. In
    brackets stands what makes the colour not quite this ink's: 'outside sRGB' where a screen shows only the nearest
    colour, and flags such as 'clipped'. Raises ImpossibleError where no row is left.
    """
    rows, warnings = pens_with_colour(table)
    papers, dates = {row.paper for row in rows}, {row.session for row in rows}
    told = [", ".join(sorted(found)) for found in (papers, dates) if len(found) == 1]
    lines = [
        "GIMP Palette",
        _cut("Name: " + one_line(", ".join(("Markers", *told)))),
        f"Columns: {COLUMNS}",
        f"# made by calib {__version__}: sRGB as measured; in brackets why a colour is not quite the ink's",
    ]
    clipped = 0
    for row, (code, inside) in zip(rows, _shown(rows), strict=True):
        marks = [*([] if inside else [OUTSIDE]), *(flag for flag in taken_away(row) if flag != "out-of-srgb")]
        clipped += not inside
        where = [*([row.paper] if len(papers) > 1 else []), *([row.session] if len(dates) > 1 else [])]
        name = one_line(", ".join((f"{row.marker} {row.name}".strip(), coats(row), *where)))
        light = " ".join(f"{int(code[i : i + 2], 16):3d}" for i in (1, 3, 5))
        lines.append(_cut(f"{light}\t{name}", f" ({', '.join(marks)})" if marks else ""))
    if clipped:
        many = "1 colour is" if clipped == 1 else f"{clipped} colours are"
        warnings += (f"{many} stronger than an sRGB screen shows: the nearest is given, marked '{OUTSIDE}'",)
    return Export(("\n".join(lines) + "\n").encode("utf-8"), len(rows), warnings)


def _shown(rows: Sequence[Reading]) -> list[tuple[str, bool]]:
    """Return '#rrggbb' of each row and whether it is the colour itself; computed where the table does not say."""
    found = []
    for row in rows:
        if row.hex is None or row.in_srgb is None:
            from calib.colour.colorimetry import lab_to_hex

            found += lab_to_hex([row.lab or ()])
        else:
            found.append((row.hex, row.in_srgb))
    return found


def _cut(line: str, mark: str = "") -> str:
    """Return a line of at most LONGEST_LINE bytes that ends in mark, its text cut where it must be."""
    room = LONGEST_LINE - len(mark.encode("utf-8"))
    if len(line.encode("utf-8")) > room:
        line = line.encode("utf-8")[: room - len("…".encode())].decode("utf-8", "ignore").rstrip() + "…"
    return line + mark
