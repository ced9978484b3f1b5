"""Is the pen that ``calib match`` names first truly the nearest? Over invented tables with honest noise, against the truth.

    python tests/benchmarks/match.py [first seed] [tables]

strict: the first pen is the one nearest by the true colours. as good: it is no more than 0.5 dE00 further than that one, which nobody sees (just
perceptible is 0.8). among three: the true nearest is one of the first three. stated: the mean chance that the answer itself gives its first.
in the set: the true nearest is among the pens which together have 95 % of the chance. Everything here is invented.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from invented_tables import Making, invented_table

from calib.answers.matching.nearest import match
from calib.answers.matching.target import Aim, Target, as_the_pen, given_lab
from calib.answers.shelf import shelf_of
from calib.colour.colorimetry import delta_e_2000
from calib.synthetic.drawer import invent_inks

ASKED = 25


def main(first: int, tables: int) -> None:
    """Print the table."""
    print(f"seeds {first}.., {tables} tables of each kind, {ASKED} questions each")
    for pens in (60, 400):
        for question in ("a pen", "a colour"):
            rows = []
            for seed in range(first, first + tables):
                table, truth = invented_table(invent_inks(pens, seed % 7), Making(repeats=12), seed)
                shelf = shelf_of(table)
                keys = list(truth.lab)
                markers = sorted({m for m, _ in keys})
                lab = {n: np.array([truth.lab[m, n] for m in markers]) for n in (1, 2)}
                rng = np.random.default_rng(seed)
                for _ in range(ASKED):
                    if question == "a pen":
                        own = markers[int(rng.integers(len(markers)))]
                        at = markers.index(own)
                        true = np.maximum(*(delta_e_2000(lab[n][at], lab[n]) for n in (1, 2)))
                        true[at] = np.inf
                        found = match(shelf, as_the_pen(shelf, own), 12)
                        far = dict(zip(markers, true, strict=True))
                        named = [(one.pen.marker, one.chance) for one in found.found]
                    else:
                        aim = truth.lab[keys[int(rng.integers(len(keys)))]] + rng.normal(0, 3, 3)
                        values = delta_e_2000(aim, np.array([truth.lab[key] for key in keys]))
                        far = {f"{m} {n}": float(v) for (m, n), v in zip(keys, values, strict=True)}
                        # What the scanner gets wrong is no part of this table's truth.
                        target: Target = replace(given_lab(aim), aims={0: Aim(aim, np.zeros((3, 3)))})
                        found = match(shelf, target, 12)
                        named = [(f"{one.pen.marker} {one.worst.coats}", one.chance) for one in found.found]
                    best = min(far, key=lambda one: far[one])
                    order = [name for name, _ in named]
                    likely = sorted(named, key=lambda one: -one[1])
                    total, inside = 0.0, False
                    for name, chance in likely:
                        inside |= name == best
                        total += chance
                        if total >= 0.95:
                            break
                    rows.append(
                        (
                            order[0] == best,
                            far[order[0]] - far[best] <= 0.5,
                            best in order[:3],
                            named[0][1],
                            inside,
                        )
                    )
            strict, good, three, stated, inside_ = 100 * np.mean(np.array(rows, dtype=float), axis=0)
            print(
                f"{pens:4d} pens, {question:8s}: strict {strict:5.1f} %, as good {good:5.1f} %, among three {three:5.1f} %, "
                f"stated {stated:5.1f} %, in the set {inside_:5.1f} %  ({len(rows)} questions)"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1, int(sys.argv[2]) if len(sys.argv) > 2 else 6)
