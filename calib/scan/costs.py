"""What a scan's file costs: how far fewer pixels or packing as JPEG move the colours, as it was measured.

The figures are of tests/benchmarks/files.py: simulated pages of four scanners with an average hand and noise, each file
against the best one of the same page. Of another scanner they tell the size, not the last digit.
"""

from __future__ import annotations

import numpy as np

# Quality of the JPEG; mean and 95th percentile of dE00, at 300 dpi.
JPEG_COST = ((40, 0.81, 1.72), (60, 0.49, 1.13), (80, 0.21, 0.48), (90, 0.12, 0.26), (95, 0.11, 0.22))
# Fewer pixels than these per inch are worth a word, and what 150 of them add (in squares) to the error at 300. Saving 8
# bits instead of 16 costs 0.01 and is not worth one.
COARSE_DPI = 190
COARSE_COST = (0.03, 0.08)


def cost_of_jpeg(quality: int) -> tuple[float, float]:
    """Return mean and 95th percentile of dE00 that JPEG of a quality 1..100 costs; at the ends of what was measured, those."""
    at, mean, high = np.array(JPEG_COST).T
    return float(np.interp(quality, at, mean)), float(np.interp(quality, at, high))


def file_costs(jpeg: int | None, dpi: float) -> list[str]:
    """Return a clause for everything about a file that costs accuracy, with the figure and what to do.

    jpeg: its quality 1..100, None for other files. dpi: as measured from the marks.
    """
    words = []
    if jpeg is not None:
        mean, high = cost_of_jpeg(jpeg)
        words.append(
            f"it is a JPEG of quality {jpeg} or so, which moves colours by about {mean:.2f} dE00, by {high:.2f} in "
            "1 of 20; save scans as TIFF or PNG"
        )
    if dpi < COARSE_DPI:
        mean, high = COARSE_COST
        words.append(
            f"it has {dpi:.0f} dpi, which moves colours by about {mean:.2f} dE00 against 300 dpi, by {high:.2f} in 1 of 20"
        )
    return words
