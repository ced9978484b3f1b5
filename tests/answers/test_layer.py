"""One ink over another: the law, its doubt, what real overlays teach, and the words of ``calib layer``.

Outside sources: the overprints of FOGRA's and CGATS/SNAP's characterisation tables (tests/data/README.md); Bouguer and Beer's law worked out by
hand; spectra multiplied wavelength by wavelength, which the program knows nothing of (benchmarks/layer.py). All tables but the prints are invented.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas
import pytest
from conftest import Run
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_tables import Making, Truth, invented_table
from layer import (
    Case,
    Count,
    Prints,
    by_law,
    left_out,
    multiplied,
    overprints,
    run,
    solid_black,
    with_overlays,
)
from outside import PAPERS, REPEATED, prints

from calib.answers.layering.law import kept_shares, lights, lights_for, overlaid, passed
from calib.answers.layering.learning import exponent_of
from calib.answers.layering.paper import paper_of
from calib.answers.layering.steps import Contrast, layer
from calib.answers.shelf import shelf_of
from calib.colour.colorimetry import delta_e_2000, lab_to_xyz
from calib.errors import ImpossibleError, InputError
from calib.overlays import overlay_id
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.table.table import Reading, Table, read_table, write_table

Calib = Callable[..., Run]
EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
INKS = invent_inks(30, 5)
EXPONENT = 1.7


@pytest.fixture(scope="module")
def made() -> tuple[Table, Truth]:
    return invented_table(INKS, Making(paper=SimPaper(two_coat_exponent=EXPONENT)), 7)


@pytest.fixture(scope="module")
def real() -> dict[str, Prints]:
    return {name: overprints(name) for name in (*PAPERS, REPEATED)}


def renamed(table: Table, old: str, new: str, name: str = "") -> Table:
    rows = [dataclasses.replace(r, marker=new, name=name) if r.marker == old else r for r in table.readings]
    return dataclasses.replace(table, readings=tuple(rows))


# -- the law -------------------------------------------------------------------------------------


def test_shares_multiply_above_the_floor_as_worked_out_by_hand() -> None:
    """Bouguer and Beer: films that pass a half and a quarter pass an eighth together; a floor is added once."""
    paper = np.array([0.8, 0.8, 0.8])
    films = paper * np.array([[0.5], [0.25]])
    plain = overlaid("scanner", paper, passed("scanner", paper, films, 0.0), 0.0, np.ones(2))
    assert plain == pytest.approx(paper / 8)
    # With a floor of 0.1: (0.5 - 0.1) / 0.9 and (0.25 - 0.1) / 0.9, multiplied, times 0.9, plus 0.1.
    raised = overlaid("scanner", paper, passed("scanner", paper, films, 0.1), 0.1, np.ones(2))
    assert raised == pytest.approx(paper * (0.1 + 0.4 * 0.15 / 0.9))
    # In whatever light: greys are the same in all that keep white white.
    for name in lights():
        assert overlaid(name, paper, passed(name, paper, films, 0.0), 0.0, np.ones(2)) == pytest.approx(
            paper / 8
        )


def test_coats_keep_what_the_exponent_says() -> None:
    assert kept_shares(1, 1.75, 0.7) == pytest.approx([1.0])
    assert kept_shares(2, 1.75, 0.0) == pytest.approx([0.875, 0.875])
    # Where order is everything the lower coat stays whole.
    assert kept_shares(2, 1.75, 1.0) == pytest.approx([1.0, 0.75])
    assert kept_shares(2, 1.75, -1.0) == pytest.approx([0.75, 1.0])
    # Four coats are two coats twice.
    assert kept_shares(4, 1.75, 0.0).sum() == pytest.approx(1.75**2)


@given(st.integers(1, 6), st.floats(1.1, 2.0), st.floats(-1.0, 1.0))
def test_order_shifts_ink_and_makes_none(coats: int, exponent: float, order: float) -> None:
    kept = kept_shares(coats, exponent, order)
    assert kept.sum() == pytest.approx(coats ** np.log2(exponent))
    assert np.all(kept >= 0)
    assert np.all(np.diff(kept) * np.sign(order) <= 1e-9)


@settings(max_examples=30)
@given(st.lists(st.floats(0.02, 1.0), min_size=6, max_size=6), st.floats(0.0, 0.01))
def test_no_ink_makes_another_lighter(values: list[float], floor: float) -> None:
    paper = np.ones(3)
    films = np.array(values).reshape(2, 3)
    shares = passed("scanner", paper, films, floor)
    one = overlaid("scanner", paper, shares, floor, np.array([1.0, 0.0]))
    both = overlaid("scanner", paper, shares, floor, np.array([1.0, 1.0]))
    assert np.all(both <= one + 1e-9)


def test_thin_films_show_the_exponent() -> None:
    """Densities made with an exponent that is known; the thick ones saturate, as a wide channel's do."""
    rng = np.random.default_rng(3)
    one = rng.uniform(0.02, 1.5, (60, 3))
    for exponent in (1.55, 1.75, 1.95):
        two = exponent * one * (1 - 0.1 * one) * np.exp(0.03 * rng.standard_normal((60, 1)))
        found, u = exponent_of(one, two)
        assert abs(found - exponent) < 2.5 * u
        assert u < 0.05
    # Nothing known is what is usual.
    assert exponent_of(np.zeros((0, 3)), np.zeros((0, 3))) == pytest.approx((1.75, 0.1))


def test_a_light_without_room_for_a_film_is_left_out() -> None:
    paper = np.ones(3)
    assert set(lights_for(paper, np.array([[0.5, 0.4, 0.3]]))) == set(lights())
    assert "scanner" not in lights_for(paper, np.array([[-0.02, 0.4, 0.3]]))
    assert "sharpened" in lights_for(paper, np.array([[-0.02, 0.4, 0.3]]))


# -- real prints ---------------------------------------------------------------------------------


def test_on_real_overprints_the_error_of_multiplication_is_more_than_halved(real: dict[str, Prints]) -> None:
    """Four papers by FOGRA and newsprint by CGATS/SNAP; the one number, the floor, is fitted on the other tables.

    Measured: solids 10.72 to 4.10 dE00 in the mean of the tables; on one (FOGRA40L) 9.78 to 5.08, which is 48 per cent less and not half.
    """
    plain, law = {}, {}
    for name, table in real.items():
        share = left_out(real, name)
        plain[name], law[name] = multiplied(table), by_law(table, share)
        assert 0.8 < share < 1.5
    solids = [[one[name][real[name].solid].mean() for name in real] for one in (plain, law)]
    missed = np.concatenate([plain[name][real[name].solid] for name in real])
    # What there is to halve: multiplication misses the solids by 5 to 18.
    assert [missed.min(), missed.max()] == pytest.approx([4.85, 18.1], abs=0.05)
    assert np.mean(solids[1]) < 0.42 * np.mean(solids[0])
    assert max(after / before for before, after in zip(*solids, strict=True)) < 0.53
    for name in real:
        assert law[name].mean() < 0.5 * plain[name].mean()


def test_the_floor_is_what_halves_it(real: dict[str, Prints]) -> None:
    """The comparison can fail: without a floor the law is little better than multiplication."""
    without = [by_law(table, 0.0)[table.solid].mean() for table in real.values()]
    plain = [multiplied(table)[table.solid].mean() for table in real.values()]
    assert np.mean(without) > 0.6 * np.mean(plain)


def test_solid_black_follows_from_its_tints() -> None:
    """The newsprint's carried rows end at 80 per cent of black; FOGRA's papers have the whole of it to check by."""
    for name in PAPERS:
        recipes, labs = prints(name)
        black = ~recipes[:, :3].any(axis=1)
        Y = lab_to_xyz(labs[black])[:, 1]
        tints = dict(zip(recipes[black, 3], Y / Y.max(), strict=True))
        assert solid_black(tints) == pytest.approx(tints[100.0], abs=0.0055)


# -- invented overlays ---------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["colorimetric", "camera-1", "camera-2", "three-led"])
def test_overlays_of_spectra_are_predicted_within_two(kind: str) -> None:
    """Two films multiplied wavelength by wavelength, order off; large figures in benchmarks/layer.py."""
    count = Count()
    run(Case(kind), 61, count)
    assert np.mean(count.miss) < 2.0
    # 40 of them are too few for the benchmark's bounds of 93 to 97 per cent of all kinds together.
    assert np.mean(count.inside) > 0.85
    assert np.mean(count.seen) > 0.85
    # An interval that is never left says nothing.
    assert np.mean(count.within) < 3 * np.mean(count.miss) + 1.5


def test_one_coat_is_enough_and_says_that_it_is_rougher() -> None:
    both, one = Count(), Count()
    for kind in ("colorimetric", "three-led"):
        run(Case(kind), 63, both)
        run(Case(kind, coats=(1,)), 63, one)
    # In the mean of many tables it misses by 1.5 (benchmarks/layer.py); this one is among the bad ones, and its intervals know.
    assert np.mean(one.miss) > np.mean(both.miss)
    assert np.mean(one.inside) > 0.85
    assert np.mean(one.within) > 1.2 * np.mean(both.within)


def test_real_overlays_teach_the_order() -> None:
    """Where the lower ink keeps all, inks alone mislead, and a dozen overlays put it right."""
    alone, taught = Count(), Count()
    run(Case("colorimetric", order=1.0), 64, alone)
    run(Case("colorimetric", order=1.0, learned=12), 64, taught)
    assert np.mean(taught.miss) < 0.75 * np.mean(alone.miss)
    assert np.mean(taught.within) < np.mean(alone.within)
    assert np.mean(taught.inside) > np.mean(alone.inside)


# -- one table -----------------------------------------------------------------------------------


def test_two_coats_of_one_pen_are_the_table_s_own(made: tuple[Table, Truth]) -> None:
    shelf = shelf_of(made[0])
    steps = layer(shelf, ("003", "003")).steps
    assert [(s.marker, s.layers, s.source) for s in steps] == [("003", 1, "measured"), ("003", 2, "measured")]
    assert steps[1].lab == pytest.approx(shelf.pen("003").coats[2].film.lab)
    # Left out of the table they are predicted, and near.
    rows = tuple(r for r in made[0].readings if (r.marker, r.layers) != ("003", 2))
    guess = layer(shelf_of(dataclasses.replace(made[0], readings=rows)), ("003", "003")).steps[1]
    assert guess.source == "predicted"
    assert delta_e_2000(guess.lab, steps[1].lab) < guess.within


def test_a_pen_named_twice_lies_below_in_two_coats(made: tuple[Table, Truth]) -> None:
    shelf = shelf_of(made[0])
    steps = layer(shelf, ("003", "003", "011")).steps
    assert [s.marker for s in steps] == ["003", "003", "011 over 003 over 003"]
    assert [s.layers for s in steps] == [1, 2, 1]
    assert steps[2].against == "003"
    once = layer(shelf, ("003", "011")).steps[-1]
    assert steps[2].lab[0] < once.lab[0]
    assert steps[2].within > 0.5


def test_both_orders_are_alike_until_overlays_were_measured(made: tuple[Table, Truth]) -> None:
    shelf = shelf_of(made[0])
    one, other = layer(shelf, ("003", "011")).steps[-1], layer(shelf, ("011", "003")).steps[-1]
    assert delta_e_2000(one.lab, other.lab) < 0.3
    assert (one.marker, other.marker) == ("011 over 003", "003 over 011")
    assert one.how.dE00 != pytest.approx(other.how.dE00, abs=0.5)


def test_a_measured_overlay_is_the_answer_and_the_reverse_is_named(made: tuple[Table, Truth]) -> None:
    table, _ = made
    guess = layer(shelf_of(table), ("003", "011")).steps[-1]
    lab = guess.lab + np.array([4.0, 0.0, 0.0])
    measured = with_overlays(table, [("003", "011")], [lab])
    step = layer(shelf_of(measured), ("003", "011")).steps[-1]
    assert step.source == "measured"
    assert step.lab == pytest.approx(lab)
    back = layer(shelf_of(measured), ("011", "003"))
    assert back.steps[-1].source == "predicted"
    assert back.reverse is not None
    # What lies on a measured overlay begins where that was read.
    on_top = layer(shelf_of(measured), ("003", "011", "020")).steps
    plain = layer(shelf_of(table), ("003", "011", "020")).steps
    assert on_top[2].lab[0] > plain[2].lab[0]
    assert on_top[1].source == "measured"


def test_a_flagged_overlay_is_not_learned_from(made: tuple[Table, Truth]) -> None:
    measured = with_overlays(made[0], [("003", "011")], [np.array([50.0, 0.0, 0.0])])
    rows = [
        dataclasses.replace(r, flags=("one-ink-only",)) if r.kind == "overlay" else r
        for r in measured.readings
    ]
    assert paper_of(shelf_of(dataclasses.replace(measured, readings=tuple(rows)))).overlays == {}


def test_the_order_of_rows_does_not_matter(made: tuple[Table, Truth]) -> None:
    table, _ = made
    turned = dataclasses.replace(table, readings=tuple(reversed(table.readings)))
    one, two = (layer(shelf_of(t), ("003", "011")).steps[-1] for t in (table, turned))
    assert one.lab == pytest.approx(two.lab, abs=1e-6)
    assert one.within == pytest.approx(two.within, rel=1e-6)


def test_pens_of_which_only_two_coats_were_read(made: tuple[Table, Truth]) -> None:
    rows = tuple(r for r in made[0].readings if (r.marker, r.layers) != ("011", 1))
    found = layer(shelf_of(dataclasses.replace(made[0], readings=rows)), ("003", "011"))
    whole = layer(shelf_of(made[0]), ("003", "011")).steps[-1]
    assert delta_e_2000(found.steps[-1].lab, whole.lab) < found.steps[-1].within
    assert any("two coats only" in words for words in found.warnings)


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(1.8, 3.0, "yes"), (1.7, 3.0, "unsure"), (0.0, 0.79, "no"), (0.0, 0.9, "unsure")],
)
def test_whether_it_shows(low: float, high: float, said: str) -> None:
    assert Contrast((low + high) / 2, low, high, 0.0, -1.0, 1.0).shows == said


def test_a_table_of_few_rows_and_no_doubts() -> None:
    """Two pens, one coat, no light, no doubts: what another program may write."""
    rows = (
        Reading("paper", 0, "card", "2026-01-01", kind="paper", L=95.0, a=0.0, b=0.0),
        Reading("a", 1, "card", "2026-01-01", L=70.0, a=20.0, b=10.0),
        Reading("b", 1, "card", "2026-01-01", L=60.0, a=-20.0, b=10.0),
    )
    found = layer(shelf_of(dataclasses.replace(EMPTY, readings=rows)), ("a", "b"))
    last = found.steps[-1]
    assert np.all(np.isfinite(last.lab))
    assert last.lab[0] < 60
    assert last.within > 1.0
    assert not any("bare paper" in words for words in found.warnings)
    # Without a row of bare paper the lightest ink stands for it, which is said.
    bare = layer(shelf_of(dataclasses.replace(EMPTY, readings=rows[1:])), ("a", "b"))
    assert any("bare paper" in words for words in bare.warnings)


EMPTY = Table((), read_table(EXAMPLES / "colours.csv")[0].origin)


# -- failures ------------------------------------------------------------------------------------


def test_what_cannot_be_answered_is_said(made: tuple[Table, Truth]) -> None:
    measured = with_overlays(made[0], [("003", "011")], [np.array([50.0, 0.0, 0.0])])
    shelf = shelf_of(measured)
    for markers, words in (
        (("003",), "2 to 6 pens"),
        (("003",) * 7, "7 coats"),
        (("003", "3"), "Did you mean 003"),
        (("003", overlay_id("003", "011")), "Name the two pens: 003 011"),
    ):
        with pytest.raises(ImpossibleError, match=words):
            layer(shelf, markers)


def test_a_pen_without_colour_is_refused(made: tuple[Table, Truth]) -> None:
    rows = [dataclasses.replace(r, flags=("clipped",)) if r.marker == "003" else r for r in made[0].readings]
    with pytest.raises(InputError, match="clipped"):
        layer(shelf_of(dataclasses.replace(made[0], readings=tuple(rows))), ("003", "011"))


# -- the command ---------------------------------------------------------------------------------


def test_the_command_writes_what_it_says(calib: Calib, tmp_path: Path) -> None:
    output = tmp_path / "layers.csv"
    done = calib("layer", EXAMPLES / "colours.csv", "010", "018", "-o", output)
    assert done.code == 0, done.err
    assert "018 Cornflower over that" in done.out
    assert "calib chart --over" in done.out.replace("\n  ", " ")
    assert all(len(line) < 80 for line in done.out.splitlines() if not line.startswith("Written"))
    table = pandas.read_csv(output, dtype={"marker": str})
    assert list(table.columns[:6]) == ["marker", "name", "layers", "L", "a", "b"]
    assert list(table.marker) == ["010", "018 over 010"]
    assert list(table.source) == ["measured", "predicted"]
    assert (table.dE00_low <= table.dE00).all()
    assert (table.dE00 <= table.dE00_high).all()
    assert output.with_name("layers.csv-metadata.json").exists()
    printed = calib("layer", EXAMPLES / "colours.csv", "010", "018", "--json")
    found = json.loads(printed.out)
    assert [row["marker"] for row in found["rows"]] == list(table.marker)
    assert found["notes"]["law"]["measured_overlays"] == 0
    assert calib("layer", EXAMPLES / "colours.csv", "010", "018", "--quiet").out == ""


@pytest.mark.parametrize(
    ("markers", "code"), [(("010",), 2), (("010", "999"), 2), ((), 2), (("010", "040"), 3)]
)
def test_exit_codes(calib: Calib, markers: tuple[str, ...], code: int) -> None:
    done = calib("layer", EXAMPLES / "colours.csv", *markers)
    assert done.code == code
    assert "Traceback" not in done.err


def test_hostile_names_do_no_harm(calib: Calib, made: tuple[Table, Truth], tmp_path: Path) -> None:
    table = renamed(made[0], "003", "=cmd()", "red\u202e<script>")
    table = renamed(table, "011", "x" * 200, "y" * 200)
    write_table(tmp_path / "t.csv", table)
    done = calib("layer", tmp_path / "t.csv", "=cmd()", "x" * 200, "-o", tmp_path / "l.csv")
    assert done.code == 0, done.err
    assert "\x1b" not in done.out
    assert "\u202e" not in done.out
    assert not any(
        line.startswith(("=", "+", "@")) for line in (tmp_path / "l.csv").read_text("utf-8").splitlines()
    )
