"""What is not the page's paper though the plan has paper there: a dark lid past the sheet, a stain, a thumb.

The truth is the simulator's: where a stain lies, and the film's colour by the CIE's sums.
"""

from __future__ import annotations

import numpy as np
import pytest
from conftest import SETTINGS, Studio

from calib.colour.colorimetry import delta_e_2000
from calib.scan.bare import on_sheet
from calib.scan.measure import measure
from calib.scan.stains import off_paper, stained
from calib.synthetic.session import Laying, Printer, Stain


@pytest.mark.parametrize("lid", [0.03, 0.86])
def test_a_page_printed_past_its_sheet_reads_as_well_over_any_lid(studio: Studio, lid: float) -> None:
    """At 107 % the plan has bare paper where the lid is; taken for paper, a dark one moved colours by 1.7 dE00."""
    session = studio.session(
        printer=Printer(scale=1.067, stretch=0.004), laying=Laying(turn_deg=179.4, lid=lid)
    )
    name = f"too large, lid {lid}"
    path = studio.scan(name, session=session)
    (page,) = studio.read(path)
    cells = page.frame.page.cells
    middles = np.array([[c.x_mm + c.width_mm / 2, c.y_mm + c.height_mm / 2] for c in cells])
    off = page.frame.to_pixels(middles) - studio.truth(name).to_px(middles)
    assert np.hypot(*off.T).max() / page.frame.pixels_per_mm < 0.06
    true = studio.true_lab(name)
    rows = measure(studio.plan, [path], studio.strip, SETTINGS).table.readings
    errors = [
        float(delta_e_2000(row.lab, true[row.marker, row.layers]))
        for row in rows
        if row.lab is not None and row.kind == "ink" and not {"clipped", "out-of-srgb"} & set(row.flags)
    ]
    assert len(errors) >= 8
    assert np.mean(errors) < 0.25 and max(errors) < 0.8


def test_what_is_dark_inside_is_no_lid() -> None:
    light = np.full((120, 90, 3), 0.9, dtype=np.float32)
    light[:, :12] = 0.03
    light[50:70, 40:60] = 0.05
    sheet = on_sheet(light, np.ones((120, 90), dtype=bool))
    assert not sheet[:, :12].any()
    assert sheet[50:70, 40:60].all() and sheet[:, 30:].all()


@pytest.mark.parametrize("opaque", [True, False], ids=["thumb", "stain"])
def test_a_thumb_and_a_stain_are_flagged_where_they_lie(studio: Studio, opaque: bool) -> None:
    cells = studio.plan.pages[0].cells
    hit = cells[len(cells) // 2]
    x, y = hit.x_mm + hit.width_mm / 2, hit.y_mm + hit.height_mm / 2
    spot = Stain(x, y, radius_mm=13.0, density=0.15, opaque=opaque)
    strip = studio.plan.pages[0].strip
    assert min(abs(strip.y_mm - y), abs(strip.bottom_mm - y)) > 14, "the spot must not lie on the strip"
    path = studio.scan(f"spot {opaque}", session=studio.session(laying=Laying(stains=(spot,))))
    seen = {}
    measure(
        studio.plan,
        [path],
        studio.strip,
        SETTINGS,
        on_page=lambda page, swatches: seen.update({s.cell.cell: s.flags for s in swatches}),
    )
    assert "stained" in seen[hit.cell]
    far = [c.cell for c in cells if np.hypot(c.x_mm + c.width_mm / 2 - x, c.y_mm + c.height_mm / 2 - y) > 35]
    assert len(far) >= 3
    assert not any("stained" in seen[cell] for cell in far)


def test_a_sheet_that_lifts_and_a_hand_that_runs_over_are_no_stain(studio: Studio) -> None:
    from calib.synthetic.session import Hand

    session = studio.session(
        hand=Hand(creep_mm=0.6, wobble_mm=0.4, aim_mm=0.6), laying=Laying(lift_mm=2.0, lift_edge="left")
    )
    (page,) = studio.read(studio.scan("lifted and run over", session=session))
    assert page.paper_off is not None
    assert not any(stained(page.paper_at, page.paper_off, cell.box) for cell in page.frame.page.cells)


def test_how_far_off_paper_in_numbers() -> None:
    paper = np.array([0.9, 0.8, 0.7])
    assert off_paper(np.array([[0.9, 0.8, 0.7], [0.9, 0.8, 0.63]]), paper) == pytest.approx([0.0, 0.1])
