"""Pens before and after: what of the drift between sessions the page shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.answers.drift.comparison import Drift, DriftRow, drift_of
from calib.answers.drift.sentences import what_became, whole_session
from calib.answers.drift.verdicts import FINDINGS
from calib.errors import CalibError
from calib.report.chips import Chip, chip_of
from calib.report.plots import MOST_BARS, strength_bars
from calib.table.sessions import Session, sessions_of
from calib.table.table import Reading, Table

SAID = {
    "patchy": "patchy",
    "off-hue": "off hue",
    "weaker": "weaker",
    "stronger": "stronger",
    "steady": "steady",
    "unsure": "cannot say",
    "unreadable": "not readable",
}


@dataclass(frozen=True)
class Change:
    """One pen and number of coats, before and after; strength: in words with its interval."""

    marker: str
    name: str
    layers: int
    before: Chip | None
    after: Chip | None
    verdict: str
    dE00: str
    strength: str


@dataclass(frozen=True)
class Since:
    """The last session of a paper against the first ones. sentences: of pens that changed; rest: how the others fared; bars: SVG."""

    paper: str
    before: str
    after: str
    pens: int
    sentences: tuple[str, ...]
    whole: tuple[str, ...]
    changed: tuple[Change, ...]
    others: tuple[Change, ...]
    bars: str
    barred: int


@dataclass(frozen=True)
class Drifts:
    """Every paper with two sessions or more; why: a sentence where they could not be compared."""

    since: tuple[Since, ...]
    why: str = ""


def drifts_of(tables: Sequence[Table]) -> Drifts | None:
    """Return what changed between sessions of tables, None where no paper has two; a CalibError's words are the answer then."""
    sessions = sessions_of(tables)
    dates: dict[str, set[str]] = {}
    for session in sessions:
        dates.setdefault(session.paper, set()).add(session.date)
    papers = [paper for paper, days in dates.items() if len(days) > 1]
    if not papers:
        return None
    try:
        found = drift_of(tables)
    except CalibError as error:
        return Drifts((), str(error))
    rows = {(s.paper, s.date, *key): (row, s) for s in sessions for key, row in s.by_key.items()}
    return Drifts(tuple(_since(found, paper, i, rows) for i, paper in enumerate(papers)))


Rows = dict[tuple[str, str, str, int], tuple[Reading, Session]]


def _since(found: Drift, paper: str, number: int, rows: Rows) -> Since:
    own = [row for row in found.rows if row.paper == paper]
    last = max((row.after for row in own), default="")
    own = [row for row in own if row.after == last]
    by_pen: dict[str, list[DriftRow]] = {}
    for row in own:
        by_pen.setdefault(row.marker, []).append(row)
    changed = [pen for pen in by_pen.values() if any(row.found for row in pen)]
    changed.sort(key=_weight)
    lost = [pen for pen in by_pen.values() if all(row.verdict == "unreadable" for row in pen)]
    others = [pen for pen in by_pen.values() if pen not in changed]
    barred = _barred([*changed, *others])
    return Since(
        paper,
        min((row.before for row in own), default=""),
        last,
        len(by_pen),
        (
            *(what_became(pen) for pen in changed),
            *(f"{pen[0].marker} {pen[0].name} could be measured before and not now".strip() for pen in lost),
        ),
        tuple(
            sentence
            for one in found.comparisons
            if (one.paper, one.after) == (paper, last)
            for sentence in whole_session(one)
        ),
        tuple(_change(row, rows) for pen in changed for row in pen),
        tuple(_change(row, rows) for pen in others for row in pen),
        strength_bars(barred, f"drift-{number}") if barred else "",
        len(barred),
    )


def _weight(pen: Sequence[DriftRow]) -> tuple[int, float]:
    """Return where a changed pen stands: the verdicts in their order, then the largest change first."""
    first = min(FINDINGS.index(row.verdict) for row in pen if row.found)
    return first, -max(row.dE00 or 0.0 for row in pen)


def _barred(pens: Sequence[Sequence[DriftRow]]) -> list[DriftRow]:
    """Return the row that stands for each pen in the plot: the changed ones, then the rest by how far they are from unchanged."""
    rows = []
    for pen in pens:
        known = [row for row in pen if row.strength is not None and row.strength_low is not None]
        if known:
            rows.append(max(known, key=lambda row: (row.found, -row.layers)))
    rows.sort(key=lambda row: (not row.found, -abs((row.strength or 1.0) - 1.0), row.marker))
    return rows[:MOST_BARS]


def _change(row: DriftRow, rows: Rows) -> Change:
    strength = ""
    if row.strength is not None and row.strength_low is not None and row.strength_high is not None:
        low, share, high = (100 * v for v in (row.strength_low, row.strength, row.strength_high))
        strength = f"{share:.0f} % ({low:.0f} to {high:.0f})"
    seen = (
        f"{row.dE00:.1f} ({row.dE00_low:.1f} to {row.dE00_high:.1f})"
        if row.dE00 is not None and row.dE00_low is not None and row.dE00_high is not None
        else ""
    )
    return Change(
        row.marker,
        row.name,
        row.layers,
        _chip(rows.get((row.paper, row.before, row.marker, row.layers))),
        _chip(rows.get((row.paper, row.after, row.marker, row.layers))),
        SAID.get(row.verdict, row.verdict),
        seen,
        strength,
    )


def _chip(found: tuple[Reading, Session] | None) -> Chip | None:
    if found is None or found[0].lab is None:
        return None
    row, session = found
    return chip_of(row, session.white.lab if session.white is not None else None)
