"""Grids of flat patches in a picture: how much they are turned, where their lines can lie, where their edges are.

Of a card laid by hand only the number of rows and columns is known. Edges of patches stand in line, which tells the
turn; between them the patches are flat, which tells where rows and columns can lie; and once a grid
lies about right, each patch's own edges place it exactly. Colours are no matter here.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.lightness import lightness

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

# How far a card is looked for: 2 mm and 2 degrees of misplacement, on a page printed to 93..107 %.
ANGLE_DEG = 3.0
SHIFT_MM = 3.0
PRINTED = 0.035
SEARCH_PER_MM = 4.0
# The turn is looked for in a coarser picture, off the slot's rim, whose own outline is not turned.
TURN_PER_MM = 2.0
RIM_MM = 5.0
# A card's borders and captions leave at least so much of its width and height to the patches.
LEAST_SHARE = 0.4
# So much to either side of its middle a patch is flat for certain, in shares of the pitch.
INSIDE = 0.2
# So many places of rows, and of columns, are worth a closer look.
CANDIDATES = 40
WIDE_SHARE = 0.65
# Edges of patches change the lightness (L* / 100) by more than this within half a millimetre.
LEAST_EDGE = 0.02
# One very strong edge, such as a frame's, counts no more than so many weak ones.
STRONG_EDGE = 0.15
# Each way a card can lie: degrees clockwise, and whether mirrored.
WAYS = tuple(itertools.product((0, 90, 180, 270), (False, True)))


@dataclass(frozen=True)
class View:
    """A reduced picture of the slot and its margin.

    light: (h, w, 3) linear light, NaN outside the picture. lightness: (h, w, 3) L* / 100 of it, paper outside.
    per_mm: pixels per millimetre. size_mm: the slot's width and height, in the picture's middle.
    """

    light: Picture
    lightness: Picture
    per_mm: float
    size_mm: tuple[float, float]

    @classmethod
    def of(cls, light: Picture, per_mm: float, size_mm: tuple[float, float]) -> View:
        """Return the view of linear light (h, w, 3) of per_mm pixels per millimetre."""
        factor = min(1.0, SEARCH_PER_MM / per_mm)
        small = np.asarray(
            cv2.resize(light, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.float32
        )
        filled = lightness(np.nan_to_num(small, nan=1.0)).astype(np.float32)
        return cls(small, filled, small.shape[1] / light.shape[1] * per_mm, size_mm)

    def inside(self, by_mm: float) -> tuple[slice, slice]:
        """Return the rows and columns of the pixels inside the slot by so much."""
        spans = []
        for pixels, size in zip(self.light.shape[:2], self.size_mm[::-1], strict=True):
            half = (size / 2 - by_mm) * self.per_mm
            spans.append(slice(max(0, round(pixels / 2 - half)), min(pixels, round(pixels / 2 + half))))
        return spans[0], spans[1]


@dataclass(frozen=True)
class Grid:
    """How a card lies.

    place: (2, 3), takes (column, row, 1) of the file to mm from the slot's middle. turn: degrees clockwise.
    mirrored: whether it is seen as in a mirror. half: (2,) half of a patch's width and height in shares of the pitch.
    """

    place: Array
    turn: int
    mirrored: bool
    half: tuple[float, float] = (0.5, 0.5)

    @property
    def pitch_mm(self) -> Array:
        """The distances (2,) of neighbouring columns and of neighbouring rows."""
        return np.asarray(np.linalg.norm(self.place[:, :2], axis=0))

    def at(self, columns: Array, rows: Array) -> Array:
        """Return mm (..., 2) from the slot's middle of points of the grid; columns and rows broadcast."""
        ones = np.ones(np.broadcast(columns, rows).shape)
        return np.asarray(np.stack([columns * ones, rows * ones, ones], axis=-1) @ self.place.T)


def way_of(turn: int, mirrored: bool, rows: int, columns: int) -> Array:
    """Return (3, 3): column and row as seen in the picture of (column, row, 1) of the file.

    turn: 0, 90, 180 or 270 degrees clockwise. mirrored: the file's columns counted from the other end first.
    """
    turned = {
        0: [[1, 0, 0], [0, 1, 0]],
        90: [[0, -1, rows - 1], [1, 0, 0]],
        180: [[-1, 0, columns - 1], [0, -1, rows - 1]],
        270: [[0, 1, 0], [-1, 0, columns - 1]],
    }[turn]
    mirror = [[-1 if mirrored else 1, 0, columns - 1 if mirrored else 0], [0, 1, 0], [0, 0, 1]]
    return np.asarray(np.array([*turned, [0, 0, 1]], dtype=float) @ np.array(mirror, dtype=float))


def pixels(shape: tuple[int, ...], per_mm: float, mm: Array) -> Array:
    """Return pixel positions (..., 2) in a picture of this shape of points in mm from its middle."""
    # Pixel centres are at whole numbers, so the middle is half a pixel before the half.
    return np.asarray(np.array([shape[1], shape[0]]) / 2 - 0.5 + mm * per_mm)


def sampled(picture: NDArray[Any], at: Array, how: int = cv2.INTER_LINEAR) -> Picture:
    """Return a picture's values (..., channels) at pixel positions (..., 2), NaN outside it."""
    flat = at.reshape(-1, at.shape[-2], 2).astype(np.float32)
    # OpenCV maps fewer than 32,768 rows at once.
    parts = [
        cv2.remap(picture, part[..., 0], part[..., 1], how, borderMode=cv2.BORDER_CONSTANT, borderValue=(np.nan,) * 4)
        for part in np.split(flat, range(30000, len(flat), 30000))
    ]  # fmt: skip
    return np.asarray(np.concatenate(parts).reshape(*at.shape[:-1], -1), dtype=np.float32)


def upright(picture: Picture, turn: float) -> Picture:
    """Return a picture turned back about its middle by so many degrees clockwise."""
    cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    x, y = picture.shape[1] / 2 - 0.5, picture.shape[0] / 2 - 0.5
    matrix = np.array([[cos, -sin, x - cos * x + sin * y], [sin, cos, y - sin * x - cos * y]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(picture, matrix, picture.shape[1::-1], flags=how, borderMode=cv2.BORDER_REPLICATE)
    )


def turn_of(view: View) -> float:
    """Return by how many degrees clockwise the edges in the slot are turned.

    At the right turn the edges of all patches of a row or column fall on the same line, and the sum over lines is peaked.
    """
    factor = min(1.0, TURN_PER_MM / view.per_mm)
    reduced = cv2.resize(view.lightness, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    # Turning a picture blurs it a little, and not turning it does not; blurred beforehand both are alike.
    small = np.asarray(cv2.GaussianBlur(reduced, (0, 0), 1.0), dtype=np.float32)
    coarse = View(small, small, view.per_mm * factor, view.size_mm)

    def peaked(turn: float) -> float:
        lines = edge_lines(upright(small, turn), coarse)
        return float(sum(np.sum(line[np.isfinite(line)] ** 2) / np.nansum(line) for line in lines))

    step, best = 0.3, 0.0
    around = np.arange(-ANGLE_DEG, ANGLE_DEG + step / 2, step)
    for finer in (0.06, 0.0):
        values = [peaked(turn) for turn in around]
        best = float(around[int(np.argmax(values))])
        around = np.arange(best - step, best + step + finer / 2, finer) if finer else around
    return best


def edge_lines(picture: Picture, view: View) -> tuple[Array, Array]:
    """Return how strongly the lightness changes across each line of pixels: along x (w - 1,) and y (h - 1,).

    Line i lies between pixels i and i + 1. Means over the slot without its rim; above the noise.
    """
    rows, columns = view.inside(RIM_MM)
    result = []
    for axis, part in ((1, picture[rows]), (0, picture[:, columns])):
        one, other = (part[:, 1:], part[:, :-1]) if axis == 1 else (part[1:], part[:-1])
        change = np.minimum(cv2.absdiff(one, other), STRONG_EDGE)
        line = cv2.reduce(change, 1 - axis, cv2.REDUCE_AVG).reshape(-1, 3).sum(axis=1).astype(float)
        result.append(np.maximum(line - np.percentile(line, 10), 0) + 1e-6)
    return result[0], result[1]


def lines_of(change: Array, per_mm: float, length_mm: float, count: int) -> Array:
    """Return where count rows (or columns) of flat patches can lie: (k, 2) the first one's middle and the pitch, in mm.

    change: what edge_lines returns. length_mm: the slot's. Middles are counted from the slot's. There are CANDIDATES at most, with
    little change inside all patches, much between any two neighbours.
    """
    sums = np.concatenate([[0.0], np.cumsum(change)])
    floor = 0.03 * change.mean()
    room = length_mm * (1 + 2 * PRINTED) + 2 * SHIFT_MM
    most = room / count
    least = LEAST_SHARE * length_mm / count
    # A step that moves the outer lines by a tenth of a patch.
    pitches = np.arange(least, most, 0.2 * least / max(count - 1, 1))
    scores, firsts, used = [], [], []
    for pitch in pitches:
        free = max(room - count * pitch, 0.0)
        first = np.arange(-free / 2, free / 2 + 1e-9, 0.1 * pitch) - (count - 1) / 2 * pitch
        middles = first[:, None] + pitch * np.arange(count)
        low, high = middles - INSIDE * pitch, middles + INSIDE * pitch
        inside = np.log(_mean(sums, low, high, per_mm) + floor).mean(axis=1)
        if count > 1:
            gap = (high[:, :-1], low[:, 1:])
        else:
            gap = (low - 0.8 * pitch, low)
        between = np.log(_mean(sums, *gap, per_mm) + floor).mean(axis=1)
        scores.append(between - inside)
        firsts.append(first)
        used.append(np.full(len(first), pitch))
    score, first, pitch = np.concatenate(scores), np.concatenate(firsts), np.concatenate(used)
    # Where gaps are as wide as patches half the pitch fits as well, so that wide and narrow ones are kept apart.
    wide = count * pitch > WIDE_SHARE * length_mm
    last = first + (count - 1) * pitch
    chosen: list[int] = []
    for left in (np.flatnonzero(wide), np.flatnonzero(~wide)):
        left = left[np.argsort(-score[left])]
        for _ in range(CANDIDATES // 2):
            if not len(left):
                break
            top = int(left[0])
            chosen.append(top)
            near = 0.25 * pitch[top]
            left = left[(np.abs(first[left] - first[top]) > near) | (np.abs(last[left] - last[top]) > near)]
    return np.column_stack([first[chosen], pitch[chosen]])


def _mean(sums: Array, low: Array, high: Array, per_mm: float) -> Array:
    """Return means of a line from its running sums between positions in mm from its middle."""
    last = len(sums) - 1
    # Line i lies half a pixel after pixel i's centre.
    start, stop = (np.clip(np.rint(last / 2 + mm * per_mm).astype(int), 0, last) for mm in (low, high))
    stop = np.maximum(stop, np.minimum(start + 1, last))
    return np.asarray((sums[stop] - sums[start]) / np.maximum(stop - start, 1))


# --- a grid laid on the patches' edges -----------------------------------------------------------


def settled(view: View, grid: Grid, place: NDArray[np.int64]) -> Grid:
    """Return a grid that lies about right, laid on the edges of its patches; its half is then their true size.

    place: (n, 2) row and column of the patches that are there. Where too few edges are seen it stays as it is.
    """
    half = np.array(grid.half)
    for _ in range(3):
        correction = np.eye(3)
        for axis in (0, 1):
            which, sign, where = _edges(view, grid, place, axis)
            if len(which) < 8:
                continue
            rest = np.abs(where) < 1.0
            which, sign, where = which[rest], sign[rest], where[rest]
            centred = place[which, ::-1] - place[:, ::-1].mean(axis=0)
            design = np.column_stack([sign, np.ones(len(sign)), centred])
            (half[axis], shift, by_column, by_row) = _robust(design, where)
            middle = place[:, ::-1].mean(axis=0)
            correction[axis] += [by_column, by_row, shift - by_column * middle[0] - by_row * middle[1]]
        half = np.clip(half, 0.15, 0.5)
        grid = Grid(grid.place @ correction, grid.turn, grid.mirrored, (float(half[0]), float(half[1])))
    return grid


def _edges(
    view: View, grid: Grid, place: NDArray[np.int64], axis: int
) -> tuple[NDArray[np.int64], Array, Array]:
    """Return edges of patches along an axis of the grid: which patch, which side (-1, 1), how far from its middle.

    From the middle outwards on either side the first edge is taken. Distances are in shares of the pitch.
    """
    step = 1 / (view.per_mm * grid.pitch_mm[axis])
    count = int(0.85 / step)
    along = np.arange(-count, count + 1) * step
    beside = np.array([-0.75, 0.0, 0.75]) * INSIDE
    offsets = np.stack(np.meshgrid(along, beside), axis=-1)
    if axis == 1:
        offsets = offsets[..., ::-1]
    at = grid.at(
        place[:, 1, None, None] + offsets[None, ..., 0], place[:, 0, None, None] + offsets[None, ..., 1]
    )
    one, two, three = np.moveaxis(
        sampled(view.lightness, pixels(view.lightness.shape, view.per_mm, at)), 1, 0
    )
    # The middle one of three lines: a scratch across one of them has no say.
    lines = np.maximum(np.minimum(one, two), np.minimum(np.maximum(one, two), three))
    change = np.full(lines.shape[:2], 0.0)
    change[:, 1:-1] = np.abs(lines[:, 2:] - lines[:, :-2]).max(axis=2)
    change = np.nan_to_num(change)
    middle = np.abs(along) < 0.75 * INSIDE
    least = np.maximum(LEAST_EDGE, 4 * np.median(change[:, middle], axis=1))
    found: list[tuple[int, float, float]] = []
    for i, row in enumerate(change):
        for sign in (-1, 1):
            out = row[count::sign]
            peak = (out[1:-1] >= least[i]) & (out[1:-1] >= out[:-2]) & (out[1:-1] > out[2:])
            if peak.any():
                k = int(np.argmax(peak)) + 1
                left, top, right = out[k - 1], out[k], out[k + 1]
                vertex = 0.5 * (left - right) / (left - 2 * top + right)
                found.append((i, float(sign), sign * (k + float(vertex)) * step))
    table = np.array(found).reshape(-1, 3)
    return table[:, 0].astype(np.int64), table[:, 1], table[:, 2]


def _robust(design: Array, values: Array) -> Array:
    """Return least squares coefficients with wild values weighed down (Cauchy's weights)."""
    weight = np.ones(len(values))
    solution = np.zeros(design.shape[1])
    for _ in range(10):
        root = np.sqrt(weight)
        # A faint pull to nought keeps what no edge tells, such as the slope along a single row.
        pull = 1e-3 * np.eye(design.shape[1])
        solution, *_ = np.linalg.lstsq(
            np.vstack([design * root[:, None], pull]),
            np.concatenate([values * root, np.zeros(len(pull))]),
            rcond=None,
        )
        rest = values - design @ solution
        scale = max(1.5 * float(np.median(np.abs(rest))), 0.005)
        weight = 1 / (1 + (rest / (2 * scale)) ** 2)
    return np.asarray(solution)
