"""How sharp a scan is: printed edges seen across, as ISO 12233 looks at a slanted edge.

The page's marks and black patch have long straight edges of the deepest black beside bare paper. Pixels near an edge are
ordered by their distance from it, which makes a profile much finer than the pixels; its rise tells the blur of lens, glass and
driver, and what it does before and after the rise tells the driver's sharpening. A home printer's edges are ragged, streaked and
pinholed, so they are looked at in short pieces and the sharper ones count: print only ever makes an edge softer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.scan.frame import Frame
from calib.scan.image import Codes
from calib.scan.profile import LightOf

Array = NDArray[np.float64]

# An edge is looked at in pieces so long, and so far to both sides of it; a mark's border is 1.25 mm wide.
PIECE_MM, REACH_MM = 1.6, 1.25
# Corners are kept clear of.
CORNER_MM = 0.9
# An edge lies no farther than this from where the frame has it.
MOST_AWAY_MM = 0.3
# Beyond blur and sharpening, so far from the edge, black and paper are themselves.
BLACK_MM, PAPER_MM = (-0.9, -0.5), (0.5, 0.9)
# A profile is binned this fine in pixels, and no finer than this in millimetres.
BIN_PX, BIN_MM = 0.5, 0.02
# What is finer than 600 dpi is averaged first: no blur that matters hides there.
MOST_PER_MM = 24.0
# A piece whose print is paler than this against its paper is none.
LEAST_CONTRAST = 0.3
# Fewer pieces than this tell nothing.
FEWEST_PIECES = 8
# Print that is paler away from its edge, as in the bands of a clogged head, looks like codes that fall below black's. What a
# driver does it does to both sides of an edge, so that where paper has so much room to the end of the codes (a share of the
# step), black's side counts for so many times paper's at most.
LEAST_ROOM, MOST_LOPSIDED = 0.05, 4.0
# The sharper pieces: this percentile of the widths.
SHARPER = 30.0


@dataclass(frozen=True)
class Edges:
    """What the printed edges of a page look like.

    width_mm: from a tenth to nine tenths of the way from black to paper, in light, along or across the page, whichever is
    softer; up to two thirds of a pixel too much where edges run along the pixels. over, under: how far the codes rise above
    paper's beside an edge and fall below black's, as shares of the step between them; below 0 where they do not.
    pieces: how many stand behind it.
    """

    width_mm: float
    over: float
    under: float
    pieces: int


def edges_of(codes: Codes, decode: LightOf, frame: Frame) -> Edges | None:
    """Measure the edges of a page's marks and black patch; None where too few of them can be seen.

    codes: (h, w, 3) of the picture. decode: codes 0..1 to light as the file states it. frame: where the page lies.
    """
    page = frame.page
    axis = _axis(frame.pixels_per_mm)
    near = axis[np.abs(axis) < REACH_MM - MOST_AWAY_MM]
    found = [_sides(codes, frame, box, axis) for box in (*(mark.box for mark in page.marks), page.black)]
    widths: list[float] = []
    aligned: list[Array] = []
    # A jerk of the sensor smears the edges across its way only, so the two directions are kept apart.
    for sides in ((0, 1), (2, 3)):
        pieces = [piece for box in found for side in sides for piece in box[side]]
        rises = _rises(axis, pieces, decode)
        if len(rises) < FEWEST_PIECES:
            return None
        # Where much of the print is too pale to show an edge, the rest is pale too, and fewer of its edges are sharp.
        sharper = SHARPER * len(rises) / len(pieces)
        widths.append(float(np.percentile([width for _, width, _ in rises], sharper)))
        aligned += [np.interp(near + at, axis, piece) for at, _, piece in rises]
    over, under = _lips(near, np.median(np.array(aligned), axis=0))
    return Edges(max(widths), over, under, len(aligned))


def _axis(per_mm: float) -> Array:
    """Return the distances from an edge at which profiles are sampled, in mm, black being below 0."""
    step = max(BIN_MM, BIN_PX / per_mm)
    count = int(REACH_MM / step)
    return np.asarray(np.arange(-count, count + 1) * step)


def _rises(axis: Array, pieces: list[Array], decode: LightOf) -> list[tuple[float, float, Array]]:
    """Return place, width and profile in codes of every piece that shows an edge."""
    if not pieces:
        return []
    light = decode(np.repeat(np.array(pieces, dtype=np.float32)[..., None], 3, axis=2))[..., 1].astype(float)
    rises = _rise(axis, light)
    return [(float(rises.at[i]), float(rises.width[i]), pieces[i]) for i in np.flatnonzero(rises.there)]


def _sides(codes: Codes, frame: Frame, box: Box, axis: Array) -> list[list[Array]]:
    """Return the profiles in codes, sampled at axis, of the pieces of a printed box's sides: top, bottom, left, right.

    There are none where the picture does not show all of it.
    """
    around = box.grown(REACH_MM + 0.1)
    corners = frame.to_pixels(
        np.array([[x, y] for x in (around.x_mm, around.right_mm) for y in (around.y_mm, around.bottom_mm)])
    )
    low, high = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int) + 1
    if low.min() < 0 or np.any(high > codes.shape[1::-1]):
        return [[], [], [], []]
    blocks = max(1, int(frame.pixels_per_mm / MOST_PER_MM))
    part = _green(codes[low[1] : high[1], low[0] : high[0]], blocks)
    x, y = _millimetres(frame, box, low, blocks, part.shape)
    sides = (
        (x, box.y_mm - y, box.x_mm, box.right_mm),
        (x, y - box.bottom_mm, box.x_mm, box.right_mm),
        (y, box.x_mm - x, box.y_mm, box.bottom_mm),
        (y, x - box.right_mm, box.y_mm, box.bottom_mm),
    )
    return [
        _side(part, along - start - CORNER_MM, across, end - start - 2 * CORNER_MM, axis)
        for along, across, start, end in sides
    ]


def _green(part: Codes, blocks: int) -> NDArray[np.float32]:
    """Return green in 0..1, averaged over square blocks: the sharpest channel of most sensors, and the marks are black."""
    green = part[..., 1].astype(np.float32) / np.float32(np.iinfo(part.dtype).max)
    if blocks == 1:
        return green
    rows, columns = (n // blocks for n in green.shape)
    whole = green[: rows * blocks, : columns * blocks].reshape(rows, blocks, columns, blocks)
    return np.asarray(whole.mean(axis=(1, 3)), dtype=np.float32)


def _millimetres(
    frame: Frame, box: Box, low: NDArray[np.int_], blocks: int, shape: tuple[int, ...]
) -> tuple[Array, Array]:
    """Return the page position, x and y (h, w) in mm, of a part's pixels; over so small a part the frame is affine."""
    middle = np.array([[box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2]])
    pixel = frame.to_pixels(middle)
    jacobian = (frame.to_mm(pixel + np.array([[0.5, 0.0], [0.0, 0.5]])) - middle) * 2
    columns = low[0] + (np.arange(shape[1]) + 0.5) * blocks - 0.5 - pixel[0, 0]
    rows = low[1] + (np.arange(shape[0]) + 0.5) * blocks - 0.5 - pixel[0, 1]
    x = middle[0, 0] + columns * jacobian[0, 0] + rows[:, None] * jacobian[1, 0]
    y = middle[0, 1] + columns * jacobian[0, 1] + rows[:, None] * jacobian[1, 1]
    return x, y


def _side(part: NDArray[np.float32], along: Array, across: Array, length: float, axis: Array) -> list[Array]:
    """Return the profiles of one side's pieces: mean codes by distance from the edge, gaps between pixels bridged."""
    count = int(length / PIECE_MM)
    near = (np.abs(across) < REACH_MM) & (along >= 0) & (along < count * PIECE_MM)
    if count < 1 or not near.any():
        return []
    bins = len(axis)
    step = axis[1] - axis[0]
    place = np.rint(across[near] / step).astype(int) + bins // 2
    place = (along[near] / PIECE_MM).astype(int) * bins + np.clip(place, 0, bins - 1)
    seen = np.bincount(place, minlength=count * bins).reshape(count, bins)
    total = np.bincount(place, weights=part[near], minlength=count * bins).reshape(count, bins)
    # The mean place of a bin's pixels, which need not be its middle.
    where = np.bincount(place, weights=across[near], minlength=count * bins).reshape(count, bins)
    return [
        np.interp(axis, w[n > 0] / n[n > 0], t[n > 0] / n[n > 0])
        for w, t, n in zip(where, total, seen, strict=True)
        if (n > 0).sum() > bins / 4
    ]


@dataclass(frozen=True)
class _Rises:
    """Of profiles (n, k) which show an edge, (n,), where it is half way from black to paper, and from a tenth to nine tenths."""

    there: NDArray[np.bool_]
    at: Array
    width: Array


def _rise(axis: Array, light: Array) -> _Rises:
    """Return where profiles (n, k) of light pass half way from black to paper, all of them at once."""
    there, at = np.ones(len(light), dtype=bool), np.zeros(len(light))
    place = np.arange(len(axis) - 1)
    # What shows no edge makes nonsense on its way, and is left out in the end.
    with np.errstate(all="ignore"):
        for _ in range(2):
            # Black and paper lie beside where the edge really is.
            black, paper = (_medians(axis, light, at, ends) for ends in (BLACK_MM, PAPER_MM))
            there &= ~(paper - black < LEAST_CONTRAST * paper)
            share = (light - black[:, None]) / (paper - black)[:, None]
            passes = (share[:, :-1] < 0.5) & (share[:, 1:] >= 0.5)
            nearest = np.argmin(np.where(passes, np.abs(axis[:-1] - at[:, None]), np.inf), axis=1)
            at = _crossing(axis, share, nearest, 0.5)
            there &= passes.any(axis=1) & (np.abs(at) <= MOST_AWAY_MM)
            at[~there] = 0.0
        below = (share[:, :-1] <= 0.1) & (place <= nearest[:, None])
        above = (share[:, 1:] >= 0.9) & (place >= nearest[:, None])
        there &= below.any(axis=1) & above.any(axis=1)
        start = _crossing(axis, share, place[-1] - np.argmax(below[:, ::-1], axis=1), 0.1)
        end = _crossing(axis, share, np.argmax(above, axis=1), 0.9)
    return _Rises(there, at, end - start)


def _medians(axis: Array, light: Array, at: Array, ends: tuple[float, float]) -> Array:
    """Return the medians (n,) of profiles (n, k) between two distances from their edges at (n,)."""
    inside = (axis > at[:, None] + ends[0]) & (axis < at[:, None] + ends[1])
    ordered, count = np.sort(np.where(inside, light, np.inf), axis=1), inside.sum(axis=1)
    row = np.arange(len(light))
    return np.asarray((ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2)


def _crossing(axis: Array, share: Array, i: NDArray[np.intp], level: float) -> Array:
    """Return where profiles (n, k) pass a level between their samples i and i + 1, i (n,)."""
    row = np.arange(len(share))
    rise = share[row, i + 1] - share[row, i]
    far = np.where(rise != 0, (level - share[row, i]) / rise, 0.0)
    return np.asarray(axis[i] + (axis[i + 1] - axis[i]) * far)


def _lips(axis: Array, codes: Array) -> tuple[float, float]:
    """Return how far codes rise above paper's and fall below black's beside an edge, as shares of the step."""

    def between(low: float, high: float) -> Array:
        return codes[(axis > low) & (axis < high)]

    black, paper = np.median(between(*BLACK_MM)), np.median(between(*PAPER_MM))
    step = paper - black
    over = float((np.max(between(0.0, PAPER_MM[1])) - paper) / step)
    under = float((black - np.min(between(BLACK_MM[0], 0.0))) / step)
    # How far the codes of paper could rise. Below half of that, nothing but the scan itself keeps them down.
    room = float((1 - paper) / step)
    if room > LEAST_ROOM and over < room / 2:
        under = min(under, MOST_LOPSIDED * max(over, 0.0))
    return over, under
