"""How large a page was printed: marks alone cannot tell, things that keep their size beside them can.

A program that prints 'fit to page' scales everything on it alike. Two things do not scale with it: the grey
strip that is laid on the page, and the scanner's pixels, where the file tells their size truly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.scan.frame import Frame

# Two witnesses that differ by less agree: the strip is found to about 0.3 % of its length, and cut no better.
AGREE = 0.012
# What is farther off true size than this is told.
TOLD = 0.015
# Nobody's 'fit to page' goes beyond this, so that a file that says so lies about its resolution.
BELIEVED = (0.88, 1.12)


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


def printed_size(frame: Frame, strip_scale: float | None, dpi: float | None) -> Printed:
    """Return at which size a page was printed.

    strip_scale: length of the strip that lies on the page over the length of its printed rectangle, None without a
    strip. dpi: the resolution that the file claims, None where it claims nothing that could be meant.
    """
    box = frame.page.strip
    middle = np.array([box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2])
    at = frame.to_pixels(middle + np.array([[-20.0, 0], [20, 0], [0, -20], [0, 20]]))
    across, down = (float(np.hypot(*(at[i + 1] - at[i]))) / 40 for i in (0, 2))
    stretch = down / across - 1
    mean = float(np.sqrt(across * down))
    along = down if box.height_mm > box.width_mm else across
    by_strip = None if strip_scale is None else mean / along / strip_scale
    by_file = None if dpi is None else mean * 25.4 / dpi
    if by_file is not None and not BELIEVED[0] <= by_file <= BELIEVED[1]:
        by_file = None
    if by_file is not None and by_strip is not None and abs(by_file / by_strip - 1) < AGREE:
        return Printed(by_file, stretch, f"By the grey strip's length and the file's {dpi:.0f} dpi")
    if by_file is not None:
        # A strip may be cut to another length, or printed together with the page.
        return Printed(by_file, stretch, f"If the file's {dpi:.0f} dpi are true")
    if by_strip is not None:
        return Printed(by_strip, stretch, "If the grey strip is as long as the plan says")
    return Printed(None, stretch)
