"""Where a photographed page lies in its picture: perspective, a bent lens, a page that curls."""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.scan.fiducials import detect, reduced_grey
from calib.scan.frame import Frame, corners_of, mapped
from calib.scan.image import Picture
from calib.scan.lens import Lens, fit_lens

Array = NDArray[np.float64]

# A page is looked at in as many pixels as tell a mark's corner to a tenth of one.
LONG_SIDE = 3000
# A mark farther off its place by the first look than this is another page's.
ASTRAY_MM = 15.0
# A corner farther than this from where the others put it is misread, or print on a fold.
OUTLIER_MM = 0.6
FEWEST_MARKS = 4
# What makes a picture a photograph. A scanner's picture is affine: a feeder stretches, slips and shears it, but never makes one end of
# the page larger than the other by more than this and leaves nothing else over.
KEYSTONE = 0.012
OF_AFFINE = 0.35
AFFINE_MM = 0.12
BENT_MM = 0.3
# Where the first look was as good as this and saw no perspective, a scan is not looked at again.
GOOD_MM = 0.12


@dataclass(frozen=True)
class PhotoFrame(Frame):
    """A frame whose matrix maps to where a perfect lens would have put a flat page; lens tells the rest.

    keystone: how much larger a millimetre is at the nearest corner of the page than at the farthest, less 1.
    """

    lens: Lens | None = None
    keystone: float = 0.0

    def to_pixels(self, points_mm: Array) -> Array:
        """Return pixel positions (..., 2) of page points (..., 2) in millimetres."""
        assert self.lens is not None
        return self.lens.seen(mapped(self.matrix, self.lens.pressed(points_mm)))

    def to_mm(self, points: Array) -> Array:
        """Return page points (..., 2) in millimetres of pixel positions (..., 2)."""
        assert self.lens is not None
        return self.lens.unpressed(
            mapped(np.asarray(np.linalg.inv(self.matrix), dtype=float), self.lens.straight(points))
        )

    def cut(
        self, codes: NDArray[np.uint8] | NDArray[np.uint16], box: Box, pixels_per_mm: float
    ) -> NDArray[np.float32]:
        """Return the part of a picture that shows box, upright, as Frame.cut does."""
        size = [max(1, round(side * pixels_per_mm)) for side in (box.width_mm, box.height_mm)]
        # Of several pixels to one that is wanted, all count.
        times = max(1, int(self.pixels_per_mm / pixels_per_mm))
        out = np.empty((size[1], size[0], 3), dtype=np.float32)
        # In bands, because the places of all pixels of a page would take more memory than its codes.
        rows = max(1, 1_000_000 // (size[0] * times * times))
        for start in range(0, size[1], rows):
            stop = min(size[1], start + rows)
            x = box.x_mm + (np.arange(size[0] * times) + 0.5) * box.width_mm / (size[0] * times)
            y = box.y_mm + (np.arange(start * times, stop * times) + 0.5) * box.height_mm / (size[1] * times)
            band = _looked_up(codes, self.to_pixels(np.stack(np.meshgrid(x, y), axis=-1)))
            if times > 1:
                band = np.asarray(cv2.resize(band, (size[0], stop - start), interpolation=cv2.INTER_AREA))
            out[start:stop] = band
        return out


def _looked_up(codes: NDArray[np.uint8] | NDArray[np.uint16], at: Array) -> NDArray[np.float32]:
    """Return codes in 0..1 at pixels (h, w, 2), NaN outside the picture; only what lies around them is touched."""
    flat = at.reshape(-1, 2)
    low = np.maximum(np.floor(flat.min(axis=0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(flat.max(axis=0)).astype(int) + 2, codes.shape[1::-1])
    if np.any(high - low < 2):
        return np.full((*at.shape[:2], 3), np.nan, dtype=np.float32)
    part = codes[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    part /= np.float32(np.iinfo(codes.dtype).max)
    x, y = ((at[..., i] - low[i]).astype(np.float32) for i in (0, 1))
    nothing = (float("nan"),) * 3
    return np.asarray(
        cv2.remap(part, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=nothing),
        dtype=np.float32,
    )


def photo_frame(picture: Picture, frame: Frame, page_mm: tuple[float, float]) -> PhotoFrame | None:
    """Return the frame of a page that a camera saw, None where the picture is a scanner's by all that its geometry tells."""
    if not picture.camera and _affine(frame.matrix) and frame.residual_mm < GOOD_MM:
        return None
    codes = picture.codes
    size = np.array(codes.shape[1::-1], dtype=float)
    flat = Lens((size - 1) / 2, float(np.hypot(*size) / 2), page_mm)
    mm, pixels = _marks(codes, frame)
    while len(mm) >= 4 * FEWEST_MARKS:
        lens, matrix, missed = fit_lens(mm, pixels, flat, frame.pixels_per_mm)
        if missed.max() <= OUTLIER_MM:
            break
        worst = int(missed.reshape(-1, 4).max(axis=1).argmax()) * 4
        mm, pixels = (np.delete(v, np.s_[worst : worst + 4], axis=0) for v in (mm, pixels))
    else:
        return _as_it_is(frame, flat) if picture.camera else None
    lowest, highest = _scales(lens, matrix, page_mm)
    keystone = highest / lowest - 1
    if not picture.camera:
        affine = _affine_misses(mm, pixels) / frame.pixels_per_mm
        left = float(np.sqrt(np.mean(missed**2)))
        clear = affine > AFFINE_MM and left < OF_AFFINE * affine
        bend = np.abs(lens.seen(mapped(matrix, mm)) - mapped(matrix, mm)).max() / frame.pixels_per_mm
        if not (clear and (keystone > KEYSTONE or bend > BENT_MM)):
            return None
    known = {f.name: getattr(frame, f.name) for f in fields(Frame)}
    known |= {
        "matrix": matrix,
        "residual_mm": float(np.sqrt(np.mean(missed**2))),
        "marks": len(mm) // 4,
        # The coarsest part of the page says how finely it was seen.
        "pixels_per_mm": lowest,
    }
    return PhotoFrame(**known, lens=lens, keystone=keystone)


def _as_it_is(frame: Frame, flat: Lens) -> PhotoFrame:
    """Return a camera's frame with too few marks for a lens."""
    lowest, highest = _scales(flat, frame.matrix, flat.page_mm)
    known = {f.name: getattr(frame, f.name) for f in fields(Frame)} | {"pixels_per_mm": lowest}
    return PhotoFrame(**known, lens=flat, keystone=highest / lowest - 1)


def _affine(matrix: Array) -> bool:
    return bool(np.all(np.abs(matrix[2, :2]) < 1e-9))


def _affine_misses(mm: Array, pixels: Array) -> float:
    """Return by how many pixels, root mean square, the best affine picture of the marks misses them."""
    design = np.column_stack([mm, np.ones(len(mm))])
    off = pixels - design @ np.linalg.lstsq(design, pixels, rcond=None)[0]
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


def _scales(lens: Lens, matrix: Array, page_mm: tuple[float, float]) -> tuple[float, float]:
    """Return the lowest and the highest pixels per millimetre at the corners and in the middle of the page."""
    width, height = page_mm
    places = np.array([[0, 0], [width, 0], [0, height], [width, height], [width / 2, height / 2]])
    step = np.array([[-1.0, 0], [1, 0], [0, -1], [0, 1]])
    at = lens.seen(mapped(matrix, lens.pressed(places[:, None] + step)))
    across, down = (at[:, 1] - at[:, 0]) / 2, (at[:, 3] - at[:, 2]) / 2
    scale = np.sqrt(np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]))
    return float(scale.min()), float(scale.max())


def _marks(codes: NDArray[np.uint8] | NDArray[np.uint16], frame: Frame) -> tuple[Array, Array]:
    """Return the corners of the page's marks in mm and in pixels, (n, 2) each, four to a mark."""
    grey, factor = reduced_grey(codes, LONG_SIDE)
    seen = [(number, (corners + 0.5) * factor - 0.5) for number, corners in detect(grey)]
    mm, pixels = [], []
    for mark in frame.page.marks:
        box = corners_of(mark.box)
        expected = frame.to_pixels(box)
        near = [corners for number, corners in seen if number == mark.id]
        off = [float(np.abs(found - expected).max()) / frame.pixels_per_mm for found in near]
        if off and min(off) < ASTRAY_MM:
            mm.append(box)
            pixels.append(near[int(np.argmin(off))])
    return np.array(mm).reshape(-1, 2), np.array(pixels).reshape(-1, 2)
