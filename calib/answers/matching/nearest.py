"""The nearest pens to a target, with their doubt, and with the chance that each truly is the nearest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.answers.between import MOST_FREEDOM
from calib.answers.doubles.groups import JUST_PERCEPTIBLE, USUALLY_ACCEPTED
from calib.answers.doubles.pens import Pen, Taken
from calib.answers.films import films_of
from calib.answers.matching.chances import Candidate, chances, scanner_errors, undecided
from calib.answers.matching.target import GIVEN, PEN, Aim, Target
from calib.answers.shelf import Shelf
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import interval, lch_differences, local_scale
from calib.colour.naming import difference_words
from calib.colour.uncertainty import joint_freedom

Array = NDArray[np.float64]

# Among so many of the nearest it is drawn which truly is the nearest; those further off have no chance worth a word.
RIVALS = 60
# Differences up to here most people still accept (1.8 to 3.7 dE00 in reviews of dental studies, 2023); beyond it is another colour.
STILL_ACCEPTED = 3.7


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
    """A pen as a match. fits: one for each number of coats that counts; the worst of them decides. chance: that it truly is the nearest.

    tied: whether it is one of the few of which one is the nearest with 95 per cent chance, and it is not known which.
    """

    pen: Pen
    fits: tuple[Fit, ...]
    chance: float
    tied: bool

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
    """The answer: the nearest first.

    twice: two coats of a lighter pen for one coat of the pen asked about, once: one coat of a darker pen for two, each where that is worth a
    word. undecided: how many pens hold 95 per cent of the chance, those that are not listed too. compared: how many pens were looked at.
    """

    target: Target
    shelf: Shelf
    found: tuple[Match, ...]
    twice: tuple[Match, ...]
    once: tuple[Match, ...]
    undecided: int
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
    else:
        candidates = [(pen, [(n, 0)]) for pen in pens for n in sorted(pen.coats)]
    found, open_ = _ranked(shelf, target, candidates, count)
    twice, once = (_swapped(shelf, target, pens, coats, aim) for coats, aim in ((2, 1), (1, 2)))
    return Matches(target, shelf, found, twice, once, open_, len({id(pen) for pen, _ in candidates}), left)


def _swapped(shelf: Shelf, target: Target, pens: Sequence[Pen], coats: int, aim: int) -> tuple[Match, ...]:
    """Return the pen that in another number of coats comes nearer to an aim than any does in the same, as far as it is near at all."""
    if target.kind != PEN or aim not in target.aims:
        return ()
    # Two coats are twice the work, and one coat has no second to even it out, so they are named only where they are worth it.
    same: list[Candidate] = [(pen, [(aim, aim)]) for pen in pens if aim in pen.coats]
    single = float(_rough(same, target).min(initial=np.inf))
    candidates: list[Candidate] = [
        (pen, [(coats, aim)]) for pen in pens if coats in pen.coats and _other_side(pen, target, coats)
    ]
    found, _ = _ranked(shelf, target, candidates, 1)
    return tuple(one for one in found if one.worst.dE00 < min(single, STILL_ACCEPTED))


def _other_side(pen: Pen, target: Target, coats: int) -> bool:
    """Return whether a pen is lighter than the one asked about, for two of its coats, or darker, for one, coat by coat."""
    both = [n for n in target.aims if n in pen.coats]
    steps = [float(pen.coats[n].film.lab[0] - target.aims[n].lab[0]) for n in both]
    return all(step > 0 if coats == 2 else step < 0 for step in steps)


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


def _ranked(
    shelf: Shelf, target: Target, candidates: Sequence[Candidate], count: int
) -> tuple[tuple[Match, ...], int]:
    """Return the nearest so many candidates, and how many share nearly all the chance of being the nearest.

    Those that fit in most coats come first, then those with the smallest of their worst differences.
    """
    if not candidates:
        return (), 0
    most = max(len(pairs) for _, pairs in candidates)
    missing = np.array([most - len(pairs) for _, pairs in candidates])
    order = np.lexsort((_rough(candidates, target), missing))
    likely = chances([candidates[i] for i in order[:RIVALS] if missing[i] == 0], target)
    open_ = set(undecided(likely).tolist())
    listed = [candidates[i] for i in order[:count]]
    found = tuple(
        Match(pen, fits, float(likely[i]) if i < len(likely) else 0.0, i in open_)
        for i, ((pen, _), fits) in enumerate(zip(listed, _fits(listed, target), strict=True))
    )
    return found, len(open_)


def _rough(candidates: Sequence[Candidate], target: Target) -> Array:
    """Return the largest dE00 (n,) of each candidate from what it is held against."""
    swatches = [
        (i, pen.coats[n].film.lab, target.aims[aim].lab)
        for i, (pen, pairs) in enumerate(candidates)
        for n, aim in pairs
    ]
    worst = np.zeros(len(candidates))
    if swatches:
        at, labs, aims = zip(*swatches, strict=True)
        np.maximum.at(worst, list(at), delta_e_2000(np.array(aims), np.array(labs)))
    return worst


def _fits(candidates: Sequence[Candidate], target: Target) -> Iterator[tuple[Fit, ...]]:
    """Yield the fits of each candidate; the intervals of all are drawn at once, which is quicker."""
    pairs = [(pen.coats[n], n, at) for pen, own in candidates for n, at in own]
    aims = [target.aims[at] for _, _, at in pairs]
    taken = [one for one, _, _ in pairs]
    lab, asked = np.array([one.film.lab for one in taken]), np.array([aim.lab for aim in aims])
    covariance = np.array([t.film.covariance + aim.covariance for t, aim in zip(taken, aims, strict=True)])
    if target.kind == GIVEN:
        # In all directions alike in dE00.
        covariance += scanner_errors(taken)[:, None, None] ** 2 / 3 * np.linalg.inv(local_scale(lab))
    freedom = [_freedom(t, aim) for t, aim in zip(taken, aims, strict=True)]
    seen, low, high = (values.tolist() for values in interval(asked, lab, covariance, np.array(freedom)))
    parts = lch_differences(asked, lab).tolist()
    fits = iter(
        Fit(n, at, one, seen[k], low[k], high[k], tuple(parts[k]), difference_words(asked[k], lab[k]))
        for k, (one, n, at) in enumerate(pairs)
    )
    for _, own in candidates:
        yield tuple(next(fits) for _ in own)


def _freedom(taken: Taken, aim: Aim) -> float:
    u = [float(np.sqrt(np.trace(part))) for part in (taken.film.covariance, aim.covariance)]
    return float(np.minimum(joint_freedom(u, [taken.freedom, aim.freedom]), MOST_FREEDOM))
