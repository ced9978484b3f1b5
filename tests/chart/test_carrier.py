"""The carrier of a colour card: what keeps clear of what, its plan file, and the printed page looked at from outside."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdfium2
import pytest
from conftest import failure
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.chart.carrier import Carrier, lay_out_carrier
from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.page import draw_carrier
from calib.chart.plan import Box
from calib.chart.planfile import carrier_to_json, plan_to_json, read_carrier, read_plan
from calib.errors import ImpossibleError, InputError

A4, LETTER, A5, A3 = (210.0, 297.0), (215.9, 279.4), (148.0, 210.0), (297.0, 420.0)
STRIP = (160.0, 14.0)
SIZES = {
    "a4": ((200.0, 130.0), A4, STRIP),
    "letter": ((200.0, 130.0), LETTER, STRIP),
    "portrait": ((130.0, 200.0), A4, STRIP),
    "small": ((64.0, 42.0), A4, STRIP),
    "upright-strip": ((120.0, 90.0), A4, (200.0, 14.0)),
    "a5": ((90.0, 110.0), A5, STRIP),
    "a5-on-its-side": ((110.0, 85.0), A5, (100.0, 10.0)),
    "a3": ((280.0, 216.0), A3, STRIP),
    "landscape": ((200.0, 80.0), (297.0, 210.0), STRIP),
    "odd": ((101.3, 77.7), (183.3, 251.7), (130.0, 5.0)),
}
# A page is misread where a card lies over a mark or the strip; the contract lets a card, like the strip, lie askew.
OFF_MM, TURN_DEG = 2.0, 2.0
ROUNDED = 0.0025


def carrier_of(name: str) -> Carrier:
    return lay_out_carrier(*SIZES[name])


def apart(a: Box, b: Box) -> float:
    """The distance of two rectangles along the axis that parts them more; negative if they overlap."""
    return max(a.x_mm - b.right_mm, b.x_mm - a.right_mm, a.y_mm - b.bottom_mm, b.y_mm - a.bottom_mm)


def reach(slot: Box) -> Box:
    """The rectangle around a card laid OFF_MM and TURN_DEG askew, by plain trigonometry."""
    turn = np.radians(TURN_DEG)
    width = slot.width_mm * np.cos(turn) + slot.height_mm * np.sin(turn) + 2 * OFF_MM
    height = slot.height_mm * np.cos(turn) + slot.width_mm * np.sin(turn) + 2 * OFF_MM
    return Box(
        slot.x_mm + (slot.width_mm - width) / 2, slot.y_mm + (slot.height_mm - height) / 2, width, height
    )


@pytest.mark.parametrize("name", SIZES)
def test_everything_keeps_clear_of_the_card(name: str) -> None:
    carrier = carrier_of(name)
    check(carrier, *SIZES[name])


def check(
    carrier: Carrier, card: tuple[float, float], page_mm: tuple[float, float], strip: tuple[float, float]
) -> None:
    page, slot = carrier.page, carrier.slot
    assert carrier.plan.pages == (page,) and page.cells == () and carrier.plan.markers == ()
    assert {slot.width_mm, slot.height_mm} == set(card) and carrier.card_mm == card
    assert carrier.on_its_side == (slot.width_mm != card[0])
    assert {page.strip.width_mm, page.strip.height_mm} == set(strip)
    marks = [mark.box for mark in page.marks]
    assert len(marks) in (6, 8) and len({mark.id for mark in page.marks}) == len(marks)
    assert page.ruler is not None and len(page.texts) == 3
    for box in marks:
        # White margin of a module, and the rim that printers lose (the chart's own rule).
        assert box.x_mm >= 10 - ROUNDED and box.y_mm >= 10 - ROUNDED
        assert box.right_mm <= page_mm[0] - 10 + ROUNDED and box.bottom_mm <= page_mm[1] - 15 + ROUNDED
    laid = reach(slot)
    for box in (*marks, page.strip, page.black):
        assert apart(laid, box) >= 1.0, "a card laid askew would hide it"
    for box in (*marks, page.strip, page.black, *page.texts):
        assert apart(slot, box) >= 8.0
    assert apart(slot, page.ruler) >= 5.0 - ROUNDED
    assert slot.x_mm >= 5.0 - ROUNDED and slot.right_mm <= page_mm[0] - 5.0 + ROUNDED
    for a, b in combinations([*marks, page.black, page.strip, page.ruler, *page.texts], 2):
        assert apart(a, b) >= -ROUNDED
    # Bare paper across the page above and below the card, for the lighting to be measured on.
    printed = [*marks, page.strip, page.black, page.ruler, *page.texts]
    for band in (
        Box(slot.x_mm, slot.y_mm - 7, slot.width_mm, 7),
        Box(slot.x_mm, slot.bottom_mm, slot.width_mm, 7),
    ):
        assert all(apart(band, box) >= 0 for box in printed)


sides = st.floats(30, 300).map(lambda v: round(v, 1))


@settings(max_examples=150, deadline=None)
@given(
    st.tuples(sides, sides),
    st.sampled_from([A4, LETTER, A5, A3, (297.0, 210.0), (183.3, 251.7)]),
    st.sampled_from([STRIP, (100.0, 10.0), (200.0, 20.0)]),
)
def test_a_card_fits_or_the_size_that_would_is_named(
    card: tuple[float, float], page_mm: tuple[float, float], strip: tuple[float, float]
) -> None:
    try:
        carrier = lay_out_carrier(card, page_mm, strip)
    except ImpossibleError as error:
        words = str(error)
        assert error.exit_code == 2 and f"{card[0]:g} x {card[1]:g}" in words
        named = words.split("at most ")[1].split(" mm would")[0] if "at most" in words else ""
        sizes = [tuple(float(v) for v in size.split(" x ")) for size in named.split(" mm or ") if size]
        assert sizes or strip[0] > 100
        for size in sizes:
            check(lay_out_carrier(size, page_mm, strip), size, page_mm, strip)  # type: ignore[arg-type]
            assert card[0] > size[0] or card[1] > size[1]
    else:
        check(carrier, card, page_mm, strip)


@pytest.mark.parametrize(
    ("sizes", "word"),
    [
        (((20.0, 130.0), A4, STRIP), "30 to 420"),
        (((500.0, 130.0), A3, STRIP), "30 to 420"),
        (((50.0, 40.0), (90.0, 100.0), (80.0, 14.0)), "larger page"),
        (((50.0, 40.0), (50.0, 60.0), STRIP), "80 to 1200"),
        (((50.0, 40.0), A4, (20.0, 14.0)), "40 to 400"),
        (((220.0, 150.0), A4, STRIP), "at most 200 x 201"),
    ],
)
def test_what_cannot_be_is_refused_in_words(sizes: tuple[Any, Any, Any], word: str) -> None:
    error = failure(lambda: lay_out_carrier(*sizes))
    assert isinstance(error, ImpossibleError) and word in str(error)


def test_a_carrier_is_its_own_page() -> None:
    """Its marks are drawn from a hash of its own, so it is told from charts and from other carriers."""
    ids = {name: {mark.id for mark in carrier_of(name).page.marks} for name in SIZES}
    assert carrier_of("a4") == carrier_of("a4")
    chart = lay_out([Marker(f"{i:03d}") for i in range(1, 35)], ChartOptions())
    ids["chart"] = {mark.id for mark in chart.pages[0].marks}
    for one, other in combinations(ids, 2):
        # Three marks in common would pass for a page.
        assert len(ids[one] & ids[other]) < 3, (one, other)
    assert len({carrier_of(name).plan.chart for name in SIZES}) == len(SIZES)
    upright, side = lay_out_carrier((85.0, 110.0), A5, (100.0, 10.0)), carrier_of("a5-on-its-side")
    assert upright.slot == side.slot and upright.plan.chart != side.plan.chart


# --- the plan file ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", SIZES)
def test_the_plan_file_reads_back(name: str, tmp_path: Path) -> None:
    path = tmp_path / "carrier.json"
    path.write_text(carrier_to_json(carrier_of(name)), encoding="utf-8")
    assert read_carrier(path) == carrier_of(name)
    content = json.loads(path.read_text(encoding="utf-8"))
    assert (content["format"], content["version"]) == ("calib carrier plan", 1)
    assert content["card_mm"] == list(SIZES[name][0])


def changed(change: Callable[[dict[str, Any]], Any]) -> str:
    content = json.loads(carrier_to_json(carrier_of("a4")))
    change(content)
    return json.dumps(content)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: c.update(version=2), ("version 2",)),
        (lambda c: c["pages"][0].pop("slot"), ("no slot",)),
        (lambda c: c["pages"][0]["slot"].update(width_mm=190), ("another size than its card",)),
        (lambda c: c["pages"][0]["slot"].update(x_mm=50), ("slot does not lie on the page",)),
        (lambda c: c.update(card_mm=[200]), ("no pair of numbers 'card_mm'",)),
        (lambda c: c.update(card_mm=[2000, 130]), ("impossible size of card", "another size")),
        (lambda c: c["pages"].append(c["pages"][0]), ("2 pages", "page number 1 more than once")),
        (lambda c: (c["pages"][0]["marks"].clear(), c.pop("card_mm")), ("fewer than three marks", "card_mm")),
    ],
)
def test_a_damaged_plan_is_refused_with_all_that_is_wrong(
    change: Callable[[dict[str, Any]], Any], words: tuple[str, ...], tmp_path: Path
) -> None:
    path = tmp_path / "carrier.json"
    path.write_text(changed(change), encoding="utf-8")
    error = failure(lambda: read_carrier(path))
    assert isinstance(error, InputError) and error.exit_code == 3
    for word in words:
        assert word in str(error)


def test_chart_and_carrier_are_not_mistaken_for_each_other(tmp_path: Path) -> None:
    plans = tmp_path / "chart.json", tmp_path / "carrier.json"
    plans[0].write_text(plan_to_json(lay_out([Marker("017")], ChartOptions())), encoding="utf-8")
    plans[1].write_text(carrier_to_json(carrier_of("a4")), encoding="utf-8")
    words = str(failure(lambda: read_carrier(plans[0])))
    assert "is a chart plan, not the plan of a colour card's carrier" in words and "'calib carrier'" in words
    words = str(failure(lambda: read_plan(plans[1])))
    assert "is the plan of a colour card's carrier, not a chart plan" in words and "'calib chart'" in words
    for text in ('{"format": "other"}', "[1, 2]", "{"):
        plans[1].write_text(text, encoding="utf-8")
        assert "not the plan of a colour card's carrier" in str(failure(lambda: read_carrier(plans[1])))


# --- the printed page, rendered by PDFium ----------------------------------------------------


def rendered(name: str, dpi: float = 150) -> np.ndarray:
    pdf = draw_carrier(carrier_of(name)).pdf
    (page,) = list(pypdfium2.PdfDocument(pdf))
    return np.asarray(page.render(scale=dpi / 72, grayscale=True).to_numpy()).squeeze()


def part(image: np.ndarray, box: Box, page_mm: tuple[float, float]) -> np.ndarray:
    per_mm = image.shape[1] / page_mm[0]
    low, high = (max(0, round(v * per_mm)) for v in (box.x_mm, box.y_mm)), (box.right_mm, box.bottom_mm)
    (left, top), (right, bottom) = low, (round(v * per_mm) for v in high)
    return image[top:bottom, left:right]


@pytest.mark.parametrize("name", SIZES)
def test_opencv_reads_every_mark_where_the_plan_says(name: str) -> None:
    carrier, image = carrier_of(name), rendered(name)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(image)
    found = dict(zip(np.ravel(ids).tolist(), corners, strict=True))
    assert set(found) == {mark.id for mark in carrier.page.marks}
    scale = np.array(carrier.plan.page_mm) / image.shape[::-1]
    for mark in carrier.page.marks:
        middle = (found[mark.id].reshape(4, 2).mean(axis=0) + 0.5) * scale
        assert np.abs(middle - [mark.x_mm + mark.size_mm / 2, mark.y_mm + mark.size_mm / 2]).max() < 0.1


@pytest.mark.parametrize("name", SIZES)
def test_the_page_says_what_to_do_and_prints_where_printers_print(name: str) -> None:
    carrier, image = carrier_of(name), rendered(name)
    page_mm = carrier.plan.page_mm
    text = " ".join(
        pypdfium2.PdfDocument(draw_carrier(carrier).pdf)[0].get_textpage().get_text_bounded().split()
    )
    assert carrier.plan.chart in text and "{:g} x {:g} mm".format(*carrier.card_mm) in text
    assert ("row 1 to the left" if carrier.on_its_side else "row 1 at the top") in text
    assert "row 1 of the card along this side" in text and "white sheet" in text and "TIFF or PNG" in text
    assert "fumes" not in text and "lay the grey strip here" in text
    # In the slot there are pale words only; a thin card must not let them shine through.
    inside = part(image, carrier.slot.grown(-0.5), page_mm)
    assert 150 < inside.min() < 255
    # Nothing within 6 mm of the edges of the paper but what stands in no printer's way: nothing at all.
    rim = np.ones(image.shape, dtype=bool)
    inset = round(6.0 * image.shape[1] / page_mm[0])
    rim[inset:-inset, inset:-inset] = False
    assert image[rim].min() == 255
    # The corners of the slot are drawn on its upper and lower edge, where the card's corners come to lie.
    slot = carrier.slot
    for y in (slot.y_mm, slot.bottom_mm):
        for x in (max(slot.x_mm, 6.5) + 2.0, min(slot.right_mm, page_mm[0] - 6.5) - 2.0):
            assert part(image, Box(x - 0.5, y - 0.5, 1.0, 1.0), page_mm).min() < 230


def test_the_same_carrier_gives_the_same_bytes() -> None:
    assert draw_carrier(carrier_of("a4")) == draw_carrier(carrier_of("a4"))
    assert draw_carrier(carrier_of("a4")).warnings == ()
    document = pypdfium2.PdfDocument(draw_carrier(carrier_of("letter")).pdf)
    assert len(document) == 1 and np.allclose(np.array(document[0].get_size()) * 25.4 / 72, LETTER, atol=0.01)
    assert document.get_metadata_value("Title").startswith("Colour card carrier")


def test_a_card_as_wide_as_the_paper_is_centred_by_words() -> None:
    def words(name: str) -> str:
        return str(
            pypdfium2.PdfDocument(draw_carrier(carrier_of(name)).pdf)[0].get_textpage().get_text_bounded()
        )

    assert "as much paper to its left as to its right" in words("a4")
    assert "as much paper" not in words("letter")
