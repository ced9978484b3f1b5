"""Choosing the markers that tell most about a paper.

Outside source: scikit-learn's Gaussian process says what a choice leaves unknown. Tables of markers are invented.
"""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from invented_tables import Making, invented_table
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import DotProduct, Matern

from calib.answers.carrying.model import SCALE
from calib.answers.carrying.pick import NOISE, REACH, chosen_groups, pick_markers
from calib.cli.main import cli
from calib.errors import InputError
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import Ink
from calib.table.table import Reading, Table, write_table


def unknown(lab: np.ndarray, taken: list[int]) -> float:
    """Return the mean variance that is left of all colours where some are measured, by scikit-learn."""
    kernel = Matern(REACH, nu=2.5) + DotProduct(1.0)
    model = GaussianProcessRegressor(kernel, alpha=NOISE, optimizer=None)
    model.fit(lab[taken] / SCALE, np.zeros(len(taken)))
    return float(np.mean(model.predict(lab / SCALE, return_std=True)[1] ** 2))


def colours(count: int, seed: int) -> np.ndarray:
    return np.array([60.0, 0, 0]) + np.random.default_rng(seed).normal(size=(count, 3)) * (20, 30, 30)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_choice_is_next_to_the_best_of_all(seed: int) -> None:
    """Three of fourteen, against every choice there is."""
    lab = colours(14, seed)
    left = sorted(unknown(lab, list(taken)) for taken in combinations(range(14), 3))
    assert unknown(lab, chosen_groups([one[None] for one in lab], 3)) <= left[3]


def test_the_choice_beats_chance() -> None:
    lab = colours(120, 4)
    ours = unknown(lab, chosen_groups([one[None] for one in lab], 24))
    rng = np.random.default_rng(0)
    chance = [unknown(lab, list(rng.choice(120, 24, replace=False))) for _ in range(50)]
    assert ours < 0.9 * min(chance)


def table_of(lab: np.ndarray, kind: str = "ink") -> Table:
    rows = [
        Reading(f"{i:03d}", 1, "p", "2026-01-01", kind=kind, **dict(zip("Lab", map(float, one), strict=True)))
        for i, one in enumerate(lab)
    ]
    return Table((Reading("paper", 0, "p", "2026-01-01", kind="paper", L=96.0, a=0.0, b=0.0), *rows))


def test_light_dark_grey_and_strong_are_among_them() -> None:
    inks = invent_inks(120, seed=9)
    table, _ = invented_table(inks, Making(layers=(1,)), 9)
    taken = pick_markers(table, 24, [ink.marker for ink in inks], (1,)).markers
    rows = [row for row in table.readings if row.kind == "ink"]
    L, chroma = (np.array([getattr(row, name) for row in rows]) for name in ("L", "C"))
    chosen = np.isin([row.marker for row in rows], taken)
    assert L[chosen].max() > np.quantile(L, 0.9)
    assert L[chosen].min() < np.quantile(L, 0.1)
    assert chroma[chosen].min() < np.quantile(chroma, 0.15)
    assert chroma[chosen].max() > np.quantile(chroma, 0.9)
    hue = np.array([row.h for row in rows])[chosen & (chroma > 25)]
    # No gap of more than a third of the circle between the strong ones.
    turn = np.sort(hue)
    assert np.diff(np.append(turn, turn[0] + 360)).max() < 120


def test_of_doubles_one_is_enough() -> None:
    lab = colours(20, 5)
    table = table_of(np.repeat(lab, 2, axis=0))
    taken = pick_markers(table, 12, [f"{i:03d}" for i in range(40)]).markers
    assert len({int(name) // 2 for name in taken}) == 12


def test_order_of_rows_changes_nothing() -> None:
    inks = invent_inks(30, seed=6)
    table, _ = invented_table(inks, Making(), 6)
    names = [ink.marker for ink in inks]
    back = replace(table, readings=table.readings[::-1])
    assert set(pick_markers(table, 8, names).markers) == set(pick_markers(back, 8, names[::-1]).markers)


def test_blenders_flagged_and_unlisted_markers_are_not_chosen() -> None:
    inks = (*invent_inks(10, seed=7), Ink.blender("B"))
    table, _ = invented_table(inks, Making(), 7)
    rows = tuple(replace(r, flags=("clipped",)) if r.marker == "003" else r for r in table.readings)
    listed = [ink.marker for ink in inks if ink.marker != "004"] + ["900"]
    picked = pick_markers(replace(table, readings=rows), 8, listed)
    assert set(picked.markers) == {"001", "002", "005", "006", "007", "008", "009", "010"}
    assert picked.choice == 8
    (warning,) = picked.warnings
    assert "003, 900" in warning
    with pytest.raises(InputError, match="9 markers are asked for, but it has a usable colour of only 8"):
        pick_markers(replace(table, readings=rows), 9, listed)


def test_layers_that_the_chart_will_have_count() -> None:
    inks = invent_inks(12, seed=8)
    table, _ = invented_table(inks, Making(layers=(1,)), 8)
    with pytest.raises(InputError, match="only 0"):
        pick_markers(table, 4, [ink.marker for ink in inks], (2,))
    assert len(pick_markers(table, 4, [ink.marker for ink in inks], (1, 2)).markers) == 4


def test_the_chart_has_the_picked_markers_only(tmp_path: Path) -> None:
    inks = invent_inks(30, seed=10)
    table, _ = invented_table(inks, Making(), 10)
    write_table(tmp_path / "colours.csv", table)
    (tmp_path / "markers.csv").write_text("marker\n" + "\n".join(ink.marker for ink in inks) + "\n")
    words = ["chart", str(tmp_path / "markers.csv"), "-o", str(tmp_path / "few.pdf"), "--pick", "8"]
    done = CliRunner().invoke(cli, [*words, "--from", str(tmp_path / "colours.csv")])
    assert done.exit_code == 0, done.output
    assert "Picked the 8 of 30 markers" in done.output
    plan = json.loads((tmp_path / "few.json").read_text())
    on_chart = {cell["marker"] for page in plan["pages"] for cell in page["cells"]}
    assert on_chart == set(pick_markers(table, 8, [ink.marker for ink in inks]).markers)
    assert CliRunner().invoke(cli, words).exit_code == 2
