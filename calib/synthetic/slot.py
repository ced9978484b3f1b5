"""A colour card laid in the slot of a carrier page: its light over the sheet's, and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.errors import ImpossibleError
from calib.synthetic.bed import dimming
from calib.synthetic.card import SIDES, SimCard
from calib.synthetic.noise import Grid, Plane, rng_of, smooth_field
from calib.synthetic.raster import draw_box, draw_text
from calib.synthetic.scanners import SpectralScanner
from calib.synthetic.session import CardLaying
from calib.synthetic.spectra import WAVELENGTHS, spectrum_to_xyz

Array = NDArray[np.float64]

# The card is painted with this much of the sheet around it, for the shadow of its edge.
PAD_MM = 1.0
SHADOW_MM = 0.15


@dataclass(frozen=True, eq=False)
class CardTruth:
    """A card as it lies in the scan; n patches in the card's order.

    reflectance: (n, wavelengths). xyz: (n, 3) by the CIE's sums, Y of white = 1. linear: (n, 3) the scanner's own light,
    without noise or flare. corners_px: (4, 2) of the card, from the one beside row 1 and column 1 on clockwise;
    patches_px: (n, 4, 2) likewise.
    """

    place: NDArray[np.int64]
    reflectance: Array
    xyz: Array
    linear: Array
    corners_px: Array
    patches_px: Array


def card_pose(card: SimCard, laying: CardLaying, slot: Box) -> Array:
    """Return the 3x3 matrix from card mm (from its top left corner) to sheet mm; slot is as printed.

    In a slot that lies the other way than the card, the card's first row is to the left.
    """
    turned_slot = (slot.width_mm < slot.height_mm) != (card.size_mm[0] < card.size_mm[1])
    turn = np.radians(laying.turn_deg - (90.0 if turned_slot else 0.0))
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    middle = np.array([slot.x_mm + slot.width_mm / 2, slot.y_mm + slot.height_mm / 2])
    pose = np.eye(3)
    pose[:2, :2] = turned
    pose[:2, 2] = middle + np.array(laying.offset_mm) - turned @ (np.array(card.size_mm) / 2)
    return pose


def card_truth(card: SimCard, spectral: SpectralScanner, to_px: Array) -> CardTruth:
    """Return the truth of a card; to_px: 3x3 from card mm to the scan's pixels."""

    def pixels(box: Box) -> Array:
        corners = np.array(
            [
                [box.x_mm, box.y_mm],
                [box.right_mm, box.y_mm],
                [box.right_mm, box.bottom_mm],
                [box.x_mm, box.bottom_mm],
            ]
        )
        return np.asarray(corners @ to_px[:2, :2].T + to_px[:2, 2])

    return CardTruth(
        place=card.place,
        reflectance=card.reflectance,
        xyz=spectrum_to_xyz(card.reflectance),
        linear=spectral.linear(card.reflectance),
        corners_px=pixels(Box(0.0, 0.0, *card.size_mm)),
        patches_px=np.array([pixels(box) for box in card.boxes]),
    )


def lay_card(
    planes: NDArray[np.float32],
    card: SimCard,
    laying: CardLaying,
    pose: Array,
    spectral: SpectralScanner,
    scale: float,
    seed: int,
) -> None:
    """Lay a card over the sheet's light (3, rows, columns); pose: 3x3 from card mm to sheet mm."""
    if laying.thick_mm:
        _lift(planes, card, laying, pose, scale)
    light, cover = _painted(card, laying, spectral, scale, seed)
    shade = _shadow(card, laying, scale, (cover.shape[0], cover.shape[1]))
    # From the raster's pixels to the sheet's, the centre of the first being (0, 0) in both.
    from_raster = np.array(
        [[1 / scale, 0, 0.5 / scale - PAD_MM], [0, 1 / scale, 0.5 / scale - PAD_MM], [0, 0, 1]]
    )
    to_sheet = np.array([[scale, 0, -0.5], [0, scale, -0.5], [0, 0, 1]])
    matrix = to_sheet @ pose @ from_raster
    ends = np.array([[0, 0, 1], [cover.shape[1], 0, 1], [0, cover.shape[0], 1], [*cover.shape[::-1], 1]])
    corners = (ends @ matrix.T)[:, :2]
    low = np.clip(np.floor(corners.min(axis=0)).astype(int), 0, planes.shape[:0:-1])
    high = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 1, 0, planes.shape[:0:-1])
    if np.any(high - low < 2):
        raise ImpossibleError("The card does not lie on the sheet")
    move = matrix[:2].copy()
    move[:, 2] -= low
    size = (int(high[0] - low[0]), int(high[1] - low[1]))

    def moved(plane: Plane, edge: int, outside: float = 0.0) -> Plane:
        return np.asarray(
            cv2.warpAffine(plane, move, size, flags=cv2.INTER_LINEAR, borderMode=edge, borderValue=outside)
        )

    over = moved(cover, cv2.BORDER_CONSTANT)
    shaded = moved(shade, cv2.BORDER_CONSTANT, 1.0)
    for channel in range(3):
        part = planes[channel, low[1] : high[1], low[0] : high[0]]
        part *= shaded
        part += over * (moved(light[channel], cv2.BORDER_REPLICATE) - part)


def _painted(
    card: SimCard, laying: CardLaying, spectral: SpectralScanner, scale: float, seed: int
) -> tuple[NDArray[np.float32], Plane]:
    """Return the card's light (3, rows, columns) in its own raster, PAD_MM wider all round, and its cover."""
    width, height = card.size_mm
    shape = (int(np.ceil((height + 2 * PAD_MM) * scale)), int(np.ceil((width + 2 * PAD_MM) * scale)))
    cover = np.zeros(shape, np.float32)
    draw_box(cover, Box(PAD_MM, PAD_MM, width, height), 1.0, scale)
    frame = spectral.linear(np.full(len(WAVELENGTHS), card.frame))
    words = _words(card, scale, shape)
    opposite = spectral.linear(np.full(len(WAVELENGTHS), 0.85 if card.frame < 0.3 else 0.05))
    light = np.empty((3, *shape), np.float32)
    for channel in range(3):
        light[channel] = frame[channel] + words * np.float32(opposite[channel] - frame[channel])
    patches = spectral.linear(card.reflectance)
    for box, linear in zip(card.boxes, patches, strict=True):
        # Shares of pixels add up, so nothing of the frame shows through where patches touch.
        share, part = _share(box, scale, shape)
        for channel in range(3):
            light[channel][part] += share * np.float32(linear[channel] - frame[channel])
    rng = rng_of(seed, "card")
    if laying.texture:
        light *= 1.0 + np.float32(laying.texture) * smooth_field(rng, Grid(0.0, 0.0, scale, shape), 0.1)
    _soil(light, card, laying, scale, rng)
    return light, cover


def _share(box: Box, scale: float, shape: tuple[int, int]) -> tuple[Plane, tuple[slice, slice]]:
    """Return how much of each pixel a box of the card covers, and of which pixels."""
    left, top = int((box.x_mm + PAD_MM) * scale), int((box.y_mm + PAD_MM) * scale)
    right = min(shape[1], int((box.right_mm + PAD_MM) * scale) + 1)
    bottom = min(shape[0], int((box.bottom_mm + PAD_MM) * scale) + 1)
    share = np.zeros((bottom - top, right - left), np.float32)
    inside = Box(
        box.x_mm + PAD_MM - left / scale, box.y_mm + PAD_MM - top / scale, box.width_mm, box.height_mm
    )
    draw_box(share, inside, 1.0, scale)
    return share, (slice(top, bottom), slice(left, right))


def _words(card: SimCard, scale: float, shape: tuple[int, int]) -> Plane:
    """Return where the caption is printed on the frame, 0..1."""
    ink = np.zeros(shape, np.float32)
    if not card.caption:
        return ink
    width, height = card.size_mm
    deep = card.border_mm[SIDES.index(card.caption)]
    size = min(4.0, 0.3 * deep)
    if card.caption in ("top", "bottom"):
        middle = deep / 2 if card.caption == "top" else height - deep / 2
        draw_text(
            ink,
            (PAD_MM + 6.0, PAD_MM + middle + size / 2),
            "An invented card  1 2 3 4 5 6 7 8",
            size,
            scale,
        )
        draw_box(ink, Box(PAD_MM + width - 30.0, PAD_MM + middle - size / 2, 22.0, size), 1.0, scale)
    else:
        middle = deep / 2 if card.caption == "left" else width - deep / 2
        for i in range(int(height / 12)):
            draw_text(
                ink, (PAD_MM + middle - size / 2, PAD_MM + 10.0 + 12.0 * i), "ABCDEFGHIJ"[i % 10], size, scale
            )
    return ink


def _soil(
    light: NDArray[np.float32], card: SimCard, laying: CardLaying, scale: float, rng: np.random.Generator
) -> None:
    """Put bright and dark specks and pale scratches on the card."""
    width, height = card.size_mm
    dirt = np.zeros(light.shape[1:], np.uint8)
    shine = np.zeros(light.shape[1:], np.uint8)
    for plane, count in ((dirt, laying.dust), (shine, laying.gloss)):
        for _ in range(count):
            middle = [round((PAD_MM + rng.uniform(0, side)) * scale * 16) for side in (width, height)]
            axes = [max(6, int(r * scale * 16)) for r in rng.uniform(0.04, 0.25, 2)]
            level = int(rng.integers(90, 220))
            cv2.ellipse(plane, middle, axes, rng.uniform(0, 180), 0, 360, level, -1, cv2.LINE_AA, 4)
    for _ in range(laying.scratches):
        start = PAD_MM + rng.uniform(0.1, 0.9, 2) * (width, height)
        end = start + rng.normal(0.0, 12.0, 2)
        ends = [tuple(int(v) for v in np.round(at * scale * 16)) for at in (start, end)]
        cv2.line(shine, ends[0], ends[1], 60, max(1, round(0.06 * scale)), cv2.LINE_AA, 4)
    for channel in range(3):
        light[channel] *= 1.0 - dirt.astype(np.float32) / 255.0
        light[channel] += shine.astype(np.float32) / 255.0 * (1.0 - light[channel])


def _shadow(card: SimCard, laying: CardLaying, scale: float, shape: tuple[int, int]) -> Plane:
    grid = Grid(-PAD_MM, -PAD_MM, scale, shape)
    off_x, off_y = _off(grid.x(), card.size_mm[0]), _off(grid.y(), card.size_mm[1])
    off = np.maximum(off_x[np.newaxis, :], off_y[:, np.newaxis])
    return np.asarray(1.0 - np.float32(laying.shadow) * np.exp(-((off / np.float32(SHADOW_MM)) ** 2)))


def _off(at: Plane, length: float) -> Plane:
    """Return how far positions lie outside 0..length."""
    return np.asarray(np.maximum(np.maximum(-at, at - np.float32(length)), 0), dtype=np.float32)


def _lift(planes: NDArray[np.float32], card: SimCard, laying: CardLaying, pose: Array, scale: float) -> None:
    """Darken the sheet beside a thick card, which holds it off the glass; the blur is left out."""
    grid = Grid(0.0, 0.0, scale, (planes.shape[1], planes.shape[2]))
    back = np.linalg.inv(pose).astype(np.float32)
    x = grid.x()[np.newaxis, :]
    for start in range(0, planes.shape[1], 256):
        y = grid.y()[start : start + 256, np.newaxis]
        off_x = _off(back[0, 0] * x + back[0, 1] * y + back[0, 2], card.size_mm[0])
        off_y = _off(back[1, 0] * x + back[1, 1] * y + back[1, 2], card.size_mm[1])
        rest = np.clip(1.0 - np.hypot(off_x, off_y) / np.float32(laying.reach_mm), 0.0, 1.0)
        planes[:, start : start + 256] *= dimming(np.asarray(laying.thick_mm * rest**2, dtype=np.float32))
