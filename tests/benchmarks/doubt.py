"""Do the stated doubts hold: two sessions of unchanged inks, compared axis by axis.

    python tests/benchmarks/doubt.py [pairs]

Prints the share of differences inside their 95 % intervals (goal of the next step: 93 to 97 %), the
root mean square of difference over doubt (1 is honest), and the median half-width.
"""

from __future__ import annotations

import sys

import numpy as np
from simulated import chart_of, read_page

from calib.synthetic.session import Hand, Laying, Scanner, Session

FIRST_SEED = 5000
KINDS = ("colorimetric", "camera-1", "three-led")


def student(freedom: int) -> float:
    """Return the two-sided 95 % factor of Student's distribution."""
    from scipy.stats import t

    return float(t.ppf(0.975, freedom)) if freedom else 1.96


def pair(seed: int, kind: str, scatter: float, jpeg: int | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return differences (n, 3), their doubts (n, 3) and half-widths (n, 3) of two sessions."""
    plan = chart_of(34)
    tables = []
    for number in (1, 2):
        session = Session(
            hand=Hand(scatter=scatter),
            scanner=Scanner(kind=kind, bits=8, jpeg=jpeg),
            laying=Laying(turn_deg=0.7 * number),
            seed=10 * seed + number,
        )
        tables.append(read_page(plan, session, seed, dpi=200).table)
    factor = student(min(t.origin.scatter["degrees_of_freedom"] for t in tables))
    found, doubt = [], []
    for one, two in zip(tables[0].readings, tables[1].readings, strict=True):
        if one.kind == "ink" and one.keeps_colour and two.keeps_colour:
            found.append(np.subtract(one.lab, two.lab))
            doubt.append(np.hypot([one.u_L, one.u_a, one.u_b], [two.u_L, two.u_a, two.u_b]))
    return np.array(found), np.array(doubt), factor * np.array(doubt)


def main(pairs: int = 2) -> None:
    """Print a row per scatter of the hand and kind of file."""
    for scatter, jpeg in ((0.0, None), (0.025, None), (0.04, None), (0.025, 60)):
        parts = [
            pair(FIRST_SEED + 7 * i + j, kind, scatter, jpeg)
            for i, kind in enumerate(KINDS)
            for j in range(pairs)
        ]
        found, doubt, half = (np.concatenate(part) for part in zip(*parts, strict=True))
        inside = np.mean(np.abs(found) <= half, axis=0)
        size = np.sqrt(np.mean((found / doubt) ** 2, axis=0))
        print(
            f"hand {100 * scatter:.1f} %, {'JPEG ' + str(jpeg) if jpeg else '8 bit'}: inside "
            + ", ".join(f"{name} {100 * value:.1f} %" for name, value in zip("Lab", inside, strict=True))
            + "; difference over doubt "
            + ", ".join(f"{value:.2f}" for value in size)
            + f"; median half-width {np.median(half):.2f} ({len(found)} rows)",
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
