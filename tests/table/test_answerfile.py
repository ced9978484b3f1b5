"""An answer as CSV with its description, and as JSON.

Outside readers: pandas for the CSV, the package csvw for the W3C description, json for the JSON. All values are
invented.
"""

from __future__ import annotations

import json
import math
import warnings
from pathlib import Path

import csvw
import numpy as np
import pandas
import pytest

from calib.files import read_rows
from calib.table.answerfile import Answer, answer_json, table_notes, write_answer
from calib.table.csvw import Column, metadata_path, read_cell, read_notes
from calib.table.origin import Origin
from calib.table.table import Reading, Table

COLUMNS = (
    Column("marker", "string", "The pen", required=True),
    Column("layers", "integer", "Coats", minimum=1, maximum=2),
    Column("dE00", "number", "How far it is off", "dE00", minimum=0),
    Column("same", "boolean", "Whether it is"),
    Column("day", "date", "When"),
    Column("words", "string", "What is to be said", pattern="[a-z]+", separator=" "),
)
ROWS = (
    ("=1+1", 1, 0.123456, True, "2026-03-01", ("weaker", "patchy")),
    ("Grün, 緑", 2, -0.0, False, None, ()),
    ("3", None, None, None, "", None),
)
NOTES = {"settings": {"at_least": 1.0}, "pens": [1, 2]}
ANSWER = Answer("drift", "What changed", COLUMNS, ROWS, ("marker",), NOTES, ("Two warnings.", "ä"))


def test_values_of_the_json() -> None:
    found = json.loads(answer_json(ANSWER))
    assert found["answer"] == "drift"
    assert found["rows"][0] == {
        "marker": "=1+1",
        "layers": 1,
        "dE00": 0.1235,
        "same": True,
        "day": "2026-03-01",
        "words": ["weaker", "patchy"],
    }
    assert found["rows"][1]["words"] == []
    assert math.copysign(1, found["rows"][1]["dE00"]) == 1
    assert set(found["rows"][2].values()) == {"3", None}
    assert found["notes"] == ANSWER.notes
    assert found["warnings"] == ["Two warnings.", "ä"]
    assert "緑" in answer_json(ANSWER)


def test_json_and_csv_say_the_same(tmp_path: Path) -> None:
    write_answer(tmp_path / "drift.csv", ANSWER)
    rows = read_rows(tmp_path / "drift.csv")
    assert rows.columns == tuple(column.name for column in COLUMNS)
    for row, plain in zip(rows.rows, json.loads(answer_json(ANSWER))["rows"], strict=True):
        for column in COLUMNS:
            value = read_cell(column, rows, row)
            value = list(value) if isinstance(value, tuple) else value
            said = plain[column.name]
            # A CSV cell does not tell an empty list from nothing.
            assert (None if value in ("", []) else value) == (None if said == [] else said)


def test_the_notes_come_back(tmp_path: Path) -> None:
    write_answer(tmp_path / "drift.csv", ANSWER)
    assert read_notes(tmp_path / "drift.csv") == ANSWER.notes


def test_others_can_read_it(tmp_path: Path) -> None:
    path = tmp_path / "drift.csv"
    write_answer(path, ANSWER)
    frame = pandas.read_csv(path, dtype={"marker": str})
    assert list(frame.columns) == [column.name for column in COLUMNS]
    assert frame["dE00"].tolist()[:2] == [0.1235, 0.0]
    # A spreadsheet must not run a marker's name as a formula.
    assert frame["marker"][0] == "'=1+1"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        group = csvw.CSVW(str(path), md_url=str(metadata_path(path)))
        assert group.is_valid
    first = next(iter(group.tables[0]))
    assert (first["layers"], first["same"], first["words"]) == (1, True, ["weaker", "patchy"])
    assert json.loads(metadata_path(path).read_text(encoding="utf-8"))["tableSchema"]["primaryKey"] == [
        "marker"
    ]


def test_numbers_of_numpy_are_numbers() -> None:
    row = (np.str_("1"), np.int64(2), np.float64(0.5), np.bool_(True), None, None)
    found = json.loads(answer_json(Answer("x", "x", COLUMNS, (row,), ("marker",))))
    assert list(found["rows"][0].values())[:4] == ["1", 2, 0.5, True]


def test_an_answer_of_nothing(tmp_path: Path) -> None:
    empty = Answer("drift", "Nothing", COLUMNS, (), ("marker",))
    write_answer(tmp_path / "none.csv", empty)
    assert (tmp_path / "none.csv").read_text(encoding="utf-8") == "marker,layers,dE00,same,day,words\n"
    assert json.loads(answer_json(empty))["rows"] == []


@pytest.mark.parametrize(
    "row",
    [
        ("1", 1, math.nan, True, None, ()),
        ("1", 1, math.inf, True, None, ()),
        ("1", 1, -0.5, True, None, ()),
        ("", 1, 0.5, True, None, ()),
        ("1", 3, 0.5, True, None, ()),
        ("1", 1, 0.5, True, "yesterday", ()),
        ("1", 1, 0.5, True, None, ("No Words",)),
        ("1", 1, 0.5),
    ],
)
def test_nonsense_is_not_written(tmp_path: Path, row: tuple[object, ...]) -> None:
    with pytest.raises(ValueError, match=r"row 1|zip\(\)"):
        write_answer(tmp_path / "drift.csv", Answer("x", "x", COLUMNS, (row,), ("marker",)))
    assert list(tmp_path.iterdir()) == []


def test_json_has_no_word_for_nan() -> None:
    for bad in (
        Answer("x", "x", COLUMNS, (("1", 1, math.nan, True, None, ()),), ("marker",)),
        Answer("x", "x", COLUMNS, (), ("marker",), {"median": math.nan}),
    ):
        with pytest.raises(ValueError, match="JSON compliant"):
            answer_json(bad)


def test_the_notes_say_where_the_rows_come_from_but_not_whose_folder() -> None:
    readings = (
        Reading("1", 1, "smooth", "2026-03-02"),
        Reading("1", 1, "rough", "2026-03-01"),
        Reading("2", 1, "rough", "2026-03-01"),
    )
    table = Table(readings, Origin(chart="k3f9"), Path("/home/somebody/colours.csv"))
    notes = table_notes([table, Table(readings)], within=1.8, check=False)
    assert notes["settings"] == {"within": 1.8, "check": False}
    assert notes["tables"][0] == {
        "file": "colours.csv",
        "chart": "k3f9",
        "papers": ["rough", "smooth"],
        "sessions": ["2026-03-01", "2026-03-02"],
    }
    assert notes["tables"][1]["file"] == ""
    assert notes["program"].startswith("calib ")
    assert "somebody" not in json.dumps(notes)
