"""Codes of one picture to linear light: by the colour profile in its file, else as sRGB.

Profiles are honoured at the precision of the scan: Little CMS computes in floating point, and on those
pixels only that are looked at.
"""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.scan.image import Picture

Light = NDArray[np.float32]

HEAD_BYTES, MOST_BYTES = 128, 16_000_000
# Scanner, screen, printer and colour space; links and named colours are for other jobs (ICC.1:2022, 7.2.5).
CLASSES = (b"scnr", b"mntr", b"prtr", b"spac")
# Rec. ITU-R BT.709: what each linear channel gives to the luminance.
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
STEPS = 33
# So many pixels are looked up at once.
AT_ONCE = 100_000
# Working spaces by the names that their published profiles carry.
KNOWN = re.compile(
    r"(s?RGB|Adobe RGB|Display P3|ProPhoto RGB|ROMM RGB|eciRGB|Apple RGB|Wide Gamut RGB|Rec\.? ?(ITU-R BT\.)?(709|2020))"
    r"([ -]?\(?(1998|compatible|v2|v4|built-in|IEC61966-2[.-]1|D65|linear)\)?)*"
)


@dataclass(frozen=True)
class LightOf:
    """Turns codes of one picture into linear light on sRGB's primaries, by profile or by sRGB.

    called with codes (..., 3) in 0..1 float32; returns the same shape, a profile's white being
    (1, 1, 1). Values may leave 0..1 where a profile's colours lie outside sRGB; NaN stays NaN.
    """

    profile: bytes | None
    name: str

    @property
    def by_channel(self) -> bool:
        """Whether each channel's light depends on its own code alone, so that a table can stand for it."""
        return self.profile is None

    def __call__(self, codes: NDArray[np.float32]) -> Light:
        """Return the linear light of codes; see above."""
        if self.profile is None:
            return _srgb_light(codes)
        missing = np.isnan(codes)
        known = np.where(missing, np.float32(0), codes) if missing.any() else codes
        light = profile_light(known, self.profile)
        # What lies outside the picture is not black: it must stay unknown.
        light[missing] = np.nan
        return light


def light_of(picture: Picture) -> LightOf:
    """Return the decoder of a picture's codes; raise InputError for a profile that is no RGB one.

    A profile that does what sRGB does is replaced by the curve of the standard, which is faster.
    """
    if picture.profile is None:
        return LightOf(None, "sRGB (assumed)")
    ramp = np.linspace(0, 1, STEPS, dtype=np.float32)
    rng = np.random.default_rng(0)
    probe = np.concatenate([np.repeat(ramp[:, None], 3, axis=1), rng.random((200, 3), dtype=np.float32)])
    try:
        _check_head(picture.profile)
        light = profile_light(probe, picture.profile)
        _check_greys(light[:STEPS])
        name = _profile_name(picture.profile)
    except Exception as error:  # Little CMS raises its own kinds for broken and foreign profiles.
        why = f" ({error})" if isinstance(error, ValueError) else ""
        raise InputError.of(
            picture.path,
            f"has an embedded colour profile that cannot be used{why}",
            "Save it with sRGB or no profile.",
        ) from error
    if np.abs(light - _srgb_light(probe)).max() < 1e-3:
        return LightOf(None, "sRGB (embedded)")
    return LightOf(picture.profile, name)


def _check_head(profile: bytes) -> None:
    """Raise ValueError for a profile that is not of RGB pictures (ICC.1:2022, 7.2), or too large for one."""
    if not HEAD_BYTES < len(profile) <= MOST_BYTES:
        raise ValueError(f"it is {len(profile)} bytes large")
    if profile[36:40] != b"acsp":
        raise ValueError("it is damaged")
    if profile[16:20] != b"RGB ":
        raise ValueError(f"it is for {_letters(profile[16:20])}, not for RGB")
    if profile[12:16] not in CLASSES:
        raise ValueError(f"it is of the kind {_letters(profile[12:16])}")


def _letters(four: bytes) -> str:
    return "".join(chr(byte) if 32 < byte < 127 else "?" for byte in four).strip("?") or "nothing known"


def _check_greys(light: Light) -> None:
    """Raise ValueError where the light (n, 3) of even steps from black to white is none that a scanner could mean.

    Media white may lie a little off 1 in a scanner's own profile, and black above 0.
    """
    grey = np.asarray(light, dtype=np.float64) @ LUMINANCE
    sound = (
        np.isfinite(light).all() and 0.5 < grey[-1] < 1.5 and grey[0] < 0.25 and np.diff(grey).min() > -0.01
    )
    if not sound:
        raise ValueError("its greys do not run from dark to light")


def _profile_name(profile: bytes) -> str:
    """Return a profile's name where it is that of a well-known space, else a part of its digest.

    People who make profiles of their own write names, dates and serial numbers into them, which belong into no output.
    """
    from PIL import ImageCms

    text = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile)))
    name = " ".join(text.split())
    if KNOWN.fullmatch(name):
        return name
    return f"embedded profile {hashlib.sha256(profile).hexdigest()[:8]}"


@cache
def _xyz_to_srgb() -> NDArray[np.float64]:
    """Return the matrix from the profile connection space to linear sRGB, white to white.

    Little CMS's own sRGB colorants are used, so that an embedded sRGB profile is the identity.
    """
    import imagecodecs

    corners = np.eye(3, dtype=np.float32)[None]
    xyz = _to_pcs(corners, imagecodecs.cms_profile("srgb"))[0]
    xyz *= np.array([0.9642, 1.0, 0.8249]) / xyz.sum(axis=0)
    return np.asarray(np.linalg.inv(xyz))


def _to_pcs(codes: NDArray[np.float32], profile: bytes) -> NDArray[np.float64]:
    """Return XYZ under D50 (ICC.1:2022, PCSXYZ, media-relative) of codes (h, w, 3) in 0..1."""
    import imagecodecs

    return np.asarray(
        imagecodecs.cms_transform(
            np.ascontiguousarray(codes, dtype=np.float32),
            profile,
            imagecodecs.cms_profile("xyz"),
            colorspace="rgb",
            outcolorspace="xyz",
            outdtype="float64",
            intent=imagecodecs.CMS.INTENT.RELATIVE_COLORIMETRIC,
        ),
        dtype=np.float64,
    )


def profile_light(codes: NDArray[np.float32], profile: bytes) -> Light:
    """Return linear light on sRGB's primaries of codes (..., 3) in 0..1, through an ICC profile.

    Little CMS computes in floating point from 32-bit codes, so 16-bit scans lose nothing and
    colours outside sRGB keep their negative light instead of being cut.
    """
    xyz = _to_pcs(codes.reshape(1, -1, 3), profile)[0]
    return np.asarray((xyz @ _xyz_to_srgb()).reshape(codes.shape), dtype=np.float32)


@cache
def _srgb_table() -> NDArray[np.float32]:
    from calib.colour.colorimetry import srgb_decode

    return srgb_decode(np.arange(65536) / 65535.0).astype(np.float32)


def _srgb_light(codes: NDArray[np.float32]) -> Light:
    return by_table(codes, np.broadcast_to(_srgb_table()[:, None], (65536, 3)))


def by_table(codes: NDArray[np.float32], table: NDArray[np.float32]) -> Light:
    """Return the light of codes (..., 3) in 0..1 from a table (65536, 3), NaN where codes are NaN.

    Interpolating would cost more than it gives: 65,536 steps are finer than any scanner's noise.
    """
    light = np.empty(codes.shape, dtype=np.float32)
    flat, out = codes.reshape(-1, 3), light.reshape(-1, 3)
    channels = [np.ascontiguousarray(table[:, c]) for c in range(3)]
    # A piece at a time, because the steps in between need three times the room of the codes.
    for start in range(0, len(flat), AT_ONCE):
        some = flat[start : start + AT_ONCE]
        missing = np.isnan(some)
        some_missing = bool(missing.any())
        index = np.where(missing, np.float32(0), some) if some_missing else some
        index = np.clip(index, 0, 1)
        index *= 65535
        index += 0.5
        whole = index.astype(np.uint16)
        for c, channel in enumerate(channels):
            out[start : start + AT_ONCE, c] = channel.take(whole[:, c])
        if some_missing:
            out[start : start + AT_ONCE][missing] = np.nan
    return light
