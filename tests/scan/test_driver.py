"""What a driver did, and a strip that is not its file's: recognised and named, and honest scans left in peace.

Outside source: drivers are written here on the simulator's sRGB pixels, by colour-science's eotf_sRGB and its inverse
and by plain powers; strips that lie wrongly are painted here. Which way drivers write is common practice.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import DENSITIES, DPI, SETTINGS, Studio, failure, write_strip
from numpy.typing import NDArray
from PIL import ImageCms

from calib.colour.colorimetry import linear_to_xyz, xyz_to_lab
from calib.colour.reference import read_strip
from calib.errors import NotFoundError, UnfitError
from calib.scan.driver import PALE_BLACK_L
from calib.scan.encoding import find_encoding
from calib.scan.measure import measure
from calib.scan.sheet import PageReading
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import Printer, Scanner, Strip
from calib.synthetic.spectra import library

models = library().models
D = np.array(DENSITIES)
WRITTEN: dict[str, Callable[[NDArray], NDArray]] = {
    "linear": lambda light: light,
    "gamma 1.8": lambda light: light ** (1 / 1.8),
    "gamma 2.2": lambda light: light ** (1 / 2.2),
    "sRGB": lambda light: models.eotf_inverse_sRGB(light),
    "s-curve": lambda light: _contrast(models.eotf_inverse_sRGB(light)),
}


def _contrast(codes: NDArray) -> NDArray:
    """Pull codes apart in the middle, by a smoothstep's share of 0.3 (invented)."""
    return np.asarray(0.7 * codes + 0.3 * (3 * codes**2 - 2 * codes**3))


def light_of_page(studio: Studio) -> NDArray:
    return np.asarray(models.eotf_sRGB(studio.pixels("page-1") / 65535.0))


def codes_of(values: NDArray, bits: int = 16) -> NDArray:
    top = 2**bits - 1
    kind = np.uint16 if bits == 16 else np.uint8
    return (np.clip(values, 0, 1) * top + 0.5).astype(kind)


def read(studio: Studio, name: str, codes: NDArray, densities: object = DENSITIES) -> PageReading:
    strip = write_strip(studio.folder / f"{name}.csv", tuple(float(d) for d in np.round(densities, 4)))  # type: ignore[arg-type]
    (page,) = studio.read(studio.save(f"{name}.png", codes), strip=strip)
    return page


# --- honest scans ----------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("written", WRITTEN)
def test_honest_curves_come_out_the_same_and_say_nothing(studio: Studio, written: str, bits: int) -> None:
    page = read(studio, f"{written} {bits}", codes_of(WRITTEN[written](light_of_page(studio)), bits))
    assert page.notes == () and not page.forced
    true = studio.truth("page-1").paper.linear
    assert page.paper == pytest.approx(true, rel=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_a_strip_whose_densities_err_is_no_other_strip(studio: Studio, seed: int) -> None:
    """By 0.02, twice what a densitometer repeats to (common practice)."""
    wrong = D + np.random.default_rng(seed).normal(0, 0.02, len(D))
    page = read(studio, f"erring {seed}", studio.pixels("page-1"), wrong)
    assert page.notes == ()


@pytest.mark.parametrize("seed", range(3))
def test_a_linear_file_of_a_pale_print_is_honest(studio: Studio, seed: int) -> None:
    """A printer short of ink and a scanner that writes light as it is, and a strip that errs by a hundredth, are no wrong strip."""
    session = studio.session(
        printer=Printer(pale=0.35),
        scanner=Scanner(tone="linear", bits=16),
        strip=Strip(DENSITIES, errors=0.01),
        seed=seed,
    )
    codes = simulate_page(studio.plan, 1, studio.inks, session, dpi=DPI).pixels
    page = read(studio, f"pale {seed}", codes)
    assert page.notes == () and not page.forced
    assert page.black is not None and xyz_to_lab(linear_to_xyz(page.black))[0] > PALE_BLACK_L


def test_a_profile_that_the_codes_do_not_follow_is_named(studio: Studio) -> None:
    """A file that says sRGB by its profile (Pillow's own, IEC 61966-2-1) and was written by a gamma of 1.8."""
    strip = write_strip(studio.folder / "profiled.csv")
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    path = studio.save("true profile.png", studio.pixels("page-1"), srgb)
    assert studio.read(path, strip=strip)[0].notes == ()
    path = studio.save("profiled.png", codes_of(WRITTEN["gamma 1.8"](light_of_page(studio))), srgb)
    (page,) = studio.read(path, strip=strip)
    assert not page.forced and any(
        "gamma 1.8" in note and "profile says otherwise" in note for note in page.notes
    )


# --- another strip's file --------------------------------------------------------------------


@pytest.mark.parametrize("written", ["sRGB", "gamma 2.2", "s-curve"])
@pytest.mark.parametrize("times", [0.5, 0.667, 1.6])
def test_a_file_of_a_strip_more_or_less_dense_is_refused(studio: Studio, times: float, written: str) -> None:
    """As many steps in the same order, and densities that are a multiple: any smooth curve would pass them."""
    codes = codes_of(WRITTEN[written](light_of_page(studio)))
    error = failure(lambda: read(studio, "multiple", codes, 0.05 + (D - 0.05) * times))
    assert isinstance(error, UnfitError) and "multiple.png, page 1" in str(error)
    assert "strip file" in str(error)


def test_a_small_multiple_is_noticed_where_the_file_says_its_tone(studio: Studio) -> None:
    error = failure(lambda: read(studio, "fifth", studio.pixels("page-1"), D * 1.2))
    found = re.search(r"densities were ([\d.]+) times", str(error))
    # sRGB and a gamma of 2.2, either of which may be meant, are a hundredth apart.
    assert error.exit_code == 5 and found and float(found[1]) == pytest.approx(1 / 1.2, abs=0.02)


def test_densities_that_count_from_the_strips_own_white_are_refused(studio: Studio) -> None:
    error = failure(lambda: read(studio, "own white", studio.pixels("page-1"), D - 0.1))
    assert error.exit_code == 5
    assert "whiter than a perfect white" in str(error) and "base_density" in str(error)


def test_a_strip_far_too_dark_makes_no_paper(studio: Studio) -> None:
    error = failure(lambda: read(studio, "dark", studio.pixels("page-1"), D + 0.9))
    assert error.exit_code == 5 and "bare paper would be as dark as" in str(error)


@pytest.mark.parametrize("lighter", [0.0, 0.03])
def test_a_file_with_one_lighter_step_more_is_refused(studio: Studio, lighter: float) -> None:
    """Bare paper beside the strip then passes for its lightest step."""
    error = failure(lambda: read(studio, "one more", studio.pixels("page-1"), np.insert(D, 0, lighter)))
    assert error.exit_code == 4 and "steps" in str(error)


def test_all_that_is_refused_may_be_forced(studio: Studio) -> None:
    strip = write_strip(
        studio.folder / "half.csv", tuple(float(d) for d in np.round(0.05 + (D - 0.05) / 2, 4))
    )
    path = studio.scans["page-1"][0]
    made = measure(studio.plan, [path], strip, replace(SETTINGS, force=True))
    assert all("forced" in row.flags for row in made.table.readings)
    assert any("strip file" in warning and "page 1" in warning for warning in made.warnings)


# --- strips that lie wrongly -----------------------------------------------------------------


def painted(studio: Studio, across: bool) -> NDArray:
    """Return page 1 with its strip painted over by paper, and a strip across its rectangle where wanted."""
    truth, box = studio.truth("page-1"), studio.plan.pages[0].strip
    codes = studio.pixels("page-1").copy()
    paper = (models.eotf_inverse_sRGB(truth.paper.linear) * 65535).astype(np.uint16)

    def fill(x: float, y: float, width: float, height: float, value: NDArray) -> None:
        corners = truth.to_px([[x, y], [x + width, y + height]])
        (left, top), (right, bottom) = np.rint(corners).astype(int)
        codes[max(0, top) : bottom, max(0, left) : right] = value

    fill(box.x_mm - 3, box.y_mm - 3, box.width_mm + 6, box.height_mm + 6, paper)
    if across:
        step = 60.0 / len(D)
        for i, density in enumerate(D):
            value = models.eotf_inverse_sRGB(np.full(3, 10.0**-density))
            fill(box.x_mm + 20, box.y_mm - 25 + i * step, 8, step, (value * 65535).astype(np.uint16))
    return codes


@pytest.mark.parametrize(("across", "words"), [(False, "face down"), (True, "across")])
def test_a_strip_face_down_or_across_is_named(studio: Studio, across: bool, words: str) -> None:
    error = failure(lambda: read(studio, words, painted(studio, across)))
    assert isinstance(error, NotFoundError) and words in str(error)


def test_widths_and_values_from_opposite_ends_are_named(studio: Studio, tmp_path: Path) -> None:
    widths = (12.0, 4.0, 5.0, 7.0, 4.0, 6.0, 4.0, 7.0, 5.0, 6.0)
    laid = Strip(densities=DENSITIES, widths_mm=widths)
    path = studio.scan("widths", session=studio.session(strip=laid))
    rows = "".join(f"{i},{d},{w}\n" for i, (d, w) in enumerate(zip(DENSITIES, widths[::-1], strict=True)))
    (tmp_path / "widths.csv").write_text(f"step,density,width_mm\n{rows}")
    error = failure(lambda: studio.read(path, strip=read_strip(tmp_path / "widths.csv")))
    assert error.exit_code == 4 and "one way round" in str(error) and "same end" in str(error)


# --- automatic corrections -------------------------------------------------------------------


def whitened(studio: Studio, level: float) -> NDArray:
    """Let the driver scale the channels so that paper has this light in all three."""
    gains = level / studio.truth("page-1").paper.linear
    return codes_of(models.eotf_inverse_sRGB(light_of_page(studio) * gains))


def test_paper_made_white_and_cut_off_is_refused(studio: Studio) -> None:
    error = failure(lambda: read(studio, "white", whitened(studio, 1.1)))
    assert isinstance(error, UnfitError)
    assert "bare paper is cut off at the white end" in str(error) and "white balance" in str(error)


def test_paper_made_white_within_the_range_is_undone_and_named(studio: Studio) -> None:
    page = read(studio, "nearly white", whitened(studio, 0.985))
    assert page.paper == pytest.approx(studio.truth("page-1").paper.linear, rel=0.01)
    assert any("white" in note and "Switch off" in note for note in page.notes)


def stretched(studio: Studio, low: float, high: float) -> NDArray:
    """Let the driver's automatic contrast spread the codes from low to high over the range."""
    return codes_of((studio.pixels("page-1") / 65535.0 - low) / (high - low), 8)


def test_contrast_that_cuts_the_dark_steps_off_is_named_and_the_rest_measured(studio: Studio) -> None:
    page = read(studio, "contrast", stretched(studio, 0.25, 0.97))
    assert page.strip is not None and len(page.strip.light) < len(D)
    assert any("dark step" in note and "automatic contrast" in note for note in page.notes)
    assert page.paper == pytest.approx(studio.truth("page-1").paper.linear, rel=0.01)


def test_contrast_that_leaves_too_few_steps_is_refused(studio: Studio) -> None:
    error = failure(lambda: read(studio, "steep", stretched(studio, 0.6, 0.97)))
    assert error.exit_code in (4, 5) and "steps" in str(error)


def test_contrast_within_the_range_is_undone_and_named(studio: Studio) -> None:
    page = read(studio, "mild", stretched(studio, 0.08, 0.99))
    assert page.paper == pytest.approx(studio.truth("page-1").paper.linear, rel=0.01)
    assert any("stretched" in note for note in page.notes)


def test_the_warning_reaches_the_user(studio: Studio) -> None:
    path = studio.save("told.png", stretched(studio, 0.08, 0.99))
    made = measure(studio.plan, [path], studio.strip, SETTINGS)
    assert any("told.png, page 1" in warning and "stretched" in warning for warning in made.warnings)


# --- how light was written -------------------------------------------------------------------


@pytest.mark.parametrize("written", ["linear", "gamma 1.8", "gamma 2.2", "sRGB"])
def test_the_encoding_is_named(written: str) -> None:
    light = 10.0**-D
    found = find_encoding(models.eotf_sRGB(WRITTEN[written](light)), light, np.ones(10), np.zeros(10), 1.0)
    assert found.known == ("gamma 1.0" if written == "linear" else written)
    assert (
        found.fit.miss < 0.05
        and abs(found.fit.offset) < 2e-3
        and found.fit.white == pytest.approx(1, abs=2e-3)
    )


@pytest.mark.parametrize("times", [0.5, 0.8, 1.25])
def test_the_multiple_of_densities_is_found(times: float) -> None:
    light = 10.0**-D
    veil = np.full(10, 0.012)
    found = find_encoding(0.985 * light + veil, light ** (1 / times), np.ones(10), veil, 0.985)
    assert found.times == pytest.approx(times, abs=0.011) and found.times_miss < 0.05
