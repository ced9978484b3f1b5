"""Kernels, blurs and the flare that paper and strip tell of, on arrays whose truth is known.

Outside sources: Gaussian blurs by scipy.ndimage; scattered light by convolving with an exponential through
scipy.signal, which the Gaussian mixtures of the measuring side only approach. Tiles and strips are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.signal import fftconvolve

from calib.scan.flare import RADII_MM, Papers, blurred, find_flare, kernels, veil
from calib.scan.stepflare import Steps

Array = NDArray[np.float64]
PAPER = np.array([0.88, 0.87, 0.85])
NOISE = 7e-4
DENSITY = np.arange(0.05, 2.0, 0.1)


def page(seed: int = 0) -> NDArray[np.float32]:
    """Return an invented page (200, 150, 3) of paper with coloured rectangles in rows."""
    rng = np.random.default_rng(seed)
    light = np.full((200, 150, 3), PAPER, np.float32)
    for y in range(15, 180, 18):
        for x in range(10, 130, 24):
            light[y : y + 12, x : x + 18] *= rng.uniform(0.05, 0.9, 3)
    return light


def strewn(light: NDArray[np.float32], fall_mm: float) -> Array:
    """Return the page blurred by exp(-r / fall_mm), paper all round."""
    y, x = np.mgrid[-140:141, -140:141]
    kernel = np.exp(-np.hypot(x, y) / fall_mm)
    wide = np.pad(light - PAPER, ((140, 140), (140, 140), (0, 0)))
    blur = fftconvolve(wide, (kernel / kernel.sum())[..., None], mode="same", axes=(0, 1))
    return np.asarray(blur[140:-140, 140:-140] + PAPER)


def paper_of(light: NDArray[np.float32], blur: Array, flare: float, seed: int = 1) -> Papers:
    """Return tiles between the rectangles, with noise that the channels share in part."""
    bare = np.argwhere(np.all(np.abs(light - PAPER) < 1e-6, axis=2))[::5]
    spots = tuple(bare.T)
    rng = np.random.default_rng(seed)
    noise = NOISE * (0.8 * rng.standard_normal((len(bare), 1)) + 0.6 * rng.standard_normal((len(bare), 3)))
    truth = flare * (blur[spots] / PAPER - 1)
    around = blurred(light, PAPER, PAPER)
    excess = np.stack([grid[spots] / PAPER - 1 for grid in around], axis=1)
    # As in the program, the log of light with flare is made straight by what is known of it.
    log_light = np.log1p(truth) + noise
    log_light += truth - np.log1p(truth)
    return Papers(log_light, excess, bare[:, ::-1].astype(float), float(len(bare)), np.zeros(3))


def steps_of(flare: float, curve: float = 1.0, sway: float = 0.0, zero: float = 0.0) -> Steps:
    """Return a strip under an even veil of half a white's light, through a power law, a sway and an error of the zero."""
    linear = np.repeat(10.0 ** -DENSITY[:, None], 3, axis=1)
    light = (1 - flare) * linear + flare * 0.5 + zero
    code = light**curve
    code = code - sway * np.sin(2 * np.pi * code) / (2 * np.pi)
    around = np.full((len(RADII_MM), len(DENSITY), 3), 0.5)
    return Steps(code, linear, np.ones_like(linear), around)


def blank() -> Papers:
    """Return tiles of a page without anything dark on it, which tell nothing."""
    rng = np.random.default_rng(3)
    noise = NOISE * rng.standard_normal((500, 3))
    return Papers(noise, np.zeros((500, len(RADII_MM), 3)), rng.uniform(0, 200, (500, 2)), 500.0, np.zeros(3))


def test_blurs_are_those_of_scipy() -> None:
    light = page()
    for radius, blur in zip(RADII_MM, blurred(light, PAPER, PAPER), strict=True):
        wide = np.pad(light - PAPER, ((300, 300), (300, 300), (0, 0)))
        expected = gaussian_filter(wide, (radius, radius, 0), truncate=5)[300:-300, 300:-300] + PAPER
        # A blur of 1.3 pixels has few points; the wide ones are made on reduced copies.
        assert np.abs(blur - expected).max() < 0.004, radius


def test_a_cut_off_part_is_paper_and_a_dark_surrounding_darkens_the_rim() -> None:
    light = np.full((120, 100, 3), PAPER, np.float32)
    light[:10, :10] = np.nan
    around = blurred(light, PAPER, np.zeros(3))
    assert all(np.isfinite(blur).all() for blur in around)
    narrow = around[2]
    assert narrow[60, 50] == pytest.approx(PAPER, abs=1e-4)
    # On the edge itself half of the surroundings are dark.
    assert (narrow[60, 0] + narrow[60, 0] - narrow[60, 1]).mean() == pytest.approx(PAPER.mean() / 2, rel=0.15)


def test_kernels_weigh_one_and_fall_with_distance() -> None:
    shapes = kernels(np.log([3.0, 8.0, 20.0, 40.0]), np.array([0.7, 0.5, 0.2, 0.9]))
    assert shapes.sum(axis=1) == pytest.approx(np.ones(4))
    r = np.arange(0, 60, 0.5)[:, None]
    gaussians = np.exp(-0.5 * (r / np.array(RADII_MM)) ** 2) / np.array(RADII_MM) ** 2
    for heights in (gaussians @ shapes.T).T:
        assert np.all(np.diff(heights) < 1e-3 * heights[0])


def test_a_narrow_kernel_is_one_gaussian_even_between_the_radii() -> None:
    radius = 10.0
    (shape,) = kernels(np.log([radius]), np.array([0.05]))
    made = veil(blurred(page(), PAPER, PAPER), shape)
    wide = np.pad(page() - PAPER, ((100, 100), (100, 100), (0, 0)))
    expected = gaussian_filter(wide, (radius, radius, 0), truncate=5)[100:-100, 100:-100] + PAPER
    assert np.abs(made - expected).max() < 0.004


@pytest.mark.parametrize("flare", [0.0, 0.015, 0.04])
@pytest.mark.parametrize("fall_mm", [3.0, 8.0])
def test_exponential_flare_is_found_on_paper_alone(flare: float, fall_mm: float) -> None:
    light = page()
    papers = paper_of(light, strewn(light, fall_mm), flare)
    found = find_flare(papers, None, np.zeros(len(RADII_MM)))
    found = find_flare(papers, None, found.share)
    if flare:
        assert 5e-5 < found.u < 0.003
    assert found.share.sum() == pytest.approx(flare, abs=max(2.5 * found.u, 0.0003))


def test_the_doubt_is_that_of_many_pages() -> None:
    """Over pages whose noise differs, the error is as large as the doubt says, within what 12 pages can tell."""
    errors = []
    for seed in range(12):
        light = page(seed)
        papers = paper_of(light, strewn(light, 5.0), 0.02, seed=50 + seed)
        found = find_flare(papers, None, np.zeros(len(RADII_MM)))
        found = find_flare(papers, None, found.share)
        errors.append((found.share.sum() - 0.02) / found.u)
    assert 0.2 < np.sqrt(np.mean(np.square(errors))) < 1.5


def test_errors_that_neighbouring_tiles_share_make_the_doubt_larger() -> None:
    light = page()
    papers = paper_of(light, strewn(light, 5.0), 0.02)
    clouds = np.sin(papers.at[:, :1] / 9) * np.sin(papers.at[:, 1:] / 9) * 3 * NOISE
    cloudy = Papers(papers.log_light + clouds, papers.excess, papers.at, papers.weight, papers.unlit)
    last = find_flare(papers, None, np.zeros(len(RADII_MM))).share
    assert find_flare(cloudy, None, last).u > 1.3 * find_flare(papers, None, last).u


@pytest.mark.parametrize("curve", [1.0, 1.2, 0.9])
def test_dark_steps_tell_of_flare_that_paper_cannot_see(curve: float) -> None:
    found = find_flare(blank(), steps_of(0.03, curve), np.zeros(len(RADII_MM)))
    assert found.share.sum() == pytest.approx(0.03, abs=0.003)
    none = find_flare(blank(), steps_of(0.0, curve), np.zeros(len(RADII_MM)))
    assert none.share.sum() < 0.001


def test_a_strip_under_an_s_curve_has_no_say() -> None:
    light = page()
    papers = paper_of(light, strewn(light, 5.0), 0.02)
    last = find_flare(papers, None, np.zeros(len(RADII_MM))).share
    alone = find_flare(papers, None, last)
    with_it = find_flare(papers, steps_of(0.02, sway=0.6), last)
    assert with_it.share.sum() == pytest.approx(alone.share.sum(), abs=2 * alone.u)


def test_a_zero_that_is_off_does_not_overrule_the_paper() -> None:
    """A driver that lifts black by 2 % of white is taken for 4 % of flare by the strip; the paper knows better."""
    light = page()
    papers = paper_of(light, strewn(light, 5.0), 0.015)
    last = find_flare(papers, None, np.zeros(len(RADII_MM))).share
    alone = find_flare(papers, None, last)
    found = find_flare(papers, steps_of(0.015, zero=0.02), last)
    assert found.share.sum() == pytest.approx(alone.share.sum(), abs=2 * alone.u)


def test_a_channel_without_light_has_little_say() -> None:
    light = page()
    papers = paper_of(light, strewn(light, 5.0), 0.02)
    # What the file clipped at zero was darker: its true surroundings pull more than those that were read.
    log_light = papers.log_light + [0.3, 0, 0] * (0.02 * papers.excess[:, 3])
    dark = Papers(log_light, papers.excess, papers.at, papers.weight, np.array([0.05, 0, 0]))
    last = find_flare(papers, None, np.zeros(len(RADII_MM))).share
    honest = find_flare(dark, None, last)
    trusting = find_flare(Papers(log_light, papers.excess, papers.at, papers.weight, np.zeros(3)), None, last)
    assert abs(honest.share.sum() - 0.02) < abs(trusting.share.sum() - 0.02)
    assert honest.share.sum() == pytest.approx(0.02, abs=2.5 * honest.u)
