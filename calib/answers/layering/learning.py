"""What the pens of which both coats were read tell of one ink over another: the exponent, the floors, and which light to trust."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.layering.law import Law, lights, lights_for, passed
from calib.answers.secondcoat.law import USUAL, Pairs, base_density, fit_base

Array = NDArray[np.float64]

# The exponent before anything is learned: 1.6 to 1.9 (measured before the start).
USUAL_EXPONENT, USUAL_EXPONENT_SD = 1.75, 0.1
# What is known of the order before a real overlay was measured: nothing of its sign, and that it is hardly ever whole (our own choice; see
# the benchmark for what it costs where order matters more).
ORDER_SD = 0.25
# Where channels are wide, density grows ever more slowly, and only thin films show the exponent: the ratio of densities is taken at none.
# By how much it falls per density, before it is seen, and how far that varies (measured on four invented scanners, on which the exponent comes
# out too low by 0.00 to 0.06 all the same).
FALL, FALL_SD = -0.3, 0.2
THIN, THINNEST = 0.35, 0.02
# Relative scatter of the ratio from pen to pen (two swatches of a hand's 2 or 3 per cent), and of a density besides.
HAND, READING = 0.04, 0.002
# How far the exponent found so is off besides, because channels are not alike (measured on four invented scanners).
MODEL_SD = 0.03
# Deviations beyond so many times the expected count less (Huber's).
HUBER = 1.5
# What each light has to say where no second coat tells: the scanner's own channels may be narrow or wide.
BEFORE = {"scanner": 0.4, "sharpened": 0.4, "wide": 0.2, "unmixed": 0.05}
# How many pens make up the competition's whole say; the misses of pens are not independent, so each counts less than one.
COUNTS = 0.35
# So many pens with both coats decide on every light.
ENOUGH = 12
# What the law leaves out, in dE00, before it is seen, and how many pens' misses that is worth (measured on four invented scanners).
USUAL_MISS, USUAL_MISS_PENS = 1.0, 4.0
LEAST_MISS = 0.3
# How many measured overlays what is usually left out is worth.
OVERLAYS_BEFORE = 10.0
# A floor is less than the darkest film by this share, so that no film is without ink.
BELOW_DARKEST = 0.7


@dataclass(frozen=True, eq=False)
class Coats:
    """Films of one paper, as shares of their own paper's light brought onto one paper.

    one, two: (n, 3) linear light of one coat and of two, of those pens that have both. every: (m, 3) all films. paper: (3,).
    misses: takes light of two coats (n, 3) and returns how far it is from what was read (n,), in dE00. by_hand: (n,) the square of that which
    the readings' own doubts make.
    """

    paper: Array
    one: Array
    two: Array
    every: Array
    misses: Callable[[Array], Array]
    by_hand: Array


def learn_law(coats: Coats) -> Law:
    """Return what second coats tell of overlays on a paper; without any, what is usual."""
    n = len(coats.one)
    # Second coats tell by themselves in which light a colour has no density.
    names = tuple(lights()) if n >= ENOUGH else lights_for(coats.paper, coats.every)
    floors, missed, exponents = {}, {}, {}
    for name in names:
        one, two = (-np.log10(passed(name, coats.paper, films, 0.0)) for films in (coats.one, coats.two))
        base = fit_base(Pairs(one, two, np.arange(len(one))), usual=USUAL)
        floors[name] = _floor(name, coats, float(base.numbers[2]))
        missed[name] = _missed(name, coats, one, base.each)
        exponents[name] = exponent_of(one, two)
    before = np.array([BEFORE[name] for name in names])
    # The mean square of the misses, each light's, with the usual one as some pens more.
    power = np.array(
        [(np.sum(missed[k] ** 2) + USUAL_MISS_PENS * USUAL_MISS**2) / (n + USUAL_MISS_PENS) for k in names]
    )
    worth = before * (power / power.min()) ** (-COUNTS * n / 2)
    worth = worth / worth.sum()
    found = np.array([exponents[name] for name in names])
    mean = float(worth @ found[:, 0])
    variance = float(worth @ (found[:, 1] ** 2 + (found[:, 0] - mean) ** 2))
    left = np.array([np.sum(missed[k] ** 2 - coats.by_hand) for k in names])
    square = (left + USUAL_MISS_PENS * USUAL_MISS**2) / (n + USUAL_MISS_PENS)
    miss = float(np.sqrt(worth @ np.maximum(square, LEAST_MISS**2)))
    return Law(
        worth=dict(zip(names, map(float, worth), strict=True)),
        floors=floors,
        numbers=np.array([mean, 0.0]),
        doubt=np.diag([variance, ORDER_SD**2]),
        miss=miss,
        pens=n,
        overlays=0,
    )


def exponent_of(one: Array, two: Array) -> tuple[float, float]:
    """Return how many times the ink of one coat two leave, and its standard uncertainty, from densities (n, 3) of both.

    The ratio of densities against the density, at density 0; drawn to what is usual by how well that is known. Each pen has one voice
    however many of its channels tell.
    """
    telling = (one > THINNEST) & (one < THIN)
    x, y = one[telling], two[telling] / one[telling]
    sd = np.hypot(HAND, READING / x) * y.clip(1.0, 3.0)
    # Channels of one pen share its hand.
    sd = sd * np.sqrt(np.broadcast_to(telling.sum(axis=1, keepdims=True), one.shape)[telling])
    usual = np.array([USUAL_EXPONENT, FALL])
    prior = np.diag(1 / np.array([USUAL_EXPONENT_SD, FALL_SD]) ** 2)
    design = np.stack([np.ones_like(x), x], axis=-1)
    line, power = usual, prior
    for _ in range(30):
        off = np.abs(y - design @ line) / sd
        weight = np.minimum(1.0, HUBER / np.maximum(off, 1e-9)) / sd**2
        power = prior + (design * weight[:, None]).T @ design
        moved = np.linalg.solve(power, prior @ usual + design.T @ (weight * y))
        if np.allclose(moved, line, atol=1e-6):
            break
        line = moved
    e = float(np.clip(line[0], 1.1, 2.4))
    u = float(np.sqrt(np.linalg.inv(power)[0, 0]))
    return e, float(np.hypot(u, MODEL_SD)) if len(x) else USUAL_EXPONENT_SD


def _floor(name: str, coats: Coats, wanted: float) -> float:
    """Return the floor in one light: what second coats tell, and less than the darkest film."""
    m = lights()[name]
    darkest = float(np.min((coats.every @ m) / (coats.paper @ m), initial=1.0))
    return float(np.clip(wanted, 0.0, BELOW_DARKEST * max(darkest, 0.0)))


def _missed(name: str, coats: Coats, one: Array, each: Array) -> Array:
    """Return how far each second coat is from what the others' law says in one light, (n,) dE00."""
    if not len(one):
        return np.zeros(0)
    grown = np.array([base_density(density, numbers) for density, numbers in zip(one, each, strict=True)])
    m = lights()[name]
    return coats.misses((10.0**-grown * (coats.paper @ m)) @ np.linalg.inv(m))


def moved_by(law: Law, off: Array, slopes: Array, covariance: Array) -> Law:
    """Return the law after real overlays: off (n, 3) reading less prediction, slopes (n, 3, 2) how the prediction changes with the numbers.

    covariance: (n, 3, 3) of off, what the law leaves out included. One Gauss-Newton step from the law's own numbers, which are drawn to what they
    were; what the law leaves out grows or shrinks with what is left (on so many readings besides).
    """
    inverse = np.linalg.inv(covariance)
    power = np.linalg.inv(law.doubt) + np.einsum("nip,nij,njq->pq", slopes, inverse, slopes)
    step = np.linalg.solve(power, np.einsum("nip,nij,nj->p", slopes, inverse, off))
    numbers = np.clip(law.numbers + step, [1.05, -1.5], [2.6, 1.5])
    left = off - slopes @ (numbers - law.numbers)
    square = float(np.einsum("ni,nij,nj->", left, inverse, left)) / 3
    grown = np.sqrt((square + OVERLAYS_BEFORE) / (len(off) + OVERLAYS_BEFORE))
    return Law(
        law.worth, law.floors, numbers, np.linalg.inv(power), law.miss * float(grown), law.pens, len(off)
    )
