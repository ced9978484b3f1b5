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

from calib.scan.strip import block_means

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# How much of the surroundings is looked at, for paper and for ink that ran past the edge.
AROUND_MM = 2.4
# Kept clear of inside the cell: a hand's wobbly edge, and the scanner's blur.
INNER_MM = 1.2
# Above and below the cell stands print, so that bleeding is followed less far there.
BLEED_UPDOWN_MM = 0.8
CORNER_MM = 1.5
# Below this share of the film's ink a spot counts as bare.
INKED = 0.5
# Peaks below this share of the densest ink are paper between grains, not film.
GRAIN = 0.45
# A spot counts as covered all round when there is ink this far from it; the widest that leaves
# spots enough is taken.
CORE_MM = (0.25, 0.17, 0.085)
LEAST_CORE = 300
LEAST_LIGHT = 1e-4
# Under this density in every channel (about 0.4 L*) nothing can be called ink.
BARE_DENSITY = 0.004
# A channel that sends back less than this share of a perfect white's light tells nothing of mottle.
TELLING_LIGHT = 0.05
# A pixel's t may scatter so much before it is averaged with its neighbours.
MOST_T_NOISE = 0.12
SMOOTHING_MM = (0.0, 0.12, 0.25, 0.5, 0.8)
BINS = np.linspace(-0.5, 3.5, 401)


@dataclass(frozen=True)
class Patch:
    """One swatch as it was read.

    linear: (3,) light of the film, a perfect white = 1. paper: (3,) of the bare paper around it.
    u_dose: relative standard uncertainty of the amount of ink, from how it varies over the cell.
    u_linear: (3,) standard uncertainty of linear from pixel noise. coverage: inked share of the cell, 0..1.
    mottle: coefficient of variation of the densest channel's density. bleed_mm: mean over the edges.
    pixels: how many stand behind linear. clipped: share of the pixels at the end of the code range.
    seen: share of the cell that the picture shows.
    """

    linear: Array
    paper: Array
    u_linear: Array
    u_dose: float
    coverage: float
    mottle: float
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


def take_film(codes: NDArray[np.float32], light: Light, per_mm: float, paper: Array, noise_sd: Array) -> Patch | None:
    """Measure one swatch.

    codes, light: (h, w, 3) of the cell grown by AROUND_MM; codes in 0..1, light linear, NaN outside
    the picture. paper: (3,) of the page. noise_sd: (3,) of quarter-millimetre squares at the paper's
    light. Returns None where less than half of the cell is in the picture.
    """
    areas = _areas(light.shape, per_mm)
    inner = light[areas.inner].reshape(-1, 3)
    there = np.isfinite(inner).all(axis=1)
    seen = float(np.isfinite(light[areas.cell]).all(axis=2).mean())
    if seen < 0.5 or not there.any():
        return None
    around = _paper_around(light, per_mm, paper)
    density = np.log10(around.astype(np.float32) / np.maximum(light, LEAST_LIGHT))
    bare = _if_bare(inner[there], around, noise_sd)
    if bare is not None:
        ends = _clipped_share(codes[areas.inner].reshape(-1, 3)[there])
        return Patch(bare, around, noise_sd / np.sqrt(there.sum() / (0.25 * per_mm) ** 2 / 4), 0.0, 0.0, 0.0, 0.0, int(there.sum()), ends, seen)
    film = _film_density(density[areas.inner].reshape(-1, 3)[there])
    t_noise, weights = _weights(film, around, noise_sd, per_mm)
    t = (density @ weights.astype(np.float32)).astype(np.float32)
    t = _smoothed(t, t_noise, per_mm)
    peak, width, core = _film_peak(t[areas.inner], per_mm)
    chosen = core & (np.abs(t[areas.inner] - peak) <= 1.5 * width)
    linear = light[areas.inner][chosen].mean(axis=0, dtype=np.float64)
    scale = peak if peak > 1e-3 else 1.0
    clipped = _clipped_share(codes[areas.inner][chosen])
    blocks = max(1.0, chosen.sum() / (0.25 * per_mm) ** 2)
    return Patch(
        linear=linear,
        paper=around,
        u_linear=noise_sd / np.sqrt(blocks / 4),
        u_dose=_dose_doubt(t[areas.inner], peak, width) / scale,
        coverage=_coverage(light[areas.cell], around, linear, t_noise, per_mm),
        mottle=_mottle(light[areas.inner], t[areas.inner] / scale, around, linear, noise_sd, per_mm),
        bleed_mm=_bleed(t / scale, areas.cell, per_mm),
        pixels=int(chosen.sum()),
        clipped=clipped,
        seen=seen,
    )


def _paper_around(light: Light, per_mm: float, paper: Array) -> Array:
    """Return the bare paper beside the cell, or the page's where print or ink covers it.

    Only the outer half millimetre left and right is taken; above and below stands print.
    """
    side = max(1, round(0.6 * per_mm))
    band = slice(round(AROUND_MM * per_mm), light.shape[0] - round(AROUND_MM * per_mm))
    edges = np.concatenate([light[band, :side].reshape(-1, 3), light[band, -side:].reshape(-1, 3)])
    edges = edges[np.isfinite(edges).all(axis=1)]
    if len(edges) < 20:
        return paper
    local = np.median(edges, axis=0).astype(np.float64)
    # Paper is the same over the page once lighting is undone; a larger step is not paper.
    return local if np.all(np.abs(local / paper - 1) < 0.02) else paper


def _if_bare(inner: Light, paper: Array, noise_sd: Array) -> Array | None:
    """Return the mean light (3,) of a cell without visible ink, None where there is ink.

    A blender or an empty cell has no film whose peak could be looked for: nine tenths of it are within
    a hair of the paper.
    """
    middle = np.sort(inner, axis=0)[len(inner) // 20 : len(inner) - len(inner) // 20]
    mean = middle.mean(axis=0, dtype=np.float64)
    if np.all(np.abs(np.log10(paper / np.maximum(mean, LEAST_LIGHT))) < BARE_DENSITY) and np.all(
        middle.std(axis=0) < BARE_DENSITY * 2.3 * paper + 6 * noise_sd
    ):
        return np.asarray(mean)
    return None


def _film_density(density: NDArray[np.float32]) -> Array:
    """Return a first guess (3,) of the film's density: the middle of the denser third."""
    total = density.sum(axis=1)
    low, high = np.percentile(total, [70, 95])
    rows = density[(total >= low) & (total <= high)]
    return np.asarray(np.median(rows, axis=0), dtype=np.float64)


def _weights(film: Array, paper: Array, noise_sd: Array, per_mm: float) -> tuple[float, Array]:
    """Return the noise of t per pixel, and the weights (3,) of the channels in t.

    The channels are weighted as a matched filter weights them: by what the ink changes in each,
    over the variance of the noise of its density, which grows as the light gets small.
    """
    light = paper * 10.0**-film
    pixel_sd = noise_sd * max(1.0, 0.25 * per_mm * 0.7)
    sd = np.maximum(pixel_sd, 1e-5) / np.maximum(light, LEAST_LIGHT) / np.log(10)
    # A channel next to black tells nothing of the amount of ink, whatever its noise.
    sd = np.hypot(sd, 0.004 / np.maximum(light, LEAST_LIGHT) * 0.1)
    wanted = np.maximum(film, 0.0)
    power = float(np.sum(wanted**2 / sd**2))
    if power < 1e-6:
        # Nothing darker than paper: t is then the plain mean of the densities.
        return 0.0, np.full(3, 1 / 3)
    return float(1 / np.sqrt(power)), wanted / sd**2 / power


def _smoothed(t: NDArray[np.float32], noise: float, per_mm: float) -> NDArray[np.float32]:
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


def _film_peak(t: NDArray[np.float32], per_mm: float) -> tuple[float, float, NDArray[np.bool_]]:
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
    width = float(middle[1] - middle[0])
    weight, band_weight, rest_weight = 0.7, 0.15, 0.15
    band_mean, band_sd = mean * 1.5 + 0.1, 0.3 * abs(mean) + 0.05
    floor = 1.0 / (middle[-1] - middle[0])
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


def _coverage(light: Light, paper: Array, film: Array, noise: float, per_mm: float) -> float:
    """Return the inked share of the cell, 0..1.

    A pixel half of whose area is inked sends back the mean of both lights, so the share is taken in
    linear light, where the scanner's blur keeps it. Between a sixth and five sixths a pixel counts
    in part; beyond, the rest is noise of the paper or mottle of the film.
    """
    drop = paper - film
    share = (paper.astype(np.float32) - light) @ (drop / max(float(drop @ drop), 1e-9)).astype(np.float32)
    share = _smoothed(share, noise, per_mm)
    return float(np.nanmean(np.clip((share - 1 / 6) * 1.5, 0, 1)))


def _clipped_share(codes: NDArray[np.float32]) -> float:
    """Return the share of pixels with a channel at the very end of the code range."""
    ends = (codes <= 1e-6) | (codes >= 1 - 1e-6)
    return float(ends.any(axis=1).mean()) if len(codes) else 0.0


def _dose_doubt(t: NDArray[np.float32], peak: float, width: float) -> float:
    """Return the standard uncertainty of the film's t, from the means of 15 parts of the cell.

    The parts see the ink's own clouds at their own size, which a count of pixels would not.
    """
    means = []
    for rows in np.array_split(t, 3, axis=0):
        for piece in np.array_split(rows, 5, axis=1):
            chosen = piece[np.abs(piece - peak) <= 2 * width]
            if chosen.size > 8:
                means.append(float(chosen.mean()))
    return float(np.std(means, ddof=1) / np.sqrt(len(means))) if len(means) > 2 else width


def _mottle(
    light: Light, t: NDArray[np.float32], paper: Array, film: Array, noise_sd: Array, per_mm: float
) -> float:
    """Return the coefficient of variation of the densest channel's density over the inked squares.

    A channel so dark that its density drowns in noise or in the light off the surface is passed
    over for the next one; of an ink that is black in all of them the lightest is taken.
    """
    told = np.where(film > TELLING_LIGHT, paper / np.maximum(film, LEAST_LIGHT), 0.0)
    channel = int(np.argmax(told)) if told.any() else int(np.argmax(film))
    squares = block_means(light, per_mm)
    inked = block_means((t > INKED).astype(np.float32), per_mm)[:, 0] > 0.9
    values = squares[inked & np.isfinite(squares).all(axis=1)][:, channel]
    if len(values) < 8:
        return 0.0
    density = np.log10(paper[channel] / np.maximum(values, LEAST_LIGHT))
    mean = float(density.mean())
    if mean < 0.005:
        return 0.0
    noise = noise_sd[channel] / max(float(values.mean()), LEAST_LIGHT) / np.log(10)
    return float(np.sqrt(max(0.0, float(density.var()) - noise**2)) / mean)


def _bleed(t: NDArray[np.float32], cell: tuple[slice, slice], per_mm: float) -> float:
    """Return how far ink runs on past the cell's edges without a break, the mean over the edges in mm."""
    inked = t > INKED
    rows, columns = cell
    corner = round(CORNER_MM * per_mm)
    updown = max(1, round(BLEED_UPDOWN_MM * per_mm))
    middle_rows = slice(rows.start + corner, rows.stop - corner)
    middle_columns = slice(columns.start + corner, columns.stop - corner)
    runs = [
        inked[middle_rows, : columns.start][:, ::-1],
        inked[middle_rows, columns.stop :],
        inked[rows.start - updown : rows.start, middle_columns][::-1].T,
        inked[rows.stop : rows.stop + updown, middle_columns].T,
    ]
    lengths = [np.cumprod(run, axis=1).sum(axis=1) for run in runs if run.size]
    return float(np.concatenate(lengths).mean() / per_mm) if lengths else 0.0


def take_black(light: Light) -> Array | None:
    """Return the light (3,) of the middle of the black patch (h, w, 3), None where it is cut off.

    The median, because a home printer's black has pale streaks and pinholes.
    """
    pixels = light.reshape(-1, 3)
    there = np.isfinite(pixels).all(axis=1)
    return np.asarray(np.median(pixels[there], axis=0), dtype=np.float64) if there.mean() > 0.5 else None
