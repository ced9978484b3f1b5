"""The patches of a colour card found in its slot, and what each reads.

A card is laid by hand, either way up, a little off and a little turned. Of its make only the number of rows and
columns and the colours of the patches are known. The grid gives places where rows and columns could lie; of
these the one is right whose readings are the file's colours, seen through some scanner. A card whose colours do
not tell, or tell of another card or another way to count, is refused in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.colour.card import Card
from calib.colour.colorimetry import delta_e_2000, xyz_to_lab
from calib.scan.cardcolours import (
    best_lab,
    clearly_worse,
    explained,
    lacking,
    named,
    wrong_in_places,
)
from calib.scan.grid import (
    PRINTED,
    RIM_MM,
    SHIFT_MM,
    WAYS,
    Grid,
    View,
    edge_lines,
    lines_of,
    pixels,
    sampled,
    settled,
    turn_of,
    upright,
    way_of,
)
from calib.scan.squares import BLOCK_MM, block_means

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

# How far round the slot a card is looked for: 2 mm and 2 degrees of misplacement, on a page printed to 93 %.
MARGIN_MM = 8.0
# How much farther out than a shift alone a corner gets by a turn of 2 degrees.
SLANT_MM = 3.5
# So many of the places that agree best with the colours are looked at closely.
FINALISTS = 3
# Patches are read in their middle: light from neighbours, and edges cut unevenly, stay outside.
INNER = 0.7
EDGE_MM = 0.6
# Squares of a quarter millimetre that lie farther than so many standard deviations off are dust, scratches or gloss.
WILD = 3.5
# A patch is read where at least so much of its middle is in the picture.
LEAST_SEEN = 0.75
# The mean dE00 between readings and file, after the best matrix. Measured (tests/benchmarks/cards.py):
# up to 2 for the right file and wide-band sensors, 1.4 to 3.8 for three LEDs; 11 and more for a wrong way round or file.
MOST_MISFIT = 6.5
# So large a share of pixels at an end of the code range moves a patch's mean.
CLIPPED = 0.02
# A slot whose lightness (L* / 100) varies less than this holds bare paper.
BARE = 0.06


@dataclass(frozen=True)
class CardReading:
    """What the patches of a card read, in the order of the card file.

    linear: (n, 3) linear, white-balanced light, NaN where a patch lies outside the picture. u: (n, 3) its standard
    uncertainty, from noise and unevenness inside the patch; what lighting, flare and tone may be off by is not in it.
    clipped: (n,) share of the pixels at an end of the code range. turn: how far the card is turned clockwise, in
    degrees (0, 90, 180, 270). corners: (4, 2) of the grid, clockwise from that of the first row and column, in mm from the slot's top left corner. patch_mm: a patch's extent along a row and along a
    column of the file. misfit: (n,) dE00 of each patch to the file's colour after a white-preserving 3x3 matrix
    fitted on all of them. mismatch: its mean.
    """

    linear: Array
    u: Array
    clipped: Array
    turn: int
    corners: Array
    patch_mm: tuple[float, float]
    misfit: Array
    mismatch: float


class CardNotFound(ValueError):
    """No card with these rows, columns and colours lies in the slot; the words say why."""


class CardUnfit(CardNotFound):
    """The card was found, but its patches cannot serve; reading is what they read all the same."""

    def __init__(self, words: str, reading: CardReading) -> None:
        super().__init__(words)
        self.reading = reading


def find_card(
    light: Picture,
    per_mm: float,
    size_mm: tuple[float, float],
    card: Card,
    ends: NDArray[np.bool_] | None = None,
) -> CardReading:
    """Find a card in its slot and read its patches.

    light: (h, w, 3) linear, white-balanced light, a perfect white = 1, of the slot grown by MARGIN_MM; NaN outside the
    picture. per_mm: pixels per millimetre. size_mm: the slot's width and height. ends: (h, w) or (h, w, 3), where
    the scanner's code was at an end of its range. Raises CardNotFound, and its kind CardUnfit where the
    card was found and has too few usable patches or clipped ones.
    """
    missing = lacking(card.xyz)
    if missing:
        raise CardNotFound(f"the card's file has {missing}")
    grid = _Search(View.of(light, per_mm, size_mm), card).grid()
    reading = _read(light, per_mm, grid, card, ends)
    reading = replace(reading, corners=reading.corners + np.array(size_mm) / 2)
    _check(reading, card)
    return reading


def _check(reading: CardReading, card: Card) -> None:
    """Refuse a card that was found and cannot serve."""
    missing = lacking(card.xyz[np.isfinite(reading.linear).all(axis=1)])
    if missing:
        raise CardUnfit(f"the picture shows {missing}", reading)
    clipped = np.flatnonzero(reading.clipped > CLIPPED)
    if len(clipped):
        words = [f" (at the {'light' if reading.linear[i].max() > 0.7 else 'dark'} end)" for i in clipped]
        raise CardUnfit(
            f"the scanner's codes are clipped in {len(clipped)} {'patch' if len(clipped) == 1 else 'patches'}: {named(card, clipped, words)}",
            reading,
        )


# --- the search ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Fit:
    """A grid, and what its patches read through the best matrix, Lab (n, 3), beside the file's; NaN where not seen."""

    grid: Grid
    seen: Array
    known: Array

    @cached_property
    def misfit(self) -> Array:
        """DE00 (n,) between the two."""
        return delta_e_2000(self.seen, self.known)

    @cached_property
    def mean(self) -> float:
        """Mean of the misfit; infinite where too few patches are seen."""
        return float(np.nanmean(self.misfit)) if np.isfinite(self.misfit).any() else np.inf


@dataclass(frozen=True)
class _Search:
    """What is searched, and for what."""

    view: View
    card: Card

    def grid(self) -> Grid:
        """Return how the card lies, or refuse."""
        best = self.best_of(self.candidates(mirrored=False))
        if best.mean > MOST_MISFIT:
            raise self.refusal(best, self.best_of(self.candidates(mirrored=True)))
        for rival in self.other_ways(best):
            if not clearly_worse(rival.misfit, best.misfit):
                if rival.grid.mirrored:
                    raise CardNotFound(
                        "the patches fit the file's colours as well or better as a mirror image, so it cannot be told "
                        "how rows and columns are counted"
                    )
                by = (rival.grid.turn - best.grid.turn) % 360
                raise CardNotFound(
                    f"the patches fit the file's colours nearly as well when the card is turned by {by} degrees, so it "
                    "cannot be told which way up it lies"
                )
        wrong = wrong_in_places(best.seen, best.known, self.card)
        if wrong:
            raise CardNotFound(wrong)
        return best.grid

    def refusal(self, best: _Fit, mirror: _Fit) -> CardNotFound:
        """Say why nothing in the slot is this card."""
        if mirror.mean <= MOST_MISFIT:
            return CardNotFound(
                "the patches fit the file's colours only as a mirror image: rows and columns are exchanged in the "
                "file or counted from the wrong end, or the scan is mirrored"
            )
        slot = self.view.lightness[self.view.inside(RIM_MM)].reshape(-1, 3)
        if np.ptp(np.percentile(slot, [5, 95], axis=0), axis=0).max() < BARE:
            return CardNotFound("nothing lies in the slot but paper or another plain sheet")
        if not np.isfinite(self.view.light[self.view.inside(0)]).all():
            return CardNotFound("the card was not recognised, and part of the slot lies outside the picture")
        nearest = min(best.mean, mirror.mean)
        near = f"the nearest misses by {nearest:.0f} dE00 in the mean" if np.isfinite(nearest) else "by far"
        return CardNotFound(
            f"nothing in the slot looks like {self.card.rows} rows and {self.card.columns} columns of patches in the "
            f"file's colours, whichever way up ({near})"
        )

    @cached_property
    def turn(self) -> float:
        """Degrees clockwise by which the edges in the slot are turned."""
        return turn_of(self.view)

    @cached_property
    def smooth(self) -> Picture:
        """The lightness turned upright, as means over a millimetre: texture and dust have little say."""
        side = max(1, round(self.view.per_mm)) | 1
        return np.asarray(cv2.blur(upright(self.view.lightness, self.turn), (side, side)), dtype=np.float32)

    @cached_property
    def lines(self) -> dict[bool, tuple[Array, Array]]:
        """Where lines of patches can lie across and down, for a card as its file has it and (True) on its side."""
        view, card = self.view, self.card
        picture = cv2.GaussianBlur(upright(view.lightness, self.turn), (0, 0), 0.7)
        across, down = edge_lines(np.asarray(picture, dtype=np.float32), view)
        width, height = view.size_mm
        return {
            on_side: (
                lines_of(across, view.per_mm, width, card.rows if on_side else card.columns),
                lines_of(down, view.per_mm, height, card.columns if on_side else card.rows),
            )
            for on_side in (False, True)
        }

    def candidates(self, mirrored: bool) -> list[Grid]:
        """Return the grids whose readings agree best with the colours, as seen plainly or in a mirror."""
        found = [pair for angle in (0, 90, 180, 270) for pair in self.agreeing((angle, mirrored))]
        return [grid for _, grid in sorted(found, key=lambda pair: -pair[0])[:FINALISTS]]

    def agreeing(self, way: tuple[int, bool]) -> list[tuple[float, Grid]]:
        """Return the best few grids of one way round with their agreement."""
        smooth, place = self.smooth, self.card.place
        across, down = self.lines[way[0] in (90, 270)]
        as_seen = way_of(*way, self.card.rows, self.card.columns)
        column, row, _ = as_seen @ np.vstack([place.T[::-1], np.ones(len(place))])
        rows, columns = (
            np.clip(
                np.rint(size / 2 - 0.5 + (line[:, :1] + line[:, 1:] * at) * self.view.per_mm), 0, size - 1
            ).astype(int)
            for size, line, at in zip(smooth.shape[:2], (down, across), (row, column), strict=True)
        )
        agreement = explained(smooth[rows[:, None], columns[None]].astype(float), xyz_to_lab(self.card.xyz))
        cos, sin = np.cos(np.radians(self.turn)), np.sin(np.radians(self.turn))
        result = []
        for flat in np.argsort(-agreement, axis=None)[:FINALISTS]:
            i, j = divmod(int(flat), agreement.shape[1])
            plain = np.array([[across[j, 1], 0, across[j, 0]], [0, down[i, 1], down[i, 0]]])
            at = np.array([[cos, -sin], [sin, cos]]) @ plain @ as_seen
            result.append((float(agreement[i, j]), Grid(at, *way)))
        return result

    def best_of(self, grids: Sequence[Grid]) -> _Fit:
        """Return the one of these that fits the colours best when it is laid on the patches' edges."""
        fits = []
        for grid in grids:
            fits.append(self.fit(settled(self.view, grid, self.card.place)))
            if fits[-1].mean < MOST_MISFIT / 2:
                # The others lie elsewhere and can be no better by more than noise.
                break
        return min(fits, key=lambda fit: fit.mean)

    def fit(self, grid: Grid) -> _Fit:
        """Return how well the readings of a grid fit the colours; one that leaves the slot does not fit."""
        known = xyz_to_lab(self.card.xyz)
        beyond = np.abs(_corners(grid, self.card)) - np.array(self.view.size_mm) * (0.5 + PRINTED)
        if beyond.max() > SHIFT_MM + SLANT_MM:
            return _Fit(grid, np.full(known.shape, np.nan), known)
        share = np.linspace(-INNER, INNER, 9)
        at = _inside(grid, self.card.place, share * grid.half[0], share * grid.half[1])
        light = sampled(self.view.light, pixels(self.view.light.shape, self.view.per_mm, at))
        middles = np.median(light.reshape(len(light), -1, 3), axis=1).astype(float)
        return _Fit(grid, best_lab(middles, self.card.xyz), known)

    def other_ways(self, best: _Fit) -> list[_Fit]:
        """Return how well the other ways round fit on the same grid."""
        rows, columns, own = self.card.rows, self.card.columns, best.grid
        back = np.linalg.inv(way_of(own.turn, own.mirrored, rows, columns))
        result = []
        for turn, mirrored in WAYS:
            upended = (turn - own.turn) % 180 == 90
            if (turn, mirrored) == (own.turn, own.mirrored) or (upended and rows != columns):
                continue
            place = own.place @ back @ way_of(turn, mirrored, rows, columns)
            half = own.half[::-1] if upended else own.half
            result.append(self.fit(Grid(place, turn, mirrored, (half[0], half[1]))))
        return result


def _inside(grid: Grid, place: NDArray[np.int64], across: Array, down: Array) -> Array:
    """Return mm (n, len(down), len(across), 2) of points at these shares of the pitch from patches' middles."""
    u, v = np.meshgrid(across, down)
    return grid.at(place[:, 1, None, None] + u[None], place[:, 0, None, None] + v[None])


# --- what the patches read -----------------------------------------------------------------------


def _read(
    light: Picture, per_mm: float, grid: Grid, card: Card, ends: NDArray[np.bool_] | None
) -> CardReading:
    """Read every patch in its middle, wild squares left out."""
    half_mm = np.array(grid.half) * grid.pitch_mm
    inner = np.maximum(np.minimum(INNER * half_mm, half_mm - EDGE_MM), 0.4 * half_mm)
    # One sample a pixel, at an even distance on either side of the middle.
    counts = np.maximum(np.rint(2 * inner * per_mm), 2).astype(int)
    across, down = (
        ((np.arange(n) + 0.5) / n * 2 - 1) * part / pitch
        for n, part, pitch in zip(counts, inner, grid.pitch_mm, strict=True)
    )
    linear, u, clipped = [], [], []
    for place in card.place:
        at = pixels(light.shape, per_mm, _inside(grid, place[None], across, down)[0])
        mean, doubt = _patch(sampled(light, at), per_mm)
        linear.append(mean)
        u.append(doubt)
        clipped.append(_share(ends, at))
    readings = np.array(linear)
    fit = _Fit(grid, best_lab(readings, card.xyz), xyz_to_lab(card.xyz))
    width, height = 2 * half_mm
    return CardReading(
        linear=readings,
        u=np.array(u),
        clipped=np.array(clipped),
        turn=grid.turn,
        corners=_corners(grid, card),
        patch_mm=(float(width), float(height)),
        misfit=fit.misfit,
        mismatch=fit.mean,
    )


def _corners(grid: Grid, card: Card) -> Array:
    """Return the grid's outer corners (4, 2) in mm from the slot's middle, in the order of CardReading."""
    left, right, top, bottom = -0.5, card.columns - 0.5, -0.5, card.rows - 0.5
    return grid.at(np.array([left, right, right, left]), np.array([top, top, bottom, bottom]))


def _patch(middle: Picture, per_mm: float) -> tuple[Array, Array]:
    """Return the mean light (3,) of a patch's middle (h, w, 3), without specks, and its standard uncertainty (3,)."""
    squares = block_means(middle, per_mm)
    seen = np.isfinite(squares).all(axis=1)
    if seen.sum() < max(4, LEAST_SEEN * len(squares)):
        return np.full(3, np.nan), np.full(3, np.nan)
    typical = np.median(squares[seen], axis=0)
    # 1.4826 makes a standard deviation of the median distance from the median of a normal distribution.
    spread = 1.4826 * np.median(np.abs(squares[seen] - typical), axis=0) + 1e-4
    with np.errstate(invalid="ignore"):
        good = seen & (np.abs(squares - typical) < WILD * spread).all(axis=1)
    # Neighbouring squares share some of their noise; a quarter of them count as independent.
    noise = squares[good].std(axis=0) / np.sqrt(good.sum() / 4)
    # A patch that is not flat (gloss, a shade, a stain) is not read better for having many pixels.
    columns = middle.shape[1] // max(1, round(BLOCK_MM * per_mm))
    row, column = np.divmod(np.arange(len(squares)), columns)
    ninth = 3 * (3 * row // (row[-1] + 1)) + 3 * column // columns
    count = np.maximum(np.bincount(ninth[good], minlength=9), 1)
    parts = [np.bincount(ninth[good], squares[good, c], minlength=9) / count for c in range(3)]
    uneven = [np.std(part[count > 1]) / 3 if (count > 1).any() else 0.0 for part in parts]
    return squares[good].mean(axis=0), np.maximum(noise, np.array(uneven))


def _share(ends: NDArray[np.bool_] | None, at: Array) -> float:
    """Return the share of the pixels at positions at (h, w, 2) that are at an end in any channel."""
    if ends is None:
        return 0.0
    x, y = np.rint(at).astype(int).reshape(-1, 2).T
    inside = (x >= 0) & (y >= 0) & (x < ends.shape[1]) & (y < ends.shape[0])
    hit = ends[y[inside], x[inside]]
    return float(np.mean(hit if hit.ndim == 1 else hit.any(axis=1))) if len(hit) else 0.0
