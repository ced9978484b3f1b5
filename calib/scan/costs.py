"""What a scan's file costs: how far fewer pixels or packing as JPEG move the colours, as it was measured.

The figures are of tests/benchmarks/files.py: simulated pages of four scanners with an average hand and noise, each file
against the best one of the same page. Of another scanner they tell the size, not the last digit.
"""

from __future__ import annotations

import numpy as np

# Quality of the JPEG; mean and 95th percentile of dE00, at 300 dpi; below 40, and of earlier ones, by tests/benchmarks/quality.py.
JPEG_COST = (
    (10, 3.49, 7.24),
    (20, 1.91, 3.94),
    (30, 1.12, 2.16),
    (40, 0.81, 1.72),
    (60, 0.49, 1.13),
    (80, 0.21, 0.48),
    (90, 0.12, 0.26),
    (95, 0.11, 0.22),
)
# The same of a JPEG that another program unpacked and saved again: unpacked to whole codes, every even square is off by up to
# half a code more.
EARLIER_COST = (
    (10, 3.42, 7.23),
    (20, 1.92, 3.99),
    (30, 1.28, 2.82),
    (40, 1.04, 2.20),
    (60, 0.68, 1.43),
    (80, 0.45, 0.98),
)
# What the pixels tell of a packing is this near to its quality.
SAME_QUALITY = 6
# Fewer pixels than these per inch are worth a word, and what 150 of them add (in squares) to the error at 300. Saving 8
# bits instead of 16 costs 0.01 and is not worth one.
COARSE_DPI = 190
COARSE_COST = (0.03, 0.08)


def cost_of_jpeg(quality: int) -> tuple[float, float]:
    """Return mean and 95th percentile of dE00 that JPEG of a quality 1..100 costs; at the ends of what was measured, those."""
    at, mean, high = np.array(JPEG_COST).T
    return float(np.interp(quality, at, mean)), float(np.interp(quality, at, high))


def cost_of_earlier_jpeg(quality: int) -> tuple[float, float]:
    """Return the same of a picture that was a JPEG of a quality 1..100 before it was saved as this file."""
    at, mean, high = np.array(EARLIER_COST).T
    return float(np.interp(quality, at, mean)), float(np.interp(quality, at, high))


def file_costs(jpeg: int | None, dpi: float, was: int | None = None) -> list[str]:
    """Return a clause for everything about a file that costs accuracy, with the figure and what to do.

    jpeg: its quality 1..100, None for other files. dpi: as measured from the marks. was: the quality of the strongest
    JPEG that the pixels show, this file's or an earlier one, None for none.
    """
    words = []
    if was is not None and (jpeg is None or was < jpeg - SAME_QUALITY):
        mean, high = cost_of_earlier_jpeg(was)
        words.append(
            f"its pixels were packed as a JPEG of quality {was} or so before it was saved, which moves colours by about "
            f"{mean:.2f} dE00, by {high:.2f} in 1 of 20; save scans as TIFF or PNG from the start"
        )
    elif jpeg is not None:
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
