"""Is it a photograph, by its light; and what is to be said of one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.scan.bare import Tiles
from calib.scan.photosolve import Solved

Array = NDArray[np.float64]

# A flatbed's light falls off by 3 to 10 % over the page, a bad one's by 15 (common practice); a lamp over a desk or a window by
# 30 and more.
MOST_OF_A_SCANNER = 0.25
# A sheet that lifts off the glass is dark along that side only, and these tiles must not pass for the lamp.
ROUNDS = 8


def lit_like_a_photo(tiles: Tiles, page_mm: tuple[float, float]) -> bool:
    """Tell whether the light on bare paper changes over the page as no scanner's does.

    tiles: by the light that the file states. A plane is looked at, fitted robustly: a dark corner or side is not enough.
    """
    x, y = (2 * tiles.at[:, i] / page_mm[i] - 1 for i in (0, 1))
    value = np.log(np.maximum(tiles.light.mean(axis=1), 1e-4))
    design = np.stack([np.ones_like(x), x, y], axis=1)
    weight = np.ones_like(x)
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        plane = np.linalg.lstsq(design * root[:, None], value * root, rcond=None)[0]
        off = np.abs(value - design @ plane)
        weight = 1 / np.maximum(off / max(1.4826 * float(np.median(off)), 1e-4), 1.0)
    # Of a sheet lifted by less than half its width, most tiles still tell the lamp.
    return bool(2 * np.abs(plane[1:]).max() > MOST_OF_A_SCANNER)


def photo_notes(solved: Solved) -> tuple[str, ...]:
    """Return sentences about a photographed page, beginning small as they follow the page's name."""
    words = [
        f"this is a photograph, whose light falls off by {100 * solved.light.lighting.falloff():.0f} % over the page"
        f" (known to {100 * solved.light.lighting.u_gain:.1f} %); doubts are wider for it. A flatbed scanner sees more;"
        " if you photograph, then by daylight without sun, from straight above, without flash, the page flat and nothing"
        " between it and the window"
    ]
    left = int((~solved.used).sum())
    if left:
        words.append(
            f"{left} step{'s' if left > 1 else ''} of the grey strip, under glare or in a shadow's edge, were left out"
        )
    return tuple(words)
