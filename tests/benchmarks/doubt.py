"""Do the stated doubts hold: two sessions of unchanged inks, compared axis by axis.

    python tests/benchmarks/doubt.py [pairs]

Prints, over so many pairs for each of three scanners, the share of differences inside their 95 % intervals (goal: 93 to 97 %
on each axis, at least 90 % of JPEG 60 and of the worst page), the root mean square of difference over doubt (1 is honest),
and the median half-width (goal without scatter of the hand: at most 0.25). The intervals are made as any reader of
two tables can make them: from u_L, u_a, u_b and the degrees of freedom in the provenance.

The simulator's hand has two kinds of scatter: of the whole swatch, and of clouds a few millimetres wide, which leave about
one per cent from cell to cell where the former is nought. 'still' has neither.
"""

from __future__ import annotations

import sys

import numpy as np
from simulated import chart_of, read_page

from calib.colour.uncertainty import coverage_factor, joint_freedom
from calib.synthetic.session import Hand, Laying, Printer, Scanner, Session

FIRST_SEED = 5000
KINDS = ("colorimetric", "camera-1", "three-led")
WORST = {"flare": 0.04, "falloff": 0.08, "noise_read": 0.0036, "noise_shot": 0.012, "jpeg": 80}
PATCHY = Printer(pale=0.15, streaks=8, pinholes=20, patchy=0.1)
# What is printed, the hand, the scanner's knobs, the printer.
ROWS: tuple[tuple[str, Hand, dict[str, object], Printer], ...] = (
    ("still hand", Hand(scatter=0.0, patch=0.0), {}, Printer()),
    ("hand 0 % and clouds", Hand(scatter=0.0), {}, Printer()),
    ("hand 2.5 %", Hand(scatter=0.025), {}, Printer()),
    ("hand 4 %", Hand(scatter=0.04), {}, Printer()),
    ("hand 2.5 %, JPEG 60", Hand(scatter=0.025), {"jpeg": 60}, Printer()),
    ("still hand, JPEG 60", Hand(scatter=0.0, patch=0.0), {"jpeg": 60}, Printer()),
    ("hand 2.5 %, worst page", Hand(scatter=0.025), WORST, PATCHY),
)


def pair(
    seed: int, kind: str, hand: Hand, knobs: dict[str, object], printer: Printer
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return differences (n, 3), their doubts (n, 3) and half-widths (n, 3) of two sessions."""
    plan = chart_of(34)
    tables = []
    for number in (1, 2):
        session = Session(
            hand=hand,
            printer=printer,
            scanner=Scanner(kind=kind, bits=8, **knobs),  # type: ignore[arg-type]
            laying=Laying(turn_deg=0.7 * number),
            seed=10 * seed + number,
        )
        suffix = ".jpg" if knobs.get("jpeg") else ".tif"
        tables.append(read_page(plan, session, seed, dpi=200, suffix=suffix).table)
    freedom = [t.origin.scatter["degrees_of_freedom"] for t in tables]
    found, doubt, half = [], [], []
    for one, two in zip(tables[0].readings, tables[1].readings, strict=True):
        if one.kind == "ink" and one.keeps_colour and two.keeps_colour:
            u = np.array([[one.u_L, one.u_a, one.u_b], [two.u_L, two.u_a, two.u_b]])
            found.append(np.subtract(one.lab, two.lab))
            doubt.append(np.hypot(*u))
            half.append(coverage_factor(joint_freedom(u, freedom)) * doubt[-1])
    return np.array(found), np.array(doubt), np.array(half)


def main(pairs: int = 7, only: str = "") -> None:
    """Print a row per hand and kind of file."""
    for name, hand, knobs, printer in ROWS:
        if only not in name:
            continue
        parts = [
            pair(FIRST_SEED + 7 * i + j, kind, hand, knobs, printer)
            for i, kind in enumerate(KINDS)
            for j in range(pairs)
        ]
        found, doubt, half = (np.concatenate(part) for part in zip(*parts, strict=True))
        inside = np.mean(np.abs(found) <= half, axis=0)
        size = np.sqrt(np.mean((found / doubt) ** 2, axis=0))
        print(
            f"{name:22s} inside "
            + ", ".join(f"{axis} {100 * value:.1f} %" for axis, value in zip("Lab", inside, strict=True))
            + "; difference over doubt "
            + ", ".join(f"{value:.2f}" for value in size)
            + f"; median half-width {np.median(half):.2f} ({len(found)} rows)",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 7, sys.argv[2] if len(sys.argv) > 2 else "")
