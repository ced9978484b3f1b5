"""The run of strengths over many sessions, its control chart and its forecast.

Outside sources, each named where it is used: run lengths by Lucas and Saccucci (Technometrics 32, 1990, table 3),
Crowder (1989), Steiner (1999), Rhoads, Montgomery and Mastrangelo (1996) and a statistics package's manual, as the
documentation of the R package spc quotes them; the EWMA example of the NIST/SEMATECH e-Handbook, 6.3.2.4; NIST's
certified regression (StRD, Norris); scipy's and numpy's fits. The run lengths are computed here by a Markov chain
(Brook and Evans, Biometrika 59, 1972).
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from scipy.stats import norm, t

from calib.answers.drift.runs import (
    LIMIT,
    WEIGHT,
    departures,
    ewma_chart,
    normal_scores,
    straight_fall,
    weighted_line,
)
from calib.answers.drift.trend import LEAST_SESSIONS, WEAK, Point, Trend, trend_of

FIRST = date(2026, 1, 1).toordinal()


def run_length(weight: float, limits: NDArray, shift: float, states: int = 201) -> float:
    """Return the average run length of an EWMA from 0 by a Markov chain over its states between the limits.

    limits: half widths in turn, the last one for ever after. States are shares of the limit in force.
    """
    edges = np.linspace(-1, 1, states + 1)
    middles = (edges[:-1] + edges[1:]) / 2

    def passing(now: float, before: float) -> NDArray:
        reach = (now * edges[None, :] - (1 - weight) * before * middles[:, None]) / weight
        return np.diff(norm.cdf(reach - shift), axis=1)

    last = limits[-1]
    after = np.linalg.solve(np.eye(states) - passing(last, last), np.ones(states))
    for k in range(len(limits) - 1, 0, -1):
        after = 1 + passing(limits[k], limits[k - 1]) @ after
    first = np.diff(norm.cdf(limits[0] * edges / weight - shift))
    return float(1 + first @ after)


def fixed(weight: float, limit: float) -> NDArray:
    return np.array([limit * np.sqrt(weight / (2 - weight))])


def exact(weight: float, limit: float) -> NDArray:
    """Return the chart's own limits, of as many values as they take to settle."""
    return ewma_chart(np.zeros(120), weight, limit)[1][1:]


SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5)
# Lucas and Saccucci (1990), table 3, two-sided, from the first value on.
LUCAS = {
    (0.5, 3.071): (500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.58, 1.34, 1.07),
    (0.03, 2.437): (500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.49, 3.11, 2.55),
}


@pytest.mark.parametrize(("weight", "limit"), LUCAS)
def test_the_chain_gives_the_published_run_lengths(weight: float, limit: float) -> None:
    for shift, published in zip(SHIFTS, LUCAS[weight, limit], strict=True):
        # Their table was made with coarser chains; at no shift 0.03 is the hardest.
        assert run_length(weight, fixed(weight, limit), shift) == pytest.approx(published, rel=0.015)


def test_the_chain_gives_a_manuals_run_length_to_many_digits() -> None:
    """A statistics package's manual, for weight 0.25 and limit 3: 11.154267016 for a shift of 1, and three more."""
    for shift, published in ((0.5, 48.453), (1, 11.154267), (1.5, 5.4697), (2, 3.61677)):
        assert run_length(0.25, fixed(0.25, 3.0), shift, 401) == pytest.approx(published, rel=3e-4)


def test_limits_for_another_run_length() -> None:
    """Crowder (1989): for a run length of 250 the limits are 2.32, 2.55, 2.65, 2.72 and 2.76."""
    for weight, limit in ((0.05, 2.32), (0.1, 2.55), (0.15, 2.65), (0.2, 2.72), (0.25, 2.76)):
        below, above = (run_length(weight, fixed(weight, limit + d), 0) for d in (-0.008, 0.008))
        assert below < 250 < above


def test_the_charts_constants_give_one_false_alarm_in_500() -> None:
    # Lucas and Saccucci (1990) give 2.998 for 0.25; limits of the exact width alarm a little oftener.
    assert run_length(WEIGHT, fixed(WEIGHT, LIMIT), 0) == pytest.approx(500, rel=0.005)
    assert 0.97 * 500 < run_length(WEIGHT, exact(WEIGHT, LIMIT), 0) < 500
    # For a shift of one deviation their table has 11.1 (from memory).
    assert run_length(WEIGHT, fixed(WEIGHT, LIMIT), 1) == pytest.approx(11.1, abs=0.05)


# Limits of the exact width. Steiner (1999), table 2: weight 0.05, limit 3.
STEINER = {0: 1353.0, 0.25: 127.0, 0.5: 32.5, 0.75: 15.6, 1: 9.0, 1.5: 4.5, 2: 2.8, 3: 1.6, 4: 1.1}
# Rhoads, Montgomery and Mastrangelo (1996), table 1: weight 0.03, limit 2.437. What they give for no shift is wrong.
RHOADS = {0.5: 20.0, 1: 6.5, 1.5: 3.3, 2: 2.2, 3: 1.3, 4: 1.1}


@pytest.mark.parametrize(
    ("weight", "limit", "table"), [(0.05, 3.0, STEINER), (0.03, 2.437, RHOADS)], ids=["Steiner", "Rhoads"]
)
def test_exact_limits_give_the_published_run_lengths(
    weight: float, limit: float, table: dict[float, float]
) -> None:
    """The tables were computed coarsely: measured, they differ from this chain by up to 2.8 %, or 0.13.

    Steiner's 1.1 for a shift of 4 cannot be: the first value alone is inside with 1 - Phi(1), so it is at least 1.159.
    """
    for shift, published in table.items():
        found = run_length(weight, exact(weight, limit), shift, 101)
        assert found == pytest.approx(published, rel=0.03, abs=0.14)
    assert run_length(0.05, exact(0.05, 3.0), 4, 101) == pytest.approx(1.16, abs=0.005)
    # Limits that stand at their last width from the start run clearly longer, so the check tells them apart.
    assert run_length(weight, fixed(weight, limit), 2) > 2 * table[2]


@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0])
def test_the_chart_itself_runs_as_long(shift: float) -> None:
    rng = np.random.default_rng(4)
    lengths = []
    for _ in range(1000):
        z, limit = ewma_chart(np.concatenate([[0.0], rng.normal(size=300) + shift]), 0.05, 3.0)
        lengths.append(int(np.argmax(np.abs(z) > limit)))
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert np.mean(lengths) == pytest.approx(run_length(0.05, exact(0.05, 3.0), shift, 101), abs=3 * error)


def test_the_handbooks_example() -> None:
    """NIST/SEMATECH e-Handbook, 6.3.2.4: 20 values, weight 0.3, target 50, deviation 2.0539."""
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
              49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
    printed = [50.00, 50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
               50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    z, limit = ewma_chart([50.0, *values], 0.3, 3.0)
    assert np.round(z, 2) == pytest.approx(printed, abs=1e-9)
    # Printed with a factor that was rounded to 0.4201.
    assert 50 + 2.0539 * limit[-1] == pytest.approx(52.5884, abs=1e-3)
    assert 50 - 2.0539 * limit[-1] == pytest.approx(47.4115, abs=1e-3)
    assert limit[1] == pytest.approx(0.3 * 3)


def test_departures_are_independent_and_standard_normal() -> None:
    rng = np.random.default_rng(5)
    u = np.array([0.03, 0.02, 0.05, 0.01, 0.03, 0.02])
    x = np.array([departures(7.0 + u * rng.normal(size=6), u) for _ in range(20000)])
    assert np.all(x[:, 0] == 0)
    # 20,000 draws know a variance to 1 per cent.
    assert np.cov(x[:, 1:].T) == pytest.approx(np.eye(5), abs=0.04)
    # By hand: 1 after 0 and 0, each with doubt 1, is 1 over the root of 1.5.
    assert departures([0, 0, 1], [1, 1, 1]) == pytest.approx([0, 0, 1.5**-0.5])


def test_normal_scores_are_exceeded_as_rarely() -> None:
    x = np.array([-40.0, -2.179, 0.0, 1.0, 2.179, 40.0])
    z = normal_scores(x, 12)
    # Student's table: 2.179 with 12 degrees of freedom is exceeded as 1.960 is.
    assert z[[1, 4]] == pytest.approx([-1.96, 1.96], abs=1e-3)
    assert norm.sf(z) == pytest.approx(t.sf(x, 12), rel=1e-9)
    assert normal_scores(x, 0) == pytest.approx(x)


NORRIS_X = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
            0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
            0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5]  # fmt: skip
NORRIS_Y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
            0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
            0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2]  # fmt: skip


def test_the_line_has_the_certified_values() -> None:
    """NIST StRD, data set Norris; each doubt is the certified residual deviation, so chi squared is its 34 freedoms."""
    line = weighted_line(NORRIS_X, NORRIS_Y, np.full(36, 0.884796396144373))
    assert line.level == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.chi2 == pytest.approx(34, rel=1e-9)


def test_unequal_weights_are_numpys() -> None:
    rng = np.random.default_rng(6)
    x, u = np.sort(rng.uniform(0, 600, 12)), rng.uniform(0.01, 0.06, 12)
    y = 0.1 - 0.001 * x + u * rng.normal(size=12)
    (slope, level), covariance = np.polyfit(x, y, 1, w=1 / u, cov="unscaled")
    line = weighted_line(x, y, u)
    assert (line.level, line.slope, line.u_slope) == pytest.approx((level, slope, covariance[0, 0] ** 0.5))


@pytest.mark.parametrize("loss", [-0.0005, 0.0, 0.0004, 0.001])
def test_a_straight_fall_is_scipys_fit(loss: float) -> None:
    rng = np.random.default_rng(7)
    x, u = np.arange(0, 360, 30.0), rng.uniform(0.015, 0.04, 12)
    y = 0.02 + np.log(1 - loss * x) + u * rng.normal(size=12)
    found, covariance = curve_fit(lambda v, a, k: a + np.log(1 + k * v), x, y, [0, -loss], u, True)
    line = straight_fall(x, y, u)
    assert (line.level, line.slope) == pytest.approx(tuple(found), rel=1e-3, abs=1e-6)
    assert line.u_slope == pytest.approx(covariance[1, 1] ** 0.5, rel=1e-3)


def test_lines_need_days_apart() -> None:
    with pytest.raises(ValueError, match="equal"):
        weighted_line([3, 3, 3], [1, 2, 3], [1, 1, 1])


def marker(loss: float, sessions: int, seed: int, scatter: float = 0.025, start: int = 0) -> list[Point]:
    """Return the sessions, a month apart, of an invented marker that loses a share of its ink each month."""
    rng = np.random.default_rng(seed)
    laid = (1 - loss) ** np.maximum(np.arange(sessions) - start, 0) * np.exp(
        scatter * rng.normal(size=sessions)
    )
    strength = laid / laid[0]
    return [Point(FIRST + 30 * i, float(s), 0.025 * float(s)) for i, s in enumerate(strength)]


def falls_on(loss: float, start: int = 0) -> float:
    return FIRST + 30 * (start + np.log(WEAK) / np.log(1 - loss))


def test_strengths_have_the_first_sessions_doubt_in_them() -> None:
    found = trend_of([Point(FIRST, 1.0, 0.03), Point(FIRST + 30, 0.9, 0.036), Point(FIRST + 60, 0.8, 0.0)])
    assert (found.low[0], found.high[0]) == (1.0, 1.0)
    # By hand: 0.03 and 0.036 / 0.9 = 0.04 make 0.05 together; 1.96 of it on either side, as a ratio.
    assert found.high[1] / 0.9 == pytest.approx(np.exp(1.96 * 0.05), rel=1e-4)
    assert 0.9 / found.low[1] == pytest.approx(np.exp(1.96 * 0.05), rel=1e-4)
    assert found.high[2] / 0.8 == pytest.approx(np.exp(1.96 * 0.03), rel=0.01)
    wider = trend_of(found.points, freedom=12)
    # Student's 2.179 for 1.960.
    assert np.log(wider.high[1] / 0.9) == pytest.approx(2.179 * 0.05, rel=1e-3)
    assert "3 sessions" in found.forecast
    assert "too early to say" in found.forecast


def test_eight_sessions_make_a_chart() -> None:
    seven, eight = trend_of(marker(0.0, 7, 1)), trend_of(marker(0.0, 8, 1))
    assert LEAST_SESSIONS == 8
    assert seven.ewma == seven.limit == ()
    assert not seven.signal
    assert len(eight.ewma) == len(eight.limit) == len(eight.low) == len(eight.points) == 8
    assert eight.first_signal is None
    assert eight.fall is None


def test_a_first_session_that_was_off_raises_no_alarm() -> None:
    """A steady marker whose first swatch got 8 % more ink: held against that alone, all others are 3 deviations low."""
    steady = [Point(FIRST, 1.0, 0.025)] + [
        Point(FIRST + 30 * i, 0.926 * (1 + 0.01 * (-1) ** i), 0.023) for i in range(1, 12)
    ]
    held, _ = ewma_chart([(p.strength - 1) / p.u for p in steady])
    assert held.min() < -LIMIT * np.sqrt(WEIGHT / (2 - WEIGHT))
    assert not trend_of(steady).signal


def test_a_falling_pen_signals_downwards_and_has_its_day() -> None:
    found = trend_of(marker(0.03, 12, 2))
    assert found.first_signal is not None
    assert found.ewma[found.signals[0]] < -found.limit[found.signals[0]]
    assert found.fall is not None
    assert found.fall.low < falls_on(0.03) < found.fall.high
    assert found.forecast.startswith("fell under 70 % about 2026-") or found.forecast.startswith(
        "falls under 70 % about 20"
    )
    assert date.fromordinal(round(found.fall.low)).isoformat() in found.forecast


def test_a_stronger_pen_signals_upwards() -> None:
    found = trend_of(marker(-0.03, 12, 2))
    assert found.signal
    assert found.ewma[found.signals[0]] > 0
    assert found.fall is None
    assert "nothing says that it goes down" in found.forecast


def test_a_pen_that_is_empty_already() -> None:
    found = trend_of(marker(0.10, 12, 3))
    assert found.fall is not None
    assert found.fall.low < falls_on(0.10) < found.fall.high < FIRST + 11 * 30
    assert found.forecast.startswith("fell under 70 %")


def test_steady_pens_seldom_alarm_and_get_no_day() -> None:
    """By the chain's run length of about 490 some 2 in 100 alarm within 12 sessions."""
    found = [trend_of(marker(0.0, 12, seed)) for seed in range(300)]
    assert sum(each.signal for each in found) <= 15  # 7 expected, standard deviation 2.6
    assert sum(each.fall is not None for each in found) <= 2
    assert all("too early" in each.forecast for each in found if each.fall is None)


@pytest.mark.parametrize(("loss", "start"), [(0.03, 0), (0.05, 5)])
def test_the_interval_holds_the_day(loss: float, start: int) -> None:
    found = [trend_of(marker(loss, 12, 1000 + seed, start=start)).fall for seed in range(200)]
    given = [fall for fall in found if fall is not None]
    assert len(given) > 190
    held = np.mean([fall.low <= falls_on(loss, start) <= fall.high for fall in given])
    # 95 % of 200, give or take two and a half standard deviations.
    assert 0.911 < held < 0.989
    # An interval of a third of the width must not pass the same check.
    third = [abs(fall.day - falls_on(loss, start)) <= (fall.high - fall.low) / 6 for fall in given]
    assert np.mean(third) < 0.8


def test_sessions_that_scatter_more_than_they_state_widen_the_interval() -> None:
    """A true scatter of 5 % where 2.5 % are stated: the interval must not be half as wide as it should be."""
    found = [trend_of(marker(0.04, 12, 500 + seed, 0.05)).fall for seed in range(100)]
    given = [fall for fall in found if fall is not None]
    assert len(given) > 80
    assert np.mean([fall.low <= falls_on(0.04) <= fall.high for fall in given]) > 0.88


@pytest.mark.parametrize("shape", ["straight", "exponential"])
@pytest.mark.parametrize("start", [0, 4])
def test_without_scatter_the_day_is_the_one_by_hand(shape: str, start: int) -> None:
    """5 % of the first ink a month, or of what is left: 0.7 after 6 months, or ln 0.7 / ln 0.95 of them."""
    months = np.maximum(np.arange(14) - start, 0)
    strength = 1 - 0.05 * months if shape == "straight" else 0.95**months
    fall = trend_of([Point(FIRST + 30 * i, s, 0.0025 * s) for i, s in enumerate(strength)]).fall
    by_hand = FIRST + 30 * (start + (6 if shape == "straight" else np.log(0.7) / np.log(0.95)))
    assert fall is not None
    assert fall.day == pytest.approx(by_hand, abs=2)
    assert fall.low < by_hand < fall.high < fall.low + 20


@given(st.permutations(range(10)), st.sampled_from([0.0, 0.03]))
@settings(max_examples=20, deadline=None)
def test_the_order_of_the_sessions_does_not_matter(order: list[int], loss: float) -> None:
    points = marker(loss, 10, 9)
    assert trend_of([points[i] for i in order]) == trend_of(points)


def test_the_unit_of_the_first_session_does_not_matter_to_chart_and_day() -> None:
    """Strengths against another session than the first are the same run in another unit."""
    points = marker(0.03, 10, 9)
    other = trend_of([Point(p.day, 1.3 * p.strength, 1.3 * p.u) for p in points])
    plain = trend_of(points)
    assert other.ewma == pytest.approx(plain.ewma)
    assert other.fall is not None
    assert plain.fall is not None
    assert (other.fall.low, other.fall.high) == pytest.approx((plain.fall.low, plain.fall.high))


def test_a_session_later_moves_everything_as_much() -> None:
    points = marker(0.04, 10, 10)
    one, other = trend_of(points), trend_of([Point(p.day + 100, p.strength, p.u) for p in points])
    assert one.fall is not None
    assert other.fall is not None
    assert other.fall.day - one.fall.day == pytest.approx(100, abs=0.01)


one_point = st.tuples(st.integers(0, 4000), st.floats(0, 5), st.floats(0, 1)).map(
    lambda p: Point(FIRST + p[0], p[1], p[2])
)


@given(st.lists(one_point, min_size=1, max_size=14))
@settings(max_examples=150, deadline=None)
@pytest.mark.filterwarnings("error")
def test_whatever_the_sessions_say_the_answer_is_whole(points: list[Point]) -> None:
    found: Trend = trend_of(points)
    assert all(low <= high for low, high in zip(found.low, found.high, strict=True))
    assert np.isfinite([*found.low, *found.high, *found.ewma, *found.limit]).all()
    assert found.forecast
    if found.fall is not None:
        assert found.fall.low <= found.fall.day <= found.fall.high


def test_nonsense_is_refused() -> None:
    for points in (
        [],
        [Point(FIRST, float("nan"), 0.02)],
        [Point(FIRST, 1.0, -0.02)],
        [Point(float("inf"), 1.0, 0.02)],
    ):
        with pytest.raises(ValueError, match=r"no (sessions|number)"):
            trend_of(points)
    same_day = trend_of([Point(FIRST, 1.0, 0.02)] * 9)
    assert same_day.fall is None
    assert "one day" in same_day.forecast
