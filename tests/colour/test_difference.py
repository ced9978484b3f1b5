"""The difference between two colours, its parts and its interval.

Outside sources: the identity of CIE 15:2018, dE*ab^2 = dL*^2 + dC*^2 + dH*^2, with colour-science's dE*ab; the 34
published pairs of Sharma, Wu and Dalal (Color Res. Appl. 30, 2005); truth that is simulated here, for what the
intervals hold.
"""

from __future__ import annotations

import csv
from pathlib import Path

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import wishart

from calib.colour.colorimetry import delta_e_2000, lab_to_lch
from calib.colour.difference import STEP, interval, lch_differences, local_scale

DATA = Path(__file__).resolve().parents[1] / "data"
axis = st.floats(-100, 100)
colours = st.tuples(st.floats(0, 100), axis, axis).map(np.array)


def pairs() -> tuple[NDArray, NDArray, NDArray]:
    with (DATA / "ciede2000.csv").open(newline="") as stream:
        rows = np.array([[float(v) for v in list(row.values())[1:]] for row in csv.DictReader(stream)])
    return rows[:, :3], rows[:, 3:6], rows[:, 6]


def test_parts_by_hand() -> None:
    one = [[50.0, 30.0, 0.0], [50.0, 30.0, 0.0], [50.0, 0.0, 0.0], [40.0, 0.0, -20.0]]
    two = [[40.0, 0.0, 40.0], [60.0, 0.0, -40.0], [55.0, 3.0, 4.0], [40.0, 0.0, -20.0]]
    # A quarter turn between chroma 30 and 40: 2 sqrt(30 40) sin 45 degrees = sqrt(2400).
    quarter = np.sqrt(2400.0)
    expected = [[-10, 10, quarter], [10, 10, -quarter], [5, 5, 0], [0, 0, 0]]
    assert lch_differences(one, two) == pytest.approx(np.array(expected))


@given(colours, colours)
def test_the_parts_make_the_whole(one: NDArray, two: NDArray) -> None:
    parts = lch_differences(one, two)
    whole = float(colour.difference.delta_E_CIE1976(one, two))
    # The hue difference is a root of a difference of large figures.
    assert float(np.sqrt(np.sum(parts**2))) == pytest.approx(whole, rel=1e-6, abs=2e-6)
    back = lch_differences(two, one)
    assert back[:2] == pytest.approx(-parts[:2])
    assert abs(back[2]) == pytest.approx(abs(parts[2]))
    assert lch_differences(one, one) == pytest.approx(np.zeros(3), abs=2e-6)


@given(st.floats(5, 100), st.floats(0, 360), st.floats(-170, 170).filter(lambda turn: abs(turn) > 0.1))
def test_hue_grows_the_way_the_angle_does(chroma: float, hue: float, turn: float) -> None:
    angles = np.radians([hue, hue + turn])
    one, two = (np.array([50.0, chroma * np.cos(h), chroma * np.sin(h)]) for h in angles)
    dh = lch_differences(one, two)[2]
    assert dh == pytest.approx(2 * chroma * np.sin(np.radians(turn) / 2), rel=1e-6)
    around = (lab_to_lch(two)[2] - lab_to_lch(one)[2] + 180) % 360 - 180
    assert np.sign(dh) == np.sign(around)


def test_parts_keep_the_shape() -> None:
    one, two, _ = pairs()
    assert lch_differences(one, two).shape == (34, 3)
    assert lch_differences(one[0], two[0]).shape == (3,)
    assert lch_differences(np.zeros((0, 3)), np.zeros((0, 3))).shape == (0, 3)
    assert lch_differences(one, two)[3] == pytest.approx(lch_differences(one[3], two[3]))


def test_the_scale_gives_small_differences() -> None:
    """At both colours of the published pairs, greys and the blue corner among them, in directions drawn at random."""
    rng = np.random.default_rng(1)
    lab = np.concatenate(pairs()[:2])
    g = local_scale(lab)
    for _ in range(20):
        d = rng.normal(size=(len(lab), 3))
        d *= STEP / np.linalg.norm(d, axis=1, keepdims=True)
        told = np.sqrt(np.einsum("ni,nij,nj->n", d, g, d))
        true = delta_e_2000(lab + d / 2, lab - d / 2)
        assert np.abs(told / true - 1).max() < 0.03
        assert np.median(np.abs(told / true - 1)) < 0.003


def test_the_scale_gives_the_published_small_pairs() -> None:
    """The pairs under 1.5 dE00 whose middle is no grey; what curvature is left is under 2 per cent."""
    one, two, published = pairs()
    middle = (one + two) / 2
    near = (published < 1.5) & (np.hypot(middle[:, 1], middle[:, 2]) > 5)
    assert near.sum() == 6
    d = (two - one)[near]
    told = np.sqrt(np.einsum("ni,nij,nj->n", d, local_scale(middle[near]), d))
    assert told == pytest.approx(published[near], rel=0.02)


def test_the_scale_is_a_scale() -> None:
    g = local_scale([[50, 0, 0], [100, 0, 0], [0, 0, 0], [30, 60, -90]])
    assert g.shape == (4, 3, 3)
    assert g == pytest.approx(np.swapaxes(g, 1, 2))
    assert np.linalg.eigvalsh(g).min() > 0
    # At L* = 50 a step in L* is as long as it says.
    assert g[0, 0, 0] == pytest.approx(1.0, abs=1e-4)
    assert local_scale([50, 0, 0]).shape == (1, 3, 3)


SPOTS = np.array(
    [[60, 0, 0], [50, 30, 20], [70, -20, 50], [35, 20, -60], [85, 3, 8], [30, 60, 30]], dtype=float
)


def covariance_of(sizes: list[float]) -> NDArray:
    return np.diag(np.square(sizes))


def trial(
    true: float, covariance: NDArray, seed: int, runs: int = 200, freedom: int = 0
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Return the true dE00, and seen, low and high, of noisy readings of pairs about so far apart."""
    rng = np.random.default_rng(seed)
    before = np.repeat(SPOTS, runs, axis=0)
    way = rng.normal(size=before.shape)
    way /= np.sqrt(np.einsum("ni,nij,nj->n", way, local_scale(before), way))[:, None]
    after = before + true * way
    root = np.linalg.cholesky(covariance)
    read = after + rng.normal(size=after.shape) @ root.T
    told = np.broadcast_to(covariance, (len(before), 3, 3))
    if freedom:
        told = wishart.rvs(freedom, covariance / freedom, size=len(before), random_state=seed)
    return delta_e_2000(before, after), *interval(before, read, told, freedom)


CLOUDS = {
    "round": covariance_of([0.3, 0.3, 0.3]),
    "along a way": covariance_of([0.1, 0.1, 0.1]) + 0.5 * np.outer([1, 0.6, -0.3], [1, 0.6, -0.3]),
    "wide": covariance_of([1.0, 1.5, 1.5]),
}


@pytest.mark.parametrize("cloud", CLOUDS)
@pytest.mark.parametrize("true", [0.5, 1.0, 3.0, 8.0])
def test_intervals_hold_the_truth(cloud: str, true: float) -> None:
    truth, seen, low, high = trial(true, CLOUDS[cloud], 11)
    held = (low <= truth) & (truth <= high)
    # 1200 readings know 95 % to 0.6 %; the seen difference is longer than the true one, so intervals may hold more.
    assert 0.93 < held.mean() < 0.995
    # An interval of half the width must not pass.
    half = (seen - (seen - low) / 2 <= truth) & (truth <= seen + (high - seen) / 2)
    assert half.mean() < 0.9


def test_intervals_hold_where_the_scatter_is_known_from_few_repeats() -> None:
    truth, _, low, high = trial(2.0, CLOUDS["round"], 12, freedom=12)
    assert 0.93 < np.mean((low <= truth) & (truth <= high)) < 0.995
    known = trial(2.0, CLOUDS["round"], 12)
    assert np.median(high - low) > np.median(known[3] - known[2])


@pytest.mark.parametrize("cloud", CLOUDS)
def test_equal_colours_have_nothing_as_their_lower_end(cloud: str) -> None:
    truth, seen, low, _ = trial(0.0, CLOUDS[cloud], 13)
    assert truth.max() == 0.0
    assert seen.min() > 0.0
    # In 97.5 of 100; 1200 readings know that to 0.5.
    assert 0.96 < np.mean(low == 0.0) <= 1.0


def test_the_interval_of_one_colour_and_itself() -> None:
    seen, low, high = interval(SPOTS, SPOTS, np.broadcast_to(CLOUDS["round"], (6, 3, 3)))
    assert seen == pytest.approx(np.zeros(6), abs=1e-9)
    assert low == pytest.approx(np.zeros(6), abs=1e-9)
    assert np.all(high > 0.2)


def test_without_noise_the_interval_is_the_difference() -> None:
    one, two, published = pairs()
    seen, low, high = interval(one, two, np.zeros((34, 3, 3)))
    keep = np.arange(34) != 13  # hues 180 degrees apart, where rounding decides
    assert seen[keep] == pytest.approx(published[keep], abs=5e-5)
    assert low == pytest.approx(seen)
    assert high == pytest.approx(seen)


@given(colours, colours, st.floats(0.01, 3), st.floats(1.05, 3))
@settings(max_examples=40, deadline=None)
def test_ends_lie_around_and_part_with_the_noise(
    one: NDArray, two: NDArray, size: float, more: float
) -> None:
    covariance = np.eye(3)[None] * size**2
    seen, low, high = interval(one, two, covariance)
    assert 0 <= low[0] <= seen[0] <= high[0]
    wider = interval(one, two, covariance * more**2)
    assert wider[1][0] <= low[0] + 1e-9
    assert wider[2][0] >= high[0] - 0.01 * size or seen[0] > 20
    fewer = interval(one, two, covariance, 6)
    assert fewer[1][0] <= low[0] + 1e-9


def test_a_smaller_share_is_narrower() -> None:
    after = SPOTS + np.array([0.0, 2.0, 1.0])
    told = np.broadcast_to(CLOUDS["round"], (6, 3, 3))
    wide, narrow = interval(SPOTS, after, told), interval(SPOTS, after, told, share=0.68)
    assert np.all(narrow[1] >= wide[1])
    assert np.all(narrow[2] <= wide[2])
    assert np.all(narrow[2] - narrow[1] < 0.7 * (wide[2] - wide[1]))


def test_shapes_and_no_rows() -> None:
    told = np.broadcast_to(CLOUDS["round"], (6, 3, 3))
    assert [part.shape for part in interval(SPOTS, SPOTS + 1.0, told, np.arange(6))] == [(6,)] * 3
    assert [part.shape for part in interval(SPOTS[0], SPOTS[1], told[:1])] == [(1,)] * 3
    none = np.zeros((0, 3))
    assert [part.shape for part in interval(none, none, np.zeros((0, 3, 3)))] == [(0,)] * 3


def test_the_order_of_the_pairs_does_not_matter() -> None:
    after = SPOTS + np.array([1.0, -2.0, 0.5])
    told = np.array([covariance_of([0.1 * i, 0.2, 0.3]) for i in range(1, 7)])
    plain = interval(SPOTS, after, told)
    turned = interval(SPOTS[::-1], after[::-1], told[::-1])
    for one, other in zip(plain, turned, strict=True):
        assert other[::-1] == pytest.approx(one)
