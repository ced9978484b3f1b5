"""The hand: each of its knobs changes what it should, and its truth is what the maps show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.chart.plan import Box, Cell
from calib.synthetic.hand import Colouring, colour_cell
from calib.synthetic.inks import SimPaper
from calib.synthetic.noise import Grid, rng_of, smooth_field, smooth_line
from calib.synthetic.session import STILL_HAND, Hand

CELL = Cell("1-01-01", "001", 1, 1, 20.0, 30.0, 18.0, 12.0)


def coloured(hand: Hand, cell: Cell = CELL, scale: float = 12.0, seed: int = 0) -> Colouring:
    box = cell.box
    around = box.grown(3.0)
    grid = Grid(
        around.x_mm, around.y_mm, scale, (round(around.height_mm * scale), round(around.width_mm * scale))
    )
    return colour_cell(cell, box, grid, hand, SimPaper(), seed)


def test_still_hand_fills_the_cell_evenly_and_nothing_else() -> None:
    for layers, amount in ((1, 1.0), (2, SimPaper().two_coat_exponent)):
        result = coloured(STILL_HAND, replace(CELL, layers=layers))
        assert result.film_amount == pytest.approx(amount, rel=1e-5)
        assert result.coverage == pytest.approx(1.0, abs=0.01)
        assert result.bleed_mm < 0.03
        area = result.cover.sum() / result.grid.scale**2
        assert area == pytest.approx(18 * 12, rel=0.01)
        assert np.ptp(result.amount[result.film]) < 1e-5


def test_upright_cell_is_stroked_along_its_long_side() -> None:
    hand = replace(STILL_HAND, band=0.3)
    for box, axis in ((Box(0, 0, 18, 12), 1), (Box(0, 0, 12, 18), 0)):
        cell = Cell("1-01-01", "001", 1, 1, box.x_mm, box.y_mm, box.width_mm, box.height_mm)
        result = coloured(hand, cell)
        middle = result.amount[60:-60, 60:-60]
        # Along the strokes nothing changes, across them the bands do.
        assert np.ptp(middle, axis=axis).max() < 1e-4
        assert np.ptp(middle, axis=1 - axis).min() > 0.2


@pytest.mark.parametrize(
    ("knob", "value", "what"),
    [
        ("band", 0.3, lambda r: r.amount[r.cover > 0.9].max()),
        ("pool", 0.3, lambda r: r.amount[r.cover > 0.9].max()),
        ("gaps", 30.0, lambda r: 1 - r.coverage),
        ("streak", 0.1, lambda r: r.amount[r.film].std()),
        ("mottle", 0.1, lambda r: r.amount[r.film].std()),
        ("patch", 0.1, lambda r: r.amount[r.film].std()),
        ("creep_mm", 0.8, lambda r: r.bleed_mm),
        ("aim_mm", -0.8, lambda r: 1 - r.coverage),
        ("grain", 0.4, lambda r: 1 - r.coverage),
        ("wobble_mm", 0.4, lambda r: r.bleed_mm),
        ("half", ("1-01-01",), lambda r: 1 - r.coverage),
        ("blank", ("1-01-01",), lambda r: 1 - r.coverage),
        ("dry_marker", {"001": 0.4}, lambda r: 1 - r.coverage),
    ],
)
def test_each_fault_shows(knob: str, value: object, what) -> None:  # type: ignore[no-untyped-def]
    before, after = what(coloured(STILL_HAND)), what(coloured(replace(STILL_HAND, **{knob: value})))
    assert after > before + 0.03, (before, after)


def test_coverage_is_the_share_that_was_asked_for() -> None:
    assert coloured(replace(STILL_HAND, half=("1-01-01",))).coverage == pytest.approx(0.5, abs=0.02)
    assert coloured(replace(STILL_HAND, blank=("1-01-01",))).coverage == 0.0
    for grain in (0.1, 0.3, 0.6):
        found = [1 - coloured(replace(STILL_HAND, grain=grain), seed=s).coverage for s in range(12)]
        assert np.mean(found) == pytest.approx(grain, abs=0.04)


def test_bleed_is_the_reach_that_was_asked_for() -> None:
    found = [coloured(replace(STILL_HAND, creep_mm=0.5), seed=s).bleed_mm for s in range(4)]
    assert np.mean(found) == pytest.approx(0.5, abs=0.05)


def test_scatter_from_swatch_to_swatch() -> None:
    hand = replace(STILL_HAND, scatter=0.03)
    for layers in (1, 2):
        cells = [replace(CELL, cell=f"1-01-{i:02d}", layers=layers) for i in range(200)]
        amounts = np.array([coloured(hand, cell, scale=2.0).film_amount for cell in cells])
        # The sd of 200 draws is itself good to 5 %; two coats average a part of it away.
        assert np.log(amounts).std() == pytest.approx(0.03, rel=0.25)
        assert np.log(amounts).mean() == pytest.approx(np.log(1.0 if layers == 1 else 1.75), abs=0.008)


def test_film_amount_of_an_average_hand_is_near_one() -> None:
    amounts = [coloured(replace(Hand(), scatter=0), seed=s).film_amount for s in range(10)]
    assert np.mean(amounts) == pytest.approx(1.0, abs=0.01)


def test_a_finer_scan_shows_the_same_swatch() -> None:
    coarse, fine = coloured(Hand(), scale=12.0), coloured(Hand(), scale=24.0)
    assert fine.coverage == pytest.approx(coarse.coverage, abs=0.003)
    assert fine.film_amount == pytest.approx(coarse.film_amount, rel=0.002)
    averaged = fine.amount.reshape(coarse.amount.shape[0], 2, -1, 2).mean(axis=(1, 3))
    inner = (slice(50, -50), slice(50, -50))
    assert np.corrcoef(averaged[inner].ravel(), coarse.amount[inner].ravel())[0, 1] > 0.97


def test_same_seed_same_swatch_other_seed_or_cell_another() -> None:
    assert np.array_equal(coloured(Hand()).amount, coloured(Hand()).amount)
    assert not np.array_equal(coloured(Hand()).amount, coloured(Hand(), seed=1).amount)
    assert not np.array_equal(coloured(Hand()).amount, coloured(Hand(), replace(CELL, cell="1-01-02")).amount)


def test_fields_have_unit_spread_and_the_stated_reach() -> None:
    grid = Grid(0, 0, 10.0, (1500, 1500))
    field = smooth_field(rng_of(0, "test"), grid, 0.8)
    assert field.std() == pytest.approx(1.0, abs=0.05)
    # White noise smoothed by a Gaussian of sd s has the correlation exp(-d^2 / 4 s^2).
    lag = int(0.8 * 10 * 2)
    found = np.corrcoef(field[:, :-lag].ravel(), field[:, lag:].ravel())[0, 1]
    assert found == pytest.approx(np.exp(-1.0), abs=0.05)
    line = smooth_line(rng_of(0, "line"), np.linspace(0, 5000, 50000, dtype=np.float32), 0, 5000, 2.0)
    assert line.std() == pytest.approx(1.0, abs=0.08)
