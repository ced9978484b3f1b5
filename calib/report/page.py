"""Measured tables to one HTML page: the order of the work.

The page needs nothing but itself: style, script and pictures stand in it, and its content policy forbids the browser to fetch anything.
It is whole without the script, which only sorts, searches and filters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.report.chips import Card, Chip, cards_of, chip_of, families_of
from calib.report.doubles import Doubles, doubles_of
from calib.report.drift import Drifts, drifts_of
from calib.report.gaps import gaps_of
from calib.report.papers import Sheets, sheets_of_papers
from calib.report.pictures import pictures_of
from calib.report.plots import Frame, colour_plots, frame_of
from calib.report.trust import trust_words
from calib.table.flags import FLAGS
from calib.table.sessions import Session, sessions_of
from calib.table.table import Reading, Table

Array = NDArray[np.float64]

TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True)
class Flagged:
    """A row with flags: its chip if it has a colour, its picture as scanned (a data URI) if there is one, and why."""

    marker: str
    name: str
    coats: str
    chip: Chip | None
    picture: str
    reasons: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Sitting:
    """One paper on one day, as the page shows it. plots: SVG of a*b* and of L*C*; gaps, trust: sentences."""

    id: str
    called: str
    paper: str
    date: str
    white: Chip | None
    black: Chip | None
    cards: tuple[Card, ...]
    families: tuple[str, ...]
    swatches: int
    plots: tuple[str, str]
    gaps: tuple[str, ...]
    flagged: tuple[Flagged, ...]
    trust: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Page:
    """All that the template is given."""

    title: str
    program: str
    sittings: tuple[Sitting, ...]
    doubles: tuple[Doubles, ...]
    drift: Drifts | None
    papers: Sheets | None


def report_html(tables: Sequence[Table], program: str) -> str:
    """Return the page for one table or several, as HTML.

    program: name and version, said at the foot. The same tables and pictures give the same page. Nothing in it says where files lie.
    """
    found = _sessions(tables)
    # What is said from here on may name a file and never a folder.
    tables = [replace(table, path=Path(table.path.name)) if table.path else table for table in tables]
    frame = frame_of(np.vstack([_shown(session)[1] for session, _ in found]) if found else np.empty((0, 3)))
    sittings = tuple(
        _sitting(session, f"s{number}", pictures, frame)
        for number, (session, pictures) in enumerate(found, start=1)
    )
    papers = list(dict.fromkeys(sitting.paper for sitting in sittings))
    page = Page(
        f"Swatches on {' and '.join(papers)}",
        program,
        sittings,
        tuple(doubles_of(tables, paper) for paper in papers),
        drifts_of(tables),
        sheets_of_papers(tables),
    )
    return _rendered(page)


def _sessions(tables: Sequence[Table]) -> list[tuple[Session, Mapping[tuple[str, int], str]]]:
    return [(session, pictures_of(table)) for table in tables for session in sessions_of([table])]


def _shown(session: Session) -> tuple[list[Reading], Array]:
    """Return the rows that plots show, and their Lab (n, 3)."""
    rows = [row for row in session.rows if row.lab is not None and row.kind == "ink" and row.keeps_colour]
    return rows, np.array([row.lab for row in rows], dtype=float).reshape(-1, 3)


def _sitting(session: Session, ident: str, pictures: Mapping[tuple[str, int], str], frame: Frame) -> Sitting:
    white = session.white.lab if session.white is not None else None
    cards = cards_of(session)
    rows, lab = _shown(session)
    called = [f"{row.marker} {row.name}, {_coats(row)}, L {row.L:.0f}" for row in rows]
    gaps = gaps_of(lab, white, [text.rsplit(", L ", 1)[0] for text in called])
    return Sitting(
        ident,
        session.called or "Swatches",
        session.paper,
        session.date,
        chip_of(session.white, None) if session.white is not None and white is not None else None,
        chip_of(session.black, white)
        if session.black is not None and session.black.lab is not None
        else None,
        cards,
        families_of(cards),
        sum(len(card.chips) for card in cards),
        colour_plots(lab, [row.layers for row in rows], ident, called, gaps, frame),
        gaps.sentences,
        tuple(_flagged(session, pictures)),
        trust_words(session),
    )


def _coats(row: Reading) -> str:
    return "1 coat" if row.layers == 1 else f"{row.layers} coats"


def _flagged(session: Session, pictures: Mapping[tuple[str, int], str]) -> list[Flagged]:
    """Return the rows that something is to be said of. That a colour is beyond the screen is said beside its chip."""
    white = session.white.lab if session.white is not None else None
    common = (
        frozenset.intersection(*(frozenset(row.flags) for row in session.rows))
        if len(session.rows) > 1
        else frozenset()
    )
    found = []
    for row in session.rows:
        reasons = tuple(
            (flag, FLAGS[flag].sentence if flag in FLAGS else "A word that this version does not know.")
            for flag in row.flags
            if flag != "out-of-srgb" and flag not in common
        )
        if reasons:
            found.append(
                Flagged(
                    row.marker,
                    row.name,
                    _coats(row),
                    None if row.lab is None else chip_of(row, white),
                    pictures.get((row.marker, row.layers), ""),
                    reasons,
                )
            )
    return found


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

    def inlined(name: str) -> Any:
        # Style and script are our own files.
        return Markup((TEMPLATES / name).read_text(encoding="utf-8"))

    environment.globals["inlined"] = inlined
    # Plots are made by a library from numbers; the names of pens in them are escaped there.
    environment.filters["drawn"] = Markup
    return environment.get_template("report.html.j2").render(page=page)
