"""Papers compared: hulls, whiteness, robust means, ink on another paper, and what the command says.

Outside sources: closed forms of volumes; CIE 15:2018 and colour-science for whiteness, with the Bradford matrix from D50 to D65 as
Lindbloom publishes it; the FOGRA tables of Debian's icc-profiles-free, the same recipes on unlike papers
(tests/data/README.md); pandas reads the files. Tables of markers are invented (benchmarks/invented_tables).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from math import pi
from pathlib import Path

import numpy as np
import pandas
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_tables import Making, invented_table
from outside import common_prints, prints

from calib.answers.films import Film
from calib.answers.papers.amounts import amounts_on
from calib.answers.papers.centre import centre_of
from calib.answers.papers.comparison import Papers, compare_papers, tint_word
from calib.answers.papers.gamut import hull_volume, volume_ratio
from calib.answers.papers.paperfile import COLUMNS, SWATCH_COLUMNS, papers_answer, swatches_answer
from calib.chart.markers import Marker
from calib.cli.main import cli
from calib.colour.colorimetry import delta_e_2000, lab_to_xyz, whiteness
from calib.colour.dose import dose_curve
from calib.errors import InputError
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import Ink, SimPaper
from calib.table.table import Reading, Table, read_table, write_table

KRAFT = SimPaper("kraft", level=0.6, tint=0.4, gain=0.82, two_coat_exponent=1.6, mottle=1.6, bleed=1.8)
CUBE = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)


@pytest.fixture(scope="module")
def inks() -> tuple[Ink, ...]:
    return invent_inks([Marker(f"{i:03d}") for i in range(1, 41)], seed=77)


@pytest.fixture(scope="module")
def smooth(inks: tuple[Ink, ...]) -> Table:
    return named(invented_table(inks, Making(), 71)[0], "smooth")


@pytest.fixture(scope="module")
def kraft(inks: tuple[Ink, ...]) -> Table:
    return invented_table(inks, Making(paper=KRAFT), 72)[0]


def named(table: Table, paper: str, **more: object) -> Table:
    """Return a table with another paper's name, and other values in every row."""
    rows = tuple(replace(row, paper=paper, **more) for row in table.readings)  # type: ignore[arg-type]
    return replace(table, readings=rows)


def altered(table: Table, change: Callable[[Reading], Reading | None]) -> Table:
    return replace(table, readings=tuple(new for row in table.readings if (new := change(row)) is not None))


def shift(found: Papers, place: int = 1):  # type: ignore[no-untyped-def]
    assert found.facts[place].shift is not None
    return found.facts[place].shift


# --- volumes ---------------------------------------------------------------------------------


def test_volumes_of_closed_form() -> None:
    assert hull_volume(10 * CUBE) == pytest.approx(1000)
    assert hull_volume(np.vstack([np.zeros(3), np.diag([3.0, 4.0, 5.0])])) == pytest.approx(10)
    # An octahedron with half axes a has 4/3 a**3.
    assert hull_volume(np.vstack([2 * np.eye(3), -2 * np.eye(3)])) == pytest.approx(32 / 3)
    # What lies inside a hull does not count.
    assert hull_volume(np.vstack([CUBE, [[0.5, 0.5, 0.5]]])) == pytest.approx(1)


def test_points_on_a_sphere_fill_it_ever_better() -> None:
    rng = np.random.default_rng(5)
    short = []
    for count in (50, 200, 800, 3200):
        points = rng.standard_normal((count, 3))
        volume = hull_volume(50 * points / np.linalg.norm(points, axis=1)[:, None])
        assert volume is not None
        short.append(1 - volume / (4 / 3 * pi * 50**3))
    assert all(0 < later < earlier / 2 for earlier, later in pairwise(short))
    assert short[-1] < 0.01


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_volume_turns_moves_and_grows_as_space_does(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 50, (20, 3))
    matrix, move = rng.normal(size=(3, 3)), rng.normal(size=3)
    one, other = hull_volume(points), hull_volume(points @ matrix.T + move)
    assert one is not None
    assert other == pytest.approx(one * abs(np.linalg.det(matrix)), rel=1e-6)


@pytest.mark.parametrize(
    "points", [CUBE[:3], np.zeros((0, 3)), np.zeros((9, 3)), CUBE * [1, 1, 0], CUBE * [0, 1, 0]]
)
def test_what_spans_no_volume_has_none(points: np.ndarray) -> None:
    assert hull_volume(points) is None
    assert volume_ratio(points, points, (np.zeros((len(points), 3, 3)),) * 2) is None


def test_ratio_of_volumes_widens_with_doubt() -> None:
    points = np.random.default_rng(1).uniform(0, 60, (40, 3))
    spans = []
    for doubt in (0.1, 1.0):
        covariance = np.tile(doubt**2 * np.eye(3), (40, 1, 1))
        found = volume_ratio(points, 0.9 * points, (covariance, covariance))
        assert found is not None
        assert found[0] == pytest.approx(0.729)
        assert found[1] < 0.729 < found[2]
        spans.append(found[2] - found[1])
    assert spans[1] > 5 * spans[0]


# --- whiteness -------------------------------------------------------------------------------

# Bradford's adaptation from D50 to D65, as Bruce Lindbloom publishes it (Chromatic Adaptation); D65 as there.
D50_TO_D65 = np.array(
    [
        [0.9555766, -0.0230393, 0.0631636],
        [-0.0282895, 1.0099416, 0.0210077],
        [0.0122982, -0.0204830, 1.3299098],
    ]
)
# Its own white is (0.95047, 1, 1.08883), which is x, y = 0.3127, 0.3290 to four digits.
D65_XY = np.array([0.95047, 1.0]) / (0.95047 + 1.0 + 1.08883)


def cie_whiteness(xy: np.ndarray, Y: float, white: np.ndarray) -> tuple[float, float]:
    """Return W and T by the words of CIE 15:2018, 9, for the 2 degree observer."""
    x, y = white - xy
    return Y + 800 * x + 1700 * y, 1000 * x - 650 * y


@pytest.mark.parametrize(
    "lab", [(100, 0, 0), (95, 0, -2), (92, 0.5, 3), (97, 0.5, -4), (90, 1, 1), (88, 0, 0)]
)
def test_whiteness_is_the_cies(lab: tuple[float, float, float]) -> None:
    # The worked example in the documentation of colour-science, whiteness_CIE2004.
    example = cie_whiteness(np.array([0.3167, 0.3334]), 100, np.array([0.3139, 0.3311]))
    assert example == pytest.approx((93.85, -1.305))
    xyz = D50_TO_D65 @ lab_to_xyz(lab)
    found = whiteness(lab)
    assert found is not None
    assert found == pytest.approx(cie_whiteness(xyz[:2] / xyz.sum(), 100 * xyz[1], D65_XY), abs=0.1)


def test_whiteness_of_neutrals_is_their_luminance() -> None:
    for L in (88.0, 94.0, 100.0):
        found = whiteness((L, 0, 0))
        assert found is not None
        assert found == pytest.approx((100 * ((L + 16) / 116) ** 3, 0), abs=0.02)


@pytest.mark.parametrize(
    "lab",
    [(60, 0, 0), (80, 0, 0), (81, 3, 8), (95, 0, 15), (95, 8, 0), (95, -8, 0), (80, 0, -15), (-5, 0, 0)],
)
def test_whiteness_is_nothing_outside_its_range(lab: tuple[float, float, float]) -> None:
    assert whiteness(lab) is None


def test_whiteness_is_more_for_bluer_and_less_for_yellower() -> None:
    figures = [found[0] for b in (-4, -2, 0, 2, 4) if (found := whiteness((94, 0, b)))]
    assert len(figures) == 5
    assert figures == sorted(figures, reverse=True)


def test_words_for_white() -> None:
    white = np.array([95.0, 0, 0])
    words = {
        "": (95, 0.4, 0.5), "cream": (94, 0.5, 4), "bluish": (95, 0, -4), "pinkish": (94, 4, 0.5), "greenish": (94, -4, 0),
        "brownish": (70, 4, 12),
    }  # fmt: skip
    for word, lab in words.items():
        assert tint_word(np.array(lab), white) == word
    assert tint_word(white, np.array([70.0, 4, 12])) == "bluish"


# --- robust means ----------------------------------------------------------------------------


def test_centre_of_few_is_the_weighted_mean() -> None:
    found = centre_of([1.0, 1.2], [0.1, 0.2])
    assert found is not None
    # Weights 100 and 25; the bisquare takes a little from the two, which lie 0.9 of a standard deviation apart.
    assert found.value == pytest.approx(1.04, abs=0.002)
    alone = centre_of([0.8], [0.03])
    assert alone is not None
    assert alone.high - alone.value == pytest.approx(1.96 * 0.03 / np.sqrt(0.95), rel=1e-3)
    student = centre_of([0.8], [0.03], freedom=4)
    assert student is not None
    # Student's factor for 4 degrees of freedom is 2.776 (any table).
    assert student.high - student.value == pytest.approx(2.776 * 0.03 / np.sqrt(0.95), rel=1e-3)
    assert centre_of([], []) is None


@pytest.mark.parametrize(("count", "spread"), [(4, 0.0), (12, 0.0), (60, 0.0), (60, 2.0), (200, 1.0)])
def test_centre_holds_its_interval(count: int, spread: float) -> None:
    rng = np.random.default_rng(count)
    held = 0
    for _ in range(400):
        u = rng.uniform(0.5, 2.0, count)
        found = centre_of(3.0 + u * rng.standard_normal(count) + spread * rng.standard_normal(count), u)
        assert found is not None
        held += found.low <= 3.0 <= found.high
    # Of 400 intervals of 95 per cent, 368 to 392 hold in 99.5 of 100 cases (binomial).
    assert 368 <= held <= 396


def test_wrong_ones_do_not_move_the_centre() -> None:
    rng = np.random.default_rng(9)
    good, u = rng.normal(0.85, 0.03, 60), 0.03
    plain = centre_of(good, u)
    spoiled = good.copy()
    spoiled[:9] = rng.uniform(0.1, 0.5, 9)
    found = centre_of(spoiled, u)
    assert plain is not None
    assert found is not None
    assert abs(spoiled.mean() - 0.85) > 0.05
    assert found.value == pytest.approx(plain.value, abs=0.01)
    # Pale inks say little: one with a doubt of half its ink weighs next to nothing.
    pale = centre_of([*good, 3.0, 2.5], [*np.full(60, u), 0.9, 0.9])
    assert pale is not None
    assert pale.value == pytest.approx(plain.value, abs=0.001)


# --- ink on another paper --------------------------------------------------------------------


def film_of(light: np.ndarray, curve, amount: float, layers: int) -> Film:  # type: ignore[no-untyped-def]
    reading = Reading("x", layers, "p", "2026-01-01")
    along = np.array([-10.0, 5.0, 2.0])
    return Film(reading, np.array([60.0, 10, 10]), light, along, np.diag([0.01] * 3), 0.0, amount, curve)


def test_amounts_on_another_paper_by_bouguer_and_beers_law() -> None:
    density = np.array([0.1, 0.4, 0.7])
    white, cream = np.array([0.9, 0.88, 0.87]), np.array([0.8, 0.72, 0.6])
    light = white * 10**-density
    curve = dose_curve(white, [light])
    first = film_of(light, curve, 1.0, 1)
    for share in (0.5, 0.9, 1.0, 1.4):
        other = film_of(cream * 10 ** (-share * density), curve, 1.0, 1)
        found = amounts_on([(first, None, white)], [other], [cream])
        assert found.ratio == pytest.approx([share], abs=1e-6)


def test_strength_is_the_papers_gain(smooth: Table, kraft: Table) -> None:
    found = compare_papers([smooth, kraft])
    strength = shift(found).strength
    assert strength.low < 0.82 * (1 + 1.6 / 1.75) / 2 < strength.high
    assert strength.high - strength.low < 0.06
    by_coats = shift(found).by_coats
    assert by_coats[1].low < 0.82 < by_coats[1].high
    assert by_coats[2].low < 0.82 * 1.6 / 1.75 < by_coats[2].high
    assert shift(found).coat.low < 1.6 / 1.75 < shift(found).coat.high
    assert shift(found).coat.beyond(1.0)
    assert shift(found).tinted[1].beyond(0.0)
    assert shift(found).tinted[1].value > 1
    assert shift(found).mottle.value == pytest.approx(1.6, abs=0.12)
    assert shift(found).bleed.value == pytest.approx(0.22 * 0.8, abs=0.03)


def test_the_same_paper_twice_shows_nothing(inks: tuple[Ink, ...], smooth: Table) -> None:
    other = named(invented_table(inks, Making(), 99)[0], "smooth again")
    found = compare_papers([smooth, other])
    assert not shift(found).strength.beyond(1.0, 0.02)
    assert not shift(found).tinted[1].beyond(0.0, 0.5)
    assert shift(found).gamut[1] < 1 < shift(found).gamut[2]
    assert shift(found).unlike == ()


def test_single_wrong_pens_are_named_and_do_not_count(
    inks: tuple[Ink, ...], smooth: Table, kraft: Table
) -> None:
    dried = {ink.marker: 0.4 for ink in inks[::6] if ink.kind == "ink"}
    spoiled = invented_table(inks, Making(paper=KRAFT, strength=dried), 72)[0]
    found, plain = compare_papers([smooth, spoiled]), compare_papers([smooth, kraft])
    assert shift(found).strength.value == pytest.approx(shift(plain).strength.value, abs=0.015)
    named_ones = {marker for marker, _ in shift(found).unlike}
    assert len(named_ones & dried.keys()) >= len(dried) - 1
    assert len(named_ones - dried.keys()) <= 1


def test_papers_swapped_say_the_opposite(smooth: Table, kraft: Table) -> None:
    there, back = compare_papers([smooth, kraft]), compare_papers([kraft, smooth])
    assert shift(there).strength.value * shift(back).strength.value == pytest.approx(1, abs=0.03)
    assert shift(there).L.value == pytest.approx(-shift(back).L.value, abs=0.3)
    assert shift(there).gamut[0] == pytest.approx(1 / shift(back).gamut[0], rel=1e-9)


def test_order_of_rows_does_not_matter(smooth: Table, kraft: Table) -> None:
    plain = papers_answer(compare_papers([smooth, kraft]), [])
    rng = np.random.default_rng(4)
    mixed = [
        replace(table, readings=tuple(table.readings[i] for i in rng.permutation(len(table.readings))))
        for table in (smooth, kraft)
    ]
    other = papers_answer(compare_papers(mixed), [])
    for one, two in zip(plain.rows, other.rows, strict=True):
        assert one[0] == two[0]
        assert np.array(one[1:], dtype=float) == pytest.approx(
            np.array(two[1:], dtype=float), rel=1e-9, nan_ok=True
        )


# --- the published prints --------------------------------------------------------------------


def print_table(name: str) -> Table:
    """Return a published table as a measured one: its recipes are the markers, its doubts and light are not stated."""
    rows = []
    for recipe, (L, a, b) in zip(*prints(name), strict=True):
        inked = bool(recipe.any())
        marker = "-".join(f"{ink:g}" for ink in recipe) if inked else "paper"
        rows.append(
            Reading(marker, int(inked), name, "2026-01-01", kind="ink" if inked else "paper", L=L, a=a, b=b)
        )
    return Table(tuple(rows))


def test_the_same_recipes_on_four_real_papers() -> None:
    found = compare_papers([print_table(name) for name in ("FOGRA39L", "FOGRA29L", "FOGRA40L", "FOGRA30L")])
    _, labs = common_prints("FOGRA39L", "FOGRA29L", "FOGRA40L", "FOGRA30L")
    inked = np.abs(labs[0] - labs[0][np.argmax(labs[0][:, 0])]).sum(axis=1) > 0
    for facts, lab in zip(found.facts[1:], labs[1:], strict=True):
        assert facts.against is not None
        assert np.sort(facts.against.dE00) == pytest.approx(
            np.sort(delta_e_2000(labs[0], lab)[inked]), abs=1e-9
        )
        assert np.all((facts.against.low <= facts.against.dE00) & (facts.against.dE00 <= facts.against.high))
    # Coated paper prints a gamut more than twice as large as uncoated, supercalendered one lies between (common
    # practice of the trade; volumes by scipy's hull of the published colours).
    coated, uncoated, calendered, yellowish = (facts.volume or 0.0 for facts in found.facts)
    assert coated > 2 * uncoated
    assert coated > calendered > uncoated
    assert uncoated > yellowish
    white = [facts.white_light for facts in found.facts]
    assert all(white)
    # The papers' own L*a*b* in the tables: the white ones lie at b* -2, the yellowish ones at +4.
    figures = [one[0] for one in white if one]
    assert figures[1] > figures[0] > 90 > figures[3] > figures[2]
    first = found.facts[0].white
    words = [
        tint_word(facts.white, first)
        for facts in found.facts
        if facts.white is not None and first is not None
    ]
    assert words == ["", "", "cream", "cream"]
    # On yellowish paper all colours come out yellower, and the sheet's white explains most of it.
    for place in (2, 3):
        warm, own = shift(found, place).tinted[1], shift(found, place).beyond[1]
        assert warm.low > 2
        assert abs(own.value) < 0.25 * warm.value


# --- tables as people have them --------------------------------------------------------------


def without_light(row: Reading) -> Reading:
    return replace(row, R=None, G=None, B=None)


def test_one_paper_alone_is_refused(smooth: Table, kraft: Table) -> None:
    with pytest.raises(InputError, match=r"single paper, 'smooth'.*Name the table"):
        compare_papers([smooth])
    with pytest.raises(InputError, match=r"of the paper 'smooth' like all the rest.*calib drift"):
        compare_papers([smooth, named(kraft, "smooth")])


def test_one_table_may_hold_both_papers(smooth: Table, kraft: Table) -> None:
    both = replace(smooth, readings=(*smooth.readings, *kraft.readings))
    assert shift(compare_papers([both])).strength == shift(compare_papers([smooth, kraft])).strength


def test_of_several_sessions_the_latest_that_could_be_read_counts(smooth: Table, kraft: Table) -> None:
    later = named(kraft, "kraft", session="2026-05-01")
    weaker = altered(later, lambda row: replace(row, flags=("clipped",)) if row.marker == "005" else row)
    found = compare_papers([smooth, kraft, weaker])
    sheet = found.facts[1].sheet
    assert sheet.rows["004", 1].session == "2026-05-01"
    assert sheet.rows["005", 1].session == "2026-03-01"
    assert len(found.facts) == 2
    said = " ".join(papers_answer(found, []).warnings)
    assert "kraft was measured more than once" in said
    assert "61 days later" in said


def test_a_paper_over_two_tables_of_one_day_is_one(smooth: Table, kraft: Table) -> None:
    half = len(kraft.readings) // 2
    parts = [
        replace(kraft, readings=kraft.readings[:half]),
        replace(kraft, readings=(*kraft.readings[:1], *kraft.readings[half:])),
    ]
    found = compare_papers([smooth, *parts])
    assert found.facts[1].markers == compare_papers([smooth, kraft]).facts[1].markers


def test_rows_without_light_or_doubt_are_taken_with_what_is_known(smooth: Table, kraft: Table) -> None:
    bare = [
        altered(table, lambda row: replace(without_light(row), u_L=None, u_a=None, u_b=None, u_dose=None))
        for table in (smooth, kraft)
    ]
    found, plain = compare_papers(bare), compare_papers([smooth, kraft])
    assert shift(found).strength.value == pytest.approx(shift(plain).strength.value, abs=0.02)
    assert "state no doubt" in " ".join(papers_answer(found, []).warnings)


def test_unlike_scanner_models_go_by_light_or_not_at_all(smooth: Table, kraft: Table) -> None:
    def model(table: Table, coefficients: list[float]) -> Table:
        scanner = {"model": "3x3 matrix", "coefficients": coefficients}
        return replace(table, origin=replace(table.origin, scanner=scanner))

    # The other model turns every colour by a few units; the light is the same.
    turned = altered(kraft, lambda row: replace(row, a=row.a + 3, b=row.b - 2) if row.lab else row)  # type: ignore[operator]
    found = compare_papers([model(smooth, [1.0]), model(turned, [2.0])])
    plain = compare_papers([smooth, kraft])
    assert found.facts[1].against is not None
    assert plain.facts[1].against is not None
    assert np.median(np.abs(found.facts[1].against.dE00 - plain.facts[1].against.dE00)) < 0.05
    assert "another colour model" in " ".join(papers_answer(found, []).warnings)
    with pytest.raises(InputError, match=r"has no R, G, B.*Measure both"):
        compare_papers([model(smooth, [1.0]), altered(model(turned, [2.0]), without_light)])


def test_what_cannot_be_compared_is_left_out_and_named(smooth: Table, kraft: Table) -> None:
    flagged = {"003": "clipped", "004": "fluorescent", "006": "blank", "008": "predicted"}
    odd = altered(
        kraft, lambda row: replace(row, flags=(flagged[row.marker],)) if row.marker in flagged else row
    )
    odd = altered(odd, lambda row: replace(row, L=None, a=None, b=None) if row.marker == "009" else row)
    answer = papers_answer(compare_papers([smooth, odd]), [])
    said = " ".join(answer.notes["left_out"])
    for words in ("003", "clipped", "fluorescent", "blank", "predicted", "could not be read"):
        assert words in said
    assert answer.rows[1][1] == answer.rows[0][1] - 5
    rows = {(row[0], row[2], row[3]): row for row in swatches_answer(compare_papers([smooth, odd]), []).rows}
    assert rows["003", 1, "kraft"][4:11] == (None,) * 7
    assert rows["003", 1, "kraft"][11] is not None
    assert rows["002", 1, "kraft"][4] > 0


def test_tables_of_other_markers_stand_side_by_side(smooth: Table, kraft: Table) -> None:
    strange = altered(kraft, lambda row: replace(row, marker=f"ß-{row.marker}") if row.kind == "ink" else row)
    found = compare_papers([smooth, strange])
    answer = papers_answer(found, [])
    assert answer.rows[1][7] is None
    assert answer.rows[1][11:] == (None, None)
    assert answer.rows[1][6] > 0
    assert "no swatch in common" in " ".join(answer.warnings)
    assert "On kraft but not on smooth: ß-001" in " ".join(answer.notes["left_out"])


def test_missing_paper_rows_and_odd_names_are_said(smooth: Table, kraft: Table) -> None:
    lost = altered(kraft, lambda row: None if row.kind in ("paper", "black", "blender") else row)
    lost = altered(lost, lambda row: replace(row, name="Another", kind="ink") if row.marker == "002" else row)
    answer = papers_answer(compare_papers([smooth, lost]), [])
    said = " ".join(answer.warnings)
    assert "neither a paper row nor a blender" in said
    lightest = max(row.L or 0.0 for row in lost.readings)
    assert answer.rows[1][2] == lightest
    assert answer.rows[1][5] is None
    assert "002 is 'Invented 002' on smooth but 'Another' on kraft" in said
    alike = papers_answer(compare_papers([smooth, named(kraft, "Smooth ")]), [])
    assert "differ in spelling only" in " ".join(alike.warnings)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 5])
def test_few_markers_give_what_they_can(smooth: Table, kraft: Table, count: int) -> None:
    kept = [f"{i:03d}" for i in range(2, 2 + count)]
    few = altered(kraft, lambda row: row if row.kind != "ink" or row.marker in kept else None)
    answer = papers_answer(compare_papers([smooth, few]), [])
    assert answer.rows[1][1] == count
    assert (answer.rows[1][7] is None) == (count == 0)


# --- the command -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, smooth: Table, kraft: Table) -> Path:
    found = tmp_path_factory.mktemp("papers")
    for name, table in (("smooth", smooth), ("kraft", kraft)):
        write_table(found / f"{name}.csv", table)
    return found


def run(folder: Path, *words: str) -> Result:
    names = [str(folder / word) if word.endswith(".csv") else word for word in words]
    return CliRunner().invoke(cli, ["papers", *names])


def test_the_sentence_says_what_the_paper_does(folder: Path) -> None:
    result = run(folder, "smooth.csv", "kraft.csv", "-o", "papers.csv", "--swatches", "swatches.csv")
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    for words in ("On kraft colours come out", "% weaker", "warmer (b +", "L darker", "further past the outline",
                  "% more", "the bare sheet is brownish", "A second coat adds", "as much ink as the first, on smooth"):  # fmt: skip
        assert words in text, f"{words} is not in: {text}"
    assert all(len(line) <= 80 for line in result.stdout.splitlines() if not line.startswith("Written"))


def test_files_are_what_others_can_read(folder: Path) -> None:
    run(folder, "smooth.csv", "kraft.csv", "-o", "papers.csv", "--swatches", "swatches.csv")
    sheet = pandas.read_csv(folder / "papers.csv")
    assert ",".join(sheet.columns) == (
        "paper,markers,white_L,white_a,white_b,whiteness,gamut_volume,strength,mottle,coverage,bleed_mm,dE00_median,dE00_p95"
    )
    assert list(sheet.paper) == ["smooth", "kraft"]
    assert sheet.strength[0] == 1
    assert sheet.dE00_median[0] == 0
    swatches = pandas.read_csv(folder / "swatches.csv", dtype={"marker": str})
    assert ",".join(swatches.columns) == (
        "marker,name,layers,paper,dE00,dE00_low,dE00_high,dL,dC,dH,strength,mottle,bleed_mm"
    )
    # The figures of the papers are those of their swatches, by pandas and by colour-science.
    other = swatches[swatches.paper == "kraft"]
    assert other.dE00.median() == pytest.approx(sheet.dE00_median[1], abs=1e-3)
    assert other.dE00.quantile(0.95) == pytest.approx(sheet.dE00_p95[1], abs=1e-3)
    assert np.all((other.dE00_low <= other.dE00) & (other.dE00 <= other.dE00_high))
    tables = {paper: read_table(folder / f"{paper}.csv")[0] for paper in ("smooth", "kraft")}
    labs = {
        paper: {(row.marker, row.layers): row.lab for row in table.readings}
        for paper, table in tables.items()
    }
    for row in other.dropna(subset="dE00").itertuples():
        one, two = labs["smooth"][row.marker, row.layers], labs["kraft"][row.marker, row.layers]
        assert row.dE00 == pytest.approx(float(delta_e_2000(one, two)), abs=1e-3)
        assert row.dL == pytest.approx(two[0] - one[0], abs=1e-3)
        # dE*ab splits into the three parts (CIE 15:2018, 8.2.2.1).
        assert row.dL**2 + row.dC**2 + row.dH**2 == pytest.approx(
            sum((x - y) ** 2 for x, y in zip(one, two, strict=True)), abs=0.02
        )
    for name, columns in (("papers.csv", COLUMNS), ("swatches.csv", SWATCH_COLUMNS)):
        described = json.loads((folder / f"{name}-metadata.json").read_text(encoding="utf-8"))
        assert [c["name"] for c in described["tableSchema"]["columns"]] == [c.name for c in columns]


def test_json_is_the_same_answer(folder: Path) -> None:
    result = run(folder, "smooth.csv", "kraft.csv", "--json")
    found = json.loads(result.stdout)
    assert [row["paper"] for row in found["rows"]] == ["smooth", "kraft"]
    notes = found["notes"]["papers"][1]
    assert notes["strength"]["low"] <= found["rows"][1]["strength"] <= notes["strength"]["high"]
    assert notes["two_coats_over_one"]["value"] < found["notes"]["papers"][0]["two_coats_over_one"]["value"]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["smooth.csv"], 3, "single paper"),
        (["smooth.csv", "smooth.csv"], 3, "given twice"),
        (["smooth.csv", "missing.csv"], 3, "missing.csv"),
        (["smooth.csv", "kraft.csv", "-o", "kraft.csv"], 2, "overwrite"),
        (["smooth.csv", "kraft.csv", "--swatches", "kraft.csv"], 2, "overwrite"),
        (["smooth.csv", "kraft.csv", "-o", "x.csv", "--swatches", "x.csv"], 2, "same file"),
    ],
)
def test_failures_are_sentences(folder: Path, words: Sequence[str], code: int, said: str) -> None:
    result = run(folder, *words)
    error = result.exception
    assert (getattr(error, "exit_code", None) or result.exit_code) == code
    assert said in f"{error} {result.output}"


def test_quiet_prints_nothing(folder: Path) -> None:
    result = run(folder, "smooth.csv", "kraft.csv", "--quiet", "-o", "quiet.csv", "--swatches", "quieter.csv")
    assert (result.exit_code, result.output) == (0, "")
    assert (folder / "quiet.csv").exists()
    assert (folder / "quieter.csv").exists()
