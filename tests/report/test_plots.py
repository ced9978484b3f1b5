"""The plots of the page and the gaps in them: read back as XML, held against their numbers. All colours are invented.

Outside readers and judges: Python's XML parser; numpy's straight lines; scipy's search for the largest hole; colour-science for CIEDE2000.
"""

from __future__ import annotations

import re
import warnings
import xml.etree.ElementTree as ElementTree

import colour
import numpy as np
import pytest
from scipy.optimize import differential_evolution
from scipy.spatial import Delaunay

from calib.colour.colorimetry import lab_to_hex
from calib.report.gaps import LEAST_HOLE, Gaps, gaps_of
from calib.report.plots import INK, LONGEST, PALE, RIM_L, colour_plots, frame_of

SPACE = "{http://www.w3.org/2000/svg}"
WHITE = (96.0, 0.0, 0.0)


def invented(count: int, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(10, 95, count), rng.uniform(-50, 60, (count, 2))])


def dots(svg: str) -> list[ElementTree.Element]:
    """Return the dots of a plot in document order."""
    groups = [g for g in ElementTree.fromstring(svg).iter(f"{SPACE}g") if "-dots-" in g.get("id", "")]
    return [one for group in groups for one in group if one.tag != f"{SPACE}defs"]


def places(svg: str) -> np.ndarray:
    return np.array([(float(one.get("x", "")), float(one.get("y", ""))) for one in dots(svg)])


def on_scale(svg: str, values: np.ndarray) -> None:
    """Hold the dots of a plot against numbers (n, 2): a plot is a straight scale of them, and y runs downwards in SVG."""
    found = places(svg)
    assert found.shape == values.shape
    for axis in (0, 1):
        slope, start = np.polyfit(values[:, axis], found[:, axis], 1)
        assert np.abs(slope * values[:, axis] + start - found[:, axis]).max() < 0.02
        assert (slope > 0) == (axis == 0)


def test_swatches_lie_where_their_numbers_say() -> None:
    lab = invented(40)
    around, light = colour_plots(lab, [1] * 20 + [2] * 20, "x")
    on_scale(around, lab[:, 1:])
    on_scale(light, np.column_stack([np.hypot(*lab[:, 1:].T), lab[:, 0]]))


def test_the_numbers_on_the_axes_are_those_of_the_scale() -> None:
    """A swatch of a* = 20 stands above the axis' 20, by the text of the axis itself."""
    lab = np.array([[50.0, 20.0, -20.0], [60.0, -20.0, 20.0], [30.0, 0.0, 0.0]])
    around, _ = colour_plots(lab, [1, 1, 1], "x")
    marks = {}
    for group in ElementTree.fromstring(around).iter(f"{SPACE}g"):
        if re.fullmatch(r"x-ab-xtick_\d+", group.get("id", "")):
            (line,) = group.iter(f"{SPACE}use")
            (text,) = ["".join(one.itertext()) for one in group.iter(f"{SPACE}text")]
            marks[float(text.replace("\N{MINUS SIGN}", "-"))] = float(line.get("x", ""))
    assert [marks[20.0], marks[-20.0], marks[0.0]] == pytest.approx(places(around)[:, 0], abs=0.02)


def test_dots_have_their_own_colours_a_rim_that_shows_and_a_shape_for_their_coats() -> None:
    lab = np.array([[20.0, 5.0, 5.0], [90.0, -3.0, 8.0], [RIM_L + 1, 0.0, 0.0], [RIM_L - 1, 40.0, 0.0]])
    around, light = colour_plots(lab, [1, 2, 1, 2], "x")
    wanted = [lab_to_hex(lab)[i][0] for i in (0, 2, 1, 3)]
    for svg in (around, light):
        assert [one.get("fill") for one in dots(svg)] == wanted
        assert [one.get("stroke", INK) for one in dots(svg)] == [PALE, INK, INK, PALE]
    many = np.repeat(lab, 10, axis=0)
    for svg in colour_plots(many, [1, 2, 1, 2] * 10, "x"):
        shapes = [one.get("href") for one in dots(svg)]
        assert len(set(shapes[:20])) == len(set(shapes[20:])) == 1 and shapes[0] != shapes[-1]
        ids = {one.get("id") for one in ElementTree.fromstring(svg).iter()}
        assert {(shape or "")[1:] for shape in shapes} <= ids
    # The two rims differ in lightness from one another and from the ground by far more than the eye needs (WCAG 2.2, 1.4.11: 3 to 1).
    light_of = {text: float(colour.sRGB_to_XYZ(_rgb(text))[1]) for text in (INK, PALE)}
    assert (light_of[PALE] + 0.05) / (light_of[INK] + 0.05) > 3


def _rgb(text: str) -> np.ndarray:
    return np.array([int(text[i : i + 2], 16) for i in (1, 3, 5)]) / 255


HOSTILE = (
    "<script>alert(1)</script>", '"><img src=x>', "]]>", "&amp;", "\x1b[31m\x00\x08\ufffe", "\u202e\u2067x", "森の緑",
    "$\\frac{1}{2}$", "ש" * 500,
)  # fmt: skip


def test_dots_say_their_pens_and_hostile_names_do_no_harm() -> None:
    lab = invented(len(HOSTILE))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        svgs = colour_plots(
            lab, [2] + [1] * (len(lab) - 1), "x", [f"{i} {name}" for i, name in enumerate(HOSTILE)]
        )
    for svg in svgs:
        said = ["".join(one.itertext()) for one in dots(svg)]
        # In the order in which they are drawn: one coat first.
        assert [text.split()[0] for text in said] == [*(str(i) for i in range(1, len(lab))), "0"]
        assert all(len(text) <= LONGEST for text in said) and "6 森の緑" in said
        assert not any(bad in svg for bad in ("<script", "<img", "\x1b", "\x00", "\u202e", "\ufffe"))


@pytest.mark.parametrize("layers", [[1], [2, 2], [1, 1, 2], [1, 2] * 3])
def test_few_dots_are_drawn_and_named_as_many_are(layers: list[int]) -> None:
    lab = invented(len(layers))
    for svg in colour_plots(lab, layers, "x", [f"pen {i}" for i in range(len(layers))]):
        assert sorted("".join(one.itertext()) for one in dots(svg)) == [
            f"pen {i}" for i in range(len(layers))
        ]
        assert sorted(str(one.get("fill")) for one in dots(svg)) == sorted(h for h, _ in lab_to_hex(lab))


def test_plots_have_a_name_and_a_description() -> None:
    lab = np.array([[20.0, -31.0, 5.0], [90.0, 42.0, 8.0]])
    for svg, words in zip(
        colour_plots(lab, [1, 1], "x"), ("a* from -31 to 42", "L* from 20 to 90"), strict=True
    ):
        root = ElementTree.fromstring(svg)
        assert root.get("role") == "img" and root.get("aria-label")
        (told,) = [one for one in root.iter() if one.get("id") == root.get("aria-describedby")]
        assert told.text is not None and words in told.text and "2 swatches" in told.text


def test_plots_are_small_and_the_same_each_time() -> None:
    lab = invented(800, 4)
    called = [f"{i:03d} Invented {i:03d}, 1 coat, L 50" for i in range(800)]
    one, other = (colour_plots(lab, [1] * 400 + [2] * 400, "x", called) for _ in range(2))
    assert one == other
    for svg in one:
        assert (
            len(svg) < 150_000 and "<metadata" not in svg and "<!DOCTYPE" not in svg and "<style" not in svg
        )
    for none in colour_plots(np.empty((0, 3)), [], "x"):
        assert dots(none) == [] and "0 swatches" in none


def test_plots_that_share_a_frame_have_one_scale() -> None:
    small, large = invented(12, 1) * [1, 0.4, 0.4], invented(12, 2)
    frame = frame_of(np.vstack([small, large]))
    for at in (0, 1):
        both = [colour_plots(lab, [1] * 12, "x", frame=frame)[at] for lab in (small, large)]
        values = [
            np.vstack([lab[:, 1] if at == 0 else np.hypot(*lab[:, 1:].T) for lab in (small, large)]).ravel()
        ]
        found = np.concatenate([places(svg)[:, 0] for svg in both])
        slope, start = np.polyfit(values[0], found, 1)
        assert np.abs(slope * values[0] + start - found).max() < 0.02


# -- gaps -----------------------------------------------------------------------------------------


def _ring(hues: list[float], chroma: float = 40.0) -> np.ndarray:
    angle = np.radians(hues)
    return np.column_stack([np.linspace(10, 95, len(hues)), chroma * np.cos(angle), chroma * np.sin(angle)])


def test_gaps_are_found_where_they_are() -> None:
    lab = _ring([0, 20, 40, 60, 80, 100, 120, 240, 260, 280, 300, 320, 340])
    found = gaps_of(lab, WHITE)
    said = " ".join(found.sentences)
    assert found.hue == pytest.approx((120.0, 240.0))
    assert "(h 120°)" in said and "(h 240°)" in said
    holed = lab[(lab[:, 0] < 40) | (lab[:, 0] > 62)]
    low, high = holed[:, 0][holed[:, 0] < 50].max(), holed[:, 0][holed[:, 0] > 50].min()
    found = gaps_of(holed, WHITE)
    assert found.lightness == pytest.approx((low, high))
    assert f"nothing between L {low:.0f} and L {high:.0f}" in " ".join(found.sentences)
    pale = np.array([[30.0, 0, 0], [35, 0, 0], [40, 0, 0]])
    assert "between L 40 and the bare paper" in " ".join(gaps_of(pale, WHITE).sentences)
    assert gaps_of(np.array([[50.0, 1, 1]]), None) == Gaps() == gaps_of(np.empty((0, 3)), WHITE)


def test_a_gap_across_the_end_of_the_hue_circle_is_one_gap() -> None:
    lab = _ring([50, 80, 110, 140, 170, 200, 230, 260, 290, 310])
    found = gaps_of(lab, WHITE)
    assert found.hue == pytest.approx((310.0, 410.0))
    assert "(h 310°) and" in found.sentences[1] and found.sentences[1].endswith("(h 50°).")


def test_the_largest_hole_is_the_one_that_a_search_finds() -> None:
    """Colours all over a cube but for a ball; scipy's differential evolution looks for the same hole by colour-science's CIEDE2000."""
    rng = np.random.default_rng(11)
    lab = np.column_stack([rng.uniform(20, 90, 700), rng.uniform(-40, 40, (700, 2))])
    lab = lab[np.linalg.norm(lab - [50, 12, 18], axis=1) > 19]
    found = gaps_of(lab, None, [f"pen {i}" for i in range(len(lab))])
    assert found.hole is not None

    def nearest(point: np.ndarray) -> float:
        return float(colour.delta_E(np.broadcast_to(point, lab.shape), lab, method="CIE 2000").min())

    hull = Delaunay(lab)

    def worth(point: np.ndarray) -> float:
        return -nearest(point) if hull.find_simplex(point) >= 0 else 0.0

    best = differential_evolution(
        worth, [(25, 85), (-35, 35), (-35, 35)], seed=1, maxiter=40, popsize=10, polish=False
    )
    own = nearest(np.array(found.hole))
    assert own > LEAST_HOLE and own == pytest.approx(-best.fun, rel=0.05)
    # Nowhere else has the cube such a hole; the eye's middle of the ball is not the ruler's.
    assert np.linalg.norm(np.array(found.hole) - [50, 12, 18]) < 19
    (words,) = [one for one in found.sentences if "hole" in one]
    at = int(np.argmin(colour.delta_E(np.broadcast_to(found.hole, lab.shape), lab, method="CIE 2000")))
    assert f"no swatch is nearer than {own:.0f} dE00 (pen {at})" in words


def test_greys_alone_and_close_colours_have_no_hole() -> None:
    greys = np.column_stack([np.linspace(20, 90, 15), np.zeros((15, 2))])
    assert gaps_of(greys, WHITE).hole is None
    rng = np.random.default_rng(2)
    assert gaps_of(rng.uniform(-4, 4, (60, 3)) + np.array([50, 20, 20]), None).hole is None


def test_gaps_are_drawn() -> None:
    lab = _ring([0, 20, 40, 60, 80, 100, 120, 240, 260, 280, 300, 320, 340])
    lab = lab[(lab[:, 0] < 40) | (lab[:, 0] > 62)]
    gaps = gaps_of(lab, WHITE)
    plain, drawn = colour_plots(lab, [1] * len(lab), "x"), colour_plots(lab, [1] * len(lab), "x", gaps=gaps)
    for before, after in zip(plain, drawn, strict=True):
        texts = [
            ["".join(one.itertext()) for one in ElementTree.fromstring(svg).iter(f"{SPACE}text")]
            for svg in (before, after)
        ]
        assert "gap" not in texts[0] and texts[1].count("gap") == 1
        assert places(before) == pytest.approx(places(after), abs=0.02)
