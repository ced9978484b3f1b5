"""Charts with one ink over another: the pairs file, the places, what is printed, and the plan file."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.page import SECONDS_PER_COAT, colouring_hours, draw_chart
from calib.chart.pairs import Pair, marker_in, overlays_of, read_pairs
from calib.chart.plan import overlapping
from calib.chart.planfile import plan_to_json, read_plan
from calib.errors import ImpossibleError, InputError
from calib.overlays import overlay_id, pair_of
from calib.scan.bare import GRID_PER_MM, paper_mask

# Invented pens.
PENS = (
    *(Marker(f"{i:03d}", f"Invented {i}") for i in range(1, 21)),
    Marker("clear", kind="blender"),
)
PAIRS = (Pair("002", "005"), Pair("005", "002"), Pair("011", "012"), Pair("001", "020"), Pair("001", "019"))
OPTIONS = {
    "a4": ChartOptions(),
    "one-coat": ChartOptions(layers=(1,)),
    "two-coats": ChartOptions(layers=(2,), controls=0),
    "repeats": ChartOptions(repeats=2, controls=3),
    "a5": ChartOptions(page_mm=(148.0, 210.0), controls=2),
    "small-cells": ChartOptions(page_mm=(297.0, 210.0), cell_mm=(12.0, 8.0)),
}


def listed(folder: Path, text: str | bytes, pens: tuple[Marker, ...] = PENS) -> tuple[Pair, ...]:
    path = folder / "pairs.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_pairs(path, pens)


@pytest.mark.parametrize(
    "text",
    [
        "under,over\n002,005\n005,002\n",
        b"\xef\xbb\xbfunder;over\r\n002;005\r\n005;002\r\n;\r\n\r\n",
        "over\tnote\tunder\n005\tblush\t002\n 002 \t\t005\n",
    ],
)
def test_a_pairs_file_is_read_as_spreadsheets_write_it(tmp_path: Path, text: str | bytes) -> None:
    assert listed(tmp_path, text) == PAIRS[:2]


def test_all_mistakes_of_a_pairs_file_are_said_at_once_with_their_lines(tmp_path: Path) -> None:
    rows = ["2,005", "005,005", ",011", "001,clear", "003,004", "003,004", "zzz,zzz2", "clear,clear"]
    with pytest.raises(InputError) as caught:
        listed(tmp_path, "under,over\n" + "\n".join(rows) + "\n")
    said = str(caught.value)
    for line, words in (
        (2, "is '002' meant?"),
        (3, "lays '005' over itself"),
        (4, "no marker in the column 'under'"),
        (5, "the blender 'clear'"),
        (7, "repeats the pair of line 6"),
        (8, "'zzz' in the column 'under', which is not in the marker list"),
        (8, "'zzz2' in the column 'over'"),
        (9, "the blender 'clear'"),
    ):
        assert any(f":{line}: " in one and words in one for one in said.splitlines()), (line, words)
    assert caught.value.exit_code == 3


def test_a_name_that_is_taken_or_read_two_ways_is_refused(tmp_path: Path) -> None:
    pens = tuple(map(Marker, ("a", "b", "b over a", "c", "a over b", "c over a")))
    for row, words in (("a,b", "as the marker 'b over a' is"), ("a over b,c", "read as two pairs")):
        with pytest.raises(InputError, match=words):
            listed(tmp_path, f"under,over\n{row}\n", pens)
    # 'c over a over b' is c over 'a over b', and 'c over a' over b.
    with pytest.raises(InputError, match="200 is the most"):
        listed(tmp_path, f"under,over\n{'x' * 150},{'y' * 60}\n", (Marker("x" * 150), Marker("y" * 60)))


@pytest.mark.parametrize(
    ("text", "words"), [("under,over\n", "names no pairs"), ("marker\n001\n", "marker list")]
)
def test_other_files_in_place_of_pairs_are_called_what_they_are(
    tmp_path: Path, text: str, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        listed(tmp_path, text)


@given(st.lists(st.text("ab over", min_size=1, max_size=12), min_size=2, max_size=6, unique=True))
def test_a_name_is_taken_apart_into_the_pair_that_it_was_made_of_or_not_at_all(ids: list[str]) -> None:
    under, over = ids[:2]
    assert pair_of(overlay_id(under, over), set(ids)) in ((under, over), None)
    assert pair_of(overlay_id(under, over), {under, over}) in ((under, over), None)
    assert pair_of(overlay_id("1", "2"), {"1", "2"}) == ("1", "2")
    assert pair_of(overlay_id("1", "2"), {"1"}) is None


@pytest.mark.parametrize("name", OPTIONS)
def test_every_pair_has_its_cells_below_the_markers_own(name: str, tmp_path: Path) -> None:
    options = OPTIONS[name]
    plan = lay_out(PENS, options, PAIRS)
    cells = [cell for page in plan.pages for cell in page.cells]
    laid = [cell for cell in cells if cell.over]
    wanted = [(p.under, p.over, 1, repeat) for p in PAIRS for repeat in range(1, options.repeats + 1)]
    assert [(c.marker, c.over, c.layers, c.repeat) for c in laid] == wanted
    for page in plan.pages:
        own = [cell.y_mm for cell in page.cells if not cell.over]
        assert all(cell.y_mm > max(own, default=0.0) for cell in page.cells if cell.over)
        others = [page.strip, page.black, *(mark.box for mark in page.marks)]
        assert not overlapping([*others, *(cell.box for cell in page.cells)])
        # A group has 5 mm of bare paper around each cell, as the chart promises.
        assert not overlapping([cell.box.grown(2.49) for cell in page.cells])
    # The markers come in the same order as without pairs; the overlays' third line may move rows apart, and then pages hold fewer.
    alone = [cell for page in lay_out(PENS, options).pages for cell in page.cells]
    first, same = (
        [(c.marker, c.layers) for c in some if c.repeat == 1 and not c.over] for some in (cells, alone)
    )
    assert first == same
    if name != "a5":
        # Where the labels have the room anyhow, everything stands where it stands without pairs.
        assert [cell for cell in cells if not cell.over] == alone
    assert len({cell.cell for cell in cells}) == len(cells)
    assert colouring_hours(plan) * 3600 / SECONDS_PER_COAT == sum(2 if c.over else c.layers for c in cells)
    path = tmp_path / "chart.json"
    path.write_text(plan_to_json(plan), encoding="utf-8")
    assert read_plan(path) == plan


@pytest.mark.parametrize("name", OPTIONS)
def test_a_label_says_what_to_do_and_stands_where_no_paper_is_looked_for(name: str) -> None:
    plan = lay_out(PENS, OPTIONS[name], PAIRS)
    document = pypdfium2.PdfDocument(draw_chart(plan).pdf)
    scale = 6.0
    for page, sheet in zip(plan.pages, document, strict=True):
        words = " ".join(str(sheet.get_textpage().get_text_bounded()).split())
        for cell in page.cells:
            if cell.over:
                # Of a name a narrow label shows what finds room, of an id all.
                assert re.search(rf"{cell.marker}( Inv[^,]*)?, (let )?dry, then {cell.over}", words)
                assert "1 coat each" in words
        if any(cell.over for cell in page.cells):
            image = sheet.render(scale=scale / (72 / 25.4), grayscale=True).to_numpy()
            mask = paper_mask(page, plan.page_mm)
            height, width = (int(n * scale / GRID_PER_MM) for n in mask.shape)
            bare = np.kron(mask, np.ones((2, 2), bool))[:height, :width]
            # Beside an overlay, right of its label's cell, nothing is printed on what counts as paper.
            for cell in page.cells:
                if cell.over:
                    top, left = round((cell.y_mm - 7) * scale), round(cell.box.right_mm * scale)
                    part = (slice(top, top + round(7 * scale)), slice(left, left + round(23 * scale)))
                    assert image[part][bare[part]].min(initial=255) > 230


@pytest.mark.parametrize("name", OPTIONS)
def test_a_label_keeps_clear_of_the_cells_above_it(name: str, tmp_path: Path) -> None:
    """Where pypdfium2 finds the label's letters on the drawn page is above its cell and below the one over it."""
    plan = lay_out(PENS, OPTIONS[name], PAIRS)
    (tmp_path / "c.pdf").write_bytes(draw_chart(plan).pdf)
    mm = 25.4 / 72
    with pypdfium2.PdfDocument(tmp_path / "c.pdf") as document:
        for page, sheet in zip(plan.pages, document, strict=True):
            text, height = sheet.get_textpage(), sheet.get_height()
            letters = [text.get_charbox(i) for i in range(text.count_chars())]
            boxes = [
                (left * mm, (height - top) * mm, (height - bottom) * mm) for left, bottom, _, top in letters
            ]
            bottoms = {cell.box.bottom_mm for cell in page.cells}
            for cell in (cell for cell in page.cells if cell.over):
                over = max((b for b in bottoms if b < cell.y_mm), default=0.0)
                own = [
                    top for left, top, bottom in boxes
                    if cell.x_mm - 0.5 <= left <= cell.box.right_mm and over - 2 < top and bottom <= cell.y_mm
                ]  # fmt: skip
                assert own and min(own) > over + 0.5


def test_an_id_that_finds_no_room_is_refused_with_a_way_out() -> None:
    pens = (Marker("A marker with a long id"), Marker("2"))
    pairs = (Pair(pens[0].marker, "2"),)
    assert draw_chart(lay_out(pens, ChartOptions(), pairs)).warnings == ()
    with pytest.raises(ImpossibleError, match="shorter id"):
        draw_chart(lay_out(pens, ChartOptions(layers=(1,)), pairs))


def test_names_from_anywhere_are_drawn_and_harmless() -> None:
    pens = (Marker("<script>", "=cmd()"), Marker("שלום", "\u202eabc"), Marker("桜", "x" * 200))
    plan = lay_out(pens, ChartOptions(), (Pair("<script>", "שלום"), Pair("桜", "<script>")))
    assert draw_chart(plan).pdf.startswith(b"%PDF")
    names = [marker.name for marker in overlays_of(plan)]
    assert all(len(name) <= 200 for name in names) and overlays_of(plan)[0].kind == "overlay"


def _cell(content: Any) -> Any:
    return next(cell for page in content["pages"] for cell in page["cells"] if "over" in cell)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda c: _cell(c).update(over="nobody"), "'nobody', which is not among its markers"),
        (lambda c: _cell(c).update(over=7), "has no text 'over'"),
        (lambda c: _cell(c).update(over=_cell(c)["marker"]), "over itself"),
        (lambda c: _cell(c).update(layers=2), "more than one layer"),
        (lambda c: _cell(c).update(over="clear"), "a blender in an overlay"),
        (
            lambda c: c["markers"].append({"marker": "005 over 002"}),
            "uses the marker 005 over 002 more than once",
        ),
    ],
)
def test_a_plan_with_a_wrong_overlay_is_refused(
    tmp_path: Path, spoil: Callable[[Any], None], words: str
) -> None:
    content = json.loads(plan_to_json(lay_out(PENS, ChartOptions(), PAIRS)))
    spoil(content)
    path = tmp_path / "chart.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_plan(path)


def test_a_chart_without_pairs_is_what_it_was_and_its_plan_has_no_word_of_them() -> None:
    plan = lay_out(PENS, ChartOptions())
    assert '"over"' not in plan_to_json(plan)
    # The id of this chart before there were overlays: it is a hash of all that a plan holds.
    assert plan.chart == "vgxbgw"
    cell = plan.pages[0].cells[0]
    assert marker_in(cell, {marker.marker: marker for marker in PENS}) == PENS[0]


def test_overlays_that_find_no_room_begin_a_page() -> None:
    most = [Pair(a.marker, b.marker) for a in PENS[:20] for b in PENS[:20] if a != b][:90]
    plan = lay_out(PENS, ChartOptions(), most)
    assert len(overlays_of(plan)) == 90 and len(plan.pages) >= 3
    assert all(cell.over for cell in plan.pages[-1].cells)
    assert "then" in str(
        pypdfium2.PdfDocument(draw_chart(plan).pdf)[len(plan.pages) - 1].get_textpage().get_text_bounded()
    )
