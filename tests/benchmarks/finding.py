"""Every page found, no swatch in a wrong cell: turns, skew, hidden marks, poor prints, 150 to 600 dpi.

    python tests/benchmarks/finding.py [pages]

A swatch is in a wrong cell where its reading is nearer to another cell's ink than to its own, and that
by more than the simulation's own scatter explains.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np
from simulated import Read, chart_of, read_page

from calib.colour.colorimetry import delta_e_2000
from calib.errors import CalibError
from calib.scan.measure import Settings
from calib.synthetic.session import Laying, Printer, Scanner, Session

FIRST_SEED = 7000
TURNS = (0, 90, 180, 270)
DPIS = (150, 200, 300, 600)


def wrong_cells(read: Read) -> int:
    """Return how many unflagged swatches read as another cell's ink."""
    scanner = Settings("", "").scanner
    truth = read.truth.cells
    names = list(truth)
    true = np.array([truth[name].film.lab for name in names])
    wrong = 0
    for swatch in read.swatches:
        if swatch.flags or swatch.patch is None:
            continue
        distance = delta_e_2000(true, scanner.to_lab(swatch.patch.linear))
        own = distance[names.index(swatch.cell.cell)]
        wrong += bool(own > 2.0 and own > distance.min() + 1.0)
    return wrong


def main(pages: int = 40) -> None:
    """Print how many pages of each kind were read, and every failure."""
    plan = chart_of(20)
    tried: Counter[str] = Counter()
    done: Counter[str] = Counter()
    wrong = 0
    rng = np.random.default_rng(FIRST_SEED)
    for number in range(pages):
        dpi = DPIS[number % 4] if number % 16 else 600
        turn = TURNS[number // 4 % 4] + float(rng.uniform(-3, 3))
        ids = [mark.id for mark in plan.pages[0].marks]
        hidden = tuple(int(i) for i in rng.choice(ids, size=number % 3, replace=False))
        poor = number % 2 == 1
        printer = (
            Printer(
                hidden=hidden,
                pale=0.3,
                streaks=15,
                pinholes=40,
                patchy=0.15,
                scale=float(rng.uniform(0.97, 1.03)),
            )
            if poor
            else Printer(hidden=hidden)
        )
        kind = f"{dpi} dpi, {'poor' if poor else 'good'} print, {len(hidden)} marks hidden"
        tried[kind] += 1
        session = Session(
            printer=printer, laying=Laying(turn_deg=turn), scanner=Scanner(bits=8), seed=FIRST_SEED + number
        )
        try:
            read = read_page(plan, session, FIRST_SEED + number, dpi)
        except CalibError as error:
            print(f"page {number}, {kind}, turned {turn:.1f}: {error}", flush=True)
            continue
        done[kind] += 1
        wrong += wrong_cells(read)
    for kind in sorted(tried):
        print(f"{kind:44s} {done[kind]} of {tried[kind]} read")
    print(f"all: {sum(done.values())} of {sum(tried.values())} pages read, {wrong} swatches in a wrong cell")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
