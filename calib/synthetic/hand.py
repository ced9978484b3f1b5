"""A hand colours a cell: strokes along its long side, with everything that goes wrong.

Two maps come out, per pixel: how much of it is inked (cover, 0..1) and how much ink lies where it
is inked (amount, 1 is an average coat). They are laid out in millimetres and seen by a pixel grid last.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Cell
from calib.errors import ImpossibleError
from calib.synthetic.inks import SimPaper
from calib.synthetic.noise import Grid, Plane, ramp, rng_of, smooth_field, smooth_line
from calib.synthetic.session import Hand

Mask = NDArray[np.bool_]

# How far past the cell the maps reach: no ink creeps further than this.
MARGIN_MM = 3.0
# The width over which a stroke's edge fades out between the fibres.
SOFT_MM = 0.1


@dataclass(frozen=True, eq=False)
class Colouring:
    """One coloured cell.

    cover, amount: inked share of each pixel, and ink where it is inked (rows, columns). film: pixels
    of the cell that are well covered and off the overlaps. film_amount: median amount there, 0 where
    there is none. coverage: inked share of the cell. bleed_mm: mean over the four edges of how far
    ink reaches past them.
    """

    grid: Grid
    cover: Plane
    amount: Plane
    film: Mask
    film_amount: float
    coverage: float
    bleed_mm: float


def colour_cell(cell: Cell, box: Box, grid: Grid, hand: Hand, paper: SimPaper, seed: int) -> Colouring:
    """Colour one cell; box is its rectangle on the sheet, grid the pixels to paint, both in sheet mm."""
    if cell.layers not in (1, 2):
        raise ImpossibleError(f"Cell {cell.cell} has {cell.layers} coats, which cannot be simulated")
    upright = box.height_mm > box.width_mm
    local = Grid(grid.x_mm - box.x_mm, grid.y_mm - box.y_mm, grid.scale, grid.shape)
    if upright:
        local = Grid(local.y_mm, local.x_mm, local.scale, (local.shape[1], local.shape[0]))
    size = (max(box.width_mm, box.height_mm), min(box.width_mm, box.height_mm))
    if cell.cell in hand.blank:
        cover = np.zeros(local.shape, np.float32)
        amount = cover.copy()
        single: Mask = cover > 0
    else:
        cover, amount, single = _coats(cell, size, local, hand, paper, seed)
    if upright:
        cover, amount, single = cover.T.copy(), amount.T.copy(), single.T.copy()
    return _described(grid, box, cover, amount, single)


@dataclass(frozen=True, eq=False)
class Overlaid:
    """One coloured cell of one ink over another.

    below, above: either coat by itself. both: the two together, its amount the sum. amounts: medians of either ink's where
    both lie as one coat; the second 0 where the second ink was forgotten.
    """

    below: Colouring
    above: Colouring
    both: Colouring
    amounts: tuple[float, float]


def colour_overlay(cell: Cell, box: Box, grid: Grid, hand: Hand, paper: SimPaper, seed: int) -> Overlaid:
    """Colour one cell with one pen and, when it is dry, with another, each as it would fill the cell by itself."""
    upper = replace(cell, cell=f"{cell.cell} over", marker=cell.over, over="")
    second = replace(
        hand,
        wrong={},
        blank=(upper.cell,) if cell.cell in (*hand.blank, *hand.forgotten) else (),
        half=(upper.cell,) if cell.cell in hand.half else (),
    )
    below = colour_cell(replace(cell, over=""), box, grid, hand, paper, seed)
    above = colour_cell(upper, box, grid, second, paper, seed)
    cover: Plane = np.float32(1) - (np.float32(1) - below.cover) * (np.float32(1) - above.cover)
    film = below.film & above.film if above.film.any() else below.film
    both = _described(grid, box, cover, below.amount + above.amount, film)
    medians = [float(np.median(one.amount[both.film])) if both.film.any() else 0.0 for one in (below, above)]
    return Overlaid(below, above, both, (medians[0], medians[1]))


def _coats(
    cell: Cell, size: tuple[float, float], grid: Grid, hand: Hand, paper: SimPaper, seed: int
) -> tuple[Plane, Plane, Mask]:
    rng = rng_of(seed, "dose", cell.cell)
    # One pen, one mood: most of the scatter is shared by the coats of a cell.
    common, *own = rng.normal(0.0, hand.scatter, 1 + cell.layers)
    cover, first, double = _coat(cell, 1, size, grid, hand, paper, seed)
    share = 1.0 if cell.layers == 1 else 0.8
    amount = first * np.float32(np.exp(share * common + np.sqrt(1 - share**2) * own[0]))
    if cell.layers == 2:
        cover_2, amount_2, double_2 = _coat(cell, 2, size, grid, hand, paper, seed)
        amount_2 *= np.float32(np.exp(share * common + np.sqrt(1 - share**2) * own[1]))
        # The second coat meets a sealed surface and leaves less; on bare paper it is a first one.
        sealed = cover * np.float32(paper.two_coat_exponent - 1.0) + (np.float32(1) - cover)
        both: Plane = np.float32(1) - (np.float32(1) - cover) * (np.float32(1) - cover_2)
        laid: Plane = cover * amount + cover_2 * amount_2 * sealed
        amount = laid / np.maximum(both, np.float32(1e-3))
        # Film is where both coats lie once.
        double = double | double_2 | (cover < 0.99) | (cover_2 < 0.99)
        cover = both
    return cover, amount, ~double


def _coat(
    cell: Cell, coat: int, size: tuple[float, float], grid: Grid, hand: Hand, paper: SimPaper, seed: int
) -> tuple[Plane, Plane, Mask]:
    """Return cover, amount (of this coat's average = 1) and where strokes overlap."""
    rng = rng_of(seed, "strokes", cell.cell, coat)
    long_mm, short_mm = size
    u, v = grid.x()[np.newaxis, :], grid.y()[:, np.newaxis]
    count = max(1, round((short_mm - hand.overlap_mm) / max(hand.nib_mm - hand.overlap_mm, 0.5)))
    # A hand spreads its strokes evenly, pressing the nib a little wider or narrower to do so.
    nib = (short_mm + (count - 1) * hand.overlap_mm) / count
    creep = hand.creep_mm * paper.bleed * (1.0 if coat == 1 else 1.3) + hand.aim_mm
    end_at = long_mm
    if cell.cell in hand.half:
        end_at = long_mm * 0.5

    def edge(sigma_mm: float, along: Plane, end_mm: float) -> Plane:
        return smooth_line(rng, along, -MARGIN_MM, end_mm + MARGIN_MM, sigma_mm)

    rough = 0.25 * hand.wobble_mm
    total = np.zeros(grid.shape, np.float32)
    missed = np.ones(grid.shape, np.float32)
    pools = np.zeros(grid.shape, np.float32)
    joints = []
    for i in range(count):
        shift = hand.wobble_mm * edge(5.0, u[0], long_mm)
        top = i * (nib - hand.overlap_mm) + shift + rough * edge(0.25, u[0], long_mm)
        bottom = i * (nib - hand.overlap_mm) + nib + shift + rough * edge(0.25, u[0], long_mm)
        if i == 0:
            top = top - creep * (1.0 + 0.3 * edge(0.8, u[0], long_mm))
        if i == count - 1:
            bottom = bottom + creep * (1.0 + 0.3 * edge(0.8, u[0], long_mm))
        slant = (v[:, 0] - (i * (nib - hand.overlap_mm) + nib / 2)) * rng.normal(0.0, 0.4) * hand.wobble_mm
        fray = rough * edge(0.25, v[:, 0], short_mm) + creep * 0.3 * edge(0.8, v[:, 0], short_mm)
        start = -creep + hand.wobble_mm * 1.5 * rng.normal() + slant + fray
        stop = end_at + creep + hand.wobble_mm * (1.5 * rng.normal()) + slant + fray
        inside = ramp(v - top, SOFT_MM) * ramp(bottom - v, SOFT_MM)
        inside *= ramp(u - start[:, np.newaxis], SOFT_MM) * ramp(stop[:, np.newaxis] - u, SOFT_MM)
        total += inside
        missed *= 1.0 - inside
        if hand.pool:
            near = np.exp(-(((u - start[:, np.newaxis]) / 0.7) ** 2)) + np.exp(
                -(((stop[:, np.newaxis] - u) / 0.7) ** 2)
            )
            pools = np.maximum(pools, near * inside)
        joints.append((top, bottom))
    cover = np.float32(1) - missed
    double = (total > 1.02) | (pools > 0.1)
    amount = 1.0 + np.float32(hand.band) * np.clip(total - 1.0, 0.0, 1.0) + np.float32(hand.pool) * pools
    cover *= _slivers(rng, joints, long_mm, grid, hand)
    amount *= _unevenness(rng, grid, hand, paper)
    cover *= _tooth(cell, rng, grid, hand, seed)
    return cover, amount, double


def _slivers(
    rng: np.random.Generator, joints: list[tuple[Plane, Plane]], long_mm: float, grid: Grid, hand: Hand
) -> Plane | float:
    """Return 1 less the white gaps between strokes, each a thin lens along a joint."""
    number = int(rng.poisson(hand.gaps)) if hand.gaps else 0
    left = np.ones(grid.shape, np.float32)
    u, v = grid.x()[np.newaxis, :], grid.y()[:, np.newaxis]
    for _ in range(number):
        i = int(rng.integers(max(1, len(joints) - 1)))
        middle = (joints[i][1] + joints[min(i + 1, len(joints) - 1)][0]) / 2
        at, length = rng.uniform(0, long_mm), rng.uniform(1.5, 6.0)
        half = hand.gap_mm / 2 * rng.uniform(0.6, 1.4) * (1.0 - ((u - at) / (length / 2)) ** 2)
        left *= 1.0 - ramp(half - np.abs(v - middle), SOFT_MM) * (np.abs(u - at) < length / 2)
    return left


def _unevenness(rng: np.random.Generator, grid: Grid, hand: Hand, paper: SimPaper) -> Plane:
    """Return the factor on the amount (median 1): streaks along the stroke, mottle, patches."""
    log = np.zeros(grid.shape, np.float32)
    for sd, sigma, sigma_across in (
        (hand.streak, 6.0, 0.18),
        (hand.mottle * paper.mottle * 0.8, 0.3, 0.3),
        (hand.mottle * paper.mottle * 0.6, 1.2, 1.2),
        (hand.patch, 4.0, 4.0),
    ):
        if sd:
            log += np.float32(sd) * smooth_field(rng, grid, sigma, sigma_across)
    return np.exp(log)


def _tooth(cell: Cell, rng: np.random.Generator, grid: Grid, hand: Hand, seed: int) -> Plane | float:
    """Return the share that a dry nib reaches: it rides on the tooth of the paper and misses the valleys."""
    grain = hand.dry_marker.get(hand.wrong.get(cell.cell, cell.marker), hand.grain)
    if grain <= 0:
        return 1.0
    tooth = smooth_field(rng_of(seed, "tooth", cell.cell), grid, 0.11)
    # A stroke starves towards some of its lines and places, so the grain comes in drags.
    drag = 0.4 * smooth_field(rng, grid, 5.0, 0.25) + 0.3 * smooth_field(rng, grid, 3.0)
    threshold = NormalDist().inv_cdf(min(grain, 0.999)) * float(np.sqrt(1 + 0.4**2 + 0.3**2))
    return ramp(tooth + drag - np.float32(threshold), 0.4)


def _described(grid: Grid, box: Box, cover: Plane, amount: Plane, single: Mask) -> Colouring:
    x, y = grid.x()[np.newaxis, :], grid.y()[:, np.newaxis]
    across = (x > box.x_mm) & (x < box.right_mm)
    down = (y > box.y_mm) & (y < box.bottom_mm)
    inside = across & down
    film = inside & single & (cover > 0.99)
    if film.sum() < 20:
        film = inside & (cover > 0.9)
    pixel = 1.0 / grid.scale
    reach = [
        (cover * (across & (y <= box.y_mm))).sum() * pixel**2 / box.width_mm,
        (cover * (across & (y >= box.bottom_mm))).sum() * pixel**2 / box.width_mm,
        (cover * (down & (x <= box.x_mm))).sum() * pixel**2 / box.height_mm,
        (cover * (down & (x >= box.right_mm))).sum() * pixel**2 / box.height_mm,
    ]
    return Colouring(
        grid=grid,
        cover=cover,
        amount=amount,
        film=film,
        film_amount=float(np.median(amount[film])) if film.any() else 0.0,
        coverage=float(cover[np.broadcast_to(inside, cover.shape)].mean()),
        bleed_mm=float(np.mean(reach)),
    )
