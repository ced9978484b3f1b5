"""TIFF to codes, page by page, thumbnails and masks left out."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from calib.errors import InputError
from calib.scan.formats import jpeg
from calib.scan.formats.exif import EXPOSED, exposed, resolution
from calib.scan.formats.found import (
    IN_COLOUR,
    LEAST_SIDE,
    MOST_PICTURES,
    READABLE,
    Found,
    check_count,
    check_size,
    damaged,
)

HEADS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
# NewSubfileType (TIFF 6.0, tag 254): bit 0 is a reduced copy of another picture, bit 2 a mask for one.
ASIDE = 1 | 4
# Ways of packing (tag 259) by tifffile's names. What scanners write, and what people pack once more; the decoders of others
# write remarks to the terminal, or fill with black what is missing.
PACKED = ("NONE", "LZW", "ADOBE_DEFLATE", "DEFLATE", "PACKBITS", "JPEG", "OJPEG", "ZSTD", "LZMA", "WEBP", "JPEGXL", "JPEGXL_DNG",
          "JPEG2000", "APERIO_JP2000_RGB", "APERIO_JP2000_YCBC")  # fmt: skip
# Red, green, blue, transparency, infrared and a few more; a file that claims thousands is damaged.
MOST_CHANNELS = 8


def read_tiff(path: Path, only: int | None = None) -> Iterator[Found]:
    """Yield the pictures of a TIFF file, each as its strips or tiles have it. only: the number of the one that is wanted, from 1."""
    with _opened(path) as tiff:
        check_count(path, len(tiff.pages))
        for number, page in enumerate(_pages(tiff), 1):
            if only in (None, number):
                yield _page(path, page)


def count(path: Path) -> int:
    """Return how many pictures a TIFF file holds; raises whatever it likes where the file is damaged."""
    with _opened(path) as tiff:
        return len(_pages(tiff)) if len(tiff.pages) <= MOST_PICTURES else len(tiff.pages)


def _opened(path: Path) -> Any:
    import tifffile

    # Its warnings about odd tags would reach the user's terminal; real faults raise.
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    return tifffile.TiffFile(path)


def _pages(tiff: Any) -> list[Any]:
    """Return the pages of a file that are pictures of their own."""
    import tifffile

    pages = [
        page for page in tiff.pages if isinstance(page, tifffile.TiffPage) and not page.subfiletype & ASIDE
    ]
    # Some scanners put a preview beside the scan and do not say that it is one.
    large = [page for page in pages if min(page.imagewidth, page.imagelength) >= LEAST_SIDE]
    return large or pages


def _page(path: Path, page: Any) -> Found:
    check_size(path, page.imagewidth, page.imagelength)
    photometric = getattr(page.photometric, "name", str(page.photometric))
    packed = getattr(page.compression, "name", "")
    is_jpeg = packed in ("JPEG", "OJPEG")
    if photometric in ("MINISBLACK", "MINISWHITE"):
        raise InputError.of(path, "is a greyscale scan", IN_COLOUR)
    if photometric == "PALETTE":
        raise InputError.of(path, "has its colours reduced to a PALETTE", READABLE)
    if photometric != "RGB" and not (photometric == "YCBCR" and is_jpeg):
        raise InputError.of(path, f"holds {photometric} colours, not RGB", READABLE)
    if page.bitspersample not in (8, 16):
        raise InputError.of(path, f"has {page.bitspersample} bits per channel; 8 or 16 can be read", READABLE)
    if packed not in PACKED:
        raise InputError.of(path, f"is packed by {packed or page.compression}, which is not read", READABLE)
    if not 3 <= page.samplesperpixel <= MOST_CHANNELS or page.imagedepth != 1:
        raise InputError.of(path, "is not a flat picture of three colours", READABLE)
    _check_whole(path, page, is_jpeg)
    codes = page.asarray()
    if codes.ndim == 3 and page.planarconfig == 2:
        codes = np.moveaxis(codes, 0, 2)
    if codes.ndim != 3:
        raise InputError.of(path, "is not a flat picture", READABLE)
    quality = jpeg.jpeg_quality(_jpeg_parts(page).tables) if is_jpeg else None
    profile, orientation, dpi, camera = _asides(page)
    return Found(codes[..., :4], profile, orientation, (), quality, dpi, camera)


def _check_whole(path: Path, page: Any, is_jpeg: bool) -> None:
    """Refuse a page of which strips or tiles are not there: they would be read as black."""
    counts, offsets = page.databytecounts, page.dataoffsets
    size = page.parent.filehandle.size
    wanted = int(np.prod(page.chunked))
    if len(offsets) < wanted or len(counts) < wanted or not all(counts[:wanted]) or not all(offsets[:wanted]):
        raise damaged(path, "not all of its strips are there")
    if any(at + count > size for at, count in zip(offsets[:wanted], counts[:wanted], strict=True)):
        raise damaged(path, "it ends before its last strip")
    if not is_jpeg:
        return
    tables = page.jpegtables or b""
    for at, count in zip(offsets[:wanted], counts[:wanted], strict=True):
        if not jpeg.is_whole(_with_tables(tables, _read(page, at, count))):
            raise damaged(path, "not all of its pixels are there")


def _read(page: Any, at: int, count: int) -> bytes:
    page.parent.filehandle.seek(at)
    return bytes(page.parent.filehandle.read(count))


def _with_tables(tables: bytes, data: bytes) -> bytes:
    """Return a strip's JPEG with the tables that all strips of its page share (TIFF Technical Note 2, tag 347)."""
    return data[:2] + tables[2:-2] + data[2:] if tables else data


def _jpeg_parts(page: Any) -> jpeg.Parts:
    first = _read(page, page.dataoffsets[0], page.databytecounts[0])
    return jpeg.take_apart(_with_tables(page.jpegtables or b"", first))


def _asides(page: Any) -> tuple[bytes | None, int, float | None, bool]:
    """Return a page's profile, orientation, resolution, and whether a camera took it; damaged tags say nothing."""
    import tifffile

    tags = page.tags

    def value(tag: int) -> Any:
        try:
            return tags.valueof(tag)
        except (
            Exception
        ):  # Tags are read when they are asked for, and a damaged one raises whatever it likes.
            return None

    profile, orientation, folder = value(34675), value(274), value(34665)
    unit = value(296)
    dpi = resolution(value(282), value(283), 2 if unit is None else unit)
    names: Any = tifffile.TIFF.EXIF_TAGS
    camera = isinstance(folder, dict) and exposed({tag: folder.get(names.get(tag)) for tag in EXPOSED})
    turn = int(orientation) if orientation in range(1, 9) else 1
    return profile if isinstance(profile, bytes) else None, turn, dpi, camera
