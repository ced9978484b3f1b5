"""Pens before and after: what of the drift between sessions the page shows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from calib.answers.drift.comparison import Drift, DriftRow, drift_of
from calib.answers.drift.sentences import called, what_became, whole_session
from calib.answers.drift.verdicts import FINDINGS
from calib.errors import CalibError
from calib.report.chips import Chip, chip_of
from calib.table.sessions import Session, sessions_of
from calib.table.table import Reading, Table

SAID = {
    "patchy": "patchy",
    "off-hue": "off hue",
    "weaker": "weaker",
    "stronger": "stronger",
    "steady": "steady",
    "unsure": "undecided",
    "unreadable": "not readable",
}
# Pens that did not change stand in this order: those to look at again first.
REST = ("unreadable", "unsure", "steady")
# Bars reach a little beyond unchanged, and no further than this, in per cent.
LEAST_TOP, MOST_TOP = 120.0, 250.0


@dataclass(frozen=True)
class Change:
    """One number of coats, before and after. dE00: in words with its interval, empty where it is not known."""

    layers: int
    before: Chip | None
    after: Chip | None
    dE00: str

    @property
    def coats(self) -> str:
        """How many coats, in words."""
        return "1 coat" if self.layers == 1 else f"{self.layers} coats"


@dataclass(frozen=True)
class Bar:
    """The ink that a pen gives, in per cent of before, with the ends of its 95 per cent interval."""

    share: float
    low: float
    high: float

    @property
    def words(self) -> str:
        """The same in words."""
        return f"{self.share:.0f} % ({self.low:.0f} to {self.high:.0f})"


@dataclass(frozen=True)
class Pen:
    """One pen. sentence: what became of it, to be read after its name, empty where it did not change; course: its ink from session to session, where there are several."""

    marker: str
    name: str
    verdict: str
    sentence: str
    coats: tuple[Change, ...]
    bar: Bar | None
    course: str


@dataclass(frozen=True)
class Since:
    """The last session of a paper against the first ones.

    changed: pens that changed, or can no longer be read, the gravest first. others: the rest; counted: how these fared, in words. whole: sentences
    on all pens together. top: where the bars' scale ends, in per cent.
    """

    paper: str
    before: str
    after: str
    whole: tuple[str, ...]
    changed: tuple[Pen, ...]
    others: tuple[Pen, ...]
    counted: str
    top: float


@dataclass(frozen=True)
class Drifts:
    """Every paper with two sessions or more; why: a sentence where they could not be compared; warnings: sentences."""

    since: tuple[Since, ...]
    why: str = ""
    warnings: tuple[str, ...] = ()


def drifts_of(tables: Sequence[Table]) -> Drifts | None:
    """Return what changed between sessions of tables, None where no paper has two; a CalibError's words are the answer then."""
    sessions = sessions_of(tables)
    dates: dict[str, set[str]] = {}
    for session in sessions:
        dates.setdefault(session.paper, set()).add(session.date)
    papers = [paper for paper, days in dates.items() if len(days) > 1]
    if not papers:
        return None
    own = [
        replace(table, readings=tuple(row for row in table.readings if row.paper in papers))
        for table in sorted(tables, key=_day)
    ]
    try:
        found = drift_of([table for table in own if table.readings])
    except CalibError as error:
        return Drifts((), str(error))
    rows = {(s.paper, s.date, *key): (row, s) for s in sessions for key, row in s.by_key.items()}
    return Drifts(tuple(_since(found, paper, rows) for paper in papers), warnings=found.warnings)


def _day(table: Table) -> str:
    """Return a table's first day: whatever the order in which tables are named, what came first was before."""
    return min((row.session for row in table.readings), default="")


Rows = dict[tuple[str, str, str, int], tuple[Reading, Session]]


def _since(found: Drift, paper: str, rows: Rows) -> Since:
    every = [row for row in found.rows if row.paper == paper]
    last = max((row.after for row in every), default="")
    by_pen: dict[str, list[DriftRow]] = {}
    for row in every:
        if row.after == last:
            by_pen.setdefault(row.marker, []).append(row)
    courses = _courses(every)
    changed = sorted((pen for pen in by_pen.values() if any(row.found for row in pen)), key=_weight)
    lost = [pen for pen in by_pen.values() if all(row.verdict == "unreadable" for row in pen)]
    away = {pen[0].marker for pen in (*changed, *lost)}
    others = sorted((pen for marker, pen in by_pen.items() if marker not in away), key=_least)
    shown = [
        _pen(pen, rows, what_became(pen).removeprefix(called(pen[0])).strip(), courses) for pen in changed
    ]
    shown += [_pen(pen, rows, "could be measured before and not now", courses) for pen in lost]
    rest = [_pen(pen, rows, "", courses) for pen in others]
    counts = Counter(pen.verdict for pen in rest)
    ends = [pen.bar.high for pen in (*shown, *rest) if pen.bar is not None]
    return Since(
        paper,
        min((row.before for row in every if row.after == last), default=""),
        last,
        tuple(
            sentence
            for one in found.comparisons
            if (one.paper, one.after) == (paper, last)
            for sentence in whole_session(one)
        ),
        tuple(shown),
        tuple(rest),
        ", ".join(f"{counts[SAID[word]]} {SAID[word]}" for word in REST[::-1] if counts[SAID[word]]),
        min(max(LEAST_TOP, *(end + 3 for end in ends)), MOST_TOP) if ends else LEAST_TOP,
    )


def _weight(pen: Sequence[DriftRow]) -> tuple[int, float]:
    """Return where a changed pen stands: the verdicts in their order, then the largest change first."""
    first = min(FINDINGS.index(row.verdict) for row in pen if row.found)
    return first, -max(row.dE00 or 0.0 for row in pen)


def _least(pen: Sequence[DriftRow]) -> tuple[int, float]:
    """Return where a pen stands that did not change: those of which less is known first, by how far they may have moved."""
    return min(REST.index(row.verdict) for row in pen), -max(row.dE00_high or 0.0 for row in pen)


def _courses(rows: Sequence[DriftRow]) -> dict[str, str]:
    """Return for each pen with more sessions than two how much ink it gave in each, in words."""
    by_pen: dict[str, dict[str, DriftRow]] = {}
    for row in rows:
        # Both layers have the strength of the pen; the first row of a session stands for it.
        if row.strength is not None:
            by_pen.setdefault(row.marker, {}).setdefault(row.after, row)
    found = {}
    for marker, later in by_pen.items():
        begun = {row.before for row in later.values()}
        if len(later) > 1 and len(begun) == 1:
            steps = [f"{row.after} {100 * (row.strength or 0.0):.0f} %" for row in later.values()]
            found[marker] = f"{begun.pop()} 100 %, {', '.join(steps)}"
    return found


def _pen(pen: Sequence[DriftRow], rows: Rows, sentence: str, courses: dict[str, str]) -> Pen:
    first = min(pen, key=lambda row: (FINDINGS + REST).index(row.verdict))
    known = [
        Bar(100 * row.strength, 100 * row.strength_low, 100 * row.strength_high)
        for row in sorted(pen, key=lambda row: (not row.found, row.layers))
        if row.strength is not None and row.strength_low is not None and row.strength_high is not None
    ]
    return Pen(
        first.marker,
        first.name,
        SAID.get(first.verdict, first.verdict),
        sentence,
        tuple(_change(row, rows) for row in sorted(pen, key=lambda row: row.layers)),
        known[0] if known else None,
        courses.get(first.marker, ""),
    )


def _change(row: DriftRow, rows: Rows) -> Change:
    known = row.dE00 is not None and row.dE00_low is not None and row.dE00_high is not None
    return Change(
        row.layers,
        _chip(rows.get((row.paper, row.before, row.marker, row.layers))),
        _chip(rows.get((row.paper, row.after, row.marker, row.layers))),
        f"{row.dE00:.1f} ({row.dE00_low:.1f} to {row.dE00_high:.1f})" if known else "",
    )


def _chip(found: tuple[Reading, Session] | None) -> Chip | None:
    if found is None or found[0].lab is None:
        return None
    row, session = found
    return chip_of(row, session.white.lab if session.white is not None else None)
