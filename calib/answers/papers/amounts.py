"""How much ink films on one paper hold in amounts of the same markers' on another.

A marker's dose curve on the first paper says how its light runs with the ink, relative to the paper; laid over the other paper's
white it says how much ink reads like the film there. Papers that differ by more than their white (how deep ink sinks, how much light the
surface sends back) bend the curve a little, so channels count by their noise with a floor, which keeps very dark ones from ruling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.answers.films import Film
from calib.colour.dose import LEAST_TWO_COATS, MOST_TWO_COATS, DoseCurve, dose_curve, film_density

Array = NDArray[np.float64]

# Weights of the channels: errors in proportion to the light, and a floor, of a curve carried to another paper (measured on invented papers).
RELATIVE, FLOOR = 0.01, 0.004
# Ink that is known to no better than this share of itself is none to speak of.
MOST_DOUBT = 0.5
# Steps of Gauss and Newton's method; a handful is enough, more cost nothing.
STEPS = 30


# Densities of one coat between which the paper's own growth from coat to coat shows: paler ones are noise, and in denser ones a
# channel that is wider than the ink's absorption grows too slowly.
PALEST, DENSEST = 0.03, 0.5
LEAST_SHOWN = 0.01
# How many channels must tell it, and how far off it may be besides its scatter (measured on four invented scanners: 2.4 per cent
# too little to 0.6 too much, 1.7 rms).
ENOUGH_CHANNELS = 20
EXPONENT_DOUBT = 0.017
# Where no second coat shows how a marker's curve bends, its amounts are off by this share of their distance from 1.
UNBENT_DOUBT = 0.06


@dataclass(frozen=True)
class Amounts:
    """Amounts of ink (n,) over those on the first paper; NaN where there is no ink to speak of.

    ratio: (n,). curves: the marker's dose curve on the first paper. amount: (n,) on it. u_hand: (n,) relative standard uncertainty
    by the hand, of both swatches. u_read: (n,) by the reading of both. lean: (n,) how the ratios move together with
    one standard uncertainty of the curves' shape.
    """

    ratio: Array
    curves: tuple[DoseCurve, ...]
    amount: Array
    u_hand: Array
    u_read: Array
    lean: Array


@dataclass(frozen=True)
class Growth:
    """What two coats leave in amounts of one on a paper, its relative standard uncertainty, and how many channels told it."""

    amount: float
    u: float
    channels: int


def on_paper(curve: DoseCurve, paper: ArrayLike) -> DoseCurve:
    """Return a marker's dose curve as it would run on a paper of this light (3,), in the light of the readings."""
    return replace(curve, paper=np.linalg.solve(curve.back, np.asarray(paper, dtype=float)))


def growth_of(pairs: Sequence[tuple[Film, Film, Array]]) -> Growth | None:
    """Return how much ink two coats leave on a paper, from films of one coat and of two and the bare light (3,) below them.

    A channel wider than the ink's absorption gains density ever more slowly, so any marker's own growth is too small. The
    thinner the film, the less: a robust straight line through all channels' growth over their density tells it for
    none. None where too few channels do.
    """
    films = np.array([[one.linear, two.linear] for one, two, _ in pairs]).reshape(-1, 2, 3)
    bare = np.array([paper for *_, paper in pairs]).reshape(-1, 3)
    density = film_density(bare[:, None], films)
    told = (films > LEAST_SHOWN).all(axis=1) & (density[:, 0] > PALEST) & (density[:, 0] < DENSEST)
    marker, _ = np.nonzero(told)
    one, two = density[:, 0][told], density[:, 1][told]
    if len(one) < ENOUGH_CHANNELS:
        return None
    doubt = np.hypot(0.04, 0.0013 / one)
    design = np.stack([np.ones_like(one), one], axis=1)
    weight = doubt**-2.0
    for _ in range(20):
        line = np.linalg.solve(design.T @ (weight[:, None] * design), design.T @ (weight * two / one))
        z = (two / one - design @ line) / doubt
        scale = max(float(np.median(np.abs(z))) / 0.6745, 1e-9)
        weight = np.where(np.abs(z) < 4.685 * scale, (1 - (z / (4.685 * scale)) ** 2) ** 2, 0.0) / doubt**2
    # A marker's channels share its hand, so the doubt is of markers, not of channels.
    bread = np.linalg.inv(design.T @ (weight[:, None] * design))
    pull = (weight * z * doubt)[:, None] * design
    sums = np.array([np.bincount(marker, column, len(pairs)) for column in pull.T])
    u = float(np.sqrt((bread @ (sums @ sums.T) @ bread)[0, 0])) / float(line[0])
    amount = float(np.clip(line[0], LEAST_TWO_COATS, MOST_TWO_COATS))
    return Growth(amount, float(np.hypot(u, EXPONENT_DOUBT)), len(one))


def amounts_on(
    first: Sequence[tuple[Film, Film | None, Array]], other: Sequence[Film], papers: ArrayLike
) -> Amounts:
    """Return how much ink the films other (n) hold against those of the same swatches on the first paper.

    first: on the first paper each swatch's film, its marker's other coat where there is one, and the light (3,) of the bare
    paper. papers: (n, 3) light of the bare paper below each film of other.
    """
    bare = np.asarray(papers, dtype=float).reshape(-1, 3)
    light = np.array([film.linear for film in other]).reshape(-1, 3)
    growth = growth_of([(film, two, at) for film, two, at in first if two and film.reading.layers == 1])
    found = []
    for more in (0.0, 1.0):
        grown = growth.amount * (1 + more * growth.u) if growth else None
        shaped = [_shaped(film, two, at, grown) for film, two, at in first]
        base = np.array([amount for _, amount in shaped])
        curves = [on_paper(curve, paper) for (curve, _), paper in zip(shaped, bare, strict=True)]
        found.append((tuple(curve for curve, _ in shaped), base, _fitted(curves, light, base)))
    (curves_1, base, amount), (_, base_2, amount_2) = found
    ratio = amount / base
    bent = np.array([len(curve.amounts) > 1 for curve in curves_1], dtype=bool)
    lean = np.where(bent, amount_2 / base_2 - ratio, UNBENT_DOUBT * (1 - ratio))
    films = [film for film, *_ in first]
    read = np.hypot(*(np.array([_reading_doubt(film) for film in each]) for each in (films, other)))
    hand = np.hypot(*(np.array([film.u_dose for film in each]) for each in (films, other)))
    amount[~(read < MOST_DOUBT)] = np.nan
    return Amounts(amount / base, curves_1, amount, hand, read, lean)


def _shaped(film: Film, two: Film | None, bare: Array, grown: float | None) -> tuple[DoseCurve, float]:
    """Return a film's dose curve and its amount on it, bent as the paper's growth from coat to coat has it."""
    if two is None or grown is None or len(film.curve.amounts) < 2:
        return film.curve, film.amount
    coats = sorted((film, two), key=lambda one: one.reading.layers)
    curve = dose_curve(bare, [one.linear for one in coats], grown)
    if len(curve.amounts) < 2:
        return film.curve, film.amount
    return curve, float(curve.amounts[film.reading.layers - 1])


def _reading_doubt(film: Film) -> float:
    """Return the relative standard uncertainty of a film's amount of ink if the hand had laid exactly the average."""
    rest = film.covariance - film.u_dose**2 * np.outer(film.along, film.along)
    told = float(film.along @ np.linalg.solve(rest + 1e-12 * np.eye(3), film.along))
    return float(1 / np.sqrt(told)) if told > 1e-6 else np.inf


def _fitted(curves: Sequence[DoseCurve], light: Array, start: Array) -> Array:
    """Return the amount (n,) on each curve whose light comes nearest, by weighted least squares over the channels."""
    paper, floor, rate = (
        np.array([getattr(curve, name) for curve in curves]).reshape(-1, 3)
        for name in ("paper", "floor", "rate")
    )
    back = np.array([curve.back for curve in curves]).reshape(-1, 3, 3)
    weight = (RELATIVE * np.maximum(light, 0.0) + FLOOR) ** -2.0
    k = start.copy()
    for _ in range(STEPS):
        passed = 10.0 ** (-k[:, None] * rate)
        found = np.einsum("nij,nj->ni", back, paper * (floor + (1 - floor) * passed))
        slope = np.einsum("nij,nj->ni", back, -np.log(10) * rate * paper * (1 - floor) * passed)
        power = np.maximum(np.sum(weight * slope**2, axis=1), 1e-12)
        step = np.sum(weight * slope * (light - found), axis=1) / power
        k = k + np.clip(step, -0.5 * start, 0.5 * start)
        k = np.clip(k, -start, 10 * start)
    return k
