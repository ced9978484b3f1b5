"""The light on a photographed page: bare paper between the cells to a field of illumination.

Lamps, windows, vignetting and soft shadows make light that no parabola describes, but nearly all of it changes slowly between one
gutter and the next. So the log reading of bare paper is smoothed by a thin-plate spline, as stiff as squares of paper
that are left out in turn are best foreseen. Light and its colour are smoothed apart: the colour changes less, and a JPEG
keeps less of it. What is foreseen badly stays doubtful, place by place.

Light strewn in a lens falls nearly evenly over the picture. What falls evenly is alike in the strip's steps and in the swatches,
so the tone curve undoes it with the rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.bare import GRID_PER_MM, Tiles
from calib.scan.flare import RADII_MM
from calib.scan.lighting import Lighting, terms

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# Bare paper is pooled in squares of so many mm.
SQUARE_PX = 8 * GRID_PER_MM
LEAST_PIXELS = 12
# Squares are left out together over pieces as large as a cell with its gutters, because nothing is seen inside a cell.
PIECE_MM = 18.0
# The splines that compete; distances in units of this length.
UNIT_MM = 20.0
STIFFNESS = (1e3, 100.0, 10.0, 1.0, 0.1, 0.01, 0.001)
CLEARLY_BETTER = 0.97
# A square this many robust deviations off what its surroundings foresee is ink, print, dirt or glare.
OUTLIER = 6.0
LEAST_OFF = 0.02
# Squares within this distance say how well the light is known at a place.
AROUND_MM = 28.0
# A cell has paper on its sides, nearer than the pieces that were left out: of what is missed there so much is missed in
# cells, and never less than the floor (relative; both set on the pictures of tests/benchmarks/photos.py that it was developed with).
OF_MISSED = 0.6
FLOOR = 0.008
# What is left of a swatch's light in each channel by itself, relative, and of the darkest inks as a share of a perfect white's
# (set on the same pictures).
CHANNEL, CHANNEL_DARK = 0.006, 0.0008
GRID_STEP = 3


@dataclass(frozen=True)
class PhotoLight:
    """The illumination of a photographed page, and how well it is known.

    lighting: as a scan's, without flare. at (n, 2): squares of bare paper, in mm. missed (n, 3): by how much of log light each is off what
    its surroundings foresee: the channels' mean, and red and blue against green. stiffness: of the splines of light and of its colour.
    """

    lighting: Lighting
    at: Array
    missed: Array
    stiffness: tuple[float, float]

    def doubt(self, at: Array) -> float:
        """Return the relative standard uncertainty of the illumination at a place (2,) in mm."""
        sound = self.lighting.weight > 0
        near = sound & (np.hypot(*(self.at - at).T) < AROUND_MM)
        missed = self.missed[near if near.sum() >= 4 else sound, 0]
        return float(np.hypot(FLOOR, OF_MISSED * np.sqrt(np.mean(missed**2))))


def photo_noise(linear: Array) -> Array:
    """Return the standard uncertainty (3,) of a photographed film's light (3,) in each channel by itself."""
    return np.asarray(CHANNEL * np.maximum(linear, 0.0) + CHANNEL_DARK)


def paper_squares(grid: Light, mask: NDArray[np.bool_]) -> Tiles:
    """Return bare paper of a page grid (h, w, 3) of GRID_PER_MM pooled in squares; mask (h, w): where it is bare."""
    rows, columns = np.nonzero(mask & np.isfinite(grid).all(axis=2))
    light = grid[rows, columns].astype(np.float64)
    index = rows // SQUARE_PX * 10_000 + columns // SQUARE_PX
    _, square = np.unique(index, return_inverse=True)

    def means(values: Array, weight: Array) -> Array:
        total = np.maximum(np.bincount(square, weight), 1e-9)
        return np.stack([np.bincount(square, weight * v) for v in values.T], axis=1) / total[:, None]

    weight = np.ones(len(square))
    for _ in range(2):
        # Specks and print that ran are left out.
        mean = means(light, weight)
        off = np.abs(light / np.maximum(mean[square], 1e-6) - 1).max(axis=1)
        weight = (off < np.maximum(0.03, 2.5 * np.median(off))).astype(float)
    at = means(np.stack([columns + 0.5, rows + 0.5], axis=1) / GRID_PER_MM, weight)
    keep = (np.bincount(square, weight) >= LEAST_PIXELS) & np.all(mean > 0.01, axis=1)
    return Tiles(at[keep], means(light, weight)[keep])


def fit_photo_light(
    tiles: Tiles,
    shape: tuple[int, ...],
    page_mm: tuple[float, float],
    reference_mm: Array,
    last: PhotoLight | None = None,
) -> PhotoLight:
    """Fit the illumination to squares of bare paper, whose light is linear; shape: (h, w, 3) of the coarse grid.

    reference_mm: (2,) where it is 1. last: the fit before, whose stiffness is kept, None to look for it.
    """
    log_light = np.log(tiles.light)
    parts = _apart(log_light)
    points = tiles.at / UNIT_MM - np.array(page_mm) / (2 * UNIT_MM)
    good = np.ones(len(points), dtype=bool)
    if last is not None:
        stiffness, good, missed = last.stiffness, last.lighting.weight > 0, last.missed
    else:
        stiffness, missed = _foreseen(points, parts, good, None)
        size = np.abs(missed[:, 0])
        limit = max(LEAST_OFF, OUTLIER * 1.4826 * float(np.median(size[good])))
        # At a sharp edge of a shadow many squares are off, and are true; single ones are not.
        good = (size < limit) | _in_company(tiles.at, size > limit / 2)
        if not good.all():
            stiffness, missed = _foreseen(points, parts, good, stiffness)
    field = _field(points[good], parts[good], stiffness, shape, np.array(page_mm) / (2 * UNIT_MM))
    offset = _at(field, reference_mm)
    log_local = _together(field - offset).astype(np.float32)
    rest = log_light - np.stack([_at(log_local, at) for at in tiles.at])
    rest -= np.median(rest[good], axis=0)
    residual = float(max(1.4826 * np.median(np.abs(rest[good])), 1e-6))
    u = float(np.hypot(FLOOR, OF_MISSED * np.median(np.abs(missed[good, 0])) * 1.4826))
    lighting = Lighting(
        surface=np.zeros((terms(reference_mm[None], page_mm).shape[1], 3)),
        offset=np.zeros(3),
        local=log_local,
        page_mm=page_mm,
        paper=np.exp(_together(offset)),
        flare=np.zeros(len(RADII_MM)),
        u_flare=0.0,
        residual=residual,
        u_gain=u,
        weight=good.astype(float),
    )
    return PhotoLight(lighting, tiles.at, missed, stiffness)


def _apart(log_light: Array) -> Array:
    """Return log light (..., 3) as its mean and the differences of red and blue from green."""
    green = log_light[..., 1]
    return np.stack([log_light.mean(axis=-1), log_light[..., 0] - green, log_light[..., 2] - green], axis=-1)


def _together(parts: Array | Light) -> Array:
    """Return the inverse of _apart."""
    green = parts[..., 0] - (parts[..., 1] + parts[..., 2]) / 3
    return np.stack([green + parts[..., 1], green, green + parts[..., 2]], axis=-1)


def _foreseen(
    points: Array, parts: Array, good: NDArray[np.bool_], stiffness: tuple[float, float] | None
) -> tuple[tuple[float, float], Array]:
    """Return the stiffness of light and of its colour, and what all squares are missed by (n, 3), left out in pieces."""
    tried = {one: _left_out(points, parts, good, one) for one in stiffness or STIFFNESS}
    if stiffness is None:
        chosen = []
        for channels in (slice(0, 1), slice(1, 3)):
            best, least = STIFFNESS[0], np.inf
            for one, missed in tried.items():
                error = float(np.sqrt(np.mean(missed[good][:, channels] ** 2)))
                if error < CLEARLY_BETTER * least:
                    best, least = one, error
            chosen.append(best)
        stiffness = (chosen[0], chosen[1])
    return stiffness, np.column_stack([tried[stiffness[0]][:, :1], tried[stiffness[1]][:, 1:]])


def _left_out(points: Array, parts: Array, good: NDArray[np.bool_], stiffness: float) -> Array:
    """Return by how much the spline misses squares (n, 3) that are left out with the piece of the page around them.

    What a spline misses points by that are left out together follows from its inverse with all of them (Rippa, Advances in
    Computational Mathematics 11, 1999, for single ones). Squares that are not good are foreseen by the others.
    """
    known, values = points[good], parts[good]
    inverse = np.linalg.inv(_system(known, stiffness))[: len(known), : len(known)]
    weights = inverse @ values
    missed = np.empty_like(parts)
    inside = np.empty_like(values)
    piece = np.floor(known * UNIT_MM / PIECE_MM).astype(int)
    _, index = np.unique(piece[:, 0] + 1000 * piece[:, 1], return_inverse=True)
    for one in range(index.max() + 1):
        out = np.flatnonzero(index == one)
        inside[out] = np.linalg.solve(inverse[np.ix_(out, out)], weights[out])
    missed[good] = inside
    if not good.all():
        spline = _spline(known, values, stiffness)
        missed[~good] = parts[~good] - _values(spline, known, points[~good])
    return missed


def _system(points: Array, stiffness: float) -> Array:
    """Return the matrix (n + 6, n + 6) of a smoothing thin-plate spline (Wahba, Spline Models, 1990, 2.4) beside a parabola.

    However stiff, it leaves the parabola as it is: vignetting and a lamp overhead are nearly one.
    """
    count, smooth = len(points), _parabola(points)
    matrix = np.zeros((count + smooth.shape[1],) * 2)
    matrix[:count, :count] = _kernel(points, points) + stiffness * np.eye(count)
    matrix[:count, count:] = smooth
    matrix[count:, :count] = smooth.T
    return matrix


def _parabola(at: Array) -> Array:
    x, y = at.T
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _kernel(at: Array, points: Array) -> Array:
    from scipy.spatial.distance import cdist

    square = cdist(at, points, "sqeuclidean")
    return np.asarray(square * np.log(np.maximum(square, 1e-12)) / 2)


def _spline(points: Array, values: Array, stiffness: float) -> Array:
    system = _system(points, stiffness)
    nothing = np.zeros((len(system) - len(points), values.shape[1]))
    return np.asarray(np.linalg.solve(system, np.concatenate([values, nothing])))


def _values(spline: Array, points: Array, at: Array) -> Array:
    """Return a spline's values at (m, 2)."""
    return np.asarray(_kernel(at, points) @ spline[: len(points)] + _parabola(at) @ spline[len(points) :])


def _in_company(at: Array, off: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell which squares (n,) that are off have others that are off beside them."""
    places = at[off]
    if len(places) < 3:
        return np.zeros(len(at), dtype=bool)
    apart = np.hypot(at[:, None, 0] - places[None, :, 0], at[:, None, 1] - places[None, :, 1])
    return np.asarray((apart < 1.5 * PIECE_MM).sum(axis=1) >= 4)


def _field(
    points: Array, parts: Array, stiffness: tuple[float, float], shape: tuple[int, ...], middle: Array
) -> Light:
    """Return the splines on the coarse grid (h, w, 3); middle: of the page, which points are counted from."""
    size = (shape[0] // GRID_STEP + 2, shape[1] // GRID_STEP + 2)
    rows, columns = np.mgrid[: size[0], : size[1]] * float(GRID_STEP)
    where = np.stack([columns.ravel(), rows.ravel()], axis=1) / UNIT_MM - middle
    found = [
        _values(_spline(points, parts[:, channels], one), points, where)
        for one, channels in zip(stiffness, (slice(0, 1), slice(1, 3)), strict=True)
    ]
    field = np.concatenate(found, axis=1).reshape(*size, 3).astype(np.float32)
    x, y = np.meshgrid((np.arange(shape[1]) + 0.5) / GRID_STEP, (np.arange(shape[0]) + 0.5) / GRID_STEP)
    return np.asarray(
        cv2.remap(field, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR), np.float32
    )


def _at(field: Light, at: Array) -> Array:
    x, y = (np.full((1, 1), v - 0.5, np.float32) for v in at)
    found = cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found[0, 0], dtype=float)
