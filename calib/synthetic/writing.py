"""Simulated scans as files, as scanner programs save them: TIFF, PNG, JPEG and image-only PDF."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.errors import ImpossibleError, OutputError

Pixels = NDArray[np.unsignedinteger[Any]]

PNG_START = b"\x89PNG\r\n\x1a\n"


def encode_scan(
    pixels: Pixels, suffix: str, dpi: float, icc: bytes | None = None, jpeg_quality: int | None = None
) -> bytes:
    """Return the bytes of a file of the kind that suffix names ('.tif', '.png', '.jpg' or '.pdf').

    pixels: (rows, columns, 3) RGB, or (rows, columns) grey; uint8 or uint16, for JPEG uint8 only.
    icc: a profile to embed.
    jpeg_quality: for JPEG (92 if None); a PDF holds a JPEG where it is given, else the very pixels.
    """
    kinds = {".tif": _tiff, ".tiff": _tiff, ".png": _png}
    suffix = suffix.lower()
    pixels = np.ascontiguousarray(pixels)
    if pixels.dtype not in (np.uint8, np.uint16) or pixels.ndim not in (2, 3):
        raise ImpossibleError("A scan is written from uint8 or uint16 pixels, rows by columns by channels")
    if suffix in kinds:
        return kinds[suffix](pixels, dpi, icc)
    if suffix in (".jpg", ".jpeg"):
        return _jpeg(pixels, dpi, icc, 92 if jpeg_quality is None else jpeg_quality)
    if suffix == ".pdf":
        return _pdf(pixels, dpi, icc, jpeg_quality)
    raise ImpossibleError(f"A scan cannot be written as '{suffix}'", "Choose .tif, .png, .jpg or .pdf.")


def write_scan(
    path: Path, pixels: Pixels, dpi: float, icc: bytes | None = None, jpeg_quality: int | None = None
) -> None:
    """Write a scan as the file kind that path's suffix names; see encode_scan."""
    path = Path(path)
    data = encode_scan(pixels, path.suffix, dpi, icc, jpeg_quality)
    try:
        path.write_bytes(data)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from error


def write_scan_pdf(
    path: Path, pixels: Pixels, dpi: float, icc: bytes | None = None, jpeg_quality: int | None = None
) -> None:
    """Write a PDF of one page that is one picture, whatever the path's suffix."""
    try:
        Path(path).write_bytes(_pdf(np.ascontiguousarray(pixels), dpi, icc, jpeg_quality))
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from error


def _tiff(pixels: Pixels, dpi: float, icc: bytes | None) -> bytes:
    import tifffile

    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        pixels,
        photometric="rgb" if pixels.ndim == 3 else "minisblack",
        compression="zlib",
        compressionargs={"level": 1},
        predictor=True,
        resolution=(dpi, dpi),
        resolutionunit="INCH",
        iccprofile=icc,
        software="",
        metadata=None,
    )
    return stream.getvalue()


def _png(pixels: Pixels, dpi: float, icc: bytes | None) -> bytes:
    # OpenCV writes 16 bit colour but neither resolution nor profile, so these chunks are added after
    # the header.
    done, data = cv2.imencode(
        ".png", pixels[..., ::-1] if pixels.ndim == 3 else pixels, [cv2.IMWRITE_PNG_COMPRESSION, 3]
    )
    if not done:
        raise ImpossibleError("The scan could not be packed as PNG")
    raw = data.tobytes()
    header_end = len(PNG_START) + 25
    per_metre = round(dpi / 0.0254)
    extra = _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))
    if icc is not None:
        extra = _chunk(b"iCCP", b"profile\0\0" + zlib.compress(icc)) + extra
    return raw[:header_end] + extra + raw[header_end:]


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _jpeg(pixels: Pixels, dpi: float, icc: bytes | None, quality: int) -> bytes:
    from PIL import Image

    if pixels.dtype != np.uint8:
        raise ImpossibleError(
            "JPEG holds 8 bits a channel", "Simulate the scan with bits=8, or write TIFF or PNG."
        )
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=quality, dpi=(dpi, dpi), icc_profile=icc)
    return stream.getvalue()


def _pdf(pixels: Pixels, dpi: float, icc: bytes | None, jpeg_quality: int | None) -> bytes:
    import pikepdf

    rows, columns = pixels.shape[:2]
    size = (columns / dpi * 72.0, rows / dpi * 72.0)
    pdf = pikepdf.new()
    grey = pixels.ndim == 2
    space: pikepdf.Object = pikepdf.Name.DeviceGray if grey else pikepdf.Name.DeviceRGB
    if icc is not None:
        space = pikepdf.Array([pikepdf.Name.ICCBased, pdf.make_stream(icc, N=1 if grey else 3)])
    if jpeg_quality is not None:
        picture = pikepdf.Stream(pdf, _jpeg(pixels, dpi, None, jpeg_quality), Filter=pikepdf.Name.DCTDecode)
    else:
        # PDF keeps samples of 16 bits with the high byte first.
        data = pixels.astype(pixels.dtype.newbyteorder(">")).tobytes()
        picture = pikepdf.Stream(pdf, zlib.compress(data, 1), Filter=pikepdf.Name.FlateDecode)
    picture.Type, picture.Subtype = pikepdf.Name.XObject, pikepdf.Name.Image
    picture.Width, picture.Height = columns, rows
    picture.BitsPerComponent = 8 if jpeg_quality is not None or pixels.dtype == np.uint8 else 16
    picture.ColorSpace = space
    content = f"q {size[0]:.4f} 0 0 {size[1]:.4f} 0 0 cm /Scan Do Q".encode()
    page = pikepdf.Dictionary(
        Type=pikepdf.Name.Page,
        MediaBox=[0, 0, round(size[0], 4), round(size[1], 4)],
        Resources=pikepdf.Dictionary(XObject=pikepdf.Dictionary(Scan=picture)),
        Contents=pdf.make_stream(content),
    )
    pdf.pages.append(pikepdf.Page(pdf.make_indirect(page)))
    stream = io.BytesIO()
    pdf.save(stream, deterministic_id=True)
    return stream.getvalue()
