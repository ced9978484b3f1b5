"""Colour cards: what their files say, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from conftest import failure
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.colour.card import Card, read_card
from calib.errors import InputError

# Invented colours.
LABS = [(82.0 - 3.0 * i, (i * 7) % 20 - 10.0, (i * 11) % 24 - 12.0) for i in range(24)]


def card_of(folder: Path, text: str) -> Card:
    path = folder / "card.csv"
    path.write_text(text, encoding="utf-8")
    return read_card(path)


def grid(header: str = "row,column,L,a,b", columns: int = 6, values: list[tuple[float, ...]] = LABS) -> str:
    """Return a card's file of as many patches as there are values, row by row."""
    return header + "\n" + "".join(line(i, columns, value) for i, value in enumerate(values))


def line(number: int, columns: int, value: tuple[float, ...]) -> str:
    numbers = ",".join(str(v) for v in value)
    return f"{number // columns + 1},{number % columns + 1},{numbers}\n"


def refused(folder: Path, text: str) -> list[tuple[int, str]]:
    """Return line and message of everything that is wrong with a card's file."""
    error = failure(lambda: card_of(folder, text))
    assert isinstance(error, InputError)
    assert error.exit_code == 3
    assert "card.csv" in str(error)
    return [(problem.line, problem.message) for problem in error.problems]


def test_lab_becomes_xyz_by_the_cie_formulas(tmp_path: Path) -> None:
    """CIE 15:2018, 8.2.1, inverted by hand for L 50, a 20, b -30: Y = ((50 + 16) / 116)^3 = 0.184187;
    X = 0.9642 (0.568966 + 20 / 500)^3 = 0.217744; Z = 0.8251 (0.568966 + 30 / 200)^3 = 0.306641."""
    card = card_of(tmp_path, grid(values=[(50.0, 20.0, -30.0), *LABS[1:]]))
    assert (card.name, card.rows, card.columns) == ("card.csv", 4, 6)
    np.testing.assert_allclose(card.xyz[0], [0.217744, 0.184187, 0.306641], atol=2e-6)
    np.testing.assert_array_equal(card.place[:8], [(0, i) for i in range(6)] + [(1, 0), (1, 1)])


def test_xyz_is_on_a_scale_to_100(tmp_path: Path) -> None:
    values = [(80.0 - 3 * i, 84.0 - 3 * i, 70.0 - 2.5 * i) for i in range(24)]
    card = card_of(tmp_path, grid("row,column,X,Y,Z", values=values))
    np.testing.assert_allclose(card.xyz, np.array(values) / 100)
    tenth = [tuple(v / 100 for v in value) for value in values]
    assert "scale to 100" in refused(tmp_path, grid("row,column,X,Y,Z", values=tenth))[0][1]


@pytest.mark.parametrize("separator", [";", "\t"])
def test_what_a_spreadsheet_writes(tmp_path: Path, separator: str) -> None:
    text = grid("row,column,L,a,b").replace(",", separator).replace(".", ",")
    rows = [
        f"note{separator}{row}" if i == 0 else f"x{separator}{row}" for i, row in enumerate(text.splitlines())
    ]
    (tmp_path / "card.csv").write_bytes(
        ("﻿" + "\r\n".join(rows) + "\r\n;;;\r\n".replace(";", separator)).encode()
    )
    np.testing.assert_allclose(read_card(tmp_path / "card.csv").xyz, card_of(tmp_path, grid()).xyz)


def test_patches_keep_the_order_of_the_file_and_places_may_be_empty(tmp_path: Path) -> None:
    lines = grid().splitlines()
    text = "\n".join([lines[0], *reversed(lines[1:10]), *lines[14:]]) + "\n"
    card = card_of(tmp_path, text)
    assert (card.rows, card.columns, len(card.place)) == (4, 6, 20)
    assert card.place[0].tolist() == [1, 2]
    np.testing.assert_allclose(card.xyz[0], card_of(tmp_path, grid()).xyz[8])


def test_places_of_patches_beside_their_lab_are_no_colours(tmp_path: Path) -> None:
    """A file may say where a patch lies, in columns X and Y: without a Z that is no XYZ."""
    header, *rows = grid().splitlines()
    text = "\n".join([f"{header},X,Y", *(f"{row},{10 * i},200" for i, row in enumerate(rows))]) + "\n"
    np.testing.assert_array_equal(card_of(tmp_path, text).xyz, card_of(tmp_path, grid()).xyz)


def test_all_mistakes_are_said_at_once_with_their_lines(tmp_path: Path) -> None:
    lines = grid().splitlines()
    for number, text in {
        3: "1,1,50,0,0",  # line 4 of the file
        5: "2,-1,50,0,0",
        7: "2,2.5,50,0,0",
        9: "2,3,101,0,0",
        11: "2,5,nan,0,0",
        13: "3,1,50,,0",
        15: "3,3,50,180,0",
        17: "x,4,50,0,0",
    }.items():
        lines[number] = text
    found = refused(tmp_path, "\n".join(lines) + "\n")
    assert [number for number, _ in found] == [4, 6, 8, 10, 12, 14, 16, 18]
    words = dict(found)
    assert "row 1, column 1 of line 2" in words[4]
    assert "-1" in words[6] and "2.5" in words[8]
    assert "101" in words[10] and "0 to 100" in words[10]
    assert "not a number" in words[12] and "'a'" in words[14]
    assert "no surface" in words[16] and "'row'" in words[18]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("row,column,L,a,b\n", "names no patches"),
        (grid(values=LABS[:11]), "has 11 patches"),
        (grid("row,column,L,a,c"), "not b"),
        (grid("row,column,X,Y,q"), "not Z"),
        (grid("row,column,p,q,r"), "gives no colours"),
        (grid("line,column,L,a,b"), "has no column 'row'"),
        (grid("row,column,L,a,b").replace("4,6,", "40,6,"), "40 rows"),
        ("row,column,L,a,b,X,Y,Z\n" + "".join(f"1,{i},50,0,0,18,18,15\n" for i in range(1, 13)), "both"),
    ],
)
def test_what_is_no_card_is_refused(tmp_path: Path, text: str, word: str) -> None:
    assert any(word in message for _, message in refused(tmp_path, text))


def test_values_under_another_light_are_noticed(tmp_path: Path) -> None:
    """A perfect white under D65 has Z = 108.9 (CIE 15:2018, table 8), more than any surface under D50."""
    values = [(85.5, 90.0, 97.9), *[(40.0 - i, 42.0 - i, 45.0 - i) for i in range(23)]]
    ((number, message),) = refused(tmp_path, grid("row,column,X,Y,Z", values=values))
    assert number == 2 and "97.9" in message and "D50" in message
    negative = [(40.0, 42.0, -0.5), *values[1:]]
    assert "below 0" in refused(tmp_path, grid("row,column,X,Y,Z", values=negative))[0][1]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert "does not exist" in str(failure(lambda: read_card(tmp_path / "none.csv")))


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 8), st.integers(6, 9), st.booleans(), st.data())
def test_any_grid_in_any_order_reads_as_it_was_written(
    tmp_path_factory: pytest.TempPathFactory, rows: int, columns: int, xyz: bool, data: st.DataObject
) -> None:
    whites = data.draw(st.lists(st.integers(30, 95), min_size=rows * columns, max_size=rows * columns))
    # Greys, as Lab, or as XYZ in the proportion of the D50 white.
    values = [(0.9642 * v, v, 0.8251 * v) if xyz else (v, 0, 0) for v in whites]
    header, *lines = grid(f"row,column,{'X,Y,Z' if xyz else 'L,a,b'}", columns, values).splitlines()
    folder = tmp_path_factory.mktemp("card")
    straight = card_of(folder, "\n".join([header, *lines]))
    mixed = card_of(folder, "\n".join([header, *data.draw(st.permutations(lines))]))
    assert (mixed.rows, mixed.columns) == (straight.rows, straight.columns) == (rows, columns)
    order = np.lexsort(mixed.place.T[::-1])
    np.testing.assert_array_equal(mixed.place[order], straight.place)
    np.testing.assert_array_equal(mixed.xyz[order], straight.xyz)
