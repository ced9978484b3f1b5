"""The grey strip found where a hand laid it: either way round, askew, of unequal steps; or not found.

Outside source: the strips are painted here, pixel by pixel at ten times their resolution, from densities alone.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from conftest import DENSITIES, OPTIONS, SETTINGS, Studio, failure, pictures_of, write_strip
from numpy.typing import NDArray

from calib.chart.layout import lay_out
from calib.colour.colorimetry import delta_e_2000
from calib.colour.reference import read_strip
from calib.errors import NotFoundError, UnfitError
from calib.scan.measure import measure
from calib.scan.place import MARGIN_MM, StripNotFound
from calib.scan.reading import read_picture
from calib.scan.strip import StripReading, find_strip, turned
from calib.synthetic.session import Strip

SIZE = (60.0, 8.0)
EVEN = np.full(10, 0.1)
PER_MM = 150 / 25.4
LIGHT = 10.0 ** -np.array(DENSITIES)


def painted(
    light: NDArray,
    widths: NDArray = EVEN,
    offset: tuple[float, float] = (0.0, 0.0),
    turn: float = 0.0,
    noise: float = 0.002,
    scale: float = 1.0,
) -> NDArray[np.float32]:
    """Return the picture of a strip's rectangle and its margin: paper, and the strip laid askew on it."""
    fine = 10.0
    strip = np.repeat(light, np.rint(np.asarray(widths) * SIZE[0] * fine).astype(int))[None, :]
    strip = np.repeat(strip, round(SIZE[1] * fine), axis=0).astype(np.float32)
    width, height = (round((side + 2 * MARGIN_MM) * PER_MM) for side in SIZE)
    angle = np.radians(turn)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    # Strip pixels to millimetres about its middle, turned and moved, to pixels of the picture.
    middle = np.array([strip.shape[1] - 1, strip.shape[0] - 1]) / 2
    there = np.array([width - 1, height - 1]) / 2
    linear = rotation * PER_MM * scale / fine
    shift = there + PER_MM * np.array(offset) - linear @ middle
    affine = np.column_stack([linear, shift])
    size = (width * 4, height * 4)
    # Painted four times as fine and averaged, as a sensor does.
    zoom = np.array([[4, 0, 1.5], [0, 4, 1.5], [0, 0, 1]]) @ np.vstack([affine, [0, 0, 1]])
    large = cv2.warpAffine(
        strip, zoom[:2], size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.86
    )
    grey = cv2.resize(large, (width, height), interpolation=cv2.INTER_AREA)
    grain = np.random.default_rng(1).normal(0, noise, (height, width, 3))
    return (grey[..., None] + grain).astype(np.float32)


def in_order(reading: StripReading, light: NDArray) -> NDArray:
    """Put the steps as the page reader does: the lightest of the file reads lightest."""
    means = reading.light.mean(axis=1)
    if np.corrcoef(means, light)[0, 1] < 0:
        means = turned(reading).light.mean(axis=1)
    return means


@pytest.mark.parametrize("backwards", [False, True], ids=["as filed", "other way round"])
@pytest.mark.parametrize("turn", [-1.5, 0.0, 1.5])
@pytest.mark.parametrize("offset", [(0.0, 0.0), (1.5, 1.5), (-1.5, 1.5), (1.5, -1.5), (-1.5, -1.5)], ids=str)
def test_a_strip_laid_by_hand_is_read(offset: tuple[float, float], turn: float, backwards: bool) -> None:
    """1.5 mm and 1.5 degrees are what the contract expects of a hand."""
    laid = LIGHT[::-1] if backwards else LIGHT
    reading = find_strip(painted(laid, offset=offset, turn=turn), PER_MM, SIZE, EVEN)
    assert in_order(reading, LIGHT) == pytest.approx(LIGHT, abs=0.0012)
    assert abs(reading.place.along - offset[0]) < 0.6 and abs(reading.place.across - offset[1]) < 1.2


@pytest.mark.parametrize("side", ["above", "below"])
@pytest.mark.parametrize("turn", [-1.2, 0.0, 1.2])
def test_a_strip_that_the_picture_cuts_lengthwise_is_read(side: str, turn: float) -> None:
    """Of the rectangle's 8 mm, 5.5 are in the picture; of a strip askew, 4.9 at the one end and 6.1 at the other."""
    picture = painted(LIGHT, turn=turn)
    rows = round((MARGIN_MM + 2.5) * PER_MM)
    picture[:rows] = np.nan
    picture = picture if side == "above" else picture[::-1]
    reading = find_strip(picture, PER_MM, SIZE, EVEN)
    assert in_order(reading, LIGHT) == pytest.approx(LIGHT, abs=0.002)


def test_a_strip_cut_to_a_sliver_is_not_found() -> None:
    picture = painted(LIGHT)
    picture[: round((MARGIN_MM + 6.0) * PER_MM)] = np.nan
    with pytest.raises(StripNotFound):
        find_strip(picture, PER_MM, SIZE, EVEN)


@pytest.mark.parametrize("backwards", [False, True])
def test_unequal_steps_tell_the_direction_by_themselves(backwards: bool) -> None:
    widths = np.array([0.20, 0.06, 0.08, 0.12, 0.06, 0.10, 0.06, 0.12, 0.08, 0.12])
    laid, given = (LIGHT[::-1], widths[::-1]) if backwards else (LIGHT, widths)
    reading = find_strip(painted(laid, given, (0.8, -0.6), 0.7), PER_MM, SIZE, widths)
    assert reading.place.reversed == backwards
    assert reading.light.mean(axis=1) == pytest.approx(LIGHT, abs=0.0015)


@pytest.mark.parametrize("scale", [0.94, 1.06])
def test_a_strip_longer_or_shorter_than_planned(scale: float) -> None:
    """A true strip on a page that was printed smaller, or the other way about."""
    reading = find_strip(painted(LIGHT, scale=scale), PER_MM, SIZE, EVEN)
    assert in_order(reading, LIGHT) == pytest.approx(LIGHT, abs=0.0015)
    assert reading.place.scale == pytest.approx(scale, abs=0.02)


@pytest.mark.parametrize("what", ["paper", "noise", "one step"])
def test_what_is_no_strip_is_not_found(what: str) -> None:
    flat = {
        "paper": np.full(10, 0.86),
        "noise": np.random.default_rng(2).uniform(0.1, 0.9, 300),
        "one step": np.array([0.9] * 5 + [0.1] * 5),
    }[what]
    picture = painted(flat, np.full(len(flat), 1 / len(flat)))
    if what == "one step":
        # Two tones leave nothing inside ten steps: that it is no scale is for the tone curve to say.
        assert np.ptp(find_strip(picture, PER_MM, SIZE, EVEN).light) > 0.5
        return
    with pytest.raises(StripNotFound):
        find_strip(picture, PER_MM, SIZE, EVEN)


def test_dust_on_a_step_is_passed_over() -> None:
    picture = painted(LIGHT)
    # Two specks of 0.5 mm on two steps.
    for x in (30, 52):
        at = round(x * PER_MM), round((MARGIN_MM + 4) * PER_MM)
        picture[at[1] : at[1] + 3, at[0] : at[0] + 3] = 0.9
    assert in_order(find_strip(picture, PER_MM, SIZE, EVEN), LIGHT) == pytest.approx(LIGHT, abs=0.003)


def test_noise_and_doubt_of_the_steps() -> None:
    """The noise is that of quarter-millimetre squares: a pixel's over the root of their number in one."""
    noise = 0.01
    reading = find_strip(painted(LIGHT, noise=noise), PER_MM, SIZE, EVEN)
    side = max(1, round(0.25 * PER_MM))
    # Interpolating between pixels takes up to half of the noise away.
    assert 0.45 < reading.block_noise.mean() / (noise / side) < 1.2
    error = reading.light - LIGHT[:, None]
    assert np.sqrt(np.mean((error / reading.u) ** 2)) < 2


def shared_noise(rng: np.random.Generator, shape: tuple[int, int], kind: str) -> NDArray:
    """Noise of one in a hundred that neighbours share: over a blur's width, or all along a column."""
    if kind == "white":
        return rng.normal(0, 0.01, shape)
    if kind == "columns":
        return rng.normal(0, 0.007, shape) + rng.normal(0, 0.007, (1, shape[1]))
    blurred = cv2.GaussianBlur(rng.normal(0, 1, shape), (0, 0), 2.5)
    return np.asarray(0.01 * blurred / blurred.std())


@pytest.mark.parametrize("kind", ["white", "columns", "blurred"])
def test_the_doubt_of_a_steps_light_counts_noise_that_pixels_share(kind: str) -> None:
    """The errors of many strips over their doubt, where squares counted as independent would be wrong twofold and more."""
    rng = np.random.default_rng(11)
    clean = painted(LIGHT, noise=0.0)
    ratios = []
    for _ in range(6):
        noise = np.stack([shared_noise(rng, clean.shape[:2], kind) for _ in range(3)], axis=-1)
        reading = find_strip((clean + noise).astype(np.float32), PER_MM, SIZE, EVEN)
        ratios.append((in_order_all(reading) - LIGHT[:, None]) / in_order_all(reading, "u"))
    spread = float(np.sqrt(np.mean(np.square(ratios))))
    assert 0.7 < spread < 1.35, spread


def in_order_all(reading: StripReading, field: str = "light") -> NDArray:
    lightest_first = reading.light[0, 1] > reading.light[-1, 1]
    return np.asarray(getattr(reading, field)[:: 1 if lightest_first else -1])


def test_steps_at_the_end_of_the_range_are_told() -> None:
    picture = painted(LIGHT)
    ends = np.zeros((*picture.shape[:2], 2), np.float32)
    ends[..., 1] = picture.mean(axis=2) > 0.7
    reading = find_strip(picture, PER_MM, SIZE, EVEN, ends)
    assert in_order_all(reading, "usable").tolist() == [False] + [True] * 9
    assert len(reading.only(reading.usable).light) == 9


# --- on a page -------------------------------------------------------------------------------


def test_a_strip_laid_the_other_way_round_and_askew(studio: Studio) -> None:
    strip = Strip(densities=DENSITIES, reversed=True, offset_mm=(-1.5, 1.5), turn_deg=-1.5)
    studio.scan("strip askew", session=studio.session(strip=strip))
    plain, askew = studio.table("page-1").table, studio.table("strip askew").table
    facts = askew.origin.lighting["pages"][0]
    assert facts["strip_reversed"] is True and facts["strip_along_mm"] == pytest.approx(-1.5, abs=0.6)
    pairs = [
        (one.lab, two.lab)
        for one, two in zip(plain.readings, askew.readings, strict=True)
        if "clipped" not in one.flags
    ]
    assert delta_e_2000(*np.swapaxes(np.array(pairs), 0, 1)).max() < 0.3


def test_no_strip_in_the_rectangle_is_exit_4(studio: Studio) -> None:
    path = studio.scan("no strip", session=studio.session(strip=Strip(densities=DENSITIES, present=False)))
    error = failure(lambda: studio.read(path))
    assert isinstance(error, NotFoundError) and error.exit_code == 4
    assert "no grey strip with 10 steps" in str(error) and "--strip none" in str(error)


def even(steps: int) -> tuple[float, ...]:
    """Densities of a file that spans what the strip spans, with another number of steps."""
    return tuple(round(float(d), 3) for d in np.linspace(DENSITIES[0], DENSITIES[-1], steps))


@pytest.mark.parametrize(
    "stated",
    [DENSITIES[1:], even(7), even(9), even(12)],
    ids=["lightest missing", "7 of 10", "9 of 10", "12 of 10"],
)
def test_a_strip_file_of_another_number_of_steps_is_refused(
    studio: Studio, tmp_path: Path, stated: tuple[float, ...]
) -> None:
    """Not found, and never a table: its colours would be off by 2 to 20 dE00 without a word."""
    strip = write_strip(tmp_path / "other.csv", stated)
    error = failure(lambda: studio.read(studio.scans["page-1"][0], strip=strip))
    assert error.exit_code == 4 and "page-1.png" in str(error)


def test_a_strip_file_in_the_wrong_order_is_exit_5(studio: Studio, tmp_path: Path) -> None:
    path = tmp_path / "mixed.csv"
    densities = list(DENSITIES)
    # A leaflet read with two columns exchanged: allowed by no strip, if the reader of the file lets it pass.
    densities[3], densities[4] = densities[4], densities[3]
    path.write_text("step,density\n" + "".join(f"{i},{d}\n" for i, d in enumerate(densities, 1)))
    error = failure(lambda: studio.read(studio.scans["page-1"][0], strip=read_strip(path)))
    assert error.exit_code in (3, 5)


def test_another_strip_of_as_many_steps_is_unfit_and_may_be_forced(studio: Studio, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    wrong = sorted(
        round(d + float(e), 3) for d, e in zip(DENSITIES, rng.uniform(-0.08, 0.08, 10), strict=True)
    )
    strip = write_strip(tmp_path / "wrong.csv", tuple(wrong))
    path = studio.scans["page-1"][0]
    error = failure(lambda: studio.read(path, strip=strip))
    assert isinstance(error, UnfitError) and error.exit_code == 5
    assert "page-1.png" in str(error) and "L*" in str(error)
    forced = measure(studio.plan, [path], strip, replace(SETTINGS, force=True)).table
    assert all("forced" in row.flags for row in forced.readings)
    assert forced.origin.settings["force"] is True


def test_a_strip_file_with_lab_values_gives_the_same_table(studio: Studio, tmp_path: Path) -> None:
    path = tmp_path / "lab.csv"
    lab = studio.strip.lab
    path.write_text(
        "step,L,a,b\n" + "".join(f"{i},{L:.6f},{a:.6f},{b:.6f}\n" for i, (L, a, b) in enumerate(lab, 1))
    )
    strip = read_strip(path)
    assert strip.kind == "Lab"
    (picture,) = pictures_of(studio.scans["page-1"][0])
    (by_lab,) = read_picture(picture, studio.plan, strip)
    (by_density,) = read_picture(picture, studio.plan, studio.strip)
    assert by_lab.paper == pytest.approx(by_density.paper, abs=1e-5)


def test_without_a_strip_white_is_the_paper(studio: Studio) -> None:
    made = measure(studio.plan, [studio.scans["page-1"][0]], None, SETTINGS)
    rows = made.table.readings
    assert all("no-strip" in row.flags and row.u_abs is None for row in rows)
    paper = next(row for row in rows if row.kind == "paper")
    assert paper.lab == pytest.approx((100, 0, 0), abs=0.05)
    assert made.table.origin.strip == {"kind": "none"}
    # Relative to the paper all is as with the strip, as far as sRGB is the scanner's own tone.
    truth, white = studio.true_lab("page-1"), studio.truth("page-1").paper
    for row in rows:
        if row.kind == "ink" and "clipped" not in row.flags:
            true = truth[row.marker, row.layers]
            assert pytest.approx(100 * (true[0] + 16) / (white.lab[0] + 16) * 1.16 - 16, abs=1.5) == row.L


def test_a_strip_that_stands_upright(studio: Studio) -> None:
    """A strip too long for a narrow page stands at its right edge."""
    plan = lay_out(studio.plan.markers[1:5], replace(OPTIONS, strip_mm=(110.0, 8.0), controls=0))
    box = plan.pages[0].strip
    assert box.height_mm > box.width_mm
    path = studio.scan("upright", session=studio.session(), plan=plan)
    rows = measure(plan, [path], studio.strip, SETTINGS).table.readings
    truth = {(c.marker, c.layers): c.film_lab for c in studio.truth("upright").cells.values()}
    errors = [
        float(delta_e_2000(row.lab, truth[row.marker, row.layers]))
        for row in rows
        if row.kind == "ink" and "clipped" not in row.flags
    ]
    assert len(errors) >= 4 and max(errors) < 0.5, errors
