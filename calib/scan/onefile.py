"""One scan file to all that is kept of it: the work that is shared out over the cores."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Plan
from calib.colour.reference import Strip
from calib.errors import CalibError
from calib.scan.image import read_pictures
from calib.scan.reading import read_picture
from calib.scan.scanner import Scanner
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch, read_swatches
from calib.scan.tone import Tone

Array = NDArray[np.float64]

OnPage = Callable[[PageReading, Sequence[Swatch]], Any]


@dataclass(frozen=True)
class Job:
    """What is the same for all scans of a run.

    on_page: called with every page while its pixels are there; what it returns is kept with the page.
    """

    plan: Plan
    strip: Strip | None
    scanner: Scanner
    force: bool = False
    on_page: OnPage | None = None


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
class PageRead:
    """A page of a scan: facts, swatches, and what the job's on_page made of it."""

    facts: PageFacts
    swatches: tuple[Swatch, ...]
    made: Any


@dataclass(frozen=True)
class FileRead:
    """All that is kept of a scan file. failure: why it, or the rest of it, could not be used."""

    pages: tuple[PageRead, ...]
    warnings: tuple[str, ...]
    failure: CalibError | None = None


def read_file(job: Job, threads: int, scan: tuple[Path, str]) -> FileRead:
    """Read all pages in a scan file. scan: its path and SHA-256. threads: for the swatches of a page."""
    path, digest = scan
    markers = {marker.marker: marker for marker in job.plan.markers}
    pages: list[PageRead] = []
    warnings: list[str] = []
    try:
        for picture in read_pictures(path, digest):
            warnings += [f"{picture.name}: {note}" for note in picture.notes]
            for page in read_picture(picture, job.plan, job.strip, job.force):
                warnings += page.warnings
                swatches = tuple(read_swatches(page, markers, job.scanner, threads))
                made = job.on_page(page, swatches) if job.on_page else None
                pages.append(PageRead(_facts(page), swatches, made))
    except CalibError as error:
        return FileRead(tuple(pages), tuple(warnings), error)
    return FileRead(tuple(pages), tuple(warnings))


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
