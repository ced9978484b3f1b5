"""Makes the tables that the answers of the manual are about: another day, another paper, a few pens on it, new pens.

Run through tests/make_examples.py (step 'answers'). As with the first session, the pages are coloured and scanned by
the simulator on the real PDF pages and read by the program; only the tables are shipped, since the scans are large and nobody
types their reading. Everything in this script is invented.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from calib.chart.planfile import read_plan
from calib.colour.reference import read_strip
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import Ink, SimPaper
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import Hand, Laying, Printer, Scanner, Session, Strip
from calib.synthetic.writing import write_scan

DPI = 200
KIND = "camera-1"
# What happens to the pens until autumn: two have lost ink, one runs dry, one has taken up ink of another.
FADED = {"015": 0.74, "023": 0.86}
DRY = {"031": 0.35}
TAINTED = {"005": ("019", 0.25)}
ROUGH = SimPaper(
    name="rough card", level=0.86, tint=0.05, gain=0.88, two_coat_exponent=1.65, mottle=1.7, bleed=1.6
)


@dataclass(frozen=True)
class Taking:
    """One chart coloured and scanned: which chart, on which paper, when, and what is odd about the pens."""

    chart: str
    paper: str
    date: str
    table: str
    seed: int
    sheet: SimPaper = field(default_factory=SimPaper)
    hand: Hand = field(default_factory=Hand)
    changed: Callable[[dict[str, Ink]], None] = lambda inks: None


def in_autumn(inks: dict[str, Ink]) -> None:
    """Let the pens age."""
    for marker, strength in FADED.items():
        inks[marker] = inks[marker].strengthened(strength)
    for marker, (other, share) in TAINTED.items():
        inks[marker] = inks[marker].tainted(inks[other], share)


TAKINGS = (
    Taking("chart", "smooth card", "2026-09-19", "autumn", 41, hand=Hand(dry_marker=DRY), changed=in_autumn),
    Taking("chart", "rough card", "2026-03-21", "rough", 43, ROUGH),
    Taking("few", "rough card", "2026-03-28", "few", 47, ROUGH),
    Taking("new-chart", "smooth card", "2026-04-02", "new", 53),
)
Type = Callable[[Sequence[str], Path], None]


def make_tables(examples: Path, calib: Type, render: Callable[..., object]) -> None:
    """Make the chart of the new pens, and all tables but the first; the chart of the few is one of the shipped ones."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file in ("new-markers.csv", "strip.csv"):
            (folder / file).write_bytes((examples / file).read_bytes())
        calib(("chart", "new-markers.csv", "-o", "new-chart.pdf"), folder)
        for stem in ("chart", "few"):
            for suffix in (".pdf", ".json"):
                (folder / f"{stem}{suffix}").write_bytes((examples / f"{stem}{suffix}").read_bytes())
        for taking in TAKINGS:
            _take(taking, folder, calib, render)
            for suffix in (".csv", ".csv-metadata.json"):
                (examples / f"{taking.table}{suffix}").write_bytes(
                    (folder / f"{taking.table}{suffix}").read_bytes()
                )


def _take(taking: Taking, folder: Path, calib: Type, render: Callable[..., object]) -> None:
    plan = read_plan(folder / f"{taking.chart}.json")
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=2)}
    taking.changed(inks)
    scans = []
    for page in range(1, len(plan.pages) + 1):
        session = Session(
            paper=taking.sheet,
            hand=taking.hand,
            printer=Printer(scale=0.998),
            strip=Strip(tuple(read_strip(folder / "strip.csv").density)),
            laying=Laying(turn_deg=0.3 * page),
            scanner=Scanner(kind=KIND, bits=8),
            seed=taking.seed + page,
        )
        picture = render(folder / f"{taking.chart}.pdf", page, 2 * DPI)
        scan = simulate_page(plan, page, inks, session, dpi=DPI, picture=picture)  # type: ignore[arg-type]
        scans.append(f"{taking.table}-{page}.png")
        write_scan(folder / scans[-1], scan.pixels, DPI)
    words = ("--strip", "strip.csv", "--paper", taking.paper, "--session", taking.date, "--dried", "24")
    calib(("measure", f"{taking.chart}.json", *scans, *words, "-o", f"{taking.table}.csv"), folder)
