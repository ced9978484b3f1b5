"""The filters of PDF streams undone (ISO 32000-1, 7.4), none of them beyond the room that is given."""

from __future__ import annotations

import base64
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from calib.errors import InputError
from calib.scan.formats.found import READABLE, damaged

# What a packed picture of noise may be larger than its pixels, and what writers leave behind the last of them.
SPARE = 100_000
# Width, height, channels, bytes a channel.
Shape = tuple[int, int, int, int]


def undo(path: Path, name: str, parms: Any, data: bytes, shape: Shape) -> bytes:
    """Return a stream's data with one filter undone; raise InputError where it is unknown.

    parms: the filter's parameters or None. shape: of the picture, whose pixels limit what comes out. Damaged data raise
    that, or what the decoder likes.
    """
    import imagecodecs

    parms = parms if parms is not None else {}
    predictor = int(parms.get("/Predictor", 1))
    width, height, channels, deep = shape
    row = width * channels * deep
    # A predictor of PNG's puts a byte before every row.
    room = (row + 1) * height + SPARE
    if name == "/FlateDecode":
        out = inflated(path, data, room)
    elif name == "/LZWDecode":
        if int(parms.get("/EarlyChange", 1)) != 1:
            raise InputError.of(path, "is packed in an unusual way (LZW without early change)", READABLE)
        out = bytes(imagecodecs.lzw_decode(data, out=room))
    elif name == "/RunLengthDecode":
        # The same as PackBits but for the byte 128, which ends it (7.4.5) and does nothing there.
        out = bytes(imagecodecs.packbits_decode(data, out=room))
    elif name in ("/ASCII85Decode", "/ASCIIHexDecode"):
        out = _text(path, name, data)
    else:
        raise InputError.of(path, f"is packed by {name.lstrip('/')}, which is not read", READABLE)
    return _unpredicted(path, out, predictor, parms, shape) if predictor > 1 else out


def inflated(path: Path, data: bytes, room: int) -> bytes:
    """Return zlib's data unpacked, whole or as far as it goes; refuse what needs more than the room."""
    import imagecodecs

    try:
        return bytes(imagecodecs.deflate_decode(data, out=room))
    except imagecodecs.DeflateError:
        pass
    # Slower, but it keeps what came before a missing end, and tells a lack of room from damage.
    unpacker = zlib.decompressobj()
    try:
        out = unpacker.decompress(data, room)
        if unpacker.unconsumed_tail and unpacker.decompress(unpacker.unconsumed_tail, 1):
            raise InputError.of(path, "unpacks to far more than its picture needs", READABLE)
    except zlib.error as error:
        raise damaged(path, "its pixels cannot be unpacked") from error
    return out


def _text(path: Path, name: str, data: bytes) -> bytes:
    try:
        if name == "/ASCIIHexDecode":
            return bytes.fromhex(data.partition(b">")[0].decode("ascii"))
        return base64.a85decode(
            b"<~" + data.strip().removeprefix(b"<~").removesuffix(b"~>") + b"~>", adobe=True
        )
    except ValueError as error:
        raise damaged(path, "its pixels cannot be unpacked") from error


def _unpredicted(path: Path, data: bytes, predictor: int, parms: Any, shape: Shape) -> bytes:
    """Return rows that were stored as differences (7.4.4.4) as they were."""
    import imagecodecs

    width, height, channels, deep = shape
    told = tuple(
        int(parms.get(key, usual))
        for key, usual in (("/Columns", 1), ("/Colors", 1), ("/BitsPerComponent", 8))
    )
    if told != (width, channels, 8 * deep):
        raise damaged(path, "its rows are not as long as its picture is wide")
    if predictor == 2:
        rows = np.frombuffer(data, ">u2" if deep == 2 else "u1", width * height * channels)
        return np.add.accumulate(rows.reshape(height, width, channels), axis=1, dtype=rows.dtype).tobytes()
    # The differences are PNG's, and so is the order of the bytes: as a PNG file its own library undoes them.
    head = struct.pack(">IIBBBBB", width, height, 8 * deep, 2, 0, 0, 0)
    chunks = [
        (b"IHDR", head),
        (b"IDAT", zlib.compress(data[: (width * channels * deep + 1) * height], 0)),
        (b"IEND", b""),
    ]
    png = b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )
    codes = np.asarray(imagecodecs.png_decode(png))
    return (codes.astype(">u2") if deep == 2 else codes).tobytes()
