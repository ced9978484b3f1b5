"""Draws on the picture of a page what was understood of it: frames, measured colours, numbers, and what they mean.

What a frame means is told by its line (thin, broken, crossed out), by a badge (round, square) and by words; colour only helps, and the
three colours differ in lightness, for eyes that do not tell red and green apart.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import calib.chart
from calib.chart.plan import Box
from calib.colour.colorimetry import srgb_encode
from calib.scan import proofwords
from calib.scan.image import png_bytes
from calib.scan.sheet import PageReading
from calib.scan.strip import INNER_HEIGHT, INNER_LENGTH
from calib.scan.swatch import Swatch

PER_MM = 8.0
# The measured colour stands beside its cell, so wide where there is room, and bare paper behind it.
CHIP_MM, CHIP_AIR_MM, LEAST_CHIP_MM = 3.0, 1.2, 1.5
Colour = tuple[int, int, int]
READ: Colour = (30, 90, 60)
LOOK: Colour = (190, 95, 0)
LEFT_OUT: Colour = (165, 0, 35)
SEEN: Colour = (50, 85, 190)
PAPER: Colour = (140, 158, 215)
INK: Colour = (30, 30, 30)
SMALL_PX, TEXT_PX, BOLD_PX, TITLE_PX = 15, 20, 22, 30
EDGE_PX = 16
DASH_PX, CORNER_PX = 12, 11
BADGE_PX, BADGE_FONT_PX = 12, 17


@cache
def _font(size: int, bold: bool = False) -> Any:
    from PIL import ImageFont

    name = "NotoSans-CondensedBold.ttf" if bold else "NotoSans-Condensed.ttf"
    return ImageFont.truetype(str(Path(calib.chart.__file__).parent / "fonts" / name), size)


def annotated(body: NDArray[np.uint8], page: PageReading, swatches: Sequence[Swatch]) -> bytes:
    """Return a PNG of a page's picture (h, w, 3), PER_MM pixels a millimetre, with all that was understood of it."""
    from PIL import Image, ImageDraw

    remarks = proofwords.remarks_on(swatches)
    width = body.shape[1]
    # Drawn twice: once to see how much room the words take on a page of this width.
    probe = ImageDraw.Draw(Image.new("RGB", (width, 1)))
    head = _head(_Pen(probe, 0, width), page, swatches, remarks)
    foot = _foot(_Pen(probe, 0, width), page)
    canvas = np.full((head + body.shape[0] + foot, width, 3), 255, dtype=np.uint8)
    canvas[head : head + body.shape[0]] = body
    image = Image.fromarray(canvas)
    draw = ImageDraw.Draw(image)
    _head(_Pen(draw, 0, width), page, swatches, remarks)
    _body(_Pen(draw, head, width), page, swatches, remarks)
    _foot(_Pen(draw, head + body.shape[0], width), page)
    return png_bytes(np.asarray(image))


class _Pen:
    """Draws in pixels below a line of the picture, or in page millimetres there."""

    def __init__(self, draw: Any, top: int, width: int) -> None:
        self.draw, self.top, self.width = draw, top, width

    def px(self, box: Box) -> tuple[float, float, float, float]:
        """Return a box on the page as left, top, right and bottom in pixels."""
        return (
            box.x_mm * PER_MM,
            self.top + box.y_mm * PER_MM,
            box.right_mm * PER_MM,
            self.top + box.bottom_mm * PER_MM,
        )

    def text(
        self, at: tuple[float, float], words: str, size: int, colour: Colour = INK, bold: bool = False
    ) -> None:
        # A white rim keeps the words readable over the printed labels.
        self.draw.text(
            at, words, font=_font(size, bold), fill=colour, stroke_width=2, stroke_fill=(255, 255, 255)
        )

    def paragraph(self, at: tuple[float, int], words: str, size: int, bold: bool = False) -> int:
        """Write words from a place on, broken at the picture's edge; return the height of the next line below them."""
        x, y = at
        room = self.width - x - EDGE_PX
        line = ""
        for word in words.split(" "):
            longer = f"{line} {word}" if line else word
            if line and _font(size, bold).getlength(longer) > room:
                self.text((x, self.top + y), line, size, INK, bold)
                y += _line(size)
                line = word
            else:
                line = longer
        self.text((x, self.top + y), line, size, INK, bold)
        return y + _line(size)

    def frame(
        self, ends: tuple[float, float, float, float], colour: Colour, width: int, broken: bool = False
    ) -> None:
        if not broken:
            self.draw.rectangle(ends, outline=colour, width=width)
            return
        left, top, right, bottom = ends
        for start, end in (
            ((left, top), (right, top)),
            ((right, top), (right, bottom)),
            ((right, bottom), (left, bottom)),
            ((left, bottom), (left, top)),
        ):
            along = np.array(end) - np.array(start)
            length = float(np.hypot(*along))
            for from_px in np.arange(0, length, 2 * DASH_PX):
                dash = [
                    np.array(start) + along * min(px, length) / length for px in (from_px, from_px + DASH_PX)
                ]
                self.draw.line([tuple(map(float, point)) for point in dash], fill=colour, width=width)

    def cross(self, ends: tuple[float, float, float, float], colour: Colour) -> None:
        left, top, right, bottom = ends
        for line in (((left, top), (right, bottom)), ((left, bottom), (right, top))):
            self.draw.line(line, fill=(255, 255, 255), width=5)
            self.draw.line(line, fill=colour, width=2)

    def badge(self, at: tuple[float, float], one: proofwords.Remark, words: str = "") -> float:
        """Draw a remark's number, and words behind it, on a round ground, or a square one for what was left out.

        at: the middle of its left side. Returns where its right side is.
        """
        x, y = at
        number, said = _font(BADGE_FONT_PX, True), _font(SMALL_PX, True)
        right = x + 2 * BADGE_PX + (said.getlength(words) + 8 if words else 0)
        ends = (x, y - BADGE_PX, right, y + BADGE_PX)
        look = {"fill": LEFT_OUT if one.left_out else LOOK, "outline": (255, 255, 255), "width": 2}
        if one.left_out:
            self.draw.rectangle(ends, **look)
        else:
            self.draw.rounded_rectangle(ends, BADGE_PX, **look)
        white = (255, 255, 255)
        self.draw.text((x + BADGE_PX, y), str(one.number), font=number, fill=white, anchor="mm")
        self.draw.text((x + 2 * BADGE_PX, y), words, font=said, fill=white, anchor="lm")
        return float(right)

    def found(self, ends: tuple[float, float, float, float]) -> None:
        """Draw the corners of a frame and a tick beside it: a whole frame would hide a mark from whoever looks for it."""
        left, top, right, bottom = ends
        for x, inwards in ((left, 1), (right, -1)):
            for y, down in ((top, 1), (bottom, -1)):
                arms = ((x + inwards * CORNER_PX, y), (x, y), (x, y + down * CORNER_PX))
                self.draw.line(arms, fill=SEEN, width=3)
        self.tick((right, bottom))

    def tick(self, corner: tuple[float, float]) -> None:
        x, y = corner
        line = ((x + 3, y - 8), (x + 8, y - 3), (x + 17, y - 15))
        self.draw.line(line, fill=(255, 255, 255), width=7, joint="curve")
        self.draw.line(line, fill=SEEN, width=3, joint="curve")


def _line(size: int) -> int:
    return round(1.4 * size)


def _head(
    pen: _Pen, page: PageReading, swatches: Sequence[Swatch], remarks: Sequence[proofwords.Remark]
) -> int:
    """Write what was found and what to do; return how high it is."""
    y = pen.paragraph((EDGE_PX, 8), proofwords.title(page), TITLE_PX, bold=True)
    y = pen.paragraph((EDGE_PX, y), proofwords.verdict(swatches), BOLD_PX, bold=True)
    y = pen.paragraph((EDGE_PX, y), proofwords.HOW, TEXT_PX)
    for words in (*proofwords.of_the_page(page), *(one.sentence for one in remarks if not one.number)):
        y = pen.paragraph((EDGE_PX, y), words, TEXT_PX)
    for one in remarks:
        if one.number:
            pen.badge((EDGE_PX, pen.top + y + 15), one)
            y = pen.paragraph((EDGE_PX + 3 * BADGE_PX, y), one.sentence, TEXT_PX)
    return y + 10


def _body(
    pen: _Pen, page: PageReading, swatches: Sequence[Swatch], remarks: Sequence[proofwords.Remark]
) -> None:
    for x, y in page.paper_at:
        at = (x * PER_MM, pen.top + y * PER_MM)
        pen.draw.ellipse((at[0] - 1, at[1] - 1, at[0] + 1, at[1] + 1), fill=PAPER)
    _marks(pen, page)
    _strip(pen, page)
    numbered = {one.flag: one for one in remarks if one.number}
    chip_mm = _chip_mm([swatch.cell.box for swatch in swatches])
    for swatch in swatches:
        _swatch(
            pen, swatch, [numbered[flag] for flag in proofwords.flags_of(swatch) if flag in numbered], chip_mm
        )


def _marks(pen: _Pen, page: PageReading) -> None:
    for mark in page.frame.page.marks:
        ends = pen.px(mark.box.grown(0.8))
        # A frame that was put together by hand does not say which marks stand behind it.
        if mark.id in page.frame.found or not page.frame.found:
            pen.found(ends)
        else:
            pen.frame(ends, LEFT_OUT, 3, broken=True)
            pen.text((ends[0], ends[3] + 2), "not found", SMALL_PX, LEFT_OUT, bold=True)
    ends = pen.px(page.frame.page.black)
    if page.black is None:
        pen.frame(ends, LEFT_OUT, 3, broken=True)
    else:
        pen.found(ends)


def _strip(pen: _Pen, page: PageReading) -> None:
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
        left, top, right, bottom = pen.px(Box(x - wide, y - high, 2 * wide, 2 * high))
        # Blue is not seen on dark steps, so there is a rim of white around it.
        pen.draw.rectangle((left - 2, top - 2, right + 2, bottom + 2), outline=(255, 255, 255), width=2)
        pen.draw.rectangle((left, top, right, bottom), outline=SEEN, width=2)
        where = (box.right_mm + 0.6, y - 1) if upright else (x - 1, box.bottom_mm + 2.4)
        pen.text((where[0] * PER_MM, pen.top + where[1] * PER_MM), str(number), SMALL_PX, SEEN)


def _chip_mm(cells: Sequence[Box]) -> float:
    """Return how wide a measured colour may be beside a cell; 0 where the cells stand too close for one."""
    gaps = [
        other.x_mm - cell.right_mm
        for cell in cells
        for other in cells
        if other.x_mm >= cell.right_mm - 1e-6 and other.y_mm < cell.bottom_mm and other.bottom_mm > cell.y_mm
    ]
    room = min([CHIP_MM, *(gap - CHIP_AIR_MM for gap in gaps)])
    return room if room >= LEAST_CHIP_MM else 0.0


def _swatch(pen: _Pen, swatch: Swatch, remarks: Sequence[proofwords.Remark], chip_mm: float) -> None:
    cell = swatch.cell.box
    left, top, right, bottom = pen.px(Box(cell.x_mm, cell.y_mm, cell.width_mm + chip_mm, cell.height_mm))
    if swatch.has_colour and swatch.patch is not None:
        begins = right - (chip_mm or cell.width_mm / 4) * PER_MM
        # In the light of the picture itself, whatever is known of the scanner's colours, so that the two may be compared.
        colour = tuple(int(code) for code in np.rint(srgb_encode(swatch.patch.linear) * 255))
        pen.draw.rectangle((begins, top, right, bottom), fill=colour)
        if remarks:
            # White between the dashes, or an orange swatch would hide them.
            pen.frame((left, top, right, bottom), (255, 255, 255), 5)
            pen.frame((left, top, right, bottom), LOOK, 5, broken=True)
        else:
            pen.frame((left, top, right, bottom), READ, 2)
    else:
        pen.cross((left, top, right, bottom), LEFT_OUT)
        pen.frame((left, top, right, bottom), LEFT_OUT, 4)
    # Words where there is room for all of them inside the frame; else the numbers have to do.
    x = left + 4
    short = [proofwords.short(one.flag) for one in remarks]
    needed = sum(2 * BADGE_PX + 12 + _font(SMALL_PX, True).getlength(words) for words in short)
    for one, words in zip(remarks, short, strict=True):
        x = pen.badge((x, top + BADGE_PX + 4), one, words if needed < right - left - 4 else "") + 4


def _foot(pen: _Pen, page: PageReading) -> int:
    """Draw the legend and the figures; return how high they are."""
    entries: list[tuple[str, Callable[[tuple[float, float, float, float]], None]]] = [
        ("read; its right end is the measured colour", lambda ends: _sample(pen, ends)),
        ("read, but look: the number stands above", lambda ends: pen.frame(ends, LOOK, 5, broken=True)),
        ("left out", lambda ends: _sample_out(pen, ends)),
        ("mark or black that was found", lambda ends: _sample_found(pen, ends)),
        ("one that was not", lambda ends: pen.frame(ends, LEFT_OUT, 3, broken=True)),
        ("steps of the grey strip, counted as in its file", lambda ends: _sample_step(pen, ends)),
        ("bare paper that was used", lambda ends: _sample_paper(pen, ends)),
    ]
    x, y = float(EDGE_PX), 12
    for words, sample in entries:
        length = 56 + float(_font(TEXT_PX).getlength(words)) + 24
        if x > EDGE_PX and x + length > pen.width:
            x, y = float(EDGE_PX), y + 36
        sample((x, pen.top + y, x + 46, pen.top + y + 26))
        pen.text((x + 56, pen.top + y - 1), words, TEXT_PX)
        x += length
    return pen.paragraph((EDGE_PX, y + 40), proofwords.facts(page), TEXT_PX) + 8


def _sample(pen: _Pen, ends: tuple[float, float, float, float]) -> None:
    _, top, right, bottom = ends
    pen.draw.rectangle(ends, fill=(205, 190, 150))
    pen.draw.rectangle((right - 14, top, right, bottom), fill=(196, 178, 132))
    pen.frame(ends, READ, 2)


def _sample_out(pen: _Pen, ends: tuple[float, float, float, float]) -> None:
    pen.cross(ends, LEFT_OUT)
    pen.frame(ends, LEFT_OUT, 4)


def _sample_found(pen: _Pen, ends: tuple[float, float, float, float]) -> None:
    left, top, right, bottom = ends
    pen.found((left, top, right - 18, bottom))


def _sample_step(pen: _Pen, ends: tuple[float, float, float, float]) -> None:
    left, top, right, bottom = ends
    pen.draw.rectangle(ends, fill=(120, 120, 120))
    pen.draw.rectangle((left + 12, top + 4, right - 12, bottom - 4), outline=(255, 255, 255), width=2)
    pen.draw.rectangle((left + 14, top + 6, right - 14, bottom - 6), outline=SEEN, width=2)


def _sample_paper(pen: _Pen, ends: tuple[float, float, float, float]) -> None:
    left, top, right, bottom = ends
    for x in np.arange(left + 5, right, 9):
        for y in np.arange(top + 5, bottom, 9):
            pen.draw.ellipse((x - 1, y - 1, x + 1, y + 1), fill=PAPER)
