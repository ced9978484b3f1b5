"""The patches of a colour card: found however the card lies, read rightly, and refused where they do not tell.

Cards are painted here, from light that a simulated scanner sees of published reflectances (colour-science's 24 patches
'ISO 17321-1', which are measured ones) or of invented colours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calib.chart.carrier import lay_out_carrier
from calib.colour.card import Card
from calib.colour.colorimetry import (
    WHITE_D50,
    delta_e_2000,
    lab_to_xyz,
    linear_to_xyz,
    xyz_to_lab,
    xyz_to_linear,
)
from calib.scan.card import MARGIN_MM, CardNotFound, CardReading, CardUnfit, find_card
from calib.scan.cardcolours import best_lab, explained
from calib.scan.grid import way_of
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.spectra import chart_reflectances, spectrum_to_xyz

# 100 dots an inch: few pixels, for speed.
PER_MM = 5.9
SLOT = (120.0, 80.0)
PAPER = (0.86, 0.85, 0.83)


def grid_of(rows: int, columns: int) -> NDArray:
    return np.array([(row, column) for row in range(rows) for column in range(columns)])


def published(kind: str = "camera-1") -> tuple[Card, NDArray]:
    """The 24 published patches: what the file says, and what a scanner sees."""
    reflectances = np.array(list(chart_reflectances().values()))
    card = Card("published", 4, 6, grid_of(4, 6), spectrum_to_xyz(reflectances))
    return card, spectral_scanner(kind).linear(reflectances)


def invented(rows: int, columns: int, seed: int = 1) -> tuple[Card, NDArray]:
    """Invented colours of print, and what a scanner sees whose matrix is not the default one."""
    rng = np.random.default_rng(seed)
    lab = np.column_stack([rng.uniform(25, 90, rows * columns), rng.uniform(-35, 35, (rows * columns, 2))])
    xyz = lab_to_xyz(lab)
    mix = np.array([[0.9, 0.08, 0.02], [0.1, 0.85, 0.05], [0.0, 0.1, 0.9]])
    return Card("invented", rows, columns, grid_of(rows, columns), xyz), xyz_to_linear(xyz) @ mix.T


@dataclass(frozen=True)
class Laid:
    """How a card is made and laid. borders: left, top, right, bottom; gap: as a share of the pitch."""

    turn: int = 0
    offset: tuple[float, float] = (0.0, 0.0)
    tilt: float = 0.0
    borders: tuple[float, float, float, float] = (4.0, 5.0, 6.0, 9.0)
    gap: float = 0.1
    frame: float = 0.04
    scale: float = 1.0
    slot: tuple[float, float] = SLOT
    per_mm: float = PER_MM
    noise: float = 0.004
    blur_mm: float = 0.1


def painted(card: Card, light: NDArray, laid: Laid = Laid()) -> NDArray[np.float32]:
    """Return linear light of the slot and its margin with the card in it; the outline of the slot is printed."""
    width, height = (round((side + 2 * MARGIN_MM) * laid.per_mm) for side in laid.slot)
    x, y = np.meshgrid(
        (np.arange(width) + 0.5 - width / 2) / laid.per_mm,
        (np.arange(height) + 0.5 - height / 2) / laid.per_mm,
    )
    picture = np.empty((height, width, 3), np.float32)
    picture[:] = PAPER
    rim = np.maximum(np.abs(x) - laid.slot[0] / 2, np.abs(y) - laid.slot[1] / 2)
    picture[np.abs(rim) < 0.2] = 0.1
    angle = np.radians(laid.tilt + laid.turn)
    dx, dy = x - laid.offset[0], y - laid.offset[1]
    u = (dx * np.cos(angle) + dy * np.sin(angle)) / laid.scale
    v = (dy * np.cos(angle) - dx * np.sin(angle)) / laid.scale
    size = laid.slot if laid.turn in (0, 180) else laid.slot[::-1]
    picture[(np.abs(u) < size[0] / 2) & (np.abs(v) < size[1] / 2)] = laid.frame
    left, top, right, bottom = laid.borders
    column = (u + size[0] / 2 - left) / (size[0] - left - right) * card.columns
    row = (v + size[1] / 2 - top) / (size[1] - top - bottom) * card.rows
    values = np.full((card.rows, card.columns, 3), np.nan, np.float32)
    values[card.place[:, 0], card.place[:, 1]] = light
    r, c = np.floor(row).astype(int), np.floor(column).astype(int)
    patch = (r >= 0) & (r < card.rows) & (c >= 0) & (c < card.columns)
    patch &= np.maximum(np.abs(column - c - 0.5), np.abs(row - r - 0.5)) < (1 - laid.gap) / 2
    patch[patch] = np.isfinite(values[r[patch], c[patch], 0])
    picture[patch] = values[r[patch], c[patch]]
    picture = cv2.GaussianBlur(picture, (0, 0), laid.blur_mm * laid.per_mm)
    grain = np.random.default_rng(1).normal(0, laid.noise, picture.shape)
    return (picture + grain * np.sqrt(np.maximum(picture, 0.05))).astype(np.float32)


def read(card: Card, light: NDArray, laid: Laid = Laid(), file: Card | None = None) -> CardReading:
    return find_card(painted(card, light, laid), laid.per_mm, laid.slot, file or card)


def words(card: Card, picture: NDArray[np.float32], **options: NDArray) -> str:
    """Return the words of a refusal."""
    with pytest.raises(CardNotFound) as caught:
        find_card(picture, PER_MM, SLOT, card, **options)
    return str(caught.value)


# --- found however it lies -----------------------------------------------------------------------


@pytest.mark.parametrize("turn", [0, 180])
@pytest.mark.parametrize(
    ("offset", "tilt"), [((0, 0), 0.0), ((2, -2), 2.0), ((-2, -2), -2.0), ((-2, 2), 1.0)], ids=str
)
def test_a_card_laid_by_hand_is_read(turn: int, offset: tuple[float, float], tilt: float) -> None:
    card, light = published()
    reading = read(card, light, Laid(turn, offset, tilt))
    assert reading.turn == turn
    assert reading.linear == pytest.approx(light, abs=0.001)
    assert reading.mismatch < 1.5 and not reading.clipped.any()


@pytest.mark.parametrize("kind", ["colorimetric", "camera-1", "camera-2", "three-led"])
@pytest.mark.parametrize("turn", [90, 270])
def test_a_card_on_its_side_is_read_by_any_scanner(turn: int, kind: str) -> None:
    card, light = published(kind)
    reading = read(card, light, Laid(turn, (1, -1.5), 1.3, slot=(80.0, 120.0)))
    assert reading.turn == turn and reading.linear == pytest.approx(light, abs=0.001)


def test_corners_and_patches_in_millimetres() -> None:
    """Against the painter's own geometry, worked out by hand for a card that lies straight."""
    card, light = published()
    plain = read(card, light)
    assert plain.corners == pytest.approx(np.array([[4, 5], [114, 5], [114, 71], [4, 71]]), abs=0.15)
    assert plain.patch_mm == pytest.approx((0.9 * 110 / 6, 0.9 * 66 / 4), abs=0.2)
    turned = read(card, light, Laid(180, (1.0, 0.5)))
    expected = np.array([[117, 75.5], [7, 75.5], [7, 9.5], [117, 9.5]])
    assert turned.corners == pytest.approx(expected, abs=0.15)


@pytest.mark.parametrize(
    ("size", "laid"),
    [
        ((4, 6), Laid(gap=0.0, frame=0.86, borders=(1, 1, 1, 1))),
        ((10, 14), Laid(gap=0.0, frame=0.04, borders=(12, 1, 3, 22))),
        ((10, 14), Laid(gap=0.45, frame=0.86, borders=(2, 12, 9, 3))),
        ((4, 6), Laid(gap=0.3, frame=0.2, scale=0.93)),
        ((6, 8), Laid(gap=0.02, frame=0.5, scale=1.07, blur_mm=0.25)),
        ((6, 8), Laid(gap=0.1, noise=0.02)),
    ],
    ids=[
        "touching on white",
        "touching, caption",
        "wide gaps",
        "page printed larger",
        "page printed smaller",
        "noise",
    ],
)
def test_cards_of_many_makes(size: tuple[int, int], laid: Laid) -> None:
    card, light = invented(*size, seed=size[0])
    laid = replace(laid, offset=(1.5, -1.5), tilt=-1.5, turn=180)
    reading = read(card, light, laid)
    assert reading.turn == 180
    assert np.sqrt(np.mean((reading.linear - light) ** 2)) < (0.004 if laid.noise > 0.01 else 0.0012)


@pytest.mark.parametrize("per_mm", [5.9, 23.6])
def test_264_small_patches(per_mm: float) -> None:
    """4.6 mm of pitch with 4 mm patches, at 150 and 600 dpi."""
    card, light = invented(12, 22, seed=2)
    laid = Laid(turn=180, offset=(2, -1), tilt=1.5, gap=0.13, slot=(110.0, 70.0), per_mm=per_mm)
    reading = read(card, light, laid)
    assert reading.turn == 180 and reading.linear == pytest.approx(light, abs=0.004)


def test_places_may_be_absent() -> None:
    card, light = invented(6, 8, seed=3)
    there = np.ones(len(light), bool)
    there[[0, 7, 20, 47]] = False
    part = replace(card, place=card.place[there], xyz=card.xyz[there])
    reading = read(part, light[there], Laid(180, (1, 1), -1))
    assert reading.turn == 180 and reading.linear == pytest.approx(light[there], abs=0.001)


def test_dust_scratches_and_gloss_are_passed_over() -> None:
    card, light = published()
    picture = painted(card, light)
    rng = np.random.default_rng(3)
    for _ in range(150):
        x, y = (int(rng.integers(0, n)) for n in picture.shape[1::-1])
        colour = [0.95] * 3 if rng.random() < 0.5 else [0.05] * 3
        if rng.random() < 0.2:
            cv2.line(picture, (x, y), (x + int(rng.integers(-60, 60)), y + 40), colour, 1)
        else:
            cv2.circle(picture, (x, y), 1, colour, -1)
    reading = find_card(picture, PER_MM, SLOT, card)
    assert delta_e_2000(*(xyz_to_lab(linear_to_xyz(v)) for v in (reading.linear, light))).max() < 0.5


def test_doubt_covers_the_error() -> None:
    card, light = published()
    reading = read(card, light, Laid(noise=0.01))
    assert 0.3 < np.sqrt(np.mean(((reading.linear - light) / reading.u) ** 2)) < 1.2
    assert np.median(reading.u) < 0.001


def test_a_shaded_patch_has_more_doubt() -> None:
    card, light = published()
    picture = painted(card, light)
    clean = find_card(picture, PER_MM, SLOT, card)
    x, y = ((clean.corners[0] + MARGIN_MM) * PER_MM).astype(int)
    picture[y : y + 97, x : x + 108] *= np.linspace(0.9, 1.1, 97, dtype=np.float32)[:, None, None]
    shaded = find_card(picture, PER_MM, SLOT, card)
    assert (shaded.u[0] > 5 * clean.u[0]).all() and (shaded.u[8] < 2 * clean.u[8]).all()


# --- refused in words ----------------------------------------------------------------------------


def test_bare_paper() -> None:
    card, light = published()
    picture = painted(replace(card, place=card.place[:0]), light[:0], Laid(frame=0.85))
    assert "nothing lies in the slot" in words(card, picture)


@pytest.mark.parametrize("kind", ["camera-2", "three-led"])
def test_wrong_files(kind: str) -> None:
    card, light = published(kind)
    picture = painted(card, light, Laid(180, (1, 1), 1))
    assert find_card(picture, PER_MM, SLOT, card).turn == 180
    exchanged = replace(card, rows=6, columns=4, place=card.place[:, ::-1])
    assert "mirror image" in words(exchanged, picture)
    assert "mirror image" in words(replace(card, place=np.array([0, 5]) + card.place * [1, -1]), picture)
    assert "mirror image" in words(replace(card, place=np.array([3, 0]) + card.place * [-1, 1]), picture)
    for seed in range(3):
        shuffled = replace(card, xyz=np.random.default_rng(seed).permutation(card.xyz))
        assert "nothing in the slot looks like 4 rows and 6 columns" in words(shuffled, picture)
        assert "dE00" in words(invented(4, 6, seed)[0], picture)
    assert "nothing in the slot looks like" in words(invented(6, 8)[0], picture)


def test_a_file_that_is_wrong_in_places() -> None:
    card, light = invented(6, 8, seed=5)
    picture = painted(card, light)
    xyz = card.xyz.copy()
    xyz[[3, 30]] = xyz[[30, 3]]
    said = words(replace(card, xyz=xyz), picture)
    assert "exchanged" in said and "row 1, column 4" in said and "row 4, column 7" in said
    xyz = card.xyz.copy()
    xyz[40:] = np.roll(xyz[40:], 3, axis=0)
    assert "row 6 does not show" in words(replace(card, xyz=xyz), picture)
    xyz = card.xyz.copy()
    xyz[9] = WHITE_D50 if card.xyz[9, 1] < 0.3 else WHITE_D50 * 0.01
    assert "row 2, column 2" in words(replace(card, xyz=xyz), picture)


def test_a_card_that_reads_the_same_either_way_up() -> None:
    card, light = invented(6, 8, seed=6)
    half = np.arange(24)
    for values in (card.xyz, light):
        values[47 - half] = values[half]
    assert "which way up" in words(card, painted(card, light))
    # A few unlike patches tell.
    for i, lab in enumerate([(30, 0, 0), (85, 20, 20), (50, 40, -20), (60, -30, 20)]):
        card.xyz[i] = lab_to_xyz(lab)
        light[i] = xyz_to_linear(card.xyz[i])
    assert read(card, light, Laid(180)).turn == 180


def test_a_card_that_is_its_own_mirror_image() -> None:
    card, light = invented(6, 8, seed=7)
    for values in (card.xyz, light):
        square = values.reshape(6, 8, 3)
        square[:, 4:] = square[:, 3::-1]
    assert "mirror image" in words(card, painted(card, light))


def test_too_few_patches_and_only_greys() -> None:
    card, light = invented(2, 5)
    assert "only 10 patches" in words(card, painted(card, light))
    greys = np.linspace(0.03, 0.9, 24)[:, None]
    card = Card("greys", 4, 6, grid_of(4, 6), greys * WHITE_D50)
    assert "greys do not tell" in words(card, painted(card, np.repeat(greys, 3, axis=1)))


def test_a_picture_that_ends_on_the_card() -> None:
    card, light = published()
    picture = painted(card, light)
    picture[: round(PER_MM * (MARGIN_MM + 21.5))] = np.nan
    reading = find_card(picture, PER_MM, SLOT, card)
    seen = np.isfinite(reading.linear).all(axis=1)
    assert list(np.flatnonzero(~seen)) == list(range(6))
    assert reading.linear[seen] == pytest.approx(light[seen], abs=0.001)
    picture[: round(PER_MM * (MARGIN_MM + 60))] = np.nan
    assert "outside the picture" in words(card, picture)


@pytest.mark.parametrize(("patch", "end"), [(18, "light"), (23, "dark")])
def test_clipped_patches_are_named(patch: int, end: str) -> None:
    card, light = published()
    picture = painted(card, light)
    clean = find_card(picture, PER_MM, SLOT, card, np.zeros(picture.shape, bool))
    # The painter's own geometry: row 4, and column 1 or 6, of a card that lies straight.
    row, column = divmod(patch, 6)
    x, y = (
        round((MARGIN_MM + a + (b + 0.5) * c) * PER_MM) for a, b, c in ((4, column, 110 / 6), (5, row, 16.5))
    )
    ends = np.zeros(picture.shape, bool)
    ends[y - 8 : y + 8, x - 8 : x + 8, 1] = True
    with pytest.raises(CardUnfit) as caught:
        find_card(picture, PER_MM, SLOT, card, ends)
    assert f"1 patch: row 4, column {column + 1} (at the {end} end)" in str(caught.value)
    assert caught.value.reading.clipped[patch] > 0.02 and np.count_nonzero(caught.value.reading.clipped) == 1
    assert caught.value.reading.linear == pytest.approx(clean.linear)


# --- arithmetic ----------------------------------------------------------------------------------


def test_ways_round() -> None:
    """Turning four times is no turn, and the first patch goes clockwise round the corners."""
    firsts = [way_of(turn, False, 4, 6) @ (0, 0, 1) for turn in (0, 90, 180, 270)]
    assert np.array(firsts)[:, :2].tolist() == [[0, 0], [3, 0], [5, 3], [0, 5]]
    quarter = way_of(90, False, 4, 6)
    assert way_of(90, False, 6, 4) @ quarter == pytest.approx(way_of(180, False, 4, 6))
    assert np.linalg.det(way_of(90, True, 4, 6)) == pytest.approx(-1)


def test_the_best_matrix_keeps_white_and_finds_a_known_one() -> None:
    card, light = invented(4, 6)
    assert delta_e_2000(best_lab(light, card.xyz), xyz_to_lab(card.xyz)).max() < 1e-6
    # Three patches of other colours than the file's do not drag the rest with them.
    light[:3] = 0.5
    assert delta_e_2000(best_lab(light, card.xyz), xyz_to_lab(card.xyz))[3:].max() < 0.7
    seen = np.vstack([light, np.ones((1, 3))])
    white = best_lab(seen, np.vstack([card.xyz, WHITE_D50]))[-1]
    assert white == pytest.approx((100, 0, 0), abs=1e-6)
    light[5] = np.nan
    assert np.isnan(best_lab(light, card.xyz)[5]).all() and np.isfinite(best_lab(light, card.xyz)[6:]).all()


def test_the_share_explained_against_least_squares() -> None:
    """NumPy's own least squares, with a column of ones, gives the same share where the ridge is small."""
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 1, (40, 3)), rng.uniform(0, 100, (40, 3))
    y[:, 0] += 300 * x[:, 1]
    design = np.column_stack([x, np.ones(40)])
    rest = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    share = 1 - np.sum(rest**2) / np.sum((y - y.mean(axis=0)) ** 2)
    assert explained(x, y) == pytest.approx(share, abs=1e-3)


def test_the_carrier_leaves_the_margin() -> None:
    """What is cut out round the slot must not show another card, mark or text that could be taken for patches."""
    carrier = lay_out_carrier((200, 130), (210, 297), (160, 14))
    page = carrier.page
    assert page.slot is not None
    # Only the height counts: beside the slot is the sheet's edge.
    around = page.slot.grown(MARGIN_MM)
    for other in (page.strip, page.black, *(mark.box for mark in page.marks)):
        assert other.bottom_mm <= around.y_mm or other.y_mm >= around.bottom_mm
