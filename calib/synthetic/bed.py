"""The page on the scanner's bed: where it lies, what covers it, and what dirt is on the glass."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Plan
from calib.errors import ImpossibleError
from calib.synthetic.noise import Plane, rng_of
from calib.synthetic.raster import PrintFrame
from calib.synthetic.scanners import SpectralScanner
from calib.synthetic.session import Laying, Scanner, Strip
from calib.synthetic.spectra import WAVELENGTHS

Array = NDArray[np.float64]


def strip_steps(strip: Strip, spectral: SpectralScanner, seed: int) -> tuple[Array, Array]:
    """Return the true density of each step in the order laid, and its linear RGB (steps, 3)."""
    stated = np.array(strip.densities, dtype=float)
    true = stated + strip.errors * rng_of(seed, "strip").standard_normal(len(stated))
    if strip.reversed:
        true = true[::-1]
    slope = 1.0 + strip.tint * (WAVELENGTHS - 560.0) / 400.0
    return true, spectral.linear(10.0 ** (-true[:, np.newaxis] * slope))


def strip_pose(strip: Strip, box: Box) -> tuple[Array, tuple[float, float]]:
    """Return the 3x3 matrix from strip mm (along, across, from its corner) to sheet mm, and its size.

    box: the strip rectangle as printed. The strip is an object, so printing does not scale it.
    """
    upright = box.height_mm > box.width_mm
    long_mm, short_mm = strip.size_mm or (
        max(box.width_mm, box.height_mm),
        min(box.width_mm, box.height_mm),
    )
    turn = np.radians(strip.turn_deg + (90.0 if upright else 0.0))
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    middle = np.array([box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2])
    shift = np.array(strip.offset_mm) - np.array([long_mm / 2, short_mm / 2])
    pose = np.eye(3)
    pose[:2, :2] = turned
    pose[:2, 2] = middle + turned @ shift
    return pose, (long_mm, short_mm)


def lay_strip(planes: NDArray[np.float32], strip: Strip, box: Box, steps: Array, scale: float) -> Array:
    """Lay the strip over the sheet's light and return its corners (4, 2) in sheet mm, light end first."""
    pose, (long_mm, short_mm) = strip_pose(strip, box)
    corners = np.array([[0, 0], [long_mm, 0], [long_mm, short_mm], [0, short_mm]], dtype=float)
    corners = corners @ pose[:2, :2].T + pose[:2, 2]
    rows, columns = planes.shape[1:]
    low = np.clip(np.floor(corners.min(axis=0) * scale).astype(int) - 2, 0, [columns, rows])
    high = np.clip(np.ceil(corners.max(axis=0) * scale).astype(int) + 2, 0, [columns, rows])
    x = (np.arange(low[0], high[0]) + 0.5)[np.newaxis, :] / scale
    y = (np.arange(low[1], high[1]) + 0.5)[:, np.newaxis] / scale
    back = np.linalg.inv(pose)
    along = back[0, 0] * x + back[0, 1] * y + back[0, 2]
    across = back[1, 0] * x + back[1, 1] * y + back[1, 2]
    half = 0.5 / scale

    def share(distance: Array) -> Array:
        return np.clip(distance / (2 * half) + 0.5, 0.0, 1.0)

    cover = share(along) * share(long_mm - along) * share(across) * share(short_mm - across)
    # The strip's thickness keeps the lamp off a hair's breadth of paper beside it.
    off = np.maximum.reduce([-along, along - long_mm, -across, across - short_mm, np.zeros_like(along)])
    shade = (1.0 - strip.shadow * np.exp(-((off / 0.15) ** 2))).astype(np.float32)
    edges, values = _step_profile(strip, steps, long_mm)
    for channel in range(3):
        # The mean of a staircase over one pixel is the difference of its integral.
        integral = np.concatenate([[0.0], np.cumsum(values[:, channel] * np.diff(edges))])
        light = (np.interp(along + half, edges, integral) - np.interp(along - half, edges, integral)) / (
            2 * half
        )
        inside = np.clip(along, half, long_mm - half)
        end = (np.interp(inside + half, edges, integral) - np.interp(inside - half, edges, integral)) / (
            2 * half
        )
        light = np.where((along < half) | (along > long_mm - half), end, light)
        part = planes[channel, low[1] : high[1], low[0] : high[0]]
        part *= shade
        part += (cover * (light - part)).astype(np.float32)
    return corners


def _step_profile(strip: Strip, steps: Array, long_mm: float) -> tuple[Array, Array]:
    """Return edges (k + 1,) in mm and light (k, 3) along the strip, gaps included."""
    widths = np.array(strip.widths_mm or np.ones(len(steps)), dtype=float)
    if len(widths) != len(steps) or np.any(widths <= 0):
        raise ImpossibleError("The strip's widths must be positive, one for each step")
    if strip.reversed:
        widths = widths[::-1]
    room = long_mm - strip.gap_mm * (len(steps) - 1)
    edges, values = [0.0], []
    for i, width in enumerate(widths * room / widths.sum()):
        if i and strip.gap_mm:
            edges.append(edges[-1] + strip.gap_mm)
            values.append(np.full(3, 0.87))
        edges.append(edges[-1] + width)
        values.append(steps[i])
    return np.array(edges), np.array(values)


def dimming(height_mm: Plane) -> Plane:
    """Return the share of light that falls on paper this far off the glass (invented figure)."""
    return np.asarray((1.0 + height_mm / 14.0) ** -2, dtype=np.float32)


def lift(planes: NDArray[np.float32], laying: Laying, scale: float) -> None:
    """Darken and blur the sheet where an edge stands off the glass (shape and figures invented).

    The lamp falls on paper from further away and the lens has it out of focus.
    """
    view = {
        "left": planes,
        "right": planes[:, :, ::-1],
        "top": planes.transpose(0, 2, 1),
        "bottom": planes[:, ::-1].transpose(0, 2, 1),
    }
    if laying.lift_edge not in view:
        raise ImpossibleError(
            f"A sheet has no edge '{laying.lift_edge}'", "Choose left, right, top or bottom."
        )
    seen = view[laying.lift_edge]
    reach = min(seen.shape[2], max(1, round(laying.lift_reach_mm * scale)))
    height = laying.lift_mm * (1.0 - (np.arange(reach, dtype=np.float32) + 0.5) / reach) ** 2
    loss = dimming(height)
    sigma = 0.15 * height * scale
    levels = [0.0, *np.geomspace(0.5, max(1.0, float(sigma.max())), 4)]
    for channel in range(3):
        band = np.ascontiguousarray(seen[channel, :, : min(seen.shape[2], reach + 40)])
        blurred = [
            cv2.GaussianBlur(band, (0, 0), level)[:, :reach] if level else band[:, :reach] for level in levels
        ]
        result = np.zeros_like(blurred[0])
        for i in range(len(levels)):
            tent = np.interp(sigma, levels, np.eye(len(levels))[i]).astype(np.float32)
            result += blurred[i] * tent
        seen[channel, :, :reach] = result * loss


def stain(planes: NDArray[np.float32], laying: Laying, frame: PrintFrame, scale: float) -> None:
    """Lay stains and thumbs over the sheet."""
    for spot in laying.stains:
        x_mm, y_mm = frame.point(spot.x_mm, spot.y_mm)
        x = (np.arange(planes.shape[2], dtype=np.float32) + 0.5) / np.float32(scale) - np.float32(x_mm)
        y = (np.arange(planes.shape[1], dtype=np.float32) + 0.5) / np.float32(scale) - np.float32(y_mm)
        xs, ys = (
            np.flatnonzero(np.abs(x) <= spot.radius_mm * 1.1),
            np.flatnonzero(np.abs(y) <= spot.radius_mm * 1.1),
        )
        if not (len(xs) and len(ys)):
            continue
        part = planes[:, ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1]
        far = np.hypot(x[xs][np.newaxis, :], y[ys][:, np.newaxis])
        inside = np.clip((spot.radius_mm - far) / (0.08 * spot.radius_mm) + 0.5, 0.0, 1.0)
        # Tea brown for a stain, and a thumb's skin for what hides (invented colours).
        for channel, (tea, skin) in enumerate(zip((0.5, 0.8, 1.3), (0.5, 0.3, 0.24), strict=True)):
            target = (
                np.full_like(part[channel], skin)
                if spot.opaque
                else part[channel] * 10 ** (-spot.density * tea)
            )
            part[channel] += inside * (target - part[channel])


def bed_pose(plan: Plan, laying: Laying, scale: float) -> tuple[Array, tuple[int, int]]:
    """Return the 3x3 matrix from sheet mm to pixels (centre of the first pixel = 0, 0) and rows, columns."""
    turn = np.radians(laying.turn_deg)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    page = np.array(plan.page_mm)
    if laying.bed_mm is None:
        bed = np.abs(turned) @ page + 2 * laying.margin_mm
    else:
        bed = np.array(laying.bed_mm, dtype=float)
    shape = (round(float(bed[1]) * scale), round(float(bed[0]) * scale))
    if min(shape) < 8:
        raise ImpossibleError("The scanned part of the bed is empty")
    middle = np.array([shape[1], shape[0]]) / scale / 2 + np.array(laying.offset_mm)
    pose = np.eye(3)
    pose[:2, :2] = scale * turned
    pose[:2, 2] = scale * (middle - turned @ (page / 2)) - 0.5
    return pose, shape


def lay_on_bed(
    planes: NDArray[np.float32], pose: Array, shape: tuple[int, int], lid: float, scale: float
) -> NDArray[np.float32]:
    """Return the bed's light (3, rows, columns) of the sheet's (3, rows, columns).

    OpenCV 5 places linear interpolation exactly, the cubic one only to a twentieth of a pixel; the
    softness that the linear one adds, under half a pixel, is less than a scanner's own.
    """
    from_sheet_px = np.array([[1 / scale, 0, 0.5 / scale], [0, 1 / scale, 0.5 / scale], [0, 0, 1]])
    move = (pose @ from_sheet_px)[:2]
    bed = np.empty((3, *shape), np.float32)
    for channel in range(3):
        cv2.warpAffine(
            planes[channel],
            move,
            (shape[1], shape[0]),
            dst=bed[channel],
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float(lid),
        )
    return bed


def shade_edges(bed: NDArray[np.float32], plan: Plan, laying: Laying, pose: Array) -> None:
    """Draw the shadow that the sheet's own edge throws on the lid."""
    if not laying.shadow:
        return
    width, height = plan.page_mm
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]]) @ pose[:2, :2].T + pose[:2, 2]
    dirt = np.zeros(bed.shape[1:], np.uint8)
    scale = float(np.hypot(pose[0, 0], pose[1, 0]))
    outline = [np.round(corners * 16).astype(np.int32)]
    cv2.polylines(dirt, outline, True, round(255 * laying.shadow), max(1, round(0.2 * scale)), cv2.LINE_AA, 4)
    _darken(bed, dirt)


def soil(bed: NDArray[np.float32], scanner: Scanner, scale: float, seed: str) -> None:
    """Put dust and hairs on the glass."""
    if not (scanner.dust or scanner.hairs):
        return
    rng = rng_of(0, seed, "dust")
    rows, columns = bed.shape[1:]
    dirt = np.zeros((rows, columns), np.uint8)
    for _ in range(scanner.dust):
        middle = (int(rng.integers(columns * 16)), int(rng.integers(rows * 16)))
        axes = [max(6, int(r * scale * 16)) for r in rng.uniform(0.04, 0.2, 2)]
        cv2.ellipse(
            dirt, middle, axes, rng.uniform(0, 180), 0, 360, int(rng.integers(90, 200)), -1, cv2.LINE_AA, 4
        )
    for _ in range(scanner.hairs):
        points = _hair(rng, columns / scale, rows / scale)
        cv2.polylines(
            dirt,
            [np.round(points * scale * 16).astype(np.int32)],
            False,
            150,
            max(1, round(0.07 * scale)),
            cv2.LINE_AA,
            4,
        )
    _darken(bed, dirt)


def _darken(bed: NDArray[np.float32], dirt: NDArray[np.uint8]) -> None:
    where = np.nonzero(dirt)
    left: Plane = 1.0 - dirt[where].astype(np.float32) / 255.0
    for plane in bed:
        plane[where] *= left


def _hair(rng: np.random.Generator, width_mm: float, height_mm: float) -> Array:
    """Return a curved line (60, 2) of 15 to 40 mm somewhere on the bed, in mm."""
    length = rng.uniform(15.0, 40.0)
    bend = np.cumsum(rng.normal(0.0, 0.02, 60)) + rng.uniform(-0.06, 0.06)
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(bend)
    steps = length / 60 * np.stack([np.cos(heading), np.sin(heading)], axis=1)
    return np.asarray(rng.uniform(0.1, 0.9, 2) * [width_mm, height_mm] + np.cumsum(steps, axis=0))
