"""Files to pixels: the very codes that other readers find, or a sentence and exit code 3.

Outside sources: tifffile, Pillow, OpenCV, imagecodecs and pikepdf write the files and read them back; TIFF 6.0
(tags 254, 262, 274), ISO/IEC 15948 (PNG) and ISO 32000 (PDF) say what the fields mean.
"""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pikepdf
import pytest
import tifffile
from conftest import failure, pictures_of
from numpy.typing import NDArray
from PIL import Image

from calib.errors import InputError
from calib.scan.image import Picture, png_bytes
from calib.synthetic.writing import write_scan, write_scan_pdf

SHAPE = (212, 235, 3)


def random_codes(dtype: type = np.uint8, channels: int = 3, seed: int = 0) -> NDArray:
    """Every code may come up, so a byte order or a channel taken wrong cannot go unseen."""
    top = np.iinfo(dtype).max
    return np.random.default_rng(seed).integers(0, top, (*SHAPE[:2], channels), dtype=dtype, endpoint=True)


def smooth_codes() -> NDArray:
    """Codes that a JPEG may hold without much loss."""
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.stack([rows, columns, 255 - rows], axis=2).astype(np.uint8)


def only(path: Path) -> Picture:
    (picture,) = pictures_of(path)
    return picture


def opencv(path: Path) -> NDArray:
    """What OpenCV reads, in RGB order."""
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_UNCHANGED))[..., 2::-1]


# --- the same pixels as an outside reader ----------------------------------------------------

TIFF_KINDS: dict[str, dict[str, Any]] = {
    "plain": {},
    "lzw": {"compression": "lzw"},
    "lzw predicted": {"compression": "lzw", "predictor": True},
    "deflate": {"compression": "zlib"},
    "deflate predicted": {"compression": "zlib", "predictor": True},
    "packbits": {"compression": "packbits"},
    "big-endian": {"byteorder": ">"},
    "big-endian deflate": {"byteorder": ">", "compression": "zlib", "predictor": True},
    "tiled": {"tile": (64, 64), "compression": "zlib"},
    "strips": {"rowsperstrip": 7},
    "bigtiff": {"bigtiff": True},
}


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16], ids=["8", "16"])
@pytest.mark.parametrize("kind", TIFF_KINDS)
def test_tiff_gives_the_codes_that_opencv_reads(tmp_path: Path, kind: str, dtype: type) -> None:
    codes, path = random_codes(dtype), tmp_path / "scan.tif"
    tifffile.imwrite(path, codes, photometric="rgb", metadata=None, **TIFF_KINDS[kind])
    picture = only(path)
    assert (picture.kind, picture.bits, picture.notes) == ("TIFF", np.iinfo(dtype).bits, ())
    assert np.array_equal(picture.codes, codes)
    assert np.array_equal(picture.codes, opencv(path))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16], ids=["8", "16"])
@pytest.mark.parametrize("compression", [None, "zlib", "lzw"])
def test_planar_tiff(tmp_path: Path, compression: str | None, dtype: type) -> None:
    codes, path = random_codes(dtype), tmp_path / "planar.tif"
    tifffile.imwrite(
        path,
        np.moveaxis(codes, 2, 0),
        photometric="rgb",
        planarconfig="separate",
        compression=compression,
        metadata=None,
    )
    assert np.array_equal(only(path).codes, codes)


def test_tiff_as_pillow_writes_it(tmp_path: Path) -> None:
    codes, path = random_codes(), tmp_path / "pillow.tif"
    Image.fromarray(codes).save(path, compression="tiff_lzw")
    assert np.array_equal(only(path).codes, codes)


def test_tiff_with_jpeg_inside_agrees_with_opencv(tmp_path: Path) -> None:
    path = tmp_path / "jpeg.tif"
    tifffile.imwrite(
        path,
        smooth_codes(),
        photometric="rgb",
        compression="jpeg",
        compressionargs={"level": 95},
        metadata=None,
    )
    picture = only(path)
    # The two use different releases of one JPEG library, which may round differently by a code.
    assert np.abs(picture.codes.astype(int) - opencv(path)).max() <= 1
    assert np.abs(picture.codes.astype(int) - smooth_codes()).mean() < 2


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16], ids=["8", "16"])
@pytest.mark.parametrize("planar", [False, True])
@pytest.mark.parametrize("kind", ["unassalpha", "assocalpha"])
def test_alpha_of_a_tiff_is_ignored_with_a_word(tmp_path: Path, kind: str, planar: bool, dtype: type) -> None:
    codes, path = random_codes(dtype, 4), tmp_path / "alpha.tif"
    data = np.moveaxis(codes, 2, 0) if planar else codes
    config = "separate" if planar else "contig"
    tifffile.imwrite(path, data, photometric="rgb", planarconfig=config, extrasamples=[kind], metadata=None)
    picture = only(path)
    assert np.array_equal(picture.codes, codes[..., :3])
    assert len(picture.notes) == 1 and "transparency" in picture.notes[0]


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16], ids=["8", "16"])
@pytest.mark.parametrize("channels", [3, 4])
def test_png_gives_the_codes_that_opencv_reads(tmp_path: Path, channels: int, dtype: type) -> None:
    codes, path = random_codes(dtype, channels), tmp_path / "scan.png"
    order = [2, 1, 0, 3][:channels]
    assert cv2.imwrite(str(path), codes[..., order])
    picture = only(path)
    assert picture.kind == "PNG" and picture.bits == np.iinfo(dtype).bits
    assert np.array_equal(picture.codes, codes[..., :3])
    assert np.array_equal(picture.codes, opencv(path))
    assert [("transparency" in note) for note in picture.notes] == [True] * (channels - 3)


# The passes of an interlaced PNG: first column and row, and the steps between them (ISO/IEC 15948, 8.2).
ADAM7 = [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)]


def test_interlaced_png(tmp_path: Path) -> None:
    # Adam7 (ISO/IEC 15948, 8.2) of a picture of one colour: every pass holds the same bytes.
    width, height, colour = 220, 210, bytes([200, 100, 50])
    data = b"".join(
        (b"\0" + colour * len(range(x, width, dx))) * len(range(y, height, dy)) for x, y, dx, dy in ADAM7
    )
    path = tmp_path / "interlaced.png"
    path.write_bytes(png_file(struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 1), data))
    assert np.array_equal(only(path).codes, np.asarray(Image.open(path)))


@pytest.mark.parametrize("options", [{"subsampling": 0}, {"subsampling": 2}, {"progressive": True}], ids=str)
def test_jpeg_gives_the_codes_that_imagecodecs_reads(tmp_path: Path, options: dict[str, Any]) -> None:
    path = tmp_path / "scan.jpg"
    Image.fromarray(smooth_codes()).save(path, quality=90, **options)
    picture = only(path)
    assert (picture.kind, picture.bits) == ("JPEG", 8)
    assert is_near(picture.codes, imagecodecs.jpeg8_decode(path.read_bytes()))


@pytest.mark.parametrize("quality", [95, 80])
def test_even_areas_of_a_jpeg_are_not_all_rounded_alike(tmp_path: Path, quality: int) -> None:
    """Of 200 even colours with a little noise the means are kept far better than by the usual decoder."""
    rng = np.random.default_rng(quality)
    even = np.kron(rng.uniform(40, 220, (10, 20, 3)), np.ones((32, 32, 1)))
    codes = np.round(even + 0.6 * rng.standard_normal(even.shape)).astype(np.uint8)
    write_scan(tmp_path / "page.jpg", codes, 300, jpeg_quality=quality)

    def missed(seen: NDArray) -> float:
        off = (seen.astype(float) - codes).reshape(10, 32, 20, 32, 3)[:, 4:28, :, 4:28].mean(axis=(1, 3))
        return float(np.sqrt(np.mean(off**2)))

    usual = missed(imagecodecs.jpeg8_decode((tmp_path / "page.jpg").read_bytes()))
    assert missed(only(tmp_path / "page.jpg").codes) < 0.75 * usual


def is_near(one: NDArray, other: NDArray) -> bool:
    """Whether two decoders' codes of one smooth JPEG agree but for their rounding."""
    if one.shape != other.shape:
        return False
    off = np.abs(one.astype(int) - other)
    return bool(off.max() <= 6 and off.mean() < 1.0)


@pytest.mark.parametrize("quality", [95, 80, 60, 30])
def test_a_jpeg_says_how_strongly_it_was_packed(tmp_path: Path, quality: int) -> None:
    # Pillow's encoder scales the table of ITU-T T.81 by this number; a PDF holds the same JPEG.
    pixels = smooth_codes()
    for name in ("page.jpg", "page.pdf"):
        write_scan(tmp_path / name, pixels, 300, jpeg_quality=quality)
        assert only(tmp_path / name).jpeg == quality
    write_scan(tmp_path / "page.png", pixels, 300)
    assert only(tmp_path / "page.png").jpeg is None


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16], ids=["8", "16"])
def test_pdf_of_lossless_pixels_is_untouched(tmp_path: Path, dtype: type) -> None:
    codes, path = random_codes(dtype), tmp_path / "scan.pdf"
    write_scan_pdf(path, codes, 150)
    picture = only(path)
    assert picture.kind == "PDF" and np.array_equal(picture.codes, codes)
    with pikepdf.open(path) as document:
        # The samples by pikepdf alone, high byte first (ISO 32000-1, 7.4.4.1).
        raw = document.pages[0].Resources.XObject.Scan.read_bytes()
    assert np.array_equal(np.frombuffer(raw, np.dtype(dtype).newbyteorder(">")), codes.ravel())


def test_pdf_of_a_jpeg_holds_the_jpegs_own_pixels(tmp_path: Path) -> None:
    path = tmp_path / "scan.pdf"
    write_scan_pdf(path, smooth_codes(), 150, jpeg_quality=90)
    with pikepdf.open(path) as document:
        raw = document.pages[0].Resources.XObject.Scan.read_raw_bytes()
    assert is_near(only(path).codes, imagecodecs.jpeg8_decode(raw))


def test_pdf_with_a_jpeg_packed_once_more(tmp_path: Path) -> None:
    path = tmp_path / "scan.pdf"
    jpeg = jpeg_bytes(Image.fromarray(smooth_codes()))
    write_pdf(
        path, [zlib.compress(jpeg)], Filter=pikepdf.Array([pikepdf.Name.FlateDecode, pikepdf.Name.DCTDecode])
    )
    assert is_near(only(path).codes, imagecodecs.jpeg8_decode(jpeg))


def test_pdf_whose_picture_lies_in_a_form(tmp_path: Path) -> None:
    """Some all-in-one scanners wrap the picture in a form XObject."""
    path = tmp_path / "form.pdf"
    codes = random_codes()
    with pikepdf.new() as document:
        inner = pdf_image(document, zlib.compress(codes.tobytes()))
        form = document.make_stream(
            b"/Scan Do", Resources=pikepdf.Dictionary(XObject=pikepdf.Dictionary(Scan=inner))
        )
        form.Type, form.Subtype, form.BBox = (
            pikepdf.Name.XObject,
            pikepdf.Name.Form,
            pikepdf.Array([0, 0, 1, 1]),
        )
        add_page(document, {"Form": form})
        document.save(path)
    assert np.array_equal(only(path).codes, codes)


def test_no_library_warns_the_user(tmp_path: Path) -> None:
    """A deprecation or a remark about odd tags is nothing that a user can act on."""
    paths = [tmp_path / "scan.pdf", tmp_path / "scan.tif", tmp_path / "scan.png"]
    for path in paths:
        write_scan(path, random_codes(), 150)
    code = (
        "import sys; from pathlib import Path; from calib.scan.image import file_sha256, read_pictures\n"
        "for path in sys.argv[1:]: assert len(list(read_pictures(Path(path), file_sha256(Path(path))))) == 1"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error::DeprecationWarning", "-c", code, *map(str, paths)],
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


# --- several pictures, turned pictures -------------------------------------------------------


def test_every_picture_of_a_tiff_comes_out_and_thumbnails_do_not(tmp_path: Path) -> None:
    path = tmp_path / "pages.tif"
    pages = [random_codes(seed=n) for n in (1, 2)]
    with tifffile.TiffWriter(path) as writer:
        writer.write(pages[0], photometric="rgb", metadata=None)
        # Bit 0 of NewSubfileType: a reduced picture of another one.
        writer.write(pages[0][::4, ::4], photometric="rgb", metadata=None, subfiletype=1)
        writer.write(pages[1], photometric="rgb", metadata=None)
    pictures = pictures_of(path)
    assert [picture.number for picture in pictures] == [1, 2]
    assert [picture.name for picture in pictures] == ["pages.tif", "pages.tif (picture 2)"]
    assert len({picture.sha256 for picture in pictures}) == 1
    assert all(np.array_equal(p.codes, codes) for p, codes in zip(pictures, pages, strict=True))


def test_every_page_of_a_pdf_comes_out(tmp_path: Path) -> None:
    path = tmp_path / "pages.pdf"
    pages = [random_codes(seed=n) for n in (1, 2, 3)]
    write_pdf(path, [zlib.compress(codes.tobytes()) for codes in pages])
    pictures = pictures_of(path)
    assert all(np.array_equal(p.codes, codes) for p, codes in zip(pictures, pages, strict=True))


def upright(codes: NDArray, orientation: int) -> NDArray:
    """Return the picture as TIFF 6.0, tag 274, means it to be seen."""
    return {
        1: codes, 2: codes[:, ::-1], 3: codes[::-1, ::-1], 4: codes[::-1],
        5: codes.swapaxes(0, 1), 6: np.rot90(codes, -1), 7: np.rot90(codes, 2).swapaxes(0, 1), 8: np.rot90(codes),
    }[orientation]  # fmt: skip


def is_turned(
    one: NDArray, other: NDArray, same: Callable[[NDArray, NDArray], bool] = np.array_equal
) -> bool:
    """Whether one is the other turned by some quarter turns, and not mirrored."""
    return any(same(np.rot90(one, k), other) for k in range(4))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_mirrored_orientations_are_mirrored_back(tmp_path: Path, orientation: int) -> None:
    """What matters is the hand, not the turn: the page is found at any angle, but never in a mirror."""
    tiff, jpeg = tmp_path / "turned.tif", tmp_path / "turned.jpg"
    codes = random_codes()
    tifffile.imwrite(
        tiff, codes, photometric="rgb", metadata=None, extratags=[(274, "H", 1, orientation, True)]
    )
    assert is_turned(only(tiff).codes, upright(codes, orientation))
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(smooth_codes()).save(jpeg, quality=95, exif=exif)
    stored = imagecodecs.jpeg8_decode(jpeg.read_bytes())
    assert is_turned(only(jpeg).codes, upright(stored, orientation), is_near)


# --- refusals --------------------------------------------------------------------------------


def png_file(header: bytes, data: bytes) -> bytes:
    """Return a PNG of a header and unpacked scan lines."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(data))
        + chunk(b"IEND", b"")
    )


def jpeg_bytes(image: Image.Image) -> bytes:
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=92)
    return stream.getvalue()


def pdf_image(document: pikepdf.Pdf, data: bytes, **entries: Any) -> pikepdf.Object:
    defaults = {
        "Type": pikepdf.Name.XObject, "Subtype": pikepdf.Name.Image, "Width": SHAPE[1], "Height": SHAPE[0],
        "BitsPerComponent": 8, "ColorSpace": pikepdf.Name.DeviceRGB, "Filter": pikepdf.Name.FlateDecode,
    }  # fmt: skip
    return pikepdf.Stream(document, data, **{**defaults, **entries})


def add_page(document: pikepdf.Pdf, objects: dict[str, pikepdf.Object]) -> None:
    page = pikepdf.Dictionary(
        Type=pikepdf.Name.Page,
        MediaBox=[0, 0, 100, 100],
        Resources=pikepdf.Dictionary(XObject=pikepdf.Dictionary(**objects)),
        Contents=document.make_stream(" ".join(f"/{name} Do" for name in objects).encode()),
    )
    document.pages.append(pikepdf.Page(document.make_indirect(page)))


def write_pdf(
    path: Path, pictures: list[bytes], together: bool = False, encryption: Any = None, **entries: Any
) -> None:
    """Write a PDF of pictures, one a page or all together on one."""
    with pikepdf.new() as document:
        images = [pdf_image(document, data, **entries) for data in pictures]
        if together:
            add_page(document, {f"Im{i}": image for i, image in enumerate(images)})
        else:
            for image in images:
                add_page(document, {"Scan": image})
        # Otherwise the writer would pack everything anew in its own way.
        as_it_is = {"stream_decode_level": pikepdf.StreamDecodeLevel.none, "compress_streams": False}
        document.save(path, **({"encryption": encryption} if encryption else as_it_is))


def truncated(path: Path, share: float = 0.6) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])


def bad_folder(path: Path) -> None:
    path.mkdir()


def bad_text_named_png(path: Path) -> None:
    path.write_text("marker,name\n017,Dusk\n")


def grey_tiff(path: Path) -> None:
    tifffile.imwrite(path, random_codes()[..., 0], photometric="minisblack", metadata=None)


def bilevel_tiff(path: Path) -> None:
    Image.fromarray(random_codes()[..., 0]).convert("1").save(path)


def palette_png(path: Path) -> None:
    Image.fromarray(smooth_codes()).quantize(16).save(path)


def palette_tiff(path: Path) -> None:
    Image.fromarray(smooth_codes()).quantize(16).save(path)


def cmyk_jpeg(path: Path) -> None:
    Image.fromarray(smooth_codes()).convert("CMYK").save(path)


def cmyk_tiff(path: Path) -> None:
    tifffile.imwrite(path, random_codes(channels=4), photometric="separated", metadata=None)


def lab_tiff(path: Path) -> None:
    tifffile.imwrite(path, random_codes(), photometric="cielab", metadata=None)


def float_tiff(path: Path) -> None:
    tifffile.imwrite(path, random_codes().astype(np.float32) / 255, photometric="rgb", metadata=None)


def half_float_tiff(path: Path) -> None:
    tifffile.imwrite(path, random_codes().astype(np.float16) / 255, photometric="rgb", metadata=None)


def signed_tiff(path: Path) -> None:
    tifffile.imwrite(path, random_codes().astype(np.int16), photometric="rgb", metadata=None)


def twelve_bit_tiff(path: Path) -> None:
    tifffile.imwrite(path, random_codes(np.uint16) >> 4, photometric="rgb", bitspersample=12, metadata=None)


def tiny(path: Path) -> None:
    Image.fromarray(random_codes()[:30, :30]).save(path)


def png_bomb(path: Path) -> None:
    path.write_bytes(png_file(struct.pack(">IIBBBBB", 300_000, 300_000, 8, 2, 0, 0, 0), b"\0" * 100))


def tiff_bomb(path: Path) -> None:
    entries = [(256, 4, 1, 300_000), (257, 4, 1, 300_000), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 2),
               (273, 4, 1, 8), (277, 3, 1, 3), (278, 4, 1, 300_000), (279, 4, 1, 100)]  # fmt: skip
    body = struct.pack("<H", len(entries)) + b"".join(struct.pack("<HHII", *entry) for entry in entries)
    path.write_bytes(b"II*\0" + struct.pack("<I", 8) + body + bytes(4))


def pdf_bomb(path: Path) -> None:
    write_pdf(path, [zlib.compress(bytes(100))], Width=300_000, Height=300_000)


def deep(levels: int) -> Callable[[Path], None]:
    """Return a maker of a scan of so many levels of light in which all three channels agree."""

    def make(path: Path) -> None:
        grey = (random_codes(np.uint16)[..., :1] // levels * levels).astype(np.uint16)
        write_scan(path, np.repeat(grey, 3, axis=2), 150)

    return make


def cut(suffix: str, share: float = 0.6, **options: Any) -> Callable[[Path], None]:
    def make(path: Path) -> None:
        write_scan(path, smooth_codes() if options else random_codes(), 150, **options)
        truncated(path, share)

    return make


def pdf_of(*pictures: NDArray, **options: Any) -> Callable[[Path], None]:
    return lambda path: write_pdf(path, [zlib.compress(p.tobytes()) for p in pictures], **options)


def pdf_sixteen(space: Any, channels: int) -> Callable[[Path], None]:
    codes = random_codes(np.uint16, channels).astype(">u2")
    return lambda path: write_pdf(
        path, [zlib.compress(codes.tobytes())], ColorSpace=space, BitsPerComponent=16
    )


def pdf_cmyk_jpeg(path: Path) -> None:
    data = jpeg_bytes(Image.fromarray(smooth_codes()).convert("CMYK"))
    write_pdf(path, [data], ColorSpace=pikepdf.Name.DeviceCMYK, Filter=pikepdf.Name.DCTDecode)


LAB_SPACE = pikepdf.Array([pikepdf.Name.Lab, pikepdf.Dictionary(WhitePoint=[0.9642, 1, 0.8249])])
INDEXED = pikepdf.Array(
    [pikepdf.Name.Indexed, pikepdf.Name.DeviceRGB, 255, pikepdf.String(bytes(range(256)) * 3)]
)
LOCK = pikepdf.Encryption(owner="o", user="u")

# Name of the file, how it is made, and a word that its refusal must have.
REFUSED: dict[str, tuple[str, Callable[[Path], None], str]] = {
    "missing": ("scan.png", lambda path: None, "does not exist"),
    "folder": ("scan.png", bad_folder, "is a folder"),
    "empty": ("scan.png", lambda path: path.write_bytes(b""), "empty"),
    "text named png": ("scan.png", bad_text_named_png, "not a TIFF, PNG, JPEG or PDF"),
    "another kind": ("scan.webp", lambda path: Image.fromarray(smooth_codes()).save(path), "not a TIFF, PNG"),
    "signature only": ("scan.png", lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n"), "damaged"),
    "TIFF head only": ("scan.tif", lambda path: path.write_bytes(b"II*\0\x08\0\0\0"), "no picture"),
    "JPEG head only": ("scan.jpg", lambda path: path.write_bytes(b"\xff\xd8\xff\xe0"), "damaged"),
    "PDF head only": ("scan.pdf", lambda path: path.write_bytes(b"%PDF-1.4\n"), "damaged"),
    "cut PNG": ("scan.png", cut(".png"), "damaged"),
    "PNG cut at its end": ("scan.png", cut(".png", 0.99), "damaged"),
    "cut TIFF": ("scan.tif", cut(".tif"), "damaged"),
    "cut JPEG": ("scan.jpg", cut(".jpg", jpeg_quality=90), "damaged"),
    "JPEG cut at its end": ("scan.jpg", cut(".jpg", 0.98, jpeg_quality=90), "damaged"),
    "cut PDF": ("scan.pdf", cut(".pdf"), ""),
    "PDF with too little data": ("scan.pdf", pdf_of(random_codes()[:100]), "damaged"),
    "16-bit PDF with too little data": (
        "scan.pdf", pdf_of(random_codes(np.uint16)[:100], BitsPerComponent=16), "damaged"),
    "grey PNG": ("scan.png", lambda path: write_scan(path, random_codes()[..., 0], 150), "greyscale"),
    "grey 16-bit PNG": ("scan.png", lambda path: write_scan(path, random_codes(np.uint16)[..., 0], 150), "greyscale"),
    "grey with alpha": ("scan.png", lambda path: Image.fromarray(smooth_codes()).convert("LA").save(path), "greyscale"),
    "grey TIFF": ("scan.tif", grey_tiff, "greyscale"),
    "grey JPEG": ("scan.jpg", lambda path: Image.fromarray(smooth_codes()).convert("L").save(path), "greyscale"),
    "grey PDF": ("scan.pdf", pdf_of(random_codes()[..., 0], ColorSpace=pikepdf.Name.DeviceGray), "greyscale"),
    "grey 16-bit PDF": ("scan.pdf", pdf_sixteen(pikepdf.Name.DeviceGray, 1), "greyscale"),
    "grey saved as RGB": ("scan.png", deep(1), "greyscale"),
    "8-bit grey in 16 bits": ("scan.tif", deep(257), "greyscale"),
    "palette PNG": ("scan.png", palette_png, "palette"),
    "palette TIFF": ("scan.tif", palette_tiff, "PALETTE"),
    "palette PDF": ("scan.pdf", pdf_of(random_codes()[..., 0], ColorSpace=INDEXED), "not in RGB"),
    "CMYK JPEG": ("scan.jpg", cmyk_jpeg, "CMYK"),
    "CMYK TIFF": ("scan.tif", cmyk_tiff, "SEPARATED"),
    "CMYK PDF": ("scan.pdf", pdf_of(random_codes(channels=4), ColorSpace=pikepdf.Name.DeviceCMYK), "CMYK"),
    "CMYK 16-bit PDF": ("scan.pdf", pdf_sixteen(pikepdf.Name.DeviceCMYK, 4), "RGB"),
    "CMYK JPEG in PDF": ("scan.pdf", pdf_cmyk_jpeg, "CMYK"),
    "Lab TIFF": ("scan.tif", lab_tiff, "CIELAB"),
    "Lab PDF": ("scan.pdf", pdf_of(random_codes(), ColorSpace=LAB_SPACE), "RGB"),
    "Lab 16-bit PDF": ("scan.pdf", pdf_sixteen(LAB_SPACE, 3), "RGB"),
    "1-bit TIFF": ("scan.tif", bilevel_tiff, "greyscale"),
    "1-bit PNG": ("scan.png", lambda path: Image.fromarray(smooth_codes()).convert("1").save(path), "greyscale"),
    "float TIFF": ("scan.tif", float_tiff, "32 bits"),
    "half float TIFF": ("scan.tif", half_float_tiff, "float16"),
    "signed TIFF": ("scan.tif", signed_tiff, "int16"),
    "12-bit TIFF": ("scan.tif", twelve_bit_tiff, "12 bits"),
    "tiny": ("scan.png", tiny, "30 x 30"),
    "PNG bomb": ("scan.png", png_bomb, "300000 x 300000"),
    "TIFF bomb": ("scan.tif", tiff_bomb, "300000 x 300000"),
    "PDF bomb": ("scan.pdf", pdf_bomb, "300000 x 300000"),
    "locked PDF": ("scan.pdf", pdf_of(random_codes(), encryption=LOCK), "password"),
    "PDF without pictures": ("scan.pdf", lambda path: write_pdf(path, [], together=True), "0 pictures"),
    "two pictures on a PDF page": ("scan.pdf", pdf_of(random_codes(), random_codes(), together=True), "2 pictures"),
    "PDF without pages": ("scan.pdf", lambda path: write_pdf(path, []), "no picture"),
}  # fmt: skip


@pytest.mark.filterwarnings("error::DeprecationWarning:pikepdf")
@pytest.mark.parametrize("case", REFUSED)
def test_what_is_no_scan_is_refused_with_a_sentence(tmp_path: Path, case: str) -> None:
    name, make, word = REFUSED[case]
    path = tmp_path / name
    make(path)
    error = failure(lambda: pictures_of(path))
    assert isinstance(error, InputError) and error.exit_code == 3
    assert str(path) in str(error) and word in str(error), str(error)


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "scan.png")
    assert "regular file" in str(failure(lambda: pictures_of(tmp_path / "scan.png")))


def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "scan.png"
    write_scan(path, random_codes(), 150)
    path.chmod(0)
    if os.access(path, os.R_OK):
        # The super-user reads everything; a path through a file is another way not to be let in.
        path = path / "scan.png"
    assert failure(lambda: pictures_of(path)).exit_code == 3


@pytest.mark.parametrize("suffix", [".png", ".tif", ".jpg", ".pdf"])
def test_damage_anywhere_is_a_sentence_or_a_picture_but_never_another_exception(
    tmp_path: Path, suffix: str
) -> None:
    """Sixty files with a run of bytes overwritten: each gives pictures or a CalibError of one line."""
    path = tmp_path / f"scan{suffix}"
    write_scan(path, smooth_codes(), 150)
    whole = path.read_bytes()
    rng = np.random.default_rng(1)
    refused = 0
    for _ in range(60):
        data = bytearray(whole)
        at = int(rng.integers(8, len(data) - 4)) if rng.random() < 0.5 else int(rng.integers(8, 200))
        data[at : at + 4] = rng.bytes(4)
        path.write_bytes(bytes(data))
        try:
            pictures_of(path)
        except InputError as error:
            refused += 1
            assert "\n" not in str(error)
    assert refused > 5


# --- small things ----------------------------------------------------------------------------


def test_the_digest_is_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "scan.png"
    write_scan(path, random_codes(), 150)
    done = subprocess.run(["sha256sum", str(path)], capture_output=True, text=True, check=True)
    assert only(path).sha256 == done.stdout.split()[0]


def test_png_bytes_are_read_back_by_pillow() -> None:
    codes = random_codes()
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(png_bytes(codes)))), codes)
