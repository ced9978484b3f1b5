"""Inks laid over each other on paper: the colour of each step of a stack, with its doubt."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Pen, Taken
from calib.answers.films import LEAST_LIGHT, Film
from calib.answers.layering.law import Law, kept_shares
from calib.answers.secondcoat.light import LightModel
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import local_scale
from calib.colour.uncertainty import normal_draws
from calib.table.table import Reading

Array = NDArray[np.float64]

DRAWS = 400
# What an overlay may be off by whose row states no doubt, in dE00 in each direction (two hands' scatter on films of average strength).
ASSUMED_OVERLAY = 0.8
# What the law leaves out, per direction, in what it leaves out of two coats of one ink; and how it grows with the strength of the films that meet
# (dE00 from paper, geometric mean of the two strongest): half of all at so much (measured on four invented scanners, benchmark 'fit').
LEFT_OUT, HALF_STRENGTH = 0.75, 8.0


@dataclass(frozen=True, eq=False)
class Ink:
    """One pen of a stack and the film its ink is taken from; doubled: whether that is the film of two coats."""

    pen: Pen
    taken: Taken
    doubled: bool

    @property
    def film(self) -> Film:
        """The film."""
        return self.taken.film


@dataclass(frozen=True, eq=False)
class Ground:
    """What all stacks of one answer lie on: linear light of the paper (3,), its Lab (3,), and how colours follow from light."""

    paper: Array
    lab: Array
    light: LightModel


@dataclass(frozen=True, eq=False)
class Colour:
    """The colour of a stack.

    lab: (3,). draws: (DRAWS, 3) of what a hand makes of it, from what is known badly of inks, hand and order; one draw is one sheet in
    all stacks of an answer. beside: (3, 3) covariance of what else may be off. measured: the row it was read from, None where it is
    predicted. covariance: (3, 3) of lab; of a reading that of the reading, of a prediction all that the next one laid may be off by.
    """

    lab: Array
    draws: Array
    beside: Array
    measured: Reading | None
    covariance: Array


def ink_of(pen: Pen, coats: int) -> Ink:
    """Return the film to take a pen's ink from where so many coats of it lie in a stack."""
    doubled = 1 not in pen.coats or (coats > 1 and 2 in pen.coats)
    return Ink(pen, pen.coats[2 if doubled else 1], doubled)


def predicted(law: Law, ground: Ground, stack: Sequence[Pen], known: Colour | None = None) -> Colour:
    """Return the colour of one coat each of pens over each other, the lowest first.

    known: the colour of all but the uppermost coat where that was measured; what it is off from its own prediction is carried over.
    """
    pens = list(dict.fromkeys(stack))
    inks = [ink_of(pen, stack.count(pen)) for pen in pens]
    place = [pens.index(pen) for pen in stack]
    films = np.array([one.film.linear * ground.paper / one.taken.films.paper for one in inks])
    drawn = _amounts(law, inks, place)
    if known is not None and known.measured is not None:
        # What lies below was read as it is, so only the coat on top of it varies.
        top = np.arange(len(inks)) == place[-1]
        drawn = np.where(top, drawn, drawn[0])
    light = law.over(ground.paper, films, drawn)
    each = law.each(ground.paper, films, drawn[0])
    if known is not None and known.measured is not None:
        below = law.over(ground.paper, films, _amounts(law, inks, place[:-1])[0])
        reference = known.lab, below
        beside = np.asarray(known.covariance)
    else:
        dark = np.log10(np.maximum(films, LEAST_LIGHT)), np.log10(np.maximum(light[0], LEAST_LIGHT))
        near = inks[int(np.argmin(np.abs(dark[0] - dark[1]).sum(axis=1)))]
        reference = near.film.lab, near.film.linear * ground.paper / near.taken.films.paper
        beside = sum((_beside(one.film) for one in inks), np.zeros((3, 3)))
    lab = ground.light.near(*reference, light)
    # Where the lights do not agree, and nothing tells which is right, the truth may be with any.
    apart = ground.light.near(*reference, each) - lab[0]
    between = np.einsum("l,li,lj->ij", list(law.worth.values()), apart, apart)
    beside = beside + left_out(law, ground, inks, lab[0]) + between
    return Colour(lab[0], lab[1:], beside, None, np.cov(lab[1:].T) + beside)


def of_film(film: Film) -> Colour:
    """Return the colour of a film that was read by itself."""
    row = film.reading
    # One coat of an answer's sheet is laid anew, and the reading had its own share of the hand's chance.
    laid = sum(_normal(f"{coat}, laid anew") for coat in range(row.layers)) / np.sqrt(max(row.layers, 1))
    off = film.u_dose * (laid - _normal(row.marker))
    return Colour(film.lab, film.lab + off[:, None] * film.along, _beside(film), row, film.covariance)


def of_reading(row: Reading) -> Colour:
    """Return the colour of an overlay that was read; where the row states no doubt, it is as uncertain as two assumed films."""
    lab = np.array(row.lab, dtype=float)
    stated = [u for u in (row.u_L, row.u_a, row.u_b) if u is not None]
    if len(stated) == 3:
        covariance = np.diag(np.array(stated) ** 2)
    else:
        covariance = ASSUMED_OVERLAY**2 * np.linalg.inv(local_scale(lab)[0])
    return Colour(lab, np.repeat(lab[None], DRAWS, axis=0), covariance, row, covariance)


def left_out(law: Law, ground: Ground, inks: Sequence[Ink], lab: Array) -> Array:
    """Return (3, 3) the covariance of what the law leaves out of a stack's colour lab (3,), alike in every direction of dE00."""
    strengths = np.sort(delta_e_2000(ground.lab, np.array([one.film.lab for one in inks])))[-2:]
    meeting = float(np.sqrt(strengths[0] * strengths[-1]))
    u = LEFT_OUT * law.miss * meeting / (meeting + HALF_STRENGTH)
    return np.asarray(u**2 * np.linalg.inv(local_scale(lab)[0]))


def _amounts(law: Law, inks: Sequence[Ink], place: Sequence[int]) -> Array:
    """Return (1 + DRAWS, inks) ink of each pen in amounts of its film, the first as expected, the others drawn."""
    root = np.linalg.cholesky(law.doubt)
    numbers = law.numbers + np.concatenate([np.zeros((1, 2)), normal_draws(DRAWS, 2) @ root.T])
    numbers = np.clip(numbers, [1.05, -1.5], [2.6, 1.5])
    kept = kept_shares(len(place), numbers[:, 0], numbers[:, 1])
    amounts = np.zeros((1 + DRAWS, len(inks)))
    for coat, i in enumerate(place):
        u = inks[i].film.u_dose
        amounts[:, i] += kept[:, coat] * _drawn(u, f"{coat}, laid anew")
    for i, ink in enumerate(inks):
        # A film of two coats holds as much more ink as the exponent says.
        held = numbers[:, 0] if ink.doubled else 1.0
        amounts[:, i] /= held * _drawn(ink.film.u_dose, ink.film.reading.marker)
    return amounts


def _drawn(u: float, what: str) -> Array:
    return np.concatenate([[1.0], np.exp(u * _normal(what))])


def _normal(what: str) -> Array:
    """Return (DRAWS,) normal draws that belong to a text, so that one film's error is the same wherever it lies."""
    return normal_draws(DRAWS, 1, seed=zlib.crc32(what.encode("utf-8")))[:, 0]


def _beside(film: Film) -> Array:
    return np.asarray(film.covariance - film.u_dose**2 * np.outer(film.along, film.along))
