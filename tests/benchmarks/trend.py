"""How well the run over many sessions does: false alarms, delay, and whether the forecast's interval holds the day.

Sessions of invented markers a month (30 days) apart, give or take five days. The amount of ink falls by a share of what
is left each month (exponential), by a share of the first (linear), or stays for some sessions and then falls. The
hand's scatter is 2.5 % and each session states it as found from 12 repeats, unless said otherwise. Run:
python tests/benchmarks/trend.py [seed], with RUNS=300 in the environment for a quick look.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass

import numpy as np

from calib.answers.drift.trend import WEAK, Point, Trend, trend_of

RUNS = int(os.environ.get("RUNS", "1000"))
MONTH = 30.0


@dataclass(frozen=True)
class Course:
    """How an invented marker goes: share lost a month, the shape of it, and the session from which on it is lost."""

    loss: float
    shape: str = "exponential"
    start: int = 0

    def amount(self, days: np.ndarray, begin: float) -> np.ndarray:
        months = np.maximum(days - begin, 0.0) / MONTH
        if self.shape == "linear":
            return np.maximum(1 - self.loss * months, 0.01)
        return (1 - self.loss) ** months

    def weak_after(self) -> float:
        """Return the days from its start until the strength is WEAK."""
        if self.loss == 0:
            return np.inf
        months = (1 - WEAK) / self.loss if self.shape == "linear" else np.log(WEAK) / np.log(1 - self.loss)
        return MONTH * months


def run(
    course: Course, sessions: int, rng: np.random.Generator, scatter: float = 0.025, stated: float = 0.025
) -> tuple[Trend, float, float]:
    """Return the trend of one invented marker, the day on which its decline began, and the day on which it was weak."""
    days = MONTH * np.arange(sessions) + rng.uniform(-5, 5, sessions)
    days = np.round(days - days[0] + 738000)
    begin = days[course.start]
    laid = course.amount(days, begin) * np.exp(scatter * rng.normal(size=sessions))
    known = stated * np.sqrt(rng.chisquare(12, sessions) / 12)
    strength = laid / laid[0]
    points = [Point(d, s, u) for d, s, u in zip(days, strength, strength * known, strict=True)]
    return trend_of(points, 12), begin, begin + course.weak_after()


def figures(course: Course, sessions: int, seed: int, scatter: float = 0.025, stated: float = 0.025) -> str:
    rng = np.random.default_rng(seed)
    found = [run(course, sessions, rng, scatter, stated) for _ in range(RUNS)]
    alarms = [trend.signals[0] for trend, _, _ in found if trend.signals]
    early = sum(course.loss > 0 and a <= course.start for a in alarms)
    delays = [a - course.start for a in alarms if course.loss == 0 or a > course.start]
    given = [(trend.fall, truth, begin) for trend, begin, truth in found if trend.fall is not None]
    held = sum(fall.low <= truth <= fall.high for fall, truth, _ in given)
    too_early = [trend.earliest <= truth for trend, _, truth in found if trend.fall is None]
    bound = f"{100 * np.mean(too_early):5.1f}" if too_early else "    -"
    late, soon = sum(truth < f.low for f, truth, _ in given), sum(truth > f.high for f, truth, _ in given)
    off = np.median([abs(f.day - truth) for f, truth, _ in given]) if given and course.loss else np.nan
    half = np.median([(f.high - f.low) / 2 for f, _, _ in given]) if given else np.nan
    share = f"{100 * held / len(given):5.1f}" if given else "    -"
    signals = f"{100 * len(alarms) / RUNS:6.1f} {100 * early / RUNS:5.1f} {np.mean(delays) if delays else np.nan:6.1f}"
    missed = f"{100 * late / RUNS:6.1f} {100 * soon / RUNS:6.1f}"
    return f"{signals} | {100 * len(given) / RUNS:6.1f} {share} {missed} {off:7.0f} {half:7.0f} {bound}"


def main() -> None:
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 0
    print(
        f"seed {seed}, {RUNS} runs a line. Signals: % of runs, % before the decline, mean sessions until one."
    )
    print(
        "Forecasts: % of runs that have one, % of these whose interval holds the day, % of runs with the interval too"
    )
    print(
        "late and too soon, median error and median half interval in days; % of those without whose earliest day holds."
    )
    print(f"{'course':38s} sessions  signal early  delay |  given  hold   late   soon   error    half bound")
    losses = (0.0, 0.01, 0.02, 0.03, 0.05, 0.10)
    courses = [(Course(loss), n) for n in (8, 12, 20) for loss in losses]
    courses += [(Course(loss, "linear"), n) for n in (8, 12, 20) for loss in (0.01, 0.02, 0.03, 0.05)]
    courses += [(Course(loss, "exponential", n // 2), n) for n in (12, 20) for loss in losses[2:]]
    for course, n in courses:
        name = f"{course.shape}, {course.loss:.0%} a month" + (
            f" from session {course.start}" if course.start else ""
        )
        print(f"{name:38s} {n:8d} {figures(course, n, seed)}")
    for scatter in (0.0, 0.015, 0.04):
        for loss in (0.0, 0.03):
            name = f"2.5 % stated, {scatter:.1%} true, {loss:.0%} a month"
            print(f"{name:38s} {12:8d} {figures(Course(loss), 12, seed, scatter)}")


if __name__ == "__main__":
    main()
