"""Time and memory as ratios within one run, each against bare Python that imports the same modules.

    python tests/benchmarks/speed.py [--runs 3] [--only pages|sizes|markers|start ...] [--dpi 300 600 1200]

sizes:   measuring one page over decoding its file, at 300, 600 and 1200 dpi, 8 and 16 bits, TIFF and PNG, and JPEG at
         300 dpi; the peak of memory likewise.
pages:   twelve scans in one command on all cores, over the same on one core and over twelve commands.
markers: duplicates, drift, papers and predict on tables of 100, 400 and 2,000 markers, over reading the tables.
start:   each command's help, and the answers on tables of 12 markers, over the imports alone.

What a command imports is not written down here but seen: it is run once, and every module it has loaded that is not ours
is what bare Python loads for the comparison. Behind each ratio stands its goal, in wall time or in memory. Commands are run in turn, each as a process of its own, and medians
compared. Seconds are wall time; CPU is user and system time, which other work on the computer moves less.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from invented_tables import Making, invented_table
from simulated import chart_of

from calib.chart.planfile import plan_to_json
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import STEPS, Scanner, Session
from calib.synthetic.writing import write_scan
from calib.table.table import write_table

SEED = 1
TOGETHER = 12
# A small process starts each command, because a child begins with its parent's peak of memory.
LAUNCH = """
import os, subprocess, sys, time
pinned, *command = sys.argv[1:]
if pinned:
    os.sched_setaffinity(0, set(map(int, pinned.split(","))))
started = time.monotonic()
process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
_, status, usage = os.wait4(process.pid, 0)
took = time.monotonic() - started
print(os.waitstatus_to_exitcode(status), took, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)
"""
SPY = """
import sys
modules, *sys.argv = sys.argv[1:]
from calib.cli.main import main
try:
    main()
finally:
    names = [n for n in sys.modules if not n.startswith(("calib", "__")) and "._" not in n and n[0] != "_"]
    open(modules, "w").write("\\n".join(names))
"""
BARE = """
import importlib, sys, warnings
warnings.simplefilter("ignore")
modules, *paths = sys.argv[1:]
for name in open(modules).read().split():
    try:
        importlib.import_module(name)
    except ImportError:
        pass
"""
# The decoders that the program uses itself, so that only what comes on top of them counts.
DECODERS = {
    ".tif": "import tifffile; tifffile.imread(paths[0])",
    ".png": "import imagecodecs; imagecodecs.png_decode(open(paths[0], 'rb').read())",
    ".jpg": "import imagecodecs as i; i.jpegxl_decode(i.jpegxl_encode_jpeg(open(paths[0], 'rb').read()))",
}
READ = (
    "from calib.table.table import read_table; from pathlib import Path; [read_table(Path(p)) for p in paths]"
)


@dataclass(frozen=True)
class Cost:
    """What a process took: seconds of wall time and of the processor, and its peak of memory in MB."""

    wall: float
    cpu: float
    memory: float


def run(command: Sequence[str], cores: set[int] | None = None) -> Cost:
    """Run a command to its end, on these cores or on all."""
    pinned = ",".join(map(str, cores or ()))
    told = subprocess.run(
        [sys.executable, "-S", "-c", LAUNCH, pinned, *command], check=True, stdout=subprocess.PIPE, text=True
    ).stdout.split()
    if told[0] != "0":
        raise SystemExit(f"{' '.join(command)} ended with {told[0]}")
    return Cost(*map(float, told[1:]))


def calib(*words: object) -> list[str]:
    return [sys.executable, "-m", "calib", *map(str, words)]


def bare(home: Path, command: Sequence[str], then: str = "", *paths: object) -> list[str]:
    """Return bare Python that imports what a command of ours imports, and then does something with paths."""
    modules = home / "modules.txt"
    run([sys.executable, "-c", SPY, str(modules), "calib", *command[3:]])
    kept = modules.with_name(f"modules-{abs(hash(tuple(command)))}.txt")
    modules.replace(kept)
    return [sys.executable, "-c", BARE + then, str(kept), *map(str, paths)]


def compare(name: str, one: list[str], other: list[str], runs: int, goals: tuple[float, float]) -> None:
    """Run both commands in turn and print the ratios of their medians, with the goals of time and memory; 0 for none."""
    costs: tuple[list[Cost], list[Cost]] = ([], [])
    for _ in range(runs):
        for kept, command in zip(costs, (one, other), strict=True):
            kept.append(run(command))
    wall, cpu = (
        [statistics.median(getattr(cost, what) for cost in kept) for kept in costs]
        for what in ("wall", "cpu")
    )
    memory = [max(cost.memory for cost in kept) for kept in costs]
    print(
        f"{name:38s} {wall[0]:6.2f} s over {wall[1]:6.2f} = {wall[0] / wall[1]:.2f}{aimed(goals[0])}; "
        f"CPU {cpu[0]:6.2f} over {cpu[1]:6.2f} = {cpu[0] / cpu[1]:.2f}; "
        f"{memory[0]:5.0f} MB over {memory[1]:5.0f} = {memory[0] / memory[1]:.2f}{aimed(goals[1])}",
        flush=True,
    )


def aimed(goal: float) -> str:
    return f" (goal {goal:g})" if goal else ""


# --- one page ------------------------------------------------------------------------------------


def in_a_child(function: Callable[..., None], *arguments: object) -> None:
    """Call a function in a process of its own: a child starts with its parent's peak of memory."""
    child = multiprocessing.get_context("spawn").Process(target=function, args=arguments)
    child.start()
    child.join()
    if child.exitcode:
        raise SystemExit(f"{function.__name__} ended with {child.exitcode}")


def make_page(home: Path, dpi: int) -> None:
    """Simulate a page of 16 bits and write it with its plan and its strip."""
    plan = chart_of(34)
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=SEED)}
    pixels = simulate_page(plan, 1, inks, Session(scanner=Scanner(bits=16), seed=SEED), dpi=dpi).pixels
    np.save(home / f"page-{dpi}.npy", pixels)
    (home / "chart.json").write_text(plan_to_json(plan))
    (home / "strip.csv").write_text("step,density\n" + "".join(f"{i},{d}\n" for i, d in enumerate(STEPS)))


def enlarge(home: Path) -> None:
    """Make the page of 1200 dpi out of that of 600, with noise of its own: simulating it takes 10 GB and more."""
    import cv2

    large = cv2.resize(np.load(home / "page-600.npy"), None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
    rng = np.random.default_rng(SEED)
    for row in large:
        row[:] = np.clip(row + rng.integers(-200, 201, row.shape, dtype=np.int32), 0, 65535)
    np.save(home / "page-1200.npy", large)


def write_page(home: Path, dpi: int, bits: int) -> None:
    """Write a page as a scanner would: uncompressed TIFF, PNG, and at 300 dpi and 8 bits JPEG."""
    import imagecodecs
    import tifffile

    pixels = np.load(home / f"page-{dpi}.npy")
    if bits == 8:
        pixels = (pixels >> 8).astype(np.uint8)
    tifffile.imwrite(home / "page.tif", pixels, photometric="rgb")
    (home / "page.png").write_bytes(imagecodecs.png_encode(pixels, level=3))
    if (dpi, bits) == (300, 8):
        write_scan(home / "page.jpg", pixels, dpi, jpeg_quality=92)


def measuring(home: Path, *scans: object) -> list[str]:
    words = ["--strip", home / "strip.csv", "--paper", "p", "-o", home / "out.csv"]
    return calib("measure", home / "chart.json", *scans, *words)


def sizes(home: Path, runs: int, resolutions: Sequence[int] = (300, 600, 1200)) -> None:
    """Print what measuring one page costs over decoding it."""
    for dpi in resolutions:
        if dpi < 1200 or 600 not in resolutions:
            in_a_child(make_page, home, min(dpi, 600))
        if dpi == 1200:
            in_a_child(enlarge, home)
        for bits in (8, 16):
            in_a_child(write_page, home, dpi, bits)
            for suffix in DECODERS:
                page = home / f"page{suffix}"
                if page.exists():
                    command = measuring(home, page)
                    decode = bare(home, command, DECODERS[suffix], page)
                    compare(f"measure, {dpi} dpi, {bits} bit {suffix}", command, decode, runs, (1.3, 1.5))
                    page.unlink()


def pages(home: Path, runs: int) -> None:
    """Print how much quicker twelve scans are read on all cores than one after another."""
    in_a_child(make_page, home, 300)
    in_a_child(write_page, home, 300, 8)
    import tifffile

    pixels = tifffile.imread(home / "page.tif")
    scans = []
    for number in range(TOGETHER):
        # The very same file twice is refused, so each has a corner of its own.
        pixels[0, 0] = number
        scans.append(home / f"scan-{number}.tif")
        tifffile.imwrite(scans[-1], pixels, photometric="rgb")
    cores = os.sched_getaffinity(0)
    together, one_core, single = [], [], []
    for _ in range(runs):
        together.append(run(measuring(home, *scans)))
        one_core.append(run(measuring(home, *scans), {min(cores)}))
        single.append(sum(run(measuring(home, scan)).wall for scan in scans))
    wall, alone = (statistics.median(cost.wall for cost in costs) for costs in (together, one_core))
    each, peak = statistics.median(single), max(cost.memory for cost in together)
    print(
        f"{TOGETHER} scans on {len(cores)} cores {wall:.2f} s; on one core {alone:.2f} s = {alone / wall:.2f} times as long (goal 1.8 on 2 cores); "
        f"{TOGETHER} commands {each:.2f} s = {each / wall:.2f} times; {peak:.0f} MB in the largest process",
        flush=True,
    )


# --- tables --------------------------------------------------------------------------------------


def tables(home: Path, count: int) -> dict[str, list[str]]:
    """Write invented tables of count markers; return the answers' commands, each with its tables at the end."""
    inks = invent_inks(count, SEED)
    other = SimPaper("other", level=0.82, tint=0.12, gain=0.85, two_coat_exponent=1.65, mottle=1.6, bleed=2.0)
    made = {
        "full": (inks, Making()),
        "later": (inks, Making(date="2026-09-01")),
        "other": (inks, Making(paper=other)),
        "few": (inks[:: max(1, count // 24)], Making(paper=other)),
    }
    for seed, (name, (some, making)) in enumerate(made.items(), SEED):
        write_table(home / f"{name}.csv", invented_table(some, making, seed)[0])
    given = {
        "duplicates": ("full",),
        "drift": ("full", "later"),
        "papers": ("full", "other"),
        "predict": ("full", "few"),
    }
    return {
        answer: calib(answer, "-o", home / "answer.csv", *(home / f"{name}.csv" for name in names))
        for answer, names in given.items()
    }


def markers(home: Path, runs: int) -> None:
    """Print what the answers cost over reading their tables."""
    for count in (100, 400, 2000):
        for name, command in tables(home, count).items():
            read = bare(home, command, READ, *command[6:])
            compare(f"{name}, {count} markers", command, read, runs, (0, 0))


def start(home: Path, runs: int) -> None:
    """Print what it takes to begin, over the imports alone."""
    helped = (
        "",
        "chart",
        "carrier",
        "scanner",
        "measure",
        "duplicates",
        "drift",
        "papers",
        "predict",
        "flags",
        "demo",
    )
    for name in helped:
        command = calib(*name.split(), "--help")
        compare(f"calib {name} --help".replace("  ", " "), command, bare(home, command), 3 * runs, (1.15, 0))
    for name, command in tables(home, 12).items():
        compare(f"{name}, 12 markers", command, bare(home, command), 3 * runs, (1.15, 0))


PARTS = {"sizes": sizes, "pages": pages, "markers": markers, "start": start}


def main() -> None:
    """Print all ratios, or those of some parts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS))
    parser.add_argument("--dpi", nargs="+", type=int, choices=(300, 600, 1200), default=[300, 600, 1200])
    chosen = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    print(f"{len(os.sched_getaffinity(0))} cores, load {os.getloadavg()[0]:.1f}", flush=True)
    for name in chosen.only:
        home = Path(tempfile.mkdtemp(prefix="calib-speed-"))
        try:
            if name == "sizes":
                sizes(home, chosen.runs, sorted(chosen.dpi))
            else:
                PARTS[name](home, chosen.runs)
        finally:
            shutil.rmtree(home)


if __name__ == "__main__":
    main()
