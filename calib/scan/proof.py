"""The page as it was understood, as a picture: what was sampled, what it read, what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

import calib.chart
from calib.chart.plan import Box
from calib.colour.colorimetry import srgb_encode
from calib.scan.image import png_bytes
from calib.scan.patch import INNER_MM
from calib.scan.scanner import Scanner
from calib.scan.sheet import PageReading
from calib.scan.strip import INNER_HEIGHT, INNER_LENGTH
from calib.scan.swatch import Swatch

PER_MM = 8.0
HEAD_MM = 12.0
FOOT_MM = 14.0
# Labels begin half a millimetre from a cell.
AROUND_MM = 0.4
# A cell by itself is half as large as on the picture of its page, which still shows its grain and keeps the file small.
CELL_SCALE = 0.5
# Meaning is carried by words too, and these three differ in lightness, for eyes that do not tell red and green apart.
USED = (20, 110, 60)
REMARK = (200, 120, 0)
LEFT_OUT = (190, 0, 40)
SAMPLED = (60, 90, 200)
INK = (40, 40, 40)
SMALL_PX, TEXT_PX, TITLE_PX = 15, 19, 26
LEGEND = (
    (USED, "read"),
    (REMARK, "read, with a remark below the cell"),
    (LEFT_OUT, "left out, the reason below the cell"),
    (SAMPLED, "marks, bare paper (dots) and steps of the strip that were used"),
)
LINE_PX = 28


@cache
def _font(size: int, bold: bool = False) -> Any:
    from PIL import ImageFont

    name = "NotoSans-CondensedBold.ttf" if bold else "NotoSans-Condensed.ttf"
    return ImageFont.truetype(str(Path(calib.chart.__file__).parent / "fonts" / name), size)


@dataclass(frozen=True)
class Proof:
    """A page as it was understood, as a PNG, and a plain PNG of each of its cells, by the cell's name: no label, nothing written."""

    page: bytes
    cells: dict[str, bytes]


def proof_of(page: PageReading, swatches: Sequence[Swatch], scanner: Scanner) -> Proof:
    """Return the pictures of one page: the scan, white-balanced, with everything that was understood of it, and its cells by themselves."""
    body = _balanced(page)
    cells = {swatch.cell.cell: png_bytes(_cut(body, swatch.cell.box)) for swatch in swatches}
    return Proof(_annotated(body, page, swatches, scanner), cells)


def _cut(body: NDArray[np.uint8], box: Box) -> NDArray[np.uint8]:
    """Return the pixels of one cell, with a little of the paper around it."""
    near = box.grown(AROUND_MM)
    rows, columns = ((near.y_mm, near.bottom_mm), (near.x_mm, near.right_mm))
    (top, bottom), (left, right) = ([max(0, round(end * PER_MM)) for end in ends] for ends in (rows, columns))
    part = cv2.resize(
        body[top:bottom, left:right], None, fx=CELL_SCALE, fy=CELL_SCALE, interpolation=cv2.INTER_AREA
    )
    return np.asarray(part, dtype=np.uint8)


def _annotated(
    body: NDArray[np.uint8], page: PageReading, swatches: Sequence[Swatch], scanner: Scanner
) -> bytes:
    from PIL import Image, ImageDraw

    lines = _legend(body.shape[1])
    height = body.shape[0] + round((HEAD_MM + FOOT_MM) * PER_MM) + LINE_PX * (len(lines) - 1)
    canvas = np.full((height, body.shape[1], 3), 255, dtype=np.uint8)
    top = round(HEAD_MM * PER_MM)
    canvas[top : top + body.shape[0]] = body
    image = Image.fromarray(canvas)
    draw = ImageDraw.Draw(image)
    _Pen(draw, top).everything(page, swatches, scanner)
    return png_bytes(np.asarray(image))


def _balanced(page: PageReading) -> NDArray[np.uint8]:
    """Return the page as sRGB at PER_MM, falloff and flare undone, the paper as white as it is."""
    bands = []
    width, height = _page_mm(page)
    # In bands, because the whole page as floats would need more memory than the program may take.
    step = 40.0
    for y in np.arange(0, height, step):
        box = Box(0, float(y), width, float(min(step, height - y)))
        codes = page.frame.cut(page.picture.codes, box, PER_MM)
        light = np.nan_to_num(page.reflectance(codes, box), nan=0.5)
        bands.append(np.rint(srgb_encode(light) * 255).astype(np.uint8))
    return np.concatenate(bands)


def _legend(width: int) -> list[list[tuple[float, tuple[int, int, int], str]]]:
    """Return the lines of the legend on a picture so many pixels wide: where each entry begins, its colour and words."""
    lines: list[list[tuple[float, tuple[int, int, int], str]]] = [[]]
    x = 12.0
    for colour, words in LEGEND:
        length = 30 + float(_font(TEXT_PX).getlength(words))
        if lines[-1] and x + length > width:
            lines.append([])
            x = 12.0
        lines[-1].append((x, colour, words))
        x += length + 16
    return lines


def _page_mm(page: PageReading) -> tuple[float, float]:
    return page.lighting.page_mm


class _Pen:
    """Draws in page millimetres below the picture's head."""

    def __init__(self, draw: Any, top: int) -> None:
        self.draw = draw
        self.top = top

    def at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        return x_mm * PER_MM, self.top + y_mm * PER_MM

    def box(self, box: Box, colour: tuple[int, int, int], width: int) -> None:
        self.draw.rectangle(
            (*self.at(box.x_mm, box.y_mm), *self.at(box.right_mm, box.bottom_mm)), outline=colour, width=width
        )

    def text(
        self, at: tuple[float, float], words: str, size: int, colour: tuple[int, int, int], bold: bool = False
    ) -> None:
        # A white rim keeps the words readable over the printed labels.
        self.draw.text(
            at, words, font=_font(size, bold), fill=colour, stroke_width=2, stroke_fill=(255, 255, 255)
        )

    def everything(self, page: PageReading, swatches: Sequence[Swatch], scanner: Scanner) -> None:
        for mark in page.frame.page.marks:
            self.box(mark.box.grown(0.5), SAMPLED, 2)
        self._tiles(page)
        self._strip(page)
        for swatch in swatches:
            self._swatch(swatch, scanner)
        self._head(page, swatches)
        self._foot(page)

    def _tiles(self, page: PageReading) -> None:
        for x, y in page.paper_at:
            cx, cy = self.at(x, y)
            self.draw.ellipse((cx - 1.5, cy - 1.5, cx + 1.5, cy + 1.5), fill=SAMPLED)

    def _strip(self, page: PageReading) -> None:
        if page.strip is None:
            return
        box = page.frame.page.strip
        upright = box.height_mm > box.width_mm
        long_mm, short_mm = (box.height_mm, box.width_mm) if upright else (box.width_mm, box.height_mm)
        count = len(page.strip.at)
        for number, (along, across) in enumerate(page.strip.at, 1):
            half_long = long_mm / count * INNER_LENGTH / 2
            half_short = short_mm * INNER_HEIGHT / 2
            u, v = along * long_mm, across * short_mm
            x, y = (box.x_mm + v, box.y_mm + u) if upright else (box.x_mm + u, box.y_mm + v)
            wide, high = (half_short, half_long) if upright else (half_long, half_short)
            self.box(Box(x - wide, y - high, 2 * wide, 2 * high), SAMPLED, 2)
            where = (box.right_mm + 0.6, y - 1) if upright else (x - 1, box.bottom_mm + 2.4)
            self.text(self.at(*where), str(number), SMALL_PX, SAMPLED)

    def _swatch(self, swatch: Swatch, scanner: Scanner) -> None:
        cell = swatch.cell.box
        # That the page is a photograph is said once, above it.
        flags = [flag for flag in swatch.flags if flag != "photo"]
        colour = LEFT_OUT if not swatch.has_colour else REMARK if flags else USED
        self.box(cell, colour, 3)
        if swatch.has_colour and swatch.patch is not None:
            self.box(cell.grown(-INNER_MM), (255, 255, 255), 1)
            lab = scanner.to_lab(swatch.patch.linear)
            for line, (name, value) in enumerate(zip("Lab", lab, strict=True)):
                number = f"{value:.0f}".replace("-0", "0") if abs(value) < 0.5 else f"{value:.0f}"
                self.text(
                    self.at(cell.right_mm + 0.4, cell.y_mm + 1 + 2.6 * line),
                    f"{name} {number}",
                    SMALL_PX,
                    INK,
                )
        if flags:
            self.text(self.at(cell.x_mm, cell.bottom_mm + 0.2), ", ".join(flags), SMALL_PX, colour, bold=True)

    def _head(self, page: PageReading, swatches: Sequence[Swatch]) -> None:
        used = sum(swatch.has_colour for swatch in swatches)
        photo = ", a photograph," if page.photo is not None else ""
        title = f"{page.picture.name}: page {page.frame.page.page}{photo} as it was understood"
        facts = (
            f"{used} of {len(swatches)} swatches read · {page.frame.marks} of {len(page.frame.page.marks)} marks, "
            f"to {page.frame.residual_mm:.2f} mm · {page.frame.pixels_per_mm * 25.4:.0f} dpi on paper · "
            f"falloff {100 * page.lighting.falloff():.1f} % · scattered light {100 * page.lighting.flare.sum():.1f} %"
        )
        self.text((12, 8), title, TITLE_PX, INK, bold=True)
        self.text((12, 48), facts, TEXT_PX, INK)

    def _foot(self, page: PageReading) -> None:
        width, height = _page_mm(page)
        y = self.top + height * PER_MM + 10
        for line in _legend(round(width * PER_MM)):
            for x, colour, words in line:
                self.draw.rectangle((x, y + 4, x + 22, y + 20), outline=colour, width=3)
                self.text((x + 30, y), words, TEXT_PX, INK)
            y += LINE_PX
        self.text(
            (12, y + 10),
            "The thin white line bounds what was sampled of a cell; beside it stand L*, a* and b* of the ink film.",
            TEXT_PX,
            INK,
        )
