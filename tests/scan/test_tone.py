"""The tone curve: monotone whatever it is given, and true for the curves that scanners use.

Outside sources: the encodings are written here from their definitions (a power, IEC 61966-2-1 through colour-science's
eotf_sRGB); hypothesis looks for readings that break what the mathematics promises.
"""

from __future__ import annotations

import numpy as np
import pytest
from conftest import DENSITIES
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calib.scan.tone import NotMonotone, fit_tone, light_of_lightness, lightness
from calib.synthetic.spectra import library

eotf_srgb = library().models.eotf_sRGB
LIGHT = 10.0 ** -np.array(DENSITIES)


def s_curve(light: NDArray) -> NDArray:
    """A driver's contrast curve: sRGB codes, pulled apart in the middle by a smoothstep's share of 0.35."""
    codes = library().models.eotf_inverse_sRGB(light)
    return 0.65 * codes + 0.35 * (3 * codes**2 - 2 * codes**3)


ENCODINGS = {
    "linear": lambda light: light,
    "gamma 1.8": lambda light: light ** (1 / 1.8),
    "gamma 2.2": lambda light: light ** (1 / 2.2),
    "sRGB": lambda light: library().models.eotf_inverse_sRGB(light),
    "s-curve": s_curve,
}


def scanned(light: NDArray, encoding: str) -> NDArray:
    """What the program takes codes for: it decodes any file without a profile as sRGB."""
    return np.asarray(eotf_srgb(ENCODINGS[encoding](np.asarray(light, dtype=float))))


def three(values: NDArray) -> NDArray:
    return np.repeat(np.asarray(values, dtype=float)[:, None], 3, axis=1)


@pytest.mark.parametrize("backwards", [False, True], ids=["light first", "dark first"])
@pytest.mark.parametrize("encoding", ENCODINGS)
def test_the_curves_that_scanners_use_are_undone(encoding: str, backwards: bool) -> None:
    steps = LIGHT[::-1] if backwards else LIGHT
    tone = fit_tone(three(scanned(steps, encoding)), three(steps))
    between = np.geomspace(LIGHT.min(), LIGHT.max(), 200)
    error = 100 * np.abs(lightness(tone(three(scanned(between, encoding)))) - lightness(three(between)))
    # L* units between the steps of a strip of ten; measured 0.3 for linear files, else 0.05.
    assert error.max() < 0.5
    assert tone.residual < 0.5


@pytest.mark.parametrize(
    ("encoding", "bound"), [("linear", 0.1), ("gamma 1.8", 0.6), ("gamma 2.2", 1.5), ("sRGB", 0.1)]
)
def test_blacks_below_the_darkest_step(encoding: str, bound: float) -> None:
    """Down to a third of the darkest step's light, on nothing but how the curve goes on (in L* units)."""
    tone = fit_tone(three(scanned(LIGHT, encoding)), three(LIGHT))
    dark = np.linspace(LIGHT.min() / 3, LIGHT.min(), 20)
    assert (
        100 * np.abs(lightness(tone(three(scanned(dark, encoding)))) - lightness(three(dark))).max() < bound
    )


@pytest.mark.parametrize("flare", [0.0, 0.03])
def test_negative_light_goes_on_in_a_straight_line(flare: float) -> None:
    """Colours outside sRGB have negative light in a wide file; an added veil must come off it as off all else."""
    tone = fit_tone(three(LIGHT * (1 - flare) + 0.6 * flare), three(LIGHT))
    light = np.array([-0.12, -0.05, -0.01, 0.0, 0.005])
    assert tone(three(light * (1 - flare) + 0.6 * flare)) == pytest.approx(three(light), abs=2e-3)


def test_lighter_than_the_lightest_step() -> None:
    """Bare paper is often lighter than the first step of a strip."""
    tone = fit_tone(three(scanned(LIGHT, "gamma 1.8")), three(LIGHT))
    paper = np.array([0.82, 0.9, 1.0])
    assert (
        100 * np.abs(lightness(tone(three(scanned(paper, "gamma 1.8")))) - lightness(three(paper))).max()
        < 0.3
    )


def test_channels_are_balanced_each_by_itself() -> None:
    gains = np.array([0.8, 1.0, 0.6])
    tone = fit_tone(scanned(LIGHT[:, None] * gains, "gamma 1.8"), three(LIGHT))
    grey = np.array([[0.3, 0.3, 0.3], [0.05, 0.05, 0.05]])
    assert tone(scanned(grey * gains, "gamma 1.8")) == pytest.approx(grey, rel=0.01)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.floats(0.0, 1.0), min_size=6, max_size=16),
    st.lists(st.floats(0.05, 0.5), min_size=16, max_size=16),
    st.booleans(),
)
def test_a_curve_is_monotone_or_there_is_none(readings: list[float], gaps: list[float], sort: bool) -> None:
    """Readings of any sort: either NotMonotone, or more code means more light, everywhere and beyond the ends."""
    expected = 10.0 ** -np.cumsum(gaps)[: len(readings)]
    given_readings = np.sort(readings)[::-1] if sort else np.array(readings)
    try:
        tone = fit_tone(three(given_readings), three(expected))
    except NotMonotone:
        assert not sort or np.ptp(lightness(given_readings)) < 0.1 or np.min(-np.diff(given_readings)) < 0.02
        return
    light = three(np.linspace(-0.05, 1.2, 600))
    out = tone(light)
    assert np.all(np.isfinite(out))
    assert np.all(np.diff(out[:, 0]) >= -1e-12)
    assert out[-1, 0] > out[0, 0]


@settings(max_examples=15, deadline=None)
@given(st.floats(0.5, 2.3), st.floats(0.0, 0.05), st.floats(0.6, 1.0), st.integers(8, 21))
def test_any_honest_power_is_undone(gamma: float, offset: float, gain: float, steps: int) -> None:
    light = 10.0 ** -np.linspace(0.07, 1.9, steps)

    def scan(values: NDArray) -> NDArray:
        return offset + (1 - offset) * gain * np.asarray(values) ** gamma

    tone = fit_tone(three(scan(light)), three(light))
    error = 100 * np.abs(lightness(tone(three(scan(light)))) - lightness(three(light)))
    # At the steps themselves the curve may smooth, but not by more than anyone could see.
    assert error.max() < 0.5


@pytest.mark.parametrize("kind", ["shuffled", "flat", "one swapped"])
def test_what_is_no_scale_makes_no_curve(kind: str) -> None:
    readings = {
        "shuffled": np.random.default_rng(0).permutation(LIGHT),
        "flat": np.full_like(LIGHT, 0.5),
        "one swapped": LIGHT[[0, 1, 3, 2, *range(4, 10)]],
    }[kind]
    with pytest.raises(NotMonotone):
        fit_tone(three(readings), three(LIGHT))


def test_a_wrong_strip_leaves_residuals() -> None:
    """The right number of steps in the right order, but not these values: left out in turn, they are missed."""
    rng = np.random.default_rng(4)
    wrong = 10.0 ** -(np.array(DENSITIES) + rng.uniform(-0.08, 0.08, len(DENSITIES)))
    assert fit_tone(three(LIGHT), three(LIGHT)).residual < 0.05
    assert fit_tone(three(LIGHT), three(np.sort(wrong)[::-1])).residual > 2.0


@pytest.mark.parametrize("steps", [10, 20])
@pytest.mark.parametrize("error", [0.0, 0.01, 0.02])
@pytest.mark.parametrize("encoding", ["linear", "sRGB", "s-curve"])
def test_the_doubt_of_a_curve_is_honest(encoding: str, error: float, steps: int) -> None:
    """Errors over their standard uncertainty, over 30 strips whose true densities err by so much.

    Of a perfect strip it may say a little too much: nobody can know that a strip is perfect.
    """
    rng = np.random.default_rng(700)
    stated = np.linspace(0.05, 1.95, steps)
    between = np.geomspace(0.012, 0.9, 40)
    ratios = []
    for _ in range(30):
        true = 10.0 ** -(stated + error * rng.standard_normal(steps))
        slope = np.interp(true, between, np.gradient(scanned(between, encoding), between))
        noise = 2e-4 * slope
        readings = scanned(true, encoding) + noise * rng.standard_normal(steps)
        tone = fit_tone(three(readings), three(10.0**-stated), three(noise))
        found = tone(three(scanned(between, encoding)))
        ratios.append(((found - three(between)) / tone.u(found))[:, 0])
    spread = float(np.sqrt(np.mean(np.square(ratios))))
    # Measured 0.3 to 0.6 without errors, else 1.1 to 1.7.
    assert (0.2 if error == 0 else 0.7) < spread < 1.9, spread


def test_doubt_grows_beyond_the_ends_and_with_the_readings_noise() -> None:
    tone = fit_tone(three(scanned(LIGHT, "gamma 1.8")), three(LIGHT))
    inside, above, below = (float(tone.u(three([v]))[0, 0]) for v in (0.5, 1.1, -0.04))
    assert above > inside
    assert below > float(tone.u(three([LIGHT.min()]))[0, 0])
    noisy = fit_tone(three(scanned(LIGHT, "gamma 1.8")), three(LIGHT), three(np.full(10, 0.01)))
    assert np.all(noisy.u(three([0.1, 0.5])) > 1.5 * tone.u(three([0.1, 0.5])))
    assert tone.u(np.full((4, 5, 3), 0.3)).shape == (4, 5, 3)


def test_lightness_is_the_cies() -> None:
    values = np.array([0.0, 0.001, (6 / 29) ** 3, 0.05, 0.18, 0.5, 1.0])
    # colour-science's lightness_CIE1976 takes Y of 0..100 against Y of white.
    published = library().colorimetry.lightness_CIE1976(values * 100)
    assert 100 * lightness(values) == pytest.approx(np.asarray(published), abs=1e-3)
    assert light_of_lightness(lightness(values)) == pytest.approx(values, abs=1e-9)
