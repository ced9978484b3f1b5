"""File to pixels, profile and size, and pixels to file: with ``formats/`` the only door to image files.

Five kinds of file are read, told by their first bytes and never by their name: TIFF, PNG, JPEG, HEIF, and
a PDF whose pages each hold one picture, as many all-in-one scanners save it. Each library was
chosen for what it refuses: a damaged file must be an error and not a picture with a grey half.
Turned pictures need no turning here, because the page is found at any angle; mirrored ones do.
"""

from __future__ import annotations

import hashlib
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.files import read_bytes, shorten
from calib.scan.formats import heif, jpeg, pdf, png, tiff
from calib.scan.formats.found import IN_COLOUR, LEAST_SIDE, READABLE, Found, damaged

Codes = NDArray[np.uint8] | NDArray[np.uint16]
Light = NDArray[np.float32]

HASHED_AT_ONCE = 32_000_000
MOST_FILE_BYTES = 4_000_000_000
# Codes of 0..1 this near to an end of their range are at it.
AT_THE_END = 1e-6
# EXIF and TIFF orientations that mirror the picture (TIFF 6.0, tag 274).
MIRRORED = (2, 4, 5, 7)
# A file that was written after this may be another one than was hashed.
_STARTED = time.time()
# First bytes of what people also have on their desks, so that the refusal can say what it is.
FOREIGN = {
    b"GIF8": "a GIF", b"BM": "a BMP", b"8BPS": "a PSD", b"<svg": "an SVG", b"<?xml": "an XML", b"\0\0\0\x0cJXL ": "a JPEG XL",
    b"\xff\x0a": "a JPEG XL", b"\0\0\0\x0cjP  ": "a JPEG 2000", b"\xff\x4f\xff\x51": "a JPEG 2000", b"PK\x03\x04": "a ZIP",
}  # fmt: skip


@dataclass(frozen=True)
class Picture:
    """One picture of a file: codes (h, w, 3) uint8 or uint16 in RGB order, as the scanner said.

    number: which picture of the file, from 1. sha256: of the whole file. profile: the embedded ICC
    profile or None. notes: what was ignored, in words. jpeg: about which quality 1..100 it was
    packed with, None where it was not packed as JPEG. dpi: what the file claims, None where it claims
    nothing; files lie about it. camera: whether the file says that a camera took it.
    """

    path: Path
    sha256: str
    number: int
    kind: str
    codes: Codes
    profile: bytes | None = None
    notes: tuple[str, ...] = ()
    jpeg: int | None = None
    dpi: float | None = None
    camera: bool = False

    @property
    def bits(self) -> int:
        """Bits per channel, 8 or 16."""
        return 8 * self.codes.dtype.itemsize

    @property
    def name(self) -> str:
        """The file's name without folders, and the picture's number where it is not the first."""
        return self.path.name if self.number == 1 else f"{self.path.name} (picture {self.number})"


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file; raise InputError where it cannot be read."""
    path = Path(path)
    try:
        size = path.stat().st_size if path.is_file() else -1
    except (OSError, ValueError):
        size = -1
    if not 0 <= size <= MOST_FILE_BYTES:
        # The shared reader has the words for a folder, a missing or an oversized file.
        read_bytes(path, MOST_FILE_BYTES)
    if size <= 0:
        raise InputError.of(path, "is empty", READABLE)
    try:
        digest, buffer = hashlib.sha256(), bytearray(HASHED_AT_ONCE)
        # In large pieces, because after each one another thread may have the interpreter for a while.
        with path.open("rb", buffering=0) as stream:
            while count := stream.readinto(buffer):
                digest.update(memoryview(buffer)[:count])
        return digest.hexdigest()
    except OSError as error:
        raise InputError.of(path, f"cannot be read ({error.strerror or error})") from error


def read_pictures(path: Path, digest: str, only: int | None = None) -> Iterator[Picture]:
    """Yield the pictures of a scan file, one at a time, so that only one need be in memory.

    digest: what file_sha256 said of the file. only: the number of the one picture that is wanted, from 1.
    Raises InputError with a sentence for anything that is not a whole RGB picture of 8 or 16 bits.
    """
    path = Path(path)
    try:
        before = path.stat()
        if before.st_mtime >= _STARTED and file_sha256(path) != digest:
            raise InputError.of(
                path, "was changed since it was looked at", "Measure again when it is finished."
            )
        with path.open("rb") as stream:
            kind, decode = _decoder(path, stream.read(1024))
    except OSError as error:
        raise InputError.of(path, f"cannot be read ({error.strerror or error})") from error
    before_first = number = 0 if only is None else only - 1
    try:
        for found in _quietly(decode(path, only)):
            number += 1
            yield _picture(path, digest, number, kind, found)
        after = path.stat()
    except InputError:
        raise
    except MemoryError as error:
        raise InputError.of(path, "needs more memory than this computer has") from error
    except Exception as error:  # The decoders raise whatever they like on damaged files.
        raise damaged(path, _reason(error, path)) from error
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        raise InputError.of(path, "was changed while it was read", "Measure again when it is finished.")
    if number == before_first:
        raise InputError.of(path, "holds no picture", READABLE)


def _reason(error: Exception, path: Path) -> str:
    """Return what a decoder complains of on one line, its class where it says nothing."""
    words = str(error).replace(str(path), path.name)
    return shorten(" ".join(words.split()), 120) or type(error).__name__


def _quietly(pictures: Iterator[Found]) -> Iterator[Found]:
    """Yield what a decoder yields; what libraries warn of is no news to a user, and real faults raise."""
    while True:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = next(pictures, None)
        if found is None:
            return
        yield found


Decoder = Callable[[Path, int | None], Iterator[Found]]


def _decoder(path: Path, head: bytes) -> tuple[str, Decoder]:
    """Return the kind of a file by its first bytes, and its reader, which takes the number of the one picture that is wanted."""
    if head.startswith(tiff.HEADS):
        return "TIFF", tiff.read_tiff
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG", _single(png.read_png)
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG", _single(jpeg.read_jpeg)
    if heif.is_heif(head):
        return "HEIF", _single(heif.read_heif)
    if b"%PDF-" in head:
        return "PDF", pdf.read_pdf
    foreign = _foreign(head)
    known = f"is {foreign} file, " if foreign else "is "
    raise InputError.of(path, f"{known}not a TIFF, PNG, JPEG or PDF file, nor a HEIC photograph", READABLE)


def _single(decode: Callable[[Path], Iterator[Found]]) -> Decoder:
    """Return the reader of a kind of file that holds one picture."""
    return lambda path, only: decode(path)


def _foreign(head: bytes) -> str | None:
    """Return what a file of no kind that is read is, with its article, None where that is not known."""
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "a WebP"
    if head[4:8] == b"ftyp":
        return "an AVIF" if head[8:12] in (b"avif", b"avis") else "a raw or film"
    return next((name for start, name in FOREIGN.items() if head.startswith(start)), None)


def _picture(path: Path, digest: str, number: int, kind: str, found: Found) -> Picture:
    codes, notes = found.codes, list(found.notes)
    if codes.ndim == 2 or codes.shape[2] in (1, 2):
        raise InputError.of(path, "is a greyscale scan", IN_COLOUR)
    if codes.dtype not in (np.uint8, np.uint16) or codes.shape[2] not in (3, 4):
        raise InputError.of(path, f"is not RGB of 8 or 16 bits per channel ({codes.dtype})", READABLE)
    if min(codes.shape[:2]) < LEAST_SIDE:
        raise InputError.of(
            path, f"is only {codes.shape[1]} x {codes.shape[0]} pixels large", "Scan at 300 dpi."
        )
    if codes.shape[2] == 4:
        notes.append("its transparency was ignored")
        codes = codes[..., :3]
    if found.orientation in MIRRORED:
        codes = codes[:, ::-1]
    _refuse_grey(path, codes)
    return Picture(
        path, digest, number, kind, codes, found.profile, tuple(notes), found.jpeg, found.dpi, found.camera
    )


def _refuse_grey(path: Path, codes: NDArray[Any]) -> None:
    """Refuse a greyscale scan that was saved as RGB: the three channels agree to the last code."""
    sample = codes[:: max(1, codes.shape[0] // 400), :: max(1, codes.shape[1] // 400)].astype(np.int32)
    if np.all(np.ptp(sample, axis=2) == 0):
        raise InputError.of(path, "is a greyscale scan, saved as RGB", IN_COLOUR)


def png_bytes(rgb: NDArray[np.uint8]) -> bytes:
    """Return an RGB picture (h, w, 3) uint8 as the bytes of a PNG file."""
    import imagecodecs

    return bytes(imagecodecs.png_encode(np.ascontiguousarray(rgb), level=6))
