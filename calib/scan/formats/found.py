"""What the reader of any kind of file hands back, and what all of them refuse in the same words."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from calib.errors import InputError

if TYPE_CHECKING:
    from PIL import Image

READABLE = "Save the scan as TIFF, PNG or JPEG in RGB colour."
IN_COLOUR = "Scan again in colour (24 or 48 bit)."
AGAIN = "Scan or copy it again."
# A4 at 1200 dpi has 139 million pixels, A3 twice that; what claims more is a decompression bomb.
MOST_PIXELS = 400_000_000
LEAST_SIDE = 200
# What a feeder takes at once and more; a file may point to one picture ten thousand times.
MOST_PICTURES = 200
# Above this many pixels a file must hold a byte for every so many of them. Scans hold far more, even as
# strong JPEG (0.02 to 0.1 bytes a pixel, measured); zeros packed by deflate 0.003.
LARGE_PIXELS = 60_000_000
MOST_PIXELS_A_BYTE = 200


@dataclass(frozen=True)
class Found:
    """What a decoder found: codes with the channels last, profile, and what else the file says.

    orientation: EXIF's or TIFF's number of the turn that is still to be made, 1..8. dpi, camera, jpeg: as in Picture.
    """

    codes: NDArray[Any]
    profile: bytes | None = None
    orientation: int = 1
    notes: tuple[str, ...] = ()
    jpeg: int | None = None
    dpi: float | None = None
    camera: bool = False


def check_size(path: Path, width: int, height: int) -> None:
    """Refuse a picture that claims more pixels than a page has, before anything of it is unpacked."""
    if min(width, height) < 1:
        raise damaged(path, "it says that it has no pixels")
    pixels = width * height
    if pixels > MOST_PIXELS:
        raise InputError.of(
            path,
            f"claims {width} x {height} pixels, more than a scan of a page has",
            "Scan one page at 300 or 600 dpi.",
        )
    if pixels > LARGE_PIXELS and pixels > MOST_PIXELS_A_BYTE * path.stat().st_size:
        raise InputError.of(
            path, f"claims {width} x {height} pixels, but holds too little for a scan of that size", AGAIN
        )


def check_count(path: Path, count: int) -> None:
    """Refuse a file of more pictures than a stack of scanned pages has."""
    if count > MOST_PICTURES:
        raise InputError.of(
            path,
            f"holds {count} pictures; at most {MOST_PICTURES} are read",
            "Give each page's scan by itself.",
        )


def check_mode(path: Path, mode: str) -> None:
    """Refuse what is not RGB, by Pillow's word for it."""
    if mode in ("L", "LA", "1", "I;16", "I", "F"):
        raise InputError.of(path, "is a greyscale scan", IN_COLOUR)
    if mode in ("P", "PA"):
        raise InputError.of(path, "has its colours reduced to a palette, so it is not in RGB", READABLE)
    if mode not in ("RGB", "RGBA"):
        raise InputError.of(path, f"is in {mode}, not in RGB", READABLE)


def damaged(path: Path, why: str) -> InputError:
    """Return the refusal of a file of which not everything is there."""
    return InputError.of(path, f"is damaged or cut short ({why})", AGAIN)


def opened(path: Path, data: bytes | None = None) -> Image.Image:
    """Return a file's picture, or that in some bytes of it, of which Pillow has read the head and no pixels.

    However large it says that it is: check_size says it in our words.
    """
    from PIL import Image, UnidentifiedImageError

    Image.MAX_IMAGE_PIXELS = None
    try:
        return Image.open(path if data is None else io.BytesIO(data))
    except UnidentifiedImageError as error:
        raise damaged(path, "its head makes no sense") from error
