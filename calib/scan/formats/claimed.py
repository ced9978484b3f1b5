"""What a file says of itself at its head, before anything of it is unpacked: to share out work and memory by.

Nothing is refused here. Whoever decodes a file has the words for what is wrong with it.
"""

from __future__ import annotations

import logging
import warnings
from pathlib import Path

from calib.scan.formats import pdf, tiff
from calib.scan.formats.found import MOST_PICTURES

HEAD_BYTES = 1024


def pixels_claimed(path: Path) -> int | None:
    """Return how many pixels a file's head says that its first picture has, None where it does not say."""
    import tifffile
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None
    try:
        if _head(path).startswith(tiff.HEADS):
            logging.getLogger("tifffile").setLevel(logging.CRITICAL)
            with tifffile.TiffFile(path) as file:
                page = file.pages.first
                return int(page.imagewidth * page.imagelength)
        with Image.open(path) as image:
            return image.width * image.height
    except Exception:
        return None


def pictures_claimed(path: Path) -> int:
    """Return how many pictures a file holds, 1 where that cannot be told or is more than are read."""
    try:
        head = _head(path)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            count = _count(path, head)
    except Exception:
        return 1
    return count if 1 <= count <= MOST_PICTURES else 1


def _count(path: Path, head: bytes) -> int:
    if head.startswith(tiff.HEADS):
        return tiff.count(path)
    return pdf.count(path) if b"%PDF-" in head else 1


def may_be_jpeg(path: Path) -> bool:
    """Return whether a file is a JPEG, or a PDF, whose pictures mostly are."""
    try:
        head = _head(path)
    except (OSError, ValueError):
        return False
    return head.startswith(b"\xff\xd8\xff") or b"%PDF-" in head


def _head(path: Path) -> bytes:
    # Reading from a pipe would wait for somebody to write.
    if not Path(path).is_file():
        return b""
    with Path(path).open("rb") as stream:
        return stream.read(HEAD_BYTES)
