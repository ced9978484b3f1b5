"""What the page compares: doubles, changes between sessions, papers side by side. All tables are invented.

Judges: the answers' own results, which have tests of their own; CIEDE2000 by colour-science; values worked out by hand.
"""

from __future__ import annotations

import dataclasses
from html.parser import HTMLParser
from typing import Any

import colour
import numpy as np
import pytest
from invented_tables import Making, invented_table

from calib.answers.doubles.groups import find_duplicates
from calib.answers.drift.comparison import drift_of
from calib.answers.papers.comparison import compare_papers
from calib.colour.colorimetry import hex_to_lab, lab_to_hex
from calib.report.doubles import MOST_GROUPS, SAID, doubles_of
from calib.report.drift import REST, drifts_of
from calib.report.drift import SAID as VERDICTS
from calib.report.page import report_html
from calib.report.papers import sheets_of_papers
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.table.table import Reading, Table

INKS = invent_inks(16, 5)
WEAK = {INKS[3].marker: 0.75, INKS[9].marker: 0.85}
PROGRAM = "calib 0.1.0"


def table(seed: int, **making: Any) -> Table:
    return invented_table(INKS, Making(**making), seed)[0]


@pytest.fixture(scope="module")
def before() -> Table:
    return table(7)


@pytest.fixture(scope="module")
def after() -> Table:
    return table(8, date="2026-09-01", strength=WEAK, dry={INKS[5].marker: 0.3})


@pytest.fixture(scope="module")
def rough() -> Table:
    return table(9, paper=SimPaper(name="rough", gain=0.85))


def only(one: Table, keep: Any) -> Table:
    """Return a table with the ink rows that keep says, and all others."""
    rows = tuple(row for row in one.readings if row.kind != "ink" or keep(row))
    return dataclasses.replace(one, readings=rows)


# -- changes --------------------------------------------------------------------------------------


def test_pens_that_changed_come_first_with_their_figures(before: Table, after: Table) -> None:
    drifts, found = drifts_of([before, after]), drift_of([before, after])
    assert drifts is not None and not drifts.why
    (since,) = drifts.since
    changed = {row.marker for row in found.findings}
    assert {pen.marker for pen in since.changed} == changed >= set(WEAK)
    assert {pen.marker for pen in since.others} == {row.marker for row in found.rows} - changed
    rows = {(row.marker, row.layers): row for row in found.rows}
    for pen in (*since.changed, *since.others):
        assert [change.layers for change in pen.coats] == [1, 2]
        for change in pen.coats:
            row = rows[pen.marker, change.layers]
            assert change.dE00 == f"{row.dE00:.1f} ({row.dE00_low:.1f} to {row.dE00_high:.1f})"
            assert pen.bar is not None and row.strength is not None
        assert pen.bar is not None
        assert pen.bar.share in [100 * (rows[pen.marker, n].strength or 0) for n in (1, 2)]
        assert pen.bar.low < pen.bar.share < pen.bar.high <= since.top
    # What was put in: a pen that gives 75 per cent of its ink.
    (weak,) = [pen for pen in since.changed if pen.marker == INKS[3].marker]
    assert weak.bar is not None and weak.bar.low < 75 < weak.bar.high and weak.verdict == "weaker"


def test_chips_before_and_after_are_those_of_the_tables(before: Table, after: Table) -> None:
    drifts = drifts_of([before, after])
    assert drifts is not None
    for pen in drifts.since[0].changed:
        for change in pen.coats:
            for chip, one in ((change.before, before), (change.after, after)):
                (row,) = [r for r in one.readings if (r.marker, r.layers) == (pen.marker, change.layers)]
                assert chip is not None and chip.hex == row.hex


def test_the_gravest_stands_first_and_the_rest_in_order(before: Table, after: Table) -> None:
    drifts = drifts_of([before, after])
    assert drifts is not None
    (since,) = drifts.since
    order = list(VERDICTS.values())
    places = [order.index(pen.verdict) for pen in since.changed]
    assert places == sorted(places)
    rest = [[VERDICTS[word] for word in REST].index(pen.verdict) for pen in since.others]
    assert rest == sorted(rest) and sum(int(part.split()[0]) for part in since.counted.split(", ")) == len(
        rest
    )
    weaker = [pen for pen in since.changed if pen.verdict == "weaker"]
    most = [max(float(change.dE00.split()[0]) for change in pen.coats) for pen in weaker]
    assert most == sorted(most, reverse=True) and len(most) > 1


def test_what_came_first_was_before_in_whatever_order_tables_are_named(before: Table, after: Table) -> None:
    assert drifts_of([after, before]) == drifts_of([before, after])


def test_a_pen_that_can_no_longer_be_read_is_told(before: Table, after: Table) -> None:
    bare = dict.fromkeys(("L", "a", "b", "C", "h", "R", "G", "B", "X", "Y", "Z", "hex", "in_srgb"))
    gone = INKS[12].marker
    rows = [
        dataclasses.replace(r, flags=("blank",), **bare) if r.marker == gone else r for r in after.readings
    ]
    drifts = drifts_of([before, dataclasses.replace(after, readings=tuple(rows))])
    assert drifts is not None
    pen = drifts.since[0].changed[-1]
    assert pen.marker == gone and "could be measured before and not now" in pen.sentence
    assert pen.bar is None and all(change.after is None for change in pen.coats)
    assert pen.coats[0].before is not None


def test_ink_from_session_to_session_is_told_where_there_are_three(before: Table, after: Table) -> None:
    third = table(10, date="2027-01-01", strength={INKS[3].marker: 0.6})
    drifts = drifts_of([before, after, third])
    found = drift_of([before, after, third])
    assert drifts is not None
    (pen,) = [pen for pen in drifts.since[0].changed if pen.marker == INKS[3].marker]
    shares = [
        next(r for r in found.rows if (r.marker, r.after) == (pen.marker, day)).strength or 0
        for day in ("2026-09-01", "2027-01-01")
    ]
    assert pen.course == (
        f"2026-03-01 100 %, 2026-09-01 {100 * shares[0]:.0f} %, 2027-01-01 {100 * shares[1]:.0f} %"
    )
    alone = drifts_of([before, after])
    assert alone is not None and {pen.course for pen in alone.since[0].changed} == {""}


def test_sessions_without_a_pen_in_common_are_told_so(before: Table, after: Table) -> None:
    markers = [ink.marker for ink in INKS]
    one = only(before, lambda row: row.marker in markers[:8])
    other = only(after, lambda row: row.marker in markers[8:])
    drifts = drifts_of([one, other])
    assert drifts is not None
    if not drifts.why:
        assert drifts.since[0].changed == drifts.since[0].others == ()
        assert "No pen was measured in both sessions" in report_html([one, other], PROGRAM)


def test_one_session_has_no_changes_and_another_paper_disturbs_none(
    before: Table, after: Table, rough: Table
) -> None:
    assert drifts_of([before]) is None and drifts_of([before, rough]) is None
    assert drifts_of([before, after, rough]) == drifts_of([before, after])


def test_tables_that_cannot_be_compared_are_told_why_and_name_no_folder(
    before: Table, after: Table, tmp_path: Any
) -> None:
    bare = tuple(dataclasses.replace(r, R=None, G=None, B=None) for r in after.readings)
    scanner = {"model": "another", "coefficients": "1"}
    foreign = dataclasses.replace(
        after,
        readings=bare,
        origin=dataclasses.replace(after.origin, scanner=scanner),
        path=tmp_path / "a private place" / "autumn.csv",
    )
    drifts = drifts_of([before, foreign])
    assert drifts is not None and drifts.why and drifts.since == ()
    page = report_html([before, foreign], PROGRAM)
    assert "autumn.csv" in page and "private place" not in page and str(tmp_path) not in page
    assert "What has changed" in page


# -- papers ---------------------------------------------------------------------------------------


def test_papers_stand_side_by_side_with_their_figures(before: Table, rough: Table) -> None:
    sheets, found = sheets_of_papers([before, rough]), compare_papers([before, rough])
    assert sheets is not None and len(sheets.papers) == 2 == len(sheets.whites)
    assert [row.far for row in sheets.rows] == sorted((row.far for row in sheets.rows), reverse=True)
    assert {row.marker for row in sheets.rows} == {ink.marker for ink in INKS}
    against = found.facts[1].against
    assert against is not None
    at = {key: i for i, key in enumerate(against.keys)}
    for row in sheets.rows:
        first, other = row.cells
        assert [words for _, words in first.chips] == [""] * len(row.coats)
        seen = []
        for layers, (chip, words) in zip(row.coats, other.chips, strict=True):
            i = at[row.marker, layers]
            seen.append(float(against.dE00[i]))
            assert words == f"{against.dE00[i]:.1f} ({against.low[i]:.1f} to {against.high[i]:.1f})"
            (read,) = [r for r in rough.readings if (r.marker, r.layers) == (row.marker, layers)]
            assert chip is not None and chip.hex == read.hex
        assert row.far == max(seen)
    whites = [next(r for r in one.readings if r.kind == "paper") for one in (before, rough)]
    assert [chip.hex for chip in sheets.whites if chip is not None] == [row.hex for row in whites]


def test_a_pen_that_one_paper_lacks_leaves_its_place_empty(before: Table, rough: Table) -> None:
    gone = INKS[2].marker
    sheets = sheets_of_papers([before, only(rough, lambda row: row.marker != gone)])
    assert sheets is not None
    assert sheets.rows[-1].marker == gone and sheets.rows[-1].cells[1].chips == ((None, ""), (None, ""))


def test_one_paper_has_no_side_by_side(before: Table, after: Table) -> None:
    assert sheets_of_papers([before, after]) is None


# -- doubles --------------------------------------------------------------------------------------


def pen(
    marker: str, lab: tuple[float, float, float], paper: str = "smooth", day: str = "2026-03-01"
) -> list[Reading]:
    light = (lab[0] + 5, lab[1] / 2, lab[2] / 2)
    return [
        Reading(marker, n, paper, day, name=f"pen {marker}", L=one[0], a=one[1], b=one[2], u_L=0.05, u_a=0.05, u_b=0.05, u_dose=0.003)
        for n, one in ((1, light), (2, lab))
    ]  # fmt: skip


def test_doubles_stand_side_by_side_under_what_is_said_of_them() -> None:
    labs = {"1": (50.0, 20.0, 10.0), "2": (50.1, 20.0, 10.0), "3": (70.0, -30.0, 20.0), "4": (71.5, -30.0, 20.0), "9": (30.0, 0.0, -40.0)}  # fmt: skip
    rows = tuple(row for marker, lab in labs.items() for row in pen(marker, lab))
    found = doubles_of([Table(rows)], "smooth")
    own = find_duplicates([Table(rows)])
    groups = {
        tuple(sorted(m.marker for m in group.members)): said for said, all_ in found.kinds for group in all_
    }
    assert groups == {("1", "2"): SAID["same"], ("3", "4"): SAID["near"]}
    for (_, shown), group in zip(found.kinds, own.groups, strict=True):
        (alike,) = shown
        first, other = alike.members
        assert (first.marker, other.marker) == tuple(one.marker for one in group.pens) and first.apart == ""
        d = [
            float(colour.delta_E(*(np.array(next(r.lab for r in rows if (r.marker, r.layers) == (m, n))) for m in (first.marker, other.marker)), method="CIE 2000"))
            for n in (1, 2)
        ]  # fmt: skip
        assert other.apart.startswith(f"{max(d):.1f} dE00 (")
        assert [one.coats for one in alike.facing] == ["1 coat", "2 coats"]
        for n, facing in enumerate(alike.facing, start=1):
            for member, chip in zip(alike.members, facing.chips, strict=True):
                lab = next(r.lab for r in rows if (r.marker, r.layers) == (member.marker, n))
                assert chip is not None and chip.hex == lab_to_hex(np.array([lab]))[0][0]
                assert hex_to_lab(chip.hex) == pytest.approx(np.array(lab), abs=0.5)


def test_pens_of_two_tables_on_one_paper_are_doubles_too_and_a_pen_measured_twice_is_none() -> None:
    one = Table(tuple(pen("1", (50, 20, 10)) + pen("2", (30, 0, -40))))
    two = Table(tuple(pen("1", (50, 20, 10), day="2026-04-01") + pen("7", (50.1, 20, 10), day="2026-04-01")))
    found = doubles_of([one, two], "smooth")
    ((_, (group,)),) = found.kinds
    assert sorted(member.marker for member in group.members) == ["1", "7"]


def test_each_paper_of_one_table_has_its_own_doubles() -> None:
    rows = (
        pen("1", (50, 20, 10))
        + pen("2", (30, 0, -40))
        + pen("1", (50, 20, 10), "rough")
        + pen("2", (50.1, 20, 10), "rough")
    )
    both = Table(tuple(rows))
    assert doubles_of([both], "smooth").kinds == ()
    assert [said for said, _ in doubles_of([both], "rough").kinds] == [SAID["same"]]
    page = report_html([both], PROGRAM)
    assert page.count("No two pens were measured") == 1 and page.count(SAID["same"]) == 1


def test_tables_of_unlike_scanners_fall_back_on_the_last_one(before: Table) -> None:
    foreign = dataclasses.replace(
        before, origin=dataclasses.replace(before.origin, scanner={"model": "another", "coefficients": "1"})
    )
    later = dataclasses.replace(
        foreign, readings=tuple(dataclasses.replace(r, session="2026-05-01") for r in before.readings)
    )
    paper = before.readings[0].paper
    found = doubles_of([before, later], paper)
    assert not found.why and found.kinds == doubles_of([later], paper).kinds


def test_of_very_many_groups_the_rest_is_counted() -> None:
    rows = []
    for i in range(MOST_GROUPS + 5):
        at = (20.0 + 12 * (i % 6), -60.0 + 24 * (i // 6 % 6), -40.0 + 40 * (i // 36))
        rows += pen(f"{i}a", at) + pen(f"{i}b", at)
    found = doubles_of([Table(tuple(rows))], "smooth")
    assert sum(len(groups) for _, groups in found.kinds) == MOST_GROUPS and found.more == 5
    page = report_html([Table(tuple(rows))], PROGRAM)
    assert "And 5 more groups" in page and f"And {MOST_GROUPS - found.open} more<" in page


# -- all of it ------------------------------------------------------------------------------------


HOSTILE = (
    "<script>alert(1)</script>",
    '"onload="x',
    "{{ 7 * 7 }}",
    "\u202eabc",
    "\x1b[2J",
    "</title></svg><b>",
)


class Attributes(HTMLParser):
    """The elements of a page with the names of their attributes, as a browser takes them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.seen: list[tuple[str, list[str]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, [key for key, _ in attrs]))


def test_hostile_names_do_no_harm_where_tables_are_compared(
    before: Table, after: Table, rough: Table
) -> None:
    names = {ink.marker: name for ink, name in zip(INKS[3:], HOSTILE, strict=False)}

    def hostile(one: Table) -> Table:
        rows = [
            dataclasses.replace(r, paper=f"{r.paper}{HOSTILE[0]}{HOSTILE[1]}")
            if r.kind != "ink"
            else dataclasses.replace(
                r,
                paper=f"{r.paper}{HOSTILE[0]}{HOSTILE[1]}",
                name=names[r.marker],
                marker=f"{names[r.marker]}{r.marker}",
            )
            for r in only(one, lambda row: row.marker in names).readings
        ]
        return dataclasses.replace(one, readings=tuple(rows))

    page = report_html([hostile(one) for one in (before, after, rough)], PROGRAM)
    seen = Attributes(page).seen
    assert [tag for tag, _ in seen].count("script") == 1 and "img" not in {tag for tag, _ in seen}
    assert not [keys for _, keys in seen if any(key.startswith("on") for key in keys)]
    for words in ("What has changed", "Papers side by side", "Near-duplicates", "{{ 7 * 7 }}"):
        assert words in page


def test_the_compared_parts_are_small(before: Table, after: Table, rough: Table) -> None:
    one = report_html([before, after, rough], PROGRAM)
    body = one[
        one.index('<section aria-labelledby="maps">') : one.index('<section aria-labelledby="flagged">')
    ]
    # A drawer of 400 pens may have 2.5 million bytes here, and this one has 16; what every page has besides are the axes of six plots.
    assert len(body.encode()) < 16 / 400 * 2.5e6 + 6 * 8000


def test_beyond_a_glance_papers_fold_their_pens_away(before: Table, rough: Table) -> None:
    sheets = sheets_of_papers([before, rough])
    assert sheets is not None
    page = report_html([before, rough], PROGRAM)
    part = page[
        page.index('<section aria-labelledby="papers">') : page.index('<section aria-labelledby="doubles">')
    ]
    shown, folded = part.split("<details>")
    assert shown.count('<th scope="row">') == sheets.open < len(INKS)
    assert folded.count('<th scope="row">') == len(INKS) - sheets.open
    assert f"The other {len(INKS) - sheets.open} pens" in folded
