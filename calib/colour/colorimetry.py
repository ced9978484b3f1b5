"""Linear RGB to XYZ to Lab, and the difference between two colours.

This is the only door to colour-science. All colours are CIE 1976 L*a*b* under D50 and the 2
degree observer; XYZ has Y = 1 for a perfect white here (tables carry it times 100). Arrays are
(..., 3) float64. The library takes a second to import and looks at every array it is given several times, which was a
third of a measurement, so the few formulas that every command needs stand here as the standards have
them, and the tests hold them against the library.
"""

from __future__ import annotations

import warnings
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# D50, 2 degree observer: CIE 15:2018, table 8 (XYZ of standard illuminants, Y = 100).
WHITE_D50: Array = np.array([96.42, 100.0, 82.51]) / 100.0
# Linear sRGB to XYZ under D65: IEC 61966-2-1:1999, the four decimals of the standard.
SRGB_TO_XYZ_D65: Array = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
# XYZ to the cone-like responses of the Bradford transform: ICC.1:2022, annex E.
BRADFORD: Array = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
# XYZ under D50 to light on the primaries of ROMM RGB: ISO 22028-2:2013.
XYZ_TO_ROMM: Array = np.array([[1.346, -0.2556, -0.0511], [-0.5446, 1.5082, 0.0205], [0.0, 0.0, 1.2123]])
# Where the cube root of CIE 15:2018, 8.2.1 gives way to a straight line.
JOINT = 24 / 116


@cache
def _colour() -> Any:
    # The library warns of optional plotting parts and changes how numpy prints; a user of this
    # program has no use for either.
    printing = np.get_printoptions()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    np.set_printoptions(**printing)
    return colour


@cache
def rgb_to_xyz_matrix() -> Array:
    """Return the 3x3 matrix from linear sRGB light to XYZ under D50.

    Primaries of IEC 61966-2-1, adapted from D65 to D50 by the Bradford transform as ICC.1:2022
    prescribes; RGB (1, 1, 1) goes to WHITE_D50 exactly, so that a neutral stays neutral.
    """
    before, after = BRADFORD @ SRGB_TO_XYZ_D65.sum(axis=1), BRADFORD @ WHITE_D50
    return np.asarray(np.linalg.inv(BRADFORD) @ np.diag(after / before) @ BRADFORD @ SRGB_TO_XYZ_D65)


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
    share = np.asarray(xyz, dtype=float) / WHITE_D50
    f = np.where(share > JOINT**3, np.cbrt(share), share / (3 * (6 / 29) ** 2) + 16 / 116)
    lab = np.empty_like(f)
    lab[..., 0] = 116 * f[..., 1] - 16
    lab[..., 1] = 500 * (f[..., 0] - f[..., 1])
    lab[..., 2] = 200 * (f[..., 1] - f[..., 2])
    return lab


def lab_to_xyz(lab: ArrayLike) -> Array:
    """Return XYZ with Y of white = 1 of L*a*b*."""
    lab = np.asarray(lab, dtype=float)
    y = (lab[..., 0] + 16) / 116
    f = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], axis=-1)
    return np.asarray(WHITE_D50 * np.where(f > JOINT, f**3, 3 * (6 / 29) ** 2 * (f - 16 / 116)))


def lab_to_lch(lab: ArrayLike) -> Array:
    """Return L*, C*ab and the hue angle h_ab in degrees, 0..360."""
    lab = np.asarray(lab, dtype=float)
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0
    return np.stack([lab[..., 0], np.hypot(lab[..., 1], lab[..., 2]), hue], axis=-1)


def delta_e_2000(lab_1: ArrayLike, lab_2: ArrayLike) -> Array:
    """Return CIEDE2000 (ISO/CIE 11664-6:2014); the inputs broadcast.

    By the equations of Sharma, Wu and Dalal, Color Res. Appl. 30, 2005, whose letters stand here.
    """
    one, two = np.asarray(lab_1, dtype=float), np.asarray(lab_2, dtype=float)
    l_1, a_1, b_1 = one[..., 0], one[..., 1], one[..., 2]
    l_2, a_2, b_2 = two[..., 0], two[..., 1], two[..., 2]
    c_bar_7 = ((np.hypot(a_1, b_1) + np.hypot(a_2, b_2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(c_bar_7 / (c_bar_7 + 25.0**7))
    a_1, a_2 = stretch * a_1, stretch * a_2
    c_1, c_2 = np.hypot(a_1, b_1), np.hypot(a_2, b_2)
    h_1, h_2 = np.arctan2(b_1, a_1) % (2 * np.pi), np.arctan2(b_2, a_2) % (2 * np.pi)
    # Hues farther apart than half a turn are nearer the other way round. A grey has no hue, and none of what
    # follows from one counts, because its chroma is a factor of it.
    far = np.abs(h_2 - h_1) > np.pi
    h_sum = h_1 + h_2
    h_bar = (h_sum + np.where(far, np.where(h_sum < 2 * np.pi, 2 * np.pi, -2 * np.pi), 0.0)) / 2
    half = (h_2 - h_1) / 2
    delta_h = 2 * np.sqrt(c_1 * c_2) * np.sin(np.where(far, half - np.copysign(np.pi, half), half))
    l_off, c_bar = ((l_1 + l_2) / 2 - 50) ** 2, (c_1 + c_2) / 2
    t = (
        1
        - 0.17 * np.cos(h_bar - np.pi / 6)
        + 0.24 * np.cos(2 * h_bar)
        + 0.32 * np.cos(3 * h_bar + np.radians(6))
        - 0.20 * np.cos(4 * h_bar - np.radians(63))
    )
    lightness = (l_2 - l_1) / (1 + 0.015 * l_off / np.sqrt(20 + l_off))
    chroma = (c_2 - c_1) / (1 + 0.045 * c_bar)
    hue = delta_h / (1 + 0.015 * c_bar * t)
    c_bar_7 = c_bar**7
    theta = np.radians(60) * np.exp(-(((h_bar - np.radians(275)) / np.radians(25)) ** 2))
    turn = -2 * np.sqrt(c_bar_7 / (c_bar_7 + 25.0**7)) * np.sin(theta)
    return np.asarray(np.sqrt(lightness**2 + chroma**2 + hue**2 + turn * chroma * hue))


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
    colour = _colour()
    xy = np.asarray(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    white = np.array([xy[0] / xy[1], 1.0, (1 - xy[0] - xy[1]) / xy[1]])
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(WHITE_D50, white, transform="Bradford")
    xyz = adapt @ lab_to_xyz(lab)
    if not np.all(np.isfinite(xyz)) or xyz.sum() <= 0:
        return None
    y = 100 * float(xyz[1])
    w, t = colour.colorimetry.whiteness_CIE2004(xyz[:2] / xyz.sum(), y, xy)
    return (float(w), float(t)) if 40 < w < 5 * y - 280 and -4 < t < 2 else None
