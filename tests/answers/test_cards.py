"""Drift on real data: two productions of one card, which are alike, and dyes that really faded.

The cards are those that colour-science carries, 24 and 140 patches made before and after November 2014: the same colours
made twice and measured twice, as two honest sessions are. The dyes are microfading's (``tests/outside.py``).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from outside import microfading_places, microfading_series

from calib.answers.drift.comparison import Drift, drift_of
from calib.colour.colorimetry import delta_e_2000, lab_to_lch, lab_to_xyz, xyz_to_lab
from calib.table.table import Reading, Table, read_table, write_table

Array = NDArray[np.float64]
Labs = Mapping[str, Array]
# The library's own keys of the cards, and how many patches lie 2 dE00 or more apart in the two productions.
CARDS = {"ColorChecker24": 0, "ColorCheckerSG": 5}
DATES = ("2026-01-10", "2026-06-10")


@cache
def productions(card: str) -> tuple[dict[str, Array], dict[str, Array]]:
    """Return L*a*b*, D50, of every patch of both productions of a card, by its name."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    found = []
    for when in ("Before", "After"):
        made = colour.CCS_COLOURCHECKERS[f"{card} - {when} November 2014"]
        xyz = colour.xyY_to_XYZ(np.array(list(made.data.values())))
        found.append(dict(zip(made.data, colour.XYZ_to_Lab(xyz, made.illuminant), strict=True)))
    return found[0], found[1]


def changes(
    folder: Path,
    sessions: tuple[Labs, Labs],
    doubts: tuple[Labs, Labs] | float | None,
    at_least: float,
    paper: str | Array | None = None,
) -> Drift:
    """Return what drift says of two sessions of one coat each, by way of their files.

    doubts: u_L, u_a, u_b of each session by name, one for all, or none stated. paper: the name of what lies there instead of bare
    paper, or its L*a*b* in both sessions.
    """
    tables = []
    for i, (labs, date) in enumerate(zip(sessions, DATES, strict=True)):
        white = labs[paper] if isinstance(paper, str) else paper
        rows = [] if white is None else [_row("paper", white, None, date)]
        for name, lab in labs.items():
            if not isinstance(paper, str) or name != paper:
                u = (
                    doubts[i][name]
                    if isinstance(doubts, tuple)
                    else None
                    if doubts is None
                    else np.full(3, doubts)
                )
                rows.append(_row(name, lab, u, date))
        write_table(folder / f"{date}.csv", Table(tuple(rows)))
        tables.append(read_table(folder / f"{date}.csv")[0])
    return drift_of(tables, at_least)


def _row(name: str, lab: Array, u: Array | None, date: str) -> Reading:
    values = dict(zip("LabCh", (*lab, *lab_to_lch(lab)[1:]), strict=True))
    values |= {} if u is None else dict(zip(("u_L", "u_a", "u_b"), u, strict=True))
    kind, layers = ("paper", 0) if name == "paper" else ("ink", 1)
    return Reading(
        name, layers, "card", date, kind=kind, **{key: float(value) for key, value in values.items()}
    )


def called(found: Drift) -> dict[str, str]:
    return {row.marker: row.verdict for row in found.findings}


def white_of(card: str) -> str:
    """Return the lightest patch: it stands for the bare paper."""
    labs = productions(card)[0]
    return max(labs, key=lambda name: float(labs[name][0]))


# -- two productions of a card -------------------------------------------------------------------


@pytest.mark.parametrize(("card", "patches", "mean", "most"), [("ColorChecker24", 24, 0.848, 1.951), ("ColorCheckerSG", 140, 0.980, 2.528)])  # fmt: skip
def test_the_productions_are_alike_and_not_the_same(
    card: str, patches: int, mean: float, most: float
) -> None:
    before, after = productions(card)
    assert list(before) == list(after) and len(before) == patches
    apart = delta_e_2000(np.array(list(before.values())), np.array(list(after.values())))
    assert apart.mean() == pytest.approx(mean, abs=5e-4) and apart.max() == pytest.approx(most, abs=5e-4)
    assert int((apart >= 2).sum()) == CARDS[card]


@pytest.mark.parametrize("doubts", [None, 0.2])
@pytest.mark.parametrize("card", CARDS)
def test_few_patches_of_another_production_are_called(
    card: str, doubts: float | None, tmp_path: Path
) -> None:
    """No more than do lie 2 dE00 apart. Measured: 0 of 23; 2 of 139 where the tables state no doubt."""
    found = changes(tmp_path, productions(card), doubts, 2.0, white_of(card))
    assert len(found.rows) == len(productions(card)[0]) - 1
    assert len(called(found)) <= CARDS[card]


@pytest.mark.parametrize("card", CARDS)
def test_patches_that_lost_a_third_of_their_ink_are_called(card: str, tmp_path: Path) -> None:
    """The same comparison can fail: by Bouguer and Beer's law an eighth of the patches lose a third, and all that changed by 5 are found.

    The law is applied to X, Y, Z, not to a scanner's channels, so that 'off-hue' is no wrong word for some of them.
    """
    before, after = productions(card)
    white = lab_to_xyz(after[white_of(card)])
    weak = {
        name: xyz_to_lab(white * (lab_to_xyz(after[name]) / white) ** (2 / 3)) for name in list(after)[3::8]
    }
    large = {name for name, lab in weak.items() if delta_e_2000(lab, after[name]) >= 5}
    assert len(large) >= len(weak) / 2
    found = called(changes(tmp_path, (before, {**after, **weak}), None, 2.0, white_of(card)))
    assert large <= set(found)
    assert "stronger" not in {found[name] for name in large}


@pytest.mark.parametrize("card", CARDS)
def test_without_a_paper_row_the_lightest_patch_is_the_paper(card: str, tmp_path: Path) -> None:
    found = changes(tmp_path, productions(card), None, 2.0)
    assert len(found.rows) == len(productions(card)[0])
    assert len(called(found)) <= CARDS[card]


# -- dyes that faded -----------------------------------------------------------------------------

# Their own papers and cloths are not in the data; an invented white, the same in both sessions, changes no difference.
WHITE = np.array([95.0, 0.0, 0.0])


def test_fading_within_the_spread_between_spots_is_not_called(tmp_path: Path) -> None:
    """Five real dyes before and after 20 minutes of strong light, each spot's spread as its doubt.

    Only the one that faded by 2.9 dE00 may be called; the others faded by 0.3 to 1.1 where spots differ by 1.7 to 3, so
    whether they changed remains open: neither called nor steady.
    """
    series = microfading_series()
    labs = tuple({one.name: one.lab[i] for one in series} for i in (0, -1))
    doubts = tuple({one.name: one.spread[i] for one in series} for i in (0, -1))
    found = changes(tmp_path, (labs[0], labs[1]), (doubts[0], doubts[1]), 1.0, WHITE)
    assert set(called(found)) <= {"blue wool 1"}
    assert {row.verdict for row in found.rows if row.marker != "blue wool 1"} == {"unsure"}


def test_another_place_of_a_sample_is_no_change_but_without_its_spread_it_is_called(tmp_path: Path) -> None:
    """Three real samples, none faded: one spot as the first session, two others as the second."""
    places = microfading_places()
    spread = {one.name: one.spread[0] for one in microfading_series() if one.name in places}
    sessions = (
        {name: one for name, (one, _) in places.items()},
        {name: two for name, (_, two) in places.items()},
    )
    doubts = (spread, {name: u / np.sqrt(2) for name, u in spread.items()})
    assert called(changes(tmp_path, sessions, doubts, 1.0, WHITE)) == {}
    # With an instrument's repeatability alone (0.1, common practice) all three would have changed.
    assert set(called(changes(tmp_path, sessions, 0.1, 1.0, WHITE))) == set(places)
