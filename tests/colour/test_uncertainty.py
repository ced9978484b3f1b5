"""Doubt by Monte Carlo and pooled scatter, against closed formulas and SciPy.

Outside sources: JCGM 101:2008 (where the model is linear, the doubt of a sum is the root of the sum of squares), the
Rayleigh distribution of a length of two normal components, SciPy's one-way analysis of variance.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from calib.colour.uncertainty import (
    DRAWS,
    Repeats,
    coverage_factor,
    joint_freedom,
    normal_draws,
    propagate,
    scatter_along,
)


def repeats(rng: np.random.Generator, s: float, r: float, known: float, sizes: list[int]) -> list[Repeats]:
    """Invented groups of readings that scatter by s along a direction of their own and by r all round."""
    found = []
    for size in sizes:
        along = rng.normal(0, 1, 3) * rng.choice([0.05, 1.0])
        values = s * rng.normal(size=(size, 1)) * along + np.hypot(r, known) * rng.normal(size=(size, 3))
        found.append(Repeats(values - values.mean(axis=0), along, known**2 * np.eye(3)))
    return found


def test_scatter_in_one_direction_is_the_within_groups_variance_of_an_anova() -> None:
    rng = np.random.default_rng(0)
    groups = [rng.normal(mean, 0.03, size) for mean, size in ((1.0, 4), (1.4, 3), (0.7, 6))]
    along = np.array([1.0, 0.0, 0.0])
    # A hair all round keeps the other two directions from being certain.
    hair = 1e-4 * rng.standard_normal((13, 3))
    parts = np.split(hair, [4, 7])
    read = [
        (g[:, None] - g.mean()) * along + (h - h.mean(axis=0)) * [0, 1, 1]
        for g, h in zip(groups, parts, strict=True)
    ]
    found = scatter_along([Repeats(off, along, np.zeros((3, 3))) for off in read])
    assert found is not None and found[0].freedom == 10
    # F = between / within, and between is plain arithmetic: what is left is SciPy's within.
    everything = np.concatenate(groups)
    between = sum(len(g) * (g.mean() - everything.mean()) ** 2 for g in groups) / 2
    assert found[0].sd ** 2 == pytest.approx(between / stats.f_oneway(*groups).statistic, rel=1e-3)
    assert found[1] == pytest.approx(1e-4, rel=0.3)


@pytest.mark.parametrize(("s", "r", "known"), [(0.03, 0.003, 0.002), (0.01, 0.002, 0.002), (0.05, 0.01, 0.0)])
def test_both_parts_of_the_scatter_come_back(s: float, r: float, known: float) -> None:
    # 300 degrees of freedom give a standard deviation to about 4 per cent of itself (chi squared).
    found = [
        scatter_along(repeats(np.random.default_rng(seed), s, r, known, [2] * 200 + [3] * 50))
        for seed in range(4)
    ]
    assert np.mean([one[0].sd for one in found if one]) == pytest.approx(s, rel=0.1)
    assert np.mean([one[1] for one in found if one]) == pytest.approx(r, rel=0.2)


def test_noise_of_pale_inks_does_not_pass_for_an_uneven_hand() -> None:
    """Half the groups have next to no ink along their direction: their noise alone would say 8 per cent."""
    found = scatter_along(repeats(np.random.default_rng(5), 0.01, 0.004, 0.0, [2] * 400))
    assert found is not None and found[0].sd == pytest.approx(0.01, rel=0.15)


def test_groups_of_one_say_nothing() -> None:
    one = Repeats(np.zeros((1, 3)), np.ones(3), np.eye(3))
    assert scatter_along([one, one]) is None
    assert scatter_along([]) is None


def test_the_coverage_factor_is_students() -> None:
    # Table G.2 of JCGM 100:2008 (95 %): 12.71 for 1 degree of freedom, 2.23 for 10, 1.96 for infinitely many.
    assert coverage_factor(1) == pytest.approx(12.71, abs=0.01)
    assert coverage_factor(10) == pytest.approx(2.23, abs=0.005)
    assert coverage_factor([0, np.inf]) == pytest.approx([1.96, 1.96], abs=0.001)


def test_two_sessions_know_more_than_one() -> None:
    """JCGM 100:2008, G.4: equal doubts add their degrees of freedom; a small doubt brings the other's own."""
    assert joint_freedom([1.0, 1.0], [12, 12]) == pytest.approx(24)
    assert joint_freedom([[1.0, 1.0], [1.0, 0.01]], [12, 5]) == pytest.approx(
        [2**2 / (1 / 12 + 1 / 5), 12], rel=1e-3
    )
    assert coverage_factor(joint_freedom([1.0, 1.0], [0, 0])) == pytest.approx(1.96, abs=0.001)


def test_draws_are_standard_normal_and_always_the_same() -> None:
    z = normal_draws(DRAWS, 5)
    assert z.shape == (DRAWS, 5)
    assert z.mean(axis=0) == pytest.approx(np.zeros(5), abs=1e-12)
    assert z.std(axis=0, ddof=1) == pytest.approx(np.ones(5))
    assert np.array_equal(z, normal_draws(DRAWS, 5))
    assert not np.array_equal(z, normal_draws(DRAWS, 5, seed=1))
    # Five columns of one table must not lean on each other.
    assert np.abs(np.corrcoef(z.T) - np.eye(5)).max() < 0.15
    assert stats.kstest(z.ravel(), "norm").pvalue > 0.01


def test_a_linear_model_gives_the_root_of_squares() -> None:
    """JCGM 101, 9.2: for a sum the two ways agree; here 3, 4 and 12 make 13."""
    draws = normal_draws(4000, 3) * [3.0, 4.0, 12.0]
    u = propagate(lambda x: x.sum(axis=1), draws[None])
    assert u.shape == (1,) and u[0] == pytest.approx(13.0, rel=0.03)


def test_a_model_without_a_slope_still_has_doubt() -> None:
    """A length of two components about zero: first order says 0, the Rayleigh distribution 0.6551."""
    draws = normal_draws(20_000, 3)
    u = propagate(lambda x: np.hypot(x[:, 0], x[:, 1]), draws[None])
    assert u[0] == pytest.approx(np.sqrt(2 - np.pi / 2), rel=0.02)


def test_many_quantities_go_through_in_one_call() -> None:
    calls = []

    def model(x: np.ndarray) -> np.ndarray:
        calls.append(x.shape)
        return np.stack([x[:, 0], 2 * x[:, 1]], axis=1)

    z = normal_draws(500, 3)
    u = propagate(model, np.stack([z, 10 * z, 0 * z]))
    assert calls == [(1500, 3)]
    assert u == pytest.approx(np.array([[1, 2], [10, 20], [0, 0]]))
