"""Sets of pens from dark to light: judged, and proposed as the best there is.

Outside sources: itertools tries every set there is; scipy's Dijkstra finds the shortest way through the same steps; colour-science
has CIE94; pandas and csvw read the files. All tables are invented.
"""

from __future__ import annotations

import json
import re
import warnings
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import colour
import csvw
import numpy as np
import pandas as pd
import pytest
from invented_tables import Making, invented_table
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from wcwidth import wcswidth

from calib.answers.blending.blendfile import COLUMNS
from calib.answers.blending.evenness import unevenness
from calib.answers.blending.judge import judge
from calib.answers.blending.pool import near_doubles, pool_of
from calib.answers.blending.propose import NEAR_HUE, propose_around, propose_between
from calib.answers.blending.search import Apart, cheapest, most_nodes
from calib.answers.blending.steps import step_parts
from calib.answers.shelf import Shelf, shelf_of
from calib.colour.colorimetry import delta_e_2000
from calib.errors import CalibError, ImpossibleError
from calib.synthetic.drawer import invent_inks
from calib.table.csvw import metadata_path
from calib.table.table import Reading, Table, write_table

Calib = Callable[..., Any]
DAY = "2026-01-01"


def table_of(labs: dict[str, tuple[tuple[float, float, float], ...]], **more: dict[str, Any]) -> Table:
    """Return a table of markers with the colours of one coat, or of one and two; more: changes of their rows, by marker."""
    rows = [Reading("paper", 0, "card", DAY, kind="paper", L=95.0, a=0.0, b=0.0)]
    for marker, coats in labs.items():
        for n, lab in enumerate(coats, start=1):
            row = Reading(marker, n, "card", DAY, name=f"Invented {marker}", L=lab[0], a=lab[1], b=lab[2])
            rows.append(replace(row, u_L=0.3, u_a=0.1, u_b=0.1, **more.get(f"m{marker}", {})))
    return Table(tuple(rows))


def drawn(count: int, seed: int, coats: tuple[int, ...] = (1, 2)) -> Table:
    """Return a table of colours at random, of few hues so that sets are possible, and the second coat darker."""
    rng = np.random.default_rng(seed)
    labs = {}
    for i in range(count):
        L, C, h = rng.uniform(25, 92), rng.uniform(4, 40), np.radians(rng.normal(60, 25))
        one = (L, C * np.cos(h), C * np.sin(h))
        labs[f"{i:03d}"] = (one, (L * rng.uniform(0.6, 0.85), 1.2 * one[1], 1.2 * one[2]))[: len(coats)]
    return table_of(labs)


def ends_of(shelf: Shelf) -> tuple[str, str]:
    order = sorted(shelf.pens, key=lambda pen: min(taken.film.lab[0] for taken in pen.coats.values()))
    return order[0].marker, order[-1].marker


def lab(shelf: Shelf, marker: str) -> np.ndarray:
    return np.array([taken.film.lab for _, taken in sorted(shelf.pen(marker).coats.items())])


def cost_as_told(colours: np.ndarray) -> float:
    """Return the cost of a set as the manual tells it, of colours (m, k, 3); infinite where it is not allowed."""
    squares = []
    for k in range(colours.shape[1]):
        L, a, b = colours[:, k].T
        even = (L[-1] - L[0]) / (len(L) - 1)
        for i in range(len(L) - 1):
            c_1, c_2 = np.hypot(a[i], b[i]), np.hypot(a[i + 1], b[i + 1])
            turn = np.arctan2(b[i + 1], a[i + 1]) - np.arctan2(b[i], a[i])
            mean = np.sqrt(c_1 * c_2)
            chroma = (c_2 - c_1) / (1 + 0.045 * mean)
            hue = 2 * mean * np.sin(turn / 2) / (1 + 0.015 * mean)
            if L[i + 1] - L[i] < 2:
                return np.inf
            squares.append((L[i + 1] - L[i] - even) ** 2 + (chroma / 2) ** 2 + (hue / 2) ** 2)
    for one, two in combinations(colours, 2):
        if delta_e_2000(one, two).max() <= 1.8:
            return np.inf
    return float(np.mean(squares))


def every_set(shelf: Shelf, ends: tuple[str, str], steps: int) -> Iterator[tuple[float, tuple[str, ...]]]:
    """Yield all sets between two pens with their costs."""
    light = {pen.marker: lab(shelf, pen.marker)[:, 0].mean() for pen in shelf.offered}
    inner = sorted((m for m in light if m not in ends), key=lambda m: light[m])
    for chosen in combinations(inner, steps - 2):
        markers = (ends[0], *chosen, ends[1])
        cost = cost_as_told(np.array([lab(shelf, marker) for marker in markers]))
        if np.isfinite(cost):
            yield cost, markers


# --- the step ---------------------------------------------------------------------------------


def test_a_step_is_weighed_as_cie94_weighs_it() -> None:
    """colour-science's CIE94 takes the first colour's chroma for both, so both are given the same one; k_C and k_H are 2 here and 1 there."""
    rng = np.random.default_rng(1)
    L, h = rng.uniform(10, 95, (2, 200)), rng.uniform(0, 2 * np.pi, (2, 200))
    C = rng.uniform(0, 90, 200)
    one, two = (np.stack([L[i], C * np.cos(h[i]), C * np.sin(h[i])], axis=-1) for i in (0, 1))
    ours = np.linalg.norm(step_parts(one, two) * [1, 2, 2], axis=-1)
    assert np.allclose(ours, colour.difference.delta_E_CIE1994(one, two, textiles=False))


@pytest.mark.parametrize("seed", range(2))
def test_the_interval_of_unevenness_holds_the_truth(seed: int) -> None:
    """Draws of five pens: 95 in 100 intervals should hold it, and an even set is hardly ever called uneven."""
    rng = np.random.default_rng(seed)
    u = np.full(5, 0.6)
    for off, least in ((0.0, 0.0), (3.0, 0.0), (6.0, 1.0)):
        L = np.array([30.0, 45, 60, 75, 90]) + off * np.array([0, 1, -1, 1, 0])
        steps = np.diff(L)
        true = steps.std() / steps.mean()
        found = [unevenness(L + u * rng.normal(size=5), u) for _ in range(200)]
        inside = np.mean([one.low <= true <= one.high for one in found])
        assert inside >= 0.91, (off, inside)
        assert (
            np.mean([one.low > 0 for one in found]) >= least
            if off
            else np.mean([one.low > 0 for one in found]) < 0.06
        )


# --- the search -------------------------------------------------------------------------------


@pytest.mark.parametrize("coats", [(1,), (1, 2)])
@pytest.mark.parametrize(("steps", "seed"), [(3, 1), (4, 2), (4, 3), (5, 4), (6, 5)])
def test_no_set_between_two_pens_costs_less(steps: int, seed: int, coats: tuple[int, ...]) -> None:
    shelf = shelf_of(drawn(14, seed, coats))
    ends = ends_of(shelf)
    sets = sorted(every_set(shelf, ends, steps))
    found = propose_between(shelf, ends, steps, None, 40.0)
    assert found.blends[0].miss ** 2 == pytest.approx(sets[0][0], rel=1e-9)
    assert found.blends[0].markers == sets[0][1]
    # A choice of the nearest next pen is worse somewhere, or the test would prove little.
    assert len(sets) == 1 or sets[-1][0] > 1.05 * sets[0][0]
    # The others are the best of those that differ in half of the inner pens from all before.
    earlier = [found.blends[0].markers]
    for blend in found.blends[1:]:
        most = (steps - 2) // 2
        left = [one for one in sets if all(len(set(one[1][1:-1]) & set(e)) <= most for e in earlier)]
        assert blend.miss**2 == pytest.approx(left[0][0], rel=1e-9)
        earlier.append(blend.markers)
    if len(found.blends) < 3:
        most = (steps - 2) // 2
        assert not any(all(len(set(one[1][1:-1]) & set(e)) <= most for e in earlier) for one in sets)


def test_a_nearest_first_choice_is_worse() -> None:
    """Going on to the pen nearest to an even step, one after the other, misses the best set on most tables."""
    worse = 0
    for seed in range(12):
        shelf = shelf_of(drawn(30, 100 + seed))
        ends = ends_of(shelf)
        pool = pool_of(shelf.offered, (1, 2))
        dark, light = (pool.place(end) for end in ends)
        even = (pool.lab[:, light, 0] - pool.lab[:, dark, 0]) / 4
        path = [dark]
        for _ in range(3):
            off = pool.lab[:, :, 0] - pool.lab[:, path[-1], 0][:, None] - even[:, None]
            far = np.where(pool.edges[path[-1]] & pool.edges[:, light], np.abs(off).mean(axis=0), np.inf)
            path.append(int(np.argmin(far)))
        path.append(light)
        cost = sum(pool.cost[i, j] for i, j in pairwise(path))
        best = cheapest(pool.cost, [dark], 5).value[0, light]
        assert best <= cost + 1e-9
        worse += cost > 1.05 * best
    assert worse > 6


@pytest.mark.parametrize("seed", range(4))
def test_the_search_finds_dijkstras_shortest_way(seed: int) -> None:
    """scipy's Dijkstra on a graph of one layer of all pens for each place in the set."""
    shelf = shelf_of(drawn(60, 40 + seed))
    pool, steps = pool_of(shelf.offered, (1, 2)), 6
    dark, light = (pool.place(end) for end in ends_of(shelf))
    n = len(pool.pens)
    i, j = np.nonzero(pool.edges)
    layers = [(i + k * n, j + (k + 1) * n, pool.cost[i, j]) for k in range(steps - 1)]
    rows, columns, costs = (np.concatenate(part) for part in zip(*layers, strict=True))
    graph = csr_matrix((costs, (rows, columns)), shape=(steps * n, steps * n))
    shortest = dijkstra(graph, indices=dark)[(steps - 1) * n + light]
    paths = cheapest(pool.cost, [dark], steps)
    assert paths.value[0, light] == pytest.approx(shortest)
    nodes = paths.nodes(0, light)
    assert sum(pool.cost[a, b] for a, b in pairwise(nodes)) == pytest.approx(shortest)


def test_a_path_that_may_not_share_shares_no_more() -> None:
    rng = np.random.default_rng(3)
    n, steps = 11, 5
    cost = np.where(np.triu(rng.uniform(size=(n, n)) < 0.8, 1), rng.uniform(1, 9, (n, n)), np.inf)
    own = rng.uniform(0, 2, n)
    marks = rng.uniform(size=(2, n)) < 0.5
    apart = [Apart(marks[0], 1), Apart(marks[1], 2)]
    found = cheapest(cost, range(n), steps, apart, own)
    for start in range(n):
        for end in range(n):
            least = min(
                (
                    sum(cost[a, b] for a, b in pairwise(path)) + own[list(path)].sum()
                    for path in combinations(range(n), steps)
                    if path[0] == start
                    and path[-1] == end
                    and all(one.nodes[list(path)].sum() <= one.most for one in apart)
                ),
                default=np.inf,
            )
            assert found.value[start, end] == pytest.approx(least)
            if np.isfinite(least):
                path = found.nodes(start, end)
                assert path == tuple(sorted(path))
                assert all(one.nodes[list(path)].sum() <= one.most for one in apart)


@pytest.mark.parametrize(
    ("steps", "contrast", "seed"), [(3, 30.0, 1), (4, 40.0, 2), (4, 95.0, 3), (5, 20.0, 4)]
)
def test_no_set_around_a_hue_is_better(steps: int, contrast: float, seed: int) -> None:
    shelf, hue = shelf_of(drawn(13, 200 + seed)), 65.0
    found = propose_around(shelf, hue, steps, None, contrast)
    near = []
    for pen in shelf.offered:
        own = lab(shelf, pen.marker)
        off = (np.degrees(np.arctan2(own[:, 2], own[:, 1])) - hue + 180) % 360 - 180
        if np.abs(off).max() <= NEAR_HUE and np.hypot(own[:, 1], own[:, 2]).min() >= 7:
            near.append(pen.marker)
    assert found.considered == len(near)
    near.sort(key=lambda m: lab(shelf, m)[:, 0].mean())
    every = []
    for markers in combinations(near, steps):
        colours = np.array([lab(shelf, marker) for marker in markers])
        C = np.hypot(colours[..., 1], colours[..., 2])
        off = np.radians(np.degrees(np.arctan2(colours[..., 2], colours[..., 1])) - hue)
        away = np.sum(np.mean((C * np.sin(off / 2) / (1 + 0.015 * C)) ** 2, axis=1))
        span = colours[-1, :, 0] - colours[0, :, 0]
        cost = cost_as_told(colours)
        share = (cost + away / (steps - 1)) / np.mean((span / (steps - 1)) ** 2)
        if np.isfinite(cost):
            every.append((share, span.mean(), markers))
    widest = max(span for _, span, _ in every)
    assert found.reached == (widest >= contrast)
    assert any("contrast" in w or "span" in w for w in found.warnings) != found.reached
    least = contrast if found.reached else 0.95 * widest
    assert found.blends[0].markers == min(one for one in every if one[1] >= least)[2]


def test_the_longest_set_is_known() -> None:
    """A chain of ten pens, each 3 L lighter than the last, and doubles beside them."""
    chain = {f"{i}": ((30.0 + 3 * i, 10.0, 0.0),) for i in range(10)}
    beside = {f"{i}x": ((30.5 + 3 * i, 10.0, 0.0),) for i in range(9)}
    shelf = shelf_of(table_of(chain | beside))
    pool = pool_of(shelf.offered, (1,))
    assert most_nodes(pool.edges, np.ones(19, bool), np.ones(19, bool)) == 10
    assert len(propose_between(shelf, ("0", "9"), 10, None, 40.0).blends[0].pens) == 10
    with pytest.raises(
        ImpossibleError, match=r"at most 10 pens.*between 0 Invented 0 and 9.*11 were asked for.*--steps 10"
    ):
        propose_between(shelf, ("0", "9"), 11, None, 40.0)


def test_near_doubles_never_stand_together() -> None:
    for seed in range(3):
        shelf = shelf_of(drawn(70, 300 + seed))
        for blend in propose_between(shelf, ends_of(shelf), 8, None, 40.0).blends:
            assert not near_doubles(blend.pens).any()
            for n in (1, 2):
                colours = blend.runs[n].lab
                d = delta_e_2000(colours[:, None], colours[None])
                assert d[~np.eye(len(d), dtype=bool)].min() > 1.8


def test_the_order_of_the_rows_changes_nothing() -> None:
    table = drawn(40, 7)
    shelf = shelf_of(table)
    rng = np.random.default_rng(0)
    for _ in range(2):
        rows = [table.readings[i] for i in rng.permutation(len(table.readings))]
        other = shelf_of(replace(table, readings=tuple(rows)))
        for ask in (
            lambda s: propose_between(s, ends_of(s), 5, None, 40.0),
            lambda s: propose_around(s, 60.0, 4, None, 40.0),
        ):
            one, two = ask(shelf), ask(other)
            assert [b.markers for b in one.blends] == [b.markers for b in two.blends]
            assert one.others == two.others


# --- which pens -------------------------------------------------------------------------------

LADDER = {
    "dark": ((20.0, 12.0, 9.0), (8.0, 14.0, 10.0)),
    "good": ((50.0, 12.0, 9.0), (38.0, 14.0, 10.0)),
    "next": ((57.0, 14.0, 6.0), (45.0, 15.0, 8.0)),
    "light": ((80.0, 12.0, 9.0), (68.0, 14.0, 10.0)),
}


def middle(table: Table) -> str:
    return propose_between(shelf_of(table), ("dark", "light"), 3, None, 40.0).blends[0].markers[1]


def test_flagged_and_lone_pens_are_not_proposed() -> None:
    assert middle(table_of(LADDER)) == "good"
    assert middle(table_of(LADDER, mgood={"flags": ("mottled",)})) == "next"
    assert middle(table_of(LADDER, mgood={"kind": "blender"})) == "next"
    assert middle(table_of(LADDER | {"good": LADDER["good"][:1]})) == "next"
    blank = table_of(LADDER, mgood={"flags": ("blank",), "L": None, "a": None, "b": None})
    assert middle(blank) == "next"
    found = propose_between(shelf_of(blank), ("dark", "light"), 3, None, 40.0)
    assert found.barred == {"good": "is flagged blank"}


def test_a_pen_that_has_changed_is_not_proposed() -> None:
    inks = invent_inks(20, 8)
    early = invented_table(inks, Making(), 1)[0]
    late = invented_table(inks, Making(date="2026-09-01"), 2)[0]
    both = replace(early, readings=early.readings + late.readings)
    ends = ends_of(shelf_of(both))
    chosen = propose_between(shelf_of(both), ends, 4, None, 40.0).blends[0].markers
    assert chosen[1] not in shelf_of(both).avoid
    dry = invented_table(inks, Making(date="2026-09-01", strength={chosen[1]: 0.6}), 2)[0]
    found = propose_between(
        shelf_of(replace(early, readings=early.readings + dry.readings)), ends, 4, None, 40.0
    )
    assert "weaker" in found.barred[chosen[1]]
    assert all(chosen[1] not in blend.markers for blend in found.blends)


def test_a_noisy_table_says_that_the_order_is_no_certain_thing() -> None:
    """Two middle pens that are equally good: each comes out best about every other time."""
    twins = {
        "dark": LADDER["dark"],
        "one": ((49.9, 12.0, 9.0), (37.9, 14.0, 10.0)),
        "two": ((50.1, 12.0, 9.0), (38.1, 14.0, 10.0)),
        "light": LADDER["light"],
    }
    found = propose_between(shelf_of(table_of(twins)), ("dark", "light"), 3, None, 40.0)
    assert sum(found.others) == pytest.approx(1.0)
    sure = propose_between(shelf_of(table_of(LADDER)), ("dark", "light"), 3, None, 40.0)
    assert sure.others[0] > 0.99
    assert 0.3 < found.others[0] < 0.7


# --- judging ----------------------------------------------------------------------------------


def test_a_pen_taken_out_of_a_good_set_is_named_for_the_gap() -> None:
    named = 0
    for seed in range(8):
        shelf = shelf_of(drawn(40, 500 + seed))
        best = propose_between(shelf, ends_of(shelf), 5, None, 40.0).blends[0]
        rest = [m for m in best.markers if m != best.markers[2]]
        found = judge(shelf, rest, None, 40.0)
        gap = found.blend.pens[found.blend.widest : found.blend.widest + 2]
        added = found.for_place("between")
        # The widest of three gaps is that of the missing pen in a set that was even before.
        if (gap[0].marker, gap[1].marker) == (best.markers[1], best.markers[3]):
            named += added[0].pen.marker == best.markers[2]
            sets = every_set(shelf, (gap[0].marker, gap[1].marker), 3)
            assert added[0].pen.marker == min(sets)[1][1]
    assert named >= 5


def test_a_set_in_no_order_is_put_in_order_and_its_faults_are_told() -> None:
    labs = {
        "a": ((30.0, 0.0, 0.0), (20.0, 0.0, 0.0)),
        "b": ((60.0, 30.0, 0.0), (50.0, 30.0, 0.0)),
        "c": ((60.5, 30.5, 0.2), (50.6, 30.5, 0.2)),
        "d": ((70.0, 0.0, 30.0), (49.0, 0.0, 30.0)),
    }
    found = judge(shelf_of(table_of(labs)), ["d", "a", "c", "b"], None, 40.0)
    assert not found.sorted
    assert found.blend.markers == ("a", "b", "c", "d")
    assert [(one.marker, two.marker) for one, two in found.doubles] == [("b", "c")]
    assert [(one.marker, two.marker) for one, two in found.swapped] == [("c", "d")]
    one, two = (found.blend.runs[n].steps for n in (1, 2))
    assert [step.verdict for step in one] == ["wide", "small", "turning"]
    assert two[2].verdict == "backwards"
    # A grey has no hue to turn from; red to yellow is a quarter of the circle.
    assert one[0].turn is None
    assert one[2].turn == pytest.approx(90, abs=1)
    assert one[0].dE00 == pytest.approx(float(delta_e_2000(labs["a"][0], labs["b"][0])))
    assert found.blend.runs[1].span == pytest.approx(40.0)


def test_a_second_coat_that_fills_the_gap_is_named() -> None:
    labs = {
        "dark": ((30.0, 10.0, 10.0), (15.0, 10.0, 9.0)),
        "light": ((80.0, 10.0, 10.0), (56.0, 12.0, 12.0)),
    }
    assert [pen.marker for pen in judge(shelf_of(table_of(labs)), ["dark", "light"], None, 40.0).second] == [
        "light"
    ]
    far = labs | {"light": ((80.0, 10.0, 10.0), (75.0, 12.0, 12.0))}
    assert judge(shelf_of(table_of(far)), ["dark", "light"], None, 40.0).second == ()


def test_pens_for_the_ends_go_on_by_the_sets_own_step() -> None:
    labs = {f"{L}": ((float(L), 10.0, 5.0),) for L in (20, 30, 40, 50, 60, 70, 90)}
    found = judge(shelf_of(table_of(labs)), ["40", "50", "60"], None, 40.0)
    assert [one.pen.marker for one in found.for_place("darker")] == ["30", "20"]
    assert [one.fits for one in found.for_place("darker")] == [True, False]
    assert [one.pen.marker for one in found.for_place("lighter")] == ["70", "90"]
    assert found.for_place("between") == ()


# --- as it is typed ---------------------------------------------------------------------------


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    write_table(tmp_path / "t.csv", drawn(30, 9))
    return tmp_path


def test_files_are_read_by_others(calib: Calib, desk: Path) -> None:
    dark, light = ends_of(shelf_of(drawn(30, 9)))
    run = calib("blend", "t.csv", "--between", dark, light, "--steps", "5", "-o", "o.csv")
    assert run.code == 0, run.err
    frame = pd.read_csv(desk / "o.csv", dtype={"marker": str})
    assert list(frame.columns) == [column.name for column in COLUMNS]
    assert list(frame.columns[:6]) == ["marker", "name", "layers", "L", "a", "b"]
    assert (frame["marker"].iloc[0], frame["marker"].iloc[-1]) == (dark, light)
    assert frame["marker"].nunique() == 5
    for _, run_of in frame.groupby("layers"):
        assert len(run_of) == 5
        assert (run_of["L"].diff().dropna() >= 2).all()
        assert np.allclose(run_of["L"].diff().dropna(), run_of["dL"].dropna(), atol=2e-4)
        inside = run_of.dropna(subset=["dE00"])
        assert (inside["dE00_low"] <= inside["dE00"]).all() and (inside["dE00"] <= inside["dE00_high"]).all()
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        assert csvw.CSVW(str(metadata_path(desk / "o.csv")), validate=True).is_valid
    answer = json.loads(
        calib("blend", "t.csv", "--between", dark, light, "--steps", "5", "--json").out,
        parse_constant=lambda word: pytest.fail(word),
    )
    assert len(answer["rows"]) == len(frame)
    assert [row["marker"] for row in answer["rows"]] == list(frame["marker"])
    sets = [one["markers"] for one in answer["notes"]["sets"]]
    assert sets[0] == list(dict.fromkeys(frame["marker"])) and len(sets) == 3
    assert calib("blend", "t.csv", *sets[1], "--quiet").out == ""
    judged = json.loads(calib("blend", "t.csv", *sets[1], "--json").out)
    assert judged["notes"]["set"]["miss_L"] == answer["notes"]["sets"][1]["miss_L"]


def test_the_darker_of_two_ends_comes_first(calib: Calib, desk: Path) -> None:
    dark, light = ends_of(shelf_of(drawn(30, 9)))
    right, wrong = (
        calib("blend", "t.csv", "--between", *ends, "--quiet", "--json")
        for ends in ((dark, light), (light, dark))
    )
    assert right.out == wrong.out == ""
    wrong = calib("blend", "t.csv", "--between", light, dark)
    assert "is the darker of the two" in wrong.err
    assert wrong.out == calib("blend", "t.csv", "--between", dark, light).out


def test_a_marker_goes_before_an_angle(calib: Calib, desk: Path) -> None:
    """A hue may be named by a marker, and an id that looks like a number is one; without its zeros it is an angle, and that is told."""

    def hue(text: str) -> tuple[float, str]:
        run = calib("blend", "t.csv", "--hue", text, "--steps", "3", "--json")
        assert run.code == 0, run.err
        return json.loads(run.out)["notes"]["asked"]["hue"], run.err

    one = next(row for row in drawn(30, 9).readings if row.marker == "021" and row.layers == 1)
    own = float(np.degrees(np.arctan2(one.b or 0, one.a or 0)) % 360)
    assert hue("021")[0] == pytest.approx(own, abs=0.01)
    assert hue("60") == (60.0, hue("60")[1])
    assert hue("60deg")[0] == hue("-300")[0] == 60.0
    assert "for the marker write 021" in hue("21deg".removesuffix("deg"))[1]


MISTAKES = [
    (("001",), 2, "two markers at least"),
    ((), 2, "name the markers"),
    (("001", "002", "--between", "001", "002"), 2, "one of the three"),
    (("001", "002", "--steps", "3"), 2, "--steps"),
    (("1", "002"), 2, "no marker '1'.*Did you mean 001"),
    (("001", "001", "nobody", "clear"), 2, "named twice(.|\n)*'clear' is a blender(.|\n)*no marker 'nobody'|named twice(.|\n)*nobody(.|\n)*blender"),
    (("001", "lost"), 3, "'lost' has no colour"),
    (("001", "once", "--layers", "2"), 2, "not read in two coats: once"),
    (("once", "twice"), 2, "not read in"),
    (("--between", "001", "001"), 2, "named twice"),
    (("--between", "001", "same"), 2, "no room for a blend"),
    (("--hue", "grey"), 2, "near grey"),
    (("--hue", "nobody"), 2, "no marker"),
    (("--hue", "400"), 2, "no hue"),
    (("--hue", "nan"), 2, "no hue|no marker"),
    (("--hue", "250"), 2, "none of your pens|at most"),
    (("--hue", "60", "--steps", "99"), 2, "99"),
    (("--hue", "60", "--layers", "3"), 2, "1, 2 or 1,2"),
    (("--hue", "60", "--contrast", "40,5"), 2, "write it with a point"),
    (("001", "002", "-o", "t.csv"), 2, "overwrite"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "code", "said"), MISTAKES, ids=lambda v: " ".join(v) if isinstance(v, tuple) else ""
)
def test_mistakes_are_told(calib: Calib, desk: Path, words: tuple[str, ...], code: int, said: str) -> None:
    table = drawn(30, 9)
    first = next(row for row in table.readings if row.marker == "001")
    more = [
        replace(first, marker="same", name="", L=(first.L or 0) + 0.5),
        replace(first, marker="once", name="", L=50.0),
        replace(first, marker="twice", name="", layers=2, L=40.0),
        replace(first, marker="grey", name="", a=0.0, b=1.0),
        replace(first, marker="clear", name="", kind="blender", L=94.0, a=0.0, b=0.0),
        replace(first, marker="lost", name="", L=None, a=None, b=None, flags=("blank",)),
    ]
    write_table(desk / "t.csv", replace(table, readings=(*table.readings, *more)))
    run = calib("blend", "t.csv", *words)
    assert run.code == code, run.err
    assert re.search(said, run.err), run.err
    assert "Traceback" not in run.err


def test_odd_tables_are_answered(calib: Calib, desk: Path) -> None:
    table = drawn(30, 9)
    bare = replace(table, readings=tuple(row for row in table.readings if row.kind == "ink"))
    write_table(desk / "bare.csv", bare)
    single = replace(table, readings=tuple(row for row in table.readings if row.layers < 2))
    write_table(desk / "single.csv", single)
    other = tuple(replace(row, paper="other") for row in single.readings[:6])
    write_table(desk / "two.csv", replace(table, readings=table.readings + other))
    for name in ("bare", "single", "two"):
        for words in (("--hue", "60"), ("--between", *ends_of(shelf_of(table))), ("001", "003", "005")):
            run = calib("blend", f"{name}.csv", *words)
            assert run.code == 0, run.err
            assert ("Two coats" in run.out) == (name != "single")
            if name == "two":
                assert "other papers" in run.err


def test_names_do_no_harm_and_lines_fit(calib: Calib, desk: Path) -> None:
    hostile = ("<script>", "=cmd()", "\u200bgnitir", "x" * 200, "漢字" * 40, "two words " * 15)
    table = drawn(14, 9)
    rows = [
        replace(row, name=hostile[int(row.marker) % len(hostile)]) if row.kind == "ink" else row
        for row in table.readings
    ]
    shelf = shelf_of(replace(table, readings=tuple(rows)))
    write_table(desk / "t.csv", replace(table, readings=tuple(rows)))
    dark, light = ends_of(shelf)
    for words in (
        ("--between", dark, light),
        ("--hue", "60", "--steps", "3"),
        tuple(f"{i:03d}" for i in range(8)),
    ):
        run = calib("blend", "t.csv", *words, "-o", "o.csv")
        assert run.code == 0, run.err
        assert max(map(wcswidth, run.out.splitlines())) <= 79
        assert "\x1b" not in run.out and "\u202e" not in run.out
        assert not any(
            line.startswith(("=", "+")) for line in (desk / "o.csv").read_text("utf-8").splitlines()
        )


def test_failures_are_sentences() -> None:
    shelf = shelf_of(drawn(5, 1))
    with pytest.raises(CalibError) as found:
        judge(shelf, ["nobody", "nowhere"], None, 40.0)
    assert str(found.value).count("no marker") == 2
