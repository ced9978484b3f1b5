"""T2, the false discovery rate and robust spread against published values and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import f, false_discovery_control, t

from calib.colour.significance import (
    Group,
    combined,
    false_discovery,
    robust_scale,
    spread_of,
    student_p,
    t2_limit,
    t2_p,
)

# Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300, section 4: fifteen p-values of a study of
# thrombolysis; at 0.05 the procedure rejects the first four.
THROMBOLYSIS = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000]  # fmt: skip


def test_t2_needs_1941_with_four_readings_of_three_variables() -> None:
    """F(0.95; 3, 1) is 215.71 in every printed table of F; 3 * 3 / (4 - 3) of it is 1941."""
    assert t2_limit(3, 3) == pytest.approx(9 * 215.707, rel=1e-4)
    # With 100 pooled degrees of freedom F(0.95; 3, 98) = 2.70 of the tables, times 300 / 98.
    assert t2_limit(3, 100) == pytest.approx(8.26, abs=0.01)
    # A known covariance has chi squared's 7.815 (printed tables, 3 degrees of freedom, 5 per cent).
    assert t2_limit(3, 0) == pytest.approx(7.815, abs=1e-3)


@pytest.mark.parametrize(("size", "freedom"), [(1, 5), (2, 12), (3, 3), (4, 24), (6, 200)])
def test_t2_p_is_the_limits_other_side_and_hotellings_f(size: int, freedom: int) -> None:
    limit = t2_limit(size, freedom)
    assert t2_p(limit, size, freedom) == pytest.approx(0.05, rel=1e-9)
    below = freedom - size + 1
    assert t2_p(9.0, size, freedom) == pytest.approx(f.sf(9.0 * below / (freedom * size), size, below))


def test_t2_of_one_variable_is_students_t_squared() -> None:
    assert t2_p(2.5**2, 1, 9) == pytest.approx(2 * t.sf(2.5, 9))
    assert student_p([2.5, -2.5], 9) == pytest.approx([2 * t.sf(2.5, 9)] * 2)
    assert student_p(1.959964, 0) == pytest.approx(0.05, abs=1e-6)


def test_t2_of_simulated_normal_differences_is_called_as_often_as_stated() -> None:
    rng = np.random.default_rng(5)
    t2 = []
    for _ in range(4000):
        sample = rng.standard_normal((11, 3))
        s = np.cov(sample, rowvar=False)
        d = rng.standard_normal(3)
        t2.append(d @ np.linalg.solve(s, d))
    assert np.mean(t2_p(t2, 3, 10) < 0.05) == pytest.approx(0.05, abs=0.011)


def test_the_published_example_rejects_four() -> None:
    q = false_discovery(THROMBOLYSIS)
    assert int((q <= 0.05).sum()) == 4
    # The fourth stands at 0.0095 * 15 / 4.
    assert q[3] == pytest.approx(0.0095 * 15 / 4)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=40), st.integers(0, 5))
def test_false_discovery_is_scipys_and_ignores_what_was_not_tested(p: list[float], untested: int) -> None:
    q = false_discovery([*p, *[np.nan] * untested])
    assert np.isnan(q[len(p) :]).all()
    assert q[: len(p)] == pytest.approx(false_discovery_control(p, method="bh"))


def test_false_discovery_of_nothing_is_nothing() -> None:
    assert false_discovery([]).shape == (0,)


def test_combined_keeps_its_size_however_tests_depend() -> None:
    rng = np.random.default_rng(2)
    one = rng.random(20000)
    for other in (one, 1 - one, rng.random(20000)):
        assert np.mean(combined([one, other], (0.8, 0.2)) < 0.05) <= 0.0535


def test_combined_passes_a_test_that_could_not_be_made() -> None:
    p = combined([[0.01, np.nan, np.nan], [0.5, 0.02, np.nan]], (0.8, 0.2))
    assert p[0] == pytest.approx(0.01 / 0.8) and p[1] == pytest.approx(0.02) and np.isnan(p[2])


def test_robust_scale_is_the_median_deviation_of_the_normal() -> None:
    """1.4826 is one over the normal distribution's upper quartile, as in every text on robust statistics."""
    x = np.random.default_rng(3).normal(5, 2, 20001)
    assert robust_scale(x) == pytest.approx(2, rel=0.03)
    x[:3000] += 100
    assert robust_scale(x) < 2.6
    assert robust_scale([]) == 0


@pytest.mark.parametrize("true", [0.5, 1.0, 2.5])
def test_the_spread_is_found_though_a_sixth_have_changed(true: float) -> None:
    rng = np.random.default_rng(4)
    found = []
    for _ in range(20):
        z = true * rng.standard_normal(150)
        z[:22] -= true * rng.uniform(2, 16, 22)
        found.append(spread_of([Group(z**2, np.zeros(150), np.ones(150))], 1.0).factor)
    assert np.mean(found) == pytest.approx(true, rel=0.08)
    # What ignores the changed ones is pulled far off.
    assert np.sqrt(np.mean(z**2)) > 2 * true


def test_few_differences_leave_the_statement_alone_and_many_outvote_it() -> None:
    rng = np.random.default_rng(6)

    def factor(count: int) -> float:
        return spread_of(
            [Group((3 * rng.standard_normal(count)) ** 2, np.zeros(count), np.ones(count))], 0.15
        ).factor

    assert np.mean([factor(2) for _ in range(20)]) < 1.6
    assert factor(300) == pytest.approx(3, rel=0.15)


def test_nothing_seen_is_the_statement_itself() -> None:
    spread = spread_of([], 0.2)
    assert spread.factor == pytest.approx(1, abs=0.01)
    assert spread.freedom == pytest.approx(1 / (2 * 0.2**2), rel=0.05)
