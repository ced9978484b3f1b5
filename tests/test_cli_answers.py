"""What the answering commands share: tables read, with all their mistakes at once; answers as words, JSON and files.

Outside readers: json and csv. All tables are invented.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from calib.cli.options import FINDINGS, Stop, answer_options, check_option, give_answer, read_tables
from calib.errors import CalibError, InputError, OutputError
from calib.table.answerfile import Answer
from calib.table.csvw import Column, metadata_path
from calib.table.origin import Origin
from calib.table.table import Reading, Table, write_table

PEN = Reading("1", 1, "smooth", "2026-03-01", L=50.0, a=1.0, b=2.0)
ANSWER = Answer(
    "match",
    "What is near",
    (Column("marker", "string", "The pen"), Column("dE00", "number", "How far", "dE00")),
    (("1", 0.12345), ("ä", None)),
    ("marker",),
    {"asked": "#102030"},
    ("A warning.",),
)


@pytest.fixture
def tables(tmp_path: Path) -> list[Path]:
    paths = [tmp_path / "one.csv", tmp_path / "two.csv"]
    for path in paths:
        write_table(path, Table((PEN,), Origin(program="calib 0.1.0", chart=path.stem)))
    return paths


def test_tables_come_in_the_order_given(tables: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    found = read_tables(False, tables[::-1])
    assert [table.origin.chart for table in found] == ["two", "one"]
    assert found[0].readings == (PEN,)
    assert capsys.readouterr() == ("", "")


def test_warnings_go_to_stderr_and_quiet_keeps_them(
    tables: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    metadata_path(tables[0]).unlink()
    read_tables(True, tables)
    assert capsys.readouterr() == ("", "")
    read_tables(False, tables)
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("is not beside it") == 1
    assert "one.csv" in err


def test_all_mistakes_of_all_tables_at_once(tables: list[Path], tmp_path: Path) -> None:
    tables[0].write_text("marker,layers\n1,1\n", encoding="utf-8")
    with pytest.raises(CalibError) as caught:
        read_tables(True, [tables[0], tmp_path / "none.csv", tables[1]])
    assert "one.csv" in str(caught.value)
    assert "none.csv" in str(caught.value)
    assert "two.csv" not in str(caught.value)
    assert caught.value.exit_code == 3
    with pytest.raises(InputError, match=r"none\.csv"):
        read_tables(True, [tables[1], tmp_path / "none.csv"])


def test_a_table_given_twice_is_named_also_behind_a_broken_one(tables: list[Path], tmp_path: Path) -> None:
    again = tmp_path / "folder" / ".." / "one.csv"
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match="given twice") as caught:
        read_tables(True, [tables[0], tables[1], again])
    assert caught.value.exit_code == 3
    with pytest.raises(CalibError) as both:
        read_tables(True, [tmp_path / "none.csv", tables[0], again])
    assert "none.csv" in str(both.value)
    assert "given twice" in str(both.value)
    link = tmp_path / "link.csv"
    link.symlink_to(tables[0])
    with pytest.raises(InputError, match="given twice"):
        read_tables(True, [tables[0], link])


def test_an_answer_never_falls_on_a_table(tables: list[Path], tmp_path: Path) -> None:
    before = tables[0].read_bytes(), metadata_path(tables[0]).read_bytes()
    for output in (tables[0], tables[1], metadata_path(tables[0])):
        with pytest.raises(click.UsageError, match="overwrite"):
            read_tables(True, tables, output)
    assert (tables[0].read_bytes(), metadata_path(tables[0]).read_bytes()) == before
    with pytest.raises(OutputError):
        read_tables(True, tables, tmp_path / "no folder" / "answer.csv")
    assert len(read_tables(True, tables, tmp_path / "answer.csv")) == 2
    assert not (tmp_path / "answer.csv").exists()


def test_words_on_stdout_warnings_on_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    give_answer(False, False, ANSWER, None, ["Two pens.", "One is near."])
    assert capsys.readouterr() == ("Two pens.\nOne is near.\n", "calib: A warning.\n")


def test_json_stands_alone_on_stdout(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    give_answer(False, True, ANSWER, tmp_path / "a.csv", ["Two pens."])
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert found["rows"] == [{"marker": "1", "dE00": 0.1235}, {"marker": "ä", "dE00": None}]
    assert (found["answer"], found["notes"], found["warnings"]) == ("match", ANSWER.notes, ["A warning."])
    assert err == "calib: A warning.\n"


@pytest.mark.parametrize("as_json", [False, True])
def test_the_file_is_written_however_it_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], as_json: bool
) -> None:
    path = tmp_path / "a.csv"
    give_answer(True, as_json, ANSWER, path, ["Two pens."])
    assert capsys.readouterr() == ("", "")
    with path.open(encoding="utf-8", newline="") as stream:
        assert list(csv.reader(stream)) == [["marker", "dE00"], ["1", "0.1235"], ["ä", ""]]
    assert metadata_path(path).exists()
    give_answer(False, False, ANSWER, path, [])
    assert capsys.readouterr().out == f"Written: {path}\n"


def test_an_interrupt_writes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stop, "asked", True)
    with pytest.raises(KeyboardInterrupt):
        give_answer(True, False, ANSWER, tmp_path / "a.csv", [])
    assert list(tmp_path.iterdir()) == []


def test_the_options_that_all_take() -> None:
    @click.command()
    @answer_options
    @check_option
    def asked(quiet: bool, as_json: bool, check: bool) -> None:
        click.echo(f"{quiet} {as_json} {check}")

    run = CliRunner()
    assert run.invoke(asked, []).output == "False False False\n"
    assert run.invoke(asked, ["--quiet", "--json", "--check"]).output == "True True True\n"
    text = run.invoke(asked, ["--help"]).output
    assert "--json" in text
    assert str(FINDINGS) in text
    assert FINDINGS == 10


def test_warnings_are_broken_between_words_on_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever reads stderr by a program gets one line for each warning."""
    from calib.cli import options

    line = "several words that are longer together than a narrow terminal has room for, " * 2
    options.note(False, line)
    assert capsys.readouterr().err == f"calib: {line}\n"
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "60")
    options.note(False, line)
    written = capsys.readouterr().err.splitlines()
    assert len(written) > 2 and max(map(len, written)) < 60
    assert " ".join(part.strip() for part in written).split() == f"calib: {line}".split()
