"""Where a drawer has nothing: the widest steps in lightness and around the hue circle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import lab_to_lch
from calib.colour.naming import GREY_CHROMA, hue_word

Array = NDArray[np.float64]

# Below this a colour says little of its hue, so it fills no gap in the circle (our own choice, three times a grey's).
HUED_CHROMA = 3 * GREY_CHROMA
# What is narrower than this is no gap: a blend takes steps as wide (common practice: 10 to 20 L* from one to the next).
LEAST_L, LEAST_HUE = 6.0, 20.0
ROUND = 360.0


def gap_words(lab: Array, white: Sequence[float] | None) -> tuple[str, ...]:
    """Return sentences on the widest gaps of colours (n, 3), none where there are none worth a word.

    white: (3,) Lab of the bare paper, the light end of lightness. At the dark end there is no end: no ink need be black.
    """
    found = []
    light = np.sort(np.append(lab[:, 0], [] if white is None else [white[0]]))
    if len(light) > 1:
        at = int(np.argmax(np.diff(light)))
        if light[at + 1] - light[at] >= LEAST_L:
            upper = (
                "the bare paper" if white is not None and at + 2 == len(light) else f"L {light[at + 1]:.0f}"
            )
            found.append(f"Widest step in lightness: nothing between L {light[at]:.0f} and {upper}.")
        else:
            found.append(
                f"In lightness there is no gap: no step from L {light[0]:.0f} upwards is wider than {light[at + 1] - light[at]:.0f}."
            )
    lch = lab_to_lch(lab)
    hued = lch[lch[:, 1] >= HUED_CHROMA]
    if len(hued) > 2:
        hued = hued[np.argsort(hued[:, 2])]
        turns = np.diff(np.append(hued[:, 2], hued[0, 2] + ROUND))
        at = int(np.argmax(turns))
        if turns[at] >= LEAST_HUE:
            one, two = hued[at], hued[(at + 1) % len(hued)]
            found.append(
                f"Widest gap around the hue circle: no clear colour between {_named(one)} and {_named(two)}."
            )
    return tuple(found)


def _named(lch: Array) -> str:
    L, C, h = (float(v) for v in lch)
    angle = np.radians(h)
    return f"{hue_word((L, C * np.cos(angle), C * np.sin(angle)))} (h {h:.0f}°)"
