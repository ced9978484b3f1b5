"""Bare paper between the cells, to an illumination field and a flare estimate.

Light scatters inside a scanner: the reading of a spot is mostly the light of that spot, and in a
small part f the light of everything around it. So paper between dark swatches reads darker than
open paper, while the lamp's falloff is smooth over the page. Both are fitted at once to the
log reading of many small tiles of bare paper:

    log reading = surface(x, y) + log(1 + sum_k f_k (B_k / p - 1))

where B_k is the page's own reflectance blurred by radius k and p that of the paper. Which f_k, a falling
kernel, says calib.scan.flare.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.bare import Tiles, grid_points, sample, sample_mean
from calib.scan.flare import ALIKE_MM, Flare, Papers, find_flare
from calib.scan.stepflare import Steps

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# For the first, robust look at the tiles four radii are enough.
FEW = slice(2, None, 2)
# How far the illumination may sway from a parabola, in the amplitude of each higher term: a lamp whose light
# falls off by 8 % in a parabola of light sways by 0.0007 from one of density.
SWAY = 5e-4
POWER = 4
PARABOLA = 6
# Where a tile of so many mm is sampled, about its middle: the mean over it is not the light in its middle.
TILE_SPOTS_MM = np.array([[-0.5, -0.5], [0.5, -0.5], [-0.5, 0.5], [0.5, 0.5]])
# What the surface leaves over, from a sheet that lifts off the glass or a lamp with a fault, is
# looked at in squares of this size, and smoothed by the stiffest of these splines that foresees it.
SQUARE_MM = 8.0
STIFFNESS = (1e4, 100.0, 10.0, 1.0, 0.1)
CLEARLY_BETTER = 0.9
# Dust and print are off by more than this in log light against their neighbours.
MOST_OFF = 0.5
# A tile this many robust standard deviations off the fit is print, dust or a stain.
OUTLIER = 4.0
ROBUST_ROUNDS = 6
# What flare is usually found, and how many neighbouring tiles err alike: together they keep what
# cannot be told apart from the terraces of a JPEG from passing for wide flare.
OFTEN_FLARE = 0.02
ALIKE = 30.0
# So many tiles in a square, and so many squares, tell how far a stretch of them is off together.
LEAST_ALIKE = 5
# How far from a side of the sheet its lifting off the glass may reach.
SIDE_MM = 35.0


@dataclass(frozen=True)
class Lighting:
    """Illumination and flare of one page.

    surface: (m, 3) coefficients of the log illumination, offset: (3,) its value at the reference point.
    local: coarse grid (h, w, 3) of what the surface leaves over, in log illumination. paper: (3,)
    reflectance of the bare paper. flare: (k,) share of the light scattered over each of flare.RADII_MM. residual: robust standard deviation of the tiles' log reading about the fit.
    u_flare: standard uncertainty of the sum of flare. u_gain: relative standard uncertainty of the illumination at a place. weight: (n,) of the tiles, 0 for those that had no say.
    """

    surface: Array
    offset: Array
    local: Light
    page_mm: tuple[float, float]
    paper: Array
    flare: Array
    u_flare: float
    residual: float
    u_gain: float
    weight: Array

    def illumination(self) -> Light:
        """Return the illumination on the coarse grid (h, w, 3), 1 at the reference point."""
        shape = self.local.shape
        smooth = terms(grid_points(shape), self.page_mm) @ self.surface - self.offset
        return np.exp(smooth.reshape(shape) + self.local).astype(np.float32)

    def falloff(self) -> float:
        """Return how far the illumination falls from its brightest to its darkest spot on the page, 0..1."""
        light = self.illumination()[5:-5, 5:-5].mean(axis=2)
        return float(1 - light.min() / light.max())


def terms(at: Array, page_mm: tuple[float, float]) -> Array:
    """Return the surface's terms (n, m) at points (n, 2) in millimetres: products of Legendre polynomials.

    The first PARABOLA are a parabola both ways (Schoenfeld et al., 2016, found the falloff to be one in
    density, in transmission). The others, up to the fourth power, may differ from 0 by about SWAY: free, they would chase a
    lifted edge across half the page and pass for flare; what they leave over is the local part's.
    """
    from numpy.polynomial.legendre import legvander

    x = legvander(2 * at[:, 0] / page_mm[0] - 1, POWER)
    y = legvander(2 * at[:, 1] / page_mm[1] - 1, POWER)
    powers = [(i, total - i) for total in range(POWER + 1) for i in range(total, -1, -1)]
    return np.stack([x[:, i] * y[:, j] for i, j in powers], axis=1)


@dataclass(frozen=True)
class Basis:
    """What the fit stands on: the last estimate of the paper's light (3,), the page's size, the
    point (2,) in mm where illumination is 1 by definition, one code's step in log light, the share (3,) of
    the page that reads no light at all, mixtures of the channels (3, c) that are to tell of flare, and what the
    strip shows, if there is one."""

    paper: Array
    page_mm: tuple[float, float]
    reference_mm: Array
    step: float
    unlit: Array
    mix: Array
    steps: Steps | None


def fit_lighting(
    tiles: Tiles, around: Sequence[Light], basis: Basis, last: Lighting | None, with_local: bool
) -> Lighting:
    """Fit surface and flare to the tiles; around is what flare.blurred() returned.

    The flare is one kernel for all channels, never negative. last: the fit of the
    round before, whose weights this one begins with, None for the first. with_local: whether to
    look for a local part, which takes longer than the rest.
    """
    page_mm, reference_mm = basis.page_mm, basis.reference_mm
    design = terms(tiles.at, page_mm)
    spots = [tiles.at + shift for shift in TILE_SPOTS_MM]
    excess = np.stack([sample_mean(blur, spots) / basis.paper - 1 for blur in around], axis=1)
    log_light = np.log(tiles.light)
    # A JPEG takes the noise out of paper and leaves whole codes: the tiles then stand on terraces, and a
    # robust fit that took the width of one for their scatter would call all the others outliers.
    least = max(basis.step / np.sqrt(12), 1e-6)
    flare, weight, residual = _first(design, excess, log_light, page_mm, least) if last is None else (
        last.flare, last.weight, max(last.residual, least)
    )  # fmt: skip
    for steps in (None, basis.steps):
        # The strip is asked when the tiles have settled.
        found = _flare(
            tiles.at, (design, excess, log_light), (weight, residual, flare), replace(basis, steps=steps)
        )
        flare = found.share
        even = log_light - np.log1p(np.einsum("nkc,k->nc", excess, flare))
        surface = _surface(design, even, weight, residual)
        off = even - design @ surface
        weight, residual = _weights(off, least)
    shape = around[0].shape
    local = _local(tiles.at, off, shape, basis.step) if with_local else np.zeros(shape, np.float32)
    rest = off - sample(local, tiles.at)
    residual = float(max(1.4826 * np.median(np.abs(rest - np.median(rest, axis=0))), 1e-6))
    offset = (terms(reference_mm[None], page_mm) @ surface)[0] + sample(local, reference_mm[None])[0]
    return Lighting(
        surface=surface,
        offset=offset,
        local=local,
        page_mm=page_mm,
        paper=np.exp(offset),
        flare=flare,
        u_flare=found.u,
        residual=residual,
        u_gain=_swaying(tiles.at, rest, weight),
        weight=weight,
    )


def _swaying(at: Array, rest: Array, weight: Array) -> float:
    """Return how far the illumination is off at a place, relative, from the tiles' rest (n, 3) of log light.

    Neighbouring tiles that are off alike, over a stretch as large as a swatch, show what the fit has missed; that their
    mean is off by the scatter of single ones is taken away.
    """
    used = weight > 0
    rest, square = rest[used], np.floor(at[used] / ALIKE_MM).astype(int)
    _, index, count = np.unique(square[:, 0] + 1000 * square[:, 1], return_inverse=True, return_counts=True)
    enough = count >= LEAST_ALIKE
    if enough.sum() < LEAST_ALIKE:
        return float(np.sqrt(np.mean(np.square(rest))))
    means = _sums(index, rest) / count[:, None]
    variances = _sums(index, np.square(rest - means[index]))[enough] / (count[enough, None] - 1)
    squares = float(np.mean(np.square(means[enough])))
    by_chance = float(np.mean(variances / count[enough, None]))
    return float(np.sqrt(max(squares - by_chance, 0.0)))


def _sums(index: NDArray[np.intp], values: Array) -> Array:
    """Return the sums (groups, c) of values (n, c) by the group that each belongs to, index (n,)."""
    return np.stack([np.bincount(index, column) for column in values.T], axis=1)


def _stiff(design: Array, residual: float) -> Array:
    """Return rows (m', m) that hold the terms past the parabola to SWAY where tiles scatter by residual."""
    return np.eye(design.shape[1])[PARABOLA:] * residual / SWAY


def _surface(design: Array, even: Array, weight: Array, residual: float) -> Array:
    """Return the surface (m, 3) of log light (n, 3) without flare, by weighted least squares."""
    stiff = _stiff(design, residual)
    root = np.sqrt(weight)[:, None]
    left = np.concatenate([design * root, stiff])
    right = np.concatenate([even * root, np.zeros((len(stiff), even.shape[1]))])
    return np.asarray(np.linalg.lstsq(left, right, rcond=None)[0])


def _flare(
    at: Array, system: tuple[Array, Array, Array], last: tuple[Array, float, Array], basis: Basis
) -> Flare:
    """Return the flare that the tiles at (n, 2) and the strip tell of.

    system: design, excess and log light. last: weights (n,), residual and flare (k,) of the estimate before.
    """
    (design, excess, log_light), (weight, residual, flare) = system, last
    stiff = _stiff(design, residual)
    root = np.sqrt(weight)[:, None]
    q, _ = np.linalg.qr(np.concatenate([design * root, stiff]))

    def rest(values: Array) -> Array:
        flat = values.reshape(len(values), -1) * root
        flat = np.concatenate([flat, np.zeros((len(stiff), flat.shape[1]))])
        return np.asarray(flat - q @ (q.T @ flat)).reshape(-1, *values.shape[1:])

    # The log of light with flare is a straight line of the flare but for this bend.
    total = np.einsum("nkc,k->nc", excess, flare)
    straight = log_light - np.log1p(total) + total
    papers = Papers(
        rest(straight @ basis.mix), rest(excess @ basis.mix), at, float(weight.sum()), basis.unlit @ basis.mix
    )
    return find_flare(papers, basis.steps, flare)


def _weights(off: Array, least: float) -> tuple[Array, float]:
    """Return weights (n,) and residual by Tukey's biweight (Huber, Robust Statistics, 1981) of what is left over (n, 3)."""
    size = np.sqrt(np.mean(off**2, axis=1))
    residual = float(max(1.4826 * np.median(size), least))
    return np.maximum(1 - (size / (OUTLIER * residual)) ** 2, 0) ** 2, residual


def _first(
    design: Array, excess: Array, log_light: Array, page_mm: tuple[float, float], least: float
) -> tuple[Array, Array, float]:
    """Return a first guess of flare (k,), of the tiles' weights (n,) and their residual.

    Of a few beginnings, each carried on with a parabola and a few radii, the one wins that leaves the least.
    """
    x, y = design[:, 1], design[:, 2]
    system = (design[:, :PARABOLA], excess[:, FEW], log_light)
    near = (1 - 2 * SIDE_MM / page_mm[0], 1 - 2 * SIDE_MM / page_mm[1])
    starts = _starts([x < -near[0], x > near[0], y < -near[1], y > near[1]])
    few, weight, residual = min((_robust(system, start, least) for start in starts), key=lambda fit: fit[2])
    flare = np.zeros(excess.shape[1])
    flare[FEW] = few
    return flare, weight, residual


def _starts(sides: Sequence[NDArray[np.bool_]]) -> list[Array]:
    """Return weights (n,) that the fit may begin with: all tiles, and all but those along each side of the sheet.

    A sheet lifts off the glass along a side, where many tiles lie; a fit that begins with them
    all would spread their shade over the page and never find back.
    """
    count = len(sides[0])
    return [np.ones(count)] + [(~one).astype(float) for one in sides if (~one).sum() > count / 3]


def _robust(system: tuple[Array, Array, Array], start: Array, least: float) -> tuple[Array, Array, float]:
    """Return flare (few,), weights (n,) and residual of a fit of parabola and flare that begins with weights start."""
    design, excess, log_light = system
    weight = start
    residual = 0.0
    for _ in range(ROBUST_ROUNDS):
        surface, flare = _solve(
            design, excess, log_light, np.sqrt(weight), residual * np.sqrt(ALIKE) / OFTEN_FLARE
        )
        off = log_light - design @ surface - np.einsum("nkc,k->nc", excess, flare)
        weight, residual = _weights(off, least)
    return flare, weight, residual


def _solve(
    design: Array, excess: Array, log_light: Array, root_weight: Array, pull: float
) -> tuple[Array, Array]:
    """Return surface (m, 3) and flare (k,) of least squares with flare never negative.

    pull: how hard each radius's flare is pulled to zero, as the weight of one more equation.
    """
    from scipy.optimize import nnls

    design, log_light = design * root_weight[:, None], log_light * root_weight[:, None]
    excess = excess * root_weight[:, None, None]
    q, r = np.linalg.qr(design)

    def rest(values: Array) -> Array:
        return np.asarray(values - q @ (q.T @ values))

    channels = range(log_light.shape[1])
    left = np.concatenate([rest(excess[:, :, c]) for c in channels])
    right = np.concatenate([rest(log_light[:, c]) for c in channels])
    radii = excess.shape[1]
    flare, _ = nnls(np.vstack([left, pull * np.eye(radii)]), np.concatenate([right, np.zeros(radii)]))
    explained = np.einsum("nkc,k->nc", excess, flare)
    return np.linalg.solve(r, q.T @ (log_light - explained)), flare


def _local(at: Array, off: Array, shape: tuple[int, ...], step: float) -> Light:
    """Return what the surface leaves over of the log illumination, on the coarse grid (h, w, 3).

    The tiles' medians by squares, so that print and dust have no say, are smoothed by a thin-plate
    spline. Of several stiffnesses the stiffest wins that foresees left-out squares nearly as
    well as the best, so that where lighting is a parabola nothing is added but nothing.
    """
    from scipy.interpolate import RBFInterpolator

    points, values = _squares(at, off)
    if len(points) < 30:
        return np.zeros(shape, dtype=np.float32)
    fold = np.random.default_rng(0).integers(0, 5, len(points))
    # To beat: no local part at all.
    none = float(np.mean(np.abs(values)))
    best, least = None, none
    for stiffness in STIFFNESS:
        missed = []
        for one in range(5):
            out = fold == one
            spline = RBFInterpolator(points[~out], values[~out], smoothing=stiffness, degree=1)
            missed.append(np.abs(spline(points[out]) - values[out]))
        error = float(np.mean(np.concatenate(missed)))
        if error < CLEARLY_BETTER * least and none - error > 0.3 * step:
            best, least = stiffness, error
    if best is None:
        return np.zeros(shape, dtype=np.float32)
    step = 4
    small = (shape[0] // step + 2, shape[1] // step + 2)
    rows, columns = np.mgrid[: small[0], : small[1]] * step
    where = np.stack([columns.ravel(), rows.ravel()], axis=1) / SQUARE_MM
    field = RBFInterpolator(points, values, smoothing=best, degree=1)(where).reshape(*small, 3)
    x, y = np.meshgrid((np.arange(shape[1]) + 0.5) / step, (np.arange(shape[0]) + 0.5) / step)
    large = cv2.remap(field.astype(np.float32), x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    return np.asarray(large, dtype=np.float32)


def _squares(at: Array, off: Array) -> tuple[Array, Array]:
    """Return the middles (n, 2), in squares, and the median log light (n, 3) of squares with paper enough."""
    good = np.abs(off).max(axis=1) < MOST_OFF
    at, off = at[good], off[good]
    index = np.floor(at / SQUARE_MM).astype(int)
    _, square, count = np.unique(index[:, 0] + 1000 * index[:, 1], return_inverse=True, return_counts=True)
    points = _sums(square, at) / count[:, None] / SQUARE_MM
    # Each square's tiles from dark to light, one square after the other: their middle one or two are the median.
    first = np.cumsum(count) - count
    middle = np.empty((len(count), off.shape[1]))
    for channel in range(off.shape[1]):
        ordered = off[np.lexsort((off[:, channel], square)), channel]
        middle[:, channel] = (ordered[first + (count - 1) // 2] + ordered[first + count // 2]) / 2
    return points[count >= 2], middle[count >= 2]
