"""Words for colours: the names of the CSS colours come out as themselves, and differences are told the right way round."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ImageColor

from calib.colour.colorimetry import delta_e_2000, hex_to_lab
from calib.colour.naming import cast_words, colour_words, difference_words, hue_word, is_grey, lightness_word

labs = st.tuples(st.floats(0, 100), st.floats(-90, 90), st.floats(-90, 90))


# The colours by name are those of CSS Color Module Level 4, 6.1, as Pillow's ImageColor carries them. Its 'brown' (C* 60 at 32
# degrees) is left out: it is a dark red.
@pytest.mark.parametrize(
    ("name", "word"),
    [
        *((name, name) for name in ("red", "orange", "yellow", "green", "blue", "violet", "purple", "pink", "olive")),
        *(("saddlebrown", "brown"), ("sienna", "brown"), ("hotpink", "pink"), ("lightpink", "pink"), ("gold", "yellow")),
        *(("darkorange", "orange"), ("firebrick", "red"), ("crimson", "red"), ("navy", "blue"), ("royalblue", "blue")),
        *(("steelblue", "blue"), ("skyblue", "blue"), ("teal", "blue-green"), ("turquoise", "blue-green")),
        *(("forestgreen", "green"), ("seagreen", "green"), ("yellowgreen", "yellow-green"), ("blueviolet", "violet")),
        *(("wheat", "cream"), ("cornsilk", "cream"), ("tan", "beige"), ("olivedrab", "olive")),
    ],
)  # fmt: skip
def test_named_colours_of_the_web_come_out_as_themselves(name: str, word: str) -> None:
    assert hue_word(hex_to_lab(ImageColor.colormap[name])) == word


@pytest.mark.parametrize("name", ["gray", "dimgray", "silver", "gainsboro", "darkgray"])
def test_the_greys_of_the_web_are_grey_without_a_cast(name: str) -> None:
    lab = hex_to_lab(ImageColor.colormap[name])
    assert is_grey(lab)
    assert colour_words(lab).endswith("grey") and cast_words(lab) == ()
    assert not {"warm", "cool"} & set(colour_words(lab).split())


def test_lightness_goes_through_its_words_in_order() -> None:
    said = list(dict.fromkeys(lightness_word(L) for L in np.linspace(0, 100, 501)))
    assert said == ["very dark", "dark", "mid", "light", "very light"]


# Common practice: a warm grey leans to brown, a cool one to blue. The values are invented.
@pytest.mark.parametrize(
    ("lab", "word"),
    [((50, 1, 4), "warm"), ((50, -1, -5), "cool"), ((50, -4, 1), "greenish"), ((50, 4, -1.5), "pinkish")],
)
def test_a_grey_is_told_by_its_cast(lab: tuple[float, ...], word: str) -> None:
    assert colour_words(lab) == f"mid {word} grey"


def test_a_grey_is_judged_beside_the_paper_that_it_stands_on() -> None:
    cream = (94, 1, 8)
    assert colour_words((70, 0.7, 6.0), cream) == "light grey"
    assert colour_words((70, 0.7, 6.0)) == "light warm grey"
    assert cast_words((70, 0, 0), cream) == ("cooler",)


@pytest.mark.parametrize(
    ("one", "two", "said"),
    [
        ((50, 20, 20), (60, 20, 20), ("much lighter",)),
        ((60, 20, 20), (50, 20, 20), ("much darker",)),
        ((50, 30, 30), (50, 20, 20), ("greyer",)),
        ((50, 20, 20), (50, 30, 30), ("stronger",)),
        ((50, 0, -40), (50, 8, -39.2), ("pinker",)),
        ((50, 40, 0), (50, 38, 12.5), ("warmer",)),
        ((50, 0, 0), (50, 0, 3), ("warmer",)),
        ((50, 20, 20), (50.3, 20, 20), ()),
    ],
)
def test_a_difference_is_told_the_right_way_round(
    one: tuple[float, ...], two: tuple[float, ...], said: tuple[str, ...]
) -> None:
    assert difference_words(one, two) == said


@given(labs, labs)
def test_words_are_there_exactly_where_something_can_be_seen(
    one: tuple[float, ...], two: tuple[float, ...]
) -> None:
    said = difference_words(one, two)
    assert len(set(said)) == len(said) <= 3
    assert not said or float(delta_e_2000(np.array(one), np.array(two))) > 0.2
    assert difference_words(one, one) == ()
    opposite = {"lighter": "darker", "darker": "lighter"}
    for word in said:
        kind = word.split()[-1]
        if kind in opposite:
            assert (kind == "lighter") == (two[0] > one[0])


@given(labs)
def test_every_colour_has_words(lab: tuple[float, ...]) -> None:
    words = colour_words(lab)
    assert words and words == " ".join(words.split())
