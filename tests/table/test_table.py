"""The measured colour table: written, opened by others, read back, refused."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import unicodedata
import warnings
from pathlib import Path
from typing import Any

import csvw
import pandas
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.errors import InputError
from calib.table.columns import COLUMNS
from calib.table.csvw import Column, csv_bytes, csvw_metadata, metadata_path, read_notes
from calib.table.flags import FLAGS
from calib.table.origin import Origin, Scan
from calib.table.table import KEY, Reading, Table, read_table, table_bytes, write_table

# The column list of the contract, in its order, written here a second time on purpose.
CONTRACT = [
    *("marker", "name", "set", "kind", "layers", "paper", "session", "L", "a", "b", "C", "h"),
    *("u_L", "u_a", "u_b", "u_dose", "u_abs", "R", "G", "B", "X", "Y", "Z", "hex", "in_srgb"),
    *("dE00_paper", "coverage", "mottle", "bleed_mm", "swatches", "pixels", "flags"),
]

# All numbers here are invented.
FULL = Reading(
    marker="017", layers=1, paper="Smooth 200 g", session="2026-03-31", name="Dusk", set="Sky", kind="ink",
    L=54.1234, a=-12.5, b=0.00004, C=12.5, h=180.0, u_L=0.12, u_a=0.2, u_b=0.1, u_dose=0.025, u_abs=1.4,
    R=0.101, G=0.2, B=1.0e-6, X=18.1, Y=20.2, Z=15.3, hex="#5a8a80", in_srgb=True, dE00_paper=44.4,
    coverage=0.98, mottle=0.03, bleed_mm=-0.01, swatches=2, pixels=41234, flags=("mottled", "unlike-hint"),
)  # fmt: skip
PAPER = Reading("paper", 0, "Smooth 200 g", "2026-03-31", kind="paper", L=95.0, a=0.1, b=-1.0)
BLANK = Reading("018", 2, "Smooth 200 g", "2026-03-31", flags=("blank",))
ORIGIN = Origin(
    program="calib 0.1.0",
    chart="k3f9",
    scans=(
        Scan("/home/somebody/scans/page-1.png", "ab" * 32, (1, 2)),
        Scan("C:\\scans\\page 3.tif", "cd" * 32, (3,)),
    ),
    strip={"file": "strip.csv", "kind": "density", "steps": 20},
    scanner={"model": "matrix", "cross_validated": None, "matrix": [[1.0, 0.0], [0.5, 0.5]]},
    flare={"strength": 0.015, "radii_mm": (2, 8)},
    scatter={"dose": 0.021, "degrees_of_freedom": 11},
    settings={"forced": False},
    proof="proof",
)
TABLE = Table((FULL, BLANK, PAPER), ORIGIN)


def read_again(tmp_path: Path, table: Table) -> Table:
    path = tmp_path / "colours.csv"
    write_table(path, table)
    again, found = read_table(path)
    assert found == ()
    return again


def valid(path: Path) -> bool:
    """Ask the independent reader (package csvw, after the W3C test suite) about a table."""
    # It tells faults as warnings, which a filter of pytest or of ours must not swallow.
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        try:
            return bool(csvw.CSVW(str(metadata_path(path)), validate=True).is_valid)
        except (ValueError, ArithmeticError):
            # Doubled keys are a ValueError; NaN fails inside its comparison of decimals.
            return False


def test_the_columns_are_those_of_the_contract() -> None:
    assert [column.name for column in COLUMNS] == CONTRACT
    assert {f.name for f in dataclasses.fields(Reading)} == set(CONTRACT)
    assert all(column.description for column in COLUMNS)


def test_write_and_read() -> None:
    data, _ = table_bytes(TABLE, "colours.csv")
    lines = data.decode().splitlines()
    assert lines[0] == ",".join(CONTRACT)
    assert lines[1] == (
        "017,Dusk,Sky,ink,1,Smooth 200 g,2026-03-31,54.1234,-12.5000,0.0000,12.5000,180.0000,"
        "0.1200,0.2000,0.1000,0.0250,1.4000,0.101000,0.200000,0.000001,18.1000,20.2000,15.3000,#5a8a80,true,44.4000,"
        "0.9800,0.0300,-0.010,2,41234,mottled unlike-hint"
    )
    assert lines[2] == "018,,,ink,2,Smooth 200 g,2026-03-31" + "," * 25 + "blank"


def test_identity_with_origin(tmp_path: Path) -> None:
    again = read_again(tmp_path, TABLE)
    assert again.readings[1:] == TABLE.readings[1:]
    assert again.readings[0] == dataclasses.replace(FULL, b=0.0)
    assert again.origin == ORIGIN
    assert again.origin.scans[0].name == "page-1.png"
    assert again.origin.scans[1].name == "page 3.tif"
    assert "somebody" not in metadata_path(tmp_path / "colours.csv").read_text()


def test_no_minus_zero_and_no_exponent() -> None:
    row = dataclasses.replace(FULL, a=-0.00001, b=-1e-7, R=1e-9, pixels=10**9)
    cells = table_bytes(Table((row,)), "x.csv")[0].decode().splitlines()[1].split(",")
    found = dict(zip(CONTRACT, cells, strict=True))
    assert (found["a"], found["b"], found["R"], found["pixels"]) == (
        "0.0000",
        "0.0000",
        "0.000000",
        "1000000000",
    )


def values(column: Column) -> st.SearchStrategy[Any]:
    """Everything a column allows, but text as the readers upstream leave it: NFC, stripped."""
    if column.separator:
        return st.lists(st.sampled_from(sorted(FLAGS)), unique=True).map(tuple)
    if column.name == "hex":
        return st.none() | st.integers(0, 2**24 - 1).map(lambda n: f"#{n:06x}")
    if column.name == "kind":
        return st.sampled_from(["ink", "blender", "overlay"])
    if column.datatype == "date":
        return st.dates().map(lambda day: day.isoformat())
    if column.datatype == "boolean":
        return st.none() | st.booleans()
    if column.name == "layers":
        return st.sampled_from([1, 2])
    if column.datatype == "integer":
        return st.none() | st.integers(int(column.minimum or 0), int(column.maximum or 0))
    if column.datatype == "number":
        return st.floats(column.minimum, column.maximum)
    text = st.text(st.characters(exclude_categories=("Cc", "Cs")), max_size=30) | st.text(
        "=+-@;' \"1.a#", max_size=8
    )
    text = text.map(lambda t: unicodedata.normalize("NFC", t).strip())
    if column.required:
        text = text.filter(lambda t: t and t.lower() not in ("paper", "black"))
    return text


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    row = {column.name: draw(values(column)) for column in COLUMNS}
    for names in (("L", "a", "b"), ("R", "G", "B"), ("X", "Y", "Z")):
        if not draw(st.booleans()):
            row |= dict.fromkeys(names)
    return Reading(**row)


tables = st.lists(readings(), min_size=1, max_size=4, unique_by=lambda r: r.key).map(
    lambda r: Table(tuple(r))
)


def rounded(reading: Reading) -> Reading:
    found = {}
    for column in COLUMNS:
        value = getattr(reading, column.name)
        if column.datatype == "number" and value is not None:
            found[column.name] = round(value, column.decimals)
    return dataclasses.replace(reading, **found)


@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(tables)
def test_write_read_identity(tmp_path_factory: pytest.TempPathFactory, table: Table) -> None:
    path = tmp_path_factory.mktemp("table") / "colours.csv"
    write_table(path, table)
    again, _ = read_table(path)
    assert again.readings == tuple(rounded(reading) for reading in table.readings)
    assert not any(line.startswith("#") for line in path.read_text(encoding="utf-8").splitlines())
    # Written again it is the same file, byte for byte.
    assert table_bytes(again, path.name)[0] == path.read_bytes()


numbers = st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False)
scalars = st.none() | st.booleans() | numbers
json_values = st.recursive(
    scalars | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=12,
)


@given(st.dictionaries(st.text(), json_values, max_size=4))
def test_any_json_comes_back_from_the_notes(
    tmp_path_factory: pytest.TempPathFactory, notes: dict[str, Any]
) -> None:
    path = tmp_path_factory.mktemp("notes") / "x.csv"
    metadata_path(path).write_bytes(csvw_metadata(path.name, COLUMNS, notes))
    assert read_notes(path) == notes


def test_pandas_opens_it_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "colours.csv"
    write_table(path, TABLE)
    frame = pandas.read_csv(path)
    assert list(frame.columns) == CONTRACT
    # The id keeps its leading zero because rows of every table are named 'paper' and 'black'.
    assert list(frame["marker"]) == ["017", "018", "paper"]
    for column in COLUMNS:
        filled = frame[column.name].dropna()
        if column.datatype == "number":
            assert pandas.api.types.is_float_dtype(frame[column.name]), column.name
        elif column.datatype == "integer":
            assert (filled == filled.astype(int)).all()
        elif column.datatype == "boolean":
            assert set(filled) <= {True, False}
        else:
            assert all(isinstance(text, str) for text in filled)
    assert pandas.api.types.is_integer_dtype(frame["layers"])
    assert frame["L"].isna().tolist() == [False, True, False]
    assert frame["pixels"][0] == 41234


def test_home_again_through_pandas(tmp_path: Path) -> None:
    path = tmp_path / "colours.csv"
    rows = (FULL, dataclasses.replace(FULL, marker="=cmd()", name="-5"), PAPER)
    write_table(path, Table(rows, ORIGIN))
    pandas.read_csv(path).to_csv(path, index=False)
    again, _ = read_table(path)
    assert [r.marker for r in again.readings] == ["017", "=cmd()", "paper"]
    assert again.readings == tuple(dataclasses.replace(r, b=round(r.b or 0, 4)) for r in rows)


def test_an_independent_reader_finds_it_valid(tmp_path: Path) -> None:
    path = tmp_path / "mars-été.csv"
    write_table(path, TABLE)
    assert valid(path)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        table = csvw.CSVW(str(metadata_path(path))).tables[0]
        first, second, _ = table.iterdicts()
    assert first["marker"] == "017"
    assert float(first["L"]) == 54.1234
    assert first["in_srgb"] is True
    assert first["flags"] == ["mottled", "unlike-hint"]
    assert first["session"].year == 2026
    assert second["L"] is None
    assert second["flags"] == ["blank"]
    assert table.tableSchema.primaryKey == list(KEY)
    assert [column.name for column in table.tableSchema.columns] == CONTRACT


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(tables)
def test_any_table_is_valid(tmp_path_factory: pytest.TempPathFactory, table: Table) -> None:
    path = tmp_path_factory.mktemp("table") / "colours.csv"
    write_table(path, table)
    assert valid(path)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("54.1234", "254.1234"),
        ("54.1234", "pale"),
        ("54.1234", "NaN"),
        ("54.1234", "5.4e1"),
        (",true,", ",maybe,"),
        ("41234", "41234.5"),
        ("41234", "-1"),
        ("2026-03-31", "31/03/2026"),
        ("#5a8a80", "5a8a80"),
        ("mottled unlike-hint", "Mottled!"),
        ("018,", "017,"),
        ("ink,2", "ink,1"),
        ("ink,1", "pencil,1"),
        ("Smooth 200 g", ""),
    ],
)
def test_the_independent_reader_can_say_no(tmp_path: Path, old: str, new: str) -> None:
    path = tmp_path / "colours.csv"
    rows = (FULL, dataclasses.replace(FULL, marker="018", layers=1), dataclasses.replace(FULL, layers=2))
    write_table(path, Table(rows, ORIGIN))
    assert valid(path)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    assert not valid(path)


def test_annotations_have_names_the_vocabulary_allows() -> None:
    """Every name is the vocabulary's own or has a prefix of its context (section 5.8 and notes)."""
    core = {
        "@context",
        "@language",
        "@type",
        "url",
        "tableSchema",
        "columns",
        "primaryKey",
        "notes",
        "name",
        "titles",
        "datatype",
        "base",
        "format",
        "minimum",
        "maximum",
        "null",
        "separator",
        "required",
    }

    def names(value: Any) -> set[str]:
        if isinstance(value, dict):
            return set(value).union(*(names(v) for v in value.values()))
        if isinstance(value, list):
            return set().union(*(names(v) for v in value))
        return set()

    metadata = json.loads(table_bytes(TABLE, "colours.csv")[1])
    found = names(metadata)
    assert {name for name in found if ":" in name} == {
        "dc:title",
        "dc:description",
        "schema:name",
        "schema:value",
        "schema:additionalProperty",
        "schema:unitText",
    }
    assert {name for name in found if ":" not in name} <= core
    assert metadata["@context"][0] == "http://www.w3.org/ns/csvw"


HOSTILE = [
    "=cmd()",
    "+1+1",
    "-cmd()",
    "@SUM(A1)",
    "＝cmd()",
    "'=x",
    "' =x",
    "a;=cmd()",
    "a; @x",
    ";-x",
    "==",
    "''+a",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_formulas_reach_no_spreadsheet_and_come_home(tmp_path: Path, text: str) -> None:
    path = tmp_path / "colours.csv"
    write_table(
        path, Table((dataclasses.replace(FULL, marker=text, name=text, set=text, paper=text),), ORIGIN)
    )
    again, _ = read_table(path)
    assert [getattr(again.readings[0], n) for n in ("marker", "name", "set", "paper")] == [text] * 4
    # Opened with either separator, no cell but a number begins like a formula.
    for separator in ",;":
        cells = next(csv.reader(path.read_text(encoding="utf-8").splitlines()[1:], delimiter=separator))
        for cell in cells:
            if cell.strip() and cell.strip()[0] in "=+-@＝":
                assert math.isfinite(float(cell))
    assert valid(path)


@pytest.mark.parametrize(
    "text", ["-5", "+49", "-1,5", "017", "NA", "#12", "a,b", 'say "x"', "Ётё 紺 ß", "a;b", "x-y"]
)
def test_harmless_text_is_left_alone(tmp_path: Path, text: str) -> None:
    path = tmp_path / "colours.csv"
    write_table(path, Table((dataclasses.replace(FULL, marker=text), PAPER), ORIGIN))
    frame = pandas.read_csv(path, keep_default_na=False)
    assert frame["marker"][0] == text
    assert read_table(path)[0].readings[0].marker == text


def resave(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / "again.csv"
    path.write_bytes(text.encode(encoding))
    metadata_path(path).write_bytes(table_bytes(TABLE, path.name)[1])
    return path


def test_a_spreadsheet_saved_it_again(tmp_path: Path) -> None:
    frame = pandas.read_csv(io.BytesIO(table_bytes(TABLE, "x.csv")[0]), dtype=str, keep_default_na=False)
    frame = frame[sorted(frame.columns)]
    expected = read_again(tmp_path, TABLE).readings
    for separator, comma in ((";", ","), ("\t", "."), ("\t", ","), (",", ".")):
        shown = frame.copy()
        for column in COLUMNS:
            if column.datatype == "number":
                shown[column.name] = (
                    shown[column.name].str.replace(".", comma).str.replace(f"{comma}0000$", "", regex=True)
                )
        shown["in_srgb"] = shown["in_srgb"].str.upper()
        shown["hex"] = shown["hex"].str.upper()
        text = shown.to_csv(sep=separator, index=False, lineterminator="\r\n") + separator * 31 + "\r\n"
        for encoding in ("utf-8-sig", "utf-16"):
            table, found = read_table(resave(tmp_path, text, encoding))
            assert table.readings == expected
            assert found == ()


def test_the_description_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "colours.csv"
    write_table(path, TABLE)
    metadata_path(path).unlink()
    table, found = read_table(path)
    assert len(found) == 1
    assert "colours.csv-metadata.json is not beside it" in found[0]
    assert not table.origin.known
    assert table.readings[1:] == TABLE.readings[1:]


CSVW = b'{"@context": "http://www.w3.org/ns/csvw", '


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "not valid JSON"),
        (b'{"@context": ', "not valid JSON"),
        (b'{"@context": NaN}', "NaN is not a number"),
        (b"[" * 100_000, "not valid JSON"),
        (b"\xff\xfe\xfa", "begins as UTF-16"),
        (b"[]", "no"),
        (b'{"name": "other"}', "is not a CSV on the Web description"),
        (CSVW + b'"notes": [3]}', "notes that this program cannot read"),
        (CSVW + b'"notes": 3}', "notes that this program cannot read"),
        (
            CSVW + b'"notes": [{"schema:name": "scans", "schema:value": 3}]}',
            "'scans' is of the wrong kind",
        ),
        (
            CSVW + b'"notes": [{"schema:name": "scans", "schema:value": [3]}]}',
            "'scans' is of the wrong kind",
        ),
    ],
)
def test_the_description_is_damaged(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "colours.csv"
    write_table(path, TABLE)
    metadata_path(path).write_bytes(data)
    with pytest.raises(InputError, match=words) as caught:
        read_table(path)
    assert "metadata.json" in str(caught.value)


def test_the_description_is_of_another_program(tmp_path: Path) -> None:
    path = tmp_path / "colours.csv"
    write_table(path, TABLE)
    metadata_path(path).write_text('{"@context": "http://www.w3.org/ns/csvw", "url": "colours.csv"}')
    table, found = read_table(path)
    assert not table.origin.known
    assert len(found) == 1
    assert "does not say how" in found[0]


def test_other_columns_and_flags_are_warned_of(tmp_path: Path) -> None:
    frame = pandas.read_csv(io.BytesIO(table_bytes(TABLE, "x.csv")[0]), dtype=str, keep_default_na=False)
    frame["where"] = "drawer"
    frame["flags"] = "sticky mottled"
    table, found = read_table(resave(tmp_path, frame.drop(columns=["u_L", "pixels"]).to_csv(index=False)))
    assert table.readings[0].flags == ("sticky", "mottled")
    assert table.readings[0].u_L is None
    assert table.readings[0].keeps_colour
    assert [words for words in ("u_L, pixels", "where", "sticky") if any(words in f for f in found)] == [
        "u_L, pixels",
        "where",
        "sticky",
    ]
    assert len(found) == 3


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        ("L", "nan", "which is not a number"),
        ("L", "inf", "which is not a number"),
        ("L", "541234", "outside -10 to 150"),
        ("L", "", "gives only a part of L, a, b"),
        ("B", "", "gives only a part of R, G, B"),
        ("u_L", "-0.1", "outside 0 to 1000"),
        ("coverage", "1.2", "outside 0 to 1"),
        ("h", "-1", "outside 0 to 360"),
        ("pixels", "1.5", "not a whole number"),
        ("pixels", "1e999", "not a number"),
        ("in_srgb", "perhaps", "neither true nor false"),
        ("hex", "#12345", "does not match"),
        ("session", "31.03.2026", "not a date like 2026-03-31"),
        ("session", "", "column 'session' is empty"),
        ("paper", "", "column 'paper' is empty"),
        ("marker", "", "column 'marker' is empty"),
        ("marker", "a\tb", "control character"),
        ("marker", "x" * 201, "201 characters"),
        ("marker", "Black", "which is reserved"),
        ("kind", "crayon", "does not match"),
        ("kind", "paper", "its marker must be 'paper'"),
        ("layers", "0", "has 0 layers"),
        ("layers", "3", "outside 0 to 2"),
        ("layers", "2", "repeats the marker, layers, paper and session of line 3"),
    ],
)
def test_refused_with_line_and_reason(tmp_path: Path, column: str, cell: str, words: str) -> None:
    rows = (PAPER, dataclasses.replace(FULL, layers=2), FULL)
    frame = pandas.read_csv(
        io.BytesIO(table_bytes(Table(rows), "x.csv")[0]), dtype=str, keep_default_na=False
    )
    frame.loc[2, column] = cell
    with pytest.raises(InputError) as caught:
        read_table(resave(tmp_path, frame.to_csv(index=False)))
    assert words in str(caught.value)
    assert "again.csv:4: " in str(caught.value)
    assert len(caught.value.problems) == 1
    assert caught.value.exit_code == 3


def test_all_mistakes_at_once(tmp_path: Path) -> None:
    frame = pandas.read_csv(io.BytesIO(table_bytes(TABLE, "x.csv")[0]), dtype=str, keep_default_na=False)
    frame["L"] = "x"
    frame["coverage"] = "7"
    with pytest.raises(InputError) as caught:
        read_table(resave(tmp_path, frame.to_csv(index=False)))
    assert [problem.line for problem in caught.value.problems] == [2, 2, 3, 3, 4, 4]


@pytest.mark.parametrize("text", ["marker,kind,layers,paper,session,L,a,b\n", "marker,L\n1,2\n", ""])
def test_no_table(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.csv"
    path.write_text(text)
    with pytest.raises(InputError):
        read_table(path)


NONSENSE: list[dict[str, Any]] = [
    {"L": math.nan},
    {"L": "pale"},
    {"R": math.inf},
    {"coverage": 2.0},
    {"hex": "red"},
    {"flags": ("Odd!",)},
    {"marker": ""},
    {"session": "today"},
]


@pytest.mark.parametrize("change", NONSENSE, ids=lambda change: next(iter(change)))
def test_the_program_cannot_write_nonsense(change: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="row 1, column"):
        table_bytes(Table((dataclasses.replace(FULL, **change),)), "x.csv")


def test_the_program_cannot_write_a_row_twice() -> None:
    with pytest.raises(ValueError, match="two rows"):
        table_bytes(Table((FULL, FULL)), "x.csv")


def test_origin_refuses_nan() -> None:
    with pytest.raises(ValueError, match="JSON"):
        Origin(flare={"strength": math.nan})


def test_the_file_name_is_a_url() -> None:
    """RFC 3986: a space, a colon, a hash and a per cent sign are escaped in a reference."""
    metadata = json.loads(table_bytes(TABLE, "50 % of #1: é.csv")[1])
    assert metadata["url"] == "50%20%25%20of%20%231%3A%20é.csv"


def test_another_csv_gets_its_description(tmp_path: Path) -> None:
    columns = (
        Column("group", "integer", "Number of the group", minimum=1),
        Column("marker", "string", "Id of the marker", required=True),
        Column("dE00", "number", "Difference", "dE00", minimum=0, decimals=2),
    )
    path = tmp_path / "groups.csv"
    path.write_bytes(csv_bytes(columns, [(1, "017", 0.456), (1, "=x", None)]))
    metadata_path(path).write_bytes(csvw_metadata(path.name, columns, {"within": 1.8}, ("group", "marker")))
    assert path.read_text() == "group,marker,dE00\n1,017,0.46\n1,'=x,\n"
    assert valid(path)
    assert read_notes(path) == {"within": 1.8}
