"""The film's peak among the amounts of ink of a cell's pixels.

Every pixel gets one number t, the amount of ink on the scale paper = 0, film about 1: the channels'
densities weighted so that noise counts least. The film is the main peak of t, off the bands where
strokes overlap, the gaps between them, and the white grain that a dry pen leaves.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

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
# t is averaged so far along the strokes and across them, standard deviations of a Gaussian.
ALONG_MM, ACROSS_MM = 0.7, 0.1
# The film is the highest place of the averaged t, seen at this share of its own spread.
BANDWIDTH = 0.6
# It lies no farther down than this from the first, coarse peak.
LEAST_OF_FIRST = 0.6
# What the peak is off by, per half width of the film's own scatter, per distance of the median from the peak,
# and per share of the ink that lies thin (along grain, or where a coat is missing); fitted on simulated cells
# of two unlike simulators, see tests/benchmarks/film.py.
U_WIDTH, U_LOPSIDED, U_THIN = 0.13, 0.17, 0.015
THIN = 0.85
BINS = np.linspace(-0.5, 3.5, 2001)


def film_density_guess(light: NDArray[np.float32], paper: Array) -> Array:
    """Return a first guess (3,) of the density over paper (3,) of the film in light (n, 3): the middle of the denser third."""
    # Every fourth pixel is enough for a first guess.
    density = np.log10(paper.astype(np.float32) / np.maximum(light[::4], np.float32(LEAST_LIGHT)))
    total = density.sum(axis=1)
    low, high = np.percentile(total, [70, 95])
    rows = density[(total >= low) & (total <= high)]
    return np.asarray(np.median(rows, axis=0), dtype=np.float64)


def weights_of(film: Array, paper: Array, pixel_sd: Array) -> tuple[float, Array]:
    """Return the noise of t per pixel, and the weights (3,) of the channels in t.

    film: (3,) its density. paper: (3,) light. pixel_sd: (3,) noise of a pixel's light at the film's.

    The channels are weighted as a matched filter weights them: by what the ink changes in each,
    over the variance of the noise of its density, which grows as the light gets small.
    """
    light = paper * 10.0**-film
    sd = np.maximum(pixel_sd, 1e-5) / np.maximum(light, LEAST_LIGHT) / np.log(10)
    # A channel next to black tells nothing of the amount of ink, whatever its noise.
    sd = np.hypot(sd, UNSURE_LIGHT / np.maximum(light, LEAST_LIGHT))
    wanted = np.maximum(film, 0.0)
    power = float(np.sum(wanted**2 / sd**2))
    if power < 1e-6:
        # Nothing darker than paper: t is then the plain mean of the densities.
        return 0.0, np.full(3, 1 / 3)
    return float(1 / np.sqrt(power)), wanted / sd**2 / power


def smoothed(
    t: NDArray[np.float32], noise: float, per_mm: float, most: float = MOST_T_NOISE
) -> tuple[NDArray[np.float32], float]:
    """Average t with its neighbours until its noise is at most so large; return it with what is left."""
    for radius in SMOOTHING_MM:
        pixels = radius * per_mm
        left = noise / max(1.0, 3.5 * pixels)
        if left <= most:
            break
    if pixels < 0.3:
        return t, noise
    filled = np.where(np.isfinite(t), t, 0.0).astype(np.float32)
    blur = np.asarray(cv2.GaussianBlur(filled, (0, 0), pixels), dtype=np.float32)
    return np.where(np.isfinite(t), blur, np.nan).astype(np.float32), left


@dataclass(frozen=True)
class Peak:
    """The film among a cell's t.

    at: its t. width: half width of the film's own scatter, as a standard deviation. core: (h, w) where the
    film was looked for. u: standard uncertainty of at, from how broad and how lopsided the peak is. thin: share
    of the ink that lies thinner than the film by THIN.
    """

    at: float
    width: float
    core: NDArray[np.bool_]
    u: float
    thin: float


def film_peak(t: NDArray[np.float32], per_mm: float) -> Peak:
    """Return the film's peak of t, (h, w) of the cell's inside.

    Where a dry pen leaves grain there are two peaks, and what lies near bare paper is not the film. The
    scanner's blur mixes film and paper along the edges of the grain, so only spots with ink all
    round them are looked at. There t is averaged along the strokes, which keeps the bands where strokes overlap
    and takes away streaks and clouds, so that a band a few per cent denser than the film stands apart from it.
    """
    there = np.isfinite(t)
    values = t.ravel() if there.all() else t[there]
    # All quantiles of an array at once, because each look at one puts the whole array in order.
    *quartiles, high = (float(v) for v in np.percentile(values, [25, 75, 98]))
    first = _highest(values, 0.5 * _spread(*quartiles) + 0.01, GRAIN * high if high > 0.3 else -1.0)
    core = _core(t, there, first, per_mm)
    even = _along_strokes(t, core, per_mm)
    inside = even[core]
    low, middle, top = (float(v) for v in np.percentile(inside, [25, 50, 75]))
    spread = _spread(low, top, 0.004)
    at = _highest(inside, BANDWIDTH * spread, LEAST_OF_FIRST * first if high > 0.3 else -1.0)
    chosen = t[core & (np.abs(even - at) <= max(BANDWIDTH * spread, 0.004))]
    peak = float(np.median(chosen)) if chosen.size >= 50 else at
    # Bands are denser than the film, so the side towards the paper shows the film's own scatter.
    below = peak - t[core & (t < peak)]
    width = float(np.clip(1.4826 * np.median(below), 0.01, 0.15)) if below.size >= 20 else 0.15
    lopsided = middle - at
    thin = float(np.mean(values[values > INKED * peak] < THIN * peak)) if peak > 0 else 0.0
    u = np.sqrt((U_WIDTH * width) ** 2 + (U_LOPSIDED * lopsided) ** 2 + (U_THIN * thin * peak) ** 2)
    return Peak(peak, width, core, float(u), thin)


def _core(t: NDArray[np.float32], there: NDArray[np.bool_], peak: float, per_mm: float) -> NDArray[np.bool_]:
    """Return the spots (h, w) with ink all round them, as widely as leaves spots enough; there: where t is known."""
    # What is not known is not inked, as no comparison holds of NaN.
    inked = (t > INKED * peak).astype(np.uint8)
    for radius in CORE_MM:
        size = 2 * round(radius * per_mm) + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        core = cv2.erode(inked, kernel, borderType=cv2.BORDER_REPLICATE).astype(bool) & there
        if core.sum() >= max(LEAST_CORE, 0.12 * inked.sum()):
            return np.asarray(core)
    return there


def _along_strokes(t: NDArray[np.float32], core: NDArray[np.bool_], per_mm: float) -> NDArray[np.float32]:
    """Average t (h, w) over the core's pixels along the strokes.

    Strokes run along or across the cell (a slant counts as the nearer of both); the direction that leaves
    more of the scatter is theirs, because it runs along the bands and not through them.
    """
    weight = core.astype(np.float32)
    masked = np.where(core, t, np.float32(0))
    best: tuple[float, NDArray[np.float32]] | None = None
    for x_mm, y_mm in ((ALONG_MM, ACROSS_MM), (ACROSS_MM, ALONG_MM)):
        sums, weights = (
            cv2.GaussianBlur(
                plane, (0, 0), sigmaX=x_mm * per_mm, sigmaY=y_mm * per_mm, borderType=cv2.BORDER_REFLECT
            )
            for plane in (masked, weight)
        )
        even = np.asarray(sums / np.maximum(weights, np.float32(1e-3)), dtype=np.float32)
        scatter = float(even[core].var())
        if best is None or scatter > best[0]:
            best = (scatter, even)
    assert best is not None
    return best[1]


def _spread(low: float, high: float, least: float = 0.01) -> float:
    """Return the robust standard deviation of values between whose quartiles it lies, within what one film can have."""
    return float(np.clip((high - low) / 1.35, least, 0.15))


def _highest(values: NDArray[np.float32], width: float, above: float) -> float:
    """Return the highest place of the values' histogram above a limit, smoothed by a Gaussian of a width."""
    step = BINS[1] - BINS[0]
    place = (np.clip(values, BINS[0], BINS[-1] - 1e-6) - np.float32(BINS[0])) * np.float32(1 / step)
    share = np.bincount(np.minimum(place.astype(np.intp), len(BINS) - 2), minlength=len(BINS) - 1)
    reach = int(np.ceil(4 * width / step))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * step / width) ** 2)
    density = np.convolve(share, kernel, mode="same")
    middle = (BINS[:-1] + BINS[1:]) / 2
    return float(middle[int(np.argmax(np.where(middle > above, density, -1.0)))])
