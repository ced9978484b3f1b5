"""The nearest pens to a target, with their doubt, and with the chance that each truly is the nearest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.groups import JUST_PERCEPTIBLE, USUALLY_ACCEPTED
from calib.answers.doubles.pens import Pen, Taken
from calib.answers.films import films_of
from calib.answers.matching.target import GIVEN, PEN, Aim, Target
from calib.answers.shelf import Shelf
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import interval, lch_differences, local_scale
from calib.colour.naming import difference_words
from calib.colour.uncertainty import joint_freedom, normal_draws

Array = NDArray[np.float64]

# Among so many of the nearest it is drawn which truly is the nearest.
RIVALS, DRAWS = 30, 1000
# Differences up to here most people still accept (1.8 to 3.7 dE00 in reviews of dental studies, 2023); beyond it is another colour.
STILL_ACCEPTED = 3.7
MOST_FREEDOM = 1e6


@dataclass(frozen=True, eq=False)
class Fit:
    """A pen in some number of coats held against one aim.

    coats: of the pen. aim: which of the target's aims, its number of coats. dE00, low, high: with the 95 per cent interval. parts: dL, dC, dH,
    pen less target. differs: how the pen differs, in words.
    """

    coats: int
    aim: int
    taken: Taken
    dE00: float
    low: float
    high: float
    parts: tuple[float, float, float]
    differs: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Match:
    """A pen as a match. fits: one for each number of coats that counts; the worst of them decides. chance: that it truly is the nearest."""

    pen: Pen
    fits: tuple[Fit, ...]
    chance: float

    @property
    def worst(self) -> Fit:
        """The fit that decides."""
        return max(self.fits, key=lambda fit: fit.dE00)

    @property
    def verdict(self) -> str:
        """Return 'same', 'near', 'fair' or 'far': surely not to be told apart, usually accepted, still accepted, another colour."""
        fit = self.worst
        if fit.high < JUST_PERCEPTIBLE:
            return "same"
        return "near" if fit.dE00 <= USUALLY_ACCEPTED else "fair" if fit.dE00 <= STILL_ACCEPTED else "far"


@dataclass(frozen=True, eq=False)
class Matches:
    """The answer: the nearest first; twice: two coats of a lighter pen for one coat of the pen asked about, where that is worth a word."""

    target: Target
    shelf: Shelf
    found: tuple[Match, ...]
    twice: tuple[Match, ...]
    compared: int
    left: dict[str, str]


def match(shelf: Shelf, target: Target, count: int, everything: bool = False) -> Matches:
    """Return the nearest so many pens to a target.

    everything: list blenders and flagged pens too. A pen as target is matched in every number of coats that both have; a pen that was not
    read in all of them comes after those that were.
    """
    pens = _everything(shelf) if everything else shelf.offered
    pens = tuple(pen for pen in pens if target.pen is None or pen.marker != target.pen.marker)
    left = (
        {}
        if everything
        else {m: why for m, why in shelf.avoid.items() if target.pen is None or m != target.pen.marker}
    )
    if target.kind == PEN:
        candidates = [(pen, [(n, n) for n in target.aims if n in pen.coats]) for pen in pens]
        candidates = [(pen, pairs) for pen, pairs in candidates if pairs]
        twice = [
            (pen, [(2, 1)])
            for pen in pens
            if 1 in target.aims and 2 in pen.coats and _lighter(pen, target.aims[1])
        ]
    else:
        candidates = [(pen, [(n, 0)]) for pen in pens for n in sorted(pen.coats)]
        twice = []
    found = _ranked(shelf, target, candidates, count)
    double = _ranked(shelf, target, twice, 1)
    # Two coats are twice the work, so they are named only where they come nearer than any one coat does.
    single = min((fit.dE00 for one in found for fit in one.fits if fit.aim == 1), default=np.inf)
    worth = tuple(one for one in double if one.worst.dE00 < min(single, STILL_ACCEPTED))
    return Matches(target, shelf, found, worth, len({id(pen) for pen, _ in candidates}), left)


def _lighter(pen: Pen, aim: Aim) -> bool:
    return 1 in pen.coats and bool(pen.coats[1].film.lab[0] > aim.lab[0])


def _everything(shelf: Shelf) -> tuple[Pen, ...]:
    """Return all pens of the paper with any colour at all, blenders and those whose flags take their colour away among them."""
    coats: dict[str, dict[int, Taken]] = {}
    names: dict[str, str] = {}
    for number, session in enumerate(shelf.drawer.sessions):
        films = films_of(session, blenders=True, lost=True)
        for (marker, layers), film in films.by_key.items():
            coats.setdefault(marker, {})[layers] = Taken(film, films, number)
            names[marker] = film.reading.name
    known = {pen.marker: pen for pen in shelf.pens}
    return tuple(
        replace(known[marker], coats={**own, **known[marker].coats})
        if marker in known
        else Pen(marker, names[marker], own, (0,))
        for marker, own in coats.items()
    )


Candidate = tuple[Pen, list[tuple[int, int]]]


def _ranked(shelf: Shelf, target: Target, candidates: Sequence[Candidate], count: int) -> tuple[Match, ...]:
    """Return the nearest so many candidates: those that fit in most coats first, then the smallest of their worst differences."""
    if not candidates:
        return ()
    most = max(len(pairs) for _, pairs in candidates)
    worst = np.array([_rough(pen, pairs, target) + 1e6 * (most - len(pairs)) for pen, pairs in candidates])
    order = np.argsort(worst, kind="stable")
    rivals = [candidates[i] for i in order[: max(RIVALS, count)]]
    chances = _chances([one for one in rivals if len(one[1]) == most], target)
    found = []
    for i, (pen, pairs) in enumerate(rivals[:count]):
        fits = tuple(_fit(pen, pair, target) for pair in pairs)
        found.append(Match(pen, fits, float(chances[i]) if i < len(chances) else 0.0))
    return tuple(found)


def _rough(pen: Pen, pairs: Sequence[tuple[int, int]], target: Target) -> float:
    return max(float(delta_e_2000(target.aims[aim].lab, pen.coats[n].film.lab)) for n, aim in pairs)


def _fit(pen: Pen, pair: tuple[int, int], target: Target) -> Fit:
    coats, at = pair
    taken, aim = pen.coats[coats], target.aims[at]
    covariance = taken.film.covariance + aim.covariance
    if target.kind == GIVEN:
        covariance = covariance + _absolute(taken)
    u = [float(np.sqrt(np.trace(part))) for part in (taken.film.covariance, aim.covariance)]
    freedom = np.minimum(joint_freedom(u, [taken.freedom, aim.freedom]), MOST_FREEDOM)
    seen, low, high = interval(aim.lab, taken.film.lab, covariance[None], freedom)
    (dL, dC, dH) = (float(v) for v in lch_differences(aim.lab, taken.film.lab))
    words = difference_words(aim.lab, taken.film.lab)
    return Fit(coats, at, taken, float(seen[0]), float(low[0]), float(high[0]), (dL, dC, dH), words)


def _absolute(taken: Taken) -> Array:
    """Return (3, 3) the doubt of the colour itself, in all directions alike in dE00; nothing where the row does not state it."""
    u_abs = taken.film.reading.u_abs
    if u_abs is None:
        return np.zeros((3, 3))
    return np.asarray(u_abs**2 / 3 * np.linalg.inv(local_scale(taken.film.lab)[0]))


def _chances(rivals: Sequence[Candidate], target: Target) -> Array:
    """Return how often (n,) each of the rivals is the nearest when all readings are drawn anew from their doubts.

    What the scanner gets wrong about colours it gets wrong about all of them alike, so it has no part in who is nearest.
    """
    if not rivals:
        return np.empty(0)
    worst = np.zeros((len(rivals), DRAWS))
    aims = {
        n: aim.lab + normal_draws(DRAWS, 3, seed=7 + n) @ _root(aim.covariance).T
        for n, aim in target.aims.items()
    }
    for i, (pen, pairs) in enumerate(rivals):
        # One pen's coats are read from different cells, so their errors are their own.
        for n, at in pairs:
            film = pen.coats[n].film
            drawn = film.lab + normal_draws(DRAWS, 3, seed=100 + 3 * i + n) @ _root(film.covariance).T
            worst[i] = np.maximum(worst[i], delta_e_2000(aims[at], drawn))
    return np.asarray(np.bincount(np.argmin(worst, axis=0), minlength=len(rivals)) / DRAWS)


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
