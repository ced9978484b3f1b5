"""All markers on a new paper from a few swatches on it: two tables in, a predicted one out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib import __version__
from calib.answers.carrying.carry import PAPER_DOUBT, swatches_of, with_paper
from calib.answers.carrying.choice import Learned, learn
from calib.answers.carrying.families import FEWEST, Lesson
from calib.answers.carrying.model import Seen
from calib.answers.carrying.row import ink_rows, paper_row
from calib.answers.carrying.steady import steadied
from calib.answers.films import Films, Left, films_of, light_of, measured
from calib.answers.sound import sound_rows
from calib.errors import InputError
from calib.table.sessions import Session, sessions_of
from calib.table.table import Reading, Table

Array = NDArray[np.float64]
Key = tuple[str, int]

# How well stated variances are known, as the standard deviation of their logarithm: where a table states none, not
# at all; where it does not say from how many repeats, about as well as a chart's controls tell.
UNSTATED, USUAL = 3.0, 0.5
# No more swatches are learned from than these, because the work grows with the cube of their number. Half as many were
# still worse by 7 per cent of the error, a quarter by 14 (measured on invented tables of 240 markers), so it is not for less.
MOST_TAUGHT = 400


@dataclass(frozen=True, eq=False)
class Prediction:
    """A whole table on a new paper.

    table: measured rows of the new paper as they are, all others predicted. measured, predicted: how many of each,
    swatches only. full, few: the sessions. keys: marker and layers of the rows that the model predicts, in its
    order. learned: the model with its errors. trained: swatches learned from, of very many a part. left: rows of the known paper that
    could not be carried over. warnings: sentences.
    """

    table: Table
    full: Session
    few: Session
    measured: int
    predicted: int
    keys: tuple[Key, ...]
    learned: Learned
    trained: int
    left: tuple[Left, ...]
    warnings: tuple[str, ...]


def predict(full: Table, few: Table) -> Prediction:
    """Return all markers of one table on the paper of another that holds a few of them.

    full: many markers on a known paper; few: some of the same on the new one. Raises InputError where they have no
    marker and number of coats in common.
    """
    warnings: list[str] = []
    new = _session(few, None, warnings)
    old = _session(full, new, warnings)
    # What was predicted teaches nothing, however well it agrees with itself.
    read = measured(films_of(new))
    known = steadied(measured(films_of(old)), _noise_known(old))
    common = [key for key in read.by_key if key in known.by_key]
    if not common:
        raise InputError.of(
            few.path or Path("the second table"),
            f"has no usable swatch in common with {old.file or 'the first table'}",
            "Colour some markers of the first table on the new paper, with as many coats, and measure them.",
        )
    white = _white(new, old, warnings)
    if old.white is None or old.white.kind != "paper":
        file = old.file or "The first table"
        warnings.append(f"{file} has no row of bare paper; its lightest row is taken for it.")
    keys = list(known.by_key)
    lesson = _lesson(known, read, keys, _taught(known, common), white)
    learned = learn(lesson)
    trained = int(learned.lesson.swatches.sum())
    names = {number: key[0] for key, number in zip(keys, lesson.known.marker.tolist(), strict=False)}
    warnings += _doubts(learned, names, new)
    rows, unsound = sound_rows(_rows(learned, keys, known, (old, new), white))
    warnings += unsound
    order, replaced = _ordered(old, new, rows)
    if replaced:
        warnings.append(f"Could not be used on {new.paper} and are predicted instead: {_list(replaced)}.")
    table = Table((*_sheet(few, new), *order), _origin(few, (old, new), learned, trained), None)
    predicted = sum("predicted" in row.flags for row in order)
    unread = {(row.marker, row.layers) for row in order}
    left = tuple(
        one
        for one in known.left
        if (one.marker, one.layers) not in unread and not one.why.startswith("is a blender")
    )
    return Prediction(
        table,
        old,
        new,
        len(order) - predicted,
        predicted,
        tuple(keys),
        learned,
        trained,
        left,
        tuple(warnings),
    )


def _session(table: Table, new: Session | None, warnings: list[str]) -> Session:
    """Return the session of a table with the most usable swatches; of the known paper's never the new one itself."""
    sessions = sessions_of([table])
    own = (new.paper, new.date) if new is not None else None
    usable = [one for one in sessions if (one.paper, one.date) != own] or list(sessions)
    best = max(usable, key=lambda one: (len(films_of(one).by_key), one.date, one.paper))
    if len(usable) > 1:
        file = best.file or "One table"
        warnings.append(f"{file} holds {len(usable)} papers or sessions; {best.called} has most and is used.")
    return best


def _white(new: Session, old: Session, warnings: list[str]) -> Array:
    """Return Lab of the new paper's white, from what the table has."""
    white = new.white
    if white is not None and white.lab is not None and white.kind in ("paper", "blender"):
        if white.kind == "blender":
            warnings.append(
                f"{new.file or 'The second table'} has no row of bare paper; the blender's is taken."
            )
        return np.array(white.lab)
    # The lightest of a few coloured swatches is no paper, so the known one's white is the better guess.
    warnings.append(
        f"{new.file or 'The second table'} has no row of bare paper, so that of {old.paper} is taken. "
        "Measure a whole page: its paper is read by itself."
    )
    return np.array(old.white.lab if old.white is not None else (95.0, 0.0, 0.0), dtype=float)


def _lesson(known: Films, read: Films, keys: list[Key], common: list[Key], white: Array) -> Lesson:
    old, new = known.session, read.session
    assert old.white is not None
    paper_lab = np.array(old.white.lab, dtype=float)
    swatches = with_paper(swatches_of([known.by_key[key] for key in keys], known.paper), paper_lab)
    seen = Seen(
        np.array([*(read.by_key[key].lab for key in common), white]),
        np.array([*(read.by_key[key].covariance for key in common), PAPER_DOUBT**2 * np.eye(3)]),
    )
    learned = np.array([*(keys.index(key) for key in common), len(keys)], dtype=np.int64)
    noise_known = UNSTATED if known.assumed or read.assumed else max(map(_noise_known, (old, new)))
    return Lesson(swatches, learned, seen, _light(new, white), noise_known)


def _taught(known: Films, common: list[Key]) -> list[Key]:
    """Return the swatches to learn from: all in common, or of very many those of markers evenly along their lightness.

    The same ones in whatever order the rows stand.
    """
    if len(common) <= MOST_TAUGHT:
        return common
    own: dict[str, Array] = {}
    for key in sorted(common, key=lambda one: one[1]):
        own.setdefault(key[0], known.by_key[key].lab)
    order = np.lexsort(np.array(list(own.values())).T[::-1])
    even = np.linspace(0, len(order) - 1, MOST_TAUGHT * len(own) // len(common)).round().astype(int)
    kept = {list(own)[i] for i in order[even]}
    return [key for key in common if key[0] in kept]


def _noise_known(session: Session) -> float:
    """Return how well a session's stated variances are known: of n degrees of freedom to sqrt(2 / n)."""
    return min(UNSTATED, float(np.sqrt(2 / session.freedom))) if session.freedom else USUAL


def _light(new: Session, white: Array) -> Array:
    """Return the linear light of the new paper."""
    row = new.white
    if row is not None and row.lab is not None and tuple(white) == row.lab:
        return light_of(row)
    return light_of(Reading("paper", 0, "", "", L=white[0], a=white[1], b=white[2]))


def _rows(
    learned: Learned, keys: list[Key], known: Films, sessions: tuple[Session, Session], white: Array
) -> dict[Key, Reading]:
    """Return a predicted row for every usable swatch of the known paper, and its blenders."""
    old, new = sessions
    lab, covariance = learned.predict()
    bases = [replace(known.by_key[key].reading, paper=new.paper, session=new.date) for key in keys]
    n = len(keys)
    start = (learned.trial.light[:n], learned.trial.rows.start[:n])
    rows = dict(zip(keys, ink_rows(bases, lab[:n], covariance[:n], start, white), strict=True))
    for key, row in old.by_key.items():
        if row.kind == "blender" and row.lab is not None:
            rows[key] = paper_row(replace(row, paper=new.paper, session=new.date), new.white, white)
    return rows


def _ordered(old: Session, new: Session, rows: dict[Key, Reading]) -> tuple[list[Reading], list[str]]:
    """Return the rows in the order of the known table, measured ones as they are, and then what only the new one has.

    And the names of swatches of the new paper that were of no use and had to be predicted.
    """
    order, replaced = [], []
    for key in old.by_key:
        own = new.by_key.get(key)
        useful = own is not None and own.keeps_colour and "predicted" not in own.flags
        if own is not None and (useful or key not in rows):
            order.append(own)
        elif key in rows:
            order.append(rows[key])
            if own is not None:
                replaced.append(f"{key[0]} ({' '.join(own.flags) or 'no colour'})")
    return [*order, *(row for key, row in new.by_key.items() if key not in old.by_key)], replaced


def _sheet(few: Table, new: Session) -> list[Reading]:
    """Return the rows of the new paper and its printed black."""
    return [
        row
        for row in few.readings
        if row.kind in ("paper", "black") and (row.paper, row.session) == (new.paper, new.date)
    ]


def _doubts(learned: Learned, names: dict[int, str], new: Session) -> list[str]:
    found = []
    if learned.wrong:
        found.append(
            f"Not learned from, because it is far from what all others say of {new.paper}: "
            f"{_list([names[number] for number in learned.wrong])}. Look whether another pen was used."
        )
    count = len(set(learned.lesson.markers.tolist()))
    if count < FEWEST:
        found.append(
            f"Only {count} {'marker' if count == 1 else 'markers'} in common: the paper's white and one strength "
            "is all that can be learned, and how good that is cannot be told. Colour some 24."
        )
    return found


def _list(names: Sequence[str], most: int = 8) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _origin(few: Table, sessions: tuple[Session, Session], learned: Learned, trained: int) -> Any:
    """Return the origin of the few swatches, and how the others came about."""
    old, new = sessions
    details = {
        "from": {"file": old.file, "paper": old.paper, "session": old.date, "chart": old.origin.chart},
        "by": {"file": new.file, "paper": new.paper, "session": new.date},
        "model": learned.trial.family.words,
        "weights": {name: round(weight, 3) for name, weight in learned.weights.items() if weight >= 0.001},
        "strength": None if learned.strength is None else round(learned.strength, 4),
        "swatches_learned_from": trained,
        "cross_validated_dE00": {name: round(value, 3) for name, value in learned.expected.items()},
        "expected_dE00": round(learned.error, 3),
        "expected_dE00_p95": round(learned.p95, 3),
    }
    return replace(
        few.origin,
        program=f"calib {__version__}",
        # The proof pictures stand beside the other table.
        proof="",
        details={**few.origin.details, "predicted": details},
    )
