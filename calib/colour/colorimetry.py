"""Linear RGB to XYZ to Lab, and the difference between two colours.

This is the only door to colour-science. All colours are CIE 1976 L*a*b* under D50 and the 2
degree observer; XYZ has Y = 1 for a perfect white here (tables carry it times 100). Arrays are
(..., 3) float64. The library takes most of a second to import, so it is imported when first
used, and never by a command that only shows its help.
"""

from __future__ import annotations

import contextlib
import warnings
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# D50, 2 degree observer: CIE 15:2018, table 8 (XYZ of standard illuminants, Y = 100).
WHITE_D50: Array = np.array([96.42, 100.0, 82.51]) / 100.0


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


def prepare() -> None:
    """Import the library beforehand, in a thread beside work that waits for the disk.

    A failure is not said here: whoever needs the library next meets it again and can say it.
    """
    with contextlib.suppress(Exception):
        _colour()


@cache
def _white_xy() -> Array:
    return np.asarray(WHITE_D50[:2] / WHITE_D50.sum())


@cache
def rgb_to_xyz_matrix() -> Array:
    """Return the 3x3 matrix from linear sRGB light to XYZ under D50.

    Primaries of IEC 61966-2-1, adapted from D65 to D50 by the Bradford transform as ICC.1:2022
    prescribes; RGB (1, 1, 1) goes to WHITE_D50 exactly, so that a neutral stays neutral.
    """
    colour = _colour()
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    to_xyz_d65 = np.asarray(srgb.matrix_RGB_to_XYZ)
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        to_xyz_d65.sum(axis=1), WHITE_D50, transform="Bradford"
    )
    return np.asarray(adapt @ to_xyz_d65)


def linear_to_xyz(linear: ArrayLike, matrix: ArrayLike | None = None) -> Array:
    """Return XYZ (Y of white = 1) of linear, white-balanced RGB, by the default or another matrix."""
    m = rgb_to_xyz_matrix() if matrix is None else np.asarray(matrix)
    return np.asarray(np.asarray(linear, dtype=float) @ m.T)


def xyz_to_linear(xyz: ArrayLike) -> Array:
    """Return linear sRGB light of XYZ; may lie outside 0..1."""
    return np.asarray(np.asarray(xyz, dtype=float) @ np.linalg.inv(rgb_to_xyz_matrix()).T)


@cache
def _romm_matrix() -> Array:
    return np.asarray(_colour().RGB_COLOURSPACES["ProPhoto RGB"].matrix_XYZ_to_RGB)


def linear_to_romm(linear: ArrayLike) -> Array:
    """Return light on the primaries of ROMM RGB (ISO 22028-2) of linear sRGB light (..., 3).

    On sRGB's primaries a strong orange reads more red light than white paper does, because its
    green or blue is next to nothing or negative; on these, which hold every real surface, it does not.
    """
    return np.asarray(linear_to_xyz(linear) @ _romm_matrix().T)


def xyz_to_lab(xyz: ArrayLike) -> Array:
    """Return L*a*b* (CIE 15:2018, 8.2.1) of XYZ with Y of white = 1."""
    return np.asarray(_colour().XYZ_to_Lab(np.asarray(xyz, dtype=float), illuminant=_white_xy()))


def lab_to_xyz(lab: ArrayLike) -> Array:
    """Return XYZ with Y of white = 1 of L*a*b*."""
    return np.asarray(_colour().Lab_to_XYZ(np.asarray(lab, dtype=float), illuminant=_white_xy()))


def lab_to_lch(lab: ArrayLike) -> Array:
    """Return L*, C*ab and the hue angle h_ab in degrees, 0..360."""
    lab = np.asarray(lab, dtype=float)
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0
    return np.stack([lab[..., 0], np.hypot(lab[..., 1], lab[..., 2]), hue], axis=-1)


def delta_e_2000(lab_1: ArrayLike, lab_2: ArrayLike) -> Array:
    """Return CIEDE2000 (Sharma, Wu, Dalal, Color Res. Appl. 30, 2005); the inputs broadcast."""
    one, two = np.broadcast_arrays(np.asarray(lab_1, dtype=float), np.asarray(lab_2, dtype=float))
    return np.asarray(_colour().difference.delta_E_CIE2000(one, two))


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
