"""A colour in the words of somebody who colours: how light, how strong, which hue, and how another one differs.

The words are the everyday ones. Their bounds in CIE L*a*b* under D50 are our own (invented, and set so that the names of the CSS
colours come out as themselves, which the tests keep). A word says less than a number and never replaces it.
"""

from __future__ import annotations

from bisect import bisect

import numpy as np
from numpy.typing import ArrayLike

from calib.colour.colorimetry import delta_e_2000, lab_to_lch

# Below this chroma, beside the paper's own colour, a colour is a grey. At it most people still call a middle tone grey (invented).
GREY_CHROMA = 7.0
# Below this, in the same units, a grey has no cast worth a word.
CAST_CHROMA = 1.5
# A difference is worth a word from where half of all people see it: 0.8 to 1.7 dE00 in reviews of dental studies (2023).
SEEN_DE00 = 0.8
A_LITTLE, MUCH = 2.0, 8.0
# Warm greys lean towards brown and cool ones towards blue, the way across to green or pink (common practice; the angle is invented).
WARM_DEGREES = 70.0
# A second direction is named where it is more than this share of the first.
SECOND = 0.5

_LIGHTNESS = ((20.0, "very dark"), (40.0, "dark"), (65.0, "mid"), (82.0, "light"), (101.0, "very light"))
_HUES = (
    (18.0, "pink-red"),
    (47.0, "red"),
    (78.0, "orange"),
    (108.0, "yellow"),
    (128.0, "yellow-green"),
    (172.0, "green"),
    (222.0, "blue-green"),
    (309.0, "blue"),
    (326.0, "violet"),
    (342.0, "purple"),
    (361.0, "pink-red"),
)


def lightness_word(L: float) -> str:
    """Return 'very dark', 'dark', 'mid', 'light' or 'very light' for a lightness L* (0 to 100)."""
    return _word(_LIGHTNESS, L)


def hue_word(lab: ArrayLike) -> str:
    """Return the hue of a colour (3,) that is no grey, such as 'blue-green', 'brown' or 'pink'; without its lightness."""
    L, C, h = (float(v) for v in lab_to_lch(np.asarray(lab, dtype=float)))
    word = _word(_HUES, h)
    if word in ("red", "orange") and h > 30 and ((L < 50 and C < 55) or (L < 60 and C < 30)):
        return "brown"
    if word in ("pink-red", "purple", "red") and (L > 62 or (L > 50 and C < 40 and h < 30)) and C < 70:
        return "pink"
    if word == "yellow" and h > 97 and C < 45:
        word = "yellow-green"
    if word in ("yellow", "yellow-green") and L < 62 and C < 62:
        return "olive"
    if word in ("orange", "yellow") and L > 80 and C < 28:
        return "cream"
    if word == "orange" and L > 62 and C < 30:
        return "beige"
    return word


def is_grey(lab: ArrayLike, white: ArrayLike | None = None) -> bool:
    """Return whether a colour (3,) is near neutral, beside the paper's white (3,) or else absolutely."""
    return float(np.hypot(*beside(lab, white))) < GREY_CHROMA


def colour_words(lab: ArrayLike, white: ArrayLike | None = None) -> str:
    """Return a colour (3,) in words, such as 'light greyish orange', 'dark warm grey' or 'very dark grey'.

    white: (3,) Lab of the bare paper, against which greys are judged; a perfect white where it is not given. Neither may hold NaN.
    """
    L, C = (float(v) for v in lab_to_lch(np.asarray(lab, dtype=float))[:2])
    light = lightness_word(L)
    if is_grey(lab, white):
        cast = {"warmer": "warm", "cooler": "cool", "greener": "greenish", "pinker": "pinkish"}
        said = [cast[word] for word in cast_words(lab, white)[:1]]
        if L < 12:
            return "near-black"
        return " ".join([light, *said, "grey"])
    strength = "greyish" if C < 20 and 20 <= L < 88 else "strong" if C > 60 else ""
    return " ".join(part for part in (light, strength, hue_word(lab)) if part)


def cast_words(lab: ArrayLike, white: ArrayLike | None = None) -> tuple[str, ...]:
    """Return which way a near-neutral (3,) leans from the paper's white (3,): none, one or two of warmer, cooler, greener, pinker.

    The strongest comes first. A lean of a*b* under 1.5 has no word.
    """
    step = beside(lab, white)
    return _leaning(step) if float(np.hypot(*step)) >= CAST_CHROMA else ()


def difference_words(lab: ArrayLike, other: ArrayLike) -> tuple[str, ...]:
    """Return how other (3,) differs from lab (3,), the most striking first, such as ('much lighter', 'greyer', 'a little warmer').

    Lightness, strength and hue are judged each by itself, in dE00; what nobody would see is left out, so equal colours give ().
    """
    one, two = np.asarray(lab, dtype=float), np.asarray(other, dtype=float)
    found: list[tuple[float, str]] = []
    lighter = float(delta_e_2000(one, np.array([two[0], one[1], one[2]])))
    found.append((lighter, "lighter" if two[0] > one[0] else "darker"))
    c_1, c_2 = (float(np.hypot(*v[1:])) for v in (one, two))
    if max(c_1, c_2) < GREY_CHROMA:
        # Between two greys strength and hue mean nothing by themselves; the lean is what is seen.
        lean = float(delta_e_2000(one, np.array([one[0], two[1], two[2]])))
        found += [(lean, word) for word in _leaning(two[1:] - one[1:])[:1]]
    else:
        way = one[1:] / c_1 if c_1 > 0.5 else two[1:] / c_2
        stronger = np.array([one[0], *(way * c_2)])
        found.append((float(delta_e_2000(one, stronger)), "stronger" if c_2 > c_1 else "greyer"))
        turned = np.array([two[0], *(way * c_2)])
        across = two[1:] - turned[1:]
        if min(c_1, c_2) > CAST_CHROMA and float(np.hypot(*across)) > 0:
            found += [(float(delta_e_2000(turned, two)), word) for word in _leaning(across)[:1]]
    found.sort(key=lambda one: -one[0])
    return tuple(_degree(size) + word for size, word in found if size >= SEEN_DE00)


def beside(lab: ArrayLike, white: ArrayLike | None) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return a*b* (2,) of a colour (3,) beside the paper's (3,), whose tint a dark ink shows less of than a pale one does."""
    one = np.asarray(lab, dtype=float)
    if white is None:
        return np.array(one[1:])
    paper = np.asarray(white, dtype=float)
    return np.array(one[1:] - paper[1:] * np.clip(one[0] / max(float(paper[0]), 1.0), 0.0, 1.0))


def _degree(size: float) -> str:
    return "a little " if size < A_LITTLE else "much " if size >= MUCH else ""


def _leaning(step: ArrayLike) -> tuple[str, ...]:
    """Return which way a step (2,) in a*b* goes, the stronger direction first."""
    angle = np.radians(WARM_DEGREES)
    warm, green = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) @ np.asarray(
        step
    )
    parts = [
        (abs(float(warm)), "warmer" if warm > 0 else "cooler"),
        (abs(float(green)), "greener" if green > 0 else "pinker"),
    ]
    parts.sort(key=lambda part: -part[0])
    (most, first), (less, second) = parts
    if most == 0:
        return ()
    return (first, second) if less > SECOND * most else (first,)


def _word(table: tuple[tuple[float, str], ...], value: float) -> str:
    return table[min(bisect([bound for bound, _ in table], value), len(table) - 1)][1]
