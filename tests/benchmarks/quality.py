"""What makes a scan unfit: each fault in rising strength, what is measured of it, the verdict, and what it costs the colours.

    python tests/benchmarks/quality.py faults [first seed] [part of a name]
    python tests/benchmarks/quality.py honest [pages] [first seed]
    python tests/benchmarks/quality.py strips [pages] [first seed]

Small pages (125 x 150 mm, cells of 13 x 9 mm) under four invented scanners. The cost is the dE00 between a swatch read from the
faulty scan (forced where it is refused) and from the same page without the fault; error is against the scanner's own light.
'dry' pages are coloured by pens that begin to dry (grain 0.1), and there only swatches without a flag count: what is read wrong and
not said. 'honest' counts refusals and words over varied pages without a driver's doing: papers, prints, lids, noise, resolutions,
lifted edges, JPEG 80 and better, mild sharpening, strips whose values err by 0.01. 'strips' reads such pages (at 200 dpi at most) by
the files of other strips, as many steps in the same order, and counts what is refused, told, and passed without a word.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from simulated import chart_of, strip_of

from calib.chart.plan import Plan
from calib.colour.colorimetry import delta_e_2000
from calib.errors import CalibError
from calib.scan.image import file_sha256, read_pictures
from calib.scan.reading import read_picture
from calib.scan.scanner import Scanner as ScannerModel
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch, read_swatches
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.synthetic.scan import SimulatedScan, simulate_page
from calib.synthetic.session import Hand, Laying, Printer, Scanner, Session, Strip
from calib.synthetic.writing import write_scan

DENSITIES = tuple(round(0.1 + 0.2 * i, 2) for i in range(10))
KINDS = ("colorimetric", "camera-1", "camera-2", "three-led")
MODEL = ScannerModel()
PLAN = chart_of(9, page_mm=(125.0, 150.0), cell_mm=(13.0, 9.0), strip_mm=(60.0, 8.0), controls=2)
# Pages behind each row.
SHEETS = 2
DRYING = Hand(grain=0.1, gaps=1.5)
# Name, knob, strengths (the first is none), other knobs; 'dpi' and 'file' are no scanner's. All at 300 dpi but where said.
FAULTS: tuple[tuple[str, str, tuple[object, ...], dict[str, object]], ...] = (
    ("blur, sd in mm", "blur_mm", (0.045, 0.1, 0.15, 0.2, 0.3, 0.4), {}),
    ("jerk, mm", "jerk_mm", (0.0, 0.4, 0.8, 1.2), {}),
    ("descreening, mm", "descreen_mm", (0.0, 0.2, 0.4, 0.8), {}),
    ("median of, px", "denoise", (0, 3, 5), {}),
    ("median, 150 dpi", "denoise", (0, 3, 5), {"dpi": 150.0}),
    ("dpi", "dpi", (300, 150, 120, 100, 75, 60), {}),
    ("sharpening", "sharpen", (0.0, 0.5, 1.0, 2.0), {}),
    ("sharpening, 3 px", "sharpen", (0.0, 0.3, 0.6, 1.2), {"sharpen_px": 3.0}),
    ("auto-contrast, each end", "auto_contrast", (0.0, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05), {}),
    ("whitening", "whiten", (0.0, 0.03, 0.06, 0.1), {}),
    ("JPEG file", "file", (None, 80, 60, 40, 30, 20, 10), {"bits": 8}),
    ("earlier JPEG", "packed", (None, 80, 60, 40, 30, 20, 10), {"bits": 8, "packed_at": (3, 5)}),
)


def main(what: str = "faults", *numbers: str) -> None:
    {"faults": faults, "honest": honest, "strips": strips}[what](
        *(int(n) if n.isdigit() else n for n in numbers)
    )  # type: ignore[operator]


def faults(first: int = 9500, which: str = "") -> None:
    """Print a row per fault, hand and strength. which: only the faults whose names hold this."""
    for name, knob, strengths, others in FAULTS:
        if which not in name:
            continue
        for hand in (Hand(), DRYING):
            plain: dict[int, dict[str, Swatch]] = {}
            for strength in strengths:
                print(_row(name, knob, strength, others, hand, first, plain), flush=True)


def _row(  # type: ignore[no-untyped-def]
    name: str, knob: str, strength: object, others: dict[str, object], hand: Hand, first: int, plain
) -> str:
    costs, wrongs, figures, verdicts = [], [], [], Counter[str]()
    for seed in range(first, first + SHEETS):
        knobs = {"dpi": 300.0, "file": None, **others, knob: strength}
        dpi, file = knobs.pop("dpi"), knobs.pop("file")
        scanner = Scanner(kind=KINDS[seed % 4], **knobs)  # type: ignore[arg-type]
        session = Session(hand=hand, scanner=scanner, strip=Strip(densities=DENSITIES), seed=seed)
        scan = _simulated(session, float(dpi))  # type: ignore[arg-type]
        page, swatches, verdict = _read(scan, file)  # type: ignore[arg-type]
        verdicts[verdict] += 1
        if page is None or page.quality is None:
            continue
        figures.append([float(v or 0) for v in page.quality.report.values()])
        best = plain.setdefault(seed, swatches)
        for cell, swatch in swatches.items():
            other = best[cell]
            if not (_counts(swatch) and _counts(other)) or (hand.grain and "mottled" in swatch.flags):
                continue
            assert swatch.patch is not None and other.patch is not None
            true = scan.truth.cells[cell].film.linear
            lab = MODEL.to_lab([swatch.patch.linear, other.patch.linear, true])
            costs.append(float(delta_e_2000(lab[0], lab[1])))
            wrongs.append(float(delta_e_2000(lab[0], lab[2])))
    words = ", ".join(f"{n} {verdict}" for verdict, n in verdicts.items())
    head = f"{name:18s} {'dry' if hand.grain else '   '} {strength!s:6s}"
    if not costs:
        return f"{head} {words}"
    edge, over, under, blocking, quality, black, dark, _ = np.mean(figures, axis=0)
    return (
        f"{head} edge {edge:.2f} over {over:.2f} under {under:.2f} blocking {blocking:.2f} packed {quality:3.0f} black {black:.2f}"
        f" dark {dark:.2f} | cost {np.mean(costs):.2f} p95 {np.percentile(costs, 95):.2f}"
        f" error {np.mean(wrongs):.2f} p95 {np.percentile(wrongs, 95):.2f} ({len(costs)}) | {words}"
    )


def _counts(swatch: Swatch) -> bool:
    return swatch.has_colour and "clipped" not in swatch.flags


def _simulated(session: Session, dpi: float, plan: Plan = PLAN) -> SimulatedScan:
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=session.seed)}
    return simulate_page(plan, 1, inks, session, dpi=dpi)


def _read(
    scan: SimulatedScan, jpeg: int | None, force: bool = True, densities: Sequence[float] = DENSITIES
) -> tuple[PageReading | None, dict[str, Swatch], str]:
    """Return the page of a scan saved as a file, its swatches, and the verdict in a word or the sentence."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / ("page.jpg" if jpeg else "page.tif")
        write_scan(path, scan.pixels, scan.truth.dpi, jpeg_quality=jpeg)
        (picture,) = read_pictures(path, file_sha256(path))
        try:
            (page,) = read_picture(picture, PLAN, strip_of(densities), force)
        except CalibError as error:
            return None, {}, f"exit {error.exit_code}" if force else f"exit {error.exit_code}: {error}"
    swatches = read_swatches(page, {m.marker: m for m in PLAN.markers}, MODEL) if force else []
    verdict = "refused" if page.forced else "a word" if page.notes else "fine"
    return page, {s.cell.cell: s for s in swatches}, verdict if force else " / ".join(page.notes)


def honest(pages: int = 120, first: int = 9600) -> None:
    """Print what was refused or told of honest pages, and how often."""
    refused = told = lost = 0
    for seed in range(first, first + pages):
        session, dpi, jpeg = varied(np.random.default_rng(seed), seed)
        page, _, words = _read(_simulated(session, dpi), jpeg, force=False)
        lost += "exit 4" in words
        refused += page is None and "exit 4" not in words
        told += page is not None and bool(words)
        if words:
            print(f"{seed} {dpi:.0f} dpi JPEG {jpeg} {session.scanner.kind}: {words}", flush=True)
    print(f"{pages} honest pages from seed {first}: {refused} unfit, {lost} not found, {told} with a word")


def others() -> dict[str, Sequence[float]]:
    """Return the densities that files of other strips state, or wrongly of this one, as many steps in the same order (invented)."""
    d = np.array(DENSITIES)
    multiples = {f"{times:g} times as dense": 0.05 + (d - 0.05) * times for times in (0.5, 0.667, 0.75)}
    multiples |= {f"{times:g} times as dense": 0.05 + (d - 0.05) * times for times in (1.333, 1.6, 2.0)}
    ranges = {
        f"even steps to {end:g}": np.linspace(start, end, 10) for start, end in ((0.05, 1.5), (0.07, 2.4))
    }
    wedges = {
        "uneven steps": np.array([0.06, 0.1, 0.17, 0.28, 0.42, 0.6, 0.82, 1.08, 1.4, 1.8]),
        "widening steps": 0.1 + 1.8 * np.linspace(0, 1, 10) ** 1.5,
    }
    white = {"counted from its white": d - 0.1, "counted from half its white": d - 0.05}
    return {name: np.round(file, 4) for name, file in {**multiples, **ranges, **wedges, **white}.items()}


def strips(pages: int = 72, first: int = 9800) -> None:
    """Print what became of pages that were read by another strip's file, one file a page in turn."""
    files = others()
    counts = {name: Counter[str]() for name in files}
    for seed in range(first, first + pages):
        session, dpi, jpeg = varied(np.random.default_rng(seed), seed)
        name = list(files)[seed % len(files)]
        scan = _simulated(session, min(dpi, 200.0))
        page, _, words = _read(scan, jpeg, force=False, densities=files[name])
        verdict = "refused" if page is None else "a word" if words else "silent"
        counts[name][verdict] += 1
        if verdict == "silent":
            print(f"{seed} {session.scanner.tone} {session.scanner.kind} {name}: silent", flush=True)
    for name, count in counts.items():
        print(f"{name:28s} " + ", ".join(f"{n} {verdict}" for verdict, n in sorted(count.items())))
    total = sum(counts.values(), Counter[str]())
    print(
        f"{pages} pages by wrong files from seed {first}: " + ", ".join(f"{n} {v}" for v, n in total.items())
    )


def varied(rng: np.random.Generator, seed: int) -> tuple[Session, float, int | None]:
    """Return an honest session, its resolution, and the quality of its JPEG or None (all ranges invented)."""

    def rarely(value: object, else_: object = 0.0, share: float = 0.3) -> object:
        return value if rng.random() < share else else_

    pick: Callable[..., float] = lambda low, high: float(rng.uniform(low, high))  # noqa: E731
    dpi = float(rng.choice([150, 200, 240, 300, 300, 400, 600]))
    jpeg = rarely(int(rng.choice([80, 85, 90, 95])), None)
    printer = Printer(
        black_L=pick(12, 28),
        pale=rarely(pick(0.05, 0.35)),  # type: ignore[arg-type]
        streaks=rarely(int(pick(5, 60)), 0),  # type: ignore[arg-type]
        pinholes=rarely(pick(5, 60)),  # type: ignore[arg-type]
        patchy=rarely(pick(0.05, 0.25)),  # type: ignore[arg-type]
    )
    laying = Laying(
        turn_deg=float(rng.choice([0.0, pick(-2, 2), pick(-2, 2), 90.0, 180.0, 271.0])),
        lid=float(rng.choice([0.86, 0.9, 0.6, 0.03])),
        margin_mm=pick(1, 8),
        lift_mm=rarely(pick(1, 4)),  # type: ignore[arg-type]
        lift_edge=str(rng.choice(["left", "right", "top", "bottom"])),
    )
    scanner = Scanner(
        kind=str(rng.choice(KINDS)),
        flare=pick(0.0, 0.035),
        falloff=pick(0.0, 0.06),
        blur_mm=pick(0.02, 0.1),
        noise_read=pick(0.0005, 0.004),
        noise_shot=pick(0.001, 0.009),
        columns=rarely(pick(0.001, 0.006)),  # type: ignore[arg-type]
        tone=str(rng.choice(["srgb", "srgb", "gamma 2.2", "gamma 1.8", "linear"])),
        sharpen=rarely(pick(0.05, 0.4)),  # type: ignore[arg-type]
        bits=8 if jpeg else int(rng.choice([8, 16])),
        dust=int(pick(0, 20)),
    )
    paper = SimPaper(texture=rarely(pick(0.005, 0.02)))  # type: ignore[arg-type]
    hand = Hand(grain=rarely(pick(0.05, 0.3)), gaps=pick(0, 2), scatter=pick(0.01, 0.05))  # type: ignore[arg-type]
    strip = Strip(densities=DENSITIES, errors=0.01, turn_deg=pick(-1, 1), reversed=bool(rng.random() < 0.5))
    return Session(paper, hand, printer, strip, laying=laying, scanner=scanner, seed=seed), dpi, jpeg  # type: ignore[arg-type]


if __name__ == "__main__":
    main(*sys.argv[1:])
