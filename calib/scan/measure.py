"""Scans of a chart's pages to the measured colour table: the order of the work."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

import calib
from calib.chart.pairs import overlays_of
from calib.chart.plan import Plan
from calib.colour.reference import Strip
from calib.errors import CalibError, InputError, NotFoundError
from calib.scan.doubts import HandScatter, Sheets
from calib.scan.formats.claimed import pictures_claimed
from calib.scan.image import file_sha256
from calib.scan.memory import processes_for, threads_for
from calib.scan.onefile import Job, OnPage, PageFacts, PageRead, read_file
from calib.scan.rows import Session, rows_of
from calib.scan.scanner import Scanner
from calib.scan.swatch import Swatch
from calib.scan.workers import Ended, Workers
from calib.table.origin import Origin, Scan
from calib.table.table import Table


@dataclass(frozen=True)
class Settings:
    """What the user says of a measurement. dried: hours, None where not known."""

    paper: str
    session: str
    dried: float | None = None
    force: bool = False
    scanner: Scanner = field(default_factory=Scanner)


@dataclass(frozen=True)
class Measured:
    """The table, and sentences for the user about what was ignored or is missing."""

    table: Table
    warnings: tuple[str, ...]


OnFile = Callable[[int, int, str], None]
Keep = Callable[[int, Any], None]


def measure(
    plan: Plan,
    scans: Sequence[Path],
    strip: Strip | None,
    settings: Settings,
    on_page: OnPage | None = None,
    on_file: OnFile | None = None,
    keep: Keep | None = None,
) -> Measured:
    """Measure all pages that the scans show into one table, several pictures at a time where there are cores for it.

    on_page is called with every page while its pixels are there, for proof pictures; with more than
    one scan perhaps in another process, so that it must be picklable. keep is given the page's number and
    what on_page returned, in the order of the scans; on_file is called before every file with its number, the
    count and its name, for progress. Raises the CalibError of the scans that could not be used, all of them in one message.
    """
    # Importing takes half a second, which the reading of the files can cover.
    threading.Thread(target=_prepare, daemon=True).start()
    numbers = _numbers(scans)
    processes = processes_for([scans[index] for index, _ in numbers])
    if processes == 1:
        # Opened once, a file need not be looked through for each of its pictures.
        numbers = [(index, None) for index in range(len(scans))]
    work = partial(
        read_file, Job(plan, strip, settings.scanner, settings.force, on_page), threads_for(processes)
    )
    pages: list[PageRead] = []
    warnings: list[str] = []
    failures: list[CalibError] = []

    failed: set[int] = set()

    def starting(number: int) -> None:
        index, picture = numbers[number]
        if on_file and picture in (None, 1):
            on_file(index + 1, len(scans), Path(scans[index]).name)

    with Workers(work, processes) as workers:
        digests = _digests(scans)
        tasks = [(Path(scans[index]), digests[index], picture) for index, picture in numbers]
        for (index, _), read in zip(numbers, workers.results(tasks, starting), strict=True):
            # Nothing is said of what follows in a file that has failed, whoever has read it.
            if index in failed:
                continue
            if isinstance(read, Ended):
                failures.append(_ended(Path(scans[index]), read))
                failed.add(index)
                continue
            for page in read.pages:
                if keep:
                    keep(page.facts.page, page.made)
            pages += [replace(page, made=None) for page in read.pages]
            warnings += read.warnings
            if read.failure:
                failures.append(read.failure)
                failed.add(index)
    _raise(failures)
    facts = [page.facts for page in pages]
    swatches = [swatch for page in pages for swatch in page.swatches]
    warnings += _missing(plan, facts, swatches)
    session = Session(
        settings.paper,
        settings.session,
        settings.scanner,
        strip is None,
        any(f.report["forced"] for f in facts),
    )
    rows, scatter = rows_of(swatches, (*plan.markers, *overlays_of(plan)), _sheets(facts), session)
    return Measured(Table(tuple(rows), _origin(plan, facts, strip, settings, scatter)), tuple(warnings))


def _numbers(scans: Sequence[Path]) -> list[tuple[int, int | None]]:
    """Return what can be read by itself: the index of a scan, and the number of a picture in it, None where it holds one."""
    found: list[tuple[int, int | None]] = []
    for index, path in enumerate(scans):
        count = pictures_claimed(Path(path))
        found += [(index, None)] if count == 1 else [(index, number) for number in range(1, count + 1)]
    return found


def _prepare() -> None:
    """Import beforehand what is needed once the first page is decoded, beside work that waits for the disk.

    A failure is not said here: whoever needs the library next meets it again and can say it.
    """
    with contextlib.suppress(Exception):
        import scipy.interpolate
        import scipy.optimize  # noqa: F401


def _ended(path: Path, ended: Ended) -> InputError:
    return InputError.of(
        path,
        f"could not be read: the process that read it {ended}, twice",
        "It may need more memory than there is, or be damaged in a way that no reader expects. "
        "Measure it alone, scan it again at 300 dpi, or save it as PNG.",
    )


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
    readable = {(s.marker.marker, s.cell.layers) for s in swatches if s.has_colour}
    blank = dict.fromkeys((s.marker.marker, s.cell.layers) for s in swatches)
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
