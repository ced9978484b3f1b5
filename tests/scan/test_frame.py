"""Marks to millimetres: every way up, marks lost, mirrors, other charts, blank paper, two pages on one bed.

Outside source: the simulator's own geometry (truth.to_px), which was never read from the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from conftest import DPI, OPTIONS, SETTINGS, Studio, failure, frames_of, marks_of
from numpy.typing import NDArray

from calib.chart.layout import lay_out
from calib.chart.markers import Marker
from calib.chart.plan import Box, Page, Plan
from calib.errors import NotFoundError
from calib.scan.fiducials import FoundMark
from calib.scan.frame import Frame, fit_frame
from calib.scan.measure import measure
from calib.synthetic.scan import ScanTruth, SimulatedScan, simulate_page
from calib.synthetic.session import Laying, Printer

# Measured: 0.013 mm with all six marks, 0.041 with any four, 0.087 with any three that are no column.
NEAR_MM = 0.03


@pytest.fixture(scope="module")
def askew(studio: Studio) -> SimulatedScan:
    """Page 1 laid 3 degrees askew."""
    studio.scan("askew", session=studio.session(laying=Laying(turn_deg=3.0)))
    return studio.scans["askew"][1]


@pytest.fixture(scope="module")
def marks(studio: Studio, askew: SimulatedScan) -> tuple[FoundMark, ...]:
    return marks_of(askew.pixels)


def frame_by(page: Page, marks: Sequence[FoundMark]) -> Frame:
    """Return the frame of a page by these marks alone."""
    fitted = fit_frame(page, marks)
    assert fitted is not None
    return fitted[0]


def points_of(page: Page) -> NDArray:
    """The middles of all cells and the corners of the strip."""
    cells = [[c.x_mm + c.width_mm / 2, c.y_mm + c.height_mm / 2] for c in page.cells]
    box = page.strip
    return np.array([*cells, [box.x_mm, box.y_mm], [box.right_mm, box.bottom_mm]])


def turned_points(points: NDArray, shape: tuple[int, ...], quarter_turns: int) -> NDArray:
    """Return where pixels (n, 2), x first, of a picture of this shape lie after np.rot90."""
    x, y = points.T
    height, width = shape[:2]
    return np.stack(
        [(x, y), (y, width - 1 - x), (width - 1 - x, height - 1 - y), (height - 1 - y, x)][quarter_turns % 4],
        axis=1,
    )


def farthest_mm(frame: Frame, expected_px: NDArray) -> float:
    off = frame.to_pixels(points_of(frame.page)) - expected_px
    return float(np.hypot(*off.T).max() / (DPI / 25.4))


def true_px(plan: Plan, truth: ScanTruth) -> NDArray:
    return truth.to_px(points_of(plan.pages[truth.page - 1]))


@pytest.mark.parametrize("quarter_turns", range(4))
@pytest.mark.parametrize("name", ["straight", "askew"])
def test_a_page_is_found_every_way_up(
    studio: Studio, askew: SimulatedScan, name: str, quarter_turns: int
) -> None:
    scan = askew if name == "askew" else studio.scans["page-1"][1]
    codes = np.rot90(scan.pixels, quarter_turns)
    (frame,) = frames_of(codes, studio.plan)
    assert (frame.page.page, frame.marks) == (1, 6)
    expected = turned_points(true_px(studio.plan, scan.truth), scan.pixels.shape, quarter_turns)
    assert farthest_mm(frame, expected) < NEAR_MM
    assert frame.pixels_per_mm == pytest.approx(DPI / 25.4, rel=2e-3)
    assert frame.residual_mm < 0.15
    assert frame.to_mm(frame.to_pixels(points_of(frame.page))) == pytest.approx(
        points_of(frame.page), abs=1e-6
    )


@pytest.mark.parametrize("hidden", list(combinations(range(6), 2)), ids=str)
def test_any_two_marks_may_be_missing(
    studio: Studio, askew: SimulatedScan, marks: tuple[FoundMark, ...], hidden: tuple[int, int]
) -> None:
    assert len(marks) == 6
    seen = [mark for number, mark in enumerate(marks) if number not in hidden]
    frame = frame_by(studio.plan.pages[0], seen)
    assert farthest_mm(frame, true_px(studio.plan, askew.truth)) < 0.06


@pytest.mark.parametrize("kept", list(combinations(range(6), 3)), ids=str)
def test_any_three_marks_are_enough(
    studio: Studio, askew: SimulatedScan, marks: tuple[FoundMark, ...], kept: tuple[int, ...]
) -> None:
    seen = [marks[number] for number in kept]
    frame = frame_by(studio.plan.pages[0], seen)
    places = {mark.id: mark.x_mm for mark in studio.plan.pages[0].marks}
    # Three marks in one column say little of the far side; measured 1.10 mm there, inside the 1.2 mm that sampling
    # keeps clear of a cell's edge.
    bound = 1.2 if len({places[mark.id] for mark in seen}) == 1 else 0.12
    assert farthest_mm(frame, true_px(studio.plan, askew.truth)) < bound


def test_marks_that_did_not_print_are_done_without(studio: Studio) -> None:
    page = studio.plan.pages[0]
    session = studio.session(printer=Printer(hidden=(page.marks[0].id, page.marks[3].id)))
    studio.scan("two hidden", session=session)
    (frame,) = frames_of(studio.pixels("two hidden"), studio.plan)
    assert frame.marks == 4
    assert farthest_mm(frame, true_px(studio.plan, studio.truth("two hidden"))) < 0.06


def test_a_mark_out_of_place_is_left_out(
    studio: Studio, askew: SimulatedScan, marks: tuple[FoundMark, ...]
) -> None:
    """One misread mark among six: the others outvote it."""
    moved = FoundMark(marks[2].id, marks[2].corners + 25.0)
    frame = frame_by(studio.plan.pages[0], [*marks[:2], moved, *marks[3:]])
    assert frame.marks == 5
    assert farthest_mm(frame, true_px(studio.plan, askew.truth)) < 0.06


def test_a_cut_reaches_over_the_edge_with_nan(
    studio: Studio, askew: SimulatedScan, marks: tuple[FoundMark, ...]
) -> None:
    frame = frame_by(studio.plan.pages[0], marks)
    inside = frame.cut(askew.pixels, Box(40, 40, 20, 10), 6.0)
    assert inside.shape == (60, 120, 3) and np.isfinite(inside).all()
    assert inside.min() >= 0 and inside.max() <= 1
    assert np.isnan(frame.cut(askew.pixels, Box(-60, 0, 20, 10), 6.0)).all()


# --- refusals --------------------------------------------------------------------------------


def refused(studio: Studio, name: str, codes: NDArray, plan: Plan | None = None) -> str:
    """Measure a scan that shows no page of the plan, and return the sentence."""
    path = studio.save(f"{name}.png", codes)
    error = failure(lambda: measure(plan or studio.plan, [path], studio.strip, SETTINGS))
    assert isinstance(error, NotFoundError) and error.exit_code == 4
    assert f"{name}.png" in str(error)
    return str(error)


@pytest.mark.parametrize("quarter_turns", [0, 1])
def test_a_mirrored_scan_is_refused(studio: Studio, quarter_turns: int) -> None:
    codes = np.rot90(studio.pixels("page-1")[:, ::-1], quarter_turns)
    assert "mirror" in refused(studio, "mirrored", codes)


@pytest.mark.parametrize("kind", ["blank paper", "white", "black", "noise", "cells only"])
def test_what_shows_no_chart_is_refused(studio: Studio, kind: str) -> None:
    rng = np.random.default_rng(0)
    page = studio.pixels("page-1")
    codes = {
        "blank paper": np.clip(rng.normal(58_000, 300, (900, 750, 3)), 0, 65535).astype(np.uint16),
        "white": np.dstack([np.full((900, 750, 2), 65535, np.uint16), np.full((900, 750), 65000, np.uint16)]),
        "black": rng.integers(0, 300, (900, 750, 3)).astype(np.uint16),
        "noise": rng.integers(0, 65536, (900, 750, 3)).astype(np.uint16),
        # The middle of the page: swatches, the strip, and not one whole mark.
        "cells only": page[150:-150, 150:-150],
    }[kind]
    assert "no page of a chart" in refused(studio, kind, codes)


def test_a_page_with_too_few_marks_says_how_many(studio: Studio) -> None:
    codes = studio.pixels("page-1")
    words = refused(studio, "half", codes[: codes.shape[0] // 3])
    assert "only 2 of the 6 marks of page 1" in words


def test_a_page_of_another_chart_is_refused_by_name(studio: Studio) -> None:
    """Same list, another seed: everything stands in the same place, and only the marks' ids differ."""
    other = lay_out(studio.plan.markers, replace(OPTIONS, seed=1))
    assert other.chart != studio.plan.chart
    words = refused(studio, "other", studio.pixels("page-1"), other)
    assert "another chart" in words and other.chart in words


def test_a_page_of_a_longer_chart_is_refused(studio: Studio) -> None:
    """The plan of three pages where the sheet belongs to the chart of two."""
    longer = lay_out([*studio.plan.markers, *(Marker(f"x{i}") for i in range(5))], OPTIONS)
    assert len(longer.pages) == 3
    assert "another chart" in refused(studio, "longer", studio.pixels("page-2"), longer)


def test_of_twenty_other_charts_none_accepts_this_page(
    studio: Studio, askew: SimulatedScan, marks: tuple[FoundMark, ...]
) -> None:
    """Charts of many pages share some ids with ours by chance; the places must then betray them."""
    for seed in range(20):
        markers = [Marker(f"{seed}-{i}") for i in range(150)]
        plan = lay_out(markers, replace(OPTIONS, seed=seed))
        for page in plan.pages:
            ids = {mark.id for mark in page.marks}
            shared = [mark for mark in marks if mark.id in ids]
            assert len(shared) < 3 or fit_frame(page, shared) is None
        if seed < 3:
            with pytest.raises(NotFoundError):
                frames_of(askew.pixels, plan)


# --- two pages at once -----------------------------------------------------------------------


def test_two_pages_on_one_bed_are_both_found(studio: Studio) -> None:
    one, two = studio.pixels("page-1"), np.rot90(studio.pixels("page-2"), 2)
    height = max(len(one), len(two))
    bed = np.full((height, one.shape[1] + two.shape[1], 3), 60_000, np.uint16)
    bed[: len(one), : one.shape[1]] = one
    bed[: len(two), one.shape[1] :] = two
    frames = frames_of(bed, studio.plan)
    assert [frame.page.page for frame in frames] == [1, 2]
    assert farthest_mm(frames[0], true_px(studio.plan, studio.truth("page-1"))) < NEAR_MM
    expected = turned_points(true_px(studio.plan, studio.truth("page-2")), two.shape, 2) + np.array(
        [one.shape[1], 0]
    )
    assert farthest_mm(frames[1], expected) < NEAR_MM


@pytest.mark.parametrize("dpi", [100, 200])
def test_other_resolutions(studio: Studio, dpi: int) -> None:
    scan = simulate_page(studio.plan, 1, studio.inks, studio.session(laying=Laying(turn_deg=-2.0)), dpi=dpi)
    (frame,) = frames_of(scan.pixels, studio.plan)
    off = frame.to_pixels(points_of(frame.page)) - true_px(studio.plan, scan.truth)
    # Measured: 0.28 pixels at 100 dpi, where a module of a mark has five pixels, and 0.06 at 150.
    assert np.hypot(*off.T).max() < 0.35
    assert frame.pixels_per_mm * 25.4 == pytest.approx(dpi, rel=2e-3)
