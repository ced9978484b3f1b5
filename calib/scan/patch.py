"""Pixels inside a cell to film colour, coverage, mottle and bleed.

Hand colouring leaves overlap bands, white gaps, grain and wobbly edges. What is wanted is the
colour of the ink film where it lies as one coat, so every pixel gets one number t, the amount of
ink on the scale paper = 0, film = 1, and the film is the main peak of its distribution.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.film import INKED, LEAST_LIGHT, film_density_guess, film_peak, smoothed, weights_of
from calib.scan.strip import BLOCK_MM, block_means

Array = NDArray[np.float64]
Light = NDArray[np.float32]
NoiseOf = Callable[[Array], Array]

# How much of the surroundings is looked at, for paper and for ink that ran past the edge.
AROUND_MM = 2.4
# Kept clear of inside the cell: a hand's wobbly edge, and the scanner's blur.
INNER_MM = 1.2
# Above and below the cell stands print, so that bleeding is followed less far there.
BLEED_UPDOWN_MM = 0.8
CORNER_MM = 1.5
# Under this density in every channel (about 0.4 L*) nothing can be called ink.
BARE_DENSITY = 0.004
# A channel that sends back less than this share of a perfect white's light tells nothing of mottle.
TELLING_LIGHT = 0.1
# Bare spots smaller than twice this are grain, larger ones were left out by the hand.
GRAIN_MM = 0.5


@dataclass(frozen=True)
class Patch:
    """One swatch as it was read.

    linear: (3,) light of the film, a perfect white = 1. paper: (3,) of the bare paper around it.
    u_dose: relative standard uncertainty of the amount of ink, from how it varies over the cell.
    u_linear: (3,) standard uncertainty of linear from pixel noise. coverage: inked share of the cell, 0..1.
    mottle: coefficient of variation of the densest channel's density, noise removed; mottle_noise: what
    noise alone would have made it. grain: share of the cell's inside that is bare in small spots, as a
    dry pen leaves it. bleed_mm: mean over the edges. pixels: how many stand behind linear. clipped: share of the pixels at the end of the code range.
    seen: share of the cell that the picture shows.
    """

    linear: Array
    paper: Array
    u_linear: Array
    u_dose: float
    coverage: float
    mottle: float
    mottle_noise: float
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


def take_film(
    codes: NDArray[np.float32], light: Light, per_mm: float, paper: Array, noise_of: NoiseOf
) -> Patch | None:
    """Measure one swatch.

    codes, light: (h, w, 3) of the cell grown by AROUND_MM; codes in 0..1, light linear, NaN outside
    the picture. paper: (3,) of the page. noise_of: the standard deviation (3,) of quarter-millimetre
    squares at a light (3,). Returns None where less than half of the cell is in the picture.
    """
    areas = _areas(light.shape, per_mm)
    finite = np.isfinite(light[..., 0] + light[..., 1] + light[..., 2])
    seen = float(finite[areas.cell].mean())
    inner = light[areas.inner]
    there = finite[areas.inner]
    if seen < 0.5 or not there.any():
        return None
    around = _paper_around(light, per_mm, paper)
    bare = _if_bare(inner[there], around, noise_of(around))
    if bare is not None:
        return _bare_patch(bare, around, noise_of(around), codes[areas.inner][there], per_mm, seen)
    density = np.log10(around.astype(np.float32) / np.maximum(light, LEAST_LIGHT))
    guess = film_density_guess(density[areas.inner][there])
    noise = noise_of(around * 10.0**-guess)
    t_noise, weights = weights_of(guess, around, noise, per_mm)
    t = smoothed(density @ weights.astype(np.float32), t_noise, per_mm)
    peak, width, core = film_peak(t[areas.inner], per_mm)
    chosen = core & (np.abs(t[areas.inner] - peak) <= 1.5 * width)
    linear = inner[chosen].mean(axis=0, dtype=np.float64)
    noise = noise_of(linear)
    scale = peak if peak > 1e-3 else 1.0
    mottle, mottle_noise = _mottle(inner, t[areas.inner] / scale, around, linear, noise, per_mm)
    return Patch(
        linear=linear,
        paper=around,
        u_linear=noise / np.sqrt(_independent(int(chosen.sum()), per_mm)),
        u_dose=_dose_doubt(t[areas.inner], peak, width) / scale,
        coverage=_coverage(light[areas.cell], around, linear, t_noise, per_mm),
        mottle=mottle,
        mottle_noise=mottle_noise,
        grain=_grain(t[areas.inner] / scale, per_mm),
        bleed_mm=_bleed(t / scale, areas.cell, per_mm),
        pixels=int(chosen.sum()),
        clipped=_clipped_share(codes[areas.inner][chosen]),
        seen=seen,
    )


def _bare_patch(
    light: Array, paper: Array, noise: Array, codes: NDArray[np.float32], per_mm: float, seen: float
) -> Patch:
    """Return the patch of a cell without visible ink: its mean, and nothing that needs ink."""
    count = len(codes)
    u = noise / np.sqrt(_independent(count, per_mm))
    return Patch(light, paper, u, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, count, _clipped_share(codes), seen)


def _independent(pixels: int, per_mm: float) -> float:
    """Return how many independent squares of a quarter millimetre so many pixels are worth.

    Neighbouring squares share some of their noise; a quarter of them count.
    """
    return max(1.0, pixels / (BLOCK_MM * per_mm) ** 2 / 4)


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


def _coverage(light: Light, paper: Array, film: Array, noise: float, per_mm: float) -> float:
    """Return the inked share of the cell, 0..1.

    A pixel half of whose area is inked sends back the mean of both lights, so the share is taken in
    linear light, where the scanner's blur keeps it. Between a sixth and five sixths a pixel counts
    in part; beyond, the rest is noise of the paper or mottle of the film.
    """
    drop = paper - film
    share = (paper.astype(np.float32) - light) @ (drop / max(float(drop @ drop), 1e-9)).astype(np.float32)
    share = smoothed(share, noise, per_mm)
    return float(np.nanmean(np.clip((share - 1 / 6) * 1.5, 0, 1)))


def _clipped_share(codes: NDArray[np.float32]) -> float:
    """Return the share of pixels with a channel at the very end of the code range."""
    ends = (codes <= 1e-6) | (codes >= 1 - 1e-6)
    return float((ends[:, 0] | ends[:, 1] | ends[:, 2]).mean()) if len(codes) else 0.0


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
) -> tuple[float, float]:
    """Return the coefficient of variation of the densest channel's density over the inked squares, and
    how large noise alone would have made it.

    A channel so dark that its density drowns in noise or in the light off the surface is passed
    over for the next one; of an ink that is black in all of them the lightest is taken.
    """
    told = np.where(film > TELLING_LIGHT, paper / np.maximum(film, LEAST_LIGHT), 0.0)
    channel = int(np.argmax(told)) if told.any() else int(np.argmax(film))
    squares = block_means(light, per_mm)
    inked = block_means((t > INKED).astype(np.float32), per_mm)[:, 0] > 0.9
    values = squares[inked & np.isfinite(squares).all(axis=1)][:, channel]
    if len(values) < 8:
        return 0.0, 0.0
    density = np.log10(paper[channel] / np.maximum(values, LEAST_LIGHT))
    mean = float(density.mean())
    if mean < BARE_DENSITY:
        return 0.0, 0.0
    noise = noise_sd[channel] / max(float(values.mean()), LEAST_LIGHT) / np.log(10)
    return float(np.sqrt(max(0.0, float(density.var()) - noise**2)) / mean), float(noise / mean)


def _grain(t: NDArray[np.float32], per_mm: float) -> float:
    """Return the share of the area that is bare, but has ink on all sides within GRAIN_MM."""
    inked = (np.nan_to_num(t, nan=1.0) > INKED).astype(np.uint8)
    size = 2 * round(GRAIN_MM * per_mm) + 1
    closed = cv2.morphologyEx(
        inked, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    )
    return float(np.mean(closed > inked))


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
