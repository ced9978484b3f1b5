"""The page as it was understood, as a picture: what was sampled, what it read, what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.colour.colorimetry import srgb_encode
from calib.scan.image import png_bytes
from calib.scan.proofpage import PER_MM, annotated
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch

# Labels begin half a millimetre from a cell.
AROUND_MM = 0.4
# A cell by itself is half as large as on the picture of its page, which still shows its grain and keeps the file small.
CELL_SCALE = 0.5


@dataclass(frozen=True)
class Proof:
    """A page as it was understood, as a PNG, and a plain PNG of each of its cells, by the cell's name: no label, nothing written."""

    page: bytes
    cells: dict[str, bytes]


def proof_of(page: PageReading, swatches: Sequence[Swatch]) -> Proof:
    """Return the pictures of one page: the scan, white-balanced, with everything that was understood of it, and its cells by themselves."""
    body = _balanced(page)
    cells = {swatch.cell.cell: png_bytes(_cut(body, swatch.cell.box)) for swatch in swatches}
    return Proof(annotated(body, page, swatches), cells)


def _cut(body: NDArray[np.uint8], box: Box) -> NDArray[np.uint8]:
    """Return the pixels of one cell, with a little of the paper around it."""
    near = box.grown(AROUND_MM)
    rows, columns = ((near.y_mm, near.bottom_mm), (near.x_mm, near.right_mm))
    (top, bottom), (left, right) = ([max(0, round(end * PER_MM)) for end in ends] for ends in (rows, columns))
    part = cv2.resize(
        body[top:bottom, left:right], None, fx=CELL_SCALE, fy=CELL_SCALE, interpolation=cv2.INTER_AREA
    )
    return np.asarray(part, dtype=np.uint8)


def _balanced(page: PageReading) -> NDArray[np.uint8]:
    """Return the page as sRGB at PER_MM, falloff and flare undone, the paper as white as it is."""
    bands = []
    width, height = page.lighting.page_mm
    # In bands, because the whole page as floats would need more memory than the program may take.
    step = 40.0
    for y in np.arange(0, height, step):
        box = Box(0, float(y), width, float(min(step, height - y)))
        codes = page.frame.cut(page.picture.codes, box, PER_MM)
        light = np.nan_to_num(page.reflectance(codes, box), nan=0.5)
        bands.append(np.rint(srgb_encode(light) * 255).astype(np.uint8))
    return np.concatenate(bands)
