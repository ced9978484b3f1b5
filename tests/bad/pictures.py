"""Files that are given as scans and are none, each with the exit code that it must end with and a word of why.

All are made here: by writers of other people (Pillow, tifffile, imagecodecs, pikepdf, pillow-heif), or byte by byte after TIFF 6.0,
ISO/IEC 15948 (PNG), ITU-T T.81 (JPEG), ISO 32000-1 (PDF), ISO/IEC 14496-12 (HEIF's boxes) and ICC.1:2022.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pikepdf
import pillow_heif
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms

NAME = pikepdf.Name
HEIGHT, WIDTH = 212, 235
FILE, NOT_FOUND = 3, 4


@dataclass(frozen=True)
class Case:
    """A file: its name, its bytes, the exit code and a word of the sentence."""

    file: str
    data: Callable[[], bytes]
    word: str = ""
    code: int = FILE


def smooth() -> NDArray[np.uint8]:
    rows, columns = np.mgrid[:HEIGHT, :WIDTH]
    return np.stack([rows, columns, 255 - rows], axis=2).astype(np.uint8)


def noisy(dtype: type = np.uint8, channels: int = 3) -> NDArray:
    top = np.iinfo(dtype).max
    return np.random.default_rng(0).integers(0, top, (HEIGHT, WIDTH, channels), dtype=dtype, endpoint=True)


def pillow(kind: str, image: Image.Image | None = None, **options: Any) -> bytes:
    stream = io.BytesIO()
    (image or Image.fromarray(smooth())).save(stream, kind, **options)
    return stream.getvalue()


def tiff(codes: NDArray | None = None, **options: Any) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(
        stream, smooth() if codes is None else codes, **{"photometric": "rgb", "metadata": None, **options}
    )
    return stream.getvalue()


def heic(**options: Any) -> bytes:
    stream = io.BytesIO()
    made = pillow_heif.from_bytes("RGB", (WIDTH, HEIGHT), smooth().tobytes())
    made.save(stream, **{"quality": 80, **options})
    return stream.getvalue()


def cut(data: bytes, share: float) -> bytes:
    return data[: int(len(data) * share)]


def swapped(data: bytes, old: bytes, new: bytes, count: int = 1) -> bytes:
    assert old in data
    return data.replace(old, new, count)


# --- PNG ---------------------------------------------------------------------------------------


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width: int = WIDTH, height: int = HEIGHT, bits: int = 8, colour: int = 2, **parts: Any) -> bytes:
    """Return a PNG; parts: packed pixels, chunks before and behind them, bytes of IHDR after the colour."""
    pixels = parts.get("pixels")
    if pixels is None:
        pixels = zlib.compress(b"".join(b"\0" + row.tobytes() for row in smooth()))
    head = struct.pack(">IIBB", width, height, bits, colour) + parts.get("tail", bytes(3))
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + parts.get("before", b"") + chunk(b"IDAT", pixels)
            + parts.get("behind", b"") + chunk(b"IEND", b""))  # fmt: skip


def zeros(size: int) -> bytes:
    """Return so many zeros as zlib packs them, 1000 to 1, without packing them all: one piece, again and again."""
    packer = zlib.compressobj(9)
    first = packer.compress(bytes(1 << 20)) + packer.flush(zlib.Z_FULL_FLUSH)
    piece = packer.compress(bytes(1 << 20)) + packer.flush(zlib.Z_FULL_FLUSH)
    return first + piece * (size >> 20) + packer.flush()


def with_profile(data: bytes, profile: bytes) -> bytes:
    """Return a PNG with a profile put behind its head."""
    return data[:33] + chunk(b"iCCP", b"named\0\0" + zlib.compress(profile)) + data[33:]


def profile(at: int = 0, value: bytes = b"") -> bytes:
    """Return an sRGB profile with some bytes of it changed."""
    made = bytes(imagecodecs.cms_profile("adobergb"))
    return made[:at] + value + made[at + len(value) :]


def animation() -> bytes:
    other = Image.fromarray(smooth()[::-1].copy())
    return pillow("PNG", save_all=True, append_images=[other])


PNGS: dict[str, Case] = {
    **{f"cut at {share}": Case("scan.png", lambda s=share: cut(png(), s)) for share in (0.002, 0.01, 0.03, 0.2, 0.5, 0.9, 0.97)},
    **{f"palette of {bits} bits": Case("scan.png", lambda b=bits: pillow("PNG", Image.fromarray(smooth()).quantize(2**b), bits=b), "palette")
       for bits in (1, 2, 4, 8)},
    "grey": Case("scan.png", lambda: pillow("PNG", Image.fromarray(smooth()[..., 0])), "greyscale"),
    "grey of 16 bits": Case("scan.png", lambda: bytes(imagecodecs.png_encode(noisy(np.uint16)[..., 0].copy())), "greyscale"),
    "grey with transparency": Case("scan.png", lambda: pillow("PNG", Image.fromarray(smooth()).convert("LA")), "greyscale"),
    "animated": Case("scan.png", animation, "moving"),
    "60000 x 60000": Case("scan.png", lambda: png(60_000, 60_000, pixels=zeros(1 << 24)), "60000 x 60000"),
    "19000 x 19000 of zeros": Case("scan.png", lambda: png(19_000, 19_000, pixels=zeros(1 << 30)), "too little"),
    "more pixels than it says": Case("scan.png", lambda: png(pixels=zeros(1 << 30)), ""),
    "no width": Case("scan.png", lambda: png(0)),
    "negative height": Case("scan.png", lambda: png(height=2**31 + 5)),
    "seven as colour": Case("scan.png", lambda: png(colour=7)),
    "three bits": Case("scan.png", lambda: png(bits=3)),
    "unknown packing": Case("scan.png", lambda: png(tail=b"\7\0\0")),
    "unknown interlacing": Case("scan.png", lambda: png(tail=b"\0\0\7")),
    "pixels of nonsense": Case("scan.png", lambda: png(pixels=b"nonsense" * 100)),
    "too few pixels": Case("scan.png", lambda: png(pixels=zlib.compress(bytes(1000))), "damaged"),
    "wrong check sum": Case("scan.png", lambda: swapped(png(), png()[-16:-12], b"abcd"), "damaged"),
    "no pixels": Case("scan.png", lambda: png()[:33] + chunk(b"IEND", b""), "damaged"),
    "text bomb": Case("scan.png", lambda: png(before=chunk(b"zTXt", b"Comment\0\0" + zeros(1 << 28)))),
    "profile bomb": Case("scan.png", lambda: png(before=chunk(b"iCCP", b"sRGB\0\0" + zeros(1 << 28)))),
    "a chunk of two gigabytes": Case("scan.png", lambda: png(before=b"\x7f\xff\xff\xffzTXt")),
}  # fmt: skip


def lab_profile() -> bytes:
    return bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes())


# Profiles of no use to an RGB scan, and a word of why.
PROFILES: dict[str, tuple[Callable[[], bytes], str]] = {
    "nothing": (lambda: bytes(300), "damaged"),
    "cut": (lambda: profile()[:200], ""),
    "64 bytes": (lambda: profile()[:64], "64 bytes"),
    "for CMYK": (lambda: profile(16, b"CMYK"), "CMYK"),
    "for grey": (lambda: profile(16, b"GRAY"), "GRAY"),
    "for Lab": (lab_profile, "Lab"),
    "a link": (lambda: profile(12, b"link"), "link"),
    "abstract": (lambda: profile(12, b"abst"), "abst"),
    "letters": (lambda: b"<script>alert(1)</script>" * 20, "damaged"),
    "without tags": (lambda: profile(128, bytes(4))[:132], ""),
    "a billion tags": (lambda: profile(128, b"\x3f\xff\xff\xff"), ""),
    "falling": (lambda: upside_down(), "greys"),
    "large": (lambda: profile() + bytes(17_000_000), ""),
}


CORNERS = [0.64, 0.33, 1.0, 0.30, 0.60, 1.0, 0.15, 0.06, 1.0]


def upside_down() -> bytes:
    """Return a profile in which more code is less light."""
    falling = np.linspace(1, 0, 256, dtype=np.float32)
    return bytes(
        imagecodecs.cms_profile(
            "rgb", whitepoint=[0.3127, 0.329, 1.0], primaries=CORNERS, transferfunction=falling
        )
    )


# --- JPEG --------------------------------------------------------------------------------------


def jpeg(**options: Any) -> bytes:
    return pillow("JPEG", Image.fromarray(noisy() // 4 + smooth() // 2), **{"quality": 90, **options})


def ycck() -> bytes:
    return bytes(imagecodecs.jpeg8_encode(noisy(channels=4), colorspace="CMYK", outcolorspace="YCCK"))


def at_half(change: Callable[[bytes, int], bytes], **options: Any) -> Callable[[], bytes]:
    return lambda: change(jpeg(**options), len(jpeg(**options)) // 2)


def frame_of(height: int, width: int) -> bytes:
    """Return a JPEG whose frame claims another size."""
    data = jpeg()
    at = data.index(b"\xff\xc0") + 5
    return data[:at] + struct.pack(">HH", height, width) + data[at + 4 :]


def many_passes() -> bytes:
    data = jpeg(progressive=True)
    last = data.rindex(b"\xff\xda")
    return data[:last] + data[last:-2] * 400 + data[-2:]


JPEGS: dict[str, Case] = {
    **{f"cut at {share}": Case("scan.jpg", lambda s=share: cut(jpeg(), s), "damaged") for share in (0.01, 0.02, 0.1, 0.5, 0.9, 0.99)},
    **{f"progressive cut at {share}": Case("scan.jpg", lambda s=share: cut(jpeg(progressive=True), s), "damaged") for share in (0.1, 0.5, 0.9)},
    **{f"cut at {share}, with an end": Case("scan.jpg", lambda s=share: cut(jpeg(), s) + b"\xff\xd9", "damaged") for share in (0.1, 0.5, 0.9, 0.98)},
    "progressive, cut, with an end": Case("scan.jpg", lambda: cut(jpeg(progressive=True), 0.4) + b"\xff\xd9", "damaged"),
    "a piece taken out": Case("scan.jpg", at_half(lambda d, h: d[:h] + d[h + 900 :]), "damaged"),
    "a piece of zeros": Case("scan.jpg", at_half(lambda d, h: d[:h] + bytes(4000) + d[h + 4000 :]), "damaged"),
    "rows taken out": Case("scan.jpg", at_half(
        lambda d, h: d[: d.index(b"\xff\xd2")] + d[d.index(b"\xff\xd4") :], restart_marker_rows=1), "damaged"),
    "no end": Case("scan.jpg", lambda: jpeg()[:-2], "damaged"),
    "head only": Case("scan.jpg", lambda: b"\xff\xd8\xff\xe0", "damaged"),
    "start and end": Case("scan.jpg", lambda: b"\xff\xd8\xff\xd9", "damaged"),
    "grey": Case("scan.jpg", lambda: pillow("JPEG", Image.fromarray(smooth()).convert("L")), "greyscale"),
    "CMYK": Case("scan.jpg", lambda: pillow("JPEG", Image.fromarray(smooth()).convert("CMYK")), "CMYK"),
    "YCCK": Case("scan.jpg", ycck, "CMYK"),
    "12 bits": Case("scan.jpg", lambda: bytes(imagecodecs.jpeg8_encode(noisy(np.uint16) >> 4, bitspersample=12)), "12 bits"),
    "without loss": Case("scan.jpg", lambda: bytes(imagecodecs.jpeg8_encode(noisy(), lossless=True)), "without loss"),
    "65500 x 65500": Case("scan.jpg", lambda: frame_of(65_500, 65_500), "65500"),
    "larger than its pixels": Case("scan.jpg", lambda: frame_of(2000, 2000), "damaged"),
    "smaller than its pixels": Case("scan.jpg", lambda: frame_of(205, 210), "damaged"),
    "no height": Case("scan.jpg", lambda: frame_of(0, WIDTH)),
    "four hundred passes": Case("scan.jpg", many_passes, "goes over"),
    "half a picture": Case("scan.jpg", lambda: pillow("JPEG", Image.fromarray(smooth()[:100])), "100 pixels"),
}  # fmt: skip


# --- TIFF --------------------------------------------------------------------------------------


def entries(**changes: Any) -> dict[int, tuple[int, int, int]]:
    """Return the tags of a plain TIFF: type, count and value by number; pixels from byte 8."""
    size = WIDTH * HEIGHT * 3
    tags = {256: (4, 1, WIDTH), 257: (4, 1, HEIGHT), 258: (3, 1, 8), 259: (3, 1, 1), 262: (3, 1, 2), 273: (4, 1, 8),
            277: (3, 1, 3), 278: (4, 1, HEIGHT), 279: (4, 1, size)}  # fmt: skip
    tags |= {int(key.removeprefix("t")): value for key, value in changes.items() if value is not None}
    return {key: value for key, value in tags.items() if changes.get(f"t{key}", value) is not None}


def raw_tiff(pixels: bytes | None = None, following: int = 0, **changes: Any) -> bytes:
    """Return a TIFF written byte by byte; changes: t256=(type, count, value), None leaves a tag out."""
    pixels = smooth().tobytes() if pixels is None else pixels
    pixels += bytes(len(pixels) % 2)
    tags = entries(**changes)
    body = struct.pack("<H", len(tags)) + b"".join(
        struct.pack("<HHII", key, *tags[key]) for key in sorted(tags)
    )
    return b"II*\0" + struct.pack("<I", 8 + len(pixels)) + pixels + body + struct.pack("<I", following)


def packed_tiff(packed: bytes, way: int, **changes: Any) -> bytes:
    return raw_tiff(packed, t259=(3, 1, way), t279=(4, 1, len(packed)), **changes)


def circle() -> bytes:
    data = raw_tiff()
    return data[:-4] + data[4:8]


def chain(count: int) -> bytes:
    """Return a TIFF of very many folders of one picture, each in 2 + 12 * 9 + 4 bytes."""
    data = raw_tiff()
    start = struct.unpack("<I", data[4:8])[0]
    folder = data[start:-4]
    size = len(folder) + 4
    return data[:start] + b"".join(
        folder + struct.pack("<I", start + size * (i + 1) if i + 1 < count else 0) for i in range(count)
    )


def two_pages(second: bytes) -> bytes:
    """Return a TIFF whose second folder is that of another, pixels and all."""
    first, at = raw_tiff(), len(raw_tiff())
    return first[:-4] + struct.pack("<I", at) + second


def palette_tiff() -> bytes:
    return pillow("TIFF", Image.fromarray(smooth()).quantize(16))


def missing_tile() -> bytes:
    """A sparse file, as mapping programs write: a tile of no bytes."""
    data = bytearray(tiff(noisy(), tile=(64, 64), compression="zlib"))
    with tifffile.TiffFile(io.BytesIO(bytes(data))) as file:
        tag = file.pages[0].tags[325]
        data[tag.valueoffset + 4 : tag.valueoffset + 8] = bytes(4)
    return bytes(data)


TIFFS: dict[str, Case] = {
    **{f"cut at {share}": Case("scan.tif", lambda s=share: cut(tiff(noisy(), compression="zlib"), s)) for share in (0.0001, 0.001, 0.01, 0.5, 0.99)},
    **{f"big, cut at {share}": Case("scan.tif", lambda s=share: cut(tiff(bigtiff=True), s)) for share in (0.001, 0.5, 0.99)},
    **{f"{way} cut": Case("scan.tif", lambda w=way: cut(tiff(compression=w), 0.7)) for way in ("lzw", "packbits", "jpeg", "zstd", "lzma", "webp", "jpegxl")},
    **{f"colours of kind {number}": Case("scan.tif", lambda n=number: raw_tiff(t262=(3, 1, n)), "")
       for number in (0, 1, 4, 6, 8, 9, 10, 32803, 32844, 32845, 34892, 999)},
    "CMYK": Case("scan.tif", lambda: tiff(noisy(channels=4), photometric="separated"), "SEPARATED"),
    "palette": Case("scan.tif", palette_tiff, "PALETTE"),
    "one bit": Case("scan.tif", lambda: pillow("TIFF", Image.fromarray(smooth()).convert("1")), "greyscale"),
    "12 bits": Case("scan.tif", lambda: tiff(noisy(np.uint16) >> 4, bitspersample=12), "12 bits"),
    "32 bits": Case("scan.tif", lambda: tiff(noisy(np.uint32)), "32 bits"),
    "float": Case("scan.tif", lambda: tiff(smooth().astype(np.float32) / 255), "32 bits"),
    "half float": Case("scan.tif", lambda: tiff(smooth().astype(np.float16) / 255), "float16"),
    "signed": Case("scan.tif", lambda: tiff(smooth().astype(np.int16)), "int16"),
    "complex": Case("scan.tif", lambda: tiff(smooth().astype(np.complex64)), "64 bits"),
    "a stack": Case("scan.tif", lambda: tiff(np.stack([noisy()] * 16), volumetric=True, tile=(16, 16, 16)), "flat"),
    "only a preview": Case("scan.tif", lambda: tiff(subfiletype=1), "no picture"),
    "small": Case("scan.tif", lambda: tiff(smooth()[:40, :40]), "40 x 40"),
    "a circle": Case("scan.tif", circle, "", NOT_FOUND),
    "ten thousand folders": Case("scan.tif", lambda: chain(10_000), "pictures"),
    "no width": Case("scan.tif", lambda: raw_tiff(t256=None)),
    "width of zero": Case("scan.tif", lambda: raw_tiff(t256=(4, 1, 0))),
    "60000 x 60000": Case("scan.tif", lambda: raw_tiff(t256=(4, 1, 60_000), t257=(4, 1, 60_000)), "60000 x 60000"),
    "19000 x 19000 of zeros": Case("scan.tif", lambda: packed_tiff(
        zeros(1 << 30), 8, t256=(4, 1, 19_000), t257=(4, 1, 19_000), t278=(4, 1, 19_000)), "too little"),
    "a strip of a gigabyte": Case("scan.tif", lambda: packed_tiff(zeros(1 << 30), 8)),
    "no strips": Case("scan.tif", lambda: raw_tiff(t273=None, t279=None)),
    "strip beyond the end": Case("scan.tif", lambda: raw_tiff(t273=(4, 1, 4_000_000_000)), "damaged"),
    "strip longer than the file": Case("scan.tif", lambda: raw_tiff(t279=(4, 1, 4_000_000_000)), "damaged"),
    "a strip of nothing": Case("scan.tif", lambda: raw_tiff(t279=(4, 1, 0)), "damaged"),
    "a billion strips": Case("scan.tif", lambda: raw_tiff(t273=(4, 1_000_000_000, 8), t279=(4, 1_000_000_000, 8))),
    "strips of one row told of one": Case("scan.tif", lambda: raw_tiff(t278=(4, 1, 1)), "damaged"),
    "a tile missing": Case("scan.tif", missing_tile, "damaged"),
    "too few bytes in its strip": Case("scan.tif", lambda: packed_tiff(zlib.compress(bytes(1000)), 8), "damaged"),
    "nonsense packed": Case("scan.tif", lambda: packed_tiff(b"nonsense" * 500, 8), "damaged"),
    "nonsense as LZW": Case("scan.tif", lambda: packed_tiff(b"nonsense" * 500, 5)),
    "packed in an unknown way": Case("scan.tif", lambda: packed_tiff(bytes(99), 9999), "packed"),
    "packed as fax": Case("scan.tif", lambda: packed_tiff(bytes(99), 4)),
    "packed as JPEG XR": Case("scan.tif", lambda: tiff(compression="jpegxr"), "packed"),
    "a thousand channels": Case("scan.tif", lambda: raw_tiff(t277=(3, 1, 1000))),
    "two channels": Case("scan.tif", lambda: raw_tiff(t277=(3, 1, 2))),
    "tags of nonsense": Case("scan.tif", lambda: raw_tiff()[:8] + bytes(200)),
    "folder beyond the end": Case("scan.tif", lambda: b"II*\0\xff\xff\xff\x7f" + bytes(100)),
    "second page in CMYK": Case("scan.tif", lambda: two_pages(cmyk_folder()), "", NOT_FOUND),
    "maps and oddities beside": Case("scan.tif", lambda: tiff(extratags=[
        (33922, 12, 6, (1e300,) * 6, True), (34735, 3, 4, (1, 1, 0, 60_000), True), (270, 2, 0, "<script>=cmd()", True), (274, 3, 1, 99, True)]), "", NOT_FOUND),
    "turned": Case("scan.tif", lambda: tiff(extratags=[(274, 3, 1, 6, True)]), "", NOT_FOUND),
}  # fmt: skip


def cmyk_folder() -> bytes:
    tags = entries(t262=(3, 1, 5), t277=(3, 1, 4), t279=(4, 1, WIDTH * HEIGHT * 4))
    return (
        struct.pack("<H", len(tags))
        + b"".join(struct.pack("<HHII", key, *tags[key]) for key in sorted(tags))
        + bytes(4)
    )


# --- PDF ---------------------------------------------------------------------------------------


def pdf(
    data: bytes | None = None, count: int = 1, save: dict[str, Any] | None = None, **changes: Any
) -> bytes:
    """Return a PDF of pages that all draw one picture; an entry of None is left out of the picture."""
    given = {
        "Type": NAME.XObject, "Subtype": NAME.Image, "Width": WIDTH, "Height": HEIGHT, "BitsPerComponent": 8,
        "ColorSpace": NAME.DeviceRGB, "Filter": NAME.FlateDecode, **changes,
    }  # fmt: skip
    with pikepdf.new() as document:
        image = pikepdf.Stream(
            document,
            zlib.compress(smooth().tobytes()) if data is None else data,
            **{k: v for k, v in given.items() if v is not None},
        )
        image = document.make_indirect(image)
        words = document.make_stream(b"q 100 0 0 100 0 0 cm /Scan Do Q")
        for _ in range(count):
            page = pikepdf.Dictionary(Type=NAME.Page, MediaBox=[0, 0, 100, 100], Contents=words,
                                      Resources=pikepdf.Dictionary(XObject=pikepdf.Dictionary(Scan=image)))  # fmt: skip
            document.pages.append(pikepdf.Page(document.make_indirect(page)))
        stream = io.BytesIO()
        # Otherwise the writer would pack everything anew in its own way.
        as_it_is = {"stream_decode_level": pikepdf.StreamDecodeLevel.none, "compress_streams": False}
        document.save(stream, **(save or as_it_is))
        return stream.getvalue()


def inline_pdf() -> bytes:
    words = b"q 99 0 0 99 0 0 cm BI /W 2 /H 2 /CS /RGB /BPC 8 ID " + bytes(range(12)) + b" EI Q"
    with pikepdf.new() as document:
        document.add_blank_page(page_size=(100, 100))
        document.pages[0].Contents = document.make_stream(words)
        stream = io.BytesIO()
        document.save(stream)
        return stream.getvalue()


def two_on_a_page() -> bytes:
    with pikepdf.open(io.BytesIO(pdf(count=2))) as document:
        second = pikepdf.Stream(document, zlib.compress(noisy().tobytes()), Type=NAME.XObject, Subtype=NAME.Image, Width=WIDTH,
                                Height=HEIGHT, BitsPerComponent=8, ColorSpace=NAME.DeviceRGB, Filter=NAME.FlateDecode)  # fmt: skip
        document.pages[1].Resources.XObject = pikepdf.Dictionary(
            A=document.pages[0].Resources.XObject.Scan, B=second
        )
        document.pages[1].Contents = document.make_stream(b"/A Do /B Do")
        stream = io.BytesIO()
        document.save(stream)
        return stream.getvalue()


def with_script() -> bytes:
    with pikepdf.open(io.BytesIO(pdf())) as document:
        document.Root.OpenAction = pikepdf.Dictionary(S=NAME.JavaScript, JS="app.alert('hello')")
        stream = io.BytesIO()
        document.save(stream)
        return stream.getvalue()


def space(*parts: Any) -> pikepdf.Array:
    return pikepdf.Array(list(parts))


def dct(image: Image.Image | None = None) -> bytes:
    return pillow("JPEG", image or Image.fromarray(smooth()), quality=90)


def icc_pdf(data: bytes, **changes: Any) -> bytes:
    made = pdf()
    with pikepdf.open(io.BytesIO(made)) as document:
        stream = pikepdf.Stream(document, data, N=3, **changes)
        document.pages[0].Resources.XObject.Scan.ColorSpace = pikepdf.Array(
            [NAME.ICCBased, document.make_indirect(stream)]
        )
        out = io.BytesIO()
        document.save(out)
        return out.getvalue()


PARMS = {"Predictor": 15, "Colors": 3, "Columns": 7, "BitsPerComponent": 8}
PDFS: dict[str, Case] = {
    **{f"cut at {share}": Case("scan.pdf", lambda s=share: cut(pdf(), s)) for share in (0.001, 0.05, 0.3, 0.6, 0.8)},
    "locked": Case("scan.pdf", lambda: pdf(save={"encryption": pikepdf.Encryption(owner="o", user="u")}), "password"),
    "locked for changes only": Case("scan.pdf", lambda: pdf(save={"encryption": pikepdf.Encryption(owner="o", user="")}), "", NOT_FOUND),
    "two pictures on its second page": Case("scan.pdf", two_on_a_page, "", NOT_FOUND),
    "a picture in its words": Case("scan.pdf", inline_pdf, "0 pictures"),
    "no pages": Case("scan.pdf", lambda: pdf(count=0), "no picture"),
    "a thousand pages": Case("scan.pdf", lambda: pdf(count=1000), "1000 pictures"),
    "a stencil": Case("scan.pdf", lambda: pdf(ImageMask=True, BitsPerComponent=1, ColorSpace=None), "greyscale"),
    "palette": Case("scan.pdf", lambda: pdf(ColorSpace=space(NAME.Indexed, NAME.DeviceRGB, 255, pikepdf.String(bytes(768)))), "palette"),
    "grey": Case("scan.pdf", lambda: pdf(ColorSpace=NAME.DeviceGray), "greyscale"),
    "CMYK": Case("scan.pdf", lambda: pdf(ColorSpace=NAME.DeviceCMYK), "CMYK"),
    "CMYK JPEG": Case("scan.pdf", lambda: pdf(dct(Image.fromarray(smooth()).convert("CMYK")), Filter=NAME.DCTDecode, ColorSpace=NAME.DeviceCMYK), "CMYK"),
    "CMYK JPEG called RGB": Case("scan.pdf", lambda: pdf(dct(Image.fromarray(smooth()).convert("CMYK")), Filter=NAME.DCTDecode), "CMYK"),
    "Lab": Case("scan.pdf", lambda: pdf(ColorSpace=space(NAME.Lab, pikepdf.Dictionary(WhitePoint=[0.9642, 1, 0.8249]))), "RGB"),
    "spot colour": Case("scan.pdf", lambda: pdf(ColorSpace=space(NAME.Separation, NAME.Gold, NAME.DeviceRGB, pikepdf.Dictionary())), ""),
    "three spot colours": Case("scan.pdf", lambda: pdf(ColorSpace=space(
        NAME.DeviceN, space(NAME.Gold, NAME.Silver, NAME.Copper), NAME.DeviceRGB, pikepdf.Dictionary())), ""),
    "pattern": Case("scan.pdf", lambda: pdf(ColorSpace=NAME.Pattern), ""),
    "no colour space": Case("scan.pdf", lambda: pdf(ColorSpace=None), ""),
    "one bit": Case("scan.pdf", lambda: pdf(BitsPerComponent=1), "1 bits"),
    "four bits": Case("scan.pdf", lambda: pdf(BitsPerComponent=4), "4 bits"),
    "fax": Case("scan.pdf", lambda: pdf(bytes(99), Filter=NAME.CCITTFaxDecode, BitsPerComponent=1, ColorSpace=NAME.DeviceGray), ""),
    "JBIG2": Case("scan.pdf", lambda: pdf(bytes(99), Filter=NAME.JBIG2Decode, BitsPerComponent=1, ColorSpace=NAME.DeviceGray), ""),
    "JBIG2 called RGB": Case("scan.pdf", lambda: pdf(bytes(99), Filter=NAME.JBIG2Decode), "JBIG2"),
    "unknown filter": Case("scan.pdf", lambda: pdf(bytes(99), Filter=NAME.NoneSuch), "NoneSuch"),
    "grey JPEG 2000": Case("scan.pdf", lambda: pdf(bytes(imagecodecs.jpeg2k_encode(smooth()[..., 0], level=0)), Filter=NAME.JPXDecode, ColorSpace=None), "greyscale"),
    "JPEG 2000 cut": Case("scan.pdf", lambda: pdf(cut(bytes(imagecodecs.jpeg2k_encode(noisy(), level=0)), 0.6), Filter=NAME.JPXDecode), "damaged"),
    "JPEG cut": Case("scan.pdf", lambda: pdf(cut(dct(), 0.6), Filter=NAME.DCTDecode), "damaged"),
    "JPEG cut, with an end": Case("scan.pdf", lambda: pdf(cut(dct(), 0.6) + b"\xff\xd9", Filter=NAME.DCTDecode), "damaged"),
    "no JPEG": Case("scan.pdf", lambda: pdf(b"nonsense" * 99, Filter=NAME.DCTDecode), "no JPEG"),
    "too few pixels": Case("scan.pdf", lambda: pdf(zlib.compress(bytes(1000))), "damaged"),
    "pixels of nonsense": Case("scan.pdf", lambda: pdf(b"nonsense" * 500), "damaged"),
    "60000 x 60000": Case("scan.pdf", lambda: pdf(zeros(1 << 24), Width=60_000, Height=60_000), "60000 x 60000"),
    "19000 x 19000 of zeros": Case("scan.pdf", lambda: pdf(zeros(1 << 30), Width=19_000, Height=19_000), "too little"),
    "a stream of a gigabyte": Case("scan.pdf", lambda: pdf(zeros(1 << 30)), "far more"),
    "a bomb in a bomb": Case("scan.pdf", lambda: pdf(zlib.compress(zeros(1 << 26)), Filter=space(NAME.FlateDecode, NAME.FlateDecode)), "far more"),
    "an LZW bomb": Case("scan.pdf", lambda: pdf(bytes(imagecodecs.lzw_encode(bytes(1 << 24))), Filter=NAME.LZWDecode), "greyscale"),
    "no width": Case("scan.pdf", lambda: pdf(Width=None)),
    "negative width": Case("scan.pdf", lambda: pdf(Width=-WIDTH)),
    "codes rescaled": Case("scan.pdf", lambda: pdf(Decode=[0, 0.5, 0, 0.5, 0, 0.5]), "rescaled"),
    "codes of nonsense": Case("scan.pdf", lambda: pdf(Decode=[0, 1]), "rescaled"),
    "rows of another length": Case("scan.pdf", lambda: pdf(DecodeParms=pikepdf.Dictionary(**PARMS)), "rows"),
    "LZW of the other kind": Case("scan.pdf", lambda: pdf(bytes(99), Filter=NAME.LZWDecode, DecodeParms=pikepdf.Dictionary(EarlyChange=0)), "LZW"),
    "profile bomb": Case("scan.pdf", lambda: icc_pdf(zeros(1 << 28), Filter=NAME.FlateDecode), "far more"),
    "profile of nonsense": Case("scan.pdf", lambda: icc_pdf(b"nonsense" * 99), "profile"),
    "a script": Case("scan.pdf", with_script, "", NOT_FOUND),
    "a mask": Case("scan.pdf", lambda: pdf(Mask=[0, 0, 0, 0, 0, 0]), "", NOT_FOUND),
    "a broken table": Case("scan.pdf", lambda: swapped(pdf(), b"startxref", b"startxxxx"), "", NOT_FOUND),
}  # fmt: skip


# --- HEIC --------------------------------------------------------------------------------------


def claimed(width: int, height: int) -> bytes:
    """Return a HEIC whose size is claimed to be another (ispe, ISO/IEC 23008-12, 6.5.3)."""
    data = heic()
    at = data.index(b"ispe") + 8
    return data[:at] + struct.pack(">II", width, height) + data[at + 8 :]


def grey_heic() -> bytes:
    stream = io.BytesIO()
    pillow_heif.from_bytes("L", (WIDTH, HEIGHT), smooth()[..., 0].tobytes()).save(stream, quality=90)
    return stream.getvalue()


HEICS: dict[str, Case] = {
    **{f"cut at {share}": Case("photo.heic", lambda s=share: cut(heic(), s), "damaged") for share in (0.01, 0.05, 0.2, 0.5, 0.9, 0.99)},
    "grey": Case("photo.heic", grey_heic, "greyscale"),
    "60000 x 60000": Case("photo.heic", lambda: claimed(60_000, 60_000), ""),
    "30000 x 10000": Case("photo.heic", lambda: claimed(30_000, 10_000), ""),
    "of no size": Case("photo.heic", lambda: claimed(0, 0)),
    "PQ": Case("photo.heic", lambda: heic(color_primaries=9, transfer_characteristics=16), "high dynamic range"),
    "HLG": Case("photo.heic", lambda: heic(color_primaries=9, transfer_characteristics=18), "high dynamic range"),
    "head only": Case("photo.heic", lambda: heic()[:32], "damaged"),
    "boxes of nonsense": Case("photo.heic", lambda: heic()[:24] + b"nonsense" * 99, "damaged"),
    "pixels in a box called free": Case("photo.heic", lambda: swapped(heic(), b"mdat", b"free"), "", NOT_FOUND),
    "a box of itself": Case("photo.heic", lambda: heic()[:24] + struct.pack(">I4sI", 8, b"meta", 0) * 40, "damaged"),
}  # fmt: skip

# --- what is nothing of the sort ------------------------------------------------------------------

FOREIGN: dict[str, Case] = {
    "nothing": Case("scan.tif", lambda: b"", "empty"),
    "one byte": Case("scan.tif", lambda: b"I", "not a TIFF"),
    "zeros": Case("scan.jpg", lambda: bytes(10_000), "not a TIFF"),
    "text": Case("scan.png", lambda: b"marker,name\n017,Dusk\n", "not a TIFF"),
    "HTML": Case("scan.pdf", lambda: b"<!doctype html><p>not found", "not a TIFF"),
    "GIF": Case("scan.gif", lambda: pillow("GIF"), "a GIF file"),
    "BMP": Case("scan.bmp", lambda: pillow("BMP"), "a BMP file"),
    "WebP": Case("scan.webp", lambda: pillow("WEBP"), "a WebP file"),
    "AVIF": Case("scan.avif", lambda: bytes(imagecodecs.avif_encode(smooth())), "an AVIF file"),
    "JPEG XL": Case("scan.jxl", lambda: bytes(imagecodecs.jpegxl_encode(smooth())), "a JPEG XL file"),
    "JPEG 2000": Case("scan.jp2", lambda: bytes(imagecodecs.jpeg2k_encode(smooth())), "a JPEG 2000 file"),
    "PSD": Case("scan.psd", lambda: b"8BPS\0\1" + bytes(500), "a PSD file"),
    "SVG": Case("scan.svg", lambda: b"<svg xmlns='http://www.w3.org/2000/svg'/>", "an SVG file"),
    "ZIP": Case("scan.zip", lambda: b"PK\3\4" + bytes(99), "a ZIP file"),
    "film": Case("scan.mp4", lambda: b"\0\0\0\x18ftypmp42" + bytes(99), "raw or film"),
    "PNG called JPEG": Case("scan.jpg", lambda: png(), "", NOT_FOUND),
    "HEIC called JPEG": Case("photo.jpg", lambda: heic(), "", NOT_FOUND),
    "TIFF called PDF": Case("scan.pdf", lambda: tiff(), "", NOT_FOUND),
    "a new line in its name": Case("scan\nof a page.png", lambda: cut(png(), 0.5)),
    "a face in its name": Case("scan \N{GRINNING FACE}.png", lambda: cut(png(), 0.5), "\N{GRINNING FACE}"),
    "a command in its name": Case("=cmd() $(touch x) <script>.png", lambda: cut(png(), 0.5)),
}  # fmt: skip

KINDS = {
    "PNG": PNGS,
    "JPEG": JPEGS,
    "TIFF": TIFFS,
    "PDF": PDFS,
    "HEIC": HEICS,
    "foreign": FOREIGN,
}
CASES = {f"{kind}: {name}": case for kind, cases in KINDS.items() for name, case in cases.items()}


def write(case: Case, folder: Path) -> Path:
    path = folder / case.file
    path.write_bytes(case.data())
    return path
