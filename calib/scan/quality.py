"""Is a picture fit to measure: blur, too few pixels, tones cut off, sharpening, smoothing, strong packing.

Each is measured on the page itself and not taken from what the file claims. The limits come from what each costs the colours
(tests/benchmarks/quality.py). What makes colours wrong without a sign is refused; what costs little is worth a word at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.scan.costs import cost_of_jpeg
from calib.scan.driver import Finding
from calib.scan.edges import Edges, edges_of
from calib.scan.frame import Frame
from calib.scan.image import AT_THE_END, Picture
from calib.scan.packing import Packing, packing_of
from calib.scan.profile import LightOf

Array = NDArray[np.float64]

MM_PER_INCH = 25.4
# Fewer pixels per inch than this do not show the grain that a drying pen leaves: swatches pass for a paler ink, without a flag, by
# 0.5 dE00 in the mean at 100 and 1.4 at 75, by 0.2 at 150. Of an even film 60 are enough (0.3).
LEAST_DPI = 90.0
# So wide, in mm, printed edges are worth a word, and a reason to refuse: blur does to a drying pen's swatches what large pixels
# do, unflagged ones being off by 0.3 dE00 in the mean at 0.4 mm, 0.5 at 0.5 and 1.3 at 0.7; and by no more than 0.1 where the
# film is even.
SOFT_MM, BLURRED_MM = 0.4, 0.6
# Pixels alone make edges so many of them wide.
OF_PIXELS = 2.3
# Codes that overshoot beside an edge by so much of the step are worth a word; by the second, mottle reads higher by a quarter of
# an even hand's and more, so that it is refused, though colours move by 0.03 to 0.06 only, by 0.3 at most
# where a pen dries.
SHARPENED, OVER_SHARPENED = 0.06, 0.15
# A median of 3 or 5 pixels is neither measured nor told: it moves colours by 0.04 in the mean of an even hand and by 0.12 of a drying
# pen, at 150 and 300 dpi, and a scanner of little noise looks the same.
# JPEG below this quality is refused: 30 moves colours by 0.6 to 1.1 dE00 in the mean, 20 by 1.4 to 1.9.
LEAST_QUALITY = 35
# A cell's middle is looked at, at so many points a millimetre; with more of them than this at an end it is cut off there.
INSIDE_MM, POINTS_PER_MM = 2.0, 2.0
CELL_LOST = 0.02
# With more of the printed black than this at the dark end in all channels, the driver put its black point above it; where so
# many cells are at an end as well, too much is lost.
BLACK_LOST = 0.5
MANY_CELLS = 0.66


@dataclass(frozen=True)
class Quality:
    """How good a picture of a page is.

    dpi: measured on the marks. edges: None where too few can be seen. packing: as JPEG, earlier or now. black_at_end: share of
    the printed black that is at the dark end in all channels. dark_cells, light_cells: share of the cells with a channel at
    the dark end, at the light end. jpeg: the quality 1..100 of the strongest JPEG the picture has been, None for none.
    photo: whether a camera took it.
    """

    dpi: float
    edges: Edges | None
    packing: Packing
    black_at_end: float
    dark_cells: float
    light_cells: float
    jpeg: int | None
    photo: bool = False

    @property
    def report(self) -> dict[str, Any]:
        """The figures for the table's description."""
        edges = self.edges
        return {
            "edge_mm": None if edges is None else round(edges.width_mm, 3),
            "overshoot": None if edges is None else round(edges.over, 3),
            "undershoot": None if edges is None else round(edges.under, 3),
            "blocking": round(self.packing.blocking, 3),
            "packed_quality": self.jpeg,
            "black_at_end": round(self.black_at_end, 4),
            "cells_at_dark_end": round(self.dark_cells, 4),
            "cells_at_light_end": round(self.light_cells, 4),
        }


def quality_of(picture: Picture, decode: LightOf, frame: Frame, photo: bool = False) -> Quality:
    """Measure how good a picture of a page is. decode: its codes to light, as the file states it. photo: a camera took it."""
    packing = packing_of(picture.codes, frame)
    known = [quality for quality in (picture.jpeg, packing.quality) if quality is not None]
    page = frame.page
    black = _at_ends(picture, frame, page.black)
    cells = [_at_ends(picture, frame, cell.box) for cell in page.cells]
    lost = np.array([ends.any(axis=2).mean(axis=1) > CELL_LOST for ends in cells if ends.size])
    dark, light = lost.mean(axis=0) if len(lost) else (0.0, 0.0)
    return Quality(
        dpi=frame.pixels_per_mm * MM_PER_INCH,
        edges=edges_of(picture.codes, decode, frame),
        packing=packing,
        black_at_end=float(black[0].all(axis=1).mean()) if black.size else 0.0,
        dark_cells=float(dark),
        light_cells=float(light),
        jpeg=min(known, default=None),
        photo=photo or picture.camera,
    )


def _at_ends(picture: Picture, frame: Frame, box: Box) -> NDArray[np.bool_]:
    """Return which points in a box's middle are at the dark and at the light end of the codes, (2, n, 3) by channel.

    Single pixels, as nothing that is averaged is at an end for long.
    """
    inner = box.grown(-min(INSIDE_MM, box.width_mm / 4, box.height_mm / 4))
    columns, rows = (max(2, round(side * POINTS_PER_MM)) for side in (inner.width_mm, inner.height_mm))
    x, y = np.meshgrid(
        inner.x_mm + (np.arange(columns) + 0.5) / columns * inner.width_mm,
        inner.y_mm + (np.arange(rows) + 0.5) / rows * inner.height_mm,
    )
    at = np.rint(frame.to_pixels(np.stack([x.ravel(), y.ravel()], axis=1))).astype(int)
    height, width = picture.codes.shape[:2]
    at = at[(at >= 0).all(axis=1) & (at[:, 0] < width) & (at[:, 1] < height)]
    codes = picture.codes[at[:, 1], at[:, 0]] / np.iinfo(picture.codes.dtype).max
    return np.stack([codes <= AT_THE_END, codes >= 1 - AT_THE_END])


def unfit(quality: Quality) -> list[Finding]:
    """Judge a picture by its figures."""
    found = [_pixels(quality), _blur(quality), _sharpening(quality), _packed(quality), _dark_end(quality)]
    return [finding for finding in found if finding is not None]


def _pixels(quality: Quality) -> Finding | None:
    if quality.dpi >= LEAST_DPI:
        return None
    words = (
        f"the scan has {quality.dpi:.0f} pixels per inch, measured on the page's marks, and fewer than {LEAST_DPI:.0f}"
        " do not show how the ink lies"
    )
    return Finding(words, "Set the resolution in the scanner's dialog to 300 dpi, 150 at the least.", True)


def _blur(quality: Quality) -> Finding | None:
    edges = quality.edges
    sharp = max(SOFT_MM, OF_PIXELS * MM_PER_INCH / quality.dpi)
    if edges is None or edges.width_mm < min(sharp, BLURRED_MM):
        return None
    fatal = edges.width_mm >= BLURRED_MM
    words = (
        f"{'the scan is blurred' if fatal else 'the scan is soft'}: printed edges are {edges.width_mm:.2f} mm wide, where"
        f" a sharp scan has under {SOFT_MM:g}, and {BLURRED_MM:g} is too much"
    )
    return Finding(words, UNBLUR, fatal)


UNBLUR = (
    "Lay the page flat on clean glass, keep it still, and switch off descreening (moire removal) and noise or dust removal"
    " in the scanner's dialog; photograph it in focus and with the page filling the picture."
)


def _sharpening(quality: Quality) -> Finding | None:
    edges = quality.edges
    if edges is None or max(edges.over, edges.under) < SHARPENED:
        return None
    lips = max(edges.over, edges.under)
    words = (
        f"the driver sharpens: beside printed edges the codes overshoot by {100 * lips:.0f} % of the step from black to paper,"
        f" where an honest scan has under {100 * SHARPENED:.0f} %"
    )
    # Cameras sharpen whatever they are told, and a photograph is flagged as one anyway.
    return Finding(words, UNSHARPEN, lips >= OVER_SHARPENED and not quality.photo)


UNSHARPEN = "Switch off sharpening (unsharp mask, text enhancement) in the scanner's dialog."


def _packed(quality: Quality) -> Finding | None:
    if quality.jpeg is None or quality.jpeg >= LEAST_QUALITY:
        return None
    mean, high = cost_of_jpeg(quality.jpeg)
    words = (
        f"the picture is or was a JPEG of quality {quality.jpeg} or so, which moves colours by about {mean:.1f} dE00, by"
        f" {high:.1f} in 1 of 20; {LEAST_QUALITY} is the least"
    )
    return Finding(words, "Save the scan as TIFF or PNG, or as JPEG of the highest quality.", True)


def _dark_end(quality: Quality) -> Finding | None:
    if quality.black_at_end <= BLACK_LOST:
        return None
    words = (
        f"{100 * quality.black_at_end:.0f} % of the printed black is cut off at the dark end of the scan, and with it"
        f" {100 * quality.dark_cells:.0f} % of the swatches in a channel, as automatic contrast does"
    )
    return Finding(words, UNCONTRAST, quality.dark_cells > MANY_CELLS)


UNCONTRAST = "Switch off automatic exposure and contrast in the scanner's dialog, and scan again."


def words_of(findings: Sequence[Finding]) -> tuple[str, str]:
    """Return what is wrong as one clause, and all that can be done about it, each once."""
    return "; ".join(f.words for f in findings), " ".join(dict.fromkeys(f.todo for f in findings))
