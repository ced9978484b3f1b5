"""The manual's tables of columns are those of the declared columns."""

from __future__ import annotations

from dataclasses import replace

from make_manual import BLOCK, README, TABLES, lines, renewed

from calib.table.csvw import Column


def test_tables_of_columns_are_up_to_date() -> None:
    text = README.read_text(encoding="utf-8")
    assert [found[1] for found in BLOCK.finditer(text)] == list(TABLES)
    assert renewed(text) == text, "run tests/make_manual.py"
    # Every column stands in its table once, and the check can fail.
    for name, block in ((found[1], found[2]) for found in BLOCK.finditer(text)):
        for column in TABLES[name]:
            assert block.count(f"`{column.name}`") >= 1
    assert lines([replace(TABLES["drift"][0], name="other"), *TABLES["drift"][1:]]) not in text


def test_columns_with_the_same_words_share_a_line() -> None:
    one, two = Column("a", "number", "Red", plain="a | b"), Column("b", "number", "Blue", plain="a | b")
    last = Column("c", "number", "What else")
    assert lines([one, two, last]).splitlines()[2:] == ["| `a`, `b` | a \\| b |", "| `c` | what else |"]
