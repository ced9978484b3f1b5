"""PNG to codes, by decoders that refuse a damaged file.

libpng writes its remarks on text, profiles and the like to the terminal, where no one can silence it. So it
is shown the pixels and nothing else.
"""

from __future__ import annotations

import mmap
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.scan.formats.exif import claims, resolution
from calib.scan.formats.found import IN_COLOUR, READABLE, Found, check_size, damaged, opened

INCH = 0.0254
MOST_EXIF = 1_000_000
# Writers cut the pixels into pieces of 8 kB and more.
MOST_CHUNKS = 1_000_000
# By the small letters in its name a chunk that may be skipped, without a word (ISO/IEC 15948, 5.4).
SKIPPED = b"skIp"
TRANSPARENT = "its transparency was ignored"


def read_png(path: Path) -> Iterator[Found]:
    """Yield the one picture of a PNG file."""
    with opened(path) as image:
        check_size(path, *image.size)
        profile = image.info.get("icc_profile")
        if getattr(image, "is_animated", False):
            raise InputError.of(path, "holds moving pictures", READABLE)
    # Private: what is changed in it below stays in memory, and only the pages that are changed take any.
    with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_COPY) as data:
        bits, colour_type, interlaced = data[24], data[25], data[28]
        # IHDR's colour types (ISO/IEC 15948, 11.2.1): 0 and 4 are grey, 3 has a palette.
        if colour_type in (0, 4):
            raise InputError.of(path, "is a greyscale scan", IN_COLOUR)
        if colour_type == 3:
            raise InputError.of(path, "has its colours reduced to a palette", READABLE)
        chunks = _chunks(path, data)
        exif = claims(_body(data, chunks.get(b"eXIf"))[:MOST_EXIF])
        dpi = _resolution(_body(data, chunks.get(b"pHYs")))
        _hush(data, chunks)
        codes = _codes(data, bits, bool(interlaced))
    notes = (TRANSPARENT,) if b"tRNS" in chunks else ()
    yield Found(codes, profile, exif.orientation, notes, None, dpi or exif.dpi, exif.camera)


Chunk = tuple[int, int]


def _chunks(path: Path, data: mmap.mmap) -> dict[bytes, list[Chunk]]:
    """Return where the chunks of each kind lie: start of the head and size of the body. Refuses a file that ends before IEND."""
    found: dict[bytes, list[Chunk]] = {}
    at, count = 8, 0
    while b"IEND" not in found:
        size, kind = int.from_bytes(data[at : at + 4], "big"), bytes(data[at + 4 : at + 8])
        if at + 12 + size > len(data) or len(kind) < 4:
            raise damaged(path, "its end is missing")
        # The decoders stop at the last pixel and leave the check sum behind it unread.
        if kind == b"IDAT" and zlib.crc32(memoryview(data)[at + 4 : at + 8 + size]) != int.from_bytes(
            data[at + 8 + size : at + 12 + size], "big"
        ):
            raise damaged(path, "its pixels do not add up to their check sum")
        found.setdefault(kind, []).append((at, size))
        at += 12 + size
        count += 1
        if count > MOST_CHUNKS:
            raise damaged(path, "it is in a million pieces")
    return found


def _body(data: mmap.mmap, chunks: list[Chunk] | None) -> bytes:
    return data[chunks[0][0] + 8 : chunks[0][0] + 8 + chunks[0][1]] if chunks else b""


def _resolution(body: bytes) -> float | None:
    """Return dots per inch of a pHYs chunk: dots per metre where its last byte is 1 (ISO/IEC 15948, 11.3.5.3)."""
    if len(body) != 9:
        return None
    across, down = (int.from_bytes(body[i : i + 4], "big") * INCH for i in (0, 4))
    return resolution(across, down, 2 if body[8] == 1 else 0)


def _hush(data: mmap.mmap, chunks: dict[bytes, list[Chunk]]) -> None:
    """Rename every chunk that holds no pixels, so that no decoder looks into it."""
    for kind, places in chunks.items():
        # A capital at the beginning says that the pixels cannot be had without it.
        if kind[:1].isupper():
            continue
        for at, size in places:
            data[at + 4 : at + 8] = SKIPPED
            check = zlib.crc32(memoryview(data)[at + 4 : at + 8 + size])
            data[at + 8 + size : at + 12 + size] = check.to_bytes(4, "big")


def _codes(data: mmap.mmap, bits: int, interlaced: bool) -> NDArray[Any]:
    import imagecodecs

    if bits == 8:
        # It has no remarks to make, is as strict as libpng, and a little quicker.
        return np.asarray(imagecodecs.spng_decode(data))
    if not interlaced:
        return np.asarray(imagecodecs.png_decode(data))
    # The reader above complains of interlaced pictures on the terminal, and this one does not.
    import cv2

    codes = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if codes is None or codes.ndim != 3:
        raise ValueError("its pixels cannot be unpacked")
    return np.ascontiguousarray(codes[..., [2, 1, 0]])
