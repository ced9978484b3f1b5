"""Which pens a plan may be made with. All tables are invented."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from invented_tables import Making, invented_table

from calib.answers.shelf import Shelf, shelf_of
from calib.colour.colorimetry import linear_to_xyz, xyz_to_lab
from calib.errors import CalibError, ImpossibleError, InputError
from calib.synthetic.drawer import invent_inks
from calib.table.table import Reading, Table


@pytest.fixture(scope="module")
def table() -> Table:
    return invented_table(invent_inks(30, 5), Making(), 7)[0]


def put(table: Table, marker: str, **values: Any) -> Table:
    rows = [dataclasses.replace(r, **values) if r.marker == marker else r for r in table.readings]
    return dataclasses.replace(table, readings=tuple(rows))


def ids(shelf: Shelf) -> list[str]:
    return [pen.marker for pen in shelf.offered]


def first(table: Table) -> Reading:
    return next(row for row in table.readings if row.kind == "ink")


def test_a_sound_table_offers_all_of_its_pens_and_knows_its_paper(table: Table) -> None:
    shelf = shelf_of(table)
    assert sorted(ids(shelf)) == sorted({row.marker for row in table.readings if row.kind == "ink"})
    white = next(row for row in table.readings if row.kind == "paper")
    assert shelf.white is not None and np.allclose(shelf.white, white.lab or ())
    assert shelf.avoid == {}


@pytest.mark.parametrize(
    "flag", ["mottled", "half-filled", "unlike-hint", "forced", "blank", "clipped", "few-pixels"]
)
def test_a_flag_against_a_pen_keeps_it_out(table: Table, flag: str) -> None:
    marker = first(table).marker
    shelf = shelf_of(put(table, marker, flags=(flag,)))
    assert marker not in ids(shelf) and flag in shelf.avoid[marker]


@pytest.mark.parametrize("flag", ["out-of-srgb", "no-strip", "photo", "predicted"])
def test_what_says_nothing_against_a_pen_does_not(table: Table, flag: str) -> None:
    assert first(table).marker in ids(shelf_of(put(table, first(table).marker, flags=(flag,))))


def test_a_flag_that_all_rows_carry_says_nothing_of_one_pen(table: Table) -> None:
    forced = dataclasses.replace(
        table, readings=tuple(dataclasses.replace(row, flags=("forced",)) for row in table.readings)
    )
    assert len(ids(shelf_of(forced))) == len(ids(shelf_of(table)))


def test_a_pen_that_lost_ink_between_two_sessions_is_kept_out() -> None:
    inks = invent_inks(30, 5)
    before = invented_table(inks, Making(), 7)[0]
    after = invented_table(inks, Making(), 8)[0]
    weak = first(after).marker
    rows = []
    for row in after.readings:
        if row.marker == weak and row.linear is not None:
            # 70 per cent of the ink, by the law of Bouguer and Beer.
            light = np.maximum(np.array(row.linear), 0.004) ** 0.7
            L, a, b = xyz_to_lab(linear_to_xyz(light))
            row = dataclasses.replace(row, L=L, a=a, b=b, R=light[0], G=light[1], B=light[2])
        rows.append(dataclasses.replace(row, session="2026-09-19"))
    old = [dataclasses.replace(row, session="2026-03-14") for row in before.readings]
    both = dataclasses.replace(before, readings=(*old, *rows))
    shelf = shelf_of(both)
    assert "since 2026-03-14" in shelf.avoid[weak]
    assert len(shelf.avoid) <= 2
    assert shelf.date == "2026-09-19"


def test_an_unknown_id_names_those_that_are_near(table: Table) -> None:
    shelf = shelf_of(table)
    marker = shelf.pens[6].marker
    assert shelf.pen(f" {marker} ") is shelf.pens[6]
    with pytest.raises(ImpossibleError, match=f"Did you mean {marker}"):
        shelf.pen(marker.lstrip("0") if marker.startswith("0") else f"0{marker}")
    with pytest.raises(ImpossibleError, match=f"Did you mean {marker}"):
        shelf.pen(shelf.pens[6].name.upper())
    for odd in ("", "   ", "no such pen at all", "\x1b[31m"):
        with pytest.raises(CalibError):
            shelf.pen(odd)


def test_a_pen_without_a_colour_is_asked_about_in_vain_and_told_why(table: Table) -> None:
    marker = first(table).marker
    shelf = shelf_of(put(table, marker, flags=("blank",)))
    with pytest.raises(InputError, match="flagged blank"):
        shelf.pen(marker)


def test_a_table_without_pens_is_refused(table: Table) -> None:
    bare = dataclasses.replace(table, readings=tuple(r for r in table.readings if r.kind != "ink"))
    with pytest.raises(InputError, match="no pen"):
        shelf_of(bare)
