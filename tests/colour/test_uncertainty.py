"""Doubt by Monte Carlo and pooled scatter, against closed formulas and SciPy.

Outside sources: JCGM 101:2008 (where the model is linear, the doubt of a sum is the root of the sum of squares), the
Rayleigh distribution of a length of two normal components, SciPy's one-way analysis of variance.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from calib.colour.uncertainty import DRAWS, Scatter, normal_draws, pooled, propagate


def test_pooled_scatter_by_hand() -> None:
    # Deviations +-1 and +-2 about the groups' means: (1 + 1 + 4 + 4) / (1 + 1) = 5.
    assert pooled([np.array([9.0, 11.0]), np.array([3.0, 7.0])]) == Scatter(pytest.approx(np.sqrt(5.0)), 2)


def test_pooled_scatter_is_the_within_groups_variance_of_an_anova() -> None:
    rng = np.random.default_rng(0)
    groups = [rng.normal(mean, 0.03, size) for mean, size in ((1.0, 4), (1.4, 3), (0.7, 6))]
    found = pooled(groups)
    assert found is not None and found.freedom == 10
    # F = between / within, and between is plain arithmetic: what is left is SciPy's within.
    everything = np.concatenate(groups)
    between = sum(len(g) * (g.mean() - everything.mean()) ** 2 for g in groups) / 2
    assert found.sd**2 == pytest.approx(between / stats.f_oneway(*groups).statistic)


def test_groups_of_one_say_nothing() -> None:
    assert pooled([np.array([1.0]), np.array([2.0])]) is None
    assert pooled([]) is None
    assert pooled([np.array([1.0]), np.array([2.0, 2.2])]) == Scatter(pytest.approx(np.sqrt(0.02)), 1)


def test_shifting_a_group_changes_nothing() -> None:
    groups = [np.array([1.0, 1.1, 0.95]), np.array([0.98, 1.02])]
    moved = [groups[0] + 5, groups[1] - 3]
    one, other = pooled(groups), pooled(moved)
    assert one is not None and other is not None
    assert one.sd == pytest.approx(other.sd)


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
