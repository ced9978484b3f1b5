"""What a picture's EXIF says that matters here: turn, resolution, and whether a camera took it.

Nothing else is looked at, so that no serial number, position or name can get into any output.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

# EXIF 2.32 (CIPA DC-008): the folder of the exposure, and in it ExposureTime, FNumber, PhotographicSensitivity, FocalLength.
EXPOSURE = 0x8769
EXPOSED = (33434, 33437, 34855, 37386)
# One of them alone is in the files of some film scanners (from memory); lenses without contacts leave two out.
LEAST_EXPOSED = 2
# Outside of this no scanner or printer works: the number is a placeholder or a unit taken wrong.
LEAST_DPI, MOST_DPI = 10.0, 20_000.0


@dataclass(frozen=True)
class Claims:
    """What EXIF claims: orientation 1..8, resolution in dots per inch or None, whether a camera took it."""

    orientation: int = 1
    dpi: float | None = None
    camera: bool = False


def claims(exif: bytes | None) -> Claims:
    """Return what a block of EXIF, with or without its 'Exif' head, claims; nothing where it is damaged."""
    if not exif:
        return Claims()
    from PIL import Image

    found = Image.Exif()
    try:
        found.load(exif)
        camera = exposed(found.get_ifd(EXPOSURE))
        orientation, dpi = found.get(274, 1), resolution(found.get(282), found.get(283), found.get(296, 2))
    except Exception:  # Damaged EXIF raises whatever it likes, and the pixels need none of it.
        return Claims()
    return Claims(orientation if orientation in range(1, 9) else 1, dpi, camera)


def exposed(tags: Mapping[Any, Any]) -> bool:
    """Return whether tags, by EXIF's number, tell of an exposure: scanners write maker and model too, but not that."""
    return sum(number(tags.get(tag)) > 0 for tag in EXPOSED) >= LEAST_EXPOSED


def resolution(across: Any, down: Any, unit: Any) -> float | None:
    """Return dots per inch, None where they are not told or make no sense.

    across, down: XResolution and YResolution; unit: 2 inch, 3 centimetre, else none (TIFF 6.0, tags 282, 283, 296).
    """
    dpi = [number(each) * {2: 1.0, 3: 2.54}.get(unit, math.nan) for each in (across, down)]
    found = [each for each in dpi if LEAST_DPI <= each <= MOST_DPI]
    return sum(found) / len(found) if found else None


def number(value: Any) -> float:
    """Return a tag's value as a number: a fraction, a pair, the first of several, or NaN."""
    try:
        if isinstance(value, (tuple, list)):
            return value[0] / value[1] if len(value) == 2 else float(value[0])
        return float(value)
    except (TypeError, ValueError, ZeroDivisionError, IndexError, OverflowError):
        return math.nan
