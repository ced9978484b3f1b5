"""PDF to codes: the picture that a scanner laid on each page, untouched by any renderer.

References are to ISO 32000-1. Streams are unpacked here and not by the library, because a few kilobytes may unpack to gigabytes:
each filter gets room for what the picture needs and no more.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.scan.formats import filters, jpeg
from calib.scan.formats.exif import resolution
from calib.scan.formats.found import (
    IN_COLOUR,
    READABLE,
    Found,
    check_count,
    check_mode,
    check_size,
    damaged,
    opened,
)

# Forms inside forms; deeper ones are no scanner's.
DEEPEST = 4
# The largest tables of colours in profiles of scanners and printers take a few megabytes (from memory).
MOST_PROFILE = 16_000_000
POINTS = 72.0


@dataclass(frozen=True)
class _Drawn:
    """A picture on a page; matrix: a, b, c, d of its unit square in points (8.3.3), None where it is not known."""

    stream: Any
    matrix: tuple[float, float, float, float] | None = None


def read_pdf(path: Path, only: int | None = None) -> Iterator[Found]:
    """Yield the one picture of each page of a PDF file. only: the number of the one page that is wanted, from 1."""
    with _opened(path) as document:
        check_count(path, len(document.pages))
        for number, page in enumerate(document.pages, 1):
            if only not in (None, number):
                continue
            drawn = _drawn(page)
            if len(drawn) != 1:
                raise InputError.of(
                    path, f"has {len(drawn)} pictures on its page {number}, where a scan has one", READABLE
                )
            yield _picture(path, drawn[0], float(page.obj.get("/UserUnit", 1)))


def count(path: Path) -> int:
    """Return how many pages a PDF file has; raises whatever it likes where the file is damaged."""
    with _opened(path) as document:
        return len(document.pages)


def _opened(path: Path) -> Any:
    import pikepdf

    # Its remarks on a table that it had to mend would reach the user's terminal.
    logging.getLogger("pikepdf").setLevel(logging.CRITICAL)
    try:
        return pikepdf.open(path)
    except pikepdf.PasswordError as error:
        raise InputError.of(path, "is locked by a password", READABLE) from error


def _drawn(page: Any) -> list[_Drawn]:
    """Return the pictures that a page draws; those that it only could draw where none is found drawn.

    Some programs give every page the pictures of all pages, and draw one.
    """
    drawn = list(_walk(page.obj, page, (1.0, 0.0, 0.0, 1.0, 0.0, 0.0), 0))
    unique = {each.stream.objgen: each for each in drawn}
    if unique:
        return list(unique.values())
    # Releases before 10.9 do not look for pictures inside forms and call them by another name.
    found = page.get_images() if hasattr(page, "get_images") else page.images
    return [_Drawn(stream) for stream in found.values()]


def _walk(holder: Any, content: Any, matrix: tuple[float, ...], depth: int) -> Iterator[_Drawn]:
    """Yield what a page or a form draws, forms inside it included."""
    import pikepdf
    from pikepdf.models.ctm import get_objects_with_ctm

    try:
        things = get_objects_with_ctm(content, pikepdf.Matrix(*matrix))
        resources = pikepdf.Page(holder).resources if depth == 0 else holder.get("/Resources", {})
        known: Any = resources.get("/XObject", {})
    except Exception:  # A page whose words cannot be read may still hold its one picture.
        return
    for name, placed in things:
        thing = known.get(name)
        if not isinstance(thing, pikepdf.Stream):
            continue
        if thing.get("/Subtype") == "/Image":
            yield _Drawn(thing, (placed.a, placed.b, placed.c, placed.d))
        elif thing.get("/Subtype") == "/Form" and depth < DEEPEST:
            inner = pikepdf.Matrix(*(float(x) for x in thing.get("/Matrix", (1, 0, 0, 1, 0, 0))))
            yield from _walk(thing, thing, tuple((inner @ placed).shorthand), depth + 1)


def _picture(path: Path, drawn: _Drawn, unit: float) -> Found:
    import pikepdf

    stream = drawn.stream
    picture = pikepdf.PdfImage(stream)
    check_size(path, picture.width, picture.height)
    if picture.image_mask:
        raise InputError.of(path, "is a greyscale scan", IN_COLOUR)
    # Before anything else, because the library would unpack it to find out what colours it is for.
    profile = _profile(path, stream)
    jpx = "/JPXDecode" in picture.filters
    if not jpx and picture.bits_per_component not in (8, 16):
        raise InputError.of(
            path, f"has {picture.bits_per_component} bits per channel in its picture", READABLE
        )
    # The samples alone do not tell CMYK from RGB with transparency, nor Lab from RGB.
    if not jpx or stream.get("/ColorSpace") is not None:
        check_mode(path, picture.mode)
    found = _unpacked(path, picture, stream)
    codes = found.codes
    if _is_inverted(path, stream):
        codes = np.iinfo(codes.dtype).max - codes
    notes = found.notes
    if stream.get("/SMask") is not None or stream.get("/Mask") is not None:
        notes += ("its transparency was ignored",)
    across = down = math.nan
    orientation = 1
    if drawn.matrix:
        a, b, c, d = (value * unit / POINTS for value in drawn.matrix)
        wide, high = math.hypot(a, b), math.hypot(c, d)
        across = codes.shape[1] / wide if wide else math.nan
        down = codes.shape[0] / high if high else math.nan
        # The unit square is drawn upright by a matrix of positive determinant; a negative one shows it in a mirror.
        orientation = 2 if a * d - b * c < 0 else 1
    return Found(
        codes,
        profile or found.profile,
        orientation,
        notes,
        found.jpeg,
        resolution(across, down, 2),
        found.camera,
    )


def _unpacked(path: Path, picture: Any, stream: Any) -> Found:
    """Return the codes of a picture's stream, by the last of its filters (7.4)."""
    deep, channels = picture.bits_per_component // 8, 3
    size = picture.width * picture.height * channels * deep
    data = bytes(stream.read_raw_bytes())
    steps = picture.filter_decodeparms
    codec = steps[-1][0] if steps and steps[-1][0] in ("/DCTDecode", "/JPXDecode") else None
    # A JPEG or JPEG 2000 may be wrapped once more; what is left is the scanner's own file, never larger than its pixels.
    for name, parms in steps[:-1] if codec else steps:
        data = filters.undo(path, name, parms, data, (picture.width, picture.height, channels, deep))
    if codec == "/DCTDecode":
        if not data.startswith(b"\xff\xd8\xff"):
            raise damaged(path, "its picture is no JPEG")
        return jpeg.decode(path, data)
    if codec == "/JPXDecode":
        return _jpeg2000(path, data)
    if len(data) < size:
        raise damaged(path, "not all of its pixels are there")
    codes = np.frombuffer(data, ">u2" if deep == 2 else "u1", picture.width * picture.height * channels)
    shaped = codes.reshape(picture.height, picture.width, channels)
    return Found(shaped.astype(np.uint16) if deep == 2 else shaped)


def _jpeg2000(path: Path, data: bytes) -> Found:
    import imagecodecs

    # Pillow reads the head alone; imagecodecs keeps all bits of the samples.
    with opened(path, data) as image:
        check_size(path, *image.size)
        mode = image.mode
    if mode not in ("RGB", "RGBA"):
        check_mode(path, mode)
    codes = np.asarray(imagecodecs.jpeg2k_decode(data))
    return Found(codes)


def _is_inverted(path: Path, stream: Any) -> bool:
    """Return whether a picture's codes run from light to dark (8.9.5.2); refuse what neither does."""
    decode = stream.get("/Decode")
    if decode is None:
        return False
    ends = [float(value) for value in decode][:6]
    if ends == [0, 1] * 3:
        return False
    if ends == [1, 0] * 3:
        return True
    raise InputError.of(path, "has its codes rescaled on the page", READABLE)


def _profile(path: Path, stream: Any) -> bytes | None:
    """Return the profile of a picture's colour space: embedded, or made of a calibrated one's numbers (8.6.5)."""
    import pikepdf

    space = stream.get("/ColorSpace")
    if isinstance(space, pikepdf.Array) and len(space) == 2 and space[0] == "/ICCBased":
        return _embedded(path, space[1])
    if isinstance(space, pikepdf.Array) and len(space) == 2 and space[0] == "/CalRGB":
        return _calibrated(space[1])
    return None


def _embedded(path: Path, stream: Any) -> bytes:
    data, packed = bytes(stream.read_raw_bytes()), stream.get("/Filter")
    if packed is None or packed == []:
        return data
    if packed == "/FlateDecode" or list(packed) == ["/FlateDecode"]:
        return filters.inflated(path, data, MOST_PROFILE)
    raise InputError.of(path, "has its colour profile packed in an unusual way", READABLE)


def _calibrated(space: Any) -> bytes | None:
    """Return an ICC profile of a CalRGB space (8.6.5.3), None where its numbers make none."""
    import imagecodecs

    white = [float(value) for value in space.get("/WhitePoint", (0.9505, 1, 1.089))]
    gammas = [float(value) for value in space.get("/Gamma", (1, 1, 1))]
    matrix = [float(value) for value in space.get("/Matrix", (1, 0, 0, 0, 1, 0, 0, 0, 1))]
    corners = [matrix[i : i + 3] for i in (0, 3, 6)]
    if min(map(sum, [white, *corners])) <= 0:
        return None
    flat = [value for xyz in corners for value in (xyz[0] / sum(xyz), xyz[1] / sum(xyz), 1.0)]
    ramp = np.linspace(0, 1, 4096)
    curves: NDArray[np.float32] = np.stack([ramp**gamma for gamma in gammas]).astype(np.float32)
    point = [white[0] / sum(white), white[1] / sum(white), 1.0]
    return bytes(imagecodecs.cms_profile("rgb", whitepoint=point, primaries=flat, transferfunction=curves))
