"""The data from outside is what it is said to be: its figures, measured anew."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import outside
import pytest
from outside import (
    MOST_INKS,
    PAPERS,
    common_prints,
    microfading_places,
    microfading_series,
    prints,
    repeats,
    rit_dupont,
)

from calib.colour.colorimetry import delta_e_2000

# -- printed patches: FOGRA and CGATS tables as Debian's icc-profiles-free carries them ----------


def test_the_papers_share_all_their_recipes() -> None:
    recipes, labs = common_prints(*PAPERS)
    assert recipes.shape == (357, 4)
    assert all(lab.shape == (357, 3) for lab in labs)
    assert ((recipes > 0).sum(axis=1) <= MOST_INKS).all()
    assert recipes.min() == 0 and recipes.max() == 100
    # Bare paper, and each ink alone, are among them; paper is the lightest of all.
    assert {tuple(row) for row in np.vstack([np.zeros(4), 100 * np.eye(4)])} <= {
        tuple(row) for row in recipes
    }
    bare = int(np.flatnonzero((recipes == 0).all(axis=1))[0])
    assert all(lab[:, 0].argmax() == bare for lab in labs)


@pytest.mark.parametrize(
    ("one", "two", "mean"),
    [
        # Over all 1,457 (1,588) recipes that the whole tables share it is 5.95, 2.28 and 3.91.
        ("FOGRA39L", "FOGRA29L", 3.898),
        ("FOGRA29L", "FOGRA30L", 2.731),
        ("FOGRA39L", "FOGRA40L", 4.518),
    ],
)
def test_same_recipe_on_two_papers(one: str, two: str, mean: float) -> None:
    _, (before, after) = common_prints(one, two)
    assert delta_e_2000(before, after).mean() == pytest.approx(mean, abs=5e-4)


def test_patches_that_were_printed_and_measured_twice() -> None:
    one, two = repeats()
    assert one.shape == two.shape == (92, 3)
    away = delta_e_2000(one, two)
    assert away.mean() == pytest.approx(0.5612, abs=5e-5)
    assert away.max() == pytest.approx(1.5445, abs=5e-5)
    # Measured, not copied: no pair is the same to the last digit.
    assert away.min() > 0


def test_order_of_tables_decides_only_the_order_of_rows() -> None:
    recipes, (one, two) = common_prints("FOGRA40L", "FOGRA29L")
    again, (other, first) = common_prints("FOGRA29L", "FOGRA40L")
    assert {(*r, *x, *y) for r, x, y in zip(recipes, one, two, strict=True)} == {
        (*r, *x, *y) for r, x, y in zip(again, first, other, strict=True)
    }


def test_an_unknown_table_is_no_silent_nothing() -> None:
    with pytest.raises(KeyError):
        prints("FOGRA51")


# -- pairs of equal difference -------------------------------------------------------------------


def test_pairs_that_look_equally_far_apart() -> None:
    """RIT-DuPont: equal to the eye, so what dE00 makes of them is the meaning of its unit."""
    one, two = rit_dupont()
    assert one.shape == two.shape == (312, 3)
    away = delta_e_2000(one, two)
    assert away.mean() == pytest.approx(0.987, abs=5e-4)
    assert away.std() == pytest.approx(0.196, abs=5e-4)
    # The plain distance in Lab spreads by 35 % of its mean, dE00 by 20 %.
    plain = np.linalg.norm(one - two, axis=1)
    assert plain.std() / plain.mean() == pytest.approx(0.355, abs=5e-4)
    assert away.std() / away.mean() == pytest.approx(0.198, abs=5e-4)


# -- dyes that faded -----------------------------------------------------------------------------


def test_dyes_that_faded() -> None:
    series = microfading_series()
    assert len(series) == 5
    for one in series:
        assert one.lab.shape == one.spread.shape == (len(one.seconds), 3)
        assert len(one.seconds) == len(one.megalux_hours) == len(one.dE00) >= 170
        assert (np.diff(one.seconds) > 0).all() and one.seconds[0] == 0
        # Twenty minutes.
        assert one.seconds[-1] == pytest.approx(1200, abs=15)
        # The authors' own change, the mean over spots, against ours between the mean colours.
        np.testing.assert_allclose(delta_e_2000(one.lab, one.lab[0]), one.dE00, atol=0.05)


def test_places_of_one_sample_differ_by_more_than_light_fades_it() -> None:
    faded = {one.name: (one.spread[0], one.dE00[-1]) for one in microfading_series()}
    for name, (one, others) in microfading_places().items():
        spread, change = faded[name]
        # One of three cannot be farther than sqrt(3) estimated standard deviations from the mean of the two others.
        assert (np.abs(one - others) <= np.sqrt(3) * spread + 0.001).all()
        if name != "blue wool 1":
            assert delta_e_2000(one, others) > change


# -- fetching ------------------------------------------------------------------------------------


@pytest.fixture
def nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No package is kept, and pip finds none: its only index is an empty folder."""
    monkeypatch.setattr(outside, "KEPT", tmp_path / "kept")
    monkeypatch.setattr(outside, "_archive", outside._archive.__wrapped__)
    monkeypatch.delenv("CALIB_OUTSIDE", raising=False)
    monkeypatch.delenv("CALIB_OUTSIDE_NEEDED", raising=False)
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", str(tmp_path))
    return tmp_path


def test_without_a_net_the_test_is_skipped_or_fails(nowhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(pytest.skip.Exception, match=r"colourlab 0\.0\.3 cannot be fetched"):
        rit_dupont()
    monkeypatch.setenv("CALIB_OUTSIDE_NEEDED", "1")
    with pytest.raises(pytest.fail.Exception, match=r"colourlab 0\.0\.3 cannot be fetched"):
        rit_dupont()
    # Nothing half fetched is left behind.
    assert list((nowhere / "kept").iterdir()) == []


def test_another_file_of_that_name_is_not_taken(nowhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CALIB_OUTSIDE", str(nowhere))
    (nowhere / "colourlab-0.0.3.tar.gz").write_bytes(b"broken off")
    with pytest.raises(pytest.skip.Exception, match="cannot be fetched"):
        rit_dupont()


def test_what_a_folder_holds_is_not_fetched(nowhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    name = "held"
    monkeypatch.setitem(
        outside.FETCHED,
        name,
        ("1", "held.whl", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    )
    monkeypatch.setenv("CALIB_OUTSIDE", str(nowhere))
    # The digest of "abc" is FIPS 180-4's own example.
    (nowhere / "held.whl").write_bytes(b"abc")
    monkeypatch.setattr(sys, "executable", os.devnull)
    assert outside.outside(name) == nowhere / "held.whl"
