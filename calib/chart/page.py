"""The layout of a chart, or of a card's carrier, to a vector PDF; the only door to the PDF library."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import cv2
from fpdf import FPDF
from fpdf.bidi import BidiParagraph
from fpdf.drawing_primitives import DeviceGray
from fpdf.enums import TextMode

from calib.chart import wording
from calib.chart.carrier import Carrier
from calib.chart.furniture import RULER_MM
from calib.chart.labels import DARK, FAINT, MIDDLE, groups_of, label_of, overlay_label
from calib.chart.lettering import LINE, MM_PER_POINT, Lettering
from calib.chart.markers import Marker
from calib.chart.plan import Box, Mark, Page, Plan
from calib.errors import ImpossibleError
from calib.files import shorten

FONTS = Path(__file__).parent / "fonts"

# The frames are pale, because a nib runs over them.
PALE = 185
FRAME_LINE_MM = 0.2
ARM_MM, SLOT_ARM_MM = 3.0, 12.0
# What most printers can reach of a sheet: all but this much along its edges (common practice).
UNPRINTED_MM = 6.5
TEXT_SIZES_PT = tuple(8.0 - 0.25 * i for i in range(11))

# About how long it takes to fill one default cell once, uncapping and capping the pen included:
# our own assumption, from memory of common practice and not from a measured session.
SECONDS_PER_COAT = 35.0


@dataclass(frozen=True)
class PrintedStep:
    """One step of a printed grey strip: its share of the length (any unit) and its sRGB grey, 0..255."""

    width: float
    grey: float


@dataclass(frozen=True)
class DrawnChart:
    """A chart as a PDF file's bytes, and a sentence for everything that could not be drawn."""

    pdf: bytes
    warnings: tuple[str, ...]


def draw_chart(plan: Plan, strip_steps: Sequence[PrintedStep] | None = None) -> DrawnChart:
    """Return the chart as a PDF; the same plan gives the same bytes.

    strip_steps: the steps of a strip to print into the strip's rectangle, the first one at the
    left or at the top. Raises ImpossibleError where a marker's id does not fit above its cells.
    """
    sheet = _Sheet(plan, f"Swatch chart {plan.chart}")
    markers = {marker.marker: marker for marker in plan.markers}
    warnings = [w for marker in plan.markers for w in _missing(marker, sheet.letters)]
    cells = [cell for page in plan.pages for cell in page.cells]
    layers = {cell.layers for cell in cells if not cell.over}
    twice, overlays = any(cell.repeat > 1 for cell in cells), any(cell.over for cell in cells)
    manual = wording.instructions(layers, strip_steps is not None, twice, overlays)
    for page in plan.pages:
        sheet.new_page()
        sheet.marks(page.marks)
        for cell in page.cells:
            sheet.brackets(cell.box)
        for group in groups_of(page.cells, len(layers) or 1):
            marker = markers[group.cells[0].marker]
            label = (
                overlay_label(group, (marker, markers[group.over]), sheet.letters)
                if group.over
                else label_of(group, marker, sheet.letters)
            )
            for words in label.texts:
                sheet.text((words.x_mm, words.y_mm), words.text, words.size_pt, words.grey, words.bold)
            warnings += label.warnings
        _draw_strip(sheet, page.strip, strip_steps)
        title = _Title(
            ("Swatch chart", "chart"), plan.chart, f"page {page.page} of {len(plan.pages)}", "Paper"
        )
        _draw_furniture(sheet, page, title, manual)
    return DrawnChart(sheet.finished(), tuple(dict.fromkeys(warnings)))


def draw_carrier(carrier: Carrier) -> DrawnChart:
    """Return the carrier of a colour card as a PDF; the same carrier gives the same bytes."""
    plan = carrier.plan
    sheet = _Sheet(plan, f"Colour card carrier {plan.chart}")
    sheet.new_page()
    sheet.marks(carrier.page.marks)
    _draw_slot(sheet, carrier)
    _draw_strip(sheet, carrier.page.strip, None)
    title = _Title(("Colour card carrier", "carrier"), plan.chart, "", "Card")
    _draw_furniture(sheet, carrier.page, title, wording.carrier_instructions(carrier.on_its_side))
    return DrawnChart(sheet.finished(), ())


def colouring_hours(plan: Plan) -> float:
    """Return about how many hours it takes to colour the chart, at SECONDS_PER_COAT."""
    return sum(cell.coats for page in plan.pages for cell in page.cells) * SECONDS_PER_COAT / 3600.0


class _Sheet:
    """The PDF being drawn: shapes and text in millimetres from the top left corner."""

    def __init__(self, plan: Plan, title: str) -> None:
        self._size = plan.page_mm
        self._pdf = FPDF(unit="mm", format=plan.page_mm)
        self._pdf.set_auto_page_break(False)
        self._pdf.set_margin(0)
        self._pdf.set_title(title)
        self._pdf.set_creator("calib")
        # The time of making is left out of the file, so that the same plan gives the same bytes.
        self._pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))
        self.letters = Lettering(self._font, _in_drawing_order)

    def _font(self, name: str):  # type: ignore[no-untyped-def]
        key = name.lower()
        if key not in self._pdf.fonts:
            self._pdf.add_font(key, "", FONTS / name)
        return self._pdf.fonts[key]

    def new_page(self) -> None:
        self._pdf.add_page(format=self._size)

    def finished(self) -> bytes:
        return bytes(self._pdf.output())

    def fill(self, boxes: Sequence[Box], grey: float) -> None:
        """Fill boxes as one path, so that no hairline shows where they meet."""
        with self._pdf.new_path() as path:
            path.style.fill_color = DeviceGray(grey / 255.0)
            path.style.stroke_color = None
            for box in boxes:
                path.rectangle(box.x_mm, box.y_mm, box.width_mm, box.height_mm)

    def lines(self, ends: Sequence[tuple[float, float, float, float]], grey: float, width_mm: float) -> None:
        self._pdf.set_draw_color(grey)
        self._pdf.set_line_width(width_mm)
        for x1, y1, x2, y2 in ends:
            self._pdf.line(x1, y1, x2, y2)

    def marks(self, marks: Sequence[Mark]) -> None:
        for mark in marks:
            self.fill([_moved(box, mark) for box in _modules(mark.id)], 0)

    def brackets(self, box: Box, arm_mm: float = ARM_MM) -> None:
        """Draw the four corners of a box, thin and pale, just outside it, as far as a printer reaches."""
        out = box.grown(FRAME_LINE_MM / 2)
        arm = min(arm_mm, out.width_mm / 3, out.height_mm / 3)
        low, high = UNPRINTED_MM, self._size[0] - UNPRINTED_MM
        ends = []
        for x, towards_x in ((out.x_mm, arm), (out.right_mm, -arm)):
            for y, towards_y in ((out.y_mm, arm), (out.bottom_mm, -arm)):
                start, end = (min(max(at, low), high) for at in (x, x + towards_x))
                ends.append((start, y, end, y))
                if low <= x <= high:
                    ends.append((x, y, x, y + towards_y))
        self.lines(ends, PALE, FRAME_LINE_MM)

    def text(
        self, at: tuple[float, float], text: str, size_pt: float, grey: float, bold: bool = False
    ) -> None:
        """Draw a line of text from a point on its baseline."""
        x, y = at
        pdf = self._pdf
        for run in self.letters.runs(text, bold):
            self._font(run.font)
            # A font without a bold cut is thickened by an outline of its own colour.
            thick = (
                pdf.local_context(text_mode=TextMode.FILL_STROKE, line_width=size_pt * 0.035)
                if run.heavy
                else nullcontext()
            )
            with thick:
                pdf.set_draw_color(grey)
                pdf.set_text_color(grey)
                pdf.set_font(run.font.lower(), "", size_pt)
                pdf.text(x, y, run.text)
            x += sum(self._font(run.font).cw[ord(c)] for c in run.text) / 1000 * size_pt * MM_PER_POINT

    def upwards(self, at: tuple[float, float], text: str, size_pt: float, grey: float) -> None:
        """Draw a line of text that runs upwards from a point on its baseline."""
        with self._pdf.rotation(90, *at):
            self.text(at, text, size_pt, grey)

    def block(self, box: Box, versions: Sequence[wording.Paragraphs], grey: float = DARK) -> None:
        """Set a text into a box from its top, the fullest version in the largest size that fits."""
        block = self.letters.block(versions, (box.width_mm, box.height_mm), TEXT_SIZES_PT)
        pitch = block.size_pt * LINE * MM_PER_POINT
        for i, (line, bold) in enumerate(block.lines):
            self.text((box.x_mm, box.y_mm + (i + 0.8) * pitch), line, block.size_pt, grey, bold)


def _in_drawing_order(text: str) -> str:
    return str(BidiParagraph(text=text).get_reordered_string())


def _missing(marker: Marker, letters: Lettering) -> list[str]:
    """Return a warning for every text of a marker that holds characters no font has."""
    found = []
    for what, text in (("id", marker.marker), ("name", marker.name)):
        lost = letters.missing(text)
        if lost:
            named = ", ".join(f"'{c}' (U+{ord(c):04X})" for c in lost)
            found.append(
                f"marker '{shorten(marker.marker)}': no font of the program has {named} of its {what}; "
                f"a ? is printed instead"
            )
    return found


@cache
def _modules(mark_id: int) -> tuple[Box, ...]:
    """Return the black modules of an AprilTag 36h11 as runs, in units of its outer square."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    image = cv2.aruco.generateImageMarker(dictionary, mark_id, 8)
    boxes = []
    for row in range(8):
        for run in re.finditer("1+", "".join("1" if code == 0 else "0" for code in image[row])):
            boxes.append(Box(run.start() / 8, row / 8, (run.end() - run.start()) / 8, 1 / 8))
    return tuple(boxes)


def _moved(box: Box, mark: Mark) -> Box:
    size = mark.size_mm
    return Box(
        mark.x_mm + box.x_mm * size, mark.y_mm + box.y_mm * size, box.width_mm * size, box.height_mm * size
    )


def _draw_strip(sheet: _Sheet, strip: Box, steps: Sequence[PrintedStep] | None) -> None:
    """Draw the strip's rectangle: printed steps, or its corners and what is to be laid there."""
    upright = strip.height_mm > strip.width_mm
    length = max(strip.width_mm, strip.height_mm)
    if steps:
        total = sum(step.width for step in steps)
        if total <= 0 or min(step.width for step in steps) <= 0:
            raise ImpossibleError("The steps of a strip must have positive widths")
        start = 0.0
        for step in steps:
            # Each step reaches to the end and the next one covers it, so no gap can show.
            rest = length - start
            box = (
                Box(strip.x_mm, strip.y_mm + start, strip.width_mm, rest)
                if upright
                else Box(strip.x_mm + start, strip.y_mm, rest, strip.height_mm)
            )
            sheet.fill([box], step.grey)
            start += step.width / total * length
        return
    sheet.brackets(strip)
    words = f"lay the grey strip here, {length:g} x {min(strip.width_mm, strip.height_mm):g} mm"
    size = 8.0
    half = sheet.letters.width(words, size) / 2
    x, y = strip.x_mm + strip.width_mm / 2, strip.y_mm + strip.height_mm / 2
    if upright:
        sheet.upwards((x + 1.0, y + half), words, size, PALE)
    else:
        sheet.text((x - half, y + 1.0), words, size, PALE)


@dataclass(frozen=True)
class _Title:
    """What a page is, in a long word and a short one; its id; its number; what is to be written on the first line."""

    kind: tuple[str, str]
    short_id: str
    number: str
    asked: str


def _draw_furniture(sheet: _Sheet, page: Page, title: _Title, manual: Sequence[wording.Paragraphs]) -> None:
    """Draw what every page has besides its marks: title, instructions, black patch and ruler."""
    if len(page.texts) >= 2:
        _draw_title(sheet, page.texts[0], title)
        sheet.block(page.texts[1], manual)
    _draw_black(sheet, page)
    if page.ruler is not None:
        _draw_ruler(sheet, page.ruler)


def _draw_slot(sheet: _Sheet, carrier: Carrier) -> None:
    """Draw the corners of the card's slot, what belongs there, and on which side its first row lies."""
    slot, letters = carrier.slot, sheet.letters
    sheet.brackets(slot, SLOT_ARM_MM)
    middle = slot.x_mm + slot.width_mm / 2, slot.y_mm + slot.height_mm / 2
    size = "{:g} x {:g}".format(*carrier.card_mm)
    between_edges = slot.x_mm < UNPRINTED_MM
    words = next(
        (w for w in wording.slot(size, between_edges) if letters.width(w, 8.0) <= slot.width_mm - 4), ""
    )
    sheet.text((middle[0] - letters.width(words, 8.0) / 2, middle[1] + 1.0), words, 8.0, PALE)
    row = wording.FIRST_ROW
    half = letters.width(row, 8.0) / 2
    if carrier.on_its_side:
        sheet.upwards((slot.x_mm + 5.0, middle[1] + half), row, 8.0, PALE)
    else:
        sheet.text((middle[0] - half, slot.y_mm + 5.0), row, 8.0, PALE)


def _draw_title(sheet: _Sheet, box: Box, title: _Title) -> None:
    """Draw what the page is, its id and number, and lines to write its paper or card and the date on."""
    letters = sheet.letters
    long, short = (f"{kind} {title.short_id}" for kind in title.kind)
    # A page too narrow for the whole title gets its last word alone.
    tried = [(long, s) for s in (11.0, 10.0, 9.0, 8.0, 7.0, 6.0)] + [(short, 6.0)]
    room = box.width_mm
    words, size = next(
        (one for one in tried if letters.width(f"{one[0]}   {title.number}", one[1], True) <= room),
        (title.short_id, 5.5),
    )
    y = box.y_mm + size * MM_PER_POINT
    sheet.text((box.x_mm, y), words, size, DARK, True)
    sheet.text((box.right_mm - letters.width(title.number, size), y), title.number, size, DARK)
    room = box.bottom_mm - y
    below = room >= 15.0
    rows = [[(title.asked, box.x_mm, box.right_mm)], [("Date", box.x_mm, box.right_mm)]]
    if not below:
        middle = box.x_mm + box.width_mm * 0.58
        rows = [[(title.asked, box.x_mm, middle - 2), ("Date", middle, box.right_mm)]]
    pitch = min(8.0, (room - 1.0) / len(rows))
    for i, row in enumerate(rows):
        line = y + (i + 1) * pitch
        for word, start, end in row:
            sheet.text((start, line), word, 7.0, DARK)
            sheet.lines([(start + letters.width(word, 7.0) + 1.2, line + 0.3, end, line + 0.3)], FAINT, 0.2)


def _draw_black(sheet: _Sheet, page: Page) -> None:
    sheet.fill([page.black], 0)
    if len(page.texts) >= 3:
        sheet.block(
            page.texts[2],
            ([("this printer's black: leave it as it is", False)], [("leave as it is", False)]),
            MIDDLE,
        )


def _draw_ruler(sheet: _Sheet, ruler: Box) -> None:
    """Draw a ruler with a tick every 10 mm along its long side, and what it is for."""
    upright = ruler.height_mm > ruler.width_mm
    length = max(ruler.width_mm, ruler.height_mm)
    x, y = ruler.x_mm, ruler.y_mm
    ends = [(x, y, x, y + length) if upright else (x, y, x + length, y)]
    for i in range(round(length / 10) + 1):
        at, tick = i * 10.0, 2.8 if i % 5 == 0 else 1.8
        ends.append((x, y + at, x + tick, y + at) if upright else (x + at, y, x + at, y + tick))
    sheet.lines(ends, DARK, 0.2)
    words = f"must measure {length:g} mm: print at 100 %, not 'fit to page'"
    size = 7.0 if length >= RULER_MM else 5.5
    wide = sheet.letters.width(words, size)
    if upright:
        sheet.upwards((x + 5.3, y + (length + wide) / 2), words, size, DARK)
    else:
        sheet.text((x + (length - wide) / 2, y + 5.6), words, size, DARK)
