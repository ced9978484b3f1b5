"""File to pixels, profile and size, and pixels to file: the only door to image files.

Four kinds of file are read, told by their first bytes and never by their name: TIFF, PNG, JPEG, and
a PDF whose pages each hold one picture, as many all-in-one scanners save it. Each library was
chosen for what it refuses: a damaged file must be an error and not a picture with a grey half.
Turned pictures need no turning here, because the page is found at any angle; mirrored ones do.
"""

from __future__ import annotations

import hashlib
import io
import logging
import mmap
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.files import read_bytes

Codes = NDArray[np.uint8] | NDArray[np.uint16]
Light = NDArray[np.float32]

# A4 at 1200 dpi has 139 million pixels, A3 twice that; what claims more is a decompression bomb.
MOST_PIXELS = 400_000_000
LEAST_SIDE = 200
HASHED_AT_ONCE = 32_000_000
MOST_FILE_BYTES = 4_000_000_000
READABLE = "Save the scan as TIFF, PNG or JPEG in RGB colour."
# The sum of the 64 steps of the luminance table of ITU-T T.81, annex K.1.
LUMINANCE_STEPS = 3688
# Codes of 0..1 this near to an end of their range are at it.
AT_THE_END = 1e-6
# EXIF and TIFF orientations that mirror the picture (TIFF 6.0, tag 274).
MIRRORED = (2, 4, 5, 7)


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


@dataclass(frozen=True)
class _Found:
    """What a decoder found: codes with the channels last, profile, orientation and words."""

    codes: NDArray[Any]
    profile: bytes | None = None
    orientation: int = 1
    notes: tuple[str, ...] = field(default_factory=tuple)
    jpeg: int | None = None


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


def read_pictures(path: Path, digest: str) -> Iterator[Picture]:
    """Yield the pictures of a scan file, one at a time, so that only one need be in memory.

    digest: what file_sha256 said of the file.
    Raises InputError with a sentence for anything that is not a whole RGB picture of 8 or 16 bits.
    """
    path = Path(path)
    with path.open("rb") as stream:
        head = stream.read(1024)
    kind, decode = _decoder(path, head)
    number = 0
    try:
        for found in decode(path):
            number += 1
            yield _picture(path, digest, number, kind, found)
    except InputError:
        raise
    except MemoryError as error:
        raise InputError.of(path, "needs more memory than this computer has") from error
    except Exception as error:  # The decoders raise whatever they like on damaged files.
        reason = " ".join(str(error).split())[:120] or type(error).__name__
        raise InputError.of(path, f"is damaged or cut short ({reason})", "Scan or copy it again.") from error
    if not number:
        raise InputError.of(path, "holds no picture", READABLE)


def _decoder(path: Path, head: bytes) -> tuple[str, Callable[[Path], Iterator[_Found]]]:
    if head.startswith((b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")):
        return "TIFF", _read_tiff
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG", _read_png
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG", _read_jpeg
    if b"%PDF-" in head:
        return "PDF", _read_pdf
    raise InputError.of(path, "is not a TIFF, PNG, JPEG or PDF file", READABLE)


def _picture(path: Path, digest: str, number: int, kind: str, found: _Found) -> Picture:
    codes, notes = found.codes, list(found.notes)
    if codes.ndim == 2 or codes.shape[2] in (1, 2):
        raise InputError.of(path, "is a greyscale scan", "Scan again in colour (24 or 48 bit).")
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
    return Picture(path, digest, number, kind, codes, found.profile, tuple(notes), found.jpeg)


def _refuse_grey(path: Path, codes: NDArray[Any]) -> None:
    """Refuse a greyscale scan that was saved as RGB: the three channels agree to the last code."""
    sample = codes[:: max(1, codes.shape[0] // 400), :: max(1, codes.shape[1] // 400)].astype(np.int32)
    if np.all(np.ptp(sample, axis=2) == 0):
        raise InputError.of(path, "is a greyscale scan, saved as RGB", "Scan again in colour (24 or 48 bit).")


def _check_size(path: Path, width: int, height: int) -> None:
    if width * height > MOST_PIXELS:
        raise InputError.of(
            path,
            f"claims {width} x {height} pixels, more than a scan of a page has",
            "Scan one page at 300 or 600 dpi.",
        )


def _read_png(path: Path) -> Iterator[_Found]:
    import imagecodecs
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None  # _check_size says it in our words.
    with Image.open(path) as image:
        _check_size(path, *image.size)
        profile = image.info.get("icc_profile")
    with path.open("rb") as stream:
        colour_type = stream.read(26)[25]
        # IHDR's colour types (ISO/IEC 15948, 11.2.1): 0 and 4 are grey, 3 has a palette.
        if colour_type in (0, 4):
            raise InputError.of(path, "is a greyscale scan", "Scan again in colour (24 or 48 bit).")
        if colour_type == 3:
            raise InputError.of(path, "has its colours reduced to a palette", READABLE)
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
            yield _Found(imagecodecs.png_decode(data), profile)


def _read_jpeg(path: Path) -> Iterator[_Found]:
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None
    with Image.open(path) as image:
        _check_size(path, *image.size)
        yield _jpeg(path, image, path.read_bytes())


def _jpeg(path: Path, image: Any, data: bytes) -> _Found:
    """Decode a JPEG; image: what Pillow made of its head, data: all of it.

    Pillow refuses a truncated JPEG where other libraries return it whole.
    """
    _check_size(path, *image.size)
    _check_mode(path, image.mode)
    orientation = int(image.getexif().get(274, 1))
    quality = jpeg_quality(getattr(image, "quantization", {}))
    codes = _finer_jpeg(data)
    if codes is None or codes.shape != (image.height, image.width, 3):
        codes = np.asarray(image)
    return _Found(codes, image.info.get("icc_profile"), orientation, jpeg=quality)


def _finer_jpeg(data: bytes) -> NDArray[Any] | None:
    """Return a JPEG's codes (h, w, 3) with the rounding of the decoder spread evenly, None where that cannot be had.

    JPEG takes the noise out of even areas, and a decoder then rounds all of a swatch alike to whole codes: up to half a code
    in each channel that no averaging takes out again. Repacked as JPEG XL, which loses nothing, it is decoded
    at full precision and dithered before it is rounded. Halves the error at quality 95 (measured, tests/benchmarks/files.py).
    """
    import imagecodecs

    try:
        return np.asarray(
            imagecodecs.jpegxl_decode(imagecodecs.jpegxl_encode_jpeg(data), keeporientation=True)
        )
    except imagecodecs.JpegxlError:
        # Kinds of JPEG that it does not know, and damaged ones, of which the caller's decoder has more to say.
        return None


def jpeg_quality(tables: Mapping[int, Sequence[int]]) -> int | None:
    """Return the quality 1..100 whose luminance table is nearest to a JPEG's, None without a table.

    tables: the quantisation tables (64 steps each) by number, as Pillow has them; the first is for luminance.
    Quality is what most encoders scale the table of ITU-T T.81, annex K.1, by: 200 - 2 q per cent of it from 50
    up, 5000 / q below. The sum of the steps is compared, for which their order does not matter.
    """
    if not tables.get(0):
        return None
    share = 100 * sum(tables[0]) / LUMINANCE_STEPS
    return int(np.clip(round((200 - share) / 2 if share <= 100 else 5000 / share), 1, 100))


def _check_mode(path: Path, mode: str) -> None:
    if mode in ("L", "1", "I;16"):
        raise InputError.of(path, "is a greyscale scan", "Scan again in colour (24 or 48 bit).")
    if mode != "RGB":
        raise InputError.of(path, f"is in {mode}, not in RGB", READABLE)


def _read_tiff(path: Path) -> Iterator[_Found]:
    import tifffile

    # Its warnings about odd tags would reach the user's terminal; real faults raise.
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    with tifffile.TiffFile(path) as tiff:
        for page in tiff.pages:
            # Bit 0 of NewSubfileType marks a thumbnail (TIFF 6.0, tag 254).
            if isinstance(page, tifffile.TiffPage) and not page.subfiletype & 1:
                yield _tiff_page(path, page)


def _tiff_page(path: Path, page: Any) -> _Found:
    _check_size(path, page.imagewidth, page.imagelength)
    photometric = page.photometric.name if hasattr(page.photometric, "name") else str(page.photometric)
    if photometric in ("MINISBLACK", "MINISWHITE"):
        raise InputError.of(path, "is a greyscale scan", "Scan again in colour (24 or 48 bit).")
    jpeg = getattr(page.compression, "name", "") in ("JPEG", "OJPEG")
    if photometric != "RGB" and not (photometric == "YCBCR" and jpeg):
        raise InputError.of(path, f"holds {photometric} colours, not RGB", READABLE)
    if page.bitspersample not in (8, 16):
        raise InputError.of(path, f"has {page.bitspersample} bits per channel; 8 or 16 can be read", READABLE)
    codes = page.asarray()
    if codes.ndim == 3 and page.planarconfig == 2:
        codes = np.moveaxis(codes, 0, 2)
    if codes.ndim != 3:
        raise InputError.of(path, "is not a flat picture", READABLE)
    orientation = page.tags.valueof(274, default=1)
    return _Found(codes[..., :4], page.tags.valueof(34675), int(orientation))


def _read_pdf(path: Path) -> Iterator[_Found]:
    import pikepdf

    try:
        document = pikepdf.open(path)
    except pikepdf.PasswordError as error:
        raise InputError.of(path, "is locked by a password", READABLE) from error
    with document:
        for number, page in enumerate(document.pages, 1):
            # Releases before 10.9 do not look for pictures inside forms and call them by another name.
            found = page.get_images() if hasattr(page, "get_images") else page.images
            images = list(found.values())
            if len(images) != 1:
                raise InputError.of(
                    path,
                    f"has {len(images)} pictures on its page {number}, where a scan has one",
                    READABLE,
                )
            yield _pdf_picture(path, images[0])


def _pdf_picture(path: Path, stream: Any) -> _Found:
    """Return a PDF page's picture with its pixels untouched: no rendering, no resampling."""
    import pikepdf
    from PIL import Image

    picture = pikepdf.PdfImage(stream)
    _check_size(path, picture.width, picture.height)
    icc = picture.icc
    profile = icc.tobytes() if icc is not None else None
    if picture.bits_per_component not in (8, 16):
        raise InputError.of(
            path, f"has {picture.bits_per_component} bits per channel in its picture", READABLE
        )
    # The samples alone do not tell CMYK from RGB with transparency, nor Lab from RGB.
    _check_mode(path, picture.mode)
    if picture.filters and picture.filters[-1] == "/DCTDecode":
        # The JPEG inside may be wrapped once more; what is left is the scanner's own file.
        data = stream.read_raw_bytes()
        if picture.filters[:-1] == ["/FlateDecode"]:
            data = zlib.decompress(data)
        if data.startswith(b"\xff\xd8\xff"):
            with Image.open(io.BytesIO(data)) as image:
                found = _jpeg(path, image, data)
            return _Found(found.codes, profile or found.profile, jpeg=found.jpeg)
    if picture.bits_per_component == 16:
        raw = np.frombuffer(stream.read_bytes(), dtype=">u2")
        return _Found(raw.reshape(picture.height, picture.width, -1).astype(np.uint16), profile)
    with picture.as_pil_image() as image:
        _check_mode(path, image.mode)
        return _Found(np.asarray(image), profile or image.info.get("icc_profile"))


def png_bytes(rgb: NDArray[np.uint8]) -> bytes:
    """Return an RGB picture (h, w, 3) uint8 as the bytes of a PNG file."""
    import imagecodecs

    return bytes(imagecodecs.png_encode(np.ascontiguousarray(rgb), level=6))


def pixels_claimed(path: Path) -> int | None:
    """Return how many pixels a file's head says that its first picture has, None where it does not say."""
    import tifffile
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None
    try:
        with Path(path).open("rb") as stream:
            head = stream.read(4)
        if head[:2] in (b"II", b"MM"):
            logging.getLogger("tifffile").setLevel(logging.CRITICAL)
            with tifffile.TiffFile(path) as tiff:
                page = tiff.pages.first
                return int(page.imagewidth * page.imagelength)
        with Image.open(path) as image:
            return image.width * image.height
    except Exception:  # Whoever decodes the file has the words for what is wrong with it.
        return None
