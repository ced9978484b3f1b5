"""Measured tables to one HTML page: the order of the work.

The page needs nothing but itself: style, script and pictures stand in it, and its content policy forbids the browser to fetch anything.
It is whole without the script, which only sorts, searches and filters.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

import numpy as np

from calib.report.doubles import Doubles, doubles_of
from calib.report.drift import Drifts, drifts_of
from calib.report.glance import Line, lines_of
from calib.report.papers import Sheets, sheets_of_papers
from calib.report.pictures import pictures_of
from calib.report.plots import frame_of
from calib.report.sitting import Sitting, shown, sitting_of
from calib.table.sessions import Session, sessions_of
from calib.table.table import Table

TEMPLATES = Path(__file__).parent / "templates"
# So many cards a browser lays out at once without being felt (measured on Chromium: 1200 of them take half a second).
MOST_AT_ONCE = 200


@dataclass(frozen=True)
class Page:
    """All that the template is given. lines: what stands out, each with the part of the page that says more."""

    title: str
    program: str
    lines: tuple[Line, ...]
    sittings: tuple[Sitting, ...]
    doubles: tuple[Doubles, ...]
    drift: Drifts | None
    papers: Sheets | None

    @property
    def large(self) -> bool:
        """Whether a browser had better not lay out all of it at once."""
        return sum(len(sitting.cards) for sitting in self.sittings) > MOST_AT_ONCE


def report_html(tables: Sequence[Table], program: str) -> str:
    """Return the page for one table or several, as HTML.

    program: name and version, said at the foot. The same tables and pictures give the same page. Nothing in it says where files lie.
    """
    found = _sessions(tables)
    # What is said from here on may name a file and never a folder.
    tables = [replace(table, path=Path(table.path.name)) if table.path else table for table in tables]
    frame = frame_of(np.vstack([shown(session)[1] for session, _ in found]) if found else np.empty((0, 3)))
    sittings = tuple(
        sitting_of(session, f"s{number}", pictures, frame)
        for number, (session, pictures) in enumerate(found, start=1)
    )
    papers = list(dict.fromkeys(sitting.paper for sitting in sittings))
    doubles = tuple(doubles_of(tables, paper) for paper in papers)
    drift, sheets = drifts_of(tables), sheets_of_papers(tables)
    lines = lines_of(sittings, doubles, drift, sheets)
    title = f"Swatches on {' and '.join(paper for paper in papers if paper)}" if any(papers) else "Swatches"
    return _rendered(Page(title, program, lines, sittings, doubles, drift, sheets))


def _sessions(tables: Sequence[Table]) -> list[tuple[Session, Mapping[tuple[str, int], str]]]:
    return [(session, pictures_of(table)) for table in tables for session in sessions_of([table])]


def _rendered(page: Page) -> str:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )

    # Style and script are our own files. The browser runs the script by its hash alone (W3C Content Security Policy, level 3, 2.3.1),
    # so that nothing else could run even if it came into the page.
    style, script = ((TEMPLATES / name).read_text(encoding="utf-8") for name in ("report.css", "report.js"))
    hashed = b64encode(sha256(script.encode("utf-8")).digest()).decode("ascii")
    environment.globals.update(style=Markup(style), script=Markup(script), script_hash=f"sha256-{hashed}")
    # Plots are made by a library from numbers; the ids of pens in them are escaped there.
    environment.filters["drawn"] = Markup
    return environment.get_template("report.html.j2").render(page=page)
