"""Pixels inside a cell to film colour, coverage, mottle and bleed.

Hand colouring leaves overlap bands, white gaps, grain and wobbly edges. What is wanted is the
colour of the ink film where it lies as one coat, so every pixel gets one number t, the amount of
ink on the scale paper = 0, film = 1, and the film is the main peak of its distribution.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.cover import (
    BARE_DENSITY,
    TELLING,
    TELLING_WELL,
    bleed_of,
    cover_map,
    grain_of,
    mottle_of,
    one_coat_share,
    share_of,
)
from calib.scan.film import LEAST_LIGHT, film_density_guess, film_peak, smoothed, weights_of
from calib.scan.ground import NoiseOf, ground_of
from calib.scan.image import AT_THE_END

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# How much of the surroundings is looked at, for paper and for ink that ran past the edge.
AROUND_MM = 2.4
# Kept clear of inside the cell: a hand's wobbly edge, and the scanner's blur.
INNER_MM = 1.2
# How far a pixel lies on the way from paper to film may be this unsure; beyond, its neighbours help.
MOST_SHARE_NOISE = 0.06
# Pixels so many half widths from the film's peak stand behind its light.
NEAR_PEAK = 1.2
# How unsure the correction for the bend of light over ink is, relative: part of the light comes off the surface.
BEND_UNSURE = 0.5

# Of a dry pen so much of the film's pixels is paper in grains too fine to be seen, per share of thin ink (fitted in
# tests/benchmarks/film.py).
UNSEEN_BARE = 0.002


@dataclass(frozen=True)
class Patch:
    """One swatch as it was read.

    linear: (3,) light of the film, a perfect white = 1. paper: (3,) of the bare paper around it.
    u_linear: (3,) standard uncertainty of linear from what pixels do by chance and packing does to them.
    u_dose: relative standard uncertainty with which the amount of ink stands for this cell's own film.
    coverage: inked share of the cell, 0..1. mottle: coefficient of variation of the densest channel's density, noise
    removed. uneven: the same of the densest channel that the eye would see it in as well; uneven_noise: what noise
    alone would have made it. grain: share of the cell's inside that is bare in small spots, as a dry pen leaves it.
    bleed_mm: mean over the edges. pixels: how many stand behind linear. clipped: share of the pixels at the end of the
    code range. seen: share of the cell that the picture shows.
    """

    linear: Array
    paper: Array
    u_linear: Array
    u_dose: float
    coverage: float
    mottle: float
    uneven: float
    uneven_noise: float
    grain: float
    bleed_mm: float
    pixels: int
    clipped: float
    seen: float


@dataclass(frozen=True)
class _Areas:
    """Slices of the cut: the cell and its inside."""

    cell: tuple[slice, slice]
    inner: tuple[slice, slice]


def _areas(shape: tuple[int, ...], per_mm: float) -> _Areas:
    def inset(mm: float) -> tuple[slice, slice]:
        n = round(mm * per_mm)
        return slice(n, shape[0] - n), slice(n, shape[1] - n)

    return _Areas(inset(AROUND_MM), inset(AROUND_MM + INNER_MM))


@dataclass(frozen=True)
class Sight:
    """What a page's cells are seen with.

    per_mm: pixels per millimetre. paper: (3,) of the page. noise_of: the standard deviation (3,) of
    quarter-millimetre squares at a light (3,). rounding_of: the standard uncertainty (3,) that remains at a light
    (3,) however many pixels are averaged, as the packing of a JPEG leaves it.
    """

    per_mm: float
    paper: Array
    noise_of: NoiseOf
    rounding_of: NoiseOf


def take_film(codes: NDArray[np.float32], light: Light, sight: Sight, layers: int = 1) -> Patch | None:
    """Measure one swatch.

    codes, light: (h, w, 3) of the cell grown by AROUND_MM; codes in 0..1, light linear, NaN outside
    the picture. layers: coats of ink. Returns None where less than half of the cell is in the picture.
    """
    per_mm = sight.per_mm
    areas = _areas(light.shape, per_mm)
    finite = np.isfinite(light[..., 0] + light[..., 1] + light[..., 2])
    seen = float(finite[areas.cell].mean())
    inner = light[areas.inner]
    there = finite[areas.inner]
    if seen < 0.5 or not there.any():
        return None
    pixels = inner.reshape(-1, 3) if there.all() else inner[there]
    ground = ground_of(light, round(AROUND_MM * per_mm), sight.paper, per_mm)
    around = ground.light
    noise = ground.noise(sight.noise_of, around)
    bare = _if_bare(pixels, around, noise)
    if bare is not None:
        u = np.hypot(ground.mean_noise(noise, len(pixels), per_mm), sight.rounding_of(around))
        clipped = _clipped_share(codes[areas.inner], there)
        # Without visible ink there is nothing to say that needs ink.
        return Patch(bare, around, u, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, len(pixels), clipped, seen)
    guess = film_density_guess(pixels, around)
    noise = ground.noise(sight.noise_of, around * 10.0**-guess)
    pixel_noise, weights = weights_of(guess, around, ground.grit * noise)
    ink = _ink_of(light, around, weights)
    if not finite.all():
        ink[~finite] = np.nan
    t, t_noise = smoothed(ink, pixel_noise, per_mm)
    peak = film_peak(t[areas.inner], per_mm)
    chosen = peak.core & (np.abs(t[areas.inner] - peak.at) <= NEAR_PEAK * peak.width)
    # OpenCV's mean under a mask sums in double precision and copies nothing.
    mean = np.array(cv2.mean(inner, chosen.view(np.uint8))[:3])
    bend = _bend(mean, around, t[areas.inner][chosen] / max(peak.at, 0.3), t_noise)
    linear = mean - bend
    noise = ground.noise(sight.noise_of, linear)
    scale = peak.at if peak.at > 1e-3 else 1.0
    share, s_noise = smoothed(share_of(light, around, linear), pixel_noise, per_mm, MOST_SHARE_NOISE)
    cover = cover_map(share, s_noise, per_mm, one_coat_share(around, linear, layers))
    mottle = mottle_of(inner, cover[areas.inner], around, linear, noise, per_mm, TELLING)
    uneven = (
        mottle
        if np.all(linear > TELLING_WELL * around)
        else mottle_of(inner, cover[areas.inner], around, linear, noise, per_mm, TELLING_WELL)
    )
    return Patch(
        linear=linear,
        paper=around,
        u_linear=np.sqrt(
            ground.mean_noise(noise, int(chosen.sum()), per_mm) ** 2
            + sight.rounding_of(linear) ** 2
            + (BEND_UNSURE * bend) ** 2
            + (UNSEEN_BARE * peak.thin * (around - linear)) ** 2
        ),
        u_dose=peak.u / scale,
        coverage=float(cover[areas.cell][finite[areas.cell]].mean()),
        mottle=mottle[0],
        uneven=uneven[0],
        uneven_noise=uneven[1],
        grain=grain_of(t[areas.inner] / scale, per_mm),
        bleed_mm=bleed_of(t / scale, areas.cell, per_mm),
        pixels=int(chosen.sum()),
        clipped=_clipped_share(codes[areas.inner], chosen),
        seen=seen,
    )


def _ink_of(light: Light, paper: Array, weights: Array) -> NDArray[np.float32]:
    """Return the weighted density (h, w) of light (h, w, 3) over paper, without a copy of it for each channel.

    The logarithm is OpenCV's, which is many times quicker than one in decades and good to a ten millionth.
    """
    logarithm = cv2.log(np.maximum(light, np.float32(LEAST_LIGHT)))
    matrix = np.append(-weights / np.log(10), weights @ np.log10(paper))[None].astype(np.float32)
    return np.asarray(cv2.transform(logarithm, matrix), dtype=np.float32)


def _bend(mean: Array, paper: Array, t: NDArray[np.float32], t_noise: float) -> Array:
    """Return by how much (3,) the mean light of pixels with more and with less ink exceeds that of their mean ink.

    t: (n,) amounts of ink, relative to the film. Light falls exponentially with ink (Bouguer and Beer), and the
    mean of a hollow curve lies above it; what t scatters by noise does not count.
    """
    variance = max(0.0, float(t.var()) - t_noise**2)
    exponent = np.log(paper / np.maximum(mean, LEAST_LIGHT))
    return np.asarray(np.maximum(mean, 0.0) * exponent**2 * variance / 2)


def _if_bare(inner: Light, paper: Array, noise_sd: Array) -> Array | None:
    """Return the mean light (3,) of a cell without visible ink, None where there is ink.

    A blender or an empty cell has no film whose peak could be looked for: nine tenths of it are within
    a hair of the paper.
    """
    # A few thousand pixels tell it; only a bare cell is then looked at as a whole.
    few = inner[:: max(1, len(inner) // 3000)]
    if np.any(np.abs(np.log10(paper / np.maximum(np.median(few, axis=0), LEAST_LIGHT))) > 2 * BARE_DENSITY):
        return None
    middle = np.sort(inner, axis=0)[len(inner) // 20 : len(inner) - len(inner) // 20]
    mean = middle.mean(axis=0, dtype=np.float64)
    if np.all(np.abs(np.log10(paper / np.maximum(mean, LEAST_LIGHT))) < BARE_DENSITY) and np.all(
        middle.std(axis=0) < BARE_DENSITY * 2.3 * paper + 6 * noise_sd
    ):
        return np.asarray(mean)
    return None


def _clipped_share(codes: NDArray[np.float32], chosen: NDArray[np.bool_]) -> float:
    """Return the share of the chosen pixels (h, w) of codes (h, w, 3) with a channel at the very end of the code range."""
    ends = (codes <= AT_THE_END) | (codes >= 1 - AT_THE_END)
    if not ends.any():
        return 0.0
    ends = (ends[..., 0] | ends[..., 1] | ends[..., 2])[chosen]
    return float(ends.mean()) if len(ends) else 0.0
