"""One ink over another is no pen: no answer and no list of pens offers it, compares it or learns from it.

The overlays here tempt as much as they can: one has the very colour of a pen, one changed wildly between the sessions. All tables are invented.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from invented_tables import Making, invented_table

from calib.chart.markers import Marker
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.table.table import Reading, Table, read_table, write_table

INKS = tuple(invent_inks([Marker(f"{i:03d}") for i in range(1, 13)], 7))
TWIN, MOVED = "003 over 002", "005 over 004"


def with_overlays(table: Table, moved_like: str) -> Table:
    """Return the table with two overlays: one of the colour of 001, one of that of another pen."""
    rows = {(row.marker, row.layers): row for row in table.readings}

    def laid(marker: str, like: str) -> Reading:
        return replace(rows[like, 1], marker=marker, name="", kind="overlay")

    return replace(table, readings=(*table.readings, laid(TWIN, "001"), laid(MOVED, moved_like)))


SPRING = invented_table(INKS, Making(), 1)[0]
AUTUMN = invented_table(INKS, Making(date="2026-09-01", strength={"003": 0.6}), 2)[0]
ROUGH = invented_table(INKS, Making(date="2026-09-01", paper=SimPaper(name="rough", gain=0.85)), 3)[0]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, table, like in (("spring", SPRING, "002"), ("autumn", AUTUMN, "009"), ("rough", ROUGH, "009")):
        write_table(tmp_path / f"{name}.csv", with_overlays(table, like))
        write_table(tmp_path / f"{name}-plain.csv", table)
    return tmp_path


ANSWERS = {
    "duplicates": ("duplicates", "spring{}.csv", "--within", "6"),
    "drift": ("drift", "spring{}.csv", "autumn{}.csv"),
    "papers": ("papers", "spring{}.csv", "rough{}.csv"),
    "predict": ("predict", "spring{}.csv", "rough{}.csv"),
    "blend": ("blend", "spring{}.csv", "--hue", "60", "--steps", "2"),
    "coats": ("predict", "spring{}.csv", "--layers", "2"),
}


@pytest.mark.parametrize("name", ANSWERS)
def test_an_answer_is_the_same_with_overlays_in_its_tables(
    calib: Callable[..., Any], desk: Path, name: str
) -> None:
    files = []
    for suffix in ("", "-plain"):
        words = [word.format(suffix) for word in ANSWERS[name]]
        assert calib(*words, "-o", "o.csv").code == 0
        files.append(Path("o.csv").read_text(encoding="utf-8"))
    with_them, without = ([line for line in text.splitlines() if ",overlay," not in line] for text in files)
    assert with_them == without
    said = files[0]
    if name in ("predict", "coats"):
        # What was measured on the paper stays in its table, as measured.
        kept = [row for row in csv.DictReader(StringIO(said)) if row["kind"] == "overlay"]
        assert [row["marker"] for row in kept] == [TWIN, MOVED]
        assert all("predicted" not in row["flags"] for row in kept)
    else:
        assert TWIN not in said and MOVED not in said


def test_overlays_of_another_paper_are_not_carried_over(calib: Callable[..., Any], desk: Path) -> None:
    assert calib("predict", "spring.csv", "rough-plain.csv", "-o", "o.csv").code == 0
    assert all(row.kind != "overlay" for row in read_table(Path("o.csv"))[0].readings)


def test_a_chart_for_a_new_paper_picks_none(calib: Callable[..., Any], desk: Path) -> None:
    ids = [f"{i:03d}" for i in range(1, 13)]
    (desk / "markers.csv").write_text("marker\n" + "\n".join(ids) + "\n", encoding="utf-8")
    (desk / "pairs.csv").write_text("under,over\n001,012\n", encoding="utf-8")
    chart = (
        "chart",
        "markers.csv",
        "--pick",
        "5",
        "--from",
        "spring.csv",
        "--over",
        "pairs.csv",
        "-o",
        "c.pdf",
    )
    assert calib(*chart).code == 0
    plan = json.loads((desk / "c.json").read_text(encoding="utf-8"))
    picked = [marker["marker"] for marker in plan["markers"]]
    # The pair's inks are there too: an overlay tells little without them.
    assert {"001", "012"} <= set(picked) <= set(ids) and 5 <= len(picked) <= 7
    over = [cell for page in plan["pages"] for cell in page["cells"] if "over" in cell]
    assert [(cell["marker"], cell["over"], cell["layers"]) for cell in over] == [("001", "012", 1)]


@pytest.mark.parametrize("form", ["cgats", "gpl"])
def test_lists_of_pens_leave_overlays_out_and_say_so(
    calib: Callable[..., Any], desk: Path, form: str
) -> None:
    ended = calib("export", "spring.csv", "--as", form, "-o", "o.txt")
    assert ended.code == 0
    assert f"one ink over another is no pen: {TWIN}, {MOVED}" in ended.err
    assert calib("export", "spring-plain.csv", "--as", form, "-o", "plain.txt").code == 0
    assert Path("o.txt").read_text("utf-8") == Path("plain.txt").read_text("utf-8")


def test_json_and_the_data_package_keep_overlays(calib: Callable[..., Any], desk: Path) -> None:
    assert calib("export", "spring.csv", "--as", "json", "-o", "o.json").code == 0
    rows = json.loads(Path("o.json").read_text("utf-8"))["rows"]
    assert [row["marker"] for row in rows if row["kind"] == "overlay"] == [TWIN, MOVED]
    assert calib("export", "spring.csv", "--as", "datapackage", "-o", "package").code == 0
    assert TWIN in Path("package/colours.csv").read_text("utf-8")


def test_the_shelf_of_pens_to_plan_with_has_none() -> None:
    from calib.answers.shelf import shelf_of
    from calib.errors import InputError

    shelf = shelf_of(with_overlays(SPRING, "002"))
    assert {pen.marker for pen in shelf.pens} == {ink.marker for ink in INKS}
    with pytest.raises(InputError):
        shelf.pen(TWIN)
