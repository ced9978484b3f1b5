"""What a file costs is said, and with the figure that the benchmark measured."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from conftest import SETTINGS, Studio

from calib.colour.colorimetry import delta_e_2000
from calib.scan.costs import JPEG_COST, cost_of_jpeg, file_costs
from calib.scan.measure import measure
from calib.synthetic.writing import write_scan


def test_a_good_file_costs_nothing_worth_a_word() -> None:
    assert file_costs(None, 300) == [] and file_costs(None, 200) == []


@pytest.mark.parametrize(("quality", "mean", "high"), JPEG_COST)
def test_the_figure_is_the_measured_one(quality: int, mean: float, high: float) -> None:
    (words,) = file_costs(quality, 300)
    assert f"{mean:.2f} dE00" in words and f"{high:.2f} in 1 of 20" in words and str(quality) in words


def test_worse_packing_never_costs_less() -> None:
    costs = [cost_of_jpeg(quality) for quality in range(1, 101)]
    assert all(one[0] >= other[0] and one[1] >= other[1] for one, other in itertools.pairwise(costs))


def test_few_pixels_are_told() -> None:
    (words,) = file_costs(None, 150)
    assert "150 dpi" in words


def test_measuring_a_jpeg_says_so_and_costs_about_that_much(studio: Studio) -> None:
    """The shared page as JPEG 75 against the same codes as PNG: about the cost that is stated, on other cells."""
    path = studio.folder / "packed.jpg"
    codes = studio.pixels("page-1")
    small = (codes >> 8).astype(np.uint8) if codes.dtype == np.uint16 else codes
    write_scan(path, small, 150, jpeg_quality=75)
    packed = measure(studio.plan, [path], studio.strip, SETTINGS)
    (words,) = [w for w in packed.warnings if "JPEG" in w]
    assert words.startswith("packed.jpg: ") and "quality 75" in words and "TIFF" in words
    assert packed.table.origin.lighting["pages"][0]["jpeg_quality"] == 75
    plain = {row.key: row for row in studio.table("page-1").table.readings}
    pairs = [
        (row.lab, plain[row.key].lab)
        for row in packed.table.readings
        if row.kind == "ink" and row.keeps_colour and plain[row.key].keeps_colour
    ]
    cost = delta_e_2000(np.array([one for one, _ in pairs]), np.array([other for _, other in pairs]))
    assert 0.3 * cost_of_jpeg(75)[0] < cost.mean() < 3 * cost_of_jpeg(75)[0]
