"""Bare paper between the cells, to an illumination field and a flare estimate.

Light scatters inside a scanner: the reading of a spot is mostly the light of that spot, and in a
small part f the light of everything around it. So paper between dark swatches reads darker than
open paper, while the lamp's falloff is smooth over the page. Both are fitted at once to the
log reading of many small tiles of bare paper:

    log reading = surface(x, y) + sum_k f_k (B_k / p - 1)

where B_k is the page's own reflectance blurred by radius k and p that of the paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.layout import LABEL_MM
from calib.chart.plan import Box, Page

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# So many tiles tell all there is to tell.
MOST_TILES = 2500
# The page is looked at as a whole at three pixels a millimetre for the tiles of bare paper, and at
# one pixel a millimetre for what varies slowly: illumination and scattered light.
GRID_PER_MM = 3
TILE_PX = 6
# Ink bleeds past a cell's edge and print lies beside other things; the sheet's rim may be shaded.
CLEAR_CELL_MM = 1.5
CLEAR_PRINT_MM = 2.0
CLEAR_RIM_MM = 4.0
# Radii in mm of the light that scatters: from the sensor's near neighbourhood to a fifth of the bed.
# Four build up any falling curve to the precision that paper allows; still wider ones cannot be told
# from the lamp's falloff, and the strip's tone curve takes them up.
RADII_MM = (3.0, 8.0, 18.0, 40.0)
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
USUAL_FLARE = 0.02
ALIKE = 30.0
# How far from a side of the sheet its lifting off the glass may reach.
SIDE_MM = 35.0


@dataclass(frozen=True)
class Tiles:
    """Samples of bare paper: at (n, 2) in millimetres, light (n, 3)."""

    at: Array
    light: Array


@dataclass(frozen=True)
class Lighting:
    """Illumination and flare of one page.

    surface: (m, 3) coefficients of the log illumination, offset: (3,) its value at the reference point.
    local: coarse grid (h, w, 3) of what the surface leaves over, in log illumination. paper: (3,)
    reflectance of the bare paper. flare: (k,) share of the light scattered over each of RADII_MM. residual: robust standard deviation of the tiles' log reading about the fit.
    u_flare: standard uncertainty of the sum of flare. weight: (n,) of the tiles, 0 for those that had no say.
    """

    surface: Array
    offset: Array
    local: Light
    page_mm: tuple[float, float]
    paper: Array
    flare: Array
    u_flare: float
    residual: float
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
    """Return the surface's terms (n, m) at points (n, 2) in millimetres.

    A parabola both ways (Schoenfeld et al., 2016, found the falloff to be one in density, in
    transmission). Higher powers would chase a lifted edge across half the page and pass for flare; what
    a parabola leaves over is the local part's.
    """
    x = 2 * at[:, 0] / page_mm[0] - 1
    y = 2 * at[:, 1] / page_mm[1] - 1
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def paper_mask(page: Page, page_mm: tuple[float, float]) -> NDArray[np.bool_]:
    """Return where the plan leaves bare paper, on the grid of GRID_PER_MM."""
    shape = (round(page_mm[1] * GRID_PER_MM), round(page_mm[0] * GRID_PER_MM))
    mask = np.ones(shape, dtype=bool)

    def clear(box: Box) -> None:
        low_x, low_y = (max(0, int(np.floor(v * GRID_PER_MM))) for v in (box.x_mm, box.y_mm))
        mask[
            low_y : int(np.ceil(box.bottom_mm * GRID_PER_MM)),
            low_x : int(np.ceil(box.right_mm * GRID_PER_MM)),
        ] = False

    for cell in page.cells:
        clear(cell.box.grown(CLEAR_CELL_MM))
        clear(Box(cell.x_mm, cell.y_mm - LABEL_MM, cell.width_mm, LABEL_MM).grown(0.5))
    for box in (mark.box for mark in page.marks):
        clear(box.grown(CLEAR_PRINT_MM))
    for printed in (page.black, page.ruler, *page.texts):
        if printed is not None:
            clear(printed.grown(CLEAR_PRINT_MM))
    # A strip or card laid askew, or larger than planned, reaches out of its rectangle.
    clear(page.strip.grown(4.0))
    if page.slot is not None:
        clear(page.slot.grown(4.0))
    rim = round(CLEAR_RIM_MM * GRID_PER_MM)
    mask[:rim], mask[-rim:], mask[:, :rim], mask[:, -rim:] = False, False, False, False
    return mask


def paper_tiles(light: Light, mask: NDArray[np.bool_]) -> Tiles:
    """Return the tiles of a page grid (h, w, 3) that lie on bare paper as a whole.

    A tile is the mean of its middle half in brightness, so that a speck of dust in it is left out.
    """
    height, width = (n // TILE_PX for n in mask.shape)
    blocks = (
        mask[: height * TILE_PX, : width * TILE_PX].reshape(height, TILE_PX, width, TILE_PX).all(axis=(1, 3))
    )
    values = light[: height * TILE_PX, : width * TILE_PX].reshape(height, TILE_PX, width, TILE_PX, 3)
    rows, columns = np.nonzero(blocks)
    picked = values[rows, :, columns].reshape(len(rows), TILE_PX * TILE_PX, 3)
    # In a picture that cuts the page off, some of it is not there.
    whole = np.isfinite(picked).all(axis=(1, 2))
    rows, columns, picked = rows[whole], columns[whole], picked[whole]
    ordered = np.sort(picked, axis=1)
    quarter = TILE_PX * TILE_PX // 4
    mean = ordered[:, quarter:-quarter].mean(axis=1, dtype=np.float64)
    keep = np.flatnonzero(np.all(mean > 0.02, axis=1))
    keep = keep[:: max(1, round(len(keep) / MOST_TILES))]
    at = (np.stack([columns, rows], axis=1) * TILE_PX + TILE_PX / 2) / GRID_PER_MM
    return Tiles(at[keep].astype(float), mean[keep])


def coarse(light: Light) -> Light:
    """Return a page grid (h, w, 3) of GRID_PER_MM averaged to one pixel a millimetre, NaN where cut off."""
    height, width = (n // GRID_PER_MM for n in light.shape[:2])
    whole = np.ascontiguousarray(light[: height * GRID_PER_MM, : width * GRID_PER_MM])
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)


def coarse_mask(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a mask of GRID_PER_MM at one pixel a millimetre: true where all of the pixel is."""
    height, width = (n // GRID_PER_MM for n in mask.shape)
    blocks = mask[: height * GRID_PER_MM, : width * GRID_PER_MM]
    return np.asarray(blocks.reshape(height, GRID_PER_MM, width, GRID_PER_MM).all(axis=(1, 3)))


def grid_points(shape: tuple[int, ...]) -> Array:
    """Return the page points (h * w, 2) in mm of a coarse grid's pixel centres."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return np.stack([columns.ravel() + 0.5, rows.ravel() + 0.5], axis=1)


def sample(grid: Light, at: Array) -> Array:
    """Return a coarse grid (h, w, 3) interpolated at page points (n, 2) in mm: (n, 3)."""
    x, y = (np.ascontiguousarray(at[:, i : i + 1] - 0.5, dtype=np.float32) for i in (0, 1))
    return np.asarray(cv2.remap(grid, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), float)[:, 0]


def part(grid: Light, box: Box, shape: tuple[int, ...]) -> Light:
    """Return the part of a coarse grid that covers box, interpolated to (h, w, 3) pixels."""
    columns = box.x_mm + (np.arange(shape[1]) + 0.5) * box.width_mm / shape[1] - 0.5
    rows = box.y_mm + (np.arange(shape[0]) + 0.5) * box.height_mm / shape[0] - 0.5
    x, y = np.meshgrid(columns.astype(np.float32), rows.astype(np.float32))
    return np.asarray(cv2.remap(grid, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def blurred(reflectance: Light, paper: Array, beyond: Array) -> list[Light]:
    """Return a coarse page grid (h, w, 3) blurred by each of RADII_MM.

    paper: (3,) what stands in for parts that the picture cuts off. beyond: (3,) what lies around the sheet.
    """
    filled = np.where(np.isfinite(reflectance), reflectance, paper.astype(np.float32)).astype(np.float32)
    pad = 90
    padded = cv2.copyMakeBorder(
        filled, pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=tuple(map(float, beyond))
    )
    result = []
    for radius in RADII_MM:
        # Wide blurs are made on a reduced copy, where they cost nothing and lose nothing.
        step = max(1, int(radius // 8))
        small = cv2.resize(padded, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
        blur = cv2.GaussianBlur(small, (0, 0), radius / step, borderType=cv2.BORDER_REPLICATE)
        full = cv2.resize(blur, padded.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        result.append(np.ascontiguousarray(full[pad:-pad, pad:-pad], dtype=np.float32))
    return result


@dataclass(frozen=True)
class Basis:
    """What the fit stands on: the last estimate of the paper's light (3,), the page's size, the
    point (2,) in mm where illumination is 1 by definition, and one code's step in log light."""

    paper: Array
    page_mm: tuple[float, float]
    reference_mm: Array
    step: float


def fit_lighting(
    tiles: Tiles, around: Sequence[Light], basis: Basis, last: Lighting | None, with_local: bool
) -> Lighting:
    """Fit surface and flare to the tiles; around is what blurred() returned.

    The flare is one number per radius for all channels and never negative. last: the fit of the
    round before, whose weights this one begins with, None for the first. with_local: whether to
    look for a local part, which takes longer than the rest.
    """
    page_mm, reference_mm = basis.page_mm, basis.reference_mm
    design = terms(tiles.at, page_mm)
    excess = np.stack([sample(blur, tiles.at) / basis.paper - 1 for blur in around], axis=1)
    log_light = np.log(tiles.light)
    starts = _starts(tiles.at, page_mm) if last is None else [last.weight]
    rounds = ROBUST_ROUNDS if last is None else 2
    # A JPEG takes the noise out of paper and leaves whole codes: the tiles then stand on terraces, and a
    # robust fit that took the width of one for their scatter would call all the others outliers.
    least = max(basis.step / np.sqrt(12), 1e-6)
    surface, flare, weight, _ = min(
        (_robust((design, excess, log_light), start, rounds, least) for start in starts),
        key=lambda fit: fit[3],
    )
    off = log_light - design @ surface - np.einsum("nkc,k->nc", excess, flare)
    keep = weight > 0
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
        u_flare=_flare_doubt(design[keep], excess[keep], flare, residual),
        residual=residual,
        weight=weight,
    )


def _starts(at: Array, page_mm: tuple[float, float]) -> list[Array]:
    """Return weights (n,) that the fit may begin with: all tiles, and all but those along each side of the sheet.

    A sheet lifts off the glass along a side, where many tiles lie; a fit that begins with them
    all would spread their shade over the page and never find back.
    """
    side = [
        at[:, 0] < SIDE_MM,
        at[:, 0] > page_mm[0] - SIDE_MM,
        at[:, 1] < SIDE_MM,
        at[:, 1] > page_mm[1] - SIDE_MM,
    ]
    return [np.ones(len(at))] + [(~one).astype(float) for one in side if (~one).sum() > len(at) / 3]


def _robust(
    system: tuple[Array, Array, Array], start: Array, rounds: int, least: float
) -> tuple[Array, Array, Array, float]:
    """Return surface, flare, weights (n,) and residual by Tukey's biweight (Huber, Robust Statistics, 1981)."""
    design, excess, log_light = system
    weight = start
    residual = 0.0
    for _ in range(rounds):
        surface, flare = _solve(
            design, excess, log_light, np.sqrt(weight), residual * np.sqrt(ALIKE) / USUAL_FLARE
        )
        off = log_light - design @ surface - np.einsum("nkc,k->nc", excess, flare)
        size = np.sqrt(np.mean(off**2, axis=1))
        residual = float(max(1.4826 * np.median(size), least))
        weight = np.maximum(1 - (size / (OUTLIER * residual)) ** 2, 0) ** 2
    return surface, flare, weight, residual


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
    order = np.argsort(square, kind="stable")
    parts = np.split(order, np.cumsum(count)[:-1])
    chosen = [part for part in parts if len(part) >= 2]
    points = np.array([at[part].mean(axis=0) for part in chosen]).reshape(-1, 2) / SQUARE_MM
    return points, np.array([np.median(off[part], axis=0) for part in chosen]).reshape(-1, 3)


def _flare_doubt(design: Array, excess: Array, flare: Array, residual: float) -> float:
    """Return the standard uncertainty of the sum of flare, from the radii that are in use."""
    used = np.flatnonzero(flare > 0)
    if not len(used):
        # Nothing was found; what could have hidden in the noise is that of the middle radius.
        used = np.array([len(flare) // 2])
    q, _ = np.linalg.qr(design)
    left = np.concatenate([e - q @ (q.T @ e) for e in np.moveaxis(excess[:, used], 2, 0)])
    covariance = np.linalg.pinv(left.T @ left) * residual**2
    # Neighbouring tiles share the paper's texture, so the count of independent ones is smaller.
    return float(np.sqrt(np.sum(covariance)) * 2.0)


def veil(around: Sequence[Light], flare: Array) -> Light:
    """Return the scattered light on the page grid (h, w, 3): what flare adds to each spot,
    as a share of a perfect white's."""
    total = np.zeros_like(around[0])
    for blur, share in zip(around, flare, strict=True):
        total += np.float32(share) * blur
    return total
