"""What the answering commands cost, and how soon every command begins.

    python tests/benchmarks/answering.py [sizes, such as 100,400,2000]
    python tests/benchmarks/answering.py start [runs]

The first prints processor seconds and peak megabytes of each command on invented tables of two coats, and both over
those of the smallest table. The second prints processor seconds of each command on a tiny table over those of a Python
that only imports what the command had imported when it ended, the least of several runs.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from invented_tables import Making, invented_table
from simulated import chart_of

from calib.chart.planfile import plan_to_json
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.table.table import write_table

# What a command had imported of other packages is written by this, so that a bare Python can do the same.
TELL = """
import sys
sys.argv = ["calib", *sys.argv[2:]]
from calib.cli.main import cli
try:
    cli.main(standalone_mode=False)
finally:
    open({told!r}, "w").write("\\n".join(name for name in sys.modules if name.split(".")[0] not in ("calib", "__main__")))
"""
IMPORT = """
import importlib, sys
for name in open({told!r}).read().split():
    try:
        importlib.import_module(name)
    except ImportError:
        pass
"""
QUIET = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


def cost(command: list[str]) -> tuple[float, float]:
    """Return processor seconds and peak megabytes of a process."""
    process = subprocess.Popen(command, **QUIET)
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{command} ended with {status}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def make_tables(home: Path, count: int) -> None:
    """Write two sessions, another paper, 24 markers of it, and a table of which 24 markers have a second coat."""
    inks = invent_inks(count, seed=count)
    few = {ink.marker for ink in inks[:: max(1, count // 24)][:24]}
    tables = {
        "one": invented_table(inks, Making(), 1)[0],
        "later": invented_table(inks, Making(date="2026-09-01"), 2)[0],
        "other": invented_table(inks, Making(paper=SimPaper(name="other", gain=0.85), date="2026-09-02"), 3)[
            0
        ],
    }
    plain = few | {"paper", "black"}
    for name, source, keep in (
        ("few", "other", lambda row: row.marker in plain),
        ("half", "one", lambda row: row.layers != 2 or row.marker in few),
    ):
        rows = tuple(row for row in tables[source].readings if keep(row))
        tables[name] = replace(tables[source], readings=rows)
    for name, table in tables.items():
        write_table(home / f"{name}{count}.csv", table)


def commands(home: Path, count: int) -> dict[str, list[str]]:
    """Return the answering commands on the tables of so many markers."""
    one, later, other, few, half = (
        str(home / f"{n}{count}.csv") for n in ("one", "later", "other", "few", "half")
    )
    out = str(home / "out.csv")
    return {
        "duplicates": ["duplicates", one, "-o", out],
        "drift": ["drift", one, later, "-o", out],
        "papers": ["papers", one, other, "-o", out],
        "predict": ["predict", one, few, "-o", out],
        "predict, all known": ["predict", one, other, "-o", out],
        "predict --layers 2": ["predict", half, "--layers", "2", "-o", out],
    }


def sizes(counts: list[int]) -> None:
    """Print what each command costs at each size."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        first: dict[str, tuple[float, float]] = {}
        for count in counts:
            make_tables(home, count)
            for name, words in commands(home, count).items():
                seconds, megabytes = cost([sys.executable, "-m", "calib", *words])
                base = first.setdefault(name, (seconds, megabytes))
                print(
                    f"{name:20s} {count:5d} markers {seconds:6.2f} s = {seconds / base[0]:5.2f}; "
                    f"{megabytes:5.0f} MB = {megabytes / base[1]:.2f}",
                    flush=True,
                )


def starts(runs: int = 5) -> None:
    """Print how much of each command's start is its own."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        make_tables(home, 12)
        (home / "chart.json").write_text(plan_to_json(chart_of(12)))
        (home / "markers.csv").write_text("marker\n" + "".join(f"m{i}\n" for i in range(12)))
        (home / "card.csv").write_text(
            "row,column,L,a,b\n"
            + "".join(f"{r},{c},{20 * r + 4 * c},0,0\n" for r in (1, 2, 3) for c in (1, 2, 3, 4))
        )
        told = str(home / "told.txt")
        tell, bare = TELL.format(told=told), IMPORT.format(told=told)
        every = {
            "--help": ["--help"],
            "flags": ["flags"],
            "chart": ["chart", str(home / "markers.csv"), "-o", str(home / "chart.pdf")],
            "carrier": ["carrier", str(home / "card.csv"), "-o", str(home / "carrier.pdf")],
            "measure --help": ["measure", "--help"],
            **commands(home, 12),
        }
        for name, words in every.items():
            subprocess.run([sys.executable, "-c", tell, "-", *words], check=True, **QUIET)
            own, other = [], []
            for _ in range(runs):
                own.append(cost([sys.executable, "-m", "calib", *words])[0])
                other.append(cost([sys.executable, "-c", bare])[0])
            print(
                f"{name:20s} {min(own):.2f} s over {min(other):.2f} s = {min(own) / min(other):.2f}",
                flush=True,
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["start"]:
        starts(*map(int, sys.argv[2:3]))
    else:
        sizes([int(size) for size in (sys.argv[1] if len(sys.argv) > 1 else "100,400,2000").split(",")])
