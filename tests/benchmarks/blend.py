"""How good proposed sets are: against every set there is, against simple choices, against the truth behind noisy readings, and the clock.

    python tests/benchmarks/blend.py [--tables 12] [--seed 7000] [--time]

Tables are of invented inks (60 markers in one coat and two, spectral simulator, a usual hand). For each: sets of 4 and 5 from the darkest pen to
the lightest and around a hue, the cost written out anew here. Prints

- the proposed set's cost over the cheapest of all sets (exhaustive), and how many sets were tried; 1 is the best there is;
- the same for choosing the nearest next pen step by step;
- how uneven the steps in L* alone are (sd over mean, of one coat and two), beside the least that any set has, whatever its hues: what smooth
  hues cost in evenness;
- what the set that was chosen on the noisy reading costs on the true colours, over the cheapest on these: what the hand's noise costs;
- how often the interval of a set's unevenness holds the true one.

With --time: CPU seconds of the whole command, its start included, on 400 markers.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
from itertools import combinations
from pathlib import Path

import numpy as np
from invented_tables import Making, Truth, invented_table

from calib.answers.blending.evenness import unevenness
from calib.answers.blending.pool import pool_of
from calib.answers.blending.propose import propose_between
from calib.answers.doubles.pens import Pen
from calib.answers.shelf import Shelf, shelf_of
from calib.colour.colorimetry import delta_e_2000
from calib.synthetic.drawer import invent_inks
from calib.table.table import write_table

Array = np.ndarray
COATS = (1, 2)


def colours_of(pens: list[Pen], truth: Truth | None = None) -> Array:
    """Return (n, 2, 3) the colours of pens in one coat and two, as read or as they truly are."""
    if truth is not None:
        return np.array([[truth.lab[pen.marker, n] for n in COATS] for pen in pens])
    return np.array([[pen.coats[n].film.lab for n in COATS] for pen in pens])


def pair_costs(lab: Array) -> Array:
    """Return (n, n) the mean over coats of a step's square, infinite where it is none: the manual's words, written out once more."""
    one, two = lab[:, None], lab[None]
    dL = two[..., 0] - one[..., 0]
    c_1, c_2 = np.hypot(one[..., 1], one[..., 2]), np.hypot(two[..., 1], two[..., 2])
    ab = (two[..., 1] - one[..., 1]) ** 2 + (two[..., 2] - one[..., 2]) ** 2
    mean = np.sqrt(c_1 * c_2)
    chroma = (c_2 - c_1) / (1 + 0.045 * mean)
    hue_2 = np.maximum(ab - (c_2 - c_1) ** 2, 0) / (1 + 0.015 * mean) ** 2
    cost = (dL**2 + (chroma**2 + hue_2) / 4).mean(axis=-1)
    cost[(dL < 2).any(axis=-1)] = np.inf
    cost[delta_e_2000(one, two).max(axis=-1) <= 1.8] = np.inf
    return cost


def every_set(lab: Array, ends: tuple[int, int], steps: int) -> tuple[Array, Array]:
    """Return the nodes (m, steps) of every set between two pens, dark first, and their squared misses (m,); lab is sorted by lightness."""
    inner = [i for i in range(len(lab)) if i not in ends]
    chosen = np.array(list(combinations(inner, steps - 2)))
    nodes = np.column_stack([np.full(len(chosen), ends[0]), chosen, np.full(len(chosen), ends[1])])
    cost = pair_costs(lab)
    total = sum(cost[nodes[:, i], nodes[:, i + 1]] for i in range(steps - 1))
    even = ((lab[ends[1], :, 0] - lab[ends[0], :, 0]) / (steps - 1)) ** 2
    return nodes, np.asarray(total) / (steps - 1) - even.mean()


def uneven(lab: Array) -> Array:
    """Return (...) sd over mean of the steps in L* of sets (..., m, 2, 3), mean over coats."""
    steps = np.diff(lab[..., 0], axis=-2)
    return (steps.std(axis=-2) / steps.mean(axis=-2)).mean(axis=-1)


def nearest_first(lab: Array, ends: tuple[int, int], steps: int) -> list[int]:
    """Return a set made by always going on to the pen whose step is nearest to the even one."""
    cost, path = pair_costs(lab), [ends[0]]
    for left in range(steps - 1, 1, -1):
        even = (lab[ends[1], :, 0] - lab[path[-1], :, 0]) / left
        dL = lab[:, :, 0] - lab[path[-1], :, 0]
        off = cost[path[-1]] - (dL**2).mean(axis=1) + ((dL - even) ** 2).mean(axis=1)
        off[~np.isfinite(cost[path[-1]]) | ~np.isfinite(cost[:, ends[1]])] = np.inf
        path.append(int(np.nanargmin(off)))
    return [*path, ends[1]]


def ends_of(pens: list[Pen], lab: Array, rng: np.random.Generator) -> tuple[int, int]:
    """Return a dark and a light pen, as somebody would name them: by chance out of the darkest and the lightest sixth."""
    sixth = len(pens) // 6
    order = np.argsort(lab[..., 0].mean(axis=1), kind="stable")
    return int(rng.choice(order[:sixth])), int(rng.choice(order[-sixth:]))


def one_table(seed: int, steps: int) -> dict[str, float] | None:
    """Return the figures of one table and one pair of ends; None where no set is possible."""
    table, truth = invented_table(invent_inks(60, seed), Making(), seed)
    shelf: Shelf = shelf_of(table)
    pens = sorted(shelf.offered, key=lambda pen: float(np.mean([pen.coats[n].film.lab[0] for n in COATS])))
    lab, true = colours_of(pens), colours_of(pens, truth)
    ends = ends_of(pens, lab, np.random.default_rng(seed))
    nodes, misses = every_set(lab, ends, steps)
    if not np.isfinite(misses).any():
        return None
    found = propose_between(shelf, (pens[ends[0]].marker, pens[ends[1]].marker), steps, None, 40.0).blends[0]
    ids = [pen.marker for pen in pens]
    path = [ids.index(marker) for marker in found.markers]
    (own,) = misses[(nodes == path).all(axis=1)]
    _, true_misses = every_set(true, ends, steps)
    (own_true,) = true_misses[(nodes == path).all(axis=1)]
    possible = np.isfinite(misses)
    greedy = nearest_first(lab, ends, steps)
    (own_greedy,) = misses[(nodes == greedy).all(axis=1)]
    true_steps = np.diff(true[path][..., 0], axis=0)
    inside = [
        run.uneven.low <= true_steps[:, k].std() / true_steps[:, k].mean() <= run.uneven.high
        for k, run in enumerate(found.runs.values())
    ]
    return {
        "sets": float(possible.sum()),
        "miss over best": float(np.sqrt(own / misses.min())),
        "step by step": float(np.sqrt(own_greedy / misses.min())) if np.isfinite(own_greedy) else np.inf,
        "uneven": float(uneven(lab[path])),
        "least uneven": float(uneven(lab[nodes[possible]]).min()),
        "true miss over best": float(np.sqrt(own_true / true_misses[np.isfinite(true_misses)].min())),
        "inside": float(np.mean(inside)),
    }


def against_all(count: int, seed: int, steps: int) -> None:
    """Print the figures of many tables."""
    found = [one for k in range(count) if (one := one_table(seed + k, steps)) is not None]
    column = {name: np.array([one[name] for one in found]) for name in found[0]}
    finite = column["step by step"][np.isfinite(column["step by step"])]
    print(f"sets of {steps}, {len(found)} tables of 60, {column['sets'].mean():,.0f} possible sets each")
    print(
        f"  miss over the best of all sets: mean {column['miss over best'].mean():.6f}, most {column['miss over best'].max():.6f}"
    )
    print(
        f"  choosing step by step:          mean {finite.mean():.3f}, most {finite.max():.3f} ({len(found) - len(finite)} found none)"
    )
    print(
        f"  uneven in L alone: {column['uneven'].mean():.3f}; least of any set, whatever its hues: {column['least uneven'].mean():.3f}"
    )
    print(
        f"  on the true colours over the best there: median {np.median(column['true miss over best']):.3f}, most {column['true miss over best'].max():.3f}"
    )
    print(
        f"  intervals of unevenness that hold the true one: {100 * column['inside'].mean():.0f} % of {2 * len(found)}"
    )


def coverage(draws: int, seed: int) -> None:
    """Print how often the interval holds a known unevenness, over repeated readings of one set."""
    rng = np.random.default_rng(seed)
    for off in (0.0, 1.0, 3.0, 6.0):
        L = np.array([30.0, 45, 60, 75, 90]) + off * np.array([0, 1, -1, 1, 0])
        true = np.diff(L).std() / np.diff(L).mean()
        held = [unevenness(L + 0.6 * rng.normal(size=5), np.full(5, 0.6)) for _ in range(draws)]
        inside = np.mean([one.low <= true <= one.high for one in held])
        called = np.mean([one.low > 0 for one in held])
        print(
            f"  truly {100 * true:4.1f} % uneven: held in {100 * inside:.1f} %, called uneven in {100 * called:.1f} %"
        )


def clock(seed: int) -> None:
    """Print the CPU seconds of the command on 400 markers."""
    table, _ = invented_table(invent_inks(400, seed), Making(), seed)
    pool = pool_of(shelf_of(table).offered, COATS)
    ends = (
        pool.pens[0].marker,
        next(p.marker for p in reversed(pool.pens) if pool.edges[0, pool.place(p.marker)]),
    )
    with tempfile.TemporaryDirectory() as folder:
        write_table(Path(folder) / "t.csv", table)
        for words in (
            ("--between", *ends, "--steps", "4"),
            ("--between", *ends, "--steps", "12"),
            ("--hue", "75deg", "--steps", "4"),
            ("--hue", "75deg", "--steps", "12"),
            tuple(pool.pens[i].marker for i in range(0, len(pool.pens), 60)),
        ):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(
                [sys.executable, "-m", "calib", "blend", "t.csv", *words, "-o", "o.csv", "--quiet"],
                cwd=folder,
                env={**os.environ, "OMP_NUM_THREADS": "1"},
                check=True,
            )
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            print(f"  {spent:.2f} s  {' '.join(words)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tables", type=int, default=12)
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--time", action="store_true")
    asked = parser.parse_args()
    if asked.time:
        clock(asked.seed)
    else:
        for steps in (4, 5):
            against_all(asked.tables, asked.seed, steps)
        print("intervals over repeated readings of one set of five:")
        coverage(1000, asked.seed)
