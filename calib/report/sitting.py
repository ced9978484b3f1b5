"""One paper on one day as the page shows it: its cards, its maps, what was flagged and how far to trust it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.report.chips import Card, Chip, cards_of, chip_of, coats_words, families_of, sets_of
from calib.report.gaps import gaps_of
from calib.report.plots import Frame, colour_plots
from calib.report.trust import trust_in_short, trust_words
from calib.table.flags import FLAGS
from calib.table.sessions import Session
from calib.table.table import Reading

Array = NDArray[np.float64]

# Of these a sentence on the whole sheet is said, where all its rows have them.
WHOLE_SHEET = frozenset({"no-strip", "photo", "forced", "predicted"})
UNKNOWN = "A word that this version of the program does not know."


@dataclass(frozen=True)
class Cell:
    """A flagged swatch: its chip if it has a colour, its picture as scanned (a data URI) if there is one, and its other flags."""

    marker: str
    name: str
    coats: str
    chip: Chip | None
    picture: str
    also: tuple[str, ...]


@dataclass(frozen=True)
class Reason:
    """A flag with its sentence and the swatches that have it; elsewhere: those that stand below a graver flag, (marker, name, coats)."""

    flag: str
    sentence: str
    cells: tuple[Cell, ...]
    elsewhere: tuple[tuple[str, str, str], ...]

    @property
    def count(self) -> int:
        """How many swatches have the flag."""
        return len(self.cells) + len(self.elsewhere)


@dataclass(frozen=True)
class Sitting:
    """One paper on one day. plots: SVG of a*b* and of L*C*; gaps, trust, short: sentences."""

    id: str
    called: str
    paper: str
    date: str
    white: Chip | None
    black: Chip | None
    cards: tuple[Card, ...]
    families: tuple[str, ...]
    sets: tuple[str, ...]
    plots: tuple[str, str]
    gaps: tuple[str, ...]
    reasons: tuple[Reason, ...]
    flagged: int
    trust: tuple[tuple[str, str], ...]
    short: str

    @property
    def swatches(self) -> int:
        """How many swatches have a colour."""
        return sum(len(card.chips) for card in self.cards)

    @property
    def pictured(self) -> bool:
        """Whether every flagged swatch has its picture."""
        return all(cell.picture for reason in self.reasons for cell in reason.cells)


def shown(session: Session) -> tuple[list[Reading], Array]:
    """Return the rows that plots show, and their Lab (n, 3)."""
    rows = [row for row in session.rows if row.lab is not None and row.kind == "ink" and row.keeps_colour]
    return rows, np.array([row.lab for row in rows], dtype=float).reshape(-1, 3)


def sitting_of(
    session: Session, ident: str, pictures: Mapping[tuple[str, int], str], frame: Frame
) -> Sitting:
    """Return a session as the page shows it.

    ident: begins its ids in the page. pictures: of swatches as scanned, by marker and layers. frame: of all plots of the page.
    """
    white = session.white.lab if session.white is not None else None
    cards = cards_of(session)
    rows, lab = shown(session)
    called = [f"{row.marker} {row.name}, {coats_words(row.layers)}" for row in rows]
    gaps = gaps_of(lab, white, called)
    named = [f"{one}, L {row.L:.0f}" for one, row in zip(called, rows, strict=True)]
    reasons = _reasons(session, pictures)
    return Sitting(
        ident,
        session.called or "Swatches",
        session.paper,
        session.date,
        _end(session.white, None),
        _end(session.black, white),
        cards,
        families_of(cards),
        sets_of(cards),
        colour_plots(lab, [row.layers for row in rows], ident, named, gaps, frame),
        gaps.sentences,
        reasons,
        sum(len(reason.cells) for reason in reasons),
        trust_words(session),
        trust_in_short(session),
    )


def _end(row: Reading | None, white: tuple[float, float, float] | None) -> Chip | None:
    return None if row is None or row.lab is None else chip_of(row, white)


def _reasons(session: Session, pictures: Mapping[tuple[str, int], str]) -> tuple[Reason, ...]:
    """Return what was flagged, flag by flag, those first that cost the colour. That a colour is beyond the screen stands beside its chip."""
    white = session.white.lab if session.white is not None else None
    sets = [frozenset(row.flags) for row in session.rows]
    left_out = {"out-of-srgb"} | (WHOLE_SHEET & frozenset.intersection(*sets) if sets else frozenset())
    found: dict[str, Reason] = {}
    known = list(FLAGS)
    words = sorted(
        frozenset().union(*sets) - left_out,
        key=lambda flag: (
            flag not in FLAGS,
            flag in FLAGS and FLAGS[flag].keeps_colour,
            known.index(flag) if flag in FLAGS else 0,
            flag,
        ),
    )
    for flag in words:
        found[flag] = Reason(flag, FLAGS[flag].sentence if flag in FLAGS else UNKNOWN, (), ())
    for row in session.rows:
        own = [flag for flag in words if flag in row.flags]
        coats = coats_words(row.layers)
        for flag in own[:1]:
            chip = None if row.lab is None else chip_of(row, white)
            picture = pictures.get((row.marker, row.layers), "")
            cell = Cell(row.marker, row.name, coats, chip, picture, tuple(own[1:]))
            found[flag] = replace(found[flag], cells=(*found[flag].cells, cell))
        for flag in own[1:]:
            one = (row.marker, row.name, coats)
            found[flag] = replace(found[flag], elsewhere=(*found[flag].elsewhere, one))
    return tuple(found.values())
