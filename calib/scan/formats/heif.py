"""HEIF and HEIC to codes: what telephones save photographs as.

The library turns and mirrors the picture by the file's own words (ISO/IEC 23008-12, irot and imir), so that
EXIF's turn, which repeats them, must not be followed once more.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.scan.formats.exif import claims
from calib.scan.formats.found import READABLE, Found, check_mode, check_size

# The first brands of files that hold HEVC, or may (ISO/IEC 23008-12, annex B).
BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1")
# ITU-T H.273, tables 2 and 3, by number. The curves of video (1, 6, 14, 15) are shown as sRGB where they stand in a
# photograph; 2 is 'not told'.
SRGB_PRIMARIES, SRGB_CURVES = (1, 2), (1, 2, 6, 13, 14, 15)
# White, red, green and blue as x, y (IEC 61966-2-1).
SRGB_CORNERS = [(0.3127, 0.3290), (0.64, 0.33), (0.30, 0.60), (0.15, 0.06)]
GAMMAS = {4: 2.2, 5: 2.8, 8: 1.0}
HIGH_RANGE = {16: "PQ", 18: "HLG"}


def is_heif(head: bytes) -> bool:
    """Return whether a file begins as HEIF does."""
    return head[4:8] == b"ftyp" and head[8:12] in BRANDS


def read_heif(path: Path) -> Iterator[Found]:
    """Yield the main picture of a HEIF file; what else it holds are previews, depth and neighbours in a burst."""
    import pi_heif

    pi_heif.options.THUMBNAILS = pi_heif.options.DEPTH_IMAGES = pi_heif.options.AUX_IMAGES = False
    # hdr_to_16bit would put 10 bits in the upper ones of 16, so that white is 65472.
    file = pi_heif.open_heif(path, convert_hdr_to_8bit=False, hdr_to_16bit=False)
    image = file[file.primary_index]
    check_size(path, *image.size)
    mode, _, deep = image.mode.partition(";")
    check_mode(path, mode)
    info = image.info
    profile = info.get("icc_profile") or _profile(path, info.get("nclx_profile"))
    exif = claims(info.get("exif"))
    # A copy, because the library frees the pixels with its own picture and does not mind who still looks at them.
    codes = np.array(image)
    check_size(path, codes.shape[1], codes.shape[0])
    # Rows may be padded; the picture is as wide as it says after unpacking.
    codes = codes[: image.size[1], : image.size[0]]
    notes = (f"only the first of its {len(file)} pictures was read",) if len(file) > 1 else ()
    yield Found(_full(codes, int(deep or 8)), profile, 1, notes, None, exif.dpi, exif.camera)


def _full(codes: NDArray[Any], bits: int) -> NDArray[Any]:
    """Return codes of more than 8 bits stretched over 16, white on white; those of 8 as they are."""
    if bits <= 8:
        return codes
    top = 2**bits - 1
    table = (np.arange(top + 1, dtype=np.uint32) * 65535 + top // 2) // top
    return np.asarray(table.astype(np.uint16)[np.minimum(codes, top)])


def _profile(path: Path, nclx: dict[str, Any] | None) -> bytes | None:
    """Return an ICC profile that says what a file's colour numbers (ITU-T H.273) say, None for sRGB."""
    if nclx is None:
        return None
    primaries, curve = nclx["color_primaries"], nclx["transfer_characteristics"]
    if curve in HIGH_RANGE:
        raise InputError.of(
            path,
            f"is a picture of high dynamic range ({HIGH_RANGE[curve]})",
            "Switch that off in the camera, or save it as JPEG.",
        )
    if curve not in SRGB_CURVES and curve not in GAMMAS:
        raise InputError.of(path, f"has an unknown tone curve (number {curve})", READABLE)
    if primaries in SRGB_PRIMARIES and curve in SRGB_CURVES:
        return None
    import imagecodecs

    from calib.colour.colorimetry import srgb_decode

    white, *ends = (
        SRGB_CORNERS
        if primaries in SRGB_PRIMARIES
        else [
            (nclx[f"color_primary_{colour}_x"], nclx[f"color_primary_{colour}_y"])
            for colour in ("white", "red", "green", "blue")
        ]
    )
    if curve in GAMMAS:
        tone: dict[str, Any] = {"gamma": GAMMAS[curve]}
    else:
        tone = {"transferfunction": srgb_decode(np.linspace(0, 1, 4096)).astype(np.float32)}
    corners = [value for x, y in ends for value in (x, y, 1.0)]
    return bytes(imagecodecs.cms_profile("rgb", whitepoint=[*white, 1.0], primaries=corners, **tone))
