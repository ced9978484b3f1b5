"""Text tables in as spreadsheets write them, and files out whole or not at all."""

from __future__ import annotations

import csv
import io
import os
import stat
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib import files
from calib.errors import InputError, OutputError
from calib.files import make_folder, read_rows, read_text, shorten, write_whole


def rows_of(tmp_path: Path, data: bytes, required: tuple[str, ...] = ()) -> files.Rows:
    path = tmp_path / "list.csv"
    path.write_bytes(data)
    return read_rows(path, required)


PLAIN = "marker,name\n017,Dusk\n018,Été\n"


@pytest.mark.parametrize(
    "data",
    [
        PLAIN.encode(),
        b"\xef\xbb\xbf" + PLAIN.encode(),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.replace("\n", "\r").encode(),
        PLAIN.replace(",", ";").encode(),
        PLAIN.replace(",", "\t").encode(),
        PLAIN.encode("utf-16"),
        (PLAIN + "\n,\n ,  \n").encode(),
        ("\n\n" + PLAIN).encode(),
        b'"marker","name"\n"017","Dusk"\n"018","\xc3\x89t\xc3\xa9"',
        "marker,name,,\n017,Dusk,,\n018,Été\n".encode(),
    ],
    ids=["plain", "bom", "crlf", "cr", "semicolon", "tab", "utf-16", "tail", "head", "quoted", "padded"],
)
def test_reads_what_spreadsheets_write(tmp_path: Path, data: bytes) -> None:
    rows = rows_of(tmp_path, data, ("marker",))
    assert rows.columns == ("marker", "name")
    assert [row.cells["marker"] for row in rows.rows] == ["017", "018"]
    assert [row.cells["name"] for row in rows.rows] == ["Dusk", "Été"]


def test_lines_are_those_of_the_file(tmp_path: Path) -> None:
    rows = rows_of(tmp_path, b'a,b\n\n1,"two\nlines"\n2,x\n')
    assert [row.line for row in rows.rows] == [3, 5]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"\n \n", "is empty"),
        (b"a\xff\n1\n", ":1: is not UTF-8"),
        (b"a,b\n1,2\nx,\xe9\n", ":3: is not UTF-8"),
        (b"a\n\x00\n", "zero bytes"),
        ("a\n1\n".encode("utf-32"), "zero bytes"),
        (b"a,a\n1,2\n", "names the column 'a' 2 times"),
        (b"a,b\n1,2,3\n", ":2: has 3 cells where the header names 2"),
        (b'a,b\n1,"2\n', "is broken here"),
        (b'a,b\n1,"2"x\n', "is broken here"),
        (b"b\n1\n", "has no column 'a' (it has: b)"),
        (b"a\n" + b"x" * 200_000 + b"\n", "is broken here"),
    ],
)
def test_refuses_with_the_place(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(InputError) as caught:
        rows_of(tmp_path, data, ("a",))
    assert words in str(caught.value)
    assert caught.value.exit_code == 3


def test_all_mistakes_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        rows_of(tmp_path, b"b,b\n1,2,3\n1,2\n1,2,3\n", ("a",))
    assert len(caught.value.problems) == 4


@pytest.mark.parametrize(
    ("cell", "separator", "value"),
    [
        ("1.5", ",", 1.5),
        ("1,5", ";", 1.5),
        ("1,5", "\t", 1.5),
        (" -2 ", ";", -2.0),
        ("1e-3", ",", 1e-3),
        ("", ",", None),
    ],
)
def test_numbers(tmp_path: Path, cell: str, separator: str, value: float | None) -> None:
    rows = rows_of(tmp_path, f"a{separator}b\n{cell}{separator}x\n".encode())
    assert rows.number(rows.rows[0], "a") == value


@pytest.mark.parametrize(
    "cell", ["nan", "inf", "-Infinity", "1e999", "1_000", "12 mm", "#DIV/0!", "1.234,5", "--1"]
)
def test_what_is_no_number(tmp_path: Path, cell: str) -> None:
    rows = rows_of(tmp_path, f"a;b\n{cell};x\n".encode())
    with pytest.raises(ValueError, match="not a number"):
        rows.number(rows.rows[0], "a")


@given(
    st.lists(
        st.lists(
            st.text(st.characters(exclude_characters="\0\r", exclude_categories=("Cs",))),
            min_size=3,
            max_size=3,
        ),
        min_size=1,
    )
)
def test_reads_back_what_the_csv_module_writes(
    tmp_path_factory: pytest.TempPathFactory, cells: list[list[str]]
) -> None:
    # The standard library's writer is the outside source here.
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["one", "two", "three"])
    writer.writerows(cells)
    path = tmp_path_factory.mktemp("rows") / "x.csv"
    path.write_bytes(stream.getvalue().encode())
    rows = read_rows(path)
    kept = [row for row in cells if any(cell.strip() for cell in row)]
    assert [list(row.cells.values()) for row in rows.rows] == kept


@settings(max_examples=200)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.mktemp("bytes") / "x.csv"
    path.write_bytes(data)
    try:
        columns = read_rows(path, ("marker",)).columns
    except InputError:
        return
    assert "marker" in columns


def test_what_is_no_file(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    for path, words in [
        (tmp_path, "is a folder"),
        (tmp_path / "none.csv", "does not exist"),
        (loop, "does not exist"),
        (pipe, "is not a regular file"),
        (tmp_path / ("x" * 5000), "cannot be read"),
        (Path("nul\0"), "does not exist"),
    ]:
        with pytest.raises(InputError, match=words):
            read_text(path)


def test_too_large(tmp_path: Path) -> None:
    path = tmp_path / "large.csv"
    with path.open("wb") as stream:
        stream.truncate(files.MOST_BYTES + 1)
    with pytest.raises(InputError, match="MB large"):
        read_text(path)


def test_shorten() -> None:
    assert shorten("a\nb\x1b[31m") == "a b [31m"
    assert shorten("x" * 100, 10) == "x" * 9 + "…"


def test_writes_all_and_leaves_nothing_else(tmp_path: Path) -> None:
    one, two = tmp_path / "one.csv", tmp_path / "two.json"
    one.write_bytes(b"old")
    write_whole({one: b"1", two: b"2"})
    assert (one.read_bytes(), two.read_bytes()) == (b"1", b"2")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one.csv", "two.json"]


def test_rights_are_those_of_any_new_file(tmp_path: Path) -> None:
    plain, ours = tmp_path / "plain", tmp_path / "ours"
    plain.write_bytes(b"")
    write_whole({ours: b""})
    assert stat.S_IMODE(ours.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_one_bad_place_and_nothing_is_written(tmp_path: Path) -> None:
    one = tmp_path / "one.csv"
    one.write_bytes(b"old")
    with pytest.raises(OutputError) as caught:
        write_whole({one: b"new", tmp_path / "none" / "two.csv": b"2"})
    assert caught.value.exit_code == 3
    assert one.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["one.csv"]


def test_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    one = tmp_path / "one.csv"
    one.write_bytes(b"old")
    with pytest.raises(OutputError, match="No space left"):
        write_whole({one: b"new"})
    assert one.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["one.csv"]


def test_interrupted_before_the_rename(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupted)
    one = tmp_path / "one.csv"
    one.write_bytes(b"old")
    with pytest.raises(KeyboardInterrupt):
        write_whole({one: b"new"})
    assert one.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["one.csv"]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_bytes(b"old")
    link.symlink_to(real)
    write_whole({link: b"new"})
    assert link.is_symlink()
    assert real.read_bytes() == b"new"


def test_what_cannot_be_written_to(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    (tmp_path / "file").write_bytes(b"")
    for path, words in [
        (tmp_path, "is a folder"),
        (pipe, "a device or a pipe"),
        (Path("/dev/null"), "a device or a pipe"),
        (loop, "leads back to itself"),
        (tmp_path / "none" / "x.csv", "cannot be written"),
        (tmp_path / "file" / "x.csv", "cannot be written"),
        (tmp_path / ("x" * 5000), "cannot be written"),
        (tmp_path / "nul\0", "cannot be a file's name"),
    ]:
        with pytest.raises(OutputError, match=words):
            write_whole({path: b""})
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_two_runs_writing_one_file(tmp_path: Path) -> None:
    target = tmp_path / "x.csv"
    contents = [bytes([i]) * 100_000 for i in range(8)]
    runs = [threading.Thread(target=write_whole, args=({target: data},)) for data in contents]
    for run in runs:
        run.start()
    for run in runs:
        run.join()
    assert target.read_bytes() in contents
    assert [p.name for p in tmp_path.iterdir()] == ["x.csv"]


def test_make_folder(tmp_path: Path) -> None:
    make_folder(tmp_path / "a" / "b")
    assert (tmp_path / "a" / "b").is_dir()
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match="cannot be made a folder"):
        make_folder(tmp_path / "file")
