"""What the markers of which both coats were read tell of a paper's second coats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Film, Films
from calib.answers.secondcoat.doubt import Doubt, doubt_of
from calib.answers.secondcoat.light import LightModel
from calib.answers.secondcoat.model import CoatModel, Samples, learn, usable_lights
from calib.colour.colorimetry import delta_e_2000

Array = NDArray[np.float64]

# Relative step of the amount of ink over which a predicted colour's way is taken.
STEP = 0.02


@dataclass(frozen=True, eq=False)
class Sheet:
    """The films of one session and how their colours follow from their light."""

    films: Films
    light: LightModel

    @property
    def paper(self) -> str:
        """The paper's name."""
        return self.films.session.paper


@dataclass(frozen=True, eq=False)
class Known:
    """What was learned of one paper.

    markers: those with both coats. model: the way from one coat to two. doubt: how far off it may be. misses:
    (n,) dE00 between each second coat that was read and its prediction without that marker.
    """

    markers: tuple[str, ...]
    model: CoatModel
    doubt: Doubt
    misses: Array


@dataclass(frozen=True, eq=False)
class _Pair:
    sheet: Sheet
    one: Film
    two: Film


def learn_paper(paper: str, mine: Sequence[Sheet], every: Sequence[Sheet]) -> Known:
    """Return what sessions of a paper and, for the saturation, of others tell of its second coats.

    mine: the sessions to be completed, which say in which lights the films have densities. every: those to
    learn from.
    """
    groups: dict[str, list[_Pair]] = {paper: []}
    for sheet in every:
        groups.setdefault(sheet.paper, []).extend(_both(sheet))
    for pairs in groups.values():
        # Row order must not matter, down to the last digit of a sum.
        pairs.sort(key=lambda p: (p.one.reading.marker, p.sheet.films.session.date, tuple(p.one.lab)))
    samples = {name: _samples(groups[name]) for name in sorted(groups)}
    own, pairs = samples.pop(paper), groups[paper]
    sheets, ones = [pair.sheet for pair in pairs], [pair.one for pair in pairs]
    read = np.array([pair.two.lab for pair in pairs]).reshape(-1, 3)

    def miss(light: Array) -> Array:
        return delta_e_2000(colours(sheets, ones, light), read) if len(light) else np.zeros(0)

    pens = [(sheet.films.paper, film.linear) for sheet in mine for film in sheet.films.by_key.values()]
    bare, inked = (np.array(light).reshape(-1, 3) for light in zip(*pens, strict=True))
    lights = usable_lights(np.concatenate([bare, own.paper]), np.concatenate([inked, own.one]))
    model = learn(own, list(samples.values()), lights, miss)
    keep = np.array([film.reading.marker not in model.odd for film in ones], dtype=bool)
    kept = [pair for pair, good in zip(pairs, keep, strict=True) if good]
    off = (colours(sheets, ones, model.each) - read)[keep]
    along = way(model, [pair.sheet for pair in kept], [pair.one for pair in kept])
    doubt = doubt_of([pair.one for pair in kept], [pair.two for pair in kept], along, off)
    return Known(tuple(dict.fromkeys(own.markers)), model, doubt, miss(model.each))


def _both(sheet: Sheet) -> list[_Pair]:
    """Return the films of one coat and of two of every marker that has both, none of them predicted."""
    found = []
    for (marker, layers), one in sheet.films.by_key.items():
        two = sheet.films.by_key.get((marker, 2))
        if layers == 1 and two is not None and "predicted" not in (*one.reading.flags, *two.reading.flags):
            found.append(_Pair(sheet, one, two))
    return found


def _samples(pairs: Sequence[_Pair]) -> Samples:
    paper, one, two = (
        np.array(light, dtype=float).reshape(-1, 3)
        for light in (
            [pair.sheet.films.paper for pair in pairs],
            [pair.one.linear for pair in pairs],
            [pair.two.linear for pair in pairs],
        )
    )
    return Samples(tuple(pair.one.reading.marker for pair in pairs), paper, one, two)


def colours(sheets: Sequence[Sheet], ones: Sequence[Film], two: Array) -> Array:
    """Return Lab (n, 3) of light two (n, 3), each as the scanner of its sheet has it near the one coat's
    colour.
    """
    found = np.zeros((len(ones), 3))
    numbers = {id(sheet): sheet for sheet in sheets}
    for number, sheet in numbers.items():
        i = [k for k, other in enumerate(sheets) if id(other) == number]
        lab, linear = (np.array([getattr(ones[k], name) for k in i]) for name in ("lab", "linear"))
        found[i] = sheet.light.near(lab, linear, two[i])
    return found


def way(model: CoatModel, sheets: Sequence[Sheet], ones: Sequence[Film]) -> Array:
    """Return (n, 3) how predicted colours of two coats change per relative change of the amount of ink of one."""
    if not ones:
        return np.zeros((0, 3))
    bare = np.array([sheet.films.paper for sheet in sheets])
    slope = np.array([film.curve.slope(film.amount)[0] for film in ones])
    light = np.array([film.linear for film in ones])
    ends = [colours(sheets, ones, model.two(bare, light + k * STEP * slope)) for k in (-0.5, 0.5)]
    return np.asarray((ends[1] - ends[0]) / STEP)
