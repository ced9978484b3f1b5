"""Grey strips: what they should read, and what is refused."""

from __future__ import annotations

import csv
import math
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.colour.reference import Strip, read_strip
from calib.errors import InputError

CHARTS = Path(__file__).resolve().parents[2] / "charts"
SHIPPED = sorted(CHARTS.glob("strip-*.csv"))


def strip_of(tmp_path: Path, text: str) -> Strip:
    path = tmp_path / "strip.csv"
    path.write_text(text, encoding="utf-8")
    return read_strip(path)


def densities(values: list[float], more: str = "") -> str:
    return "step,density\n" + "".join(f"{i},{v!r}\n" for i, v in enumerate(values, 1)) + more


EVEN = [0.1, 0.5, 1.0, 1.5, 2.0]


def test_density_is_the_negative_logarithm_of_reflectance(tmp_path: Path) -> None:
    """ISO 5-4: D = -log10 R. Densities 0.3, 1 and 2 reflect 50.12, 10 and 1 per cent."""
    strip = strip_of(tmp_path, densities([0.0, 0.3, 1.0, 1.5, 2.0]))
    np.testing.assert_allclose(strip.linear[:, 0], [1.0, 0.501187, 0.1, 0.0316228, 0.01], rtol=1e-5)
    assert (strip.linear == strip.linear[:, :1]).all()


def test_lightness_of_densities_by_the_cie_formula(tmp_path: Path) -> None:
    """CIE 15:2018, 8.2.1: L* = 116 (Y/Yn)^(1/3) - 16, or 903.3 Y/Yn under 0.008856; by hand."""
    strip = strip_of(tmp_path, densities([0.0, 0.3, 1.0, 2.0, 3.0]))
    expected = [100.0, 116 * 0.5011872 ** (1 / 3) - 16, 37.8424, 8.9914, 0.9033]
    np.testing.assert_allclose(strip.lab[:, 0], expected, atol=2e-4)
    np.testing.assert_allclose(strip.lab[:, 1:], 0.0, atol=1e-3)
    np.testing.assert_allclose(strip.density, [0.0, 0.3, 1.0, 2.0, 3.0], atol=1e-9)


def test_lab_reads_as_the_light_of_that_colour(tmp_path: Path) -> None:
    """L* 50 is 18.4187 % of white (CIE 15:2018, 8.2.1, inverted by hand: ((50 + 16) / 116)^3)."""
    strip = strip_of(tmp_path, "step,L,a,b\nA,95,0,0\nB,80,0,0\nC,50,0,0\nD,30,0,0\nE,20,0.5,-1\n")
    assert strip.kind == "Lab"
    np.testing.assert_allclose(strip.linear[2], 0.184187, atol=2e-6)
    np.testing.assert_allclose(strip.lab[4], [20, 0.5, -1], atol=1e-9)
    assert strip.labels == ("A", "B", "C", "D", "E")


def test_base_density_is_added(tmp_path: Path) -> None:
    text = "step;density;base_density\n" + "".join(
        f"{i};{str(d).replace('.', ',')};0,07\n" for i, d in enumerate(EVEN)
    )
    np.testing.assert_allclose(strip_of(tmp_path, text).density, np.add(EVEN, 0.07))


def test_widths(tmp_path: Path) -> None:
    text = "step,density,width_mm\n" + "".join(
        f"{d},{d},{w}\n" for d, w in zip(EVEN, (10, 5, 5, 5, 15), strict=True)
    )
    strip = strip_of(tmp_path, text)
    np.testing.assert_allclose(strip.widths, [0.25, 0.125, 0.125, 0.125, 0.375])
    back = strip.reversed()
    np.testing.assert_allclose(back.widths, strip.widths[::-1])
    np.testing.assert_allclose(back.density, EVEN[::-1])
    assert back.labels == strip.labels[::-1]
    np.testing.assert_allclose(strip_of(tmp_path, densities(EVEN)).widths, 0.2)


def test_nothing_changes_a_strip(tmp_path: Path) -> None:
    strip = strip_of(tmp_path, densities(EVEN))
    for array in (strip.linear, strip.widths, strip.reversed().linear):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0.5


def test_a_perfect_white_is_doubted(tmp_path: Path) -> None:
    (warning,) = strip_of(tmp_path, densities([0.0, 0.5, 1.0, 1.5, 2.0])).warnings
    assert "base_density" in warning
    assert strip_of(tmp_path, densities(EVEN)).warnings == ()


scales = st.lists(st.integers(0, 5000), min_size=5, max_size=40, unique=True).filter(
    lambda d: max(d) - min(d) >= 800
)


@given(scales, st.booleans(), st.sampled_from([",", ";", "\t"]))
def test_any_monotone_scale_is_read_as_it_is(
    tmp_path_factory: pytest.TempPathFactory, thousandths: list[int], darker: bool, separator: str
) -> None:
    values = [d / 1000 for d in sorted(thousandths, reverse=not darker)]
    comma = "," if separator != "," else "."
    text = f"step{separator}density\n" + "".join(
        f"{i}{separator}{str(v).replace('.', comma)}\n" for i, v in enumerate(values)
    )
    strip = strip_of(tmp_path_factory.mktemp("strip"), text)
    np.testing.assert_allclose(
        -np.log10(strip.linear), np.repeat(np.array(values)[:, None], 3, axis=1), atol=1e-9
    )
    assert math.isclose(strip.widths.sum(), 1.0)
    twice = strip.reversed().reversed()
    assert twice.labels == strip.labels
    np.testing.assert_array_equal(twice.linear, strip.linear)


@given(scales, st.data())
def test_any_two_steps_changed_about_are_noticed(
    tmp_path_factory: pytest.TempPathFactory, thousandths: list[int], data: st.DataObject
) -> None:
    values = [d / 1000 for d in sorted(thousandths)]
    i = data.draw(st.integers(0, len(values) - 2))
    values[i], values[i + 1] = values[i + 1], values[i]
    with pytest.raises(InputError, match="than the step of line"):
        strip_of(tmp_path_factory.mktemp("strip"), densities(values))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (densities([0.1, 0.5, 0.5, 1.5, 2.0]), ":4: is as dark as the step of line 3"),
        (
            densities([0.1, 0.6, 0.5, 1.5, 2.0]),
            ":4: is lighter than the step of line 3, while the strip runs from light",
        ),
        (
            densities([2.0, 1.5, 1.6, 0.5, 0.1]),
            ":4: is darker than the step of line 3, while the strip runs from dark",
        ),
        (densities([0.1, 0.5, 1.0, 1.5]), "has 4 steps"),
        (densities([0.1, 0.2, 0.3, 0.4, 0.5]), "spans 0.40 of density"),
        (densities([-0.1, 0.5, 1.0, 1.5, 2.0]), ":2: has the density -0.1, which is outside 0 to 5; where"),
        (densities([0.1, 0.5, 1.0, 1.5, 5.1]), ":6: has the density 5.1"),
        (densities([0.1, 0.5, 1.0, 1.5, 1e200]), ":6: has the density 1e+200"),
        (densities(EVEN, "6,nan\n"), ":7: column 'density' holds 'nan'"),
        (densities(EVEN, "6,\n"), ":7: has no value in the column 'density'"),
        (densities(EVEN, ",2.5\n"), ":7: has no step name"),
        (densities(EVEN, "3,2.5\n"), ":7: repeats the step '3' of line 4"),
        ("step,density\n", "names no steps"),
        ("density\n1\n", "has no column 'step'"),
        ("step,density\n1,\n", "gives no values"),
        ("step,tone\n1,2\n", "gives no values"),
        ("step,density,L,a,b\n1,0.1,95,0,0\n", "gives both density and L, a, b"),
        ("step,density,L\n1,0.1,\n2,,50\n", "gives both density and L"),
        ("step,L,a\n1,95,0\n", "gives L, a but not b"),
        ("step,L,a,b\n1,95,0,0\n2,80,0,\n", ":3: has no value in the column 'b'"),
        ("step,L,a,b\n1,101,0,0\n", ":2: has L = 101"),
        ("step,L,a,b\n1,0,0,0\n", ":2: has L = 0"),
        ("step,L,a,b\n1,38,14,-2\n", ":2: is no grey (a = 14, b = -2), so this is not a grey strip"),
        ("step,L,a,b\n1,2,11,-11\n", ":2: is no grey"),
        ("step,L,a,b,base_density\n1,95,0,0,0.1\n", ":2: gives a base_density"),
        ("step,density,width_mm\n1,0.1,0\n", ":2: has the width 0 mm"),
        ("step,density,width_mm\n1,0.1,-3\n", ":2: has the width -3 mm"),
        ("step,density,width_mm\n1,0.1,1e9\n", ":2: has the width 1e+09 mm"),
        ("step,density,width_mm\n1,0.1,8\n2,0.5,\n", ":3: has no width_mm, which other steps have"),
        (
            "step,density,base_density\n1,0.1,0.07\n2,0.5,\n",
            ":3: has no base_density, which other steps have",
        ),
    ],
)
def test_refused_with_line_and_reason(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        strip_of(tmp_path, text)
    assert words in str(caught.value)
    assert caught.value.exit_code == 3


def test_all_mistakes_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        strip_of(tmp_path, "step,density,width_mm\n1,x,8\n1,0.5,0\n,1.0,8\n4,9,8\n")
    assert [problem.line for problem in caught.value.problems] == [2, 3, 3, 4, 5]


def test_the_lists_are_long_but_not_endless(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="has 4000 steps"):
        strip_of(tmp_path, densities([i / 1000 for i in range(4000)]))


def test_a_density_strip_needs_no_colour_library(tmp_path: Path) -> None:
    path = tmp_path / "strip.csv"
    path.write_text(densities(EVEN))
    code = (
        "import sys; from pathlib import Path; from calib.colour.reference import read_strip; "
        "read_strip(Path(sys.argv[1])); sys.exit('colour' in sys.modules)"
    )
    root = str(Path(__file__).resolve().parents[2])
    subprocess.run(
        [sys.executable, "-c", code, str(path)], check=True, env={**os.environ, "PYTHONPATH": root}
    )


def test_shipped_strips_are_there() -> None:
    assert len(SHIPPED) >= 5


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_strips_read_well_and_say_where_they_come_from(path: Path) -> None:
    strip = read_strip(path)
    assert strip.warnings == ()
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    note = rows[0]["note"]
    assert "common practice" in note or "ISO 17321-1" in note
    # What its name and note promise: strip-<layout>-<increment>-<steps>.
    *_, increment, steps = path.stem.split("-")
    assert len(strip.labels) == int(steps)
    if increment.isdigit():
        np.testing.assert_allclose(np.diff(strip.density), int(increment) / 100, atol=1e-9)
        assert strip.density[0] == pytest.approx(0.05)
    # Reflection prints hardly exceed 2.2 (common practice); what does must say so.
    assert strip.density.max() <= 2.2 or "hardly exceeds 2.2" in note


def test_the_six_neutrals_have_their_published_densities() -> None:
    """The densities that stand in the names of ISO 17321-1's patches in colour-science."""
    strip = read_strip(CHARTS / "strip-neutral-6.csv")
    np.testing.assert_allclose(strip.density, [0.05, 0.23, 0.44, 0.70, 1.05, 1.5], atol=0.03)
    assert np.abs(strip.lab[:, 1:]).max() < 1.0


@pytest.mark.filterwarnings("ignore::colour.utilities.ColourRuntimeWarning")
def test_the_six_neutrals_are_the_cie_sums_of_the_reflectances() -> None:
    import colour

    reflectances = colour.SDS_COLOURCHECKERS["ISO 17321-1"]
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    light = colour.SDS_ILLUMINANTS["D50"]
    xyz = [colour.sd_to_XYZ(reflectances[name], observer, light) / 100 for name in list(reflectances)[18:]]
    np.testing.assert_allclose(read_strip(CHARTS / "strip-neutral-6.csv").xyz, xyz, atol=3e-4)
