"""Linear RGB to XYZ to Lab, and the difference between two colours.

All colours are CIE 1976 L*a*b* under D50 and the 2 degree observer; XYZ has Y = 1 for a perfect white here (tables carry
it times 100). Arrays are (..., 3) float64.

These few published formulas are written out here because the library that also has them (colour-science) takes longer to
import than most commands to run, and eight times as long to compute dE00 (measured). The tests hold every function against it.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# D50, 2 degree observer: CIE 15:2018, table 8 (XYZ of standard illuminants, Y = 100).
WHITE_D50: Array = np.array([96.42, 100.0, 82.51]) / 100.0
# Chromaticity of D65: IEC 61966-2-1.
XY_D65: Array = np.array([0.3127, 0.3290])
# Linear sRGB light to XYZ under D65: IEC 61966-2-1, the four decimals of the standard.
SRGB_TO_XYZ_D65: Array = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
# XYZ under D50 to light on the primaries of ROMM RGB: ISO 22028-2.
XYZ_TO_ROMM: Array = np.array([[1.3460, -0.2556, -0.0511], [-0.5446, 1.5082, 0.0205], [0.0, 0.0, 1.2123]])
# The Bradford transform's cone responses: ICC.1:2022, annex E.
BRADFORD: Array = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
# Where the cube root of L*a*b* gives way to a straight line: CIE 15:2018, 8.2.1.
JOINT = 24 / 116
# Pairs whose dE00 is computed at once, so that all that is computed on the way stays in the processor's cache.
BLOCK = 8192
TURN = 2 * np.pi


def adaptation(white: ArrayLike, other: ArrayLike) -> Array:
    """Return the 3x3 matrix that carries XYZ seen under one white (3,) to another (3,), by the Bradford transform (ICC.1:2022, annex E)."""
    gain = (BRADFORD @ np.asarray(other, dtype=float)) / (BRADFORD @ np.asarray(white, dtype=float))
    return np.asarray(np.linalg.inv(BRADFORD) @ np.diag(gain) @ BRADFORD)


@cache
def rgb_to_xyz_matrix() -> Array:
    """Return the 3x3 matrix from linear sRGB light to XYZ under D50.

    Primaries of IEC 61966-2-1, adapted from D65 to D50 by the Bradford transform as ICC.1:2022
    prescribes; RGB (1, 1, 1) goes to WHITE_D50 exactly, so that a neutral stays neutral.
    """
    return np.asarray(adaptation(SRGB_TO_XYZ_D65.sum(axis=1), WHITE_D50) @ SRGB_TO_XYZ_D65)


def linear_to_xyz(linear: ArrayLike, matrix: ArrayLike | None = None) -> Array:
    """Return XYZ (Y of white = 1) of linear, white-balanced RGB, by the default or another matrix."""
    m = rgb_to_xyz_matrix() if matrix is None else np.asarray(matrix)
    return np.asarray(np.asarray(linear, dtype=float) @ m.T)


def xyz_to_linear(xyz: ArrayLike) -> Array:
    """Return linear sRGB light of XYZ; may lie outside 0..1."""
    return np.asarray(np.asarray(xyz, dtype=float) @ np.linalg.inv(rgb_to_xyz_matrix()).T)


def linear_to_romm(linear: ArrayLike) -> Array:
    """Return light on the primaries of ROMM RGB (ISO 22028-2) of linear sRGB light (..., 3).

    On sRGB's primaries a strong orange reads more red light than white paper does, because its
    green or blue is next to nothing or negative; on these, which hold every real surface, it does not.
    """
    return np.asarray(linear_to_xyz(linear) @ XYZ_TO_ROMM.T)


def xyz_to_lab(xyz: ArrayLike) -> Array:
    """Return L*a*b* (CIE 15:2018, 8.2.1) of XYZ with Y of white = 1."""
    ratio = np.asarray(xyz, dtype=float) / WHITE_D50
    f = np.where(ratio > JOINT**3, np.cbrt(ratio), (841 / 108) * ratio + 16 / 116)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_xyz(lab: ArrayLike) -> Array:
    """Return XYZ with Y of white = 1 of L*a*b*."""
    lab = np.asarray(lab, dtype=float)
    y = (lab[..., 0] + 16) / 116
    f = np.stack([lab[..., 1] / 500 + y, y, y - lab[..., 2] / 200], axis=-1)
    return np.asarray(np.where(f > JOINT, f**3, (f - 16 / 116) * (108 / 841)) * WHITE_D50)


def lab_to_lch(lab: ArrayLike) -> Array:
    """Return L*, C*ab and the hue angle h_ab in degrees, 0..360."""
    lab = np.asarray(lab, dtype=float)
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0
    return np.stack([lab[..., 0], np.hypot(lab[..., 1], lab[..., 2]), hue], axis=-1)


def delta_e_2000(lab_1: ArrayLike, lab_2: ArrayLike) -> Array:
    """Return CIEDE2000 (Sharma, Wu, Dalal, Color Res. Appl. 30, 2005); the inputs broadcast."""
    one, two = np.broadcast_arrays(np.asarray(lab_1, dtype=float), np.asarray(lab_2, dtype=float))
    shape = one.shape[:-1]
    rows = BLOCK // max(1, int(np.prod(shape[1:]))) or 1
    if not shape or shape[0] <= rows:
        return np.asarray(_ciede2000(one, two))
    found = np.empty(shape)
    for start in range(0, shape[0], rows):
        at = slice(start, start + rows)
        found[at] = _ciede2000(one[at], two[at])
    return found


def _ciede2000(one: Array, two: Array) -> Array:
    """Return CIEDE2000 (...) of colours (..., 3), in the paper's letters and by its equations 2 to 22; hues in radians."""
    (l_1, a_1, b_1), (l_2, a_2, b_2) = (np.moveaxis(lab, -1, 0) for lab in (one, two))
    g = 1.5 - 0.5 * _seventh((np.sqrt(a_1 * a_1 + b_1 * b_1) + np.sqrt(a_2 * a_2 + b_2 * b_2)) / 2)
    a_1, a_2 = g * a_1, g * a_2
    c_1, c_2 = np.sqrt(a_1 * a_1 + b_1 * b_1), np.sqrt(a_2 * a_2 + b_2 * b_2)
    h_1, h_2 = (
        np.where(c == 0, 0.0, np.arctan2(b, a)) % TURN for a, b, c in ((a_1, b_1, c_1), (a_2, b_2, c_2))
    )
    both = c_1 * c_2
    turn, total = h_2 - h_1, h_1 + h_2
    # Across the direction of red the shorter way is the other one, and the mean hue lies opposite to the half of the sum.
    far = np.abs(turn) > TURN / 2
    h = total / 2 + np.where(far, np.where(total < TURN, TURN / 2, -TURN / 2), 0.0)
    h = np.where(both == 0, total, h)
    d_h = 2 * np.sqrt(both) * np.sin(np.where(far, turn - np.copysign(TURN, turn), turn) / 2)
    c, l_50 = (c_1 + c_2) / 2, ((l_1 + l_2) / 2 - 50) ** 2
    t = (
        1
        - 0.17 * np.cos(h - np.radians(30))
        + 0.24 * np.cos(2 * h)
        + 0.32 * np.cos(3 * h + np.radians(6))
        - 0.20 * np.cos(4 * h - np.radians(63))
    )
    lightness = (l_2 - l_1) / (1 + 0.015 * l_50 / np.sqrt(20 + l_50))
    chroma = (c_2 - c_1) / (1 + 0.045 * c)
    hue = d_h / (1 + 0.015 * c * t)
    # Blues, around 275 degrees, turn the ellipse.
    blue = np.exp(-(((h - np.radians(275)) / np.radians(25)) ** 2))
    r_t = -2 * _seventh(c) * np.sin(np.radians(60) * blue)
    return np.asarray(np.sqrt(lightness**2 + chroma**2 + hue**2 + r_t * chroma * hue))


def _seventh(c: Array) -> Array:
    """Return the square root of c**7 over c**7 + 25**7 (...), which the formula has twice."""
    cube = c * c * c
    power = cube * cube * c
    return np.asarray(np.sqrt(power / (power + 25.0**7)))


def srgb_decode(codes: ArrayLike) -> Array:
    """Return linear light of sRGB codes 0..1 (IEC 61966-2-1)."""
    codes = np.asarray(codes, dtype=float)
    power = ((np.maximum(codes, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(codes <= 0.04045, codes / 12.92, power))


def srgb_encode(linear: ArrayLike) -> Array:
    """Return sRGB codes 0..1 of linear light, clipped to what sRGB can show."""
    light = np.clip(np.asarray(linear, dtype=float), 0.0, 1.0)
    return np.asarray(
        np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    )


def lab_to_hex(lab: ArrayLike) -> list[tuple[str, bool]]:
    """Return '#rrggbb' of each L*a*b* (n, 3) and whether sRGB shows it without clipping.

    Half a code of tolerance: a colour that rounds to a legal code is inside.
    """
    linear = xyz_to_linear(lab_to_xyz(lab)).reshape(-1, 3)
    codes = np.rint(srgb_encode(linear) * 255).astype(int)
    half = np.asarray(srgb_decode(0.5 / 255))
    inside = np.all((linear >= -half) & (linear <= 1 + 255 * (1 - srgb_decode(254.5 / 255)) / 255), axis=1)
    return [("#{:02x}{:02x}{:02x}".format(*code), bool(ok)) for code, ok in zip(codes, inside, strict=True)]


def hex_to_lab(text: str) -> Array:
    """Return L*a*b* (3,) under D50 of '#rrggbb'."""
    codes = np.array([int(text[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return xyz_to_lab(linear_to_xyz(srgb_decode(codes)))


def whiteness(lab: ArrayLike) -> tuple[float, float] | None:
    """Return whiteness W and tint T of one L*a*b* (3,), None outside the formulas' range.

    CIE 15:2018, 9: W = Y + 800 (xn - x) + 1700 (yn - y) and T = 1000 (xn - x) - 650 (yn - y) for the 2 degree observer, only for
    40 < W < 5 Y - 280 and -4 < T < 2. The formulas are of D65; a colour of D50 is carried there by the Bradford transform, which
    keeps a neutral neutral. W is 100 for a perfect white, T is positive towards green. A scanner's lamp does not
    excite a brightener as daylight does, so this is a figure of the sheet in the scanner's light.
    """
    white = np.array([XY_D65[0] / XY_D65[1], 1.0, (1 - XY_D65.sum()) / XY_D65[1]])
    xyz = adaptation(WHITE_D50, white) @ lab_to_xyz(lab)
    if not np.all(np.isfinite(xyz)) or xyz.sum() <= 0:
        return None
    y = 100 * float(xyz[1])
    x_off, y_off = XY_D65 - xyz[:2] / xyz.sum()
    w, t = float(y + 800 * x_off + 1700 * y_off), float(1000 * x_off - 650 * y_off)
    return (w, t) if 40 < w < 5 * y - 280 and -4 < t < 2 else None
