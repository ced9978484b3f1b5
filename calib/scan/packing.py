"""How strongly a picture was packed as JPEG, told from its pixels, whatever kind of file it came in.

A JPEG rounds squares of 8 x 8 pixels, each by itself: their borders show, and the frequencies inside them come in whole
steps of the packer's table (ITU-T T.81). Saved again as PNG or TIFF, or packed once more, lightly, both remain, unless the picture
was scaled since. The step that a frequency comes in is found as in Fan and de Queiroz (IEEE Trans. Image Process. 12, 2003):
the one on whose multiples the values lie.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.scan.formats.jpeg import quality_of
from calib.scan.frame import Frame
from calib.scan.image import Codes

Array = NDArray[np.float64]

# Windows so large are looked at, in pixels: around each mark, in the strip and in some cells.
WINDOW_PX = 256
CELLS_LOOKED_AT = 8
# Brightness as JFIF has it (ITU-R BT.601).
LUMA = np.array([0.299, 0.587, 0.114], dtype=np.float32)
# A border between squares stands out by a step that is small against an edge of print; what is larger says nothing of packing.
MOST_STEP = 10.0
# Squares whose borders stand out by less than this, relatively, may be of no packer (measured, see the benchmark).
SHOWING = 1.25
# A second lattice shows where borders stand out by so much among the others.
SECOND = 1.12
# The low frequencies that edges and ink fill, as (down, across), and their steps at quality 50 (ITU-T T.81, table K.1).
FREQUENCIES = {(0, 1): 11, (1, 0): 12, (1, 1): 12, (0, 2): 10, (2, 0): 14, (1, 2): 14, (2, 1): 13, (2, 2): 16}
MOST_QUANTUM = 120
# A frequency needs so many values that are not 0, and they must lie so well on the multiples of a step.
FEWEST_VALUES, ON_STEPS = 40, 0.5
FEWEST_FREQUENCIES = 3
# More squares than this say nothing more.
SQUARES_LOOKED_AT = 6000


@dataclass(frozen=True)
class Packing:
    """What squares of 8 x 8 pixels a picture shows.

    blocking: how much more their borders stand out than other places, relatively; 1 where there are none. quality: of
    the JPEG that it was, 1..100 on the scale on which table K.1 is 50; None where no steps were found.
    """

    blocking: float
    quality: int | None


def packing_of(codes: Codes, frame: Frame) -> Packing:
    """Measure how a page's picture was packed. codes: (h, w, 3) of the picture."""
    windows = [_brightness(codes, corner) for corner in _corners(frame, codes.shape)]
    across, columns = _borders(windows)
    down, rows = _borders([window.T for window in windows])
    blocking = float(np.sqrt(across * down))
    if blocking <= SHOWING:
        return Packing(blocking, None)
    # A picture that was cropped and packed again shows two lattices, and the stronger packing is what it cost.
    found = [_quality(windows, row, column) for row in rows for column in columns]
    return Packing(blocking, min((quality for quality in found if quality is not None), default=None))


def _corners(frame: Frame, shape: tuple[int, ...]) -> list[tuple[int, int]]:
    """Return the top left pixels (row, column), multiples of 8, of the windows that are looked at."""
    page = frame.page
    cells = page.cells[:: max(1, len(page.cells) // CELLS_LOOKED_AT)]
    boxes: Iterable[Box] = (*(mark.box for mark in page.marks), page.strip, *(cell.box for cell in cells))
    middles = np.array([[box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2] for box in boxes])
    at = np.rint(frame.to_pixels(middles) - WINDOW_PX / 2).astype(int)
    room = np.maximum(np.array(shape[1::-1]) - WINDOW_PX, 0)
    at = np.clip(at, 0, room) // 8 * 8
    return [(int(y), int(x)) for x, y in at]


def _brightness(codes: Codes, corner: tuple[int, int]) -> NDArray[np.float32]:
    """Return a window's brightness in codes of 0..255."""
    row, column = corner
    part = codes[row : row + WINDOW_PX, column : column + WINDOW_PX]
    return np.asarray(part @ LUMA * np.float32(255.0 / np.iinfo(codes.dtype).max), dtype=np.float32)


def _borders(windows: list[NDArray[np.float32]]) -> tuple[float, list[int]]:
    """Return how much borders between columns stand out every eighth column, and the columns at which squares may begin."""
    total, count = np.zeros(8), np.zeros(8)
    for window in windows:
        step = np.diff(window, axis=1)
        # Between columns i + 1 and i + 2: by how much that step differs from what lies on both sides of it.
        odd = np.minimum(np.abs(step[:, 1:-1] - (step[:, :-2] + step[:, 2:]) / 2), MOST_STEP).sum(axis=0)
        phase = (np.arange(len(odd)) + 2) % 8
        total += np.bincount(phase, weights=odd, minlength=8)
        count += np.bincount(phase, minlength=8) * len(window)
    mean = total / np.maximum(count, 1)
    at = int(np.argmax(mean))
    # The neighbours of a border see half of it.
    others = [mean[(at + k) % 8] for k in (2, 3, 4, 5, 6)]
    level = max(float(np.mean(others)), 1e-3)
    second = (at + 2 + int(np.argmax(others))) % 8
    starts = [at, second] if max(others) > SECOND * float(np.median(others)) else [at]
    return float(mean[at] / level), starts


def _quality(windows: list[NDArray[np.float32]], row: int, column: int) -> int | None:
    """Return the quality whose steps the squares' frequencies come in, None where too few tell one."""
    waves = _waves()
    squares = []
    for window in windows:
        part = window[row:, column:]
        rows, columns = part.shape[0] // 8, part.shape[1] // 8
        squares.append(
            part[: rows * 8, : columns * 8]
            .reshape(rows, 8, columns, 8)
            .swapaxes(1, 2)
            .reshape(rows * columns, 8, 8)
        )
    stack = np.concatenate(squares)
    # A packer's whole codes are cut off at black and white, which leaves no whole steps.
    whole = stack[(stack.min(axis=(1, 2)) > 1) & (stack.max(axis=(1, 2)) < 254)]
    whole = whole[:: max(1, len(whole) // SQUARES_LOOKED_AT)]
    percents = []
    for (down, across), at_50 in FREQUENCIES.items():
        values = np.einsum("nij,i,j->n", whole, waves[down], waves[across], optimize=True)
        quantum = _quantum(values)
        if quantum is not None:
            percents.append(100 * quantum / at_50)
    if len(percents) < FEWEST_FREQUENCIES:
        return None
    return quality_of(float(np.median(percents)))


def _waves() -> NDArray[np.float32]:
    """Return the eight cosines (8, 8) of the discrete cosine transform (ITU-T T.81, A.3.3)."""
    k, x = np.mgrid[:8, :8]
    waves = np.cos((2 * x + 1) * k * np.pi / 16) / 2
    waves[0] /= np.sqrt(2)
    return np.asarray(waves, dtype=np.float32)


def _quantum(values: NDArray[np.float32]) -> int | None:
    """Return the largest step on whose multiples most values lie that are not 0, None where there is none."""
    sizes = np.sort(np.abs(values))
    best: tuple[float, int] | None = None
    for step in range(MOST_QUANTUM, 2, -1):
        # Values of 0 lie on the multiples of any step.
        told = sizes[np.searchsorted(sizes, step / 2) :]
        if len(told) < FEWEST_VALUES:
            continue
        on = float(np.cos(2 * np.pi * told / step).mean())
        # A part of the true step fits as well, with more rounding seen; so the largest counts, unless clearly worse.
        if on > ON_STEPS and (best is None or on > best[0] + 0.25):
            best = on, step
    return None if best is None else best[1]
