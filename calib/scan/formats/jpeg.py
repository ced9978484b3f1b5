"""JPEG to codes: at full precision, and only where every pixel is there.

libjpeg and all that is built on it paint over what is missing and return the picture whole. The packer of JPEG XL
takes a JPEG apart to the last bit and fails where that cannot be done, so what it takes is whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.scan.formats.exif import claims, resolution
from calib.scan.formats.found import READABLE, Found, check_mode, check_size, damaged, opened

# The sum of the 64 steps of the luminance table of ITU-T T.81, annex K.1.
LUMINANCE_STEPS = 3688
# A progressive picture has about ten passes over its pixels; each one more takes its time.
MOST_PASSES = 100
# T.81, table B.1: frames by Huffman code that are sequential or progressive; all kinds of frame; markers without a length.
USUAL, LOSSLESS = (0xC0, 0xC1, 0xC2), (0xC3, 0xC5, 0xC6, 0xC7, 0xCB, 0xCD, 0xCE, 0xCF)
FRAMES = (*USUAL, *LOSSLESS, 0xC9, 0xCA)
BARE = (0x01, *range(0xD0, 0xD9))
SOS, EOI, DQT, APP0, APP14 = 0xDA, 0xD9, 0xDB, 0xE0, 0xEE
_MARKER = re.compile(rb"\xff+([^\x00\xff])")
# What ends a pass: any marker but a stuffed zero, a restart and a fill byte.
_AFTER_PASS = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")


@dataclass
class Parts:
    """A JPEG taken apart at its markers, up to its end (EOI) or where it breaks off.

    frame: the marker of its frame, 0 without one. bits, components: of the frame. sampling: horizontal and vertical
    factor of each component. tables: quantisation steps by number. core: what the pixels need and no more. ends: where in it each
    pass over the pixels ends. whole: whether it ends as it should.
    """

    frame: int = 0
    bits: int = 8
    components: int = 0
    sampling: tuple[tuple[int, int], ...] = ()
    tables: dict[int, tuple[int, ...]] = field(default_factory=dict)
    core: bytes = b""
    whole: bool = False
    ends: list[int] = field(default_factory=list)

    @property
    def usual(self) -> bool:
        """Whether it is of the kind that the packer of JPEG XL knows."""
        return (
            self.frame in USUAL
            and (self.bits, self.components) == (8, 3)
            and self.sampling[0] in ((1, 1), (2, 1), (1, 2), (2, 2), (4, 1))
            and self.sampling[1:] == ((1, 1), (1, 1))
        )


def take_apart(data: bytes) -> Parts:
    """Return the parts of a JPEG (ITU-T T.81, annex B); what lies between segments is passed over as libjpeg does."""
    parts, kept, size = Parts(), [b"\xff\xd8"], 2
    for marker, start, end in _segments(data):
        body = data[start + 4 : end]
        if marker == EOI:
            parts.whole = True
        elif marker in FRAMES and not parts.frame and len(body) >= 6 and len(body) >= 6 + 3 * body[5]:
            parts.frame, parts.bits, parts.components = marker, body[0], body[5]
            parts.sampling = tuple((body[7 + 3 * i] >> 4, body[7 + 3 * i] & 15) for i in range(body[5]))
        elif marker == DQT:
            parts.tables |= _tables(body)
        if marker in (APP0, APP14) or not 0xE0 <= marker <= 0xFE:
            kept.append(data[start:end])
            size += end - start
        if marker == SOS:
            parts.ends.append(size)
    parts.core = b"".join(kept)
    return parts


def _segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Yield marker, start and end of every segment after SOI, a pass with its pixels; ends after EOI or where it breaks off."""
    at = 2
    while found := _MARKER.search(data, at):
        marker, start = found.group(1)[0], found.end() - 2
        if marker in BARE:
            at = found.end()
            continue
        if marker == EOI:
            yield marker, start, start + 2
            return
        end = start + 2 + int.from_bytes(data[start + 2 : start + 4], "big")
        if end > len(data) or end < start + 4:
            return
        if marker == SOS:
            after = _AFTER_PASS.search(data, end)
            end = after.start() if after else len(data)
            # Markers may be preceded by any number of these (T.81, B.1.1.2).
            while data[end - 1] == 0xFF:
                end -= 1
        yield marker, start, end
        at = end


def _tables(body: bytes) -> dict[int, tuple[int, ...]]:
    """Return the quantisation tables of a DQT segment (T.81, B.2.4.1) by number."""
    found, at = {}, 0
    while at < len(body):
        wide, number = body[at] >> 4, body[at] & 15
        steps = np.frombuffer(body[at + 1 : at + 65 + 64 * bool(wide)], ">u2" if wide else "u1")
        if len(steps) == 64:
            found[number] = tuple(int(step) for step in steps)
        at += 65 + 64 * bool(wide)
    return found


def read_jpeg(path: Path) -> Iterator[Found]:
    """Yield the picture of a JPEG file, the first where it holds several (previews, stereo, a map of brightness)."""
    yield decode(path, path.read_bytes())


def decode(path: Path, data: bytes) -> Found:
    """Return the picture of a JPEG's bytes; raise InputError where it is not RGB or not whole."""
    parts = take_apart(data)
    if parts.frame in LOSSLESS or parts.bits != 8:
        what = f"of {parts.bits} bits" if parts.bits != 8 else "without loss"
        raise InputError.of(path, f"is a JPEG {what}, which is not read", READABLE)
    if not parts.frame or not parts.whole:
        raise damaged(path, "its end is missing")
    if len(parts.ends) > MOST_PASSES:
        raise InputError.of(path, f"goes over its pixels {len(parts.ends)} times, as no scan does", READABLE)
    with opened(path, data) as image:
        check_size(path, *image.size)
        check_mode(path, image.mode)
        codes = finer(parts) if parts.usual else None
        if codes is None and parts.usual:
            raise damaged(path, "not all of its pixels are there")
        if codes is None or codes.shape != (image.height, image.width, 3):
            codes = np.asarray(image)
        exif = claims(image.info.get("exif"))
        unit = {1: 2, 2: 3}.get(image.info.get("jfif_unit", 0), 0)
        across, down = image.info.get("jfif_density", (0, 0))
        dpi = resolution(across, down, unit) or exif.dpi
        profile = image.info.get("icc_profile")
    return Found(codes, profile, exif.orientation, (), jpeg_quality(parts.tables), dpi, exif.camera)


def finer(parts: Parts) -> NDArray[Any] | None:
    """Return a JPEG's codes (h, w, 3) with the rounding of the decoder spread evenly, None where that cannot be had.

    JPEG takes the noise out of even areas, and a decoder then rounds all of a swatch alike to whole codes: up to half a code
    in each channel that no averaging takes out again. Repacked as JPEG XL, which loses nothing, it is decoded
    at full precision and dithered before it is rounded. Halves the error at quality 95 (measured, tests/benchmarks/files.py).
    """
    packed = _repacked(parts)
    if packed is None:
        return None
    import imagecodecs

    return np.asarray(imagecodecs.jpegxl_decode(packed, keeporientation=True))


def is_whole(data: bytes) -> bool:
    """Return whether a JPEG of a usual kind has all its pixels; True of the kinds of which that cannot be told."""
    parts = take_apart(data)
    return parts.whole and (not parts.usual or _repacked(parts) is not None)


def _repacked(parts: Parts) -> bytes | None:
    """Return a JPEG as JPEG XL, None where its pixels are too few or too many for that."""
    packed, core = _jpeg_xl(parts.core), parts.core
    if packed is None:
        return None
    for end in reversed(parts.ends):
        # Some encoders fill up with zeros (from memory). A zero after 255 is no filling.
        filled = core[:end].rstrip(b"\0")
        last = len(filled) - 1 if filled[-1] != 0xFF else len(filled) - 2
        # What goes on without the last of its bits has bits that stand for nothing: it lost its way before them.
        # For the others, which are the rule, this is known before anything is packed.
        if _jpeg_xl(filled[:last] + core[end:]) is not None:
            return None
    return packed


def _jpeg_xl(core: bytes) -> bytes | None:
    import imagecodecs

    try:
        return bytes(imagecodecs.jpegxl_encode_jpeg(core))
    except imagecodecs.JpegxlError:
        return None


def jpeg_quality(tables: Mapping[int, Sequence[int]]) -> int | None:
    """Return the quality 1..100 whose luminance table is nearest to a JPEG's, None without a table.

    tables: the quantisation tables (64 steps each) by number; the first is for luminance.
    Quality is what most encoders scale the table of ITU-T T.81, annex K.1, by: 200 - 2 q per cent of it from 50
    up, 5000 / q below. The sum of the steps is compared, for which their order does not matter.
    """
    return quality_of(100 * sum(tables[0]) / LUMINANCE_STEPS) if tables.get(0) else None


def quality_of(percent: float) -> int:
    """Return the quality 1..100 at which the table of annex K.1 is scaled to so many per cent."""
    return int(np.clip(round((200 - percent) / 2 if percent <= 100 else 5000 / percent), 1, 100))
