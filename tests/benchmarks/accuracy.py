"""How far the readings are from the true film colours, on seeds that no development used.

    python tests/benchmarks/accuracy.py [pages]

Prints the run's own figures beside the goals of the main job: a colorimetric scanner, 16 bit, 300
dpi, 40 inks in two layers, hand-coloured, 1.5 % flare, 3 % falloff: dE00 to the true film colour of
unclipped swatches mean 0.30, 95th percentile 0.8, and all swatches read. The harder rows are
measured against the scanner's own noise-free, grey-balanced light, which leaves its filters out.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from simulated import chart_of, errors, read_page

from calib.synthetic.session import Hand, Laying, Printer, Scanner, Session

FIRST_SEED = 9000
HARD = {"bits": 8, "flare": 0.04, "falloff": 0.08, "noise_read": 0.0024, "noise_shot": 0.008}
HARDER = {**HARD, "noise_read": 0.0036, "noise_shot": 0.012, "jpeg": 80}
PATCHY = Printer(pale=0.15, streaks=8, pinholes=20, patchy=0.1)


def session(seed: int, **knobs: object) -> Session:
    """Return a session with scanner knobs; the page lies differently each time."""
    return Session(scanner=Scanner(**knobs), laying=Laying(turn_deg=(seed % 7 - 3) * 0.4), seed=seed)  # type: ignore[arg-type]


def row(
    name: str, sessions: list[Session], dpi: float = 300, absolute: bool = False, suffix: str = ".tif"
) -> None:
    """Measure a page per session and print the pooled figures."""
    plan = chart_of(40)
    started, found, unread, flares, count = time.monotonic(), [], 0, [], 0
    for one in sessions:
        for page in (1, 2):
            read = read_page(plan, one, one.seed, dpi, suffix, page)
            found.append(errors(read, absolute))
            unread += sum(not swatch.has_colour for swatch in read.swatches)
            count += len(read.swatches)
            flares.append(read.page.lighting.flare.sum() - one.scanner.flare)
    e = np.concatenate(found)
    seconds = time.monotonic() - started
    print(
        f"{name:44s} mean {e.mean():.3f}  p95 {np.percentile(e, 95):.3f}  max {e.max():.2f}  "
        f"unread {unread}/{count}  flare error rms {100 * np.sqrt(np.mean(np.square(flares))):.2f} points  "
        f"({len(e)} swatches, {seconds:.0f} s)",
        flush=True,
    )


def main(pages: int = 2) -> None:
    """Print all rows."""
    seeds = range(FIRST_SEED, FIRST_SEED + pages)
    row("goal 0.30 / 0.80: colorimetric, 16 bit, 1.5 %", [session(s) for s in seeds], absolute=True)
    row("colorimetric, 8 bit, 1.5 %", [session(s, bits=8) for s in seeds], absolute=True)
    row("colorimetric, 16 bit, no flare", [session(s, flare=0.0) for s in seeds], absolute=True)
    for kind in ("camera-1", "camera-2", "three-led"):
        row(f"{kind}, 8 bit, 4 %, falloff 8 %, double noise", [session(s, kind=kind, **HARD) for s in seeds])
    worst = [
        Session(scanner=Scanner(kind="camera-1", **HARDER), printer=PATCHY, seed=s)  # type: ignore[arg-type]
        for s in seeds
    ]
    row("the same, JPEG 80, tripled noise, patchy print", worst, suffix=".jpg")
    dry = [Session(hand=Hand(grain=0.4), scanner=Scanner(bits=8), seed=s) for s in seeds]
    row("every pen dried to 60 %, 8 bit, 1.5 %", dry)
    row("16 bit, 600 dpi, 1.5 %", [session(s) for s in list(seeds)[:1]], dpi=600)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
