"""The printed sheet: how much of the printer's black lies on each pixel of the page."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Page, Plan
from calib.colour.colorimetry import srgb_decode
from calib.errors import ImpossibleError
from calib.synthetic.noise import Grid, Plane, rng_of, smooth_field
from calib.synthetic.raster import PrintFrame, draw_box, draw_brackets, draw_marks, draw_pattern, draw_text
from calib.synthetic.session import Printer

# Text lines per box of printed words, standing in for the real page's.
LINE_MM = 3.2


def print_frame(plan: Plan, printer: Printer) -> PrintFrame:
    """Return where the printer puts the plan on the sheet."""
    if not 0.5 <= printer.scale <= 1.5 or abs(printer.stretch) > 0.2:
        raise ImpossibleError("A print scale beyond 0.5 to 1.5, or a stretch beyond 0.2, cannot be simulated")
    return PrintFrame(plan.page_mm, printer.scale, printer.scale * (1.0 + printer.stretch))


def print_page(plan: Plan, page: Page, printer: Printer, scale: float, seed: int) -> Plane:
    """Return the share of black (rows, columns), 0..1, of a stand-in for the real page at scale px/mm."""
    frame = print_frame(plan, printer)
    shape = tuple(round(side * scale) for side in reversed(plan.page_mm))
    ink = np.zeros(shape, np.float32)
    draw_marks(ink, page.marks, frame, scale)
    draw_box(ink, frame.box(page.black), 1.0, scale)
    draw_brackets(ink, frame.box(page.strip), scale, level=0.35)
    if page.slot:
        draw_brackets(ink, frame.box(page.slot), scale, level=0.35)
    if page.ruler:
        _draw_ruler(ink, page.ruler, frame, scale)
    names = {marker.marker: marker.name for marker in plan.markers}
    for cell in page.cells:
        draw_brackets(ink, frame.box(cell.box), scale)
        at = frame.point(cell.x_mm, cell.y_mm - 3.6)
        draw_text(
            ink, at, f"{cell.marker} {f'+ {cell.over}' if cell.over else f'x{cell.layers}'}", 1.9, scale
        )
        name = names.get(cell.marker, "").encode("ascii", "ignore").decode()
        if name:
            draw_text(ink, frame.point(cell.x_mm, cell.y_mm - 0.9), name[:14], 1.4, scale)
    for i, text in enumerate(page.texts):
        _draw_words(ink, plan, page, text, i == 0, frame, scale)
    return spoil(ink, plan, page, printer, scale, seed)


def from_picture(
    picture: NDArray[np.uint8], plan: Plan, page: Page, printer: Printer, scale: float, seed: int
) -> Plane:
    """Return the share of black of the real page, from a rendering that covers it (grey or RGB, any size).

    A rendering holds sRGB codes; a printer that prints a code true to its light leaves so much of the
    paper bare as the code has light.
    """
    grey = (
        picture
        if picture.ndim == 2
        else cv2.cvtColor(np.ascontiguousarray(picture[..., :3]), cv2.COLOR_RGB2GRAY)
    )
    inked = (1.0 - srgb_decode(np.arange(256) / 255.0)).astype(np.float32)
    black: Plane = inked[np.asarray(grey, dtype=np.uint8)]
    frame = print_frame(plan, printer)
    shape = tuple(round(side * scale) for side in reversed(plan.page_mm))
    # A finer rendering is first averaged down to about the scan's pixels.
    nearer = tuple(round(side * scale) for side in plan.page_mm)
    if black.shape[1] > 1.2 * nearer[0]:
        black = np.asarray(cv2.resize(black, nearer, interpolation=cv2.INTER_AREA), dtype=np.float32)
    per_mm = (black.shape[1] / plan.page_mm[0], black.shape[0] / plan.page_mm[1])
    to_px = np.array([[scale, 0, -0.5], [0, scale, -0.5], [0, 0, 1]])
    from_picture_px = np.array(
        [[1 / per_mm[0], 0, 0.5 / per_mm[0]], [0, 1 / per_mm[1], 0.5 / per_mm[1]], [0, 0, 1]]
    )
    move = (to_px @ frame.matrix() @ from_picture_px)[:2]
    ink = cv2.warpAffine(black, move, (shape[1], shape[0]), flags=cv2.INTER_LINEAR)
    return spoil(np.asarray(ink, dtype=np.float32), plan, page, printer, scale, seed)


def spoil(ink: Plane, plan: Plan, page: Page, printer: Printer, scale: float, seed: int) -> Plane:
    """Apply the printer's faults to a black map, in place."""
    frame = print_frame(plan, printer)
    for mark in page.marks:
        if mark.id in printer.hidden:
            box = frame.box(mark.box.grown(0.5))
            ys = slice(max(0, round(box.y_mm * scale)), max(0, round(box.bottom_mm * scale)))
            xs = slice(max(0, round(box.x_mm * scale)), max(0, round(box.right_mm * scale)))
            ink[ys, xs] = 0.0
    rng = rng_of(seed, "print", page.page)
    if printer.patchy:
        grid = Grid(0.0, 0.0, scale, (ink.shape[0], ink.shape[1]))
        ink *= np.clip(1.0 - printer.patchy * np.abs(smooth_field(rng, grid, 2.5)), 0.0, 1.0)
    if printer.pale:
        ink *= np.float32(1.0 - printer.pale)
    if printer.bands:
        y_mm = (np.arange(ink.shape[0], dtype=np.float32) + 0.5) / np.float32(scale)
        wave = 0.5 + 0.5 * np.cos(2 * np.pi * y_mm / printer.band_mm + rng.uniform(0, 2 * np.pi))
        ink *= (1.0 - printer.bands * wave**2)[:, np.newaxis].astype(np.float32)
    if printer.pinholes:
        _pinholes(ink, plan, printer, scale, rng)
    if printer.streaks:
        lost = np.zeros((ink.shape[0], 1), np.float32)
        for y in rng.uniform(0.0, plan.page_mm[1], printer.streaks):
            width = printer.streak_mm * rng.uniform(0.7, 1.3)
            draw_pattern(lost, Box(0.0, y, 1.0 / scale, width), np.ones((1, 1), np.float32), scale)
        ink *= 1.0 - lost
    return ink


def _pinholes(ink: Plane, plan: Plan, printer: Printer, scale: float, rng: np.random.Generator) -> None:
    holes = np.zeros(ink.shape, np.uint8)
    count = rng.poisson(printer.pinholes * plan.page_mm[0] * plan.page_mm[1] / 100.0)
    places = rng.uniform(0, 1, (count, 2)) * np.array(plan.page_mm)
    radii = rng.uniform(0.05, 0.16, count)
    for (x, y), radius in zip(places, radii, strict=True):
        middle = (round((x * scale - 0.5) * 16), round((y * scale - 0.5) * 16))
        cv2.circle(holes, middle, max(8, round(radius * scale * 16)), 255, -1, cv2.LINE_AA, 4)
    ink *= 1.0 - holes.astype(np.float32) / 255.0


def _draw_ruler(ink: Plane, ruler: Box, frame: PrintFrame, scale: float) -> None:
    along_x = ruler.width_mm >= ruler.height_mm
    long_mm = max(ruler.width_mm, ruler.height_mm)
    base = (
        Box(ruler.x_mm, ruler.bottom_mm - 0.2, long_mm, 0.2)
        if along_x
        else Box(ruler.x_mm, ruler.y_mm, 0.2, long_mm)
    )
    draw_box(ink, frame.box(base), 0.8, scale)
    for tick in range(0, int(long_mm) + 1, 10):
        tall = 2.0 if tick % 50 == 0 else 1.0
        if along_x:
            box = Box(ruler.x_mm + tick - 0.1, ruler.bottom_mm - tall, 0.2, tall)
        else:
            box = Box(ruler.x_mm, ruler.y_mm + tick - 0.1, tall, 0.2)
        draw_box(ink, frame.box(box), 0.8, scale)


def _draw_words(
    ink: Plane, plan: Plan, page: Page, box: Box, title: bool, frame: PrintFrame, scale: float
) -> None:
    """Stand in for the page's own words: a title, then lines of about the right length."""
    words = [f"chart {plan.chart}  page {page.page} of {len(plan.pages)}", "paper ______  date ______"]
    if not title:
        words = [
            "lay scrap paper underneath",
            "fill both cells once, then",
            "a second coat on the right",
            "let it dry for a day",
        ]
    for i, line in enumerate(words):
        y = box.y_mm + (i + 1) * LINE_MM * 1.3
        room = int(box.width_mm / 1.6)
        if y < box.bottom_mm and room > 3:
            draw_text(ink, frame.point(box.x_mm, y), line[:room], 1.6, scale)
