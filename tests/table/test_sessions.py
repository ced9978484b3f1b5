"""Tables taken apart into sessions. All rows here are invented."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.table.origin import Origin
from calib.table.sessions import markers_of, sessions_of
from calib.table.table import Reading, Table, read_table, write_table


def row(
    marker: str, layers: int = 1, paper: str = "smooth", date: str = "2026-03-01", **more: object
) -> Reading:
    values = {"L": 50.0, "a": 1.0, "b": 2.0, **more}
    return Reading(marker, layers, paper, date, **values)  # type: ignore[arg-type]


WHITE = row("paper", 0, kind="paper", L=95.0)
BLACK = row("black", 0, kind="black", L=15.0)
TABLE = Table(
    (
        row("2", paper="rough", date="2026-04-01"),
        row("2"),
        WHITE,
        row("10"),
        row("10", 2),
        BLACK,
        row("10", date="2026-02-01"),
    ),
    Origin(chart="k3f9", scatter={"relative_dose": 0.025, "degrees_of_freedom": 11}),
    Path("folder/colours.csv"),
)


def test_a_session_is_one_paper_on_one_day() -> None:
    february, march, april = sessions_of([TABLE])
    assert [s.date for s in (february, march, april)] == ["2026-02-01", "2026-03-01", "2026-04-01"]
    assert [s.paper for s in (february, march, april)] == ["smooth", "smooth", "rough"]
    assert [r.key[:2] for r in march.rows] == [("2", 1), ("10", 1), ("10", 2)]
    assert (march.white, march.black) == (WHITE, BLACK)
    assert march.by_key["10", 2].layers == 2
    assert {s.file for s in (february, march, april)} == {"colours.csv"}
    assert march.origin is TABLE.origin
    assert march.called == "smooth, 2026-03-01"


def test_the_first_tables_sessions_stand_first_whatever_their_dates() -> None:
    older = Table((row("7", date="2020-01-01"),))
    assert [s.date for s in sessions_of([TABLE, older])][-1] == "2020-01-01"
    assert sessions_of([older])[0].file == ""
    assert sessions_of([TABLE, TABLE])[:3] == sessions_of([TABLE])


def test_every_row_is_in_one_session_after_a_table_was_written_and_read(tmp_path: Path) -> None:
    # What is derived is written as it was, so that nothing but the reading back is tested.
    path = tmp_path / "colours.csv"
    write_table(path, dataclasses.replace(TABLE, path=None))
    again, _ = read_table(path)
    found = sessions_of([again])
    assert [(s.paper, s.date, s.rows, s.white, s.black) for s in found] == [
        (s.paper, s.date, s.rows, s.white, s.black) for s in sessions_of([TABLE])
    ]
    assert sum(len(s.rows) for s in found) == 5


@pytest.mark.parametrize(
    ("freedom", "found"), [(11, 11), (11.0, 11), (0, 0), (-3, 0), ("many", 0), (None, 0)]
)
def test_degrees_of_freedom_as_the_table_tells_them(freedom: object, found: int) -> None:
    table = Table((row("1"),), Origin(scatter={"degrees_of_freedom": freedom}))
    assert sessions_of([table])[0].freedom == found


def test_a_table_without_its_description() -> None:
    (session,) = sessions_of([Table((row("1"),))])
    assert session.freedom == 0
    assert session.black is None
    assert not session.origin.known


def test_white_is_the_papers_then_the_blenders_then_the_lightest() -> None:
    blender, pale, dark = row("0", kind="blender", L=93.0), row("1", L=94.0), row("2", L=20.0)
    unread = row("9", L=None, a=None, b=None)
    sheet = row("paper", 0, kind="paper", L=92.0)

    def white(*rows: Reading) -> Reading | None:
        return sessions_of([Table(rows)])[0].white

    assert white(dark, pale, blender, sheet) == sheet
    assert white(dark, pale, blender) == blender
    assert white(dark, pale, unread) == pale
    assert white(unread) is None
    # A paper row that has no colour is as good as none.
    assert white(dark, pale, dataclasses.replace(sheet, L=None, a=None, b=None)) == pale


def test_no_tables_no_sessions() -> None:
    assert sessions_of([]) == ()
    assert markers_of(()) == ()


def test_markers_are_the_pens_each_once() -> None:
    assert markers_of(sessions_of([TABLE])) == ("10", "2")


@given(st.permutations(TABLE.readings))
def test_the_order_of_the_rows_only_orders_the_rows(rows: list[Reading]) -> None:
    mixed = sessions_of([dataclasses.replace(TABLE, readings=tuple(rows))])
    for one, other in zip(mixed, sessions_of([TABLE]), strict=True):
        assert (one.paper, one.date, one.white, one.black) == (
            other.paper,
            other.date,
            other.white,
            other.black,
        )
        assert one.by_key == other.by_key
