"""Families of models (``ways``) fitted to the few swatches that were read on a new paper."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from calib.answers.carrying.carry import Carried, Law, Swatches, as_it_is, carried
from calib.answers.carrying.model import Fit, Form, Rows, Seen, Smooth, fit, most_likely
from calib.answers.carrying.ways import COAT, COLUMNS, FAMILIES, GUESSED, STRENGTH, SURFACE, Family
from calib.colour.colorimetry import delta_e_2000

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# With fewer markers than this a choice would be chance: white and one strength it is.
FEWEST = 3
# Forms are compared on no more rows than this, evenly taken, because the work grows with the cube.
MOST_COMPARED = 80


@dataclass(frozen=True, eq=False)
class Lesson:
    """What is to be learned from.

    known: all swatches of the known paper, and the bare paper. seen: what was read on the new one, of the rows
    learned (m,) of known. white: (3,) linear light of the new paper. noise_known: see ``model.most_likely``.
    """

    known: Swatches
    learned: Whole
    seen: Seen
    white: Array
    noise_known: float

    @property
    def swatches(self) -> NDArray[np.bool_]:
        """Which of the learned rows are swatches and not the bare paper (m,)."""
        return np.asarray(self.known.marker[self.learned] >= 0)

    @property
    def markers(self) -> Whole:
        """The numbers of the learned swatches' markers, the bare paper left out."""
        return self.known.marker[self.learned[self.swatches]]

    @property
    def layers(self) -> set[int]:
        """The numbers of coats of the learned swatches."""
        return set(self.known.layers[self.learned[self.swatches]].tolist())

    def without(self, marker: int) -> Lesson:
        """Return the lesson without one marker's swatches on the new paper."""
        keep = np.flatnonzero(self.known.marker[self.learned] != marker)
        return replace(self, learned=self.learned[keep], seen=self.seen.only(keep))


@dataclass(frozen=True, eq=False)
class Trial:
    """One family as it did.

    law: what it takes the paper to do to all inks alike, before anything else. rows: all of the known paper, light:
    (n, 3) what they start from. errors: (m,) dE00 of what it says of each learned row without that row's marker.
    """

    family: Family
    law: Law
    rows: Rows
    light: Array
    fit: Fit
    errors: Array


def law_between(lesson: Lesson, several: bool = True) -> Law:
    """Return the law that carries the learned rows best onto what was seen (least squares in Lab).

    several: whether surface light and, where both coats were seen, the second coat's ink are sought too, or the
    strength alone. Each is held to what is expected of papers (``ways``).
    """
    rows, seen = lesson.known.only(lesson.learned), lesson.seen
    second = (rows.layers == 2).astype(float)
    sizes = np.array([STRENGTH, SURFACE, COAT])
    free = np.array([True, several, several and lesson.layers == {1, 2}])
    at = np.zeros(3)
    for _ in range(12):
        base = carried(rows, lesson.white, _law(at))
        off = seen.lab - base.lab
        ways = np.stack([base.along, base.by_surface, base.along * second[:, None]], axis=-1)[:, :, free]
        # A quarter of the squared residual stands for what no law explains; it keeps dark inks from ruling.
        weight = np.linalg.inv(
            seen.doubt + rows.noise(base.along) + (0.25 * np.mean(off**2) + 0.01) * np.eye(3)
        )
        pull = np.einsum("nip,nij,nj->p", ways, weight, off) - (at / sizes**2)[free]
        hold = np.einsum("nip,nij,njq->pq", ways, weight, ways) + np.diag(1 / sizes[free] ** 2)
        step = np.clip(np.linalg.solve(hold, pull), -sizes[free], sizes[free])
        at[free] += step
        if np.all(np.abs(step) < 1e-4 * sizes[free]):
            break
    return _law(at)


def _law(at: Array) -> Law:
    """Return the law of the logarithm of a strength, surface light, and the logarithm of what a second coat adds."""
    return Law(float(np.exp(at[0])), float(at[1]), float(np.exp(at[2])))


def trials(lesson: Lesson) -> list[Trial]:
    """Return every family fitted to the lesson, from the simplest to the richest."""
    laws = {
        "as it is": Law(),
        "white": Law(),
        "strength": law_between(lesson, False),
        "law": law_between(lesson),
    }
    bases = {
        name: carried(lesson.known, lesson.white, law) if name != "as it is" else as_it_is(lesson.known)
        for name, law in laws.items()
    }
    few = len(set(lesson.markers.tolist())) < FEWEST
    found = []
    for family in FAMILIES:
        if few and family.name not in ("direct", "strength"):
            continue
        if family.name == "coats" and lesson.layers != {1, 2}:
            continue
        columns = family.columns
        if family.name in ("strength", "map") and lesson.layers != {1, 2}:
            # Nothing seen tells how much another coat leaves; its doubt stays.
            columns = (*columns, "coats")
        base = bases[family.base]
        rows = rows_of(lesson.known, base, columns)
        form = form_of(lesson, family, rows)
        done = fit(rows.only(lesson.learned), lesson.seen, form)
        errors = delta_e_2000(done.unseen, lesson.seen.lab)
        found.append(Trial(family, laws[family.base], rows, base.light, done, errors))
    return found


def rows_of(known: Swatches, base: Carried, columns: tuple[str, ...]) -> Rows:
    """Return swatches carried over and the ways in which they may move besides, ready for a model."""
    none = [np.zeros((len(known), 3, 0))]
    sure = none + [COLUMNS[name](known, base) for name in columns if name not in GUESSED]
    guessed = none + [COLUMNS[name](known, base) for name in columns if name in GUESSED]
    first, second = (np.concatenate(parts, axis=2) for parts in (sure, guessed))
    return Rows(known.lab, base.lab, first, second, known.noise(base.along), known.marker)


def form_of(lesson: Lesson, family: Family, rows: Rows) -> Form:
    """Return the settings of a family that have most evidence."""
    learned = rows.only(lesson.learned)
    every = np.arange(len(learned.lab))
    if len(every) > MOST_COMPARED:
        # Evenly along their lightness, and so the same ones in whatever order the rows stand.
        even = np.linspace(0, len(every) - 1, MOST_COMPARED).round().astype(np.int64)
        every = np.lexsort(learned.lab.T[::-1])[even]
    smooths = [Smooth(s, r) for s, r in product((0.1, 0.3, 1.0, 3.0, 8.0), (1.0, 2.0, 4.0))]
    forms = [
        Form(*each)
        for each in product(
            smooths if family.smooth else [None],
            (0.1, 0.3, 1.0, 3.0) if GUESSED & set(family.columns) else (1.0,),
            (0.03, 0.1, 0.3, 1.0, 2.0) if lesson.noise_known > 1 else (0.5, 1.0, 2.0),
            (0.02, 0.1, 0.3, 1.0) if family.smooth else (0.02, 0.1, 0.3, 0.6, 1.0, 2.0, 4.0, 8.0),
        )
    ]
    return most_likely(learned.only(every), lesson.seen.only(every), forms, lesson.noise_known)
