"""The mixture of models behind a tone curve, and what it makes of strips whose steps err as real ones do.

Outside sources: scikit-learn's Gaussian process regression for mean, doubt and likelihood of one model; leaving steps out by
computing anew; IEC 61966-2-1 through colour-science. The strips and their errors (0.01 in density, what a densitometer repeats
to, common practice) are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct

from calib.scan import tonemodels
from calib.scan.lightness import lightness, scale_of
from calib.scan.tone import fit_tone
from calib.scan.tonemodels import DENSITY_TO_LIGHTNESS, Mixture, Model, mixture
from calib.scan.tonescales import Scale, Steps
from calib.synthetic.spectra import library

Array = NDArray[np.float64]
X = np.array([0.12, 0.2, 0.33, 0.41, 0.55, 0.62, 0.78, 0.9])
STEPS = Steps(X, 0.02 + 0.93 * X + 0.03 * np.sin(5 * X) + 0.004 * np.cos(40 * X), np.full(8, 1e-3))
AT = np.array([0.05, 0.15, 0.5, 0.7, 0.95, 1.0])
MODELS = [Model(0, 0.05, 0.3, 0.01, 1.0), Model(0, 0.02, 0.15, 0.004, 1.0), Model(0, 0.0, 0.3, 0.02, 1.0)]


def alone(steps: Steps, model: Model) -> Mixture:
    """Return a mixture of one model over the light that the file states."""
    solved = tonemodels._solve(steps, Scale(False, 1.0), model.stretch, [model])
    return Mixture((steps,), ([Scale(False, 1.0)],), (model,), np.ones(1), (solved.inverse,), (solved.line,))


def regression(model: Model) -> GaussianProcessRegressor:
    """The same in scikit-learn: the free line is one whose numbers may be as large as they like."""
    wide = ConstantKernel(1e3) * DotProduct(sigma_0=1.0)
    kernel = wide + ConstantKernel(max(model.sway, 1e-9) ** 2) * RBF(model.stretch)
    own = (model.error * DENSITY_TO_LIGHTNESS * scale_of(STEPS.y)) ** 2 + STEPS.noise**2
    return GaussianProcessRegressor(kernel, alpha=own, optimizer=None).fit(X[:, None], STEPS.y)


@pytest.mark.parametrize("model", MODELS, ids=["long sway", "short sway", "line"])
def test_mean_and_doubt_are_those_of_scikit_learn(model: Model) -> None:
    mean, sd = regression(model).predict(AT[:, None], return_std=True)
    mine = alone(STEPS, model)
    assert mine.means(0, AT) == pytest.approx(mean, abs=2e-6)
    variance, by_noise = mine.doubts(0, AT, np.eye(len(AT)))
    assert np.sqrt(variance) == pytest.approx(sd, rel=2e-3)
    assert np.all(by_noise < variance)


def test_likelihoods_differ_as_those_of_scikit_learn() -> None:
    mine = [float(tonemodels._solve(STEPS, Scale(False, 1.0), m.stretch, [m]).likely[0]) for m in MODELS]
    theirs = [regression(m).log_marginal_likelihood_value_ for m in MODELS]
    assert np.diff(mine) == pytest.approx(np.diff(theirs), abs=0.01)
    # They are not all alike, or nothing would have been compared.
    assert np.ptp(mine) > 1


def test_what_is_left_out_is_foretold_by_the_others() -> None:
    model = MODELS[0]
    found = alone(STEPS, model).left_out(0)
    for i in range(len(X)):
        others = Steps(*(np.delete(v, i) for v in (STEPS.x, STEPS.y, STEPS.noise)))
        foretold = alone(others, model).means(0, X[i : i + 1])[0]
        assert STEPS.y[i] - foretold == pytest.approx(found[i], abs=1e-9)


def test_the_scale_that_was_written_is_the_likeliest() -> None:
    light = 10.0 ** -np.linspace(0.05, 1.9, 12)
    rng = np.random.default_rng(3)
    for gamma in (1.0, 1.8, 2.2):
        erring = light * 10.0 ** (0.002 * rng.standard_normal(12))
        x = lightness(np.asarray(library().models.eotf_sRGB(erring[::-1] ** (1 / gamma))))
        assert f"gamma {gamma:.2g}" in mixture([Steps(x, lightness(light[::-1]), np.full(12, 1e-4))]).name


def paper_errors(gamma: float, first: float, seeds: int) -> Array:
    """Return by how much bare paper (0.88) is off (seeds, 3), relative, over strips of ten steps that err by 0.01."""
    stated = first + 0.2 * np.arange(10)
    errors = []
    for seed in range(seeds):
        rng = np.random.default_rng(7000 + seed)
        true = 10.0 ** -(stated + 0.01 * rng.standard_normal(10))
        gains = rng.uniform(0.9, 1.0, 3)

        def scanned(light: Array, gains: Array = gains) -> Array:
            codes = (light[:, None] * gains) ** (1 / gamma) if gamma else None
            if codes is None:
                codes = library().models.eotf_inverse_sRGB(light[:, None] * gains)
            return np.asarray(library().models.eotf_sRGB(codes))

        readings = scanned(true) * (1 + 5e-4 * rng.standard_normal((10, 3)))
        tone = fit_tone(readings, np.repeat(10.0 ** -stated[:, None], 3, axis=1), 5e-4 * readings)
        errors.append(tone(scanned(np.array([0.88])))[0] / 0.88 - 1)
    return np.array(errors)


@pytest.mark.parametrize("gamma", [0.0, 1.0, 1.8, 2.2], ids=["sRGB", "linear", "gamma 1.8", "gamma 2.2"])
def test_errors_of_the_steps_are_not_carried_to_paper(gamma: float) -> None:
    """Paper is a tenth of a density lighter than the lightest step, whose own error is 2.3 % of its light."""
    off = paper_errors(gamma, 0.15, 25)
    # Measured rms 0.019 to 0.025, largest 0.050 to 0.072 (three standard deviations); a polynomial chosen by leave-one-out, on the
    # same strips, 0.049 to 0.077 and 0.11 to 0.20.
    assert np.sqrt(np.mean(off**2)) < 0.03
    assert np.abs(off).max() < 0.09
    # The steps' errors are common to the channels, so they give no cast: measured 0.0005 to 0.0030, before 0.016 to 0.13.
    assert np.ptp(off, axis=1).max() < 0.004


def test_a_sway_seen_by_all_steps_is_followed() -> None:
    """No line is forced on a driver's own curve: without errors it comes out to a tenth of an L* between the steps."""
    x = np.linspace(0.15, 0.95, 15)
    curve = lambda v: v + 0.05 * np.sin(2 * np.pi * v)  # noqa: E731
    steps = Steps(x, curve(x), np.zeros(15))
    between = np.linspace(0.2, 0.9, 60)
    assert mixture([steps]).means(0, between) == pytest.approx(curve(between), abs=1e-3)


def test_noise_of_the_readings_is_told_apart_from_errors_of_the_file() -> None:
    quiet, noisy = (mixture([replace(STEPS, noise=np.full(8, size))]) for size in (1e-4, 1e-2))
    one = np.eye(len(AT))
    assert np.all(noisy.doubts(0, AT, one)[1] > 20 * quiet.doubts(0, AT, one)[1])
