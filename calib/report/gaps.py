"""Where a drawer has nothing: the widest steps in lightness and around the hue circle, and the largest hole among its colours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import delta_e_2000, lab_to_lch
from calib.colour.naming import GREY_CHROMA, colour_words, hue_word

Array = NDArray[np.float64]

# Below this a colour says little of its hue, so it fills no gap in the circle (our own choice, three times a grey's).
HUED_CHROMA = 3 * GREY_CHROMA
# What is narrower than this is no gap: a blend takes steps as wide (common practice: 10 to 20 L* from one to the next).
LEAST_L, LEAST_HUE = 6.0, 20.0
# A colour nearer than this to some swatch is not missing: it is a step that two neighbours of a blend may take (our own choice).
LEAST_HOLE = 6.0
LEAST_POINTS = 8
# So many corners, the emptiest by a cheap measure, are looked at with the dear one.
LOOKED_AT = 120
ROUND = 360.0


@dataclass(frozen=True)
class Gaps:
    """Where there is nothing; None where there is no gap worth a word.

    lightness: L* (low, high). hue: degrees (from, to), counted upwards, to may be beyond 360. hole: L*, a*, b* of the colour inside what
    the swatches span that is furthest from all of them. sentences: the same in words.
    """

    lightness: tuple[float, float] | None = None
    hue: tuple[float, float] | None = None
    hole: tuple[float, float, float] | None = None
    sentences: tuple[str, ...] = ()


NO_GAPS = Gaps()


def gaps_of(lab: Array, white: Sequence[float] | None, called: Sequence[str] = ()) -> Gaps:
    """Return the widest gaps of colours (n, 3).

    white: (3,) Lab of the bare paper, the light end of lightness. At the dark end there is no end: no ink need be black. called: (n,)
    what sentences call the colours.
    """
    if not len(lab):
        return NO_GAPS
    lightness, step = _lightness(lab, white)
    hue, turn = _hue(lab)
    hole, missing = _hole(lab, white, called)
    return Gaps(lightness, hue, hole, tuple(said for said in (step, turn, missing) if said))


def _lightness(lab: Array, white: Sequence[float] | None) -> tuple[tuple[float, float] | None, str]:
    light = np.sort(np.append(lab[:, 0], [] if white is None else [white[0]]))
    if len(light) < 2:
        return None, ""
    at = int(np.argmax(np.diff(light)))
    low, high = float(light[at]), float(light[at + 1])
    if high - low < LEAST_L:
        return None, (
            f"In lightness there is no gap: no step from L {light[0]:.0f} upwards is wider than {high - low:.0f}."
        )
    upper = "the bare paper" if white is not None and at + 2 == len(light) else f"L {high:.0f}"
    return (low, high), f"Widest step in lightness: nothing between L {low:.0f} and {upper}."


def _hue(lab: Array) -> tuple[tuple[float, float] | None, str]:
    lch = lab_to_lch(lab)
    hued = lch[lch[:, 1] >= HUED_CHROMA]
    if len(hued) < 3:
        return None, ""
    hued = hued[np.argsort(hued[:, 2])]
    turns = np.diff(np.append(hued[:, 2], hued[0, 2] + ROUND))
    at = int(np.argmax(turns))
    if turns[at] < LEAST_HUE:
        return None, ""
    one, two = hued[at], hued[(at + 1) % len(hued)]
    return (float(one[2]), float(one[2] + turns[at])), (
        f"Widest gap around the hue circle: no clear colour between {_named(one)} and {_named(two)}."
    )


def _named(lch: Array) -> str:
    L, C, h = (float(v) for v in lch)
    angle = np.radians(h)
    return f"{hue_word((L, C * np.cos(angle), C * np.sin(angle)))} (h {h:.0f}°)"


def _hole(
    lab: Array, white: Sequence[float] | None, called: Sequence[str]
) -> tuple[tuple[float, float, float] | None, str]:
    """Return the colour inside the hull of all colours and the paper whose nearest swatch is furthest, in dE00.

    The point of a hull that is furthest from given points is a corner of their Voronoi cells (Shamos and Hoey, 1975) or lies on
    the hull; there a colour would only be stronger than all, so only the corners inside count.
    """
    from scipy.spatial import Delaunay, QhullError, Voronoi, cKDTree

    points = np.unique(lab if white is None else np.vstack([lab, white]), axis=0)
    if len(points) < LEAST_POINTS:
        return None, ""
    try:
        corners = Voronoi(points).vertices
        corners = corners[Delaunay(points).find_simplex(corners) >= 0]
    except QhullError:
        # Greys alone lie on a line or a plane, and span nothing.
        return None, ""
    if not len(corners):
        return None, ""
    # The eye sees a step in a*b* as the smaller the stronger the colour (CIE94 has 1 + 0.045 C*; half of it does to choose by).
    empty = cKDTree(points).query(corners)[0] / (1 + 0.0225 * np.hypot(*corners[:, 1:].T))
    corners = corners[np.argsort(-empty, kind="stable")[:LOOKED_AT]]
    near = delta_e_2000(corners[:, None], points[None]).min(axis=1)
    at = int(np.argmax(near))
    if near[at] < LEAST_HOLE:
        return None, ""
    L, C, h = (float(v) for v in lab_to_lch(corners[at]))
    seen = delta_e_2000(corners[at], lab)
    nearest = int(np.argmin(seen))
    own = f" ({called[nearest]})" if called else ""
    words = colour_words(corners[at], white)
    hole = (float(corners[at][0]), float(corners[at][1]), float(corners[at][2]))
    return hole, (
        f"Largest hole among your colours, marked × on the maps: {words} (L {L:.0f}, C {C:.0f}, h {h:.0f}°), "
        f"no swatch is nearer than {seen[nearest]:.0f} dE00{own}."
    )
