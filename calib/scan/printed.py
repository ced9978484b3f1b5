"""How large a page was printed: marks alone cannot tell, things that keep their size beside them can.

A program that prints 'fit to page' scales everything on it alike. Two things do not scale with it: the grey
strip that is laid on the page (one that is printed with it does), and the scanner's pixels, where the file tells
their size truly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.scan.frame import Frame
from calib.scan.place import Place

# Two witnesses that differ by less agree: the strip is found to about 0.3 % of its length, and cut no better.
AGREE = 0.012
# What is farther off true size than this is told.
TOLD = 0.015
# Nobody's 'fit to page' goes beyond this, so that a file that says so lies about its resolution.
BELIEVED = (0.88, 1.12)
# A printed strip's ends are found this near to the rectangle's (measured: 0.22 mm at most); hands lay one farther off mostly.
FITS_MM = 0.35


@dataclass(frozen=True)
class Printed:
    """The size of a printed page over its plan's: scale (1 is true), and how much more down than across.

    scale: geometric mean of both directions, None where nothing tells it. by: what tells it, in words.
    """

    scale: float | None
    stretch: float
    by: str = ""

    @property
    def notes(self) -> list[str]:
        """Sentences for the user about a page clearly off its size."""
        notes = []
        if self.scale is not None and abs(self.scale - 1) > TOLD:
            notes.append(
                f"{self.by}, it was printed at {100 * self.scale:.1f} % of its size. Colours are read all the same, lengths "
                "such as the bleed in the page's own millimetres. Print at 100 % ('actual size') and not 'fit to page'"
            )
        if abs(self.stretch) > TOLD:
            notes.append(
                f"it is {100 * abs(self.stretch):.1f} % {'longer' if self.stretch > 0 else 'shorter'} than it should be for its"
                " width. Colours are read all the same"
            )
        return notes


def printed_size(frame: Frame, strip: Place | None, dpi: float | None) -> Printed:
    """Return at which size a page was printed.

    strip: where the strip lies that was laid on the page, None without one. dpi: the resolution that the file claims,
    None where it claims nothing that could be meant.
    """
    box = frame.page.strip
    middle = np.array([box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2])
    at = frame.to_pixels(middle + np.array([[-20.0, 0], [20, 0], [0, -20], [0, 20]]))
    across, down = (float(np.hypot(*(at[i + 1] - at[i]))) / 40 for i in (0, 2))
    stretch = down / across - 1
    mean = float(np.sqrt(across * down))
    upright = box.height_mm > box.width_mm
    along, length_mm = (down, box.height_mm) if upright else (across, box.width_mm)
    by_file = None if dpi is None else mean * 25.4 / dpi
    if by_file is not None and not BELIEVED[0] <= by_file <= BELIEVED[1]:
        by_file = None
    by_strip = None if strip is None else mean / along / strip.scale
    agree = by_file is not None and by_strip is not None and abs(by_file / by_strip - 1) < AGREE
    if agree:
        return Printed(by_file, stretch, f"By the grey strip's length and the file's {dpi:.0f} dpi")
    if strip is not None and _fits(strip, length_mm):
        by_strip = None
    if by_file is not None and by_strip is not None and abs(by_strip - 1) < AGREE < abs(by_file - 1):
        # A strip that hands laid says true size: perhaps the picture was made larger or smaller since.
        return Printed(None, stretch)
    if by_file is not None:
        # A strip may be longer or shorter than planned.
        return Printed(by_file, stretch, f"If the file's {dpi:.0f} dpi are true")
    if by_strip is not None:
        return Printed(by_strip, stretch, f"If the grey strip is {length_mm:g} mm long, as the plan says")
    return Printed(None, stretch)


def _fits(strip: Place, length_mm: float) -> bool:
    """Tell whether a strip's ends lie on those of its rectangle, as one does that was printed with the page.

    Such a one is as long as the rectangle at any size of the print, so that it tells nothing of the size.
    """
    return abs(strip.along) + abs(strip.scale - 1) * length_mm / 2 < FITS_MM
