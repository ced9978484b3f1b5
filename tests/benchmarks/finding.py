"""Every page found, no swatch in a wrong cell: poor prints, lost marks, crops, thumbs, turns, sizes, beds, 150 to 1200 dpi.

    python tests/benchmarks/finding.py [scans] [first seed]

A sheet counts where four of its marks can still be seen whole: printed, inside the picture, and not under a thumb or
the grey strip. A swatch is in a wrong cell where the frame puts the middle of its cell more than 3 mm from the truth's
own geometry, or where its reading is nearer to another cell's ink than to its own, and that by more than the
simulation's own scatter explains.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from simulated import chart_of, strip_of

from calib.chart.plan import Box, Page, Plan
from calib.colour.colorimetry import delta_e_2000
from calib.errors import CalibError, UnfitError
from calib.scan.measure import Settings, measure
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch
from calib.synthetic.drawer import invent_inks
from calib.synthetic.scan import ScanTruth, SimulatedScan, simulate_page
from calib.synthetic.session import STEPS, Laying, Printer, Scanner, Session, Stain, Strip
from calib.synthetic.writing import write_scan

FIRST_SEED = 63000
KINDS = (
    "any turn",
    "poor print",
    "marks lost",
    "cropped",
    "thumb and stains",
    "fit to page, stretched",
    "larger bed",
    "everything",
    "two pages",
    "same page twice",
    "other chart beside",
)
# Simulating takes a second for A4 at 150 dpi and 16 for A5 at 1200, so that the fine ones are few.
DPIS = (150, 150, 150, 150, 200, 200, 200, 300, 300, 300, 400, 600)
LEAST_MARKS = 4
SHORT_STEPS = tuple(round(0.1 + 0.2 * i, 2) for i in range(10))
WRONG_MM = 3.0


def charts() -> dict[str, Plan]:
    """Return charts of several pages and cells."""
    small = {"page_mm": (125.0, 150.0), "cell_mm": (13.0, 9.0), "strip_mm": (60.0, 8.0), "controls": 2}
    a5 = {"page_mm": (148.0, 210.0), "strip_mm": (100.0, 10.0)}
    return {
        "A4": chart_of(20),
        "A4, small cells": chart_of(24, cell_mm=(12.0, 9.0)),
        "A4, large cells": chart_of(8, cell_mm=(40.0, 25.0), controls=2),
        "letter": chart_of(20, page_mm=(215.9, 279.4)),
        "A5": chart_of(20, **a5),
        "A5, strip upright": chart_of(
            10, page_mm=(148.0, 210.0), cell_mm=(13.0, 9.0), strip_mm=(150.0, 10.0)
        ),
        "small": chart_of(14, **small),
    }


@dataclass(frozen=True)
class Bed:
    """A picture and the sheets on it, each with the shift (2,) and the turn in which it was pasted."""

    pixels: NDArray[np.uint8]
    sheets: list[tuple[Plan, SimulatedScan, NDArray[np.float64]]]


@dataclass
class Tally:
    """What is counted of each kind."""

    sheets: Counter[str] = field(default_factory=Counter)
    read: Counter[str] = field(default_factory=Counter)
    hopeless: Counter[str] = field(default_factory=Counter)
    rescued: Counter[str] = field(default_factory=Counter)
    off_mm: list[float] = field(default_factory=list)
    scale_off: list[float] = field(default_factory=list)
    marks: list[tuple[int, int]] = field(default_factory=list)
    swatches: int = 0
    wrong: int = 0
    covered: int = 0
    unfit: int = 0
    photos: int = 0


def printer_of(kind: str, page: Page, rng: np.random.Generator) -> Printer:
    """Return the printer's faults of one kind of scan."""
    printer = Printer()
    every = kind == "everything"
    if kind == "poor print" or every:
        half = 0.5 if every else 1.0
        printer = replace(
            printer,
            pale=float(rng.uniform(0, 0.7)) * half,
            streaks=int(rng.integers(0, 150) * half),
            streak_mm=float(rng.uniform(0.1, 0.3)),
            bands=float(rng.choice([0.0, 0.3, 0.6])) * half,
            band_mm=float(rng.uniform(1.5, 6.0)),
            pinholes=float(rng.choice([0.0, 40.0, 150.0])) * half,
            patchy=float(rng.choice([0.0, 0.15, 0.35])) * half,
        )
    if kind == "marks lost" or every:
        most = len(page.marks) - LEAST_MARKS
        lost = int(rng.integers(1, most + 1)) if not every else int(rng.integers(0, most))
        ids = rng.choice([mark.id for mark in page.marks], size=lost, replace=False)
        printer = replace(printer, hidden=tuple(int(i) for i in ids))
    if kind == "fit to page, stretched" or every:
        printer = replace(
            printer, scale=float(rng.uniform(0.93, 1.07)), stretch=float(rng.uniform(-0.01, 0.01))
        )
    return printer


def laying_of(kind: str, plan: Plan, page: Page, rng: np.random.Generator) -> Laying:
    """Return how the page lies in one kind of scan."""
    lid = float(rng.choice([0.86, 0.86, 0.03]))
    turn = (
        float(rng.uniform(0, 360))
        if rng.random() < 0.6
        else float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 1))
    )
    every = kind == "everything"
    laying = Laying(turn_deg=turn, lid=lid)
    if kind == "cropped":
        # A page that was laid down straight, its edges beyond what is scanned.
        quarter = int(rng.integers(4))
        size = plan.page_mm if quarter % 2 == 0 else plan.page_mm[::-1]
        cut = rng.uniform(0, 20, 2) * (rng.random(2) < 0.7)
        side = rng.choice([-1, 1], 2)
        bed = (size[0] - float(cut[0]), size[1] - float(cut[1]))
        offset = (float(side[0] * cut[0] / 2), float(side[1] * cut[1] / 2))
        laying = replace(
            laying, turn_deg=90.0 * quarter + float(rng.normal(0, 0.8)), bed_mm=bed, offset_mm=offset
        )
    if kind == "larger bed" or (every and max(plan.page_mm) < 250):
        turned = np.radians(laying.turn_deg)
        need = np.abs([[np.cos(turned), np.sin(turned)], [np.sin(turned), np.cos(turned)]]) @ np.array(
            plan.page_mm
        )
        bed = (216.0, 297.0) if (need < (216, 297)).all() else (297.0, 432.0)
        room = np.maximum((np.array(bed) - need) / 2, 0.0)
        offset = tuple(float(v) for v in rng.uniform(-1, 1, 2) * room)
        laying = replace(laying, bed_mm=bed, offset_mm=(offset[0], offset[1]))
    if kind == "thumb and stains" or every:
        laying = replace(laying, stains=stains_on(plan, page, rng))
    return laying


def stains_on(plan: Plan, page: Page, rng: np.random.Generator) -> tuple[Stain, ...]:
    """Return one or two thumbs at the sheet's edges, each on a mark, and translucent spots, all clear of the strip."""
    spots = []
    for mark in rng.choice(np.array(page.marks, dtype=object), size=int(rng.integers(1, 3)), replace=False):
        x, y = mark.x_mm + rng.uniform(-3, 13), mark.y_mm + rng.uniform(-3, 13)
        spots.append(Stain(float(x), float(y), float(rng.uniform(6, 11)), opaque=True))
    for _ in range(int(rng.integers(0, 5))):
        x, y = rng.uniform(5, plan.page_mm[0] - 5), rng.uniform(5, plan.page_mm[1] - 5)
        spots.append(
            Stain(float(x), float(y), float(rng.uniform(4, 15)), density=float(rng.uniform(0.05, 0.4)))
        )
    return tuple(spot for spot in spots if not touches(spot, page.strip.grown(3.0)))


def touches(spot: Stain, box: Box) -> bool:
    """Tell whether a spot touches a rectangle."""
    x, y = np.clip(spot.x_mm, box.x_mm, box.right_mm), np.clip(spot.y_mm, box.y_mm, box.bottom_mm)
    return bool(np.hypot(spot.x_mm - x, spot.y_mm - y) < 1.05 * spot.radius_mm)


def scan_of(plan: Plan, number: int, kind: str, seed: int, dpi: float) -> SimulatedScan:
    """Simulate one sheet."""
    rng = np.random.default_rng(seed)
    page = plan.pages[number - 1]
    printer, laying = printer_of(kind, page, rng), laying_of(kind, plan, page, rng)
    # A short strip has fewer steps, the lightest of them darker than paper.
    short = max(plan.strip_mm) < 90
    strip = Strip(
        densities=SHORT_STEPS if short else STEPS,
        size_mm=plan.strip_mm,
        offset_mm=(float(rng.uniform(-1, 1)), float(rng.uniform(-1, 1))),
        turn_deg=float(rng.uniform(-1, 1)),
        reversed=bool(rng.random() < 0.5),
    )
    session = Session(printer=printer, laying=laying, strip=strip, scanner=Scanner(bits=8), seed=seed)
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=seed % 50)}
    return simulate_page(plan, number, inks, session, dpi=dpi)


def beside(scans: Sequence[tuple[Plan, SimulatedScan]], gap_px: int) -> Bed:
    """Paste scans side by side on one bed."""
    height = max(scan.pixels.shape[0] for _, scan in scans)
    parts, sheets, x = [], [], 0
    for plan, scan in scans:
        lid = np.median(scan.pixels[:3, :3].reshape(-1, 3), axis=0).astype(np.uint8)
        rows, columns = scan.pixels.shape[:2]
        part = np.empty((height, columns + gap_px, 3), np.uint8)
        part[:] = lid
        part[:rows, :columns] = scan.pixels
        sheets.append((plan, scan, np.array([x, 0.0])))
        parts.append(part)
        x += part.shape[1]
    return Bed(np.concatenate(parts, axis=1), sheets)


def bed_of(kind: str, plans: dict[str, Plan], seed: int, number: int) -> tuple[str, Plan, Bed, float]:
    """Return the size's name, the plan that is asked for, the bed, and its dpi."""
    rng = np.random.default_rng(seed)
    names = list(plans)
    several = KINDS.index(kind) >= KINDS.index("two pages")
    name = str(rng.choice(names if not several else ["A5", "small"]))
    plan = plans[name]
    dpi = float(DPIS[int(rng.integers(len(DPIS)))])
    if several or (name in ("A4, small cells", "A4, large cells", "letter") and dpi > 300):
        dpi = min(dpi, 200.0)
    if name == "small" and number % 3 == 0 and not several:
        dpi = 1200.0 if kind in ("poor print", "any turn", "everything") else 600.0
    if not several:
        scan = scan_of(plan, int(rng.integers(len(plan.pages))) + 1, kind, seed, dpi)
        return name, plan, Bed(scan.pixels, [(plan, scan, np.zeros(2))]), dpi
    worn = "poor print" if rng.random() < 0.4 else "any turn"
    one = scan_of(plan, 1, worn, seed, dpi)
    if kind == "two pages":
        other = (plan, scan_of(plan, 2, worn, seed + 500_000, dpi))
    elif kind == "same page twice":
        other = (plan, scan_of(plan, 1, worn, seed + 500_000, dpi))
    else:
        alien = chart_of(
            15, page_mm=plan.page_mm, strip_mm=plan.strip_mm, cell_mm=(13.0, 9.0), seed=int(rng.integers(99))
        )
        other = (alien, scan_of(alien, 1, worn, seed + 500_000, dpi))
    pair = [(plan, one), other]
    if rng.random() < 0.5:
        pair.reverse()
    return name, plan, beside(pair, int(rng.integers(0, 40))), dpi


def seen_marks(plan: Plan, scan: SimulatedScan) -> int:
    """Return how many marks of a sheet are whole in the picture."""
    truth, session = scan.truth, scan.truth.session
    count = 0
    for mark in plan.pages[truth.page - 1].marks:
        box = mark.box
        corners = truth.to_px(
            [
                [box.x_mm, box.y_mm],
                [box.right_mm, box.y_mm],
                [box.right_mm, box.bottom_mm],
                [box.x_mm, box.bottom_mm],
            ]
        )
        inside = (corners > 0).all() and (corners < np.array(scan.pixels.shape[1::-1]) - 1).all()
        thumb = any(spot.opaque and touches(spot, box) for spot in session.laying.stains)
        under, _ = cv2.intersectConvexConvex(corners.astype(np.float32), truth.strip_px.astype(np.float32))
        count += bool(inside and not thumb and under <= 0 and mark.id not in session.printer.hidden)
    return count


def wrong_cells(swatches: Sequence[Swatch], truth: ScanTruth) -> tuple[int, int]:
    """Return how many unflagged swatches read as another cell's ink, and how many of them a stain or thumb touches."""
    scanner = Settings("", "").scanner
    names = list(truth.cells)
    true = np.array([truth.cells[name].film.lab for name in names])
    wrong = covered = 0
    for swatch in swatches:
        if swatch.flags or swatch.patch is None:
            continue
        distance = delta_e_2000(true, scanner.to_lab(swatch.patch.linear))
        own = distance[names.index(swatch.cell.cell)]
        if own > 2.0 and own > distance.min() + 1.0:
            stained = any(touches(spot, swatch.cell.box) for spot in truth.session.laying.stains)
            wrong += not stained
            covered += stained
    return wrong, covered


def off_mm(page: PageReading, scan: SimulatedScan, shift: NDArray[np.float64]) -> float:
    """Return how far, at most, a cell's middle is from where it truly is."""
    middles = np.array([[c.x_mm + c.width_mm / 2, c.y_mm + c.height_mm / 2] for c in page.frame.page.cells])
    off = page.frame.to_pixels(middles) - shift - scan.truth.to_px(middles)
    return float(np.hypot(*off.T).max()) / (scan.truth.dpi / 25.4)


def read_bed(plan: Plan, bed: Bed, dpi: float) -> list[tuple[PageReading, list[Swatch]]]:
    """Write a bed to a file and measure it."""
    caught: list[tuple[PageReading, list[Swatch]]] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bed.tif"
        write_scan(path, bed.pixels, dpi)
        densities = np.sort(bed.sheets[0][1].truth.strip_densities)
        measure(
            plan,
            [path],
            strip_of(densities),
            Settings("simulated", "2026-01-01"),
            on_page=lambda reading, swatches: caught.append((reading, list(swatches))),
        )
    return caught


def judge(
    tally: Tally, kind: str, plan: Plan, bed: Bed, found: list[tuple[PageReading, list[Swatch]]]
) -> list[str]:
    """Count one bed; return what is to be said of it."""
    said, rest = [], list(found)
    ours = [(scan, shift) for owner, scan, shift in bed.sheets if owner.chart == plan.chart]
    for owner, scan, shift in bed.sheets:
        if owner.chart != plan.chart:
            continue
        marks = seen_marks(owner, scan)
        enough = marks >= LEAST_MARKS
        (tally.sheets if enough else tally.hopeless)[kind] += 1
        # Of the same page twice, each reading belongs to the sheet that it lies nearest to.
        here = [
            (off_mm(page, scan, shift), page, swatches)
            for page, swatches in rest
            if page.frame.page.page == scan.truth.page
            and off_mm(page, scan, shift)
            == min(off_mm(page, *other) for other in ours if other[0].truth.page == scan.truth.page)
        ]
        if not here:
            said.append(f"page {scan.truth.page} with {marks} marks was not read")
            continue
        off, page, swatches = min(here, key=lambda each: each[0])
        rest = [each for each in rest if each[0] is not page]
        (tally.read if enough else tally.rescued)[kind] += 1
        if page.photo is not None:
            tally.photos += 1
            said.append("it was taken for a photograph")
        tally.off_mm.append(off)
        tally.marks.append((page.frame.marks, marks))
        printer, size = scan.truth.session.printer, page.printed.scale
        tally.scale_off.append(abs((size or 0) / (printer.scale * np.sqrt(1 + printer.stretch)) - 1))
        tally.swatches += sum(not s.flags for s in swatches)
        wrong, covered = wrong_cells(swatches, scan.truth)
        if off > WRONG_MM:
            wrong = sum(not s.flags for s in swatches)
        tally.wrong += wrong
        tally.covered += covered
        if wrong or off > 0.3:
            said.append(f"{wrong} wrong cells, off by {off:.2f} mm with {page.frame.marks} marks of {marks}")
    if rest:
        tally.wrong += sum(not s.flags for _, swatches in rest for s in swatches)
        said.append(f"{len(rest)} pages read that are not there")
    return said


def main(scans: int = 44, first_seed: int = FIRST_SEED) -> None:
    """Print how many sheets of each kind were read, and every failure."""
    plans = charts()
    tally = Tally()
    for number in range(scans):
        kind = KINDS[number % len(KINDS)]
        name, plan, bed, dpi = bed_of(kind, plans, first_seed + number, number)
        found: list[tuple[PageReading, list[Swatch]]] = []
        error = ""
        try:
            found = read_bed(plan, bed, dpi)
        except CalibError as failure:
            error = f": exit {failure.exit_code}, {failure}"
            tally.unfit += failure.exit_code == UnfitError.exit_code
        for words in judge(tally, kind, plan, bed, found):
            print(f"scan {number}, {kind}, {name}, {dpi:.0f} dpi: {words}{error}", flush=True)
        if number % 50 == 49 or number == scans - 1:
            report(tally, number + 1)


def report(tally: Tally, scans: int) -> None:
    """Print the figures so far."""
    print(f"--- {scans} scans")
    for kind in KINDS:
        few = (
            f", and {tally.rescued[kind]} of {tally.hopeless[kind]} with fewer"
            if tally.hopeless[kind]
            else ""
        )
        print(f"{kind:24s} {tally.read[kind]} of {tally.sheets[kind]} sheets read{few}")
    total, read = sum(tally.sheets.values()), sum(tally.read.values())
    print(f"sheets with four marks: {read} of {total} read ({100 * read / max(1, total):.1f} %)")
    print(
        f"unflagged swatches: {tally.swatches}, in a wrong cell {tally.wrong}; misread under a stain or thumb {tally.covered}"
    )
    print(f"refused as not fit to measure: {tally.unfit} scans; taken for photographs: {tally.photos} sheets")
    marks = np.array(tally.marks)
    off, scale = (
        np.percentile(tally.off_mm, [50, 95, 100]),
        100 * np.percentile(tally.scale_off, [50, 95, 100]),
    )
    print(f"frame off by {off[0]:.3f} mm (median), {off[1]:.3f} (95 %), {off[2]:.3f} (most)")
    print(f"printed size off by {scale[0]:.2f} % (median), {scale[1]:.2f} (95 %), {scale[2]:.2f} (most)")
    print(f"marks found {marks[:, 0].sum()} of {marks[:, 1].sum()} whole ones", flush=True)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:3]))
