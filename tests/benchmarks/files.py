"""What a scan's file costs: 8 against 16 bits, 150 to 600 dpi, JPEG, each against the best file of the same page.

    python tests/benchmarks/files.py [pages]

Every page is simulated once per resolution with the same inks, hand and light; the files of one resolution differ in
nothing else. The cost is the dE00 between a swatch read from the file and the same swatch read from 16 bits at the same
resolution, which is all that comparing two such files would show; beside it stands the error to the scanner's own light, by
which resolutions are compared, because the simulator's hand does not lay the same strokes at another one.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from simulated import chart_of, strip_of

from calib.colour.colorimetry import delta_e_2000
from calib.scan.measure import Settings, measure
from calib.synthetic.drawer import invent_inks
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import Laying, Scanner, Session
from calib.synthetic.writing import write_scan

FIRST_SEED = 9300
KINDS = ("colorimetric", "camera-1", "camera-2", "three-led")
# Name, bits, dpi, quality of JPEG.
FILES = (
    ("16 bit, 300 dpi", 16, 300, None),
    ("8 bit, 300 dpi", 8, 300, None),
    ("16 bit, 150 dpi", 16, 150, None),
    ("8 bit, 150 dpi", 8, 150, None),
    ("16 bit, 600 dpi", 16, 600, None),
    ("8 bit, 600 dpi", 8, 600, None),
    ("JPEG 95, 300 dpi", 8, 300, 95),
    ("JPEG 90, 300 dpi", 8, 300, 90),
    ("JPEG 80, 300 dpi", 8, 300, 80),
    ("JPEG 60, 300 dpi", 8, 300, 60),
    ("JPEG 40, 300 dpi", 8, 300, 40),
)


def main(pages: int = 3) -> None:
    """Print a row per kind of file."""
    plan = chart_of(34)
    scanner = Settings("", "").scanner
    cost: dict[str, list[np.ndarray]] = {name: [] for name, *_ in FILES}
    error: dict[str, list[np.ndarray]] = {name: [] for name, *_ in FILES}
    for number in range(pages):
        seed = FIRST_SEED + number
        inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=seed)}
        session = Session(
            scanner=Scanner(kind=KINDS[number % 4], bits=16), laying=Laying(turn_deg=0.9), seed=seed
        )
        for dpi in (300, 150, 600):
            best: dict[str, np.ndarray] = {}
            for bits in (16, 8):
                scan = simulate_page(
                    plan, 1, inks, replace(session, scanner=replace(session.scanner, bits=bits)), dpi=dpi
                )
                for name, its_bits, its_dpi, quality in FILES:
                    if (its_bits, its_dpi) != (bits, dpi):
                        continue
                    read = _read(plan, scan, dpi, quality)
                    best = best or read
                    same = [cell for cell in read if cell in best]
                    one, two = (scanner.to_lab([of[cell] for cell in same]) for of in (read, best))
                    true = scanner.to_lab([scan.truth.cells[cell].film.linear for cell in same])
                    cost[name].append(delta_e_2000(one, two))
                    error[name].append(delta_e_2000(one, true))
    for name, *_ in FILES:
        c, e = np.concatenate(cost[name]), np.concatenate(error[name])
        print(
            f"{name:18s} cost mean {c.mean():.3f}  p95 {np.percentile(c, 95):.3f}   "
            f"error mean {e.mean():.3f}  p95 {np.percentile(e, 95):.3f}  ({len(c)} swatches)"
        )


def _read(plan, scan, dpi, quality):  # type: ignore[no-untyped-def]
    """Return the light of every unclipped swatch by cell."""
    caught = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / ("page.jpg" if quality else "page.tif")
        write_scan(path, scan.pixels, dpi, jpeg_quality=quality)
        measure(
            plan,
            [path],
            strip_of(scan.truth.strip_densities),
            Settings("simulated", "2026-01-01"),
            on_page=lambda reading, swatches: caught.extend(swatches),
        )
    return {s.cell.cell: s.patch.linear for s in caught if s.has_colour and "clipped" not in s.flags}


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
