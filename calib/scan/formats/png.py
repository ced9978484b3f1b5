"""PNG to codes, by libpng, which refuses a damaged file."""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np

from calib.errors import InputError
from calib.scan.formats.exif import claims, resolution
from calib.scan.formats.found import IN_COLOUR, READABLE, Found, check_size, opened

INCH = 0.0254


def read_png(path: Path) -> Iterator[Found]:
    """Yield the one picture of a PNG file."""
    import imagecodecs

    with opened(path) as image:
        check_size(path, *image.size)
        profile = image.info.get("icc_profile")
        if getattr(image, "is_animated", False):
            raise InputError.of(path, "holds moving pictures", READABLE)
    with path.open("rb") as stream:
        colour_type = stream.read(26)[25]
        # IHDR's colour types (ISO/IEC 15948, 11.2.1): 0 and 4 are grey, 3 has a palette.
        if colour_type in (0, 4):
            raise InputError.of(path, "is a greyscale scan", IN_COLOUR)
        if colour_type == 3:
            raise InputError.of(path, "has its colours reduced to a palette", READABLE)
        exif, dpi = _asides(stream)
        told = claims(exif)
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
            codes = np.asarray(imagecodecs.png_decode(data))
    yield Found(codes, profile, told.orientation, (), None, dpi or told.dpi, told.camera)


def _asides(stream: BinaryIO) -> tuple[bytes | None, float | None]:
    """Return a PNG's EXIF and its resolution; both may stand behind the pixels, which Pillow would unpack to get there."""
    exif, dpi, at = None, None, 8
    while True:
        stream.seek(at)
        head = stream.read(8)
        if len(head) < 8:
            return exif, dpi
        size, kind = int.from_bytes(head[:4], "big"), head[4:]
        if kind == b"eXIf":
            exif = stream.read(min(size, 1_000_000))
        elif kind == b"pHYs" and size == 9:
            body = stream.read(9)
            # Dots per metre where the last byte is 1 (ISO/IEC 15948, 11.3.5.3).
            across, down = (int.from_bytes(body[i : i + 4], "big") * INCH for i in (0, 4))
            dpi = resolution(across, down, 2 if body[8:] == b"\1" else 0)
        at += 12 + size
