"""Which pens changed between sessions: the question of ``calib drift``, from tables to rows.

Each later session of a paper is held against the first one in which a marker could be measured. What all pens have in common
is taken off first and reported by itself; see ``judging`` for the order of that work.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.judging import Judged, judge, prior_of
from calib.answers.drift.pairing import Pair, pairs_of, runs_of
from calib.answers.drift.trend import Point, Trend, trend_of
from calib.answers.drift.verdicts import FINDINGS, verdict_of
from calib.answers.films import ASSUMED_DOSE, Left
from calib.colour.difference import lch_differences
from calib.colour.significance import false_discovery
from calib.table.sessions import Session, markers_of
from calib.table.table import Reading, Table

Array = NDArray[np.float64]

# A trend needs as many sessions.
TREND_SESSIONS = 3


@dataclass(frozen=True)
class DriftRow:
    """One marker and layers in a later session against the first; None is not known.

    dE00 and its 95 per cent interval, dL, dC, dH: colour after less before, what all pens have in common taken off. strength: ink after over
    before, with its interval. q: false discovery rate at which the marker would be called. verdict: of verdicts.VERDICTS.
    coverage_before, coverage_after: inked shares. flags: of the later row. u_strength: (before, after), relative, of each session by itself.
    """

    marker: str
    name: str
    layers: int
    paper: str
    before: str
    after: str
    dE00: float | None = None
    dE00_low: float | None = None
    dE00_high: float | None = None
    dL: float | None = None
    dC: float | None = None
    dH: float | None = None
    strength: float | None = None
    strength_low: float | None = None
    strength_high: float | None = None
    q: float | None = None
    verdict: str = "unreadable"
    coverage_before: float | None = None
    coverage_after: float | None = None
    flags: tuple[str, ...] = ()
    u_strength: tuple[float, float] = (0.0, 0.0)

    @property
    def found(self) -> bool:
        """Whether this row says that the pen changed."""
        return self.verdict in FINDINGS


@dataclass(frozen=True)
class Comparison:
    """What two sessions of a paper say on the whole.

    markers: how many were held against each other. moved: L*, a*, b* by which the median pen moved with all others, None where there
    were too few pens to tell; u_moved: standard uncertainty of its L*. all_stronger: share by which all pens read stronger, as far as
    that can be told from a tone that changed. paper_moved: L*, a*, b* of the bare paper, None where not known. hand: relative scatter
    of one swatch; hand_factor, reading_factor: what the markers themselves made of the stated doubts. assumed: how many rows stated none.
    left: what was not compared.
    """

    paper: str
    before: str
    after: str
    markers: int
    moved: tuple[float, float, float] | None
    u_moved: float
    all_stronger: float
    paper_moved: tuple[float, float, float] | None
    hand: float
    hand_factor: float
    reading_factor: float
    assumed: int
    left: tuple[Left, ...]


@dataclass(frozen=True)
class Run:
    """The strengths of one marker over three sessions or more."""

    marker: str
    name: str
    paper: str
    trend: Trend


@dataclass(frozen=True)
class Drift:
    """The answer: rows, what each comparison says on the whole, runs of strengths, and warnings as sentences."""

    rows: tuple[DriftRow, ...]
    comparisons: tuple[Comparison, ...]
    runs: tuple[Run, ...]
    warnings: tuple[str, ...]
    at_least: float

    @property
    def findings(self) -> tuple[DriftRow, ...]:
        """Rows that say that a pen changed."""
        return tuple(row for row in self.rows if row.found)


def drift_of(tables: Sequence[Table], at_least: float = 1.0) -> Drift:
    """Tell which pens changed between the sessions of tables, given in order.

    at_least: the smallest change that matters, in dE00, above 0. Raises InputError where no paper has two sessions, or where two
    differ in the scanner's colour model and have no light to compare.
    """
    runs, warnings = runs_of(tables)
    rows: list[DriftRow] = []
    comparisons: list[Comparison] = []
    trends: list[Run] = []
    said = list(warnings)
    for paper, run in runs.items():
        pairs, more = pairs_of(run)
        said += more
        order = {marker: i for i, marker in enumerate(markers_of(run))}
        found = [(pair, judge(pair.cells, _prior(pair)) if pair.cells.keys else None) for pair in pairs]
        own: list[DriftRow] = []
        for after in run[1:]:
            own += _rows_after([one for one in found if one[0].after is after], order, at_least)
        comparisons += [_comparison(pair, judged) for pair, judged in found]
        rows += own
        if len(run) >= TREND_SESSIONS:
            trends += _trends(paper, own, run)
    said += _assumed(comparisons)
    return Drift(tuple(rows), tuple(comparisons), tuple(trends), tuple(said), at_least)


def _prior(pair: Pair) -> tuple[float, float, float]:
    sessions = (pair.before, pair.after)
    films = (*pair.cells.before, *pair.cells.after)
    assumed = any(film.reading.u_L is None or film.reading.u_dose is None for film in films)
    known = all(session.origin.scatter for session in sessions)
    return prior_of((sessions[0].freedom, sessions[1].freedom), assumed, known)


def _rows_after(
    found: Sequence[tuple[Pair, Judged | None]], order: dict[str, int], at_least: float
) -> list[DriftRow]:
    """Return the rows of one later session; the false discovery rate is over all its markers."""
    tests: dict[tuple[int, str], float] = {}
    for number, (pair, judged) in enumerate(found):
        if judged is None:
            continue
        for key, p in zip(judged.cells.keys, judged.p, strict=True):
            if key in pair.keys:
                tests[number, key[0]] = float(p)
    rates = dict(zip(tests, false_discovery(list(tests.values())), strict=True))
    rows = []
    for number, (pair, judged) in enumerate(found):
        for i, key in enumerate(judged.cells.keys if judged is not None else ()):
            if judged is not None and key in pair.keys:
                rows.append(_row(pair, judged, i, float(rates[number, key[0]]), at_least))
        rows += [_lost(pair, row) for row in pair.lost]
    return sorted(rows, key=lambda row: (order[row.marker], row.layers))


def _row(pair: Pair, judged: Judged, i: int, q: float, at_least: float) -> DriftRow:
    before, after = judged.cells.before[i], judged.cells.after[i]
    dL, dC, dH = (float(v) for v in lch_differences(before.lab, judged.lab_after[i]))
    return replace(
        _bare_row(pair, after.reading, before.reading),
        dE00=float(judged.seen[i]),
        dE00_low=float(judged.low[i]),
        dE00_high=float(judged.high[i]),
        dL=dL,
        dC=dC,
        dH=dH,
        strength=_known(judged.strength[i]),
        strength_low=_known(judged.strength_low[i]),
        strength_high=_known(judged.strength_high[i]),
        q=_known(q),
        verdict=verdict_of(judged, i, q, at_least),
        u_strength=(float(judged.u_before[i]), float(judged.u_after[i])),
    )


def _bare_row(pair: Pair, after: Reading, before: Reading | None) -> DriftRow:
    name = after.name or (before.name if before is not None else "")
    return DriftRow(
        after.marker,
        name,
        after.layers,
        pair.before.paper,
        pair.before.date,
        pair.after.date,
        coverage_before=None if before is None else before.coverage,
        coverage_after=after.coverage,
        flags=after.flags,
    )


def _lost(pair: Pair, row: Reading) -> DriftRow:
    return _bare_row(pair, row, pair.before.by_key.get((row.marker, row.layers)))


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _comparison(pair: Pair, judged: Judged | None) -> Comparison:
    moved = None if pair.paper_moved is None else _three(pair.paper_moved)
    if judged is None:
        days = pair.before.date, pair.after.date
        return Comparison(
            pair.before.paper, *days, 0, None, 0.0, 0.0, moved, ASSUMED_DOSE, 1.0, 1.0, 0, pair.left
        )
    fitted = judged.shift.fitted
    hand = float(np.median(judged.cells.u_hand)) / np.sqrt(2)
    return Comparison(
        pair.before.paper,
        pair.before.date,
        pair.after.date,
        len({marker for marker, _ in judged.cells.keys}),
        _three(judged.moved) if fitted else None,
        judged.u_moved,
        float(np.expm1(judged.shift.strength)),
        moved,
        judged.hand.factor * hand,
        judged.hand.factor,
        judged.reading.factor,
        pair.assumed,
        pair.left,
    )


def _three(values: Array) -> tuple[float, float, float]:
    a, b, c = (float(v) for v in values)
    return a, b, c


def _assumed(comparisons: Sequence[Comparison]) -> list[str]:
    found = []
    for one in comparisons:
        if one.assumed:
            found.append(
                f"{one.paper}, {one.before} and {one.after}: {one.assumed} rows state no doubt; a hand's scatter of "
                f"{ASSUMED_DOSE:.1%} was assumed"
                + (f", and the pens themselves made it {one.hand:.1%}" if one.moved is not None else "")
            )
    return found


def _trends(paper: str, rows: Sequence[DriftRow], run: Sequence[Session]) -> list[Run]:
    """Return the run of strengths of every marker with three sessions or more; none where the dates do not run forwards."""
    dates = [session.date for session in run]
    if dates != sorted(set(dates)):
        return []
    by_marker: dict[str, dict[str, DriftRow]] = {}
    for row in rows:
        if row.strength is not None and row.strength > 0:
            # Both layers have the strength of the pen; the first row of a session stands for it.
            by_marker.setdefault(row.marker, {}).setdefault(row.after, row)
    # The least of the sessions' freedoms: a doubt that one of them knows badly is known badly.
    freedom = min((session.freedom for session in run if session.freedom), default=0)
    found = []
    for marker, later in by_marker.items():
        first = next(iter(later.values()))
        same = [row for row in later.values() if row.before == first.before]
        if len(same) + 1 < TREND_SESSIONS:
            continue
        points = [Point(_day(first.before), 1.0, first.u_strength[0])]
        points += [
            Point(_day(r.after), float(r.strength or 0), float(r.strength or 0) * r.u_strength[1])
            for r in same
        ]
        found.append(Run(marker, first.name, paper, trend_of(points, freedom)))
    return found


def _day(text: str) -> float:
    return float(date.fromisoformat(text).toordinal())
