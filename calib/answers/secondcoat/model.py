"""Ways from one coat to two, competing for the markers of which both were read, each marker left out in turn."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.secondcoat.law import (
    HIGHEST,
    LEAST_LIGHT,
    MISS,
    USUAL,
    Pairs,
    base_density,
    density_in,
    fit_base,
    lights,
)
from calib.answers.secondcoat.rest import LEAST_FOR_REST, LEAST_LENGTH, MOST_FOR_REST, Rest, learn_rest
from calib.colour.dose import LIGHTER

Array = NDArray[np.float64]

# With fewer markers there is no telling which way is better, and what is usual has most of the say.
LEAST_TO_COMPETE = 12
# A pair that misses its base by so many times what pairs usually miss, and is off by so much, is no pair of
# one pen.
OUTLYING, OUTLYING_AT_LEAST = 8.0, 5.0
# A rest may let a density stand still, or grow by so much of the film's whole density beyond the most of the
# exponents.
SLACK = 0.02
# How many lights go on from a level to the next; all where none is given.
GO_ON = {2: 2, 3: 1}
# Levels of the competition, simplest first, in words.
LEVELS = (
    "twice the density of one coat",
    "one exponent",
    "one exponent and a saturation",
    "one exponent, a saturation and a learned rest",
    "one exponent, a saturation and a rest learned with the other papers too",
)


@dataclass(frozen=True, eq=False)
class Samples:
    """Films of one paper.

    Markers: (n,) their pens. paper, one, two: (n, 3) linear light without ink, after one coat and two.
    """

    markers: tuple[str, ...]
    paper: Array
    one: Array
    two: Array

    def pairs(self, light: str) -> Pairs:
        """Return both coats as densities in one of the lights."""
        one, two = (density_in(light, self.paper, film) for film in (self.one, self.two))
        return Pairs(one, two, np.unique(np.array(self.markers, dtype=str), return_inverse=True)[1])


@dataclass(frozen=True, eq=False)
class CoatModel:
    """A way from one coat to two. level: its place in LEVELS. light: in which it holds. numbers: (3,) of its
    base. rest: learned.

    each: (n, 3) linear light of two coats of the n films of the paper it was learned from, each without its
    own marker. odd: markers left out of the learning, because their second coat is not of the same pen by all
    appearances.
    """

    level: int
    light: str
    numbers: Array
    rest: Rest | None
    each: Array
    odd: tuple[str, ...] = ()

    def two(self, paper: Array, one: Array) -> Array:
        """Return linear light (n, 3) of two coats of films one (n, 3) on paper (3,) or (n, 3)."""
        density = density_in(self.light, paper, one)
        grown = base_density(density, self.numbers)
        if self.rest is not None:
            grown = grown + self.rest(density)
        return _back(self.light, paper, one, density, grown)


def _back(light: str, paper: Array, one: Array, density: Array, grown: Array) -> Array:
    """Return linear light of densities grown from density; no channel gets lighter by a second coat."""
    most = HIGHEST[0] * np.maximum(density, 0) + SLACK * np.linalg.norm(density, axis=1, keepdims=True)
    m = lights()[light]
    bare = paper @ m
    film = bare * 10.0 ** -np.clip(grown, np.maximum(density, 0.0), most)
    # What lies below the least light, or above the paper's, has no place on the curve, and goes along as it is.
    read = one @ m
    off = read - np.clip(read, LEAST_LIGHT * bare, bare)
    return np.asarray((film + off) @ np.linalg.inv(m))


def usable_lights(paper: Array, films: Array) -> tuple[str, ...]:
    """Return the lights in which films (n, 3) have densities: the scanner's own only where none is below 0 or
    above its paper's.
    """
    share = films / paper
    inside = share.min(initial=1.0) > LEAST_LIGHT and share.max(initial=0.0) <= LIGHTER
    return tuple(name for name in lights() if name != "scanner" or inside)


def learn(
    own: Samples,
    others: Sequence[Samples],
    lights_to_try: Sequence[str],
    miss: Callable[[Array], Array],
) -> CoatModel:
    """Return the way from one coat to two that predicts own best; of ways that differ by no more than chance,
    the simplest.

    others: films of other papers, from which only the shape of the saturation is taken. miss: takes light of
    two coats (n, 3) of own and returns how far it is from what was read (n,), in dE00. Row order does not
    matter.
    """
    if len(own.markers) < LEAST_TO_COMPETE:
        return _few(own, others, lights_to_try[0])
    best: CoatModel | None = None
    least, tried = np.zeros(0), list(lights_to_try)
    for level in range(len(LEVELS)):
        found = list(_of_level(level, own, others, tried))
        if not found:
            continue
        misses = [miss(model.each) for model in found]
        order = np.argsort([one.mean() for one in misses], kind="stable")
        first = int(order[0])
        gain = least - misses[first] if best is not None else np.array([np.inf])
        if best is None or gain.mean() > gain.std(ddof=1) / np.sqrt(len(gain)):
            best, least = found[first], misses[first]
        # A rest takes long to learn, so only the lights in which less did well go on.
        tried = [found[i].light for i in order[: GO_ON.get(level)]]
    assert best is not None
    return best


def _few(own: Samples, others: Sequence[Samples], light: str) -> CoatModel:
    """Return the usual way, moved by the few films of own, with what other papers teach where they can."""
    pairs = own.pairs(light)
    base = fit_base(pairs, usual=_usual(others, light))
    grown = np.array([base_density(d, n) for d, n in zip(pairs.one, base.each, strict=True)]).reshape(-1, 3)
    rest = None
    if any(len(other.markers) >= LEAST_FOR_REST for other in others):
        rest, extra = _rest(own, pairs, np.ones(len(grown), dtype=bool), base.numbers, others, light)
        grown = grown + extra
    level = 2 if rest is None else 4
    each = _back(light, own.paper, own.one, pairs.one, grown)
    return CoatModel(level, light, base.numbers, rest, each)


def _usual(others: Sequence[Samples], light: str) -> Array:
    """Return what the numbers are before this paper's films are seen: other papers tell the saturation, not
    the exponent.
    """
    enough = [one for one in others if len(one.markers) >= LEAST_TO_COMPETE]
    if not enough:
        return USUAL
    found = np.array([fit_base(one.pairs(light)).numbers for one in enough])
    return np.array([USUAL[0], *np.median(found[:, 1:], axis=0)])


def _of_level(
    level: int, own: Samples, others: Sequence[Samples], lights_to_try: Sequence[str]
) -> Iterator[CoatModel]:
    for light in lights_to_try:
        pairs = own.pairs(light)
        if level == 0:
            doubled = np.array([2.0, 0.0, 0.0])
            each = _back(light, own.paper, own.one, pairs.one, 2 * pairs.one)
            yield CoatModel(0, light, doubled, None, each)
            continue
        free = (0,) if level == 1 else (0, 1, 2)
        usual = _usual(others, light)
        odd = _outlying(pairs, fit_base(pairs, free, usual).numbers)
        base = fit_base(pairs[~odd], free, usual)
        named = tuple(marker for marker, out in zip(own.markers, odd, strict=True) if out)
        numbers = np.tile(base.numbers, (len(odd), 1))
        numbers[~odd] = base.each
        if level < 3:
            grown = np.array([base_density(d, n) for d, n in zip(pairs.one, numbers, strict=True)])
            each = _back(light, own.paper, own.one, pairs.one, grown)
            yield CoatModel(level, light, base.numbers, None, each, named)
        elif (~odd).sum() >= LEAST_FOR_REST and (level == 3 or others):
            more = others if level == 4 else ()
            rest, extra = _rest(own, pairs, ~odd, base.numbers, more, light)
            grown = base_density(pairs.one, base.numbers) + extra
            each = _back(light, own.paper, own.one, pairs.one, grown)
            yield CoatModel(level, light, base.numbers, rest, each, named)


def _outlying(pairs: Pairs, numbers: Array) -> NDArray[np.bool_]:
    off = np.linalg.norm(pairs.weight * (base_density(pairs.one, numbers) - pairs.two), axis=1)
    return np.asarray(off > np.maximum(OUTLYING * np.median(off), OUTLYING_AT_LEAST * MISS))


def _rest(
    own: Samples,
    pairs: Pairs,
    good: NDArray[np.bool_],
    numbers: Array,
    others: Sequence[Samples],
    light: str,
) -> tuple[Rest, Array]:
    """Return the rest learned from own's good pairs and others', and what it adds to each of own without that
    marker.
    """
    order = np.lexsort((pairs.one[:, 2], pairs.one[:, 1], pairs.one[:, 0]))
    order = order[good[order]]
    if len(order) > MOST_FOR_REST:
        order = order[np.unique(np.linspace(0, len(order) - 1, MOST_FOR_REST).astype(int))]
    one, missed = [pairs.one[order]], [pairs.two[order] - base_density(pairs.one[order], numbers)]
    names = [own.markers[i] for i in order]
    for other in others:
        if len(other.markers) >= LEAST_FOR_REST:
            theirs = other.pairs(light)
            fit = fit_base(theirs).numbers
            kept = ~_outlying(theirs, fit)
            room = max(MOST_FOR_REST - sum(map(len, one)), 0)
            some = np.flatnonzero(kept)[:room]
            one.append(theirs.one[some])
            missed.append((theirs.two - base_density(theirs.one, fit))[some])
            names += [other.markers[i] for i in some]
    rest = learn_rest(np.concatenate(one), np.concatenate(missed))
    extra = rest(pairs.one)
    length = np.linalg.norm(pairs.one[order], axis=1, keepdims=True)
    numbered = np.unique(names, return_inverse=True)[1]
    extra[order] = rest.left_out(numbered)[: len(order)] * (length + LEAST_LENGTH)
    return rest, extra
