"""The marker list as spreadsheets really write it, and every mistake of it said at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from calib.chart.markers import Marker, read_markers
from calib.errors import InputError


def _file(folder: Path, content: str | bytes) -> Path:
    path = folder / "markers.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


PLAIN = (Marker("017", "Moss", "greens", "ink", "#5a7a3c"), Marker("018", "Łosoś", "", "blender", ""))


@pytest.mark.parametrize(
    "content",
    [
        "marker,name,set,kind,hint\n017,Moss,greens,ink,#5A7A3C\n018,Łosoś,,blender,\n",
        "\ufeffmarker,name,set,kind,hint\n017,Moss,greens,,#5a7a3c\n018,Łosoś,,blender,\n",
        "marker;name;set;kind;hint\r\n017;Moss;greens;ink;#5a7a3c\r\n018;Łosoś;;Blender;\r\n;;;;\r\n\r\n",
        "marker\tname\tset\tkind\thint\n017\tMoss\tgreens\tink\t#5a7a3c\n018\tŁosoś\t\tblender\t\n\t\t\t\t\n",
        'kind,"marker",hint,name,set\nink, 017 ,#5a7a3c,"Moss",greens\nblender,018,,Łosoś\n',
        "marker,name,set,kind,hint,,\n017,Moss,greens,ink,#5a7a3c,,\n018,Łosoś,,blender,,,\n,,,,,,\n",
        "marker,name,set,kind,hint\n017,Moss,greens,ink,#5a7a3c\n018,Łosoś,,blender,\n".encode("utf-16"),
        # The same letters spelt with combining marks are the same name.
        "marker,name,set,kind,hint\n017,Moss,greens,ink,#5a7a3c\n018,Łosos\u0301,,blender,\n",
    ],
    ids=["plain", "bom", "semicolon-crlf", "tab", "order", "padded", "utf-16", "combining"],
)
def test_reads_what_spreadsheets_write(tmp_path: Path, content: str | bytes) -> None:
    assert read_markers(_file(tmp_path, content)) == PLAIN


def test_unknown_columns_are_kept(tmp_path: Path) -> None:
    (marker,) = read_markers(_file(tmp_path, "marker,shelf,name\n7, B ,Moss\n"))
    assert marker.extra == {"shelf": "B"}


def test_a_quoted_separator_belongs_to_the_name(tmp_path: Path) -> None:
    (marker,) = read_markers(_file(tmp_path, 'marker,name\n7,"Moss, dark"\n'))
    assert marker.name == "Moss, dark"


def test_all_mistakes_at_once_with_their_lines(tmp_path: Path) -> None:
    path = _file(
        tmp_path,
        "marker,name,kind,hint\n"
        "017,Moss,ink,\n"
        "paper,Sheet,ink,\n"
        "Black,Night,ink,\n"
        ",Nameless,ink,\n"
        "\n"
        "017,Moss again,ink,\n"
        "019,Rust,crayon,\n"
        "020,Sky,ink,blue\n"
        "021,Sea,ink,#12345\n"
        f"{'9' * 201},Long,ink,\n",
    )
    with pytest.raises(InputError) as caught:
        read_markers(path)
    assert [problem.line for problem in caught.value.problems] == [3, 4, 5, 7, 8, 9, 10, 11]
    text = str(caught.value)
    assert f"{path}:3:" in text and f"{path}:10:" in text
    for words in ("reserved", "no marker id", "of line 2", "crayon", "#a1b2c3", "201 characters"):
        assert words in text


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "empty"),
        ("\n\n", "empty"),
        ("name,hint\nMoss,\n", "no column 'marker'"),
        ("marker,name,name\n1,a,b\n", "2 times"),
        ("marker,name\n", "no markers"),
        ("marker,name\n1,Moss,green,extra\n", ":2:"),
        ('marker,name\n1,"Moss\n', ":2:"),
        (b"marker,name\n1,Mo\xff\xfess\n", "UTF-8"),
        (b"marker\0,name\n1,a\n", "zero bytes"),
        ("marker,name\n1,a\x07b\n", "control character"),
    ],
)
def test_refusals_are_input_errors(tmp_path: Path, content: str | bytes, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read_markers(_file(tmp_path, content))
    assert words in str(caught.value)
    assert caught.value.exit_code == 3


def test_a_missing_list_and_a_folder(tmp_path: Path) -> None:
    for path, words in ((tmp_path / "none.csv", "does not exist"), (tmp_path, "folder")):
        with pytest.raises(InputError, match=words):
            read_markers(path)
