"""Makes charts/ and examples/ again: the kept script behind every file that the repository ships.

    python tests/make_examples.py             all of it
    python tests/make_examples.py charts      the ready-to-print charts only
    python tests/make_examples.py carriers    the example's colour card and the ready-to-print carriers only
    python tests/make_examples.py table       the table and the pictures, from the scans that are there
    python tests/make_examples.py answers     the other tables, which the answers compare with it
    python tests/make_examples.py report      the picture of the report, which needs Chromium and the extra 'browser'

The marker lists and the strip files are written by hand and only read here. Everything else is made
by the program itself, the scans by its simulator on the real PDF pages: nobody coloured them.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
from make_answers import make_tables
from numpy.typing import NDArray

from calib.chart.plan import Plan
from calib.chart.planfile import read_carrier, read_plan
from calib.cli.main import cli
from calib.colour.colorimetry import xyz_to_lab
from calib.colour.reference import read_strip
from calib.synthetic.card import invented_card
from calib.synthetic.drawer import invent_inks
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import CardLaying, Hand, Laying, Printer, Scanner, Session, Strip
from calib.synthetic.writing import write_scan

ROOT = Path(__file__).resolve().parents[1]
CHARTS, EXAMPLES = ROOT / "charts", ROOT / "examples"

# What is typed, in the folder named first. tests/test_readme.py types it again and compares.
CHART_COMMANDS: tuple[tuple[Path, tuple[str, ...]], ...] = (
    (CHARTS, ("chart", "markers-48.csv", "-o", "markers-48-a4.pdf")),
    (CHARTS, ("chart", "markers-48.csv", "--page", "letter", "-o", "markers-48-letter.pdf")),
    (EXAMPLES, ("chart", "markers.csv", "--cell", "25x14", "-o", "chart.pdf")),
    (EXAMPLES, ("chart", "markers.csv", "--pick", "12", "--from", "colours.csv", "-o", "few.pdf")),
)
CARRIER_COMMANDS: tuple[tuple[Path, tuple[str, ...]], ...] = (
    (CHARTS, ("carrier", "../examples/card.csv", "-o", "carrier-a4.pdf")),
    (CHARTS, ("carrier", "../examples/card.csv", "--page", "letter", "-o", "carrier-letter.pdf")),
)
MEASURE_COMMAND = (
    *("measure", "chart.json", "scan-1.png", "scan-2.jpg", "--strip", "strip.csv"),
    *("--paper", "smooth card", "--session", "2026-03-14", "--dried", "24", "-o", "colours.csv"),
)

# The small mistakes of an honest afternoon: marker and coats of a cell left empty, of one half
# filled; a pen that runs dry; page 2 laid upside down on the glass. All in this script are invented.
BLANK, HALF = ("008", 2), ("027", 1)
DRY = {"016": 0.3}
DPI = 200
# The scanner of all the example's scans: filters as a camera has them, whose colours a card puts right.
KIND = "camera-1"
# Of the invented cards, one whose 24 patches lie well apart.
CARD = invented_card(4, 6, seed=87)
CARD_NOTE = "Invented: no card looks like this. Lab under D50 and the 2 degree observer, by the simulator's sums over spectra."
# One page as PNG, one as the best kind of JPEG: both are read, and together they stay small. A coarser JPEG
# takes the noise off the paper and leaves its light in whole steps, too coarse to show the scattered light.
SCANS = (
    ("scan-1.png", Laying(turn_deg=0.7), Strip(), None),
    (
        "scan-2.jpg",
        Laying(turn_deg=181.1, offset_mm=(-0.9, 0.6)),
        Strip(offset_mm=(-0.6, 0.4), turn_deg=-0.5, reversed=True),
        99,
    ),
)


def calib(words: Sequence[str], folder: Path) -> None:
    """Type a calib command in a folder."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        cli.main(args=list(words), prog_name="calib", standalone_mode=False)
    finally:
        os.chdir(before)


def render(pdf: Path, page: int, dpi: float) -> NDArray[np.uint8]:
    """Return page (from 1) of a PDF as RGB (rows, columns, 3)."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        return np.ascontiguousarray(
            document[page - 1].render(scale=dpi / 72, rev_byteorder=True).to_numpy()[..., :3]
        )
    finally:
        document.close()


def make_charts() -> None:
    for folder, words in CHART_COMMANDS:
        calib(words, folder)


def make_carriers() -> None:
    """Write what the example's colour card looks like, and the carriers of cards of its size."""
    (EXAMPLES / "card.csv").write_text(card_file(), encoding="utf-8")
    for folder, words in CARRIER_COMMANDS:
        calib(words, folder)


def card_file() -> str:
    """Return the file of the example's card."""
    rows = [
        f"{row + 1},{column + 1},{L:.2f},{a:.2f},{b:.2f},"
        for (row, column), (L, a, b) in zip(CARD.place.tolist(), xyz_to_lab(CARD.xyz).tolist(), strict=True)
    ]
    rows[0] += f'"{CARD_NOTE}"'
    return "\n".join(["row,column,L,a,b,note", *rows]) + "\n"


def make_scans() -> None:
    plan = read_plan(EXAMPLES / "chart.json")
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=2)}
    hand = Hand(blank=_cells(plan, *BLANK), half=_cells(plan, *HALF), dry_marker=DRY)
    densities = tuple(read_strip(EXAMPLES / "strip.csv").density)
    for number, (name, laying, strip, quality) in enumerate(SCANS, 1):
        session = Session(
            hand=hand,
            printer=Printer(scale=0.998, streaks=1),
            strip=Strip(
                densities, offset_mm=strip.offset_mm, turn_deg=strip.turn_deg, reversed=strip.reversed
            ),
            laying=laying,
            scanner=Scanner(kind=KIND, bits=8, hairs=1),
            seed=20 + number,
        )
        picture = render(EXAMPLES / "chart.pdf", number, 2 * DPI)
        scan = simulate_page(plan, number, inks, session, dpi=DPI, picture=picture)
        write_scan(EXAMPLES / name, scan.pixels, DPI, jpeg_quality=quality)
    make_card_scan()


def make_card_scan() -> None:
    """Scan the example's card on its carrier, laid a little askew, as finely as the pages but packed smaller."""
    carrier = read_carrier(CHARTS / "carrier-a4.json")
    session = Session(
        strip=Strip(tuple(read_strip(EXAMPLES / "strip.csv").density)),
        card=CardLaying(offset_mm=(0.8, -0.6), turn_deg=0.7, dust=6),
        laying=Laying(turn_deg=-0.5),
        scanner=Scanner(kind=KIND, bits=8),
        seed=30,
    )
    picture = render(CHARTS / "carrier-a4.pdf", 1, 2 * DPI)
    scan = simulate_page(carrier.plan, 1, {}, session, dpi=DPI, picture=picture, card=CARD)
    write_scan(EXAMPLES / "carrier-scan.jpg", scan.pixels, DPI, jpeg_quality=98)


def _cells(plan: Plan, marker: str, layers: int) -> tuple[str, ...]:
    found = [
        cell.cell
        for page in plan.pages
        for cell in page.cells
        if (cell.marker, cell.layers) == (marker, layers)
    ]
    assert len(found) == 1, f"{marker} is a control marker; choose another for the mistake"
    return tuple(found)


def make_table() -> None:
    calib(MEASURE_COMMAND, EXAMPLES)
    with tempfile.TemporaryDirectory() as folder:
        # The same once more for its pictures; the shipped table names no folder that is not shipped.
        words = [
            *MEASURE_COMMAND[:-1],
            str(Path(folder) / "colours.csv"),
            "--proof",
            str(Path(folder) / "proof"),
        ]
        calib(words, EXAMPLES)
        proof = cv2.imread(str(Path(folder) / "proof" / "page-01.png"))
    save_small(EXAMPLES / "proof.png", _resized(proof, 790))
    save_small(EXAMPLES / "overview.png", overview(proof))


def overview(proof: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return one corner of page 1 three times: as printed, as scanned, as read (BGR)."""
    per_mm = proof.shape[1] / 210.0
    head = _head_mm(proof)
    printed = render(EXAMPLES / "chart.pdf", 1, per_mm * 25.4)[..., ::-1]
    plan = read_plan(EXAMPLES / "chart.json")
    scan = cv2.imread(str(EXAMPLES / "scan-1.png"))
    x, y, width, height = _corner(plan)
    parts = [printed, _straightened(scan, proof, per_mm, head), proof[round(head * per_mm) :]]
    left, top, right, bottom = (round(side * per_mm) for side in (x, y, x + width, y + height))
    cut = [part[top:bottom, left:right] for part in parts]
    gap = np.full((cut[0].shape[0], 24, 3), 255, np.uint8)
    return _resized(np.hstack([cut[0], gap, cut[1], gap, cut[2]]), 1100)


def _head_mm(proof: NDArray[np.uint8]) -> float:
    """Return how high the words above the page are, in its millimetres, by the marks on the picture."""
    from calib.scan.pages import find_pages

    codes = np.ascontiguousarray(proof[..., ::-1])
    (frame,) = find_pages(codes, read_plan(EXAMPLES / "chart.json"), "proof")
    return float(frame.to_pixels(np.zeros((1, 2)))[0, 1]) / (proof.shape[1] / 210.0)


def _corner(plan: Plan) -> tuple[float, float, float, float]:
    """Return x, y, width, height in mm of three markers below each other, the blank cell in the last."""
    cells = [
        cell for cell in plan.pages[0].cells if cell.marker in ("002", "005", "008") and cell.repeat == 1
    ]
    x, y = min(cell.x_mm for cell in cells) - 3, min(cell.y_mm for cell in cells) - 9
    return (
        x,
        y,
        max(cell.box.right_mm for cell in cells) + 5.5 - x,
        max(cell.box.bottom_mm for cell in cells) + 3.5 - y,
    )


def _straightened(
    scan: NDArray[np.uint8], proof: NDArray[np.uint8], per_mm: float, head: float
) -> NDArray[np.uint8]:
    """Return the scan turned straight, by the marks that the plan names."""
    from calib.scan.pages import find_pages

    plan = read_plan(EXAMPLES / "chart.json")
    codes = np.ascontiguousarray(scan[..., ::-1])
    (frame,) = find_pages(codes, plan, "scan-1.png")
    to_picture = np.diag([per_mm, per_mm, 1.0]) @ np.linalg.inv(frame.matrix)
    size = (proof.shape[1], proof.shape[0] - round(head * per_mm))
    return np.asarray(
        cv2.warpPerspective(scan, to_picture, size, flags=cv2.INTER_LINEAR, borderValue=(255, 255, 255))
    )


def _resized(picture: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    height = round(picture.shape[0] * width / picture.shape[1])
    return np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA))


def save_small(path: Path, picture: NDArray[np.uint8]) -> None:
    """Save a picture (BGR) for looking at: the scanner's noise, most of a PNG's bytes, is smoothed away."""
    calm = cv2.bilateralFilter(picture, 7, 16, 3)
    # Even steps in all channels keep greys grey, which a palette does not.
    rounded = (np.rint(calm / 4.0) * 4).clip(0, 255).astype(np.uint8)
    done, data = cv2.imencode(".png", rounded, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    assert done
    path.write_bytes(data.tobytes())


def make_report() -> None:
    """Make the picture of the top of the page that ``calib report`` makes of the example's table."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        page = Path(scratch, "report.html")
        calib(("report", "colours.csv", "-o", str(page)), EXAMPLES)
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        window = browser.new_page(viewport={"width": 1180, "height": 1060})
        window.goto(page.as_uri())
        # A tooltip open shows that there are some.
        window.locator("article:nth-child(2) .chip").first.hover()
        # Where there was no room below the chip the page has moved up.
        window.evaluate("scrollTo(0, 0)")
        picture = Path(scratch, "report.png")
        window.screenshot(path=picture)
        browser.close()
        save_small(EXAMPLES / "report.png", _resized(cv2.imread(str(picture)), 1000))


def main(words: Sequence[str]) -> None:
    steps = {
        "charts": make_charts,
        "carriers": make_carriers,
        "scans": make_scans,
        "table": make_table,
        "answers": lambda: make_tables(EXAMPLES, calib, render),
        "report": make_report,
    }
    for name in words or steps:
        print(f"making {name}", file=sys.stderr)
        steps[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
