"""Neutral pens, their casts, ladders and families, and the words of ``calib greys``.

Outside sources: colour-science's chroma; a search through all combinations for the ladders. All tables are invented.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import combinations
from pathlib import Path

import colour
import numpy as np
import pandas
import pytest
from conftest import Run

from calib.answers.greys.casts import greys_of
from calib.answers.greys.families import find_greys
from calib.answers.greys.ladders import LEAST_RUNG, LEAST_SPAN, ONE_CAST, UNEVEN, ladders_of
from calib.answers.shelf import shelf_of
from calib.errors import InputError
from calib.table.table import Reading, Table, write_table

Calib = Callable[..., Run]
DAY = "2026-03-01"


def row(
    marker: str, lab: tuple[float, float, float], layers: int = 1, paper: str = "smooth", **more: object
) -> Reading:
    L, a, b = lab
    values: dict[str, object] = {"u_L": 0.2, "u_a": 0.2, "u_b": 0.2, "name": f"Invented {marker}", **more}
    return Reading(marker, layers, paper, DAY, L=L, a=a, b=b, **values)  # type: ignore[arg-type]


def sheet(lab: tuple[float, float, float] = (95.0, 0.0, 0.0), paper: str = "smooth") -> Reading:
    return Reading("paper", 0, paper, DAY, kind="paper", L=lab[0], a=lab[1], b=lab[2])


TABLE = Table(
    (
        sheet(),
        row("1", (80, 0.2, 0.3), set="cool"), row("2", (60, -0.5, -3.5), set="cool"), row("3", (40, 3.5, -0.5), set="cool"),
        row("4", (30, -3.6, 0.4), set="warm"), row("5", (50, 0.4, 4.0), set="warm"), row("6", (20, 25, 30), set="warm"),
    )
)  # fmt: skip


def test_greys_are_those_within_a_chroma_and_each_leans_its_way() -> None:
    found = find_greys(TABLE, 7.0)
    said = {grey.pen.marker: grey.family for grey in found.greys}
    assert said == {"1": "neutral", "2": "cooler", "3": "pinker", "5": "warmer", "4": "greener"}
    assert [grey.lab[0] for grey in found.greys] == [80, 60, 50, 40, 30]
    for grey in found.greys:
        assert grey.chroma == pytest.approx(colour.models.Lab_to_LCHab(grey.lab)[1])


def test_a_cast_is_judged_beside_the_papers_own_white() -> None:
    """On cream paper a pen as yellow as the paper is neutral there, and one without a colour leans to blue."""
    cream = Table((sheet((94.0, 1.0, 8.0)), row("1", (94 * 0.7, 0.7, 5.6)), row("2", (65, 0, 0))))
    said = {grey.pen.marker: grey.family for grey in find_greys(cream, 7.0).greys}
    assert said == {"1": "neutral", "2": "cooler"}
    unknown = find_greys(Table((row("1", (66, 0.7, 5.6)), row("2", (65, 0, 0)))), 7.0)
    assert {grey.pen.marker: grey.family for grey in unknown.greys}["2"] != "warmer"


@pytest.mark.parametrize(("u", "sure"), [(0.2, True), (3.0, False)])
def test_a_cast_is_sure_only_where_doubt_is_small(u: float, sure: bool) -> None:
    table = Table((sheet(), row("1", (60, 0, 4), u_a=u, u_b=u), row("2", (50, 0.1, 0.1), u_a=u, u_b=u)))
    for grey in find_greys(table, 7.0).greys:
        assert grey.sure is sure


def test_the_stated_doubt_of_a_cast_holds() -> None:
    """Of a thousand readings of one grey nearly all lie within twice the doubt that each states."""
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(200):
        a, b = rng.normal((0.0, 4.0), 0.4)
        (grey,) = find_greys(
            Table((sheet(), row("1", (60, float(a), float(b)), u_a=0.4, u_b=0.4))), 30.0
        ).greys
        inside += abs(grey.chroma - 4) < 2 * grey.u_chroma
    assert 0.91 < inside / 200 <= 1.0


def test_ladders_are_as_even_as_any_that_a_full_search_finds() -> None:
    rng = np.random.default_rng(5)
    for seed in range(6):
        values = [(float(L), *(float(v) for v in rng.normal(0, 1.2, 2))) for L in rng.uniform(10, 92, 14)]
        table = Table((sheet(), *(row(str(i), lab) for i, lab in enumerate(values))))
        greys = greys_of(shelf_of(table), shelf_of(table).pens)
        found = {len(ladder.greys): ladder for ladder in ladders_of(greys)}
        for count in (3, 4, 5):
            best = None
            for some in combinations(sorted(greys, key=lambda grey: grey.lab[0]), count):
                L = np.array([grey.lab[0] for grey in some])
                # Every rung within reach of both ends, as the ladder is defined.
                casts = np.array([grey.cast for grey in some])
                reach = max(np.hypot(*(casts - casts[end]).T).max() for end in (0, -1))
                rungs, span = np.diff(L), L[-1] - L[0]
                uneven = float(np.sqrt(np.mean((rungs - rungs.mean()) ** 2)) / rungs.mean())
                if rungs.min() < LEAST_RUNG or span < LEAST_SPAN or reach > ONE_CAST or uneven > UNEVEN:
                    continue
                best = min(best if best is not None else np.inf, uneven - span / 200)
            if best is None:
                assert count not in found, (seed, count)
            else:
                assert found[count].uneven - found[count].span / 200 == pytest.approx(best, abs=1e-9), (
                    seed,
                    count,
                )


def test_a_ladder_keeps_to_one_cast() -> None:
    table = Table(
        (sheet(), row("1", (80, 0, -4)), row("2", (55, 0, 5)), row("3", (54, 0, -4)), row("4", (28, 0, -4)))
    )
    (ladder,) = ladders_of(find_greys(table, 7.0).greys)
    assert [grey.pen.marker for grey in ladder.greys] == ["4", "3", "1"]


def test_a_family_is_told_for_each_paper_on_which_it_was_measured() -> None:
    rough = [
        row("1", (78, 0.2, 3.5), paper="rough", set="cool"),
        row("2", (58, -0.2, 2.6), paper="rough", set="cool"),
    ]
    both = Table((*TABLE.readings, sheet(paper="rough"), *rough))
    found = {(one.set, one.paper): one for one in find_greys(both, 7.0).families}
    assert found["cool", "smooth"].pens == 3 and found["cool", "smooth"].neutral == 1
    assert found["cool", "rough"].word == "warmer" and found["cool", "rough"].pens == 2
    assert found["cool", "rough"].cast == pytest.approx((0.0, 3.05), abs=0.01)


def test_a_second_coat_keeps_a_cast_or_turns_it() -> None:
    """Pen 1 keeps its cast, pen 2 turns cooler, pen 3 too little to be sure, pen 4 was read in one coat only (all invented)."""
    table = Table(
        (
            sheet(),
            row("1", (70, 0, -4)), row("1", (50, 0.1, -4.2), 2),
            row("2", (70, 0, 0)), row("2", (50, 0, -4), 2),
            row("3", (70, 0, 0)), row("3", (50, 0, -2), 2, u_a=1.0, u_b=1.0),
            row("4", (70, 0, 0)),
        )
    )  # fmt: skip
    found = {turn.one.pen.marker: turn for turn in find_greys(table, 7.0).turns}
    assert set(found) == {"1", "2", "3"}
    assert found["1"].sure and found["1"].words == ()
    assert found["2"].sure and found["2"].words == ("cooler",)
    assert found["2"].step == pytest.approx([0.0, -4.0]) and found["2"].u == pytest.approx(
        0.2 * 2**0.5, rel=0.02
    )
    assert not found["3"].sure


def test_a_family_is_told_in_each_number_of_coats() -> None:
    rows = [
        row(m, (L / n, 0, b * n), n, set="cool")
        for m, L, b in (("1", 80, -2), ("2", 60, -2.4))
        for n in (1, 2)
    ]
    found = {one.layers: one for one in find_greys(Table((sheet(), *rows)), 7.0).families}
    assert found[1].cast[1] == pytest.approx(-2.2) and found[2].cast[1] == pytest.approx(-4.4)
    assert {one.pens for one in found.values()} == {2}


@pytest.mark.parametrize("b", [-6.0, -3.0, 3.0, 6.0])
@pytest.mark.parametrize("L", [35.0, 60.0, 85.0])
def test_warmer_is_a_lower_colour_temperature_than_the_papers(L: float, b: float) -> None:
    """colour-science's correlated colour temperature (Ohno 2013) of the light from a grey, beside that of the paper."""
    xy_d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    white = np.array([95.0, 0.4, 1.5])
    lab = np.array([L, 0.4 * L / 95, 1.5 * L / 95 + b])
    (grey,) = find_greys(Table((sheet(tuple(white)), row("1", tuple(lab)))), 9.0).greys
    kelvin = [
        colour.temperature.XYZ_to_CCT_Ohno2013(colour.Lab_to_XYZ(one, xy_d50))[0]
        for one in (lab, np.array([L, *(white[1:] * L / 95)]))
    ]
    assert grey.family == ("warmer" if kelvin[0] < kelvin[1] else "cooler")


@pytest.mark.parametrize(("a", "word"), [(-4.0, "greener"), (4.0, "pinker")])
def test_greener_and_pinker_are_the_signs_of_the_cies_tint(a: float, word: str) -> None:
    """CIE 15:2018, 9.4: tint is positive for greenish and negative for reddish whites, by colour-science's formula under D65."""
    xy = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    lab = np.array([92.0, a, 0.0])
    (grey,) = find_greys(Table((sheet(), row("1", tuple(lab)))), 7.0).greys
    xyz = 100 * colour.Lab_to_XYZ(lab, xy)
    _, tint = colour.colorimetry.whiteness_CIE2004(colour.XYZ_to_xy(xyz), xyz[1], xy)
    assert grey.family == word and (tint > 0) == (word == "greener")


def test_flagged_pens_are_left_out() -> None:
    rows = [row("9", (70, 0, 0), flags=("mottled",)), *TABLE.readings]
    assert "9" not in {grey.pen.marker for grey in find_greys(Table(tuple(rows)), 7.0).greys}
    with pytest.raises(InputError):
        find_greys(Table((sheet(),)), 7.0)


def test_words_file_and_json(calib: Calib, tmp_path: Path) -> None:
    write_table(tmp_path / "colours.csv", TABLE)
    run = calib("greys", tmp_path / "colours.csv", "-o", tmp_path / "greys.csv")
    assert run.code == 0 and all(len(line) < 80 for line in run.out.splitlines() if "Written" not in line)
    assert (
        "1 Invented 1: neutral" in run.out
        and "Truly neutral, the nearest to it first: 1 Invented 1" in run.out
    )
    frame = pandas.read_csv(tmp_path / "greys.csv")
    assert list(frame.columns[:6]) == ["marker", "name", "layers", "L", "a", "b"]
    assert list(frame["marker"]) == [1, 2, 5, 3, 4] and list(frame["L"]) == sorted(frame["L"], reverse=True)
    told = json.loads(calib("greys", tmp_path / "colours.csv", "--json").out)
    assert [r["marker"] for r in told["rows"]] == ["1", "2", "5", "3", "4"]
    none = calib("greys", tmp_path / "colours.csv", "--within", "0.5")
    assert none.code == 0 and "1 Invented 1" in none.out
    assert calib("greys", tmp_path / "colours.csv", "--within", "0").code == 2
    assert calib("greys", tmp_path / "colours.csv", "--quiet").out == ""
