"""A simulated colour card in its slot: truth against pixels and against other libraries, and every fault at work."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import colour
import cv2
import numpy as np
import pytest
from conftest import failure

from calib.chart.carrier import Carrier, lay_out_carrier
from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.colour.card import read_card
from calib.colour.colorimetry import srgb_decode
from calib.errors import ImpossibleError
from calib.synthetic.card import SimCard, grid_places, invented_card, published_card
from calib.synthetic.inks import SimPaper
from calib.synthetic.scan import SimulatedScan, simulate_page
from calib.synthetic.session import TRUE_SCANNER, CardLaying, Laying, Printer, Scanner, Session, Strip
from calib.synthetic.slot import CardTruth
from calib.synthetic.spectra import WAVELENGTHS

STILL = CardLaying(offset_mm=(0, 0), turn_deg=0, shadow=0, texture=0, dust=0)
# A page without any fault, for a scanner that reads true.
TRUE = Session(
    paper=SimPaper(texture=0.0),
    strip=Strip(offset_mm=(0, 0), turn_deg=0, shadow=0),
    card=STILL,
    laying=Laying(turn_deg=0, offset_mm=(0, 0), shadow=0, margin_mm=0),
    scanner=replace(TRUE_SCANNER, kind="camera-1"),
)
SMALL = (90.0, 60.0)


@cache
def carrier() -> Carrier:
    return lay_out_carrier(SMALL, (148.0, 210.0), (100.0, 10.0))


@cache
def card() -> SimCard:
    """The published 24 patches on a card of 90 x 60 mm with unequal borders."""
    return replace(published_card(), size_mm=SMALL, border_mm=(4.0, 6.0, 8.0, 10.0), gap_mm=(2.0, 3.0))


def laid(
    laying: CardLaying = STILL, of: SimCard | None = None, dpi: float = 150, **more: object
) -> SimulatedScan:
    session = replace(TRUE, card=laying, **more)  # type: ignore[arg-type]
    return simulate_page(carrier().plan, 1, {}, session, dpi=dpi, card=of or card())


def truth_of(scan: SimulatedScan) -> CardTruth:
    assert scan.truth.card is not None
    return scan.truth.card


def light(scan: SimulatedScan) -> np.ndarray:
    return srgb_decode(scan.pixels / np.iinfo(scan.pixels.dtype).max)


def inner(scan: SimulatedScan, keep: float = 0.8) -> list[np.ndarray]:
    """Return the light of the pixels (k, 3) in the middle of each patch, cut out by OpenCV."""
    seen = light(scan)
    found = []
    for corners in truth_of(scan).patches_px:
        middle = corners.mean(axis=0)
        inside = np.zeros(seen.shape[:2], np.uint8)
        cv2.fillConvexPoly(inside, np.rint(middle + keep * (corners - middle)).astype(np.int32), 1)
        found.append(seen[inside > 0])
    return found


@pytest.mark.parametrize("turn", [0.0, 1.7, -2.0, 180.0, 181.5])
def test_every_patch_reads_its_truth_wherever_the_card_lies(turn: float) -> None:
    scan = laid(replace(STILL, turn_deg=turn, offset_mm=(1.5, -2.0)))
    truth = truth_of(scan)
    for patch, linear in zip(inner(scan), truth.linear, strict=True):
        assert np.abs(patch - linear).max() < 2e-4
    # The check can fail: no patch reads as its neighbour.
    assert np.abs(np.diff(truth.linear, axis=0)).max(axis=1).min() > 0.01


@pytest.mark.filterwarnings("ignore")
def test_xyz_is_what_colour_science_makes_of_the_spectra() -> None:
    """An outside sum: ISO 17321-1's reflectances through colour-science's sd_to_XYZ (ASTM E308, 1 nm)."""
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    published = colour.SDS_COLOURCHECKERS["ISO 17321-1"]
    expected = [
        colour.sd_to_XYZ(sd, observer, colour.SDS_ILLUMINANTS["D50"]) / 100 for sd in published.values()
    ]
    truth = truth_of(laid())
    np.testing.assert_allclose(truth.xyz, expected, atol=6e-4)
    np.testing.assert_array_equal(truth.place, grid_places(4, 6))
    np.testing.assert_array_equal(card().xyz, truth.xyz)


def outline(scan: SimulatedScan) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Return middle, size and turn of the dark card as OpenCV's smallest rectangle sees it, in pixels."""
    dark = (scan.pixels[..., 1] < 0.55 * 65535).astype(np.uint8)
    dark = cv2.morphologyEx(dark, cv2.MORPH_CLOSE, np.ones((61, 61), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark)
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    points = np.argwhere(labels == largest)[:, ::-1].astype(np.float32)
    middle, size, turn = cv2.minAreaRect(points)
    # Between the middles of the outermost pixels lies one pixel less than the card.
    return middle, (max(size) + 1, min(size) + 1), (turn + 45) % 90 - 45


def test_the_card_lies_where_it_is_said_to() -> None:
    dark = replace(card(), reflectance=np.full((24, len(WAVELENGTHS)), 0.1))
    per_mm = 150 / 25.4
    before = outline(laid(of=dark))
    after = outline(laid(replace(STILL, offset_mm=(2.0, -1.5), turn_deg=1.5), of=dark))
    assert before[2] == pytest.approx(0.0, abs=0.05) and after[2] == pytest.approx(1.5, abs=0.1)
    shift = (np.array(after[0]) - before[0]) / per_mm
    assert shift == pytest.approx([2.0, -1.5], abs=0.06)
    for found in (before, after):
        assert np.array(found[1]) / per_mm == pytest.approx(SMALL, abs=0.25)
    scan = laid(replace(STILL, offset_mm=(2.0, -1.5), turn_deg=1.5), of=dark)
    assert truth_of(scan).corners_px.mean(axis=0) == pytest.approx(np.array(after[0]), abs=0.4)


def test_which_corner_is_the_first() -> None:
    """The corner beside row 1 and column 1 is top left; bottom right where the card lies upside down."""
    upright, turned = truth_of(laid()), truth_of(laid(replace(STILL, turn_deg=180.0)))
    assert np.all(upright.corners_px[0] < upright.corners_px[2])
    assert np.all(turned.corners_px[0] > turned.corners_px[2])
    np.testing.assert_allclose(turned.corners_px[[2, 3, 0, 1]], upright.corners_px, atol=1e-6)
    # The borders are unequal, so the patches do not fall upon each other.
    assert np.abs(turned.patches_px[-1][2] - upright.patches_px[0][0]).max() > 5


def test_a_card_on_its_side_has_its_first_row_to_the_left() -> None:
    side = lay_out_carrier((110.0, 85.0), (148.0, 210.0), (100.0, 10.0))
    assert side.on_its_side
    scan = simulate_page(side.plan, 1, {}, TRUE, dpi=100, card=replace(card(), size_mm=(110.0, 85.0)))
    middles = truth_of(scan).patches_px.mean(axis=1).reshape(4, 6, 2)
    assert np.all(np.diff(middles[:, :, 0], axis=0) > 0), "rows run to the right"
    assert np.all(np.diff(middles[:, :, 1], axis=1) < 0), "columns run upwards"
    for patch, linear in zip(inner(scan), truth_of(scan).linear, strict=True):
        assert np.abs(patch - linear).max() < 2e-4


def profile(scan: SimulatedScan, start: int, end: int) -> np.ndarray:
    """Return the light along the line from the middle of one patch to that of another."""
    middles = truth_of(scan).patches_px.mean(axis=1)
    points = np.linspace(middles[start], middles[end], 200).astype(np.float32)
    return np.asarray(
        cv2.remap(
            light(scan).astype(np.float32),
            points[np.newaxis, :, 0],
            points[np.newaxis, :, 1],
            cv2.INTER_LINEAR,
        )[0]
    )


def test_touching_patches_show_nothing_between_them() -> None:
    for frame in (0.03, 0.9):
        apart, touching = card(), replace(card(), gap_mm=(0.0, 0.0))
        gap = profile(laid(of=replace(apart, frame=frame)), 1, 2)
        seam = profile(laid(replace(STILL, turn_deg=1.0), of=replace(touching, frame=frame)), 1, 2)
        ends = np.sort(seam[[0, -1]], axis=0)
        assert np.all(seam >= ends[0] - 1e-3) and np.all(seam <= ends[1] + 1e-3)
        # With a gap, the frame does show.
        assert np.abs(gap - frame).max(axis=1).min() < 0.05


def test_empty_places_show_the_frame() -> None:
    whole, lacking = laid(), laid(of=card().without((0, 0), (2, 3)))
    truth = truth_of(lacking)
    assert len(truth.place) == 22 and (2, 3) not in {tuple(p) for p in truth.place.tolist()}
    kept = [
        i for i, place in enumerate(truth_of(whole).place.tolist()) if tuple(place) not in {(0, 0), (2, 3)}
    ]
    # A sum over fewer rows may round its last digit otherwise.
    np.testing.assert_allclose(truth.linear, truth_of(whole).linear[kept], rtol=1e-12)
    x, y = np.rint(truth_of(whole).patches_px[0].mean(axis=0)).astype(int)
    assert light(lacking)[y, x] == pytest.approx(np.full(3, card().frame), abs=2e-3)


@pytest.mark.parametrize("side", ["left", "top", "right", "bottom"])
def test_a_caption_is_printed_on_its_side_alone(side: str) -> None:
    borders = tuple(12.0 if name == side else 4.0 for name in ("left", "top", "right", "bottom"))
    plain = replace(card(), border_mm=borders)
    changed = np.abs(light(laid(of=replace(plain, caption=side))) - light(laid(of=plain))).max(axis=2) > 0.2
    rows, columns = np.nonzero(changed)
    assert len(rows) > 200
    corners = truth_of(laid(of=plain)).corners_px
    low, high = corners.min(axis=0), corners.max(axis=0)
    band = 12.0 * 150 / 25.4
    where = {
        "left": columns.max() < low[0] + band,
        "right": columns.min() > high[0] - band,
        "top": rows.max() < low[1] + band,
        "bottom": rows.min() > high[1] - band,
    }
    assert where[side]


def test_specks_and_scratches_spoil_pixels_and_not_the_truth() -> None:
    clean = laid()
    for knob, sign in (("gloss", 1), ("dust", -1), ("scratches", 1)):
        spoilt = laid(replace(STILL, **{knob: 200}))
        np.testing.assert_array_equal(truth_of(spoilt).linear, truth_of(clean).linear)
        change = np.concatenate(inner(spoilt)).mean(axis=1) - np.concatenate(inner(clean)).mean(axis=1)
        touched = np.abs(change) > 0.01
        assert 0.001 < touched.mean() < 0.3, knob
        assert np.mean(np.sign(change[touched]) == sign) > 0.99, knob


def test_texture_is_grain_about_the_truth() -> None:
    scan = laid(replace(STILL, texture=0.02), dpi=300)
    for patch, linear in zip(inner(scan), truth_of(scan).linear, strict=True):
        assert patch.mean(axis=0) == pytest.approx(linear, rel=0.004)
        assert 0.012 < patch[:, 1].std() / linear[1] < 0.021


def beside(scan: SimulatedScan, away_mm: float) -> float:
    """Return the light of the paper so far above the card's upper edge."""
    corners = truth_of(scan).corners_px
    x, y = (corners[0] + corners[1]) / 2 - [0.0, away_mm * 150 / 25.4]
    return float(light(scan)[round(y) - 1 : round(y) + 2, round(x) - 20 : round(x) + 20].mean())


def test_a_thick_card_holds_the_sheet_off_the_glass() -> None:
    flat, thick = laid(), laid(replace(STILL, thick_mm=0.8, reach_mm=10.0))
    loss = [1.0 - beside(thick, mm) / beside(flat, mm) for mm in (0.5, 3.0, 6.0)]
    # 1 - (1 + h / 14)^-2 by hand, h = 0.8 (1 - d / 10)^2: 9.5, 5.3 and 1.8 %.
    assert loss == pytest.approx([0.095, 0.053, 0.018], abs=0.004)
    assert beside(thick, 11.0) == pytest.approx(beside(flat, 11.0), abs=1e-6)
    for patch, linear in zip(inner(thick), truth_of(thick).linear, strict=True):
        assert np.abs(patch - linear).max() < 2e-4


def test_the_edge_throws_a_shadow() -> None:
    scan, shaded = laid(dpi=300), laid(replace(STILL, shadow=0.5), dpi=300)
    x, edge = (truth_of(scan).corners_px[0] + truth_of(scan).corners_px[1]) / 2
    rows = np.arange(int(edge) - 12, int(edge))
    left = light(shaded)[rows, round(x), 1] / light(scan)[rows, round(x), 1]
    away_mm = (edge - rows) / 300 * 25.4
    # By the knob's words: half the light at the edge, falling off over 0.15 mm; nearer pixels show the card too.
    clear = away_mm > 0.09
    assert np.sum(clear & (away_mm < 0.3)) >= 2
    assert left[clear] == pytest.approx(1.0 - 0.5 * np.exp(-((away_mm[clear] / 0.15) ** 2)), abs=0.05)
    assert left[clear].min() < 0.85 and left[away_mm > 0.6] == pytest.approx(1.0, abs=1e-3)


def test_a_card_off_its_file_differs_by_about_what_is_asked() -> None:
    made = card().off_its_file(0.03, seed=4)
    np.testing.assert_array_equal(made.xyz, card().xyz)
    truth = truth_of(laid(of=made))
    relative = truth.xyz / made.xyz - 1.0
    assert 0.015 < relative.std() < 0.045
    assert not np.array_equal(card().off_its_file(0.03, seed=5).reflectance, made.reflectance)
    lacking = made.without((0, 0))
    np.testing.assert_array_equal(lacking.xyz, made.xyz[1:])


@pytest.mark.parametrize("lab", [True, False])
def test_the_cards_file_reads_back(lab: bool, tmp_path: Path) -> None:
    made = invented_card(6, 8, seed=9).without((5, 7))
    (tmp_path / "card.csv").write_text(made.csv(lab), encoding="utf-8")
    read = read_card(tmp_path / "card.csv")
    assert (read.rows, read.columns) == (6, 8)
    np.testing.assert_array_equal(read.place, made.place)
    np.testing.assert_allclose(read.xyz, made.xyz, atol=2e-6)


def test_the_same_card_gives_the_same_bytes_and_another_seed_others() -> None:
    session = Session(card=CardLaying(gloss=5, scratches=2), seed=3)

    def pixels(session: Session) -> np.ndarray:
        return simulate_page(carrier().plan, 1, {}, session, dpi=100, card=card()).pixels

    assert np.array_equal(pixels(session), pixels(session))
    assert not np.array_equal(pixels(session), pixels(replace(session, seed=4)))
    other = invented_card(4, 6, seed=1)
    assert np.array_equal(other.reflectance, invented_card(4, 6, seed=1).reflectance)
    assert not np.array_equal(other.reflectance, invented_card(4, 6, seed=2).reflectance)
    assert np.all((other.reflectance > 0) & (other.reflectance < 1))


def test_printing_scales_the_slot_and_not_the_card() -> None:
    smaller = laid(printer=Printer(scale=0.97))
    true, other = truth_of(laid()), truth_of(smaller)
    sides = [np.hypot(*(t.corners_px[1] - t.corners_px[0])) for t in (true, other)]
    assert sides[0] == pytest.approx(sides[1], abs=1e-6)
    assert np.abs(true.corners_px.mean(axis=0) - other.corners_px.mean(axis=0)).max() > 1
    middle = smaller.truth.to_px([[carrier().slot.x_mm + 45.0, carrier().slot.y_mm + 30.0]])[0]
    assert other.corners_px.mean(axis=0) == pytest.approx(middle, abs=1e-6)


def test_without_a_card_the_slot_is_bare_paper() -> None:
    scan = simulate_page(carrier().plan, 1, {}, TRUE, dpi=100)
    assert scan.truth.card is None
    x, y = np.rint(scan.truth.to_px([[carrier().slot.x_mm + 45.0, carrier().slot.y_mm + 30.0]])[0]).astype(
        int
    )
    assert light(scan)[y - 50 : y + 50, x - 50 : x + 50].std(axis=(0, 1)).max() < 1e-3


def test_what_cannot_be_laid_is_refused_in_words() -> None:
    plan = lay_out([Marker("017")], ChartOptions())
    error = failure(lambda: simulate_page(plan, 1, {}, TRUE, dpi=50, card=card()))
    assert isinstance(error, ImpossibleError) and "no slot" in str(error)
    assert "no side" in str(failure(lambda: replace(card(), caption="middle")))
    assert "no room" in str(failure(lambda: replace(card(), gap_mm=(20.0, 3.0))))
    assert "one reflectance for each place" in str(failure(lambda: replace(card(), place=grid_places(3, 6))))
    assert "does not lie on the sheet" in str(failure(lambda: laid(replace(STILL, offset_mm=(500.0, 0.0)))))


def test_all_other_knobs_still_work() -> None:
    scanner = Scanner(kind="three-led", bits=8, flare=0.04, jpeg=85)
    session = Session(card=CardLaying(turn_deg=181.0), scanner=scanner, laying=Laying(turn_deg=178.0))
    scan = simulate_page(carrier().plan, 1, {}, session, dpi=150, card=card())
    assert scan.pixels.dtype == np.uint8
    for patch, linear in zip(inner(scan, 0.6), truth_of(scan).linear, strict=True):
        # Flare and falloff change the light by some per cent, and leave each patch the one it is.
        assert np.abs(np.median(patch, axis=0) - linear).max() < 0.08
