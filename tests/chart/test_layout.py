"""The chart in millimetres: what keeps clear of what, and the plan file."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.chart.layout import LABEL_MM, ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.plan import Box, Plan
from calib.chart.planfile import plan_to_json, read_plan
from calib.errors import ImpossibleError, InputError

# What the chart promises, in millimetres; the figures are those of the issue, not the module's.
BARE, BLACK_CLEAR, STRIP_CLEAR, RIM, RIM_BOTTOM = 5.0, 6.0, 5.0, 10.0, 15.0
# Positions in a plan are rounded to the micrometre.
ROUNDED = 0.0025


def _pens(count: int) -> tuple[Marker, ...]:
    return tuple(Marker(f"{i:03d}", f"Invented {i}") for i in range(1, count + 1))


def _apart(a: Box, b: Box) -> float:
    """The distance of two rectangles along the axis that parts them more; negative if they overlap."""
    return max(a.x_mm - b.right_mm, b.x_mm - a.right_mm, a.y_mm - b.bottom_mm, b.y_mm - a.bottom_mm)


def _label(box: Box) -> Box:
    return Box(box.x_mm, box.y_mm - LABEL_MM, box.width_mm, LABEL_MM)


A4, LETTER, A5, A3 = (210.0, 297.0), (215.9, 279.4), (148.0, 210.0), (297.0, 420.0)
OPTIONS = {
    "a4": ChartOptions(),
    "letter": ChartOptions(page_mm=LETTER),
    "a5-upright": ChartOptions(page_mm=A5, controls=3),
    "a5-across": ChartOptions(page_mm=A5, strip_mm=(90.0, 12.0), controls=2),
    "a3": ChartOptions(page_mm=A3),
    "a4-landscape": ChartOptions(page_mm=(297.0, 210.0)),
    "a4-upright-strip": ChartOptions(strip_mm=(200.0, 14.0)),
    "one-coat": ChartOptions(layers=(1,)),
    "two-coats": ChartOptions(layers=(2,), controls=0),
    "repeats": ChartOptions(repeats=3, controls=2),
    "small-cells": ChartOptions(cell_mm=(8.0, 6.0)),
    "tall-cells": ChartOptions(cell_mm=(12.0, 25.0), strip_mm=(120.0, 30.0)),
    "odd": ChartOptions(page_mm=(183.3, 251.7), cell_mm=(15.5, 10.2), strip_mm=(130.0, 5.0)),
    "square": ChartOptions(page_mm=(200.0, 200.0), cell_mm=(20.0, 10.0)),
}


@pytest.mark.parametrize("options", OPTIONS.values(), ids=OPTIONS.keys())
def test_400_markers_paginate_cleanly(options: ChartOptions) -> None:
    markers = _pens(400)
    if options is OPTIONS["a5-across"]:
        markers = _pens(200)
    plan = lay_out(markers, options)
    _check_swatches(plan, markers, options)
    for page in plan.pages:
        _check_page(plan, page.page - 1)
    ids = [mark.id for page in plan.pages for mark in page.marks]
    assert len(set(ids)) == len(ids) and all(0 <= i < 587 for i in ids)


def _check_swatches(plan: Plan, markers: tuple[Marker, ...], options: ChartOptions) -> None:
    """Every marker once per layer and repeat, on one page, in list order; controls on top."""
    counts: Counter[tuple[str, int, int]] = Counter()
    order: dict[str, None] = {}
    for number, page in enumerate(plan.pages, 1):
        controls = {cell.marker for cell in page.cells if cell.repeat > options.repeats}
        own = {cell.marker for cell in page.cells if cell.repeat <= options.repeats}
        assert page.page == number and controls <= own
        assert len(controls) == min(options.controls, len(own)) or 0 < len(controls) < options.controls
        for cell in page.cells:
            counts[cell.marker, cell.layers, cell.repeat] += 1
            order.setdefault(cell.marker)
            assert cell.cell.startswith(f"{number}-")
    assert set(counts.values()) == {1}
    listed = {
        (m.marker, n, r) for m in markers for n in options.layers for r in range(1, options.repeats + 1)
    }
    assert listed <= set(counts)
    assert {repeat for _, _, repeat in set(counts) - listed} <= {options.repeats + 1}
    assert list(order) == [marker.marker for marker in markers]
    names = [cell.cell for page in plan.pages for cell in page.cells]
    assert len(set(names)) == len(names)


def _check_page(plan: Plan, number: int) -> None:
    page = plan.pages[number]
    width, height = plan.page_mm
    cells = [cell.box for cell in page.cells]
    marks = [mark.box for mark in page.marks]
    assert len(marks) in (6, 8) and min(box.width_mm for box in marks) >= 10
    assert page.ruler is not None and max(page.ruler.width_mm, page.ruler.height_mm) == 100.0
    black = [*marks, page.black]
    assert min(page.black.width_mm, page.black.height_mm) >= 8
    for box in (*marks, page.black, *cells):
        assert box.x_mm >= RIM - ROUNDED and box.y_mm >= RIM - ROUNDED
        assert box.right_mm <= width - RIM + ROUNDED and box.bottom_mm <= height - RIM_BOTTOM + ROUNDED
    assert Box(0, 0, width, height).grown(-RIM + ROUNDED).x_mm <= page.strip.x_mm
    assert page.strip.right_mm <= width - RIM + ROUNDED and page.strip.bottom_mm <= height - RIM + ROUNDED
    for a, b in combinations(cells, 2):
        assert _apart(a, b) >= BARE - ROUNDED
        assert _apart(a, _label(b)) >= -ROUNDED and _apart(_label(a), b) >= -ROUNDED
    for cell in cells:
        assert min(_apart(cell, box) for box in black) >= BLACK_CLEAR - ROUNDED
        # A printed strip ends in black, so it keeps the larger distance too.
        assert _apart(cell, page.strip) >= BLACK_CLEAR - ROUNDED
        assert min(_apart(cell, box) for box in (page.ruler, *page.texts)) >= 1.0
    others = [*marks, page.black, page.ruler, *page.texts]
    for a, b in combinations([*marks, page.black], 2):
        # A mark needs bare paper of one of its eight modules all round.
        assert _apart(a, b) >= 10 / 8
    for a, b in combinations(others, 2):
        assert _apart(a, b) >= 0
    for box in (page.ruler, *page.texts, *(_label(cell) for cell in cells)):
        assert min(_apart(box, mark) for mark in marks) >= 10 / 8
        assert _apart(box, page.black) >= 0.2
        # Printers lose 4 to 5 mm of the rim (common practice).
        assert min(box.x_mm, box.y_mm, width - box.right_mm, height - box.bottom_mm) >= 5
    for box in (*others, *(_label(cell) for cell in cells)):
        assert _apart(box, page.strip) >= STRIP_CLEAR - ROUNDED
    for label in (_label(cell) for cell in cells):
        assert min(_apart(label, box) for box in (page.ruler, *page.texts)) >= 0


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    page=st.tuples(st.floats(80, 430), st.floats(80, 430)),
    cell=st.tuples(st.floats(8, 40), st.floats(6, 40)),
    strip=st.tuples(st.floats(40, 200), st.floats(5, 40)),
    layers=st.sampled_from([(1,), (2,), (1, 2)]),
    controls=st.integers(0, 8),
)
def test_any_size_is_clean_or_refused(
    page: tuple[float, float],
    cell: tuple[float, float],
    strip: tuple[float, float],
    layers: tuple[int, ...],
    controls: int,
) -> None:
    options = ChartOptions(page, cell, layers, 1, controls, strip)
    try:
        plan = lay_out(_pens(9), options)
    except ImpossibleError as error:
        assert error.exit_code == 2 and error.todo
        return
    here = plan.pages[0]
    black = [*(mark.box for mark in here.marks), here.black]
    paper = Box(0, 0, *page)
    everything = [*black, here.strip, here.ruler, *here.texts]
    assert here.ruler is not None
    for box in (*everything, *(cell.box for cell in here.cells)):
        assert box.width_mm > 0 and box.height_mm > 0
        assert box.x_mm >= 0 and box.y_mm >= 0
        assert box.right_mm <= paper.right_mm and box.bottom_mm <= paper.bottom_mm
    for a, b in combinations(everything, 2):
        assert a is not None and b is not None and _apart(a, b) >= 0
    for swatch in here.cells:
        assert min(_apart(swatch.box, box) for box in black) >= BLACK_CLEAR - ROUNDED
        assert _apart(swatch.box, here.strip) >= BLACK_CLEAR - ROUNDED
        assert all(box is not None and _apart(_label(swatch.box), box) >= 0 for box in everything)
    for one, two in combinations(here.cells, 2):
        assert _apart(one.box, two.box) >= BARE - ROUNDED


@pytest.mark.parametrize(
    "options",
    [
        ChartOptions(page_mm=(60.0, 297.0)),
        ChartOptions(cell_mm=(3.0, 12.0)),
        ChartOptions(cell_mm=(190.0, 12.0)),
        ChartOptions(page_mm=A5, cell_mm=(18.0, 150.0)),
        ChartOptions(strip_mm=(390.0, 14.0)),
        ChartOptions(strip_mm=(14.0, 160.0)),
        ChartOptions(layers=(3,)),
        ChartOptions(layers=()),
        ChartOptions(repeats=20, page_mm=A5),
        ChartOptions(controls=-1),
    ],
)
def test_impossible_sizes_are_refused(options: ChartOptions) -> None:
    with pytest.raises(ImpossibleError) as caught:
        lay_out(_pens(3), options)
    assert caught.value.exit_code == 2


def test_too_many_pages_for_the_marks() -> None:
    with pytest.raises(ImpossibleError, match="pages apart"):
        lay_out(_pens(5000), ChartOptions())


def test_another_seed_or_list_is_another_chart() -> None:
    charts = [
        lay_out(_pens(9), ChartOptions()),
        lay_out(_pens(9), ChartOptions(seed=1)),
        lay_out(_pens(10), ChartOptions()),
    ]
    assert len({plan.chart for plan in charts}) == 3
    assert lay_out(_pens(9), ChartOptions()) == charts[0]


# --- the plan file -----------------------------------------------------------------------------

_text = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=12)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    ids=st.lists(
        _text.filter(lambda t: t.strip() and t.lower() not in ("paper", "black")), min_size=1, unique=True
    ),
    name=_text,
    options=st.sampled_from(list(OPTIONS.values())),
)
def test_a_plan_is_read_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, ids: list[str], name: str, options: ChartOptions
) -> None:
    markers = tuple(Marker(i, name, hint="#010203", extra={"shelf": "B"}) for i in ids)
    plan = lay_out(markers, options)
    path = tmp_path_factory.mktemp("plan") / "chart.json"
    path.write_text(plan_to_json(plan), encoding="utf-8")
    assert read_plan(path) == plan


def test_the_plan_file_has_the_form_of_the_contract() -> None:
    content = json.loads(plan_to_json(lay_out(_pens(3), ChartOptions())))
    assert (content["format"], content["version"]) == ("calib chart plan", 1)
    assert content["page_mm"] == [210, 297] and content["strip_mm"] == [160, 14]
    page = content["pages"][0]
    assert set(page["marks"][0]) == {"id", "x_mm", "y_mm", "size_mm"}
    assert set(page["strip"]) == set(page["black"]) == {"x_mm", "y_mm", "width_mm", "height_mm"}
    assert page["strip"]["width_mm"] == 160 and page["strip"]["height_mm"] == 14
    cell = page["cells"][0]
    assert cell["cell"] == "1-01-01" and cell["marker"] == "001"
    assert (cell["layers"], cell["repeat"], cell["width_mm"], cell["height_mm"]) == (1, 1, 18, 12)


def test_a_plan_of_the_bare_contract_is_read(tmp_path: Path) -> None:
    content = json.loads(plan_to_json(lay_out(_pens(3), ChartOptions())))
    del content["markers"]
    for page in content["pages"]:
        del page["ruler"], page["texts"]
    path = tmp_path / "chart.json"
    path.write_text(json.dumps(content))
    plan = read_plan(path)
    assert [marker.marker for marker in plan.markers] == ["001", "002", "003"]


def _set(*keys: Any, to: Any) -> Callable[[Any], None]:
    def change(content: Any) -> None:
        for key in keys[:-1]:
            content = content[key]
        content[keys[-1]] = to

    return change


def _drop(*keys: Any) -> Callable[[Any], None]:
    def change(content: Any) -> None:
        for key in keys[:-1]:
            content = content[key]
        del content[keys[-1]]

    return change


BROKEN = {
    "wrong format": _set("format", to="something else"),
    "no format": _drop("format"),
    "version 2": _set("version", to=2),
    "no pages": _set("pages", to=[]),
    "pages no list": _set("pages", to={"page": 1}),
    "page no object": _set("pages", 0, to=17),
    "page null": _set("pages", 0, to=None),
    "no chart": _drop("chart"),
    "chart a number": _set("chart", to=5),
    "page size NaN": _set("page_mm", 0, to=float("nan")),
    "page size one number": _set("page_mm", to=[210]),
    "page size text": _set("page_mm", to="a4"),
    "page negative": _set("page_mm", to=[-210, 297]),
    "page endless": _set("page_mm", to=[1e300, 1e300]),
    "strip infinite": _set("strip_mm", 0, to=float("inf")),
    "no marks": _set("pages", 0, "marks", to=[]),
    "mark id text": _set("pages", 0, "marks", 0, "id", to="17"),
    "mark id negative": _set("pages", 0, "marks", 0, "id", to=-1),
    "mark id fraction": _set("pages", 0, "marks", 0, "id", to=1.5),
    "mark size NaN": _set("pages", 0, "marks", 0, "size_mm", to=float("nan")),
    "mark size negative": _set("pages", 0, "marks", 0, "size_mm", to=-10),
    "mark off the page": _set("pages", 0, "marks", 0, "x_mm", to=5000),
    "mark unknown to the family": _set("pages", 0, "marks", 0, "id", to=587),
    "mark null": _set("pages", 0, "marks", 0, to=None),
    "no strip": _drop("pages", 0, "strip"),
    "strip off the page": _set("pages", 0, "strip", "x_mm", to=200),
    "black negative": _set("pages", 0, "black", "height_mm", to=-8),
    "cells null": _set("pages", 0, "cells", to=None),
    "cell a text": _set("pages", 0, "cells", 0, to="1-01-01"),
    "cell size NaN": _set("pages", 0, "cells", 0, "width_mm", to=float("nan")),
    "cell size zero": _set("pages", 0, "cells", 0, "width_mm", to=0),
    "cell size true": _set("pages", 0, "cells", 0, "width_mm", to=True),
    "cell off the page": _set("pages", 0, "cells", 0, "y_mm", to=-1),
    "cell three layers": _set("pages", 0, "cells", 0, "layers", to=3),
    "cell without marker": _drop("pages", 0, "cells", 0, "marker"),
    "cell of an unknown marker": _set("pages", 0, "cells", 0, "marker", to="999"),
    "cell doubled": _set("pages", 0, "cells", 0, "cell", to="1-01-02"),
    "page doubled": lambda content: content["pages"].append(content["pages"][0]),
    "mark doubled": lambda c: c["pages"][0]["marks"][0].update(id=c["pages"][0]["marks"][1]["id"]),
    "marker doubled": lambda content: content["markers"].append(content["markers"][0]),
    "marker null": _set("markers", 0, to=None),
    "markers a text": _set("markers", to="none"),
    "marker reserved": _set("markers", 0, "marker", to="paper"),
    "ruler a text": _set("pages", 0, "ruler", to="long"),
    "text NaN": _set("pages", 0, "texts", 0, "x_mm", to=float("nan")),
    "texts of numbers": _set("pages", 0, "texts", to=[1, 2]),
}


@pytest.mark.parametrize("change", BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_plan_is_an_input_error(tmp_path: Path, change: Callable[[Any], None]) -> None:
    content = json.loads(plan_to_json(lay_out(_pens(3), ChartOptions())))
    change(content)
    path = tmp_path / "chart.json"
    path.write_text(json.dumps(content))
    with pytest.raises(InputError) as caught:
        read_plan(path)
    assert caught.value.exit_code == 3 and str(path) in str(caught.value)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"[]",
        b"null",
        b"17",
        b'"text"',
        b"{",
        b"[" * 100_000,
        b"%PDF-1.4",
        b"\xff\xfe\x00",
        b"\x89PNG\r\n",
        b"{}",
    ],
)
def test_no_plan_at_all_is_an_input_error(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "chart.json"
    path.write_bytes(content)
    with pytest.raises(InputError):
        read_plan(path)


def test_every_truncation_is_an_input_error(tmp_path: Path) -> None:
    whole = plan_to_json(lay_out(_pens(2), ChartOptions(controls=0))).rstrip()
    path = tmp_path / "chart.json"
    for length in range(0, len(whole), 97):
        path.write_text(whole[:length])
        with pytest.raises(InputError):
            read_plan(path)


def test_all_mistakes_of_a_plan_at_once(tmp_path: Path) -> None:
    content = json.loads(plan_to_json(lay_out(_pens(3), ChartOptions())))
    for name in ("cell three layers", "mark size NaN", "black negative", "no chart"):
        BROKEN[name](content)
    path = tmp_path / "chart.json"
    path.write_text(json.dumps(content))
    with pytest.raises(InputError) as caught:
        read_plan(path)
    assert len(caught.value.problems) >= 4


@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_nonsense_anywhere_never_is_another_exception(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    content = json.loads(plan_to_json(lay_out(_pens(2), ChartOptions(controls=1))))
    nonsense = st.sampled_from([None, True, -1, 0, 1e308, float("nan"), "", "x", [], {}, [[]], 10**30])
    here: Any = content
    while True:
        keys = list(here) if isinstance(here, dict) else list(range(len(here)))
        key = data.draw(st.sampled_from(keys))
        if not isinstance(here[key], dict | list) or not here[key] or data.draw(st.booleans()):
            here[key] = data.draw(nonsense)
            break
        here = here[key]
    path = tmp_path_factory.mktemp("plan") / "chart.json"
    path.write_text(json.dumps(content))
    try:
        read_plan(path)
    except InputError:
        return
