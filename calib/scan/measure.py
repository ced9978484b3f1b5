"""Scans of a chart's pages to the measured colour table: the order of the work."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import calib
from calib.chart.plan import Plan
from calib.colour.colorimetry import prepare
from calib.colour.reference import Strip
from calib.errors import CalibError, InputError, NotFoundError
from calib.scan.doubts import HandScatter, Sheets
from calib.scan.image import file_sha256, read_pictures
from calib.scan.reading import read_picture
from calib.scan.rows import Session, rows_of
from calib.scan.scanner import Scanner
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch, read_swatches
from calib.scan.tone import Tone
from calib.table.origin import Origin, Scan
from calib.table.table import Table

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Settings:
    """What the user says of a measurement. dried: hours, None where not known."""

    paper: str
    session: str
    dried: float | None = None
    force: bool = False
    scanner: Scanner = field(default_factory=Scanner)


@dataclass(frozen=True)
class PageFacts:
    """What is kept of a page after its pixels are gone."""

    file: str
    sha256: str
    page: int
    paper: Array
    black: Array | None
    pixels: int
    report: dict[str, Any]
    tone: Tone
    u_gain: float


@dataclass(frozen=True)
class Measured:
    """The table, and sentences for the user about what was ignored or is missing."""

    table: Table
    warnings: tuple[str, ...]


OnPage = Callable[[PageReading, Sequence[Swatch]], None]
OnFile = Callable[[int, int, str], None]


def measure(
    plan: Plan,
    scans: Sequence[Path],
    strip: Strip | None,
    settings: Settings,
    on_page: OnPage | None = None,
    on_file: OnFile | None = None,
) -> Measured:
    """Measure all pages that the scans show into one table.

    on_page is called with every page while its pixels are there, for proof pictures; on_file
    before every file with its number, the count and its name, for progress. Raises the CalibError
    of the scans that could not be used, all of them in one message.
    """
    # Importing takes half a second, which the reading of the files can cover.
    threading.Thread(target=prepare, daemon=True).start()
    digests = _digests(scans)
    markers = {marker.marker: marker for marker in plan.markers}
    facts: list[PageFacts] = []
    swatches: list[Swatch] = []
    warnings: list[str] = []
    failures: list[CalibError] = []
    for number, (path, digest) in enumerate(zip(scans, digests, strict=True), 1):
        if on_file:
            on_file(number, len(scans), Path(path).name)
        try:
            for picture in read_pictures(path, digest):
                warnings += [f"{picture.name}: {note}" for note in picture.notes]
                for page in read_picture(picture, plan, strip, settings.force):
                    warnings += page.warnings
                    found = read_swatches(page, markers, settings.scanner)
                    swatches += found
                    facts.append(_facts(page))
                    if on_page:
                        on_page(page, found)
        except CalibError as error:
            failures.append(error)
    _raise(failures)
    warnings += _missing(plan, facts, swatches)
    session = Session(
        settings.paper,
        settings.session,
        settings.scanner,
        strip is None,
        any(f.report["forced"] for f in facts),
    )
    rows, scatter = rows_of(swatches, plan.markers, _sheets(facts), session)
    return Measured(Table(tuple(rows), _origin(plan, facts, strip, settings, scatter)), tuple(warnings))


def _digests(scans: Sequence[Path]) -> list[str]:
    """Return the SHA-256 of each file; refuse the very same file given twice.

    It would pass for a second scan, and make the doubt smaller than it is.
    """
    seen: dict[str, Path] = {}
    failures: list[CalibError] = []
    for path in scans:
        try:
            digest = file_sha256(path)
            if digest in seen:
                raise InputError.of(
                    Path(path),
                    f"is the same file as {seen[digest]}",
                    "Give each scan once; scan a page again to average it.",
                )
            seen[digest] = Path(path)
        except CalibError as error:
            failures.append(error)
    _raise(failures)
    return list(seen)


def _raise(failures: Sequence[CalibError]) -> None:
    """Raise what went wrong with the scans: one failure as it is, several in one message."""
    if not failures:
        return
    if len(failures) == 1:
        raise failures[0]
    # The first kind decides the exit code; the words of all of them are said.
    raise CalibError.joined(failures)


def _facts(page: PageReading) -> PageFacts:
    lighting = page.lighting
    strip = page.strip
    report: dict[str, Any] = {
        "scan": page.picture.name,
        "page": page.frame.page.page,
        "bits": page.picture.bits,
        "jpeg_quality": page.picture.jpeg,
        "profile": page.decode.name,
        "dpi_measured": round(page.frame.pixels_per_mm * 25.4, 1),
        "marks": page.frame.marks,
        "marks_residual_mm": round(page.frame.residual_mm, 4),
        "falloff": round(lighting.falloff(), 4),
        "lighting_residual": round(lighting.residual, 5),
        "u_lighting": round(lighting.u_gain, 5),
        "flare": round(float(lighting.flare.sum()), 5),
        "u_flare": round(lighting.u_flare, 5),
        "paper_tiles": int((lighting.weight > 0).sum()),
        "forced": page.forced,
        "photo": page.photo is not None,
    }
    if strip is not None:
        report |= {
            "strip_along_mm": round(strip.place.along, 2),
            "strip_across_mm": round(strip.place.across, 2),
            "strip_degrees": round(strip.place.angle, 2),
            "strip_reversed": strip.place.reversed,
            "tone_residual_L": round(page.tone.residual, 3),
            "tone_curve": page.tone.curves[1].name,
        }
    return PageFacts(
        page.picture.path.name,
        page.picture.sha256,
        page.frame.page.page,
        page.paper,
        page.black,
        int((lighting.weight > 0).sum()),
        report,
        page.tone,
        lighting.u_gain,
    )


def _sheets(facts: Sequence[PageFacts]) -> Sheets:
    blacks = [fact.black for fact in facts if fact.black is not None]
    return Sheets(
        paper=np.mean([fact.paper for fact in facts], axis=0),
        black=np.mean(blacks, axis=0) if blacks else None,
        tones=tuple(fact.tone for fact in facts),
        u_gain=float(np.sqrt(np.mean([fact.u_gain**2 for fact in facts]))),
        pixels=sum(fact.pixels for fact in facts),
        photo=any(fact.report["photo"] for fact in facts),
    )


def _missing(plan: Plan, facts: Sequence[PageFacts], swatches: Sequence[Swatch]) -> list[str]:
    """Return sentences about pages not scanned and cells left blank."""
    if not facts:
        raise NotFoundError("no page of the chart was found in these scans")
    found = {fact.page for fact in facts}
    absent = [str(page.page) for page in plan.pages if page.page not in found]
    words = []
    if absent:
        words.append(
            f"page {', '.join(absent)} of chart {plan.chart} was not scanned; its markers have no rows"
        )
    readable = {(s.cell.marker, s.cell.layers) for s in swatches if s.has_colour}
    blank = dict.fromkeys((s.cell.marker, s.cell.layers) for s in swatches)
    left = [f"{marker} ({layers})" for marker, layers in blank if (marker, layers) not in readable]
    if left:
        shown = ", ".join(left[:12]) + (f" and {len(left) - 12} more" if len(left) > 12 else "")
        words.append(
            f"no colour was read for {len(left)} of the markers' cells, by marker and coats: {shown}"
        )
    return words


def _origin(
    plan: Plan, facts: Sequence[PageFacts], strip: Strip | None, settings: Settings, scatter: HandScatter
) -> Origin:
    pages: dict[tuple[str, str], list[int]] = {}
    for fact in facts:
        pages.setdefault((fact.file, fact.sha256), []).append(fact.page)
    flare = [fact.report["flare"] for fact in facts]
    return Origin(
        program=f"calib {calib.__version__}",
        chart=plan.chart,
        scans=tuple(Scan(name, digest, tuple(found)) for (name, digest), found in pages.items()),
        strip=(
            {"kind": "none"}
            if strip is None
            else {"file": strip.name, "kind": strip.kind, "steps": len(strip.widths)}
        ),
        scanner=settings.scanner.described(),
        lighting={"pages": [fact.report for fact in facts]},
        flare={
            "mean": round(float(np.mean(flare)), 5),
            "u": max(fact.report["u_flare"] for fact in facts),
        },
        scatter={
            "relative_dose": round(scatter.dose.sd, 5),
            "degrees_of_freedom": scatter.dose.freedom,
            "relative_rest": round(scatter.rest, 5),
            "from": "repeated swatches" if scatter.dose.freedom else "assumed, no repeated swatches",
        },
        dates={"session": settings.session, "dried_hours": settings.dried},
        settings={"paper": settings.paper, "force": settings.force},
    )
