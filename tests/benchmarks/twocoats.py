"""How well two coats are predicted from one, on invented tables and simulated scans, against the best that could be.

    python tests/benchmarks/twocoats.py tables [seed] [how many]    all scanners; each sixth of the markers held out
    python tests/benchmarks/twocoats.py few [seed] [how many]       few markers with both coats
    python tests/benchmarks/twocoats.py papers [seed] [how many]    the same, with another paper's table beside
    python tests/benchmarks/twocoats.py speed                       up to 2,000 markers
    python tests/benchmarks/twocoats.py scans [seed] [how many]     a whole page, simulated and measured

Markers held out lose their second coats and are predicted by the program as a user would; 'read' is against
the reading that was taken away, 'true' against the noise-free colour. The floor is an observer who knows the
ink's spectrum and the paper, and lacks only how much ink the hand laid on each cell. The ways are numbered as
in coatmodel.LEVELS.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from invented_tables import Making, Truth, invented_table, lab_of

from calib.answers.secondcoat.model import LEVELS
from calib.answers.secondcoat.twocoats import predict_two_coats
from calib.colour.colorimetry import delta_e_2000
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper, reflectance_at
from calib.synthetic.scanners import KINDS, spectral_scanner
from calib.table.table import Reading, Table

SIZES = (40, 80, 120)
FOLDS = 6
Held = tuple[Reading, Reading, np.ndarray]


def paper_of(rng: np.random.Generator, name: str = "invented") -> SimPaper:
    """Return a paper with an exponent from 1.6 to 1.9."""
    return SimPaper(
        name,
        level=float(rng.uniform(0.82, 0.93)),
        two_coat_exponent=float(rng.uniform(1.6, 1.9)),
        surface=float(rng.uniform(0.002, 0.012)),
        gain=float(rng.uniform(0.8, 1.2)),
    )


def without(table: Table, markers: set[str]) -> Table:
    """Return the table without the second coats of some markers."""
    return replace(
        table, readings=tuple(r for r in table.readings if not (r.layers == 2 and r.marker in markers))
    )


def pens(table: Table, rng: np.random.Generator) -> list[str]:
    """Return the markers in an order drawn by lot."""
    return list(rng.permutation(sorted({r.marker for r in table.readings if r.layers == 1})))


def held_out(table: Table, truth: Truth, rng: np.random.Generator) -> Iterator[tuple[float, str, list[Held]]]:
    """Yield, for each sixth of the markers, the stated error, the way, and (predicted, read, true) of those
    held out.
    """
    order = pens(table, rng)
    read = {r.marker: r for r in table.readings if r.layers == 2}
    for fold in range(FOLDS):
        answer = predict_two_coats([without(table, set(order[fold::FOLDS]))])
        rows = [r for r in answer.table.readings if "predicted" in r.flags]
        found = [(r, read[r.marker], truth.lab[r.marker, 2]) for r in rows if read[r.marker].keeps_colour]
        yield answer.mean or np.nan, answer.model, found


@dataclass
class Count:
    """What is counted over all markers held out."""

    stated: list[float]
    ways: list[str]
    held: list[Held]

    def line(self) -> str:
        """Return the figures in words."""
        made, read, true = (
            np.array(x) for x in zip(*((p.lab, r.lab, t) for p, r, t in self.held), strict=True)
        )
        u = np.array([(p.u_L, p.u_a, p.u_b) for p, _, _ in self.held])
        u_read = np.array([(r.u_L, r.u_a, r.u_b) for _, r, _ in self.held])
        e, f = delta_e_2000(made, read), delta_e_2000(made, true)
        dark, strong = true[:, 0] < 35, np.hypot(true[:, 1], true[:, 2]) > 50
        inside = np.mean(np.abs(made - true) < 1.96 * u, axis=0)
        both = np.mean(np.abs(made - read) < 1.96 * np.hypot(u, u_read))
        ways = {LEVELS.index(w): self.ways.count(w) for w in sorted(set(self.ways), key=LEVELS.index)}
        return (
            f"n {len(e):4d}  stated {np.mean(self.stated):.2f}  "
            f"read {e.mean():.2f} p95 {np.quantile(e, 0.95):.2f}  true {f.mean():.2f} p95 {np.quantile(f, 0.95):.2f}  "
            f"dark {f[dark].mean():.2f}  strong {f[strong].mean():.2f}  "
            f"inside L,a,b {np.round(100 * inside)} all {100 * inside.mean():.1f} %, of readings {100 * both:.1f} %  ways {ways}"
        )


def floor(inks: tuple, paper: SimPaper, kind: str, rng: np.random.Generator) -> tuple[float, float]:
    """Return the mean dE00 to the reading and to the truth of who lacks nothing but the hand's scatter on
    either cell.
    """
    scanner, read, true = spectral_scanner(kind), [], []
    for ink in inks:
        mean = paper.gain * paper.two_coat_exponent
        one, two = np.exp(0.025 * rng.normal(size=(2, 8)))
        guess, cell, truth = (
            lab_of(scanner.linear(reflectance_at(ink, paper, mean * k))) for k in (one, two, np.ones(1))
        )
        read.append(delta_e_2000(guess, cell).mean())
        true.append(delta_e_2000(guess, truth).mean())
    return float(np.mean(read)), float(np.mean(true))


def simple_ways(table: Table) -> tuple[float, float]:
    """Return the mean dE00 of doubling the density and of the one best exponent, from the scanner's light and
    fitted on all.
    """
    bare = np.array(next(r.linear for r in table.readings if r.kind == "paper"))
    by = {(r.marker, r.layers): r for r in table.readings}
    both = [m for m, n in by if n == 1 and (m, 2) in by]
    one, read = np.array([by[m, 1].linear for m in both]), np.array([by[m, 2].lab for m in both])
    share = np.maximum(one / bare, 1e-4)
    found = [delta_e_2000(lab_of(bare * share**k), read).mean() for k in np.arange(1.3, 2.2, 0.02)]
    return float(delta_e_2000(lab_of(bare * share**2), read).mean()), float(min(found))


def tables(first: int, count: int) -> None:
    """Print the figures of every kind of scanner."""
    for kind in KINDS:
        total, simple, best = Count([], [], []), [], []
        for size in SIZES:
            for seed in range(first, first + count):
                rng = np.random.default_rng([seed, size])
                paper, inks = paper_of(rng), invent_inks(size, seed=1000 * seed + size)
                table, truth = invented_table(inks, Making(paper=paper, kind=kind), seed)
                simple.append(simple_ways(table))
                best.append(floor(inks, paper, kind, rng))
                for stated, way, held in held_out(table, truth, rng):
                    total.stated.append(stated)
                    total.ways.append(way)
                    total.held += held
        double, exponent = np.mean(simple, axis=0)
        read, true = np.mean(best, axis=0)
        print(
            f"{kind:13s} doubling {double:.2f}  one exponent {exponent:.2f}  floor read {read:.2f} true {true:.2f}"
        )
        print(f"              {total.line()}", flush=True)


def few(first: int, count: int, elsewhere: bool = False) -> None:
    """Print the figures where few markers have both coats, or elsewhere all on another paper too."""
    for known in (0, 1, 2, 3, 5, 8, 12, 20, 30):
        for kind in KINDS:
            total = Count([], [], [])
            for seed in range(first, first + count):
                rng = np.random.default_rng([seed, known])
                inks = invent_inks(60, seed=1000 * seed + 60)
                table, truth = invented_table(inks, Making(paper=paper_of(rng), kind=kind), seed)
                more = []
                if elsewhere:
                    # Other pens on the other paper, or theirs would be the answers.
                    strangers = [
                        replace(ink, marker=f"x{ink.marker}")
                        for ink in invent_inks(60, seed=1000 * seed + 61)
                    ]
                    other = Making(paper=paper_of(rng, "another"), kind=kind, date="2026-02-01")
                    more = [invented_table(tuple(strangers), other, seed + 500)[0]]
                answer = predict_two_coats([without(table, set(pens(table, rng)[known:])), *more])
                total.stated.append(np.nan if answer.mean is None else answer.mean)
                total.ways.append(answer.model)
                read = {r.marker: r for r in table.readings if r.layers == 2}
                rows = [r for r in answer.table.readings if "predicted" in r.flags]
                total.held += [(r, read[r.marker], truth.lab[r.marker, 2]) for r in rows]
            print(f"{known:3d} known {kind:13s} {total.line()}", flush=True)


def papers(first: int, count: int) -> None:
    """Print the figures of few with another paper's table beside."""
    few(first, count, elsewhere=True)


def speed() -> None:
    """Print how long large tables take."""
    for size in (120, 500, 2000):
        table, _ = invented_table(invent_inks(size, seed=1), Making(kind="camera-1"), 1)
        some = set(pens(table, np.random.default_rng(0))[::2])
        start = time.perf_counter()
        answer = predict_two_coats([without(table, some)])
        print(
            f"{size} markers, {answer.trained} with both coats: {time.perf_counter() - start:.1f} s, {answer.mean:.2f}"
        )


def scans(first: int, count: int) -> None:
    """Print the figures of whole pages: simulated, written, read back, and predicted with a sixth of the
    markers held out.
    """
    from simulated import chart_of, read_page

    from calib.synthetic.session import Scanner, Session

    for kind in KINDS:
        total = Count([], [], [])
        for seed in range(first, first + count):
            plan = chart_of(32)
            paper = SimPaper(two_coat_exponent=1.6 + 0.1 * (seed % 4))
            session = Session(scanner=Scanner(kind=kind), paper=paper)
            read = read_page(plan, session, seed, dpi=200)
            rng = np.random.default_rng(seed)
            # The colour of an average hand is not in a scan's truth, so the reading stands for it.
            truth = Truth(
                {(r.marker, 2): np.array(r.lab) for r in read.table.readings if r.layers == 2 and r.lab}, {}
            )
            for stated, way, held in held_out(read.table, truth, rng):
                total.stated.append(stated)
                total.ways.append(way)
                total.held += held
        print(f"{kind:13s} {total.line()}", flush=True)


if __name__ == "__main__":
    ways: dict[str, Callable[..., None]] = {
        "tables": tables,
        "few": few,
        "papers": papers,
        "speed": speed,
        "scans": scans,
    }
    what, *numbers = sys.argv[1:] or ["tables"]
    ways[what](*([] if what == "speed" else ([int(n) for n in numbers] + [1, 2][len(numbers) :])))
