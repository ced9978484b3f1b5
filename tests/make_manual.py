"""Write anew what is made of the declared columns: the tables of columns in README.md, and the shipped JSON Schema.

    python tests/make_manual.py

Each table stands between ``<!-- columns: NAME -->`` and ``<!-- end -->``. ``tests/test_manual.py`` says when this is due.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from calib.answers.blending import blendfile
from calib.answers.doubles import groupsfile
from calib.answers.drift import driftfile
from calib.answers.greys import greysfile
from calib.answers.layering import layerfile
from calib.answers.matching import matchfile
from calib.answers.papers import paperfile
from calib.answers.scene import scenefile
from calib.table import columns
from calib.table.csvw import Column
from calib.table.exchange.jsonform import SCHEMA_NAME, colours_schema

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
SCHEMA = ROOT / "calib" / "table" / SCHEMA_NAME
TABLES: dict[str, Sequence[Column]] = {
    "colours": columns.COLUMNS,
    "groups": groupsfile.COLUMNS,
    "drift": driftfile.COLUMNS,
    "papers": paperfile.COLUMNS,
    "swatches": paperfile.SWATCH_COLUMNS,
    "blend": blendfile.COLUMNS,
    "match": matchfile.COLUMNS,
    "layer": layerfile.COLUMNS,
    "greys": greysfile.COLUMNS,
    "scene": scenefile.COLUMNS,
}
BLOCK = re.compile(r"^<!-- columns: (\w+) -->\n(.*?)^<!-- end -->$", re.M | re.S)


def words(column: Column) -> str:
    """Return what the manual says of a column."""
    text = column.plain or column.description[0].lower() + column.description[1:]
    return text.replace("|", "\\|")


def lines(columns: Sequence[Column]) -> str:
    """Return columns as a table in Markdown; those that follow each other and have the same words share a line."""
    found = ["| column | in plain words |", "|---|---|"]
    for text, group in groupby(columns, words):
        found.append(f"| {', '.join(f'`{column.name}`' for column in group)} | {text} |")
    return "\n".join(found) + "\n"


def renewed(text: str) -> str:
    """Return the manual with its tables of columns made anew."""
    return BLOCK.sub(lambda m: f"<!-- columns: {m[1]} -->\n{lines(TABLES[m[1]])}<!-- end -->", text)


if __name__ == "__main__":
    README.write_text(renewed(README.read_text(encoding="utf-8")), encoding="utf-8")
    SCHEMA.write_bytes(colours_schema())
