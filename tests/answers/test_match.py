"""The nearest pens: who they are, how sure that is, and the words of ``calib match``.

Outside sources: scikit-learn's nearest neighbours under colour-science's CIEDE2000; colour-science for sRGB under D50; the truth behind
tables that are invented from spectra. All tables are invented.
"""

from __future__ import annotations

import dataclasses
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pandas
import pytest
from conftest import Run
from invented_tables import Making, Truth, invented_table
from other_sensors import table_by_other_sensors
from sklearn.neighbors import NearestNeighbors

from calib.answers.matching.nearest import Matches, match
from calib.answers.matching.reach import beyond_words
from calib.answers.matching.target import as_the_pen, given_hex, given_lab, printed_black
from calib.answers.shelf import shelf_of
from calib.colour.colorimetry import delta_e_2000
from calib.errors import ImpossibleError, InputError
from calib.synthetic.drawer import invent_inks
from calib.table.table import Reading, Table, write_table

Calib = Callable[..., Run]
INKS = invent_inks(60, 5)
COLOUR = ("L", "a", "b", "C", "h", "R", "G", "B", "X", "Y", "Z", "hex", "in_srgb")
EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


@pytest.fixture(scope="module")
def made() -> tuple[Table, Truth]:
    return invented_table(INKS, Making(), 7)


def put(table: Table, marker: str, layers: int = 0, **values: Any) -> Table:
    rows = [
        dataclasses.replace(r, **values) if r.marker == marker and layers in (0, r.layers) else r
        for r in table.readings
    ]
    return dataclasses.replace(table, readings=tuple(rows))


def ids(found: Matches) -> list[str]:
    return [one.pen.marker for one in found.found]


def distance(one: np.ndarray, two: np.ndarray) -> float:
    return float(colour.delta_E(one, two, method="CIE 2000"))


@pytest.mark.parametrize(
    "lab", [(62.0, 18.0, 24.0), (30.0, 0.0, 0.0), (85.0, -10.0, 40.0), (45.0, 10.0, -45.0)]
)
def test_a_colour_has_the_neighbours_that_another_library_finds(
    made: tuple[Table, Truth], lab: tuple[float, ...]
) -> None:
    rows = [row for row in made[0].readings if row.kind == "ink"]
    other = NearestNeighbors(n_neighbors=8, metric=distance, algorithm="brute").fit(
        np.array([row.lab for row in rows])
    )
    (far,), (at,) = other.kneighbors(np.array([lab]))
    found = match(shelf_of(made[0]), given_lab(np.array(lab)), 8).found
    assert [(one.pen.marker, one.worst.coats) for one in found] == [
        (rows[i].marker, rows[i].layers) for i in at
    ]
    assert [one.worst.dE00 for one in found] == pytest.approx(list(far), abs=1e-6)
    assert all(one.worst.low <= one.worst.dE00 <= one.worst.high for one in found)


def test_a_pen_is_matched_in_both_coats_and_never_with_itself(made: tuple[Table, Truth]) -> None:
    table = made[0]
    marker = INKS[20].marker
    rows = {(r.marker, r.layers): np.array(r.lab) for r in table.readings if r.kind == "ink"}
    far = {
        other: max(distance(rows[marker, n], rows[other, n]) for n in (1, 2))
        for other in {m for m, _ in rows} - {marker}
    }
    shelf = shelf_of(table)
    found = match(shelf, as_the_pen(shelf, marker), 6)
    assert ids(found) == sorted(far, key=lambda other: far[other])[:6]
    assert [one.worst.dE00 for one in found.found] == pytest.approx(sorted(far.values())[:6], abs=1e-6)
    assert all([fit.aim for fit in one.fits] == [1, 2] for one in found.found)


def test_a_screen_colour_is_carried_from_d65_to_d50(made: tuple[Table, Truth]) -> None:
    # colour-science: sRGB to XYZ with its chromatic adaptation by Bradford to the D50 of ICC.
    white = np.array([0.9642, 1.0, 0.8251])
    xyz = colour.sRGB_to_XYZ(np.array([0xC8, 0x96, 0x5A]) / 255)
    d65 = colour.sRGB_to_XYZ(np.ones(3))
    xyz = colour.adaptation.chromatic_adaptation_VonKries(xyz, d65, white, transform="Bradford")
    lab = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(white))
    assert given_hex("#c8965a").aims[0].lab == pytest.approx(lab, abs=0.02)


def test_flagged_pens_and_blenders_are_named_with_all_only(made: tuple[Table, Truth]) -> None:
    table = made[0]
    target = given_lab(np.array([60.0, 20.0, 20.0]))
    nearest = ids(match(shelf_of(table), target, 1))[0]
    for flag in ("mottled", "clipped", "unlike-hint", "half-filled"):
        shelf = shelf_of(put(table, nearest, flags=(flag,)))
        assert nearest not in ids(match(shelf, target, 20))
        assert nearest in ids(match(shelf, target, 20, everything=True))
        assert nearest in match(shelf, target, 3).left
    blender = shelf_of(put(table, nearest, kind="blender"))
    assert nearest not in ids(match(blender, target, 20))
    assert nearest in ids(match(blender, target, 20, everything=True))


def test_a_pen_that_has_changed_is_matched_as_it_was() -> None:
    weak = INKS[20].marker
    before = invented_table(INKS, Making(), 7)[0]
    after = invented_table(INKS, Making(date="2026-09-01", strength={weak: 0.6}), 8)[0]
    both = dataclasses.replace(before, readings=(*before.readings, *after.readings))
    shelf = shelf_of(both)
    target = as_the_pen(shelf, weak)
    healthy = next(r for r in before.readings if (r.marker, r.layers) == (weak, 1))
    assert target.aims[1].lab == pytest.approx(np.array(healthy.lab), abs=1e-9)
    assert "2026-03-01" in target.notes[0]
    assert weak not in ids(match(shelf, target, 100))


@pytest.mark.parametrize("flag", ["mottled", "half-filled", "blank"])
def test_a_pen_that_is_flagged_or_blank_by_now_is_matched_as_it_was(flag: str) -> None:
    dry = INKS[20].marker
    before = invented_table(INKS, Making(), 7)[0]
    after = put(invented_table(INKS, Making(date="2026-09-01"), 8)[0], dry, flags=(flag,))
    if flag == "blank":
        after = put(after, dry, **dict.fromkeys(COLOUR))
    shelf = shelf_of(dataclasses.replace(before, readings=(*before.readings, *after.readings)))
    target = as_the_pen(shelf, dry)
    for n in (1, 2):
        healthy = next(r for r in before.readings if (r.marker, r.layers) == (dry, n))
        assert target.aims[n].lab == pytest.approx(np.array(healthy.lab), abs=1e-9)
    (note,) = target.notes
    assert "2026-03-01" in note and "is what is matched" in note and flag in note
    # Nor is it offered for another: a dry pen is no stand-in.
    assert dry not in ids(match(shelf, given_lab(target.aims[1].lab), 100))
    assert dry in ids(match(shelf, given_lab(target.aims[1].lab), 100, everything=True))


def test_a_flagged_pen_without_a_better_day_is_matched_and_said(made: tuple[Table, Truth]) -> None:
    marker = INKS[20].marker
    shelf = shelf_of(put(made[0], marker, layers=2, flags=("mottled",)))
    target = as_the_pen(shelf, marker)
    (note,) = target.notes
    assert "in two coats is in doubt" in note and set(target.aims) == {1, 2}


def test_a_pen_read_in_one_coat_only_comes_after_those_read_in_both(made: tuple[Table, Truth]) -> None:
    table = made[0]
    marker = INKS[20].marker
    first = ids(match(shelf_of(table), as_the_pen(shelf_of(table), marker), 2))
    half = shelf_of(put(table, first[0], layers=2, **dict.fromkeys(COLOUR)))
    found = match(half, as_the_pen(half, marker), 60)
    assert ids(found)[0] == first[1]
    assert ids(found)[-1] == first[0] and len(found.found[-1].fits) == 1


def test_two_coats_of_a_lighter_pen_stand_in_where_nothing_else_is_as_near() -> None:
    """Pen 900 is, in one coat, what pen 901 is in two (invented): nothing else in the drawer comes near."""

    def row(marker: str, layers: int, L: float, a: float, b: float) -> Reading:
        return Reading(marker, layers, "smooth", "2026-03-01", L=L, a=a, b=b, u_L=0.2, u_a=0.2, u_b=0.2)

    table = Table(
        (
            Reading("paper", 0, "smooth", "2026-03-01", kind="paper", L=95.0, a=0.0, b=0.0),
            row("900", 1, 50, 30, 20), row("900", 2, 35, 40, 25),
            row("901", 1, 70, 18, 12), row("901", 2, 50.3, 30, 20),
            row("902", 1, 40, -20, 10), row("902", 2, 30, -25, 12),
        )
    )  # fmt: skip
    shelf = shelf_of(table)
    found = match(shelf, as_the_pen(shelf, "900"), 5)
    (one,) = found.twice
    assert one.pen.marker == "901" and one.worst.coats == 2 and one.worst.aim == 1 and one.worst.dE00 < 0.5
    assert match(shelf, as_the_pen(shelf, "902"), 5).twice == ()
    # And the other way about: one coat of the darker pen for two of the lighter one.
    (one,) = match(shelf, as_the_pen(shelf, "901"), 5).once
    assert one.pen.marker == "900" and one.worst.coats == 1 and one.worst.aim == 2 and one.worst.dE00 < 0.5
    # How many are listed does not decide whether it is worth a word.
    assert len(match(shelf, as_the_pen(shelf, "900"), 1).twice) == 1


def test_the_printed_black_is_the_tables_own(made: tuple[Table, Truth]) -> None:
    shelf = shelf_of(made[0])
    black = next(row for row in made[0].readings if row.kind == "black")
    target = printed_black(shelf)
    assert target.aims[0].lab == pytest.approx(np.array(black.lab))
    dark = match(shelf, target, 3).found
    assert dark[0].worst.dE00 == min(
        distance(np.array(black.lab), np.array(r.lab)) for r in made[0].readings if r.kind == "ink"
    )
    without = dataclasses.replace(made[0], readings=tuple(r for r in made[0].readings if r.kind != "black"))
    with pytest.raises(InputError, match="printed black"):
        printed_black(shelf_of(without))


def test_chances_are_those_of_the_truth() -> None:
    """Over twelve tables of 60 pens, read by a scanner that sees as the eye does, the stated chances of the first come true as they say."""
    hits, said = [], []
    for seed in range(12):
        table, truth = invented_table(INKS, Making(repeats=40), 300 + seed)
        # The truth of these tables is the scanner's own, so its error of colour is none.
        table = dataclasses.replace(
            table, readings=tuple(dataclasses.replace(row, u_abs=0.0) for row in table.readings)
        )
        shelf = shelf_of(table)
        rng = np.random.default_rng(seed)
        for _ in range(10):
            key = list(truth.lab)[int(rng.integers(len(truth.lab)))]
            lab = truth.lab[key] + rng.normal(0, 3, 3)
            first = match(shelf, given_lab(lab), 1).found[0]
            keys = list(truth.lab)
            far = delta_e_2000(lab, np.array([truth.lab[k] for k in keys]))
            hits.append((first.pen.marker, first.worst.coats) == keys[int(np.argmin(far))])
            said.append(first.chance)
    assert len(hits) == 120
    assert abs(np.mean(hits) - np.mean(said)) < 0.08
    assert np.mean(hits) > 0.85


def test_chances_against_a_laboratory_allow_for_the_scanners_sensors() -> None:
    """Read through a matrix by three narrow lamps, pens are off by 2 dE00 (spectra of invented inks): the chances know it, and so do the ties."""
    hits, said, held = [], [], []
    for seed in range(4):
        inks = tuple(ink for ink in invent_inks(60, 10 + seed) if ink.kind == "ink")
        table, true = table_by_other_sensors("three-led", inks, 10 + seed)
        shelf = shelf_of(table)
        rng = np.random.default_rng(seed)
        for _ in range(20):
            lab = true[int(rng.integers(len(true)))] + rng.normal(0, 3, 3)
            nearest = inks[int(np.argmin(delta_e_2000(lab, true)))].marker
            found = match(shelf, given_lab(lab), 12).found
            hits.append(found[0].pen.marker == nearest)
            said.append(found[0].chance)
            held.append(nearest in {one.pen.marker for one in found if one.tied})
    assert abs(np.mean(hits) - np.mean(said)) < 0.12
    assert np.mean(said) < 0.9
    assert np.mean(held) > 0.93


def test_what_cannot_be_told_apart_is_tied() -> None:
    """Two pens of one ink (invented) share the chance of being the nearest; a third that is far has none of it."""
    rows = [
        Reading(marker, 1, "smooth", "2026-03-01", L=L, a=10.0, b=20.0, u_L=0.5, u_a=0.5, u_b=0.5, u_abs=0.0)
        for marker, L in (("1", 60.0), ("2", 60.1), ("3", 75.0))
    ]
    found = match(shelf_of(Table(tuple(rows))), given_lab(np.array([62.0, 10.0, 20.0])), 3)
    assert [one.tied for one in found.found] == [True, True, False] and found.undecided == 2
    assert found.found[0].chance == pytest.approx(0.5, abs=0.1)
    assert sum(one.chance for one in found.found) == pytest.approx(1.0)
    # Listing fewer changes nothing about who may be the nearest.
    assert match(shelf_of(Table(tuple(rows))), given_lab(np.array([62.0, 10.0, 20.0])), 1).undecided == 2


def test_what_lies_beyond_all_pens_is_said() -> None:
    def row(marker: str, L: float, a: float, b: float) -> Reading:
        return Reading(marker, 1, "smooth", "2026-03-01", L=L, a=a, b=b)

    paper = Reading("paper", 0, "smooth", "2026-03-01", kind="paper", L=94.0, a=0.0, b=0.0)
    shelf = shelf_of(Table((paper, row("1", 40, 0, -20), row("2", 50, 40, 30), row("3", 30, 1, 1))))

    def said(*lab: float) -> str:
        return " ".join(beyond_words(shelf, np.array(lab)))

    assert "lighter than the bare paper" in said(100, 0, 0) and "lighter" not in said(94, 0, 0)
    assert "darker than any" in said(10, 0, 0) and "darker" not in said(30, 0, 0)
    assert "stronger than any" in said(40, 0, -60) and said(40, 0, -21) == ""
    assert "no pen of about that hue" in said(50, -40, 20)


# -- the command ----------------------------------------------------------------------------------


@pytest.fixture
def table(tmp_path: Path) -> Path:
    for name in ("colours.csv", "colours.csv-metadata.json"):
        shutil.copy(EXAMPLES / name, tmp_path / name)
    return tmp_path / "colours.csv"


def test_words_file_and_json_say_the_same(calib: Calib, table: Path, tmp_path: Path) -> None:
    out = tmp_path / "match.csv"
    run = calib("match", table, "--marker", "007", "--count", "3", "-o", out)
    assert run.code == 0 and "007 Bark shade" in run.out and run.out.endswith(f"Written: {out}\n")
    assert all(len(line) < 80 for line in run.out.splitlines() if "Written" not in line)
    frame = pandas.read_csv(out, dtype={"marker": str})
    assert list(frame.columns[:6]) == ["marker", "name", "layers", "L", "a", "b"]
    assert "007" not in set(frame["marker"]) and set(frame["rank"]) == {1, 2, 3}
    told = json.loads(calib("match", table, "--marker", "007", "--count", "3", "--json").out)
    assert [row["marker"] for row in told["rows"]] == list(frame["marker"])
    for marker in frame["marker"]:
        assert f" {marker} " in run.out
    assert calib("match", table, "--black", "--quiet").out == ""


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ((), 2, "--hex"),
        (("--black", "--marker", "007"), 2, "one of"),
        (("--hex", "blue"), 2, "blue"),
        (("--hex", "#12345"), 2, "#12345"),
        (("--lab", "1,2"), 2, "62.5,18,24.1"),
        (("--lab", "nan,0,0"), 2, "surface"),
        (("--lab", "200,0,0"), 2, "surface"),
        (("--marker", "7"), 2, "Did you mean 007"),
        (("--marker", "Foxglove"), 2, "Did you mean 016"),
        (("--marker", "040"), 3, "blender"),
        (("--marker", ""), 2, "marker ''"),
        (("--black", "--count", "0"), 2, "count"),
    ],
)
def test_what_cannot_be_matched_is_said(
    calib: Calib, table: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    run = calib("match", table, *words)
    assert run.code == code and said in run.err and run.out == ""


def test_hostile_names_do_no_harm(calib: Calib, tmp_path: Path) -> None:
    rows = [
        Reading(f"{i}", 1, "smooth", "2026-03-01", name=name, L=50.0 + i, a=1.0, b=2.0)
        for i, name in enumerate(("\x1b[31mred", "=cmd()", "<b>", "x" * 190, "\u202eabc"))
        if "\x1b" not in name
    ]
    write_table(tmp_path / "t.csv", Table(tuple(rows)))
    run = calib("match", tmp_path / "t.csv", "--marker", "2", "-o", tmp_path / "m.csv")
    assert run.code == 0 and "\u202e" not in run.out
    assert "'=cmd()" in (tmp_path / "m.csv").read_text(encoding="utf-8")


def test_unknown_pens_raise(made: tuple[Table, Truth]) -> None:
    with pytest.raises(ImpossibleError):
        as_the_pen(shelf_of(made[0]), "no such pen")
