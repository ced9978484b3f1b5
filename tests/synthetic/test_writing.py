"""Scans as files: what is written is read back bit for bit by independent readers."""

from __future__ import annotations

import importlib
import io
from pathlib import Path

import cv2
import numpy as np
import pikepdf
import pytest
import tifffile
from PIL import Image, ImageCms

from calib.errors import ImpossibleError, OutputError
from calib.synthetic.writing import encode_scan, write_scan, write_scan_pdf

PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def pixels(dtype: type) -> np.ndarray:
    rng = np.random.default_rng(1)
    return rng.integers(0, np.iinfo(dtype).max, (37, 53, 3), dtype=dtype, endpoint=True)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_tiff(tmp_path: Path, dtype: type) -> None:
    given = pixels(dtype)
    write_scan(tmp_path / "a.tif", given, 300, icc=PROFILE)
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        page = file.pages.first
        assert np.array_equal(page.asarray(), given)
        assert page.get_resolution("INCH") == (300, 300)
        assert page.tags["InterColorProfile"].value == PROFILE
    assert np.array_equal(cv2.imread(str(tmp_path / "a.tif"), cv2.IMREAD_UNCHANGED)[..., ::-1], given)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_png(tmp_path: Path, dtype: type) -> None:
    given = pixels(dtype)
    write_scan(tmp_path / "a.png", given, 600, icc=PROFILE)
    assert np.array_equal(cv2.imread(str(tmp_path / "a.png"), cv2.IMREAD_UNCHANGED)[..., ::-1], given)
    with Image.open(tmp_path / "a.png") as image:
        image.load()
        assert image.info["dpi"] == pytest.approx((600, 600), abs=0.1)
        assert image.info["icc_profile"] == PROFILE
        if dtype is np.uint8:
            assert np.array_equal(np.asarray(image), given)


def test_jpeg(tmp_path: Path) -> None:
    given = cv2.GaussianBlur(pixels(np.uint8), (0, 0), 6)
    write_scan(tmp_path / "a.jpg", given, 300, icc=PROFILE, jpeg_quality=95)
    with Image.open(tmp_path / "a.jpg") as image:
        assert image.info["dpi"] == (300, 300)
        assert image.info["icc_profile"] == PROFILE
        assert np.abs(np.asarray(image).astype(int) - given).mean() < 2


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_pdf_holds_the_very_pixels(tmp_path: Path, dtype: type) -> None:
    given = pixels(dtype)
    write_scan_pdf(tmp_path / "a.pdf", given, 300, icc=PROFILE)
    with pikepdf.open(tmp_path / "a.pdf") as pdf:
        page = pdf.pages[0]
        assert [float(v) for v in page.mediabox] == pytest.approx(
            [0, 0, 53 / 300 * 72, 37 / 300 * 72], abs=1e-3
        )
        picture = page.Resources.XObject.Scan
        data = np.frombuffer(picture.read_bytes(), np.dtype(dtype).newbyteorder(">"))
        assert np.array_equal(data.reshape(given.shape), given)
        assert picture.ColorSpace[1].read_bytes() == PROFILE


def test_pdf_holds_the_very_jpeg(tmp_path: Path) -> None:
    given = pixels(np.uint8)
    write_scan(tmp_path / "a.pdf", given, 300, jpeg_quality=80)
    with pikepdf.open(tmp_path / "a.pdf") as pdf:
        picture = pdf.pages[0].Resources.XObject.Scan
        assert picture.Filter == "/DCTDecode"
        with Image.open(io.BytesIO(picture.read_raw_bytes())) as image:
            assert image.size == (53, 37)


def test_a_pdf_reader_shows_the_picture_the_right_way_up(tmp_path: Path) -> None:
    pdfium = importlib.import_module("pypdfium2")
    given = np.full((40, 60, 3), 255, np.uint8)
    given[:10, :20] = (200, 30, 30)
    write_scan(tmp_path / "a.pdf", given, 72)
    shown = np.asarray(pdfium.PdfDocument(tmp_path / "a.pdf")[0].render(scale=1).to_pil())
    assert shown.shape == given.shape
    assert np.abs(shown.astype(int) - given).max() <= 2


def test_what_cannot_be_written_is_said(tmp_path: Path) -> None:
    with pytest.raises(ImpossibleError, match=r"'\.bmp'"):
        encode_scan(pixels(np.uint8), ".bmp", 300)
    with pytest.raises(ImpossibleError, match="8 bits"):
        encode_scan(pixels(np.uint16), ".jpg", 300)
    with pytest.raises(ImpossibleError, match="uint8 or uint16"):
        encode_scan(pixels(np.uint8) / 2.0, ".png", 300)
    with pytest.raises(OutputError, match="cannot be written"):
        write_scan(tmp_path / "none" / "a.png", pixels(np.uint8), 300)


def test_grey_scans_can_be_written(tmp_path: Path) -> None:
    given = pixels(np.uint8)[..., 0]
    for suffix in (".tif", ".png", ".pdf"):
        write_scan(tmp_path / f"a{suffix}", given, 300)
    assert np.array_equal(tifffile.imread(tmp_path / "a.tif"), given)
    assert np.array_equal(cv2.imread(str(tmp_path / "a.png"), cv2.IMREAD_UNCHANGED), given)
