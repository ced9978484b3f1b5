"""One swatch in one scan: its reading, and what is to be said of it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.chart.markers import Marker
from calib.chart.pairs import marker_in
from calib.chart.plan import Box, Cell
from calib.colour.colorimetry import delta_e_2000, hex_to_lab, linear_to_romm
from calib.colour.dose import with_amount
from calib.scan.patch import AROUND_MM, INNER_MM, Patch, Sight, take_film
from calib.scan.photolight import photo_noise
from calib.scan.photospots import Inside, mirrored, spots_at
from calib.scan.scanner import Scanner
from calib.scan.sheet import PageReading
from calib.scan.stains import stained

Array = NDArray[np.float64]

# A cell nearer to its paper than this is bare: the palest markers differ by 2 dE00 and more
# (common practice), a page's own unevenness by 0.2.
BLANK_DE00 = 0.6
BLANK_COVERAGE = 0.05
HALF_FILLED = 0.75
# An even hand mottles by 3 to 8 per cent; a drying pen by 15 and more (from memory).
MOTTLED = 0.15
# White slivers between strokes leave a hundredth or two of such spots, a dry pen ten times that.
GRAINY = 0.06
# So large a share of clipped pixels moves the film's colour.
CLIPPED = 0.02
# Fluorescent ink sends back more light than its paper; noise and lighting stay well under this.
FLUORESCENT = 1.02
FEW_PIXELS = 400
# A hint is a colour read off a cap or a label, tens of units off the ink at times; the wrong
# pen is farther off than this even when its amount of ink is allowed for.
UNLIKE_HINT_DE00 = 20.0
# What is left in even areas, in codes, of a JPEG packer's own rounding (measured on noise of half a code).
PACKER = 0.17
AMOUNTS = np.linspace(0.3, 2.5, 23)


@dataclass(frozen=True)
class Swatch:
    """A cell as one scan shows it. marker: the pen, or both of an overlay in one. patch is None where it could not be read at all. u_light: relative standard uncertainty of the
    light on a photographed cell, 0 where the page's own doubt says all."""

    cell: Cell
    marker: Marker
    scan: str
    patch: Patch | None
    flags: tuple[str, ...]
    u_light: float = 0.0

    @property
    def has_colour(self) -> bool:
        """Whether the swatch may stand behind a row's colour."""
        return self.patch is not None and not {"blank", "damaged"} & set(self.flags)


def read_swatches(
    page: PageReading, markers: dict[str, Marker], scanner: Scanner, threads: int = 2
) -> list[Swatch]:
    """Read every cell of a page, several at a time: what takes long there lets other threads run."""
    cells = page.frame.page.cells
    if not cells:
        return []
    sight = Sight(page.per_mm, page.paper, page.noise.at, _rounding(page, cells[0].box))

    def read(cell: Cell) -> Swatch:
        return _read_swatch(page, cell, sight, marker_in(cell, markers), scanner)

    if threads == 1:
        return [read(cell) for cell in cells]
    with ThreadPoolExecutor(max_workers=threads) as pool:
        return list(pool.map(read, cells))


def jpeg_rounding(quality: int) -> Array:
    """Return the standard uncertainty (3,) of codes (0..1) in a flat area of a JPEG of a quality 1..100.

    JPEG rounds the mean of every square of 8 x 8 pixels, in luminance and two colour differences, to steps of its
    tables: 16 and 17 of 8 codes at quality 50 (ITU-T T.81, tables K.1 and K.2, scaled as the IJG's library does). In an
    even swatch all squares are rounded alike, so the error does not average out: a rectangular distribution of a step's
    width (JCGM 100:2008, 4.3.7), carried to R, G, B by the matrix of ITU-T T.871. Before that a packer rounds every pixel to
    whole codes, which a scanner's noise spreads; what is left of that was measured.
    """
    percent = 5000 / quality if quality < 50 else 200 - 2 * quality
    steps = np.hypot(np.maximum(1.0, np.round(np.array([16.0, 17.0]) * percent / 100)) / 8, PACKER) / 255
    luminance, difference = steps / np.sqrt(12)
    return np.asarray(np.hypot(luminance, difference * np.array([1.402, np.hypot(0.344, 0.714), 1.772])))


def _rounding(page: PageReading, box: Box) -> Callable[[Array], Array]:
    """Return the uncertainty (3,) at a light (3,) that the file's packing leaves in even areas."""
    if page.jpeg is None:
        return lambda linear: np.zeros(3)
    ramp = np.repeat(np.linspace(0, 1, 257, dtype=np.float32)[:, None, None], 3, axis=2)
    light = page.reflectance(ramp, box)[:, 0].astype(float)
    slope = np.gradient(light, 1 / 256, axis=0)
    codes = jpeg_rounding(page.jpeg)

    def at(linear: Array) -> Array:
        return np.array([codes[c] * np.interp(linear[c], light[:, c], slope[:, c]) for c in range(3)])

    return at


def _read_swatch(page: PageReading, cell: Cell, sight: Sight, marker: Marker, scanner: Scanner) -> Swatch:
    box = cell.box.grown(AROUND_MM)
    codes = page.codes(box)
    light = page.reflectance(codes, box)
    patch = take_film(codes, light, sight, cell.coats)
    flags = ("damaged",) if patch is None else _flags(patch, marker, scanner)
    if page.photo is not None:
        return _photographed(page, Swatch(cell, marker, page.picture.name, patch, flags), light)
    if page.paper_off is not None and stained(page.paper_at, page.paper_off, cell.box):
        flags = (*flags, "stained")
    return Swatch(cell, marker, page.picture.name, patch, flags)


def _photographed(page: PageReading, swatch: Swatch, light: NDArray[np.float32]) -> Swatch:
    """Return a swatch of a photographed page with the flags and doubts of its place; light (h, w, 3): of the cell and around it."""
    assert page.photo is not None
    box, patch = swatch.cell.box, swatch.patch
    found = {"photo", *spots_at(page.photo, box)}
    if patch is not None:
        margin = round((AROUND_MM + INNER_MM) * page.per_mm)
        inner = light[margin:-margin, margin:-margin]
        # Of a channel at the end of its range nothing can be told.
        if patch.clipped <= CLIPPED and mirrored(Inside(inner, patch.linear, patch.paper), page.per_mm):
            found.add("glare")
        # What a camera's program does to colours near others is alike in no two channels.
        patch = replace(patch, u_linear=np.hypot(patch.u_linear, photo_noise(patch.linear)))
    middle = np.array([box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2])
    flags = (*swatch.flags, *sorted(found))
    return replace(swatch, patch=patch, flags=flags, u_light=page.photo.doubt(middle))


def _flags(patch: Patch, marker: Marker, scanner: Scanner) -> tuple[str, ...]:
    """Return what is to be said of a swatch by itself."""
    found = []
    film, paper = scanner.to_lab(np.stack([patch.linear, patch.paper]))
    if marker.kind != "blender":
        if float(delta_e_2000(film, paper)) < BLANK_DE00 or patch.coverage < BLANK_COVERAGE:
            return ("blank",)
        if patch.coverage < HALF_FILLED:
            found.append("half-filled")
        # Of a pale ink on a noisy scan the noise that was taken off is larger than what is left.
        if patch.uneven > max(MOTTLED, patch.uneven_noise) or patch.grain > GRAINY:
            found.append("mottled")
    if patch.clipped > CLIPPED:
        found.append("clipped")
    if np.any(linear_to_romm(patch.linear) > FLUORESCENT * linear_to_romm(patch.paper)):
        found.append("fluorescent")
    if patch.pixels < FEW_PIXELS:
        found.append("few-pixels")
    if (
        marker.hint
        and marker.kind != "blender"
        and _hint_distance(patch, marker.hint, scanner) > UNLIKE_HINT_DE00
    ):
        found.append("unlike-hint")
    return tuple(found)


def _hint_distance(patch: Patch, hint: str, scanner: Scanner) -> float:
    """Return how far, in dE00, the hint is from the swatch with more or less of its ink.

    A hint says nothing of coats or of a generous hand, so the nearest amount counts.
    """
    colours = scanner.to_lab(with_amount(patch.paper, patch.linear, AMOUNTS))
    return float(delta_e_2000(colours, hex_to_lab(hint)).min())
