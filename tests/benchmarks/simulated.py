"""What the benchmarks share: a chart, invented inks, a simulated scan, and its reading against the truth."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.plan import Plan
from calib.colour.colorimetry import delta_e_2000
from calib.colour.reference import Strip
from calib.scan.measure import Settings, measure
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch
from calib.synthetic.drawer import invent_inks
from calib.synthetic.scan import ScanTruth, simulate_page
from calib.synthetic.session import Session
from calib.synthetic.writing import write_scan
from calib.table.table import Table


@dataclass(frozen=True)
class Read:
    """One simulated page as the program read it."""

    truth: ScanTruth
    table: Table
    page: PageReading
    swatches: list[Swatch]


def chart_of(count: int, **options: object) -> Plan:
    """Return the plan of a chart of count invented markers."""
    return lay_out([Marker(f"{i:03d}") for i in range(1, count + 1)], ChartOptions(**options))  # type: ignore[arg-type]


def strip_of(densities: object) -> Strip:
    """Return the strip that the simulator laid down."""
    density = np.asarray(densities, dtype=float)
    linear = np.repeat(10.0 ** -density[:, None], 3, axis=1)
    labels = tuple(str(i) for i in range(1, len(density) + 1))
    return Strip("simulated", "density", labels, linear, np.full(len(density), 1 / len(density)))


def read_page(
    plan: Plan, session: Session, seed: int, dpi: float = 300, suffix: str = ".tif", page: int = 1
) -> Read:
    """Simulate one page, write it to a file, and measure the file."""
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=seed)}
    jpeg = session.scanner.jpeg if suffix == ".jpg" else None
    if jpeg is not None:
        # Packed once, as a scanner's program does it, when it is written.
        session = replace(session, scanner=replace(session.scanner, jpeg=None, bits=8))
    scan = simulate_page(plan, page, inks, session, dpi=dpi)
    caught: list[tuple[PageReading, list[Swatch]]] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"page{suffix}"
        write_scan(path, scan.pixels, dpi, jpeg_quality=jpeg)
        measured = measure(
            plan,
            [path],
            strip_of(scan.truth.strip_densities),
            Settings("simulated", "2026-01-01"),
            on_page=lambda reading, swatches: caught.append((reading, list(swatches))),
        )
    return Read(scan.truth, measured.table, *caught[0])


def errors(read: Read, absolute: bool = True) -> np.ndarray:
    """Return dE00 of every unclipped swatch to its true film colour.

    absolute: against CIE colour by the simulator's sums over the spectrum; else against the scanner's own noise-free,
    grey-balanced light, through the same matrix as the reading.
    """
    scanner = Settings("", "").scanner
    found, true = [], []
    for swatch in read.swatches:
        if swatch.has_colour and swatch.patch is not None and "clipped" not in swatch.flags:
            film = read.truth.cells[swatch.cell.cell].film
            found.append(scanner.to_lab(swatch.patch.linear))
            true.append(film.lab if absolute else scanner.to_lab(film.linear))
    return np.asarray(delta_e_2000(np.array(found), np.array(true)))
