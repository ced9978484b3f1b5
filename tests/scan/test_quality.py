"""Is a picture fit to measure: every fault has a figure, a limit, words and exit code 5, and honest scans none of them.

Outside sources: blurs and unsharp masks are SciPy's on the simulator's pixels, and the width of a blurred edge is that of a
normal distribution by SciPy; JPEGs are packed by Pillow (its quality is the IJG's, table K.1 of ITU-T T.81 scaled); the rest of
the faults are the simulator's, which shares no formula with the measuring side.
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import DENSITIES, DPI, SETTINGS, Studio, failure, frames_of
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter, uniform_filter1d
from scipy.stats import norm

from calib.errors import UnfitError
from calib.scan.edges import Edges, edges_of
from calib.scan.image import Picture
from calib.scan.measure import measure
from calib.scan.packing import Packing, packing_of
from calib.scan.profile import light_of
from calib.scan.quality import BLURRED_MM, LEAST_DPI, LEAST_QUALITY, Quality, unfit
from calib.scan.sheet import PageReading
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import Laying, Printer, Scanner, Strip
from calib.synthetic.spectra import library

models = library().models
PX = 25.4 / DPI


def light_of_page(studio: Studio) -> NDArray:
    return np.asarray(models.eotf_sRGB(studio.pixels("page-1") / 65535.0))


def codes_of(values: NDArray, bits: int = 16) -> NDArray:
    kind = np.uint16 if bits == 16 else np.uint8
    return np.asarray((np.clip(values, 0, 1) * (2**bits - 1) + 0.5).astype(kind))


def blurred(studio: Studio, sd_mm: float) -> NDArray:
    soft = gaussian_filter(light_of_page(studio), (sd_mm / PX, sd_mm / PX, 0))
    return codes_of(models.eotf_inverse_sRGB(np.clip(soft, 0, 1)))


def sharpened(studio: Studio, amount: float, radius_px: float = 1.5) -> NDArray:
    codes = studio.pixels("page-1") / 65535.0
    return codes_of(codes + amount * (codes - gaussian_filter(codes, (radius_px, radius_px, 0))))


def packed(codes: NDArray, *qualities: int, crop: int = 0) -> NDArray:
    """Return pixels after JPEGs of these qualities, cropped by so many pixels after the first."""
    pixels = codes if codes.dtype == np.uint8 else (codes >> 8).astype(np.uint8)
    for quality in qualities:
        stream = io.BytesIO()
        Image.fromarray(np.ascontiguousarray(pixels)).save(stream, "JPEG", quality=quality)
        pixels = np.asarray(Image.open(stream))
        pixels, crop = pixels[crop:, crop:], 0
    return pixels


def edges(codes: NDArray, studio: Studio) -> Edges:
    picture = Picture(Path("scan.png"), "", 1, "PNG", codes)
    found = edges_of(codes, light_of(picture), frames_of(codes, studio.plan)[0])
    assert found is not None
    return found


def read(studio: Studio, name: str, codes: NDArray) -> PageReading:
    (page,) = studio.read(studio.save(f"{name}.png", codes))
    return page


# --- figures ---------------------------------------------------------------------------------


@pytest.mark.parametrize("sd_mm", [0.1, 0.15, 0.2])
def test_an_edge_is_as_wide_as_its_blur(studio: Studio, sd_mm: float) -> None:
    """From 10 to 90 % a normal distribution takes 2.56 standard deviations; a pixel adds its own.

    Between pixels a profile is drawn straight, which at 150 dpi makes it two thirds of a pixel wider; at 300 hardly.
    """
    dpi = 300.0
    session = studio.session(scanner=Scanner(blur_mm=sd_mm))
    codes = simulate_page(studio.plan, 1, studio.inks, session, dpi=dpi).pixels
    true = (norm.ppf(0.9) - norm.ppf(0.1)) * np.hypot(sd_mm, 25.4 / dpi / np.sqrt(12))
    assert edges(codes, studio).width_mm == pytest.approx(true, rel=0.15)


@pytest.mark.parametrize(
    "printer",
    [
        Printer(pale=0.4),
        Printer(streaks=60),
        Printer(pinholes=60),
        Printer(patchy=0.25),
        Printer(pale=0.25, streaks=50, bands=0.6, band_mm=2.0),
        Printer(pale=0.55, streaks=20, bands=0.6, band_mm=3.0),
    ],
)
def test_bad_print_is_no_blur_and_no_sharpening(studio: Studio, printer: Printer) -> None:
    codes = simulate_page(studio.plan, 1, studio.inks, studio.session(printer=printer), dpi=DPI).pixels
    plain = edges(studio.pixels("page-1"), studio)
    found = edges(codes, studio)
    assert found.width_mm == pytest.approx(plain.width_mm, rel=0.2)
    assert max(found.over, found.under) < 0.02


def test_a_jerk_along_one_way_is_seen(studio: Studio) -> None:
    light = uniform_filter1d(light_of_page(studio), round(1.0 / PX), axis=0)
    assert edges(codes_of(models.eotf_inverse_sRGB(light)), studio).width_mm > BLURRED_MM


def test_overshoot_grows_with_sharpening(studio: Studio) -> None:
    lips = [max(e.over, e.under) for e in (edges(sharpened(studio, a), studio) for a in (0, 0.5, 1, 2))]
    assert lips[0] < 0.01 and np.all(np.diff(lips) > 0.02)


@pytest.mark.parametrize("crop", [0, 3])
@pytest.mark.parametrize("quality", [80, 60, 40, 20, 10])
def test_the_quality_of_an_earlier_jpeg_is_told_from_the_pixels(
    studio: Studio, quality: int, crop: int
) -> None:
    codes = packed(studio.pixels("page-1"), quality, crop=crop)
    found = packing_of(codes, frames_of(codes, studio.plan)[0])
    assert found.quality == pytest.approx(quality, abs=3)
    assert found.blocking > 1.25


def test_a_light_packing_hides_no_strong_one(studio: Studio) -> None:
    codes = packed(studio.pixels("page-1"), 20, 95, crop=5)
    assert packing_of(codes, frames_of(codes, studio.plan)[0]).quality == pytest.approx(20, abs=3)


@pytest.mark.parametrize("bits", [8, 16])
def test_what_was_never_packed_shows_no_squares(studio: Studio, bits: int) -> None:
    codes = codes_of(studio.pixels("page-1") / 65535.0, bits)
    found = packing_of(codes, frames_of(codes, studio.plan)[0])
    assert found.quality is None and found.blocking < 1.15


# --- verdicts --------------------------------------------------------------------------------


def test_the_honest_page_has_its_figures_and_no_word(studio: Studio) -> None:
    (facts,) = studio.table("page-1").table.origin.lighting["pages"]
    assert 0.1 < facts["edge_mm"] < 0.3 and abs(facts["overshoot"]) < 0.02 and facts["undershoot"] < 0.02
    assert facts["blocking"] < 1.15 and facts["packed_quality"] is None
    assert facts["black_at_end"] == 0 and 0 <= facts["cells_at_dark_end"] < 0.5
    (page,) = studio.read(studio.scans["page-1"][0])
    assert page.notes == () and not page.forced


def test_a_blurred_scan_is_refused_before_its_strip_is_missed(studio: Studio) -> None:
    error = failure(lambda: read(studio, "blurred", blurred(studio, 0.4)))
    assert isinstance(error, UnfitError) and error.exit_code == 5
    assert "blurred.png, page 1" in str(error) and "mm wide" in str(error) and "descreening" in str(error)


def test_a_soft_scan_is_measured_with_a_word(studio: Studio) -> None:
    page = read(studio, "soft", blurred(studio, 0.15))
    assert not page.forced and any("soft" in note and "mm wide" in note for note in page.notes)


def test_strong_sharpening_is_refused_and_mild_sharpening_named(studio: Studio) -> None:
    error = failure(lambda: read(studio, "sharpened", sharpened(studio, 2.0)))
    assert error.exit_code == 5 and "Switch off sharpening" in str(error) and "%" in str(error)
    page = read(studio, "crisp", sharpened(studio, 0.6))
    assert not page.forced and any("sharpens" in note for note in page.notes)


@pytest.mark.parametrize("crop", [0, 5])
def test_strong_packing_is_refused_though_saved_as_png(studio: Studio, crop: int) -> None:
    error = failure(lambda: read(studio, "squares", packed(studio.pixels("page-1"), 15, crop=crop)))
    assert error.exit_code == 5 and "JPEG of quality 1" in str(error) and "TIFF or PNG" in str(error)


def test_earlier_packing_costs_a_word(studio: Studio) -> None:
    page = read(studio, "once", packed(studio.pixels("page-1"), 60))
    assert not page.forced and page.jpeg == pytest.approx(60, abs=3)
    assert any("before it was saved" in warning and "dE00" in warning for warning in page.warnings)


def test_too_few_pixels_are_refused(studio: Studio) -> None:
    codes = simulate_page(studio.plan, 1, studio.inks, studio.session(), dpi=75).pixels
    error = failure(lambda: read(studio, "coarse", codes))
    assert error.exit_code == 5 and "75 pixels per inch" in str(error) and "300 dpi" in str(error)


def test_all_that_is_wrong_is_said_at_once_and_may_be_forced(studio: Studio) -> None:
    codes = packed(blurred(studio, 0.3), 12)
    path = studio.save("both.png", codes)
    error = failure(lambda: studio.read(path))
    assert "blurred" in str(error) and "JPEG" in str(error) and str(error).count("both.png") == 1
    made = measure(studio.plan, [path], studio.strip, replace(SETTINGS, force=True))
    assert all("forced" in row.flags for row in made.table.readings)
    assert any("blurred" in warning for warning in made.warnings)


def test_a_driver_that_cuts_black_off_is_named(studio: Studio) -> None:
    page = read(studio, "black", codes_of((studio.pixels("page-1") / 65535.0 - 0.25) / 0.75))
    assert any("printed black is cut off" in note and "Switch off" in note for note in page.notes)


@pytest.mark.parametrize(
    ("laying", "scanner"),
    [
        (Laying(lid=0.03, margin_mm=6), Scanner(bits=8)),
        (Laying(turn_deg=0.0), Scanner(noise_read=0.004, noise_shot=0.01)),
        (Laying(lift_mm=3.0), Scanner(kind="three-led", jpeg=80)),
        (Laying(turn_deg=90.0), Scanner(kind="camera-1", blur_mm=0.08, sharpen=0.3)),
    ],
)
def test_honest_scans_are_let_through(studio: Studio, laying: Laying, scanner: Scanner) -> None:
    session = studio.session(laying=laying, scanner=scanner, strip=Strip(densities=DENSITIES), seed=31)
    codes = simulate_page(studio.plan, 1, studio.inks, session, dpi=DPI).pixels
    page = read(studio, f"honest {laying.turn_deg} {laying.lift_mm} {scanner.bits} {scanner.kind}", codes)
    assert page.notes == () and not page.forced


def test_the_limits_are_where_they_are_said_to_be() -> None:
    """A figure on the good side of a limit is let through, and one past it is not."""

    def fatal(**changes: object) -> bool:
        good = Quality(300.0, Edges(0.2, 0.0, 0.0, 99), Packing(1.0, None), 0.0, 0.0, 0.0, None)
        return any(finding.fatal for finding in unfit(replace(good, **changes)))  # type: ignore[arg-type]

    assert not fatal()
    assert not fatal(dpi=LEAST_DPI + 1) and fatal(dpi=LEAST_DPI - 1)
    assert not fatal(jpeg=LEAST_QUALITY) and fatal(jpeg=LEAST_QUALITY - 1)
    wide = Edges(BLURRED_MM + 0.01, 0.0, 0.0, 99)
    assert fatal(edges=wide) and not fatal(edges=replace(wide, width_mm=BLURRED_MM - 0.01))
    # Cameras sharpen unasked, and a photograph is flagged as one anyway.
    lips = Edges(0.2, 0.3, 0.3, 99)
    assert fatal(edges=lips) and not fatal(edges=lips, photo=True)
