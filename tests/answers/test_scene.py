"""A planned picture: the plan as people write it, contrast, what ties it together, pens in trouble, and the words of ``calib scene``.

Outside sources: colour-science's CIEDE2000; pandas. All tables and plans are invented.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import colour
import numpy as np
import pandas
import pytest
from conftest import Run

from calib.answers.scene.judging import Scene, judge_scene
from calib.answers.scene.planfile import Plan, read_plan_of_scene
from calib.answers.shelf import shelf_of
from calib.errors import InputError
from calib.table.table import Reading, Table, write_table

Calib = Callable[..., Run]
DAY = "2026-03-01"
COLOURS = {
    "01": (80, 5, 20), "02": (60, 10, 30), "03": (40, 15, 30), "04": (62, -30, 20), "05": (41, -30, 20),
    "06": (61, 11, 29), "07": (25, 0, 0), "sky 1": (85, -5, -15), "09": (59.5, 10.4, 30.2), "10": (60, 20, -20),
}  # fmt: skip


def row(marker: str, lab: tuple[float, float, float], layers: int, **more: object) -> Reading:
    L, a, b = lab
    values: dict[str, object] = {"name": f"Pen {marker}", "u_L": 0.2, "u_a": 0.2, "u_b": 0.2, **more}
    return Reading(marker, layers, "smooth", DAY, L=L, a=a, b=b, **values)  # type: ignore[arg-type]


ROWS = [
    Reading("paper", 0, "smooth", DAY, kind="paper", L=95.0, a=0.0, b=0.0),
    *(row(m, lab, 1) for m, lab in COLOURS.items()),
    *(row(m, (lab[0] - 12, lab[1] * 1.2, lab[2] * 1.2), 2) for m, lab in COLOURS.items()),
]
TABLE = Table(tuple(ROWS))


def plan_of(tmp_path: Path, text: str) -> Plan:
    (tmp_path / "plan.csv").write_text(text, encoding="utf-8")
    return read_plan_of_scene(tmp_path / "plan.csv", COLOURS)


def scene_of(tmp_path: Path, text: str, table: Table = TABLE) -> Scene:
    return judge_scene(shelf_of(table), plan_of(tmp_path, text))


@pytest.mark.parametrize(
    "text",
    [
        "area,markers\nhill,01 02 03\nsky,sky 1\n",
        "area;markers\nhill;01, 02,03\nsky;sky 1\n",
        "\ufeffarea\tmarkers\r\nhill\t01; 02 ;03\r\nsky\tsky 1\r\n\t\r\n",
        "area,markers\nhill,01\nsky,sky 1\nHill,02\nhill,03 01\n",
        "markers,area,note\n01 02  03,hill,x\nsky 1,sky,\n",
    ],
)
def test_plans_are_read_as_people_write_them(tmp_path: Path, text: str) -> None:
    plan = plan_of(tmp_path, text)
    assert [(area.name, area.markers) for area in plan.areas] == [
        ("hill", ("01", "02", "03")),
        ("sky", ("sky 1",)),
    ]
    assert not plan.neighbours and [(a.name, b.name) for a, b in plan.touching()] == [("hill", "sky")]


def test_neighbours_are_those_that_are_named_by_either(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, 'area,markers,beside\na,01,"B; c"\nb,02,\nc,03,\nd,04,c\n')
    assert [(one.name, two.name) for one, two in plan.touching()] == [("a", "b"), ("a", "c"), ("c", "d")]


def test_all_mistakes_are_said_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        plan_of(tmp_path, "area,markers,beside\n,01,\nhill,,\nsky,02,sea\nwood,03,wood\n")
    said = str(error.value)
    assert "plan.csv:2: has no area" in said and "plan.csv:3: names no marker" in said
    assert "'sea', which is no area" in said and "is the same area" in said
    for text in (
        "",
        "area,markers\n",
        "marker,name\n1,x\n",
        "area,markers\n" + "".join(f"a{i},01\n" for i in range(300)),
    ):
        with pytest.raises(InputError):
            plan_of(tmp_path, text)


def test_contrast_inside_an_area_goes_to_the_second_coat_of_its_darkest(tmp_path: Path) -> None:
    found = scene_of(tmp_path, "area,markers\nhill,03 01 02\nflat,02 06\n")
    hill, flat = found.areas
    assert [tone.pen.marker for tone in hill.tones] == ["03", "02", "01"]
    assert hill.span == pytest.approx(80 - 28) and hill.verdict == "form"
    assert flat.span == pytest.approx(61 - 48) and flat.verdict == "flat"
    # No less than what the two rows state, and little more for the least that a reading is off by.
    assert 0.2 * np.sqrt(2) <= hill.u_span < 0.45
    assert (found.lightest, found.darkest) == (80, 28)


def test_doubt_decides_nothing_by_itself(tmp_path: Path) -> None:
    rows = [
        r if r.kind == "paper" else row(r.marker, r.lab, r.layers, u_L=4.0) for r in ROWS if r.lab is not None
    ]
    found = scene_of(tmp_path, "area,markers\na,02 06 04\n", Table(tuple(rows)))
    assert found.areas[0].verdict == "unsure"


@pytest.mark.parametrize(
    ("two", "verdict"), [("03", "parts"), ("04", "hue"), ("09", "runs together"), ("02", "runs together")]
)
def test_neighbours_part_by_lightness_by_hue_or_not_at_all(tmp_path: Path, two: str, verdict: str) -> None:
    (border,) = scene_of(tmp_path, f"area,markers,beside\na,02,b\nb,{two},\n").borders
    assert border.verdict == verdict
    true = float(colour.delta_E(np.array(COLOURS["02"]), np.array(COLOURS[two]), method="CIE 2000"))
    assert border.dE00 == pytest.approx(true, abs=1e-6) and border.low <= border.dE00 <= border.high
    assert border.dL == pytest.approx(COLOURS[two][0] - COLOURS["02"][0])


def test_what_ties_a_picture_together_and_what_is_there_twice(tmp_path: Path) -> None:
    found = scene_of(tmp_path, "area,markers\na,01 02\nb,02 03\nc,09 07\n")
    assert found.shared == {"02": ("a", "b")}
    assert [(one.one, one.two) for one in found.doubles] == [("02", "09")]


def test_pens_in_trouble_have_their_stand_ins(tmp_path: Path) -> None:
    rows = [
        row(r.marker, r.lab, r.layers, flags=("mottled",)) if r.marker == "02" and r.lab is not None else r
        for r in ROWS
    ]
    rows = [
        Reading(r.marker, r.layers, r.paper, r.session, name=r.name, flags=("blank",))
        if r.marker == "10"
        else r
        for r in rows
    ]
    found = scene_of(tmp_path, "area,markers\na,01 02\nb,10 nowhere\n", Table(tuple(rows)))
    trouble = {one.marker: one for one in found.troubles}
    assert set(trouble) == {"02", "10", "nowhere"}
    assert trouble["02"].why == "is flagged mottled" and trouble["02"].stand_ins[0].pen.marker == "09"
    assert "blank" in trouble["10"].why and trouble["10"].stand_ins == ()
    assert trouble["nowhere"].why == "is not in the table"
    assert found.areas[1].lost == ("10", "nowhere") and found.areas[1].span is None


def test_words_file_and_json(calib: Calib, tmp_path: Path) -> None:
    write_table(tmp_path / "colours.csv", TABLE)
    (tmp_path / "plan.csv").write_text(
        "area,markers,beside\nhill,01 02 03,wood\nwood,04 05,\neye,07 nowhere,\n", encoding="utf-8"
    )
    run = calib("scene", tmp_path / "colours.csv", tmp_path / "plan.csv", "-o", tmp_path / "out.csv")
    assert run.code == 0 and all(len(line) < 80 for line in run.out.splitlines() if "Written" not in line)
    for words in (
        "hill: 03 Pen 03 (L 40)",
        "The whole picture runs from L 13 to L 80",
        "nowhere (eye) is not in the table. Its ids are those in the column marker, such as 01.",
        "Of 1 border, lightness parts 0 (",
    ):
        assert words in " ".join(run.out.split())
    frame = pandas.read_csv(tmp_path / "out.csv", dtype={"marker": str})
    assert list(zip(frame["area"], frame["marker"], strict=True)) == [
        ("hill", "03"), ("hill", "02"), ("hill", "01"), ("wood", "05"), ("wood", "04"), ("eye", "07"), ("eye", "nowhere"),
    ]  # fmt: skip
    told = json.loads(calib("scene", tmp_path / "colours.csv", tmp_path / "plan.csv", "--json").out)
    assert len(told["rows"]) == len(frame)
    assert calib("scene", tmp_path / "colours.csv", tmp_path / "plan.csv", "--quiet").out == ""
    assert calib("scene", tmp_path / "colours.csv", tmp_path / "none.csv").code == 3
    assert calib("scene", tmp_path / "colours.csv", tmp_path / "colours.csv").code == 3
    assert (
        calib("scene", tmp_path / "colours.csv", tmp_path / "plan.csv", "-o", tmp_path / "plan.csv").code == 2
    )


def test_ids_that_lost_their_noughts_are_asked_after(calib: Calib, tmp_path: Path) -> None:
    """As a spreadsheet saves them."""
    write_table(tmp_path / "colours.csv", TABLE)
    plan = tmp_path / "plan.csv"
    plan.write_text("area,markers\nhill,01 2\nwood,2 04\n", encoding="utf-8")
    run = calib("scene", tmp_path / "colours.csv", plan)
    said = " ".join(run.out.split())
    assert run.code == 0 and "2 (hill, wood) is not in the table. Did you mean 02" in said
    assert "Tied together" not in said
    plan.write_text("area,markers\nhill,1 2\nwood,4\n", encoding="utf-8")
    run = calib("scene", tmp_path / "colours.csv", plan)
    assert run.code == 3 and run.out == "" and "such as '1'" in run.err and "Did you mean 01" in run.err


def test_a_row_without_its_area_is_explained(calib: Calib, tmp_path: Path) -> None:
    write_table(tmp_path / "colours.csv", TABLE)
    (tmp_path / "plan.csv").write_text("area,markers\nhill,01\n,02\n", encoding="utf-8")
    run = calib("scene", tmp_path / "colours.csv", tmp_path / "plan.csv")
    assert run.code == 3 and "plan.csv:3: has no area; write its name again" in run.err


def test_a_table_that_lost_a_column_is_told_which(calib: Calib, tmp_path: Path) -> None:
    write_table(tmp_path / "colours.csv", TABLE)
    frame = pandas.read_csv(tmp_path / "colours.csv", dtype=str, keep_default_na=False)
    frame.drop(columns="b").to_csv(tmp_path / "less.csv", index=False)
    run = calib("greys", tmp_path / "less.csv")
    assert run.code == 3 and "has no column 'b'" in run.err


def test_hostile_names_do_no_harm(calib: Calib, tmp_path: Path) -> None:
    write_table(tmp_path / "colours.csv", TABLE)
    (tmp_path / "plan.csv").write_text(
        "area,markers\n=cmd(),01 02\n\u202eabc,03\n" + "x" * 300 + ",04\n", encoding="utf-8"
    )
    run = calib("scene", tmp_path / "colours.csv", tmp_path / "plan.csv", "-o", tmp_path / "out.csv")
    assert (
        run.code == 0
        and "\u202e" not in run.out
        and all(len(line) < 80 for line in run.out.splitlines() if "Written" not in line)
    )
    assert "'=cmd()" in (tmp_path / "out.csv").read_text(encoding="utf-8")
