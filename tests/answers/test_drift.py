"""Which pens changed: known changes are found, unchanged pens and whole sessions that read differently are not called pens that changed.

Truth comes from the spectral simulator (``benchmarks/invented_tables``), which shares no formula with the answers; pandas reads
the file; the two card productions and real fading stand in ``test_cards.py``. ``benchmarks/drift.py`` measures the rates.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas
import pytest
from conftest import Run
from invented_tables import Making, invented_table, lab_of
from scipy.stats import false_discovery_control

from calib.answers.drift.comparison import Drift, drift_of
from calib.answers.drift.driftfile import COLUMNS, drift_answer
from calib.answers.drift.growth import in_wide_light
from calib.answers.drift.inks import inks_of
from calib.answers.drift.pairing import pairs_of, runs_of
from calib.answers.drift.shift import light_of_lightness, lightness
from calib.answers.films import films_of
from calib.colour.colorimetry import delta_e_2000, lab_to_lch
from calib.errors import InputError
from calib.synthetic.drawer import invent_inks
from calib.table.answerfile import answer_json
from calib.table.origin import Origin
from calib.table.sessions import sessions_of
from calib.table.table import Reading, Table, write_table

Calib = Callable[..., Run]
INKS = invent_inks(40, seed=7)
WEAK = {"003": 0.7, "011": 0.8, "025": 0.65}
DRY = {"007": 0.35}
OTHER = "018"
LATER = Making(date="2026-09-01", strength=WEAK, dry=DRY)


@cache
def before() -> Table:
    return invented_table(INKS, Making(), 1)[0]


@cache
def after() -> Table:
    inks = tuple(ink.tainted(INKS[4], 0.4) if ink.marker == OTHER else ink for ink in INKS)
    return invented_table(inks, LATER, 2)[0]


@cache
def drift() -> Drift:
    return drift_of([before(), after()])


def words(found: Drift, marker: str) -> set[str]:
    return {row.verdict for row in found.rows if row.marker == marker}


def changed(table: Table, change: Callable[[Reading], Reading | None], origin: Origin | None = None) -> Table:
    rows = [change(row) for row in table.readings]
    return replace(table, readings=tuple(r for r in rows if r is not None), origin=origin or table.origin)


def lit(row: Reading, light: np.ndarray) -> Reading:
    lab = lab_of(light)
    values = (*lab, *lab_to_lch(lab)[1:], *light)
    return replace(
        row, **{n: float(v) for n, v in zip(("L", "a", "b", "C", "h", "R", "G", "B"), values, strict=True)}
    )


def shifted(row: Reading) -> Reading:
    """A whole session that reads darker in the middle tones, as another gamma would make it."""
    v = lightness(np.array(row.linear))
    w = np.clip(1 - v / 100, 0, 1)
    return lit(row, light_of_lightness(v - 3 * 4 * w * (1 - w)))


# -- what changed --------------------------------------------------------------------------------


def test_weak_dry_and_contaminated_pens_get_their_words() -> None:
    found = drift()
    for marker in WEAK:
        assert "weaker" in words(found, marker)
    assert words(found, "007") == {"patchy"}
    assert "off-hue" in words(found, OTHER)


def test_strength_is_the_ink_that_was_left() -> None:
    """One hand's scatter of 2.5 % in both sessions and coats leaves 2.5 % in the ratio."""
    for row in drift().rows:
        if row.marker in WEAK:
            assert row.strength is not None and row.strength_low is not None and row.strength_high is not None
            assert row.strength == pytest.approx(WEAK[row.marker], abs=0.08)
            assert row.strength_low < row.strength < row.strength_high
            assert row.strength_high - row.strength_low < 0.2


def misread(kind: str, layers: tuple[int, ...]) -> np.ndarray:
    """By how much strengths (n,) of 0.65 are misread with a still hand: what the dose curves are off by."""
    still = Making(scatter=0.0, tone=0.0, tint=0.0, layers=layers, kind=kind)
    weak = replace(still, date="2026-09-01", strength={ink.marker: 0.65 for ink in INKS})
    (run,) = runs_of([invented_table(INKS, still, 1)[0], invented_table(INKS, weak, 2)[0]])[0].values()
    ((pair,), _) = pairs_of(run)
    return inks_of(pair.cells, pair.cells.light_after).strength - 0.65


def test_one_coat_reads_large_changes_through_saturated_and_mixed_channels() -> None:
    """Truth from spectra. Along lines through one coat in the table's own light, 1.9 points in the median and 4.3 rms (measured)."""
    assert abs(np.median(misread("camera-2", (1,)))) < 0.015
    off = misread("colorimetric", (1,))
    assert np.sqrt(np.mean(off**2)) < 0.03
    assert abs(np.median(misread("three-led", (1,)))) < 0.01


def test_two_coats_of_mixed_channels_read_in_wide_light() -> None:
    """Truth from spectra. Colorimetric channels have negative parts; in the table's own light 1.4 points, now 0.9 (measured)."""
    assert np.median(np.abs(misread("colorimetric", (1, 2)))) < 0.01


def test_curves_run_in_wide_light_only_where_light_is_negative() -> None:
    def wide(kind: str) -> bool:
        session = sessions_of([invented_table(INKS, Making(kind=kind), 1)[0]])[0]
        films = films_of(session)
        found = in_wide_light(films, films)
        return all(not np.array_equal(film.curve.back, np.eye(3)) for film in found.values())

    assert wide("colorimetric")
    assert not wide("three-led")


def test_unchanged_pens_are_hardly_ever_called() -> None:
    called = {row.marker for row in drift().findings}
    assert len(called - {*WEAK, *DRY, OTHER}) <= 1


def test_q_is_benjamini_and_hochberg_over_markers_alike_in_both_coats() -> None:
    """Against scipy: q of all markers has the form that its procedure gives, and one marker has one q."""
    q = {row.marker: row.q for row in drift().rows}
    assert all(row.q == q[row.marker] for row in drift().rows)
    values = np.array(sorted(float(v or 0) for v in q.values()))
    p = values * np.arange(1, len(values) + 1) / len(values)
    assert false_discovery_control(p) == pytest.approx(values, abs=1e-9)


def test_a_shift_of_the_whole_session_is_reported_and_no_pen_is_blamed() -> None:
    found = drift_of([before(), changed(after(), shifted)])
    moved = found.comparisons[0].moved
    assert moved is not None and -3.2 < moved[0] < -1
    assert abs(moved[0]) > 4 * found.comparisons[0].u_moved
    assert len({row.marker for row in found.findings} ^ {row.marker for row in drift().findings}) <= 1
    # The comparison can fail: taken as they stand, nearly all pens moved by more than the limit.
    raw = [
        delta_e_2000(one.lab, two.lab)
        for one, two in zip(before().readings, changed(after(), shifted).readings, strict=True)
        if one.kind == "ink"
    ]
    assert np.mean(np.array(raw) > 1) > 0.7


def test_a_session_against_itself_is_steady_all_over() -> None:
    same = changed(before(), lambda row: replace(row, session="2026-10-01"))
    found = drift_of([before(), same])
    assert not found.findings
    assert max(row.dE00 or 0 for row in found.rows) < 0.05


def test_the_order_of_rows_makes_no_difference() -> None:
    turned = replace(after(), readings=after().readings[::-1])
    other = {(r.marker, r.layers): r for r in drift_of([before(), turned]).rows}
    for row in drift().rows:
        assert other[row.marker, row.layers] == row


def test_stronger_is_weaker_the_other_way_round() -> None:
    back = changed(before(), lambda row: replace(row, session="2026-12-01"))
    found = drift_of([after(), back])
    for marker, strength in WEAK.items():
        assert "stronger" in words(found, marker)
        row = next(r for r in found.rows if r.marker == marker)
        assert row.strength == pytest.approx(1 / strength, rel=0.1)


def test_a_large_limit_calls_nothing_small() -> None:
    found = drift_of([before(), after()], at_least=6)
    assert all((row.dE00 or 0) >= 6 or row.verdict == "patchy" for row in found.findings)
    assert [r.verdict for r in found.rows].count("steady") > [r.verdict for r in drift().rows].count("steady")


# -- what is missing -----------------------------------------------------------------------------


def test_unreadable_rows_have_no_figures_and_others_are_named() -> None:
    def lose(row: Reading) -> Reading | None:
        if row.marker == "001":
            return replace(row, flags=("blank",), L=None, a=None, b=None, R=None, G=None, B=None)
        if row.marker == "002":
            return replace(row, flags=("fluorescent",))
        return None if row.marker == "004" else row

    found = drift_of([changed(before(), lambda r: None if r.marker == "005" else r), changed(after(), lose)])
    for marker in ("001", "002"):
        assert words(found, marker) == {"unreadable"}
        assert all(
            r.dE00 is None and r.q is None and r.strength is None for r in found.rows if r.marker == marker
        )
    assert not words(found, "004") and not words(found, "005")
    left = {one.marker: one.why for one in found.comparisons[0].left}
    assert "2026-09-01" in left["004"] and "2026-03-01" in left["005"]


def test_without_doubts_light_origin_and_paper_it_still_finds_the_weak_ones() -> None:
    def bare(row: Reading) -> Reading | None:
        gone = dict.fromkeys(("u_L", "u_a", "u_b", "u_dose", "R", "G", "B", "coverage", "mottle"))
        return None if row.kind == "paper" else replace(row, **gone)

    found = drift_of([changed(t, bare, Origin()) for t in (before(), after())])
    assert {"003", "025"} <= {row.marker for row in found.findings}
    assert len({row.marker for row in found.findings} - {*WEAK, OTHER}) <= 2
    assert any("state no doubt" in warning for warning in found.warnings)
    assert any("no row of the bare paper" in warning for warning in found.warnings)


def test_three_markers_are_compared_without_a_shift() -> None:
    few = {"003", "012", "020"}
    tables = [
        changed(t, lambda r: r if r.kind != "ink" or r.marker in few else None) for t in (before(), after())
    ]
    found = drift_of(tables)
    assert found.comparisons[0].moved is None
    assert "weaker" in words(found, "003")


def test_another_colour_model_is_computed_from_light_or_refused() -> None:
    other = replace(after().origin, scanner={"model": "root-polynomial of degree 2"})

    def recoloured(row: Reading) -> Reading:
        return row if row.lab is None else replace(row, L=float(row.L or 0) - 4, a=float(row.a or 0) + 5)

    found = drift_of([before(), changed(after(), recoloured, other)])
    assert any("colour model" in warning for warning in found.warnings)
    assert len({row.marker for row in found.findings} ^ {row.marker for row in drift().findings}) <= 2
    bare = changed(after(), lambda row: replace(row, R=None, G=None, B=None), other)
    with pytest.raises(InputError, match="R, G, B"):
        drift_of([before(), bare])


def test_what_differs_in_the_making_is_warned_of() -> None:
    origin = replace(
        after().origin, strip={"file": "other.csv", "kind": "density"}, dates={"dried_hours": 1.0}
    )
    said = " ".join(
        drift_of([before(), changed(after(), lambda r: replace(r, session="2026-01-01"), origin)]).warnings
    )
    assert "dried" in said and "other strip files" in said and "earlier date" in said
    photo = changed(after(), lambda r: replace(r, flags=("photo",)), replace(origin, strip={"kind": "none"}))
    said = " ".join(drift_of([before(), photo]).warnings)
    assert "photographed" in said and "without" in said


def test_papers_that_differ_are_refused_and_a_single_session_is() -> None:
    elsewhere = changed(after(), lambda row: replace(row, paper="rough"))
    with pytest.raises(InputError, match=r"'invented layout paper', 'rough'.*calib papers"):
        drift_of([before(), elsewhere])
    with pytest.raises(InputError, match="one session"):
        drift_of([before()])


def test_three_sessions_are_all_held_against_the_first_and_have_a_run() -> None:
    third = changed(invented_table(INKS, replace(LATER, date="2026-12-01"), 3)[0], lambda row: row)
    found = drift_of([before(), after(), third])
    assert {(row.before, row.after) for row in found.rows} == {
        ("2026-03-01", "2026-09-01"),
        ("2026-03-01", "2026-12-01"),
    }
    run = next(run for run in found.runs if run.marker == "025")
    assert run.trend.points[0].strength == 1.0
    assert run.trend.points[2].strength == pytest.approx(0.65, abs=0.08)


def test_a_pen_first_measured_in_the_second_session_is_held_against_that() -> None:
    third = invented_table(INKS, replace(LATER, date="2026-12-01"), 3)[0]
    without = changed(before(), lambda row: None if row.marker == "012" else row)
    rows = [row for row in drift_of([without, after(), third]).rows if row.marker == "012"]
    assert [(row.before, row.after) for row in rows] == [("2026-09-01", "2026-12-01")] * 2


# -- files and words -----------------------------------------------------------------------------


def test_the_file_has_the_columns_and_pandas_reads_it(tmp_path: Path, calib: Calib) -> None:
    for name, table in (("a.csv", before()), ("b.csv", after())):
        write_table(tmp_path / name, table)
    out = tmp_path / "drift.csv"
    run = calib("drift", str(tmp_path / "a.csv"), str(tmp_path / "b.csv"), "-o", str(out), "--check")
    assert run.code == 10
    frame = pandas.read_csv(out, dtype={"marker": str})
    names = "marker,name,layers,paper,before,after,dE00,dE00_low,dE00_high,dL,dC,dH,strength,strength_low,strength_high,q,verdict"
    assert list(frame.columns) == names.split(",") == [column.name for column in COLUMNS]
    assert len(frame) == 80
    assert ((frame.dE00_low <= frame.dE00) & (frame.dE00 <= frame.dE00_high)).all()
    assert "025 Invented 025 gives 6" in run.out and "weaker" in run.out
    assert "running dry" in run.out
    # The path of the file is as long as it is.
    assert all(len(line) <= 80 for line in run.out.splitlines() if not line.startswith("Written"))


def test_no_findings_end_well_and_json_is_json(tmp_path: Path, calib: Calib) -> None:
    same = changed(before(), lambda row: replace(row, session="2026-10-01"))
    for name, table in (("a.csv", before()), ("b.csv", same)):
        write_table(tmp_path / name, table)
    run = calib("drift", str(tmp_path / "a.csv"), str(tmp_path / "b.csv"), "--check", "--json")
    assert run.code == 0
    assert json.loads(run.out)["answer"] == "drift"
    assert calib("drift", str(tmp_path / "a.csv")).code == 3
    assert calib("drift", str(tmp_path / "a.csv"), str(tmp_path / "b.csv"), "--at-least", "0").code == 2


def test_many_sessions_end_in_runs_that_fit_a_screen(tmp_path: Path, calib: Calib) -> None:
    paths = []
    for i in range(9):
        year, month = divmod(2 * i, 12)
        making = Making(date=f"{2026 + year}-{month + 1:02d}-01", strength={"003": 0.96**i})
        paths.append(str(tmp_path / f"{i}.csv"))
        write_table(Path(paths[-1]), invented_table(INKS[:12], making, 60 + i)[0])
    said = calib("drift", *paths).out
    assert all(len(line) <= 80 for line in said.splitlines())
    flat = " ".join(said.split())
    # Sessions but the last have a line each.
    assert flat.count("By 20") == 7 and flat.count("from 2026-01-01 to 2027-05-01") == 1
    assert "003 Invented 003: 100, 9" in flat and "(give or take" in flat
    assert "weaker than a hand's scatter explains since 2026-" in flat
    assert "falls under 70 % about 2027-" in flat or "fell under 70 % about 2027-" in flat
    few = " ".join(calib("drift", *paths[:2], paths[8]).out.split())
    assert "After 3 sessions it is too early to say when a pen will be too weak" in few


def test_two_sessions_of_one_day_can_be_written() -> None:
    later = changed(after(), lambda row: replace(row, session="2026-03-01"))
    again = replace(later)
    answer = drift_answer([before(), later, again], drift_of([before(), later, again]))
    assert answer.key == ()
    assert json.loads(answer_json(answer))["notes"]["comparisons"][0]["after"] == "2026-03-01"
