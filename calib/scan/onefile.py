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
from calib.scan.facts import report_of
from calib.scan.image import read_pictures
from calib.scan.reading import read_picture
from calib.scan.scanner import Scanner
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch, read_swatches
from calib.scan.tone import Tone

Array = NDArray[np.float64]

# Path and SHA-256 of a file, and the number of the one picture in it that is to be read, None for all of them.
Task = tuple[Path, str, int | None]
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


def read_file(job: Job, threads: int, scan: Task) -> FileRead:
    """Read the pages in a scan file, or in one of its pictures. threads: for the swatches of a page."""
    path, digest, only = scan
    markers = {marker.marker: marker for marker in job.plan.markers}
    pages: list[PageRead] = []
    warnings: list[str] = []
    try:
        for picture in read_pictures(path, digest, only):
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
    return PageFacts(
        page.picture.path.name,
        page.picture.sha256,
        page.frame.page.page,
        page.paper,
        page.black,
        int((page.lighting.weight > 0).sum()),
        report_of(page),
        page.tone,
        page.lighting.u_gain,
    )
