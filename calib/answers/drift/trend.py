"""How one marker's strength runs over many sessions: a control chart, and when it will be too weak.

The hand lays 2 or 3 per cent more or less ink on each swatch, so one session says little. Over many the chart tells
whether the pen leaves its level, and a regression when it will give less than 70 per cent of its first ink.

A strength is a ratio to the first session, so what that swatch was off by is in all of them. Here the level is
never taken from the first session alone: each session is held against the weighted mean of all before it, and the
regression has a level of its own. Then the errors of the sessions are independent, as both need.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.runs import departures, ewma_chart, normal_scores, straight_fall, weighted_line
from calib.colour.uncertainty import coverage_factor

Array = NDArray[np.float64]

# A chart and a forecast of fewer sessions would be reading tea leaves.
LEAST_SESSIONS = 8
# A pen that gives less than this share of its first ink is as good as empty.
WEAK = 0.70
# Strength is read no better than this in a session, however still the hand (0.25 % was measured before the start).
LEAST_U = 0.0025
# A pen that gives hardly any ink gives none; its logarithm would rule the fit.
LEAST_STRENGTH = 0.01
# How far ahead anybody would plan: ten years (invented).
LONGEST_DAYS = 3652.5
# A forecast whose late end is so many times as far from the first session as its early end says nothing (invented).
WIDEST = 4.0
# Sessions from the day on which a decline may have begun, that day's included; two points always lie on a line.
LEAST_AFTER = 3


@dataclass(frozen=True)
class Point:
    """One session of a marker.

    day: of the session, as date.toordinal counts. strength: ink in amounts of the first session, 1 there by definition.
    u: standard uncertainty of the strength that comes from this session alone, in the unit of strength. What the
    first session is off by is in the first point's u and must be in no other.
    """

    day: float
    strength: float
    u: float


@dataclass(frozen=True)
class Fall:
    """The day on which the strength falls under WEAK, and the ends of its 95 % interval, as date.toordinal counts."""

    day: float
    low: float
    high: float


@dataclass(frozen=True)
class Trend:
    """What the run of one marker's sessions says.

    points: by day. low, high: 95 % interval of each strength against the first session, which is 1 there. ewma, limit:
    one for each point, in standard deviations of a session; none with fewer than LEAST_SESSIONS. signals: the points
    at which ewma is beyond plus or minus limit. fall: when the strength falls under WEAK, None where it is too early to
    say; then why, and the day before which it does not (97.5 %), None where nothing is known of it.
    """

    points: tuple[Point, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    ewma: tuple[float, ...] = ()
    limit: tuple[float, ...] = ()
    signals: tuple[int, ...] = ()
    fall: Fall | None = None
    why: str = ""
    earliest: float | None = None

    @property
    def signal(self) -> bool:
        """Whether the chart left its limits in any session."""
        return bool(self.signals)

    @property
    def first_signal(self) -> Point | None:
        """The session in which the chart first left its limits."""
        return self.points[self.signals[0]] if self.signals else None

    @property
    def forecast(self) -> str:
        """When the strength falls under WEAK, in words: a date with its interval, or that it is too early to say."""
        last = self.points[-1].day
        if self.fall is None:
            ahead = self.earliest is not None and self.earliest > last
            return f"too early to say: {self.why}" + (f"; not before {_date(self.earliest)}" if ahead else "")
        day, low, high = (_date(d) for d in (self.fall.day, self.fall.low, self.fall.high))
        verb = "fell" if self.fall.day <= last else "falls"
        return f"{verb} under {100 * WEAK:.0f} % about {day} ({low} to {high})"


def _date(day: float | None) -> str:
    return date.fromordinal(max(1, round(day))).isoformat() if day is not None else ""


def trend_of(points: Sequence[Point], freedom: int = 0) -> Trend:
    """Return what a run of sessions says, whatever order they are given in.

    freedom: degrees of freedom behind a session's uncertainty, 0 where it is taken as known; the intervals of the
    strengths and the chart allow for it. Raises ValueError, a mistake in the program, without points and for values
    that are no numbers.
    """
    if not points:
        raise ValueError("a trend of no sessions")
    run = tuple(sorted(points, key=lambda p: (p.day, p.strength, p.u)))
    day, strength, u = np.array([(p.day, p.strength, p.u) for p in run], dtype=float).T
    if not np.isfinite([day, strength, u]).all() or (u < 0).any():
        raise ValueError("a session's day, strength or uncertainty is no number")
    held = np.maximum(strength, LEAST_STRENGTH)
    y, u = np.log(held), np.maximum(u / held, LEAST_U)
    wide = coverage_factor(freedom) * np.hypot(u, u[0])
    wide[0] = 0.0
    ends = _plain(held * np.exp(-wide)), _plain(held * np.exp(wide))
    if len(run) < LEAST_SESSIONS:
        few = f"{len(run)} session" + ("s" if len(run) > 1 else "")
        return Trend(run, *ends, why=f"{few}, and a forecast takes {LEAST_SESSIONS}")
    ewma, limit = ewma_chart(normal_scores(departures(y, u), freedom))
    beyond = tuple(int(i) for i in np.flatnonzero(np.abs(ewma) > limit))
    fall, why, earliest = _fall(day, y, u)
    return Trend(run, *ends, _plain(ewma), _plain(limit), beyond, fall, why, earliest)


def _plain(values: Array) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _fall(day: Array, y: Array, u: Array) -> tuple[Fall | None, str, float | None]:
    """Return the day on which the strength falls under WEAK, or why it is too early to say, and the earliest day.

    y: (n,) log strength, u: (n,) its standard uncertainty. Where a felt gives in proportion to what it still holds,
    the strength falls by a fixed share of the rest in a time and its logarithm runs along a straight line; where
    every week takes as much, the strength itself does. Nobody knows which, nor in which session the decline began.
    So both compete, from every session on, and each speaks by its likelihood (JCGM 101:2008, level and slope of
    any size equally likely beforehand). Beforehand either way has half of the say, and in each the decline from the
    first session on has half.
    """
    n = len(day)
    starts = np.unique(day[: n - LEAST_AFTER + 1])
    starts = starts[starts < day[-1]]
    if not len(starts):
        return None, "all sessions are of nearly one day", None
    spans = [np.maximum(day - start, 0.0) for start in starts]
    lines = [fit(x, y, u) for fit in (weighted_line, straight_fall) for x in spans]
    slope, u_slope, chi2 = np.array([(line.slope, line.u_slope, line.chi2) for line in lines]).T
    # Sessions that scatter by more than they state tell their scatter themselves.
    ratio = max(1.0, float(chi2.min()) / (n - 2))
    before = np.array([1.0, *[1 / max(1, len(starts) - 1)] * (len(starts) - 1)])
    say = np.exp(-(chi2 - chi2.min()) / 2 / ratio) * np.tile(before, 2)
    weak = np.repeat([np.log(WEAK), WEAK - 1], len(starts))
    ways = _Ways(np.tile(starts, 2), weak, slope, u_slope * ratio**0.5, say / say.sum())
    last = float(day[-1]) + LONGEST_DAYS
    freedom = None if ratio == 1.0 else n - 2
    low, middle, high = (ways.day_of(p, last, freedom) for p in (0.025, 0.5, 0.975))
    if low >= last:
        return None, "nothing says that it goes down", last
    if high >= last:
        return None, "it does not clearly keep going down", low
    if high - day[0] > WIDEST * (low - day[0]) and high > day[-1]:
        return None, f"it may be as late as {_date(high)}", low
    return Fall(middle, low, high), "", low


@dataclass(frozen=True, eq=False)
class _Ways:
    """Ways (m,) in which a strength may fall.

    start: the day on which it begins. weak: slope times days at which the strength is WEAK. slope, u_slope: as fitted,
    per day. say: what each has, 1 in all.
    """

    start: Array
    weak: Array
    slope: Array
    u_slope: Array
    say: Array

    def share(self, day: float, freedom: int | None) -> float:
        """Return how likely the strength is under WEAK on a day: the slope is steeper than what just leads there."""
        from scipy.special import ndtr, stdtr

        x = (self.weak / np.maximum(day - self.start, 1e-6) - self.slope) / self.u_slope
        return float((ndtr(x) if freedom is None else stdtr(freedom, x)) @ self.say)

    def day_of(self, share: float, last: float, freedom: int | None) -> float:
        """Return the day from which on the strength is under WEAK as likely as this, else the last (bisection)."""
        low, high = float(self.start.min()), last
        for _ in range(40):
            middle = (low + high) / 2
            if self.share(middle, freedom) < share:
                low = middle
            else:
                high = middle
        return high
