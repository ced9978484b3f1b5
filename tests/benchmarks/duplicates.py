"""How well doubles are found: drawers with pens bought twice, near ones, and a hand that lays more or less ink.

    python tests/benchmarks/duplicates.py [--drawers 12] [--seed 900] [--time]

Prints for each scatter of the hand: how many of the planted doubles stand in one group (and how many more are named as close to the limit); how many
pairs of a group are truly beyond the limit; how many verdicts 'same' and 'near' are false; how often intervals hold the true difference, over the
planted pairs (which no reading chose) and over the pairs of groups (chosen because they read alike); and the advice which pen to
keep, where one truly leaves a tenth more ink. With --time: the whole command on 2,000 markers against bare Python with the same imports.
Everything is invented.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from invented_tables import Making, Truth, invented_table

from calib.answers.doubles.groups import JUST_PERCEPTIBLE, USUALLY_ACCEPTED, find_duplicates
from calib.answers.doubles.groupsfile import duplicates_answer
from calib.answers.doubles.pairs import coats_of, differences
from calib.colour.colorimetry import delta_e_2000
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import Ink
from calib.table.table import write_table

SCATTERS = (0.0, 0.005, 0.01, 0.025, 0.04)


def planted(
    count: int, seed: int
) -> tuple[tuple[Ink, ...], list[tuple[str, str]], list[tuple[str, str]], list[tuple[str, str]]]:
    """Return inks of a drawer, its doubles of one ink, its pairs of near inks, and pairs (strong, weak) of one ink."""
    rng = np.random.default_rng(seed)
    inks = list(invent_inks(count, seed))
    same, near, weaker = [], [], []
    for k, at in enumerate(rng.permutation(count)[: count * 4 // 10]):
        ink, marker = inks[at], f"9{k:03d}"
        if k % 4 == 0:
            inks.append(replace(ink, marker=marker))
            same.append((ink.marker, marker))
        elif k % 4 == 3:
            inks.append(replace(ink.strengthened(0.9), marker=marker))
            weaker.append((ink.marker, marker))
        else:
            other = inks[rng.integers(count)]
            inks.append(replace(ink.tainted(other, float(rng.uniform(0.01, 0.06))), marker=marker))
            near.append((ink.marker, marker))
    return tuple(inks[i] for i in rng.permutation(len(inks))), same, near, weaker


def true_difference(truth: Truth, one: str, two: str) -> dict[int, float]:
    """Return the true dE00 of two markers in each coat."""
    return {n: float(delta_e_2000(truth.lab[one, n], truth.lab[two, n])) for n in (1, 2)}


def judge(scatter: float, count: int, seed: int, kind: str) -> Counter[str]:
    """Return counts of what went right and wrong on one drawer."""
    inks, same, near, weaker = planted(count, seed)
    table, truth = invented_table(inks, Making(scatter=scatter, kind=kind), seed)
    found = find_duplicates([table])
    answer = duplicates_answer([table], found)
    group_of = {pen.marker: i for i, group in enumerate(found.groups) for pen in group.pens}
    named = {frozenset((p.one.marker, p.two.marker)) for p in (*found.straddling, *found.split)}
    score: Counter[str] = Counter()
    for one, two in same:
        together = group_of.get(one, -1) == group_of.get(two, -2)
        score.update(doubles=1, together=together, named=not together and frozenset((one, two)) in named)
    for group in found.groups:
        markers = [pen.marker for pen in group.pens]
        for i, one in enumerate(markers):
            for two in markers[:i]:
                beyond = max(true_difference(truth, one, two).values()) > USUALLY_ACCEPTED
                score.update(grouped=1, beyond=beyond)
    for _, marker, _, layers, first, seen, low, high, _, verdict in answer.rows:
        if marker == first:
            continue
        true = float(delta_e_2000(truth.lab[marker, layers], truth.lab[first, layers]))
        score.update(
            {verdict: 1, f"{verdict} held": low <= true <= high, "rows": 1, "row held": low <= true <= high}
        )
        score.update(false_same=verdict == "same" and true >= JUST_PERCEPTIBLE)
        score.update(false_near=verdict == "near" and true <= JUST_PERCEPTIBLE)
        score.update(truly=true < JUST_PERCEPTIBLE, called=verdict == "same" and true < JUST_PERCEPTIBLE)
        del seen
    pens = {pen.marker: i for i, pen in enumerate(found.drawer.pens)}
    chosen = [pair for pair in (*same, *near, *weaker) if pair[0] in pens and pair[1] in pens]
    first, second = (np.array([pens[pair[side]] for pair in chosen]) for side in (0, 1))
    d = differences(coats_of(found.drawer.pens), first, second)
    for (one, two), low, high in zip(chosen, d.low, d.high, strict=True):
        for n, true in true_difference(truth, one, two).items():
            score.update(
                planted=1,
                held=low[n - 1] <= true <= high[n - 1],
                above=true > high[n - 1],
                below=true < low[n - 1],
            )
    for strong, weak in weaker:
        own = next((g for g in found.groups if {strong, weak} == {pen.marker for pen in g.pens}), None)
        if own is not None:
            score.update(weaker=1, right=own.keep.marker == strong, wrong=own.keep.marker == weak)
    for one, two in same:
        own = next((g for g in found.groups if {one, two} == {pen.marker for pen in g.pens}), None)
        if own is not None:
            score.update(equal=1, idle=own.keep.marker is not None)
    return score


def share(score: Counter[str], part: str, whole: str) -> str:
    """Return a share in per cent with its count."""
    return f"{100 * score[part] / score[whole]:.1f} % of {score[whole]}" if score[whole] else "none"


def report(scatter: float, score: Counter[str]) -> None:
    """Print the figures of one scatter."""
    print(f"\nhand scatter {100 * scatter:g} %")
    print(
        f"  doubles in one group {share(score, 'together', 'doubles')}, named as close besides {score['named']}"
    )
    print(f"  pairs of groups truly beyond {USUALLY_ACCEPTED}: {share(score, 'beyond', 'grouped')}")
    print(
        f"  false 'same' {share(score, 'false_same', 'same')}; of rows truly below 0.8 called same {share(score, 'called', 'truly')}"
    )
    print(f"  false 'near' {share(score, 'false_near', 'near')}; 'unsure' {share(score, 'unsure', 'rows')}")
    print(
        f"  intervals hold: planted pairs {share(score, 'held', 'planted')} (above {score['above']}, below {score['below']}), pairs of groups {share(score, 'row held', 'rows')}"
    )
    print(
        f"  a tenth weaker: right pen kept {share(score, 'right', 'weaker')}, wrong {score['wrong']}; of equal pens one kept {share(score, 'idle', 'equal')}"
    )


def timing(count: int = 2000) -> None:
    """Print how long the whole command takes, and bare Python with the same imports."""
    imports = "import calib.cli.main, numpy, colour, sklearn.cluster, scipy.stats, calib.table.table"
    env = {**os.environ, "OMP_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as folder:
        for scatter in (0.0, 0.025):
            path = Path(folder) / f"{scatter}.csv"
            write_table(path, invented_table(invent_inks(count, 7), Making(scatter=scatter), 7)[0])
            command = [
                sys.executable,
                "-m",
                "calib",
                "duplicates",
                str(path),
                "-o",
                str(path.with_name("g.csv")),
            ]
            pairs = []
            for _ in range(5):
                took = []
                for words in ([sys.executable, "-c", imports], command):
                    start = time.perf_counter()
                    subprocess.run(words, check=True, env=env, stdout=subprocess.DEVNULL)
                    took.append(time.perf_counter() - start)
                pairs.append(took)
            bare, whole = np.median(pairs, axis=0)
            print(
                f"{count} markers, scatter {scatter}: imports {bare:.2f} s, command {whole:.2f} s, {whole / bare:.2f} times"
            )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--drawers", type=int, default=12)
    parser.add_argument("--seed", type=int, default=900)
    parser.add_argument("--scatter", type=float, nargs="*", default=SCATTERS)
    parser.add_argument("--time", action="store_true")
    options = parser.parse_args()
    if options.time:
        timing()
    else:
        rng = np.random.default_rng(options.seed)
        for hand in options.scatter:
            total: Counter[str] = Counter()
            for k in range(options.drawers):
                size = int(rng.integers(60, 401))
                total += judge(
                    hand, size, int(rng.integers(1 << 30)), ("colorimetric", "camera-1", "three-led")[k % 3]
                )
            report(hand, total)
