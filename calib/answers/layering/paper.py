"""One table's pens and overlays as the law of its paper: what ``calib layer`` knows before it is asked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Pen, Taken
from calib.answers.layering.law import Law
from calib.answers.layering.learning import Coats, learn_law, moved_by
from calib.answers.layering.stack import Colour, Ground, of_reading, predicted
from calib.answers.secondcoat.light import light_model
from calib.answers.shelf import Shelf
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import local_scale
from calib.overlays import KIND, pair_of
from calib.table.flags import FLAGS

Array = NDArray[np.float64]

STEPS = np.array([0.05, 0.1])


@dataclass(frozen=True, eq=False)
class Overlay:
    """A measured overlay: the pens below and on top, its colour, and how far its prediction was off, in dE00, before it was learned from."""

    under: Pen
    over: Pen
    colour: Colour
    miss: float


@dataclass(frozen=True, eq=False)
class Paper:
    """What is known of inks over each other on one paper. overlays: measured ones by the ids of both pens, the lower first."""

    ground: Ground
    law: Law
    overlays: dict[tuple[str, str], Overlay]


def paper_of(shelf: Shelf) -> Paper:
    """Return what a shelf's table tells of its paper."""
    taken = [one for pen in shelf.pens for one in pen.coats.values()]
    latest = max(taken, key=lambda one: one.number)
    films = latest.films
    white = films.session.white
    lab = (
        np.array(white.lab, dtype=float)
        if white is not None and white.lab is not None
        else np.array([100.0, 0, 0])
    )
    ground = Ground(films.paper, lab, light_model(films))
    law = learn_law(_coats(shelf, ground, taken))
    found = dict(_overlays(shelf, ground, law))
    if found:
        law = _moved(law, ground, list(found.values()))
    return Paper(ground, law, found)


def on_paper(taken: Taken, ground: Ground) -> Array:
    """Return a film's light (3,) as it would be on the answer's paper."""
    return np.asarray(taken.film.linear * ground.paper / taken.films.paper)


def _coats(shelf: Shelf, ground: Ground, taken: list[Taken]) -> Coats:
    both = [
        (pen.coats[1], pen.coats[2])
        for pen in shelf.pens
        if 1 in pen.coats
        and 2 in pen.coats
        and pen.coats[1].number == pen.coats[2].number
        and "predicted" not in (*pen.coats[1].film.reading.flags, *pen.coats[2].film.reading.flags)
        and pen.marker not in shelf.avoid
    ]
    one, two = (np.array([on_paper(pair[k], ground) for pair in both]).reshape(-1, 3) for k in (0, 1))
    read = np.array([pair[1].film.lab for pair in both]).reshape(-1, 3)
    labs = np.array([pair[0].film.lab for pair in both]).reshape(-1, 3)

    def misses(light: Array) -> Array:
        return np.asarray(delta_e_2000(ground.light.near(labs, one, light), read))

    every = np.array([on_paper(one, ground) for one in taken])
    # Both readings have the hand's chance in them, which is no fault of a law.
    doubts = np.array([pair[1].film.covariance for pair in both]).reshape(-1, 3, 3)
    by_hand = 2 * np.einsum("nij,nji->n", local_scale(read), doubts) if both else np.zeros(0)
    return Coats(ground.paper, one, two, every, misses, by_hand)


def _overlays(shelf: Shelf, ground: Ground, law: Law) -> Iterator[tuple[tuple[str, str], Overlay]]:
    """Yield the measured overlays of pens that were read, those of later sessions after those of earlier ones."""
    pens = {pen.marker: pen for pen in shelf.pens}
    for session in shelf.drawer.sessions:
        for row in session.rows:
            lost = any(flag in FLAGS and not FLAGS[flag].keeps_colour for flag in row.flags)
            pair = (
                pair_of(row.marker, pens.keys())
                if row.kind == KIND and row.lab is not None and not lost
                else None
            )
            if pair is not None:
                under, over = (pens[marker] for marker in pair)
                colour = of_reading(row)
                expected = predicted(law, ground, (under, over))
                yield pair, Overlay(under, over, colour, float(delta_e_2000(expected.lab, colour.lab)))


def _moved(law: Law, ground: Ground, overlays: list[Overlay]) -> Law:
    """Return the law as real overlays tell it."""
    off, slopes, covariance = [], [], []
    # The numbers' own doubt is what is being learned, and no reason to believe a reading less.
    sure = replace(law, doubt=np.diag([1e-8, 1e-8]))
    for one in overlays:
        stack = (one.under, one.over)
        expected = predicted(sure, ground, stack)
        off.append(one.colour.lab - expected.lab)
        ends = [
            [
                predicted(replace(sure, numbers=law.numbers + sign * step), ground, stack).lab
                for sign in (0.5, -0.5)
            ]
            for step in np.diag(STEPS)
        ]
        slopes.append(np.array([(up - down) / size for (up, down), size in zip(ends, STEPS, strict=True)]).T)
        covariance.append(expected.covariance + one.colour.covariance)
    return moved_by(law, np.array(off), np.array(slopes), np.array(covariance))
