"""Time and memory as ratios within one run: measuring over decoding with the same imports.

    python tests/benchmarks/speed.py [runs]

The two commands are run in turn, each as a process of its own, and the medians are compared.
"""

from __future__ import annotations

import multiprocessing
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from simulated import chart_of

from calib.chart.planfile import plan_to_json
from calib.synthetic.drawer import invent_inks
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import STEPS, Scanner, Session

DECODE = """
import sys, warnings
warnings.simplefilter("ignore")
import click, numpy, cv2, scipy.optimize, scipy.interpolate, tifffile, imagecodecs, colour
{decode}
"""
DECODERS = {
    ".tif": "tifffile.imread(sys.argv[1])",
    ".png": "imagecodecs.png_decode(open(sys.argv[1], 'rb').read())",
}


def run(command: list[str]) -> tuple[float, float]:
    """Return seconds and peak megabytes of a process."""
    started = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{command} ended with {status}")
    return time.monotonic() - started, usage.ru_maxrss / 1024


def compare(name: str, one: list[str], other: list[str], runs: int) -> None:
    """Run both commands in turn and print the ratios of their medians."""
    times: tuple[list[float], list[float]] = ([], [])
    memory = [0.0, 0.0]
    for _ in range(runs):
        for i, command in enumerate((one, other)):
            seconds, megabytes = run(command)
            times[i].append(seconds)
            memory[i] = max(memory[i], megabytes)
    first, second = (statistics.median(t) for t in times)
    print(
        f"{name:40s} {first:.2f} s over {second:.2f} s = {first / second:.2f}; "
        f"{memory[0]:.0f} MB over {memory[1]:.0f} MB = {memory[0] / memory[1]:.2f}",
        flush=True,
    )


def make_page(home: Path, dpi: int, bits: int) -> None:
    """Simulate a page and write it, as a scanner would, as an uncompressed TIFF and as a PNG.

    In a process of its own: a child starts with its parent's peak of memory.
    """
    import imagecodecs
    import tifffile

    plan = chart_of(34)
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=1)}
    pixels = simulate_page(plan, 1, inks, Session(scanner=Scanner(bits=bits), seed=1), dpi=dpi).pixels
    tifffile.imwrite(home / "page.tif", pixels, photometric="rgb")
    (home / "page.png").write_bytes(imagecodecs.png_encode(pixels, level=3))
    (home / "chart.json").write_text(plan_to_json(plan))
    (home / "strip.csv").write_text("step,density\n" + "".join(f"{i},{d}\n" for i, d in enumerate(STEPS)))


def main(runs: int = 5) -> None:
    """Print all ratios."""
    python = sys.executable
    helped = [python, "-m", "calib", "--help"]
    compare("calib --help over import click", helped, [python, "-c", "import click"], 3 * runs)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        for dpi, bits in ((300, 8), (600, 16)):
            maker = multiprocessing.get_context("spawn").Process(target=make_page, args=(home, dpi, bits))
            maker.start()
            maker.join()
            for suffix, decode in DECODERS.items():
                page = str(home / f"page{suffix}")
                (home / "decode.py").write_text(DECODE.format(decode=decode))
                measure = [python, "-m", "calib", "measure", str(home / "chart.json"), page]
                measure += ["--strip", str(home / "strip.csv"), "--paper", "p", "-o", str(home / "out.csv")]
                name = f"measure over decode, {dpi} dpi, {bits} bit {suffix}"
                compare(name, measure, [python, str(home / "decode.py"), page], runs)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
