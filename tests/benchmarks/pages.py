"""Twelve pages at once against one after another, as a ratio in one run; and threads for comparison.

    python tests/benchmarks/pages.py [runs] [pages] [dpi] [bits]

The same command, bound to one core and then with as many as there are; the runs take turns, and medians of
wall time are compared. CPU time is that of all processes of a run. The tables must be the same to the last byte.
Where other work loads the cores, wall time says little: 'at best' is what CPU time alone would allow, the time of the
busiest process against that of the single one.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from simulated import chart_of

from calib.chart.planfile import plan_to_json
from calib.synthetic.drawer import invent_inks
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import STEPS, Scanner, Session
from calib.synthetic.writing import write_scan

# The processes of a run are seen by this one, which prints how much each took after the command has ended.
RUN = """
import os, resource, sys, threading, time
from calib.scan import memory, measure, workers
how, count = sys.argv.pop(1), int(sys.argv.pop(1))
memory.cores = lambda: count
if how == "threads":
    from concurrent.futures import ThreadPoolExecutor
    class Threads:
        def __init__(self, work, processes): self.work = work
        def __enter__(self): return self
        def __exit__(self, *_): pass
        def results(self, tasks, starting):
            with ThreadPoolExecutor(count) as pool: yield from pool.map(self.work, tasks)
    measure.Workers = Threads
from calib.cli.main import main
try:
    main()
finally:
    mine, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print("USED", mine.ru_utime + mine.ru_stime, others.ru_utime + others.ru_stime, mine.ru_maxrss, others.ru_maxrss)
"""


@dataclass(frozen=True)
class Used:
    """What one run took: seconds of wall time, of CPU of the command's own process and of the others, peak megabytes."""

    wall: float
    own: float
    others: float
    megabytes: float


def make(home: Path, pages: int, dpi: float, bits: int) -> list[str]:
    """Simulate a chart of so many pages and its scans; return the words of the command."""
    plan = chart_of(34 * pages)
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=1)}
    (home / "chart.json").write_text(plan_to_json(plan))
    (home / "strip.csv").write_text("step,density\n" + "".join(f"{i},{d}\n" for i, d in enumerate(STEPS)))
    names = [f"page-{number:02d}.png" for number in range(1, pages + 1)]
    for number, name in enumerate(names, 1):
        scan = simulate_page(plan, number, inks, Session(scanner=Scanner(bits=bits), seed=number), dpi=dpi)
        write_scan(home / name, scan.pixels, dpi)
    return [
        "measure",
        "chart.json",
        *names,
        "--strip",
        "strip.csv",
        "--paper",
        "p",
        "--session",
        "2026-01-01",
    ]


def run(home: Path, words: list[str], how: str, count: int) -> tuple[Used, bytes]:
    """Run the command and return what it took, and its table."""
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", RUN, how, str(count), *words, "-o", "colours.csv"],
        cwd=home, capture_output=True, text=True, check=True,
    )  # fmt: skip
    wall = time.monotonic() - started
    own, others, peak, other_peak = map(float, done.stdout.split("USED")[1].split())
    megabytes = (peak + (count - 1 if others else 0) * other_peak) / 1024
    return Used(wall, own, others, megabytes), (home / "colours.csv").read_bytes()


def main(runs: int = 3, pages: int = 12, dpi: int = 300, bits: int = 8) -> None:
    """Print times, memory and ratios."""
    cores = len(os.sched_getaffinity(0))
    ways = {"one after another": ("processes", 1), f"{cores} threads": ("threads", cores), f"{cores} processes": ("processes", cores)}  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        words = make(home, pages, dpi, bits)
        for count in (1, pages):
            short = words if count > 1 else [*words[:3], *words[2 + pages :]]
            found: dict[str, list[Used]] = {name: [] for name in ways}
            tables = set()
            for _ in range(runs):
                for name, (how, processes) in ways.items():
                    used, table = run(home, short, how, processes)
                    found[name].append(used)
                    tables.add(table)
            if len(tables) != 1:
                raise SystemExit("the tables differ")
            first, *_ = (statistics.median(used.wall for used in each) for each in found.values())
            print(f"{count} of {pages} pages at {dpi} dpi, {bits} bit: the tables are the same")
            for name, each in found.items():
                wall, own, others, megabytes = (
                    statistics.median(getattr(used, what) for used in each)
                    for what in ("wall", "own", "others", "megabytes")
                )
                single = statistics.median(used.own for used in found["one after another"])
                busiest = max(own, others / max(1, cores - 1))
                print(
                    f"  {name:18s} {wall:6.1f} s ({first / wall:.2f} times as fast); CPU {own + others:5.1f} s "
                    f"({own:.1f} + {others:.1f}; at best {single / busiest:.2f} times); {megabytes:.0f} MB",
                    flush=True,
                )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:5]))
