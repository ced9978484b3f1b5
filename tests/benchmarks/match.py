"""Is the pen that ``calib match`` names first truly the nearest? Over invented tables with honest noise, against the truth.

    python tests/benchmarks/match.py [first seed] [tables]

strict: the first pen is the one nearest by the true colours. as good: it is no more than 0.5 dE00 further than that one, which nobody sees (just
perceptible is 0.8). among three: the true nearest is one of the first three. stated: the mean chance that the answer itself gives its first.
in the set: the true nearest is among the pens that the answer says to be tied, which together have 95 % of the chance; tied: how many these are.
By the table's own scanner a colour is asked for that the scanner would read so itself; by other sensors it is a laboratory's, and what the
scanner gets wrong about spectra counts. Everything here is invented.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from invented_tables import Making, Truth, invented_table
from other_sensors import table_by_other_sensors

from calib.answers.matching.nearest import Matches, match
from calib.answers.matching.target import as_the_pen, given_lab
from calib.answers.shelf import shelf_of
from calib.colour.colorimetry import delta_e_2000
from calib.synthetic.drawer import invent_inks
from calib.table.table import Table

ASKED = 25
# So many are listed, whatever is asked; a set of ties that is larger counts as missed where the nearest is not among these.
LISTED = 12
SENSORS = ("camera-1", "camera-2", "three-led")
Row = tuple[bool, bool, bool, float, bool, int]


def main(first: int, tables: int) -> None:
    """Print the table."""
    print(f"seeds {first}.., {tables} tables of each kind, {ASKED} questions each")
    seeds = range(first, first + tables)
    for pens in (60, 400):
        made = [invented_table(invent_inks(pens, seed % 7), Making(repeats=12), seed) for seed in seeds]
        _print(
            f"{pens} pens, a pen",
            [row for seed, one in zip(seeds, made, strict=True) for row in _pens(*one, seed)],
        )
        _print(
            f"{pens} pens, a colour",
            [row for seed, one in zip(seeds, made, strict=True) for row in _colours(*one, seed)],
        )
        for kind in SENSORS:
            _print(f"{pens} pens, {kind}", [row for seed in seeds for row in _elsewhere(kind, pens, seed)])


def _pens(table: Table, truth: Truth, seed: int) -> Iterator[Row]:
    """Yield how it went for pens of the table."""
    shelf, rng = shelf_of(table), np.random.default_rng(seed)
    markers = sorted({pen.marker for pen in shelf.offered})
    lab = {n: np.array([truth.lab[m, n] for m in markers]) for n in (1, 2)}
    for _ in range(ASKED):
        at = int(rng.integers(len(markers)))
        true = np.maximum(*(delta_e_2000(lab[n][at], lab[n]) for n in (1, 2)))
        true[at] = np.inf
        found = match(shelf, as_the_pen(shelf, markers[at]), LISTED)
        yield _row(found, {(m, 1): float(v) for m, v in zip(markers, true, strict=True)}, coats=False)


def _colours(table: Table, truth: Truth, seed: int) -> Iterator[Row]:
    """Yield how it went for colours as this scanner would read them, about which it is wrong in nothing."""
    rng = np.random.default_rng(seed)
    shelf = shelf_of(replace(table, readings=tuple(replace(row, u_abs=0.0) for row in table.readings)))
    keys = [(pen.marker, n) for pen in shelf.offered for n in sorted(pen.coats)]
    lab = np.array([truth.lab[key] for key in keys])
    for _ in range(ASKED):
        aim = lab[int(rng.integers(len(keys)))] + rng.normal(0, 3, 3)
        values = delta_e_2000(aim, lab)
        yield _row(
            match(shelf, given_lab(aim), LISTED), dict(zip(keys, values.tolist(), strict=True)), coats=True
        )


def _elsewhere(kind: str, pens: int, seed: int) -> Iterator[Row]:
    """Yield how it went for colours as a laboratory would measure them."""
    inks = tuple(ink for ink in invent_inks(pens, seed % 7) if ink.kind == "ink")
    table, true = table_by_other_sensors(kind, inks, seed)
    shelf, rng = shelf_of(table), np.random.default_rng(seed)
    for _ in range(ASKED):
        aim = true[int(rng.integers(len(true)))] + rng.normal(0, 3, 3)
        values = delta_e_2000(aim, true)
        far = {(ink.marker, 1): float(v) for ink, v in zip(inks, values, strict=True)}
        yield _row(match(shelf, given_lab(aim), LISTED), far, coats=True)


def _row(found: Matches, far: dict[tuple[str, int], float], coats: bool) -> Row:
    named = [(one.pen.marker, one.worst.coats if coats else 1) for one in found.found]
    best = min(far, key=lambda one: far[one])
    tied = {name for name, one in zip(named, found.found, strict=True) if one.tied}
    good = far[named[0]] - far[best] <= 0.5
    return named[0] == best, good, best in named[:3], found.found[0].chance, best in tied, found.undecided


def _print(what: str, rows: list[Row]) -> None:
    *shares, tied = np.mean(np.array(rows, dtype=float), axis=0)
    strict, good, three, stated, inside = (100 * share for share in shares)
    print(
        f"{what:19s}: strict {strict:5.1f} %, as good {good:5.1f} %, among three {three:5.1f} %, "
        f"stated {stated:5.1f} %, in the set {inside:5.1f} %, tied {tied:.1f}  ({len(rows)} questions)",
        flush=True,
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1, int(sys.argv[2]) if len(sys.argv) > 2 else 6)
