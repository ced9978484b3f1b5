"""The film's peak among the amounts of ink of a cell's pixels.

Every pixel gets one number t, the amount of ink on the scale paper = 0, film about 1: the channels'
densities weighted so that noise counts least. The film is the main peak of t, off the bands where
strokes overlap, the gaps between them, and the white grain that a dry pen leaves.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.strip import BLOCK_MM

Array = NDArray[np.float64]

LEAST_LIGHT = 1e-4
# So much light, a perfect white = 1, is unsure in every reading by flare and tone.
UNSURE_LIGHT = 4e-4
# A pixel's t may scatter so much before it is averaged with its neighbours.
MOST_T_NOISE = 0.12
SMOOTHING_MM = (0.0, 0.12, 0.25, 0.5, 0.8)
# Below this share of the film's ink a spot counts as bare.
INKED = 0.5
# Peaks below this share of the densest ink are paper between grains, not film.
GRAIN = 0.45
# A spot counts as covered all round when there is ink this far from it; the widest that leaves
# spots enough is taken.
CORE_MM = (0.25, 0.17, 0.085)
LEAST_CORE = 300
BINS = np.linspace(-0.5, 3.5, 401)


def film_density_guess(density: NDArray[np.float32]) -> Array:
    """Return a first guess (3,) of the film's density: the middle of the denser third."""
    # Every fourth pixel is enough for a first guess.
    density = density[::4]
    total = density.sum(axis=1)
    low, high = np.percentile(total, [70, 95])
    rows = density[(total >= low) & (total <= high)]
    return np.asarray(np.median(rows, axis=0), dtype=np.float64)


def weights_of(film: Array, paper: Array, noise_sd: Array, per_mm: float) -> tuple[float, Array]:
    """Return the noise of t per pixel, and the weights (3,) of the channels in t.

    The channels are weighted as a matched filter weights them: by what the ink changes in each,
    over the variance of the noise of its density, which grows as the light gets small.
    """
    light = paper * 10.0**-film
    # A pixel is noisier than a square of many, though less than by their count: neighbours share noise.
    pixel_sd = noise_sd * max(1.0, 0.7 * BLOCK_MM * per_mm)
    sd = np.maximum(pixel_sd, 1e-5) / np.maximum(light, LEAST_LIGHT) / np.log(10)
    # A channel next to black tells nothing of the amount of ink, whatever its noise.
    sd = np.hypot(sd, UNSURE_LIGHT / np.maximum(light, LEAST_LIGHT))
    wanted = np.maximum(film, 0.0)
    power = float(np.sum(wanted**2 / sd**2))
    if power < 1e-6:
        # Nothing darker than paper: t is then the plain mean of the densities.
        return 0.0, np.full(3, 1 / 3)
    return float(1 / np.sqrt(power)), wanted / sd**2 / power


def smoothed(t: NDArray[np.float32], noise: float, per_mm: float) -> NDArray[np.float32]:
    """Average t with its neighbours as far as its noise asks for."""
    for radius in SMOOTHING_MM:
        pixels = radius * per_mm
        if noise / max(1.0, 3.5 * pixels) <= MOST_T_NOISE:
            break
    if pixels < 0.3:
        return t
    filled = np.where(np.isfinite(t), t, 0.0).astype(np.float32)
    blur = np.asarray(cv2.GaussianBlur(filled, (0, 0), pixels), dtype=np.float32)
    return np.where(np.isfinite(t), blur, np.nan).astype(np.float32)


def film_peak(t: NDArray[np.float32], per_mm: float) -> tuple[float, float, NDArray[np.bool_]]:
    """Return place and half width (as a standard deviation) of the film's peak of t, and where to look.

    t: (h, w) of the cell's inside. Where a dry pen leaves grain there are two peaks, and what
    lies near bare paper is not the film. The scanner's blur mixes film and paper along the
    edges of the grain, so only spots with ink all round them are looked at (third result, (h, w)).
    """
    there = np.isfinite(t)
    values = t[there]
    middle = (BINS[:-1] + BINS[1:]) / 2
    share = _histogram(values)
    high = float(np.percentile(values, 98))
    peak = _highest(middle, share, values, GRAIN * high if high > 0.3 else -1.0)
    inked = (np.nan_to_num(t, nan=-1.0) > INKED * peak).astype(np.uint8)
    core = there
    for radius in CORE_MM:
        size = 2 * round(radius * per_mm) + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        eroded = cv2.erode(inked, kernel, borderType=cv2.BORDER_REPLICATE).astype(bool) & there
        if eroded.sum() >= max(LEAST_CORE, 0.12 * inked.sum()):
            core = eroded
            break
    inside = t[core]
    share = _histogram(inside)
    peak = _highest(middle, share, inside, 0.7 * peak if high > 0.3 else -1.0)
    mean, sd = _mixture(middle, share, peak, _spread(inside))
    if abs(mean - peak) > 0.2 * abs(peak) + 0.05:
        # The mixture has run off to the bands or to the rest: the plain peak is the better guess.
        mean, sd = peak, _spread(inside)
    return mean, sd, core


def _histogram(values: NDArray[np.float32]) -> Array:
    counts, _ = np.histogram(np.clip(values, BINS[0], BINS[-1] - 1e-6), BINS)
    return np.asarray(counts / counts.sum())


def _spread(values: NDArray[np.float32]) -> float:
    """Return a robust standard deviation, within what one film can have."""
    low, high = np.percentile(values, [25, 75])
    return float(np.clip((high - low) / 1.35, 0.01, 0.15))


def _highest(middle: Array, share: Array, values: NDArray[np.float32], above: float) -> float:
    """Return the place of the highest peak of a histogram above a limit, smoothed by half its spread."""
    width = (0.5 * _spread(values) + 0.01) / (BINS[1] - BINS[0])
    kernel = np.exp(-0.5 * (np.arange(-40, 41) / width) ** 2)
    density = np.convolve(share, kernel / kernel.sum(), mode="same")
    return float(middle[int(np.argmax(np.where(middle > above, density, 0)))])


def _mixture(middle: Array, share: Array, mean: float, sd: float) -> tuple[float, float]:
    """Fit film, band and rest by expectation-maximisation on a histogram; return the film's."""
    width = float(BINS[1] - BINS[0])
    weight, band_weight, rest_weight = 0.7, 0.15, 0.15
    band_mean, band_sd = mean * 1.5 + 0.1, 0.3 * abs(mean) + 0.05
    floor = 1.0 / (middle[-1] - middle[0])
    # Empty bins have no say, and most are empty.
    filled = share > 0
    middle, share = middle[filled], share[filled]
    for _ in range(60):
        film = weight * _normal(middle, mean, sd)
        band = band_weight * _normal(middle, band_mean, band_sd)
        rest = np.full_like(middle, rest_weight * floor)
        total = film + band + rest
        in_film, in_band = share * film / total, share * band / total
        weight, band_weight = in_film.sum(), in_band.sum()
        rest_weight = max(1e-4, 1 - weight - band_weight)
        if weight < 1e-6:
            break
        old = mean
        mean = float((in_film * middle).sum() / weight)
        # The width of a bin is no scatter of the ink.
        sd = float(np.sqrt(max((in_film * (middle - mean) ** 2).sum() / weight - width**2 / 12, 0.004**2)))
        if band_weight > 1e-4:
            band_mean = max(float((in_band * middle).sum() / band_weight), mean + 2 * sd)
            band_sd = max(2 * sd, float(np.sqrt((in_band * (middle - band_mean) ** 2).sum() / band_weight)))
        if abs(mean - old) < 1e-5:
            break
    return mean, sd


def _normal(x: Array, mean: float, sd: float) -> Array:
    return np.asarray(np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)))
