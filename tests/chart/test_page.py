"""The printed page, looked at from outside: rendered by PDFium, its marks read by OpenCV."""

from __future__ import annotations

import ctypes
import io
from functools import cache

import cv2
import numpy as np
import pikepdf
import pypdfium2
import pytest
from fontTools.ttLib import TTFont

from calib.chart.labels import groups_of, label_of
from calib.chart.layout import ChartOptions, lay_out
from calib.chart.lettering import Lettering
from calib.chart.markers import Marker
from calib.chart.page import FONTS, SECONDS_PER_COAT, DrawnChart, PrintedStep, colouring_hours, draw_chart
from calib.chart.plan import Plan
from calib.chart.planfile import plan_to_json, read_plan
from calib.errors import ImpossibleError

# Invented names; the letters are the point.
NAMES = {
    "Ł-017": "Żółty łosoś",
    "é018": "Crème brûlée",
    "Größe 019": "Süßes Grün",
    "Мох 020": "Синий туман",
    "Βυθός": "Θάλασσα",
    "桜 021": "桜の花びら",
    "群青ぐんじ": "カタカナ・ー「色」",
    "墨绿": "深海蓝",
}
SCRIPTS = tuple(Marker(marker, name) for marker, name in NAMES.items())
A5 = (148.0, 210.0)
OPTIONS = {
    "a4": ChartOptions(),
    "letter-one-coat": ChartOptions(page_mm=(215.9, 279.4), layers=(1,)),
    "a5-upright": ChartOptions(page_mm=A5, controls=2),
    "a5-across": ChartOptions(page_mm=A5, strip_mm=(90.0, 12.0), controls=2),
    "a4-landscape-small-cells": ChartOptions(page_mm=(297.0, 210.0), cell_mm=(10.0, 8.0), repeats=2),
    "odd": ChartOptions(page_mm=(183.3, 251.7), cell_mm=(15.5, 10.2), strip_mm=(130.0, 5.0)),
}


def _pens(count: int) -> tuple[Marker, ...]:
    return tuple(Marker(f"{i:03d}", f"Invented {i}") for i in range(1, count + 1))


@cache
def _drawn(name: str, printed: bool = False) -> tuple[Plan, DrawnChart]:
    plan = lay_out(_pens(20), OPTIONS[name])
    steps = [PrintedStep(1.0, 250 - 25 * i) for i in range(11)] if printed else None
    return plan, draw_chart(plan, steps)


def _render(pdf: bytes, dpi: float) -> list[np.ndarray]:
    document = pypdfium2.PdfDocument(pdf)
    return [page.render(scale=dpi / 72, grayscale=True).to_numpy() for page in document]


def _text(pdf: bytes, page: int = 0) -> str:
    return str(pypdfium2.PdfDocument(pdf)[page].get_textpage().get_text_bounded())


@pytest.mark.parametrize("name", OPTIONS)
def test_opencv_reads_every_mark_where_the_plan_says(name: str) -> None:
    plan, drawn = _drawn(name)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    detector = cv2.aruco.ArucoDetector(family, parameters)
    images = _render(drawn.pdf, 150)
    assert len(images) == len(plan.pages)
    for page, image in zip(plan.pages, images, strict=True):
        corners, ids, _ = detector.detectMarkers(image)
        found = dict(zip(np.ravel(ids).tolist(), corners, strict=True))
        assert set(found) == {mark.id for mark in page.marks}
        scale = np.array(plan.page_mm) / (image.shape[1], image.shape[0])
        for mark in page.marks:
            box = mark.box
            want = [
                (box.x_mm, box.y_mm),
                (box.right_mm, box.y_mm),
                (box.right_mm, box.bottom_mm),
                (box.x_mm, box.bottom_mm),
            ]
            # OpenCV counts from the middle of a pixel, a page from the edge of the paper.
            got = (found[mark.id].reshape(4, 2) + 0.5) * scale
            assert np.abs(got - want).max() < 0.1


def test_marks_have_no_hairlines() -> None:
    """At a scale at which modules end inside pixels, black inside a mark must still be black."""
    plan, drawn = _drawn("a4")
    dpi = 331.0
    image = _render(drawn.pdf, dpi)[0]
    for mark in plan.pages[0].marks:
        modules = cv2.aruco.generateImageMarker(
            cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), mark.id, 8
        )
        pixels = mark.size_mm / 25.4 * dpi
        grown = cv2.resize(modules, (round(pixels), round(pixels)), interpolation=cv2.INTER_NEAREST)
        inside = cv2.erode((grown == 0).astype(np.uint8), np.ones((7, 7)), borderValue=0) > 0
        x, y = round(mark.x_mm / 25.4 * dpi), round(mark.y_mm / 25.4 * dpi)
        assert image[y : y + len(grown), x : x + len(grown)][inside].max() == 0


@pytest.mark.parametrize("printed", [False, True])
@pytest.mark.parametrize("name", OPTIONS)
def test_no_solid_black_within_6_mm_of_a_cell(name: str, printed: bool) -> None:
    plan, drawn = _drawn(name, printed)
    dpi = 200.0
    per_mm = dpi / 25.4
    for page, image in zip(plan.pages, _render(drawn.pdf, dpi), strict=True):
        assert image.min() < 10
        for cell in page.cells:
            near = cell.box.grown(6.0)
            x1, y1 = max(0, int(near.x_mm * per_mm) + 1), max(0, int(near.y_mm * per_mm) + 1)
            window = image[y1 : int(near.bottom_mm * per_mm), x1 : int(near.right_mm * per_mm)]
            # Text, brackets and ruler are there, but none darker than three quarters of black.
            assert 64 < window.min() < 200
            inside = cell.box.grown(-0.3)
            x1, y1 = int(inside.x_mm * per_mm) + 1, int(inside.y_mm * per_mm) + 1
            assert image[y1 : int(inside.bottom_mm * per_mm), x1 : int(inside.right_mm * per_mm)].min() == 255


@pytest.mark.parametrize("name", OPTIONS)
def test_bare_paper_is_bare(name: str) -> None:
    """Print stands only where the plan knows of it, so that the rest can be read as paper."""
    plan, drawn = _drawn(name)
    dpi = 150.0
    for page, image in zip(plan.pages, _render(drawn.pdf, dpi), strict=True):
        known = np.zeros(image.shape, bool)
        boxes = [mark.box for mark in page.marks] + [page.black, page.strip.grown(0.3), *page.texts]
        boxes += [cell.box.grown(0.3) for cell in page.cells]
        boxes += [page.ruler.grown(0.2)] if page.ruler else []
        groups = groups_of(page.cells)
        for group in groups:
            top = group.cells[0].y_mm
            boxes.append(type(page.black)(group.left_mm, top - 7.0, group.width_mm, 7.0))
        for box in boxes:
            x1, y1 = int(box.x_mm / 25.4 * dpi) - 1, int(box.y_mm / 25.4 * dpi) - 1
            known[y1 : int(box.bottom_mm / 25.4 * dpi) + 2, x1 : int(box.right_mm / 25.4 * dpi) + 2] = True
        assert image[~known].min() == 255


def test_the_page_is_vector_and_the_same_every_time() -> None:
    plan = lay_out(SCRIPTS, ChartOptions(controls=2))
    first, second = draw_chart(plan), draw_chart(plan)
    assert first.pdf == second.pdf
    with pikepdf.open(io.BytesIO(first.pdf)) as document:
        streams = [o for o in document.objects if isinstance(o, pikepdf.Stream)]
        assert streams and not [s for s in streams if s.get("/Subtype") == "/Image"]
        assert all(b"BI\n" not in bytes(page.Contents.read_bytes()) for page in document.pages)
        width, height = (float(v) for v in document.pages[0].mediabox[2:])
        assert (width, height) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.01)


def test_a_plan_read_back_gives_the_same_page(tmp_path) -> None:  # type: ignore[no-untyped-def]
    plan = lay_out(SCRIPTS, ChartOptions())
    path = tmp_path / "chart.json"
    path.write_text(plan_to_json(plan), encoding="utf-8")
    assert draw_chart(read_plan(path)).pdf == draw_chart(plan).pdf


def test_every_id_in_every_script_can_be_read_out() -> None:
    drawn = draw_chart(lay_out(SCRIPTS, ChartOptions(controls=0)))
    text = _text(drawn.pdf)
    for marker in SCRIPTS:
        assert marker.marker in text and marker.name in text
    assert drawn.warnings == ()


def test_what_every_page_says() -> None:
    plan, drawn = _drawn("a4")
    for page in range(len(plan.pages)):
        text = " ".join(_text(drawn.pdf, page).split())
        assert plan.chart in text and f"page {page + 1} of {len(plan.pages)}" in text
        for words in (
            "Paper",
            "Date",
            "scrap sheet",
            "second coat",
            "long side",
            "a day is best",
            "white sheet behind",
            "automatic corrections off",
            "300 dpi",
            "TIFF or PNG",
            "same way up",
            "must measure 100 mm",
            "1 coat",
            "2 coats",
            "grey strip here, 160 x 14 mm",
            "fumes",
        ):
            assert words in text, words


@pytest.mark.parametrize("name", OPTIONS)
@pytest.mark.parametrize("printed", [False, True])
def test_instructions_are_whole_on_every_page_size(name: str, printed: bool) -> None:
    _, drawn = _drawn(name, printed)
    text = " ".join(_text(drawn.pdf).lower().split())
    for words in (
        "scrap sheet",
        "long side",
        "dry",
        "white sheet behind",
        "300 dpi",
        "tiff or png",
        "same way up",
    ):
        assert words in text, words
    assert ("measured" in text) == printed
    assert ("second coat" in text) == (2 in OPTIONS[name].layers)


def test_each_control_points_at_its_other_swatch() -> None:
    plan, drawn = _drawn("a4")
    text = _text(drawn.pdf)
    doubled = [cell for cell in plan.pages[0].cells if cell.repeat == 2 and cell.layers == 1]
    assert len(doubled) == 6
    for cell in doubled:
        row, column = (int(part) for part in cell.cell.split("-")[1:])
        first = next(c for c in plan.pages[0].cells if c.marker == cell.marker)
        first_row, first_column = (int(part) for part in first.cell.split("-")[1:])
        assert f"again: r{row} c{column}" in text
        assert f"again (r{first_row} c{first_column})" in text


def test_a_missing_glyph_is_a_warning_and_no_box() -> None:
    markers = (Marker("A★1", "Moss"), Marker("A2", "Snow \U0001f600 한"), Marker("A3", "Joined\u200d\ufe0f"))
    drawn = draw_chart(lay_out(markers, ChartOptions(controls=0)))
    assert len(drawn.warnings) == 2
    assert "'A★1'" in drawn.warnings[0] and "'★' (U+2605)" in drawn.warnings[0]
    assert "'A2'" in drawn.warnings[1] and "U+1F600" in drawn.warnings[1] and "U+D55C" in drawn.warnings[1]
    text = _text(drawn.pdf)
    assert "A?1" in text and "Snow ? ?" in text and "Joined" in text
    # Glyph 0 is the box of a missing glyph; no text of the page may use it.
    with pikepdf.open(io.BytesIO(drawn.pdf)) as document:
        for page in document.pages:
            shown = [
                bytes(operand)
                for operands, operator in pikepdf.parse_content_stream(page)
                if str(operator) in ("Tj", "TJ")
                for operand in (operands[0] if str(operator) == "TJ" else operands)
                if isinstance(operand, pikepdf.String)
            ]
            assert shown
            for codes in shown:
                assert b"\0\0" not in [codes[i : i + 2] for i in range(0, len(codes), 2)]


def test_right_to_left_is_drawn_in_reading_order() -> None:
    """Hebrew's first letter stands at the right; PDFium gives the place of each drawn letter."""
    drawn = draw_chart(lay_out((Marker("שלום"),), ChartOptions(controls=0)))
    assert drawn.warnings == ()
    page = pypdfium2.PdfDocument(drawn.pdf)[0].get_textpage()
    places = {}
    for i in range(page.count_chars()):
        code = pypdfium2.raw.FPDFText_GetUnicode(page, i)
        if 0x0590 <= code <= 0x05FF:
            left = (ctypes.c_double * 4)()
            at = [
                ctypes.cast(ctypes.addressof(left) + 8 * k, ctypes.POINTER(ctypes.c_double)) for k in range(4)
            ]
            pypdfium2.raw.FPDFText_GetCharBox(page, i, *at)
            places[chr(code)] = left[0]
    assert sorted(places, key=places.__getitem__, reverse=True) == list("שלום")


class _Table:
    def __init__(self, name: str) -> None:
        font = TTFont(FONTS / name)
        em, widths = font["head"].unitsPerEm, font["hmtx"].metrics
        self.cmap = font.getBestCmap()
        self.cw = {code: widths[glyph][0] * 1000 / em for code, glyph in self.cmap.items()}


LETTERS = Lettering(cache(_Table), lambda text: text)


@pytest.mark.parametrize(
    "options", [ChartOptions(), ChartOptions(layers=(1,)), ChartOptions(cell_mm=(10.0, 8.0))]
)
@pytest.mark.parametrize(
    ("marker", "name"),
    [
        ("017", "Moss"),
        ("017", "A very long name that nobody would ever call out across the room while colouring"),
        ("cold grey 4", "Grey"),
        ("Sommerregen 12", "桜の花びら桜の花びら桜の花びら桜の花びら桜の花びら"),
        ("群青ぐんじ", "x"),
    ],
)
def test_labels_stay_in_their_room_and_ids_whole(options: ChartOptions, marker: str, name: str) -> None:
    plan = lay_out((Marker(marker, name), *_pens(9)), options)
    for group in groups_of(plan.pages[0].cells):
        if group.cells[0].marker != marker:
            continue
        texts = label_of(group, plan.markers[0], LETTERS).texts
        ids = [words for words in texts if words.bold]
        assert " ".join(words.text for words in ids).replace(" ", "") == marker.replace(" ", "")
        assert all(words.size_pt >= 6.0 for words in ids) and min(words.size_pt for words in texts) >= 5.5
        boxes = [(w.x_mm, w.x_mm + LETTERS.width(w.text, w.size_pt, w.bold), w.y_mm) for w in texts if w.text]
        for start, end, y in boxes:
            assert start >= group.left_mm - 1e-6 and end <= group.right_mm + 1e-6
            assert group.cells[0].y_mm - 7.0 < y < group.cells[0].y_mm
        for i, (start, end, y) in enumerate(boxes):
            for other_start, other_end, other_y in boxes[i + 1 :]:
                assert y != other_y or end <= other_start or other_end <= start


def test_a_long_id_takes_two_lines_and_a_longer_one_is_refused() -> None:
    long = "The pen from the market in the old town, second row, left of the door"
    drawn = draw_chart(lay_out((Marker(long, "Rust"),), ChartOptions(controls=0)))
    assert " ".join(_text(drawn.pdf).split()).count(long) == 1
    endless = "0123456789" * 15
    with pytest.raises(ImpossibleError) as caught:
        draw_chart(lay_out((Marker(endless),), ChartOptions(controls=0)))
    assert endless[:30] in str(caught.value) and "--cell" in str(caught.value)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("name", ["a4", "a5-upright"])
def test_a_printed_strip_fills_its_rectangle(name: str) -> None:
    plan = lay_out(_pens(2), OPTIONS[name])
    steps = [PrintedStep(2.0, 240.0), PrintedStep(1.0, 120.0), PrintedStep(1.0, 0.0)]
    drawn = draw_chart(plan, steps)
    image = _render(drawn.pdf, 150)[0]
    strip = plan.pages[0].strip
    for share, grey in ((0.02, 240), (0.48, 240), (0.52, 120), (0.73, 120), (0.77, 0), (0.98, 0)):
        across, up = (share, 0.5) if strip.width_mm > strip.height_mm else (0.5, share)
        x = int((strip.x_mm + across * strip.width_mm) / 25.4 * 150)
        y = int((strip.y_mm + up * strip.height_mm) / 25.4 * 150)
        assert abs(int(image[y, x]) - grey) <= 1
    with pytest.raises(ImpossibleError):
        draw_chart(plan, [PrintedStep(0.0, 240.0)])


def test_the_ruler_measures_what_it_says() -> None:
    plan, drawn = _drawn("a4")
    ruler = plan.pages[0].ruler
    assert ruler is not None
    dpi = 600.0
    image = _render(drawn.pdf, dpi)[0]
    row = image[int((ruler.y_mm + 1.0) / 25.4 * dpi)] < 200
    start, end = (int(x / 25.4 * dpi) for x in (ruler.x_mm - 1, ruler.right_mm + 1))
    ticks = np.flatnonzero(row[start:end])
    middles = [group.mean() for group in np.split(ticks, np.flatnonzero(np.diff(ticks) > 1) + 1)]
    assert len(middles) == 11
    assert np.diff(middles) / dpi * 25.4 == pytest.approx(np.full(10, 10.0), abs=0.05)


def test_colouring_hours() -> None:
    # 10 pens: one cell with one coat, one with two, so three coats each.
    plan = lay_out(_pens(10), ChartOptions(controls=0))
    assert colouring_hours(plan) == pytest.approx(30 * SECONDS_PER_COAT / 3600)
    assert 20 <= SECONDS_PER_COAT <= 90


def test_the_fonts_have_their_licences() -> None:
    assert {path.suffix for path in FONTS.iterdir()} == {".ttf", ".txt", ".md"}
    assert sum(path.stat().st_size for path in FONTS.iterdir()) < 6_000_000
    assert "Open Font License" in (FONTS / "LICENCE-Noto.txt").read_text()
    assert "Apache License" in (FONTS / "LICENCE-Apache-2.0.txt").read_text()
