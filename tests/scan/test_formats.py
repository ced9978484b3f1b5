"""What each kind of image file says, read as it is meant: turns, resolution, cameras, profiles, odd ways of packing.

Outside sources: Pillow, pillow-heif (x265), tifffile, imagecodecs and pikepdf write the files; pypdfium2 renders the PDFs; Display P3 and
Rec. 2020 are colour-science's. EXIF 2.32, TIFF 6.0, ISO/IEC 15948, ISO 32000-1 and ITU-T H.273 say what the fields mean.
"""

from __future__ import annotations

import base64
import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pikepdf
import pillow_heif
import pypdfium2
import pytest
import tifffile
from conftest import failure, pictures_of
from numpy.typing import NDArray
from PIL import Image
from test_image import (
    SHAPE,
    is_near,
    is_turned,
    jpeg_bytes,
    only,
    random_codes,
    smooth_codes,
    upright,
    write_pdf,
)

from calib.scan.formats.exif import claims
from calib.scan.profile import light_of
from calib.synthetic.spectra import library
from calib.synthetic.writing import write_scan

colour = library()
NAME = pikepdf.Name


def heic_bytes(codes: NDArray, exif: bytes | None = None, twelve: bool = False, **options: Any) -> bytes:
    """Return a HEIC file of codes, by x265 without loss where the options do not say otherwise."""
    deep = codes.dtype == np.uint16
    made = pillow_heif.from_bytes(
        "RGB;16" if deep else "RGB", (codes.shape[1], codes.shape[0]), codes.tobytes()
    )
    stream = io.BytesIO()
    pillow_heif.options.SAVE_HDR_TO_12_BIT = twelve
    lossless = {"quality": -1, "chroma": 444, "matrix_coefficients": 0}
    made.save(stream, exif=exif, **{**lossless, **options})
    return stream.getvalue()


def exif_bytes(orientation: int = 1, exposed: bool = False, dpi: float | None = None) -> bytes:
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Invented maker", "Invented model", orientation
    if dpi:
        exif[282], exif[283], exif[296] = dpi, dpi, 2
    if exposed:
        exif._ifds[0x8769] = {33434: 1 / 60, 33437: 1.8, 34855: 64, 37386: 4.2}
    return exif.tobytes()


# --- HEIC ------------------------------------------------------------------------------------


def test_heic_of_8_bits_gives_the_very_codes(tmp_path: Path) -> None:
    path, codes = tmp_path / "photo.heic", random_codes()
    path.write_bytes(heic_bytes(codes))
    picture = only(path)
    assert (picture.kind, picture.bits, picture.jpeg, picture.camera) == ("HEIF", 8, None, False)
    assert np.array_equal(picture.codes, codes)


@pytest.mark.parametrize("twelve", [False, True], ids=["10", "12"])
def test_heic_of_more_bits_is_stretched_from_black_to_white(tmp_path: Path, twelve: bool) -> None:
    path, codes = tmp_path / "photo.heic", random_codes(np.uint16)
    codes[:20], codes[20:40] = 0, 65535
    path.write_bytes(heic_bytes(codes, twelve=twelve))
    seen = only(path).codes
    assert seen.dtype == np.uint16 and seen.max() == 65535 and seen.min() == 0
    # The encoder drops the lower bits; no code may move by more than a step of what is left.
    assert np.abs(seen.astype(int) - codes).max() <= 65536 / 2 ** (12 if twelve else 10)
    assert len(np.unique(seen)) == 2 ** (12 if twelve else 10)


def test_lossy_heic_is_near(tmp_path: Path) -> None:
    path = tmp_path / "photo.heic"
    path.write_bytes(heic_bytes(smooth_codes(), quality=90, chroma=420, matrix_coefficients=6))
    assert np.abs(only(path).codes.astype(int) - smooth_codes()).mean() < 1.5


def test_a_heic_says_that_a_camera_took_it(tmp_path: Path) -> None:
    path = tmp_path / "photo.heic"
    path.write_bytes(heic_bytes(smooth_codes(), exif_bytes(exposed=True, dpi=72)))
    assert (only(path).camera, only(path).dpi) == (True, 72)


def test_the_profile_of_a_heic_is_honoured(tmp_path: Path) -> None:
    made = pillow_heif.from_bytes("RGB", SHAPE[1::-1], random_codes().tobytes())
    made.info["icc_profile"] = imagecodecs.cms_profile("adobergb")
    made.info["icc_profile_type"] = "prof"
    made.save(tmp_path / "photo.heic", quality=90)
    assert light_of(only(tmp_path / "photo.heic")).name == "Adobe RGB (compatible)"


@pytest.mark.parametrize(("number", "space"), [(12, "Display P3"), (9, "ITU-R BT.2020"), (1, "sRGB")])
def test_the_colour_numbers_of_a_heic_are_honoured(tmp_path: Path, number: int, space: str) -> None:
    """ITU-T H.273: primaries by number, and 13 for the curve of IEC 61966-2-1."""
    path = tmp_path / "photo.heic"
    path.write_bytes(heic_bytes(random_codes(), color_primaries=number, transfer_characteristics=13))
    decode = light_of(only(path))
    codes = np.random.default_rng(3).random((200, 3)).astype(np.float32)
    srgb, other = colour.RGB_COLOURSPACES["sRGB"], colour.RGB_COLOURSPACES[space]
    linear = colour.models.eotf_sRGB(codes.astype(float))
    wanted = linear @ colour.matrix_RGB_to_RGB(other, srgb, "Bradford").T
    assert decode(codes) == pytest.approx(wanted, abs=2e-3)
    # The comparison can fail: what is taken for sRGB is far away.
    if number != 1:
        assert np.abs(linear - wanted).max() > 0.05


@pytest.mark.parametrize(("number", "word"), [(16, "PQ"), (18, "HLG"), (17, "unknown tone curve")])
def test_a_heic_of_high_range_is_refused(tmp_path: Path, number: int, word: str) -> None:
    path = tmp_path / "photo.heic"
    path.write_bytes(heic_bytes(random_codes(), color_primaries=9, transfer_characteristics=number))
    assert word in str(failure(lambda: pictures_of(path)))


# --- turns, resolution, cameras --------------------------------------------------------------


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".png", ".heic"])
def test_mirrors_are_undone_in_png_and_heic(tmp_path: Path, suffix: str, orientation: int) -> None:
    """pillow-heif writes EXIF's turn as the file's own (irot, imir) and leaves it in EXIF: it must not be made twice."""
    path, codes = tmp_path / f"turned{suffix}", smooth_codes()
    if suffix == ".png":
        Image.fromarray(codes).save(path, exif=exif_bytes(orientation))
    else:
        path.write_bytes(heic_bytes(codes, exif_bytes(orientation)))
    assert is_turned(only(path).codes, upright(codes, orientation))


def test_exif_behind_the_pixels_of_a_png_is_found(tmp_path: Path) -> None:
    path, codes = tmp_path / "turned.png", smooth_codes()
    Image.fromarray(codes).save(path)
    body = exif_bytes(2, exposed=True).removeprefix(b"Exif\0\0")
    chunk = struct.pack(">I", len(body)) + b"eXIf" + body + struct.pack(">I", zlib.crc32(b"eXIf" + body))
    data = path.read_bytes()
    path.write_bytes(data[:-12] + chunk + data[-12:])
    assert only(path).camera and np.array_equal(only(path).codes, codes[:, ::-1])


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg", ".pdf"])
def test_the_claimed_resolution_of_every_kind(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"scan{suffix}"
    write_scan(path, smooth_codes(), 300)
    assert only(path).dpi == pytest.approx(300, rel=0.01)
    assert not only(path).camera


RESOLUTIONS: dict[str, tuple[Callable[[Path], None], float | None]] = {
    "JPEG by EXIF": (lambda p: Image.fromarray(smooth_codes()).save(p, "JPEG", exif=exif_bytes(dpi=400)), 400),
    "JPEG without": (lambda p: Image.fromarray(smooth_codes()).save(p, "JPEG"), None),
    "TIFF in centimetres": (
        lambda p: tifffile.imwrite(p, smooth_codes(), photometric="rgb", resolution=(100, 100), resolutionunit=3), 254),
    "TIFF without a unit": (
        lambda p: Image.fromarray(smooth_codes()).save(p, "TIFF", resolution=300.0, resolution_unit=1), None),
    "TIFF of nonsense": (
        lambda p: tifffile.imwrite(p, smooth_codes(), photometric="rgb", extratags=[(282, 5, 1, (1, 0), True)]), None),
    "PNG without": (lambda p: Image.fromarray(smooth_codes()).save(p, "PNG"), None),
    # Drawn over 100 x 100 points: the mean of the two ways, 235 and 212 pixels over 100 / 72 inches.
    "PDF": (lambda p: draw_pdf(p, "100 0 0 100 0 0"), 160.92),
    "PDF, turned": (lambda p: draw_pdf(p, "0 100 -100 0 0 0"), 160.92),
    "PDF, units of two points": (lambda p: draw_pdf(p, "100 0 0 100 0 0", UserUnit=2), 80.46),
}  # fmt: skip


@pytest.mark.parametrize("case", RESOLUTIONS)
def test_resolution_is_what_the_file_says_or_nothing(tmp_path: Path, case: str) -> None:
    make, dpi = RESOLUTIONS[case]
    make(tmp_path / "scan")
    assert only(tmp_path / "scan").dpi == (None if dpi is None else pytest.approx(dpi, abs=0.01))


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".heic"])
@pytest.mark.parametrize("exposed", [False, True])
def test_a_camera_is_told_by_an_exposure_and_not_by_its_maker(
    tmp_path: Path, suffix: str, exposed: bool
) -> None:
    path, exif = tmp_path / f"photo{suffix}", exif_bytes(exposed=exposed)
    if suffix == ".heic":
        path.write_bytes(heic_bytes(smooth_codes(), exif))
    else:
        Image.fromarray(smooth_codes()).save(path, exif=exif)
    assert only(path).camera == exposed


def test_damaged_exif_claims_nothing() -> None:
    whole = exif_bytes(6, exposed=True, dpi=300)
    assert (claims(whole).orientation, claims(whole).dpi, claims(whole).camera) == (6, 300, True)
    rng = np.random.default_rng(0)
    for _ in range(300):
        broken = bytearray(whole[: rng.integers(0, len(whole))] if rng.random() < 0.3 else whole)
        for at in rng.integers(0, max(1, len(broken)), 3):
            broken[at : at + 1] = rng.bytes(1)
        found = claims(bytes(broken))
        assert found.orientation in range(1, 9) and (found.dpi is None or 10 <= found.dpi <= 20_000)


# --- PNG and TIFF in their stranger forms ----------------------------------------------------


def adam7(codes: NDArray) -> bytes:
    """Return an interlaced PNG (ISO/IEC 15948, 8.2) of 16-bit codes."""
    from test_image import ADAM7, png_file

    height, width = codes.shape[:2]
    rows = b"".join(
        b"\0" + row.astype(">u2").tobytes() for x, y, dx, dy in ADAM7 for row in codes[y::dy, x::dx]
    )
    return png_file(struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 1), rows)


def test_interlaced_png_of_16_bits(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    codes = random_codes(np.uint16)
    (tmp_path / "scan.png").write_bytes(adam7(codes))
    assert np.array_equal(only(tmp_path / "scan.png").codes, codes)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16], ids=["8", "16"])
def test_libpng_is_not_heard(tmp_path: Path, capfd: pytest.CaptureFixture[str], dtype: type) -> None:
    """A profile that libpng complains of, as many programs once wrote it, and a colour that stands for transparency."""
    path, codes = tmp_path / "scan.png", random_codes(dtype)
    data = imagecodecs.png_encode(codes)
    broken = b"sRGB\0\0" + zlib.compress(b"no profile at all" * 20)
    added = b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in ((b"iCCP", broken), (b"tRNS", bytes(6)), (b"gAMA", bytes(4)))
    )
    path.write_bytes(data[:33] + added + data[33:])
    picture = only(path)
    assert np.array_equal(picture.codes, codes) and "transparency" in picture.notes[0]
    assert capfd.readouterr().err == ""


def test_a_preview_that_does_not_say_so_is_left_out(tmp_path: Path) -> None:
    path, codes = tmp_path / "scan.tif", random_codes()
    with tifffile.TiffWriter(path) as writer:
        writer.write(codes[::2, ::2], photometric="rgb", metadata=None)
        writer.write(codes, photometric="rgb", metadata=None)
        # Bit 2 of NewSubfileType: a mask for the picture before.
        writer.write(codes[..., 0] > 99, photometric="mask", metadata=None, subfiletype=4)
    assert np.array_equal(only(path).codes, codes)


@pytest.mark.parametrize("quality", [95, 60])
def test_a_tiff_says_how_strongly_its_jpeg_was_packed(tmp_path: Path, quality: int) -> None:
    path = tmp_path / "scan.tif"
    Image.fromarray(smooth_codes()).save(path, compression="jpeg", quality=quality)
    assert only(path).jpeg == quality
    write_scan(path, smooth_codes(), 300)
    assert only(path).jpeg is None


# --- JPEG ------------------------------------------------------------------------------------

# From the middle of its pixels something is missing; libjpeg says so on the terminal at best, and returns the picture whole.
HURT: dict[str, Callable[[bytes, int], bytes]] = {
    "an end put on": lambda data, half: data[:half] + b"\xff\xd9",
    "a piece of zeros": lambda data, half: data[:half] + bytes(200) + data[half + 200 :],
    "a piece taken out": lambda data, half: data[:half] + data[half + 500 :],
}


@pytest.mark.parametrize("hurt", HURT)
@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_rows": 1}], ids=str)
def test_a_jpeg_with_pixels_missing_is_refused(tmp_path: Path, hurt: str, options: dict[str, Any]) -> None:
    path = tmp_path / "scan.jpg"
    Image.fromarray(random_codes() // 4 + smooth_codes() // 2).save(path, quality=90, **options)
    whole = path.read_bytes()
    assert only(path)
    path.write_bytes(HURT[hurt](whole, len(whole) // 2))
    # What the refusal is for: Pillow returns all of it.
    assert np.asarray(Image.open(path)).shape == SHAPE
    assert "damaged" in str(failure(lambda: pictures_of(path)))


def test_a_jpeg_whose_rows_are_out_of_order_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "scan.jpg"
    Image.fromarray(smooth_codes()).save(path, quality=90, restart_marker_rows=1)
    data = path.read_bytes()
    third, fourth, fifth = (data.index(marker) for marker in (b"\xff\xd2", b"\xff\xd3", b"\xff\xd4"))
    path.write_bytes(data[:fourth] + data[fifth:])
    assert "damaged" in str(failure(lambda: pictures_of(path)))
    path.write_bytes(data[:third] + data[fourth:fifth] + data[third:fourth] + data[fifth:])
    assert "damaged" in str(failure(lambda: pictures_of(path)))


WHOLE: dict[str, Callable[[bytes], bytes]] = {
    "something behind its end": lambda data: data + b"a film of two seconds" * 1000,
    "a second picture behind it": lambda data: data + data,
    "zeros before its end": lambda data: data[:-2] + bytes(37) + data[-2:],
    "fill bytes before its end": lambda data: data[:-2] + b"\xff" * 9 + data[-2:],
    "fill bytes": lambda data: data[:2] + b"\xff\xff\xff" + data[2:],
    "a large comment": lambda data: data[:2] + (b"\xff\xfe\xff\xff" + bytes(65533)) * 20 + data[2:],
    "EXIF of nonsense": lambda data: data[:2] + b"\xff\xe1\x00\x20Exif\0\0II*\0" + b"\xff" * 20 + data[2:],
}


@pytest.mark.parametrize("case", WHOLE)
def test_a_jpeg_with_oddities_beside_its_pixels_is_read(tmp_path: Path, case: str) -> None:
    plain = jpeg_bytes(Image.fromarray(smooth_codes()))
    path = tmp_path / "scan.jpg"
    path.write_bytes(WHOLE[case](plain))
    assert is_near(only(path).codes, imagecodecs.jpeg8_decode(plain))


def test_a_jpeg_of_rgb_is_not_taken_for_luminance(tmp_path: Path) -> None:
    path = tmp_path / "scan.jpg"
    Image.fromarray(smooth_codes()).save(path, quality=95, keep_rgb=True)
    assert np.abs(only(path).codes.astype(int) - smooth_codes()).mean() < 2


# --- PDF -------------------------------------------------------------------------------------


def draw_pdf(path: Path, matrix: str, codes: NDArray | None = None, **page: Any) -> None:
    """Write a PDF of one picture, drawn by a matrix on a page of 100 x 100 points."""
    codes = smooth_codes() if codes is None else codes
    write_pdf(path, [zlib.compress(codes.tobytes())])
    with pikepdf.open(path, allow_overwriting_input=True) as document:
        document.pages[0].Contents = document.make_stream(f"q {matrix} cm /Scan Do Q".encode())
        for key, value in page.items():
            document.pages[0].obj[f"/{key}"] = value
        document.save(path)


@pytest.mark.parametrize(
    "matrix",
    ["100 0 0 100 0 0", "-100 0 0 100 100 0", "100 0 0 -100 0 100", "0 100 -100 0 100 0", "0 100 100 0 0 0"],
)
def test_a_picture_drawn_in_a_mirror_is_mirrored_back(tmp_path: Path, matrix: str) -> None:
    """As pypdfium2 shows the page: turned or not, but never in a mirror."""
    path = tmp_path / "scan.pdf"
    draw_pdf(path, matrix)
    shown = pypdfium2.PdfDocument(path)[0].render(scale=1).to_numpy()[..., 2::-1]

    def same(one: NDArray, other: NDArray) -> bool:
        small = np.asarray(
            Image.fromarray(np.ascontiguousarray(one)).resize((100, 100), Image.Resampling.BOX)
        )
        return bool(np.abs(small.astype(int) - other).mean() < 4)

    assert is_turned(only(path).codes, shown, same)
    assert not is_turned(only(path).codes[:, ::-1], shown, same)


@pytest.mark.parametrize("packed", [False, True], ids=["flate", "jpeg"])
def test_codes_that_run_from_light_to_dark(tmp_path: Path, packed: bool) -> None:
    path, codes = tmp_path / "scan.pdf", smooth_codes()
    data = jpeg_bytes(Image.fromarray(codes)) if packed else zlib.compress(codes.tobytes())
    write_pdf(path, [data], Filter=NAME.DCTDecode if packed else NAME.FlateDecode, Decode=[1, 0, 1, 0, 1, 0])
    assert is_near(only(path).codes, 255 - codes)
    # 100 points at 2.35 pixels a point: pypdfium2 agrees about the middle of the page.
    shown = pypdfium2.PdfDocument(path)[0].render(scale=2).to_numpy()
    assert shown.shape[0] == 200


def ascii_hex(data: bytes) -> bytes:
    return b"\n".join(data.hex().encode()[i : i + 70] for i in range(0, 2 * len(data), 70)) + b">"


def predicted(codes: NDArray) -> bytes:
    """Return rows as differences to the row above: PNG's filter 2, Up (ISO/IEC 15948, 9.2)."""
    flat = codes.reshape(codes.shape[0], -1).astype(codes.dtype.newbyteorder(">")).view(np.uint8)
    rows = np.diff(np.concatenate([np.zeros_like(flat[:1]), flat]).astype(np.uint8), axis=0)
    return b"".join(b"\2" + row.tobytes() for row in rows)


def parms(bits: int, predictor: int) -> pikepdf.Dictionary:
    return pikepdf.Dictionary(Predictor=predictor, Colors=3, Columns=SHAPE[1], BitsPerComponent=bits)


PACKED: dict[str, tuple[list[str], Callable[[NDArray], bytes], dict[str, Any]]] = {
    "nothing": ([], lambda c: c.tobytes(), {}),
    "LZW": (["LZWDecode"], lambda c: imagecodecs.lzw_encode(c.tobytes()), {}),
    "run lengths": (["RunLengthDecode"], lambda c: imagecodecs.packbits_encode(c.tobytes()) + b"\x80", {}),
    "ASCII 85": (["ASCII85Decode", "FlateDecode"], lambda c: base64.a85encode(zlib.compress(c.tobytes())) + b"~>", {}),
    "ASCII hex": (["ASCIIHexDecode", "FlateDecode"], lambda c: ascii_hex(zlib.compress(c.tobytes())), {}),
    "twice": (["FlateDecode", "FlateDecode"], lambda c: zlib.compress(zlib.compress(c.tobytes())), {}),
    "rows as differences": (["FlateDecode"], lambda c: zlib.compress(predicted(c)), {"DecodeParms": parms(8, 12)}),
    "pixels as differences": (
        ["FlateDecode"],
        lambda c: zlib.compress(np.diff(c, axis=1, prepend=np.uint8(0)).tobytes()),
        {"DecodeParms": parms(8, 2)},
    ),
    "without its check sum": (["FlateDecode"], lambda c: zlib.compress(c.tobytes())[:-4], {}),
}  # fmt: skip


@pytest.mark.parametrize("case", PACKED)
def test_every_way_of_packing_a_pdf_gives_the_codes_that_pikepdf_reads(tmp_path: Path, case: str) -> None:
    filters, pack, entries = PACKED[case]
    path, codes = tmp_path / "scan.pdf", random_codes()
    chain = pikepdf.Array([NAME(f"/{name}") for name in filters])
    write_pdf(path, [pack(codes)], Filter=chain, **entries)
    assert np.array_equal(only(path).codes, codes)
    if case != "without its check sum":
        with pikepdf.open(path) as document:
            raw = document.pages[0].Resources.XObject.Scan.read_bytes(pikepdf.StreamDecodeLevel.specialized)
        assert raw == codes.tobytes()


def test_differences_of_16_bits(tmp_path: Path) -> None:
    path, codes = tmp_path / "scan.pdf", random_codes(np.uint16)
    write_pdf(path, [zlib.compress(predicted(codes))], BitsPerComponent=16, DecodeParms=parms(16, 15))
    assert np.array_equal(only(path).codes, codes)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16], ids=["8", "16"])
def test_jpeg_2000_in_a_pdf_keeps_all_bits(tmp_path: Path, dtype: type) -> None:
    path, codes = tmp_path / "scan.pdf", random_codes(dtype)
    write_pdf(path, [imagecodecs.jpeg2k_encode(codes, level=0, reversible=True)], Filter=NAME.JPXDecode)
    assert np.array_equal(only(path).codes, codes)


def test_a_calibrated_space_of_a_pdf_is_honoured(tmp_path: Path) -> None:
    """ISO 32000-1, 8.6.5.3: Adobe RGB (1998) by its numbers, which are colour-science's."""
    adobe, srgb = colour.RGB_COLOURSPACES["Adobe RGB (1998)"], colour.RGB_COLOURSPACES["sRGB"]
    white = adobe.matrix_RGB_to_XYZ.sum(axis=1)
    numbers = pikepdf.Dictionary(
        WhitePoint=[round(float(v), 6) for v in white],
        Gamma=[2.199219] * 3,
        Matrix=[round(float(v), 6) for v in adobe.matrix_RGB_to_XYZ.T.ravel()],
    )
    path = tmp_path / "scan.pdf"
    write_pdf(
        path, [zlib.compress(random_codes().tobytes())], ColorSpace=pikepdf.Array([NAME.CalRGB, numbers])
    )
    codes = np.random.default_rng(5).random((300, 3)).astype(np.float32)
    wanted = codes.astype(float) ** 2.199219 @ colour.matrix_RGB_to_RGB(adobe, srgb, "Bradford").T
    assert light_of(only(path))(codes) == pytest.approx(wanted, abs=2e-3)


def test_pages_that_list_the_pictures_of_all_pages(tmp_path: Path) -> None:
    path = tmp_path / "scan.pdf"
    pages = [random_codes(seed=n) for n in (1, 2)]
    write_pdf(path, [zlib.compress(codes.tobytes()) for codes in pages])
    with pikepdf.open(path, allow_overwriting_input=True) as document:
        one, two = (page.Resources.XObject.Scan for page in document.pages)
        for name, page in zip(("One", "Two"), document.pages, strict=True):
            page.Resources.XObject = pikepdf.Dictionary(One=one, Two=two)
            page.Contents = document.make_stream(f"/{name} Do".encode())
        document.save(path)
    assert all(np.array_equal(p.codes, c) for p, c in zip(pictures_of(path), pages, strict=True))
