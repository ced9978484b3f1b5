"""The marker list as people write it: one row per pen."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

from calib.errors import InputError, Problem, raise_all
from calib.files import read_rows, shorten

COLUMNS = ("marker", "name", "set", "kind", "hint")
KINDS = ("ink", "blender")
# These two words name rows of the measured table that are no pens.
RESERVED = ("paper", "black")
HINT = re.compile(r"#[0-9a-fA-F]{6}")


@dataclass(frozen=True)
class Marker:
    """One pen: its id, and what its owner says about it.

    marker: unique id, any text but the reserved words. name, set: free text, may be empty.
    kind: 'ink' or 'blender' (a colourless one, whose swatch looks like bare paper).
    hint: '#rrggbb' or empty; roughly the colour to expect. extra: unknown columns, kept.
    """

    marker: str
    name: str = ""
    set: str = ""
    kind: str = "ink"
    hint: str = ""
    extra: dict[str, str] = field(default_factory=dict)


def read_markers(path: Path) -> tuple[Marker, ...]:
    """Read a marker list; raise InputError with every mistake of the file."""
    table = read_rows(path, required=("marker",), wanted="list")
    problems: list[Problem] = []
    markers: list[Marker] = []
    lines: dict[str, int] = {}
    for row in table.rows:
        marker = _marker(row.cells)
        for message in marker_problems(marker):
            problems.append(Problem(table.path, row.line, message))
        earlier = lines.setdefault(same_shape(marker.marker), row.line)
        if earlier != row.line:
            problems.append(
                Problem(
                    table.path,
                    row.line,
                    f"repeats the marker '{shorten(marker.marker)}' of line {earlier}; every id must be unique",
                )
            )
        markers.append(marker)
    raise_all(problems)
    if not markers:
        raise InputError.of(table.path, "names no markers", "Give one row per pen below the header row.")
    return tuple(markers)


def same_shape(text: str) -> str:
    """Return an id without what has no shape and so tells no two ids apart on paper: joiners, marks of direction."""
    return text if text.isascii() else "".join(c for c in text if unicodedata.category(c) != "Cf")


def _marker(cells: dict[str, str]) -> Marker:
    # Two spellings of one accented letter look the same on paper, so they must be the same id.
    known = {name: unicodedata.normalize("NFC", cells.get(name, "").strip()) for name in COLUMNS}
    return Marker(
        marker=known["marker"],
        name=known["name"],
        set=known["set"],
        kind=known["kind"].lower() or "ink",
        hint=known["hint"].lower(),
        extra={name: text.strip() for name, text in cells.items() if name not in COLUMNS},
    )


def marker_problems(marker: Marker) -> list[str]:
    """Return a sentence for everything that is wrong with one marker by itself."""
    found = []
    if not marker.marker:
        found.append("has no marker id")
    elif marker.marker.lower() in RESERVED:
        found.append(f"uses the id '{shorten(marker.marker)}', which is reserved; give the pen another id")
    for name in ("marker", "name", "set"):
        text = getattr(marker, name)
        if any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in text):
            found.append(f"has a line break or control character in its {name}")
        elif len(text) > 200:
            found.append(f"has a {name} of {len(text)} characters; 200 is the most")
    if marker.kind not in KINDS:
        found.append(f"has the kind '{shorten(marker.kind)}'; it must be ink or blender (empty means ink)")
    if marker.hint and not HINT.fullmatch(marker.hint):
        found.append(f"has the hint '{shorten(marker.hint)}'; it must look like #a1b2c3")
    return found
