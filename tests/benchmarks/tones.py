"""One page written by five drivers, in 8 and 16 bits: do the rows come out the same?

    python tests/benchmarks/tones.py [pages]

Prints for each tone curve the dE00 of the rows against the same page in sRGB of as many bits, and against the true
film colours, on seeds that no development used. Goal: 0.3 mean against sRGB. Clipped rows are left out of both.
"""

from __future__ import annotations

import sys

import numpy as np
from simulated import Read, chart_of, errors, read_page

from calib.colour.colorimetry import delta_e_2000
from calib.synthetic.session import Scanner, Session

FIRST_SEED = 7300
TONES = ("srgb", "linear", "gamma 1.8", "gamma 2.2", "s-curve")


def against(read: Read, other: Read) -> np.ndarray:
    """Return dE00 between the rows that are clipped in neither table."""
    pairs = [
        (mine.lab, theirs.lab)
        for mine, theirs in zip(read.table.readings, other.table.readings, strict=True)
        if mine.lab is not None and theirs.lab is not None and "clipped" not in (*mine.flags, *theirs.flags)
    ]
    return np.asarray(delta_e_2000(*np.swapaxes(np.array(pairs), 0, 1)))


def main(pages: int = 2) -> None:
    """Print a row for each depth and tone."""
    plan = chart_of(34)
    for bits in (8, 16):
        plain = [read_page(plan, Session(scanner=Scanner(bits=bits), seed=s), s) for s in _seeds(pages)]
        for tone in TONES:
            reads = plain
            if tone != "srgb":
                sessions = [Session(scanner=Scanner(bits=bits, tone=tone), seed=s) for s in _seeds(pages)]
                reads = [read_page(plan, session, session.seed) for session in sessions]
            apart = np.concatenate([against(one, two) for one, two in zip(reads, plain, strict=True)])
            true = np.concatenate([errors(read) for read in reads])
            curve = reads[0].page.tone.curves[1].name
            notes = sum(len(read.page.notes) for read in reads)
            print(
                f"{tone:10s} {bits:2d} bit  against sRGB mean {apart.mean():.3f}  p95 {np.percentile(apart, 95):.3f}"
                f"  max {apart.max():.2f}   against the truth mean {true.mean():.3f}  p95 {np.percentile(true, 95):.3f}"
                f"  max {true.max():.2f}   notes {notes}   {curve}",
                flush=True,
            )


def _seeds(pages: int) -> range:
    return range(FIRST_SEED, FIRST_SEED + pages)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
