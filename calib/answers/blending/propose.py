"""Proposing a set: the best of all that a table's pens allow, and others that truly differ.

What is best, in words. Take a set of N pens. In one number of coats its even step is its span in L* over N - 1, in lightness alone. Each of
its real steps misses that one by so much in L*, and by half of what it changes in chroma and hue (as CIE94 weighs them; half, because lightness
carries the form). The set's cost is the mean of the squares of all these misses, over its steps and over one coat and two; its root, in L*, is called
its miss. Steps that are less than 2 L* lighter
in some number of coats are none, and pens that most people would take for one another never stand in one set.

Between two pens the cheapest set of all is found. Around a hue both ends are free, so the miss is taken as a share of the even step (else the
narrowest set would win), each pen's own distance from the hue counts like a step's, and the set must reach the contrast that is wanted, or
nearly the widest that can be had where none does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.answers.blending.named import both_pens, flagged_words
from calib.answers.blending.pool import (
    Pool,
    coat_words,
    common_coats,
    lacking_words,
    may_be_proposed,
    pool_of,
)
from calib.answers.blending.proposal import Proposal, kept_apart, proposal_of, too_many
from calib.answers.blending.search import cheapest, most_nodes
from calib.answers.blending.steps import ACROSS_FACTOR, HUE_WEIGHT, LEAST_STEP, lab_of
from calib.answers.doubles.pens import Pen
from calib.answers.shelf import Shelf
from calib.colour.naming import is_grey
from calib.errors import ImpossibleError

Array = NDArray[np.float64]

# How many sets are proposed, each of which shares half of its pens with an earlier one at most.
ALTERNATIVES = 3
# A set around a hue is made of pens within this many degrees of it (invented: a twelfth of the circle either way), and of the nearest so many.
NEAR_HUE = 30.0
MOST_AROUND = 80
# Where no set reaches the contrast wanted, those count that reach this share of the widest there is (invented).
NEARLY = 0.95


def propose_between(
    shelf: Shelf, ends: tuple[str, str], steps: int, layers: tuple[int, ...] | None, contrast: float
) -> Proposal:
    """Return the best sets of so many pens from the first of two pens, the darker, to the second.

    layers: numbers of coats that it is for, None for all in which both ends were read. contrast: in L*, what is wanted. Raises
    ImpossibleError where an end is unknown, both are one pen, or the pens between them are too few.
    """
    dark, light = both_pens(shelf, ends)
    coats = common_coats([dark, light], layers)
    warnings = [
        *shelf.warnings,
        *flagged_words(shelf, (dark, light)),
        *lacking_words((dark, light), coats, layers),
    ]
    lab = lab_of([dark, light], coats)
    rise = lab[:, 1, 0] - lab[:, 0, 0]
    if rise.mean() < 0:
        warnings.append(f"{light.called} is the darker of the two, so the set begins with it")
        dark, light, rise = light, dark, -rise
    if (rise < LEAST_STEP).any():
        figures = " and ".join(
            f"{value:.1f} L in {coat_words((n,))}" for n, value in zip(coats, rise, strict=True)
        )
        raise ImpossibleError(
            f"{light.called} is lighter than {dark.called} by {figures}, which leaves no room for a blend",
            "Name a darker and a lighter marker.",
        )
    good, barred = may_be_proposed(shelf, coats)
    ids = {dark.marker, light.marker}
    barred = {marker: why for marker, why in barred.items() if marker not in ids}
    L = lab_of([dark, light], coats)[..., 0]
    inner = [pen for pen in good if pen.marker not in ids and _inside(pen, coats, L)]
    pool = pool_of([dark, light, *inner], coats)
    first, last = pool.place(dark.marker), pool.place(light.marker)
    most = most_nodes(pool.edges, _only(pool, first), _only(pool, last))
    if steps > most:
        raise too_many(steps, most, f"between {dark.called} and {light.called}")
    chosen: list[tuple[int, ...]] = []
    for _ in range(ALTERNATIVES if steps > 2 else 1):
        paths = cheapest(pool.cost, [first], steps, kept_apart(pool, chosen, (steps - 2) // 2, (first, last)))
        if not np.isfinite(paths.value[0, last]):
            break
        chosen.append(paths.nodes(0, last))
    return proposal_of(shelf, pool, (steps, None, contrast), chosen, (barred, warnings))


def propose_around(
    shelf: Shelf, hue: float | str, steps: int, layers: tuple[int, ...] | None, contrast: float
) -> Proposal:
    """Return the best sets of so many pens around a hue in degrees, or around that of the marker of this id.

    layers: numbers of coats that it is for, None for all in which at least half of the pens were read. contrast: in L*, what the set should span. Raises
    ImpossibleError where too few pens are near that hue.
    """
    # A number of coats that most pens were not read in would leave most of them out.
    coats = layers or tuple(
        n for n in (1, 2) if 2 * sum(n in pen.coats for pen in shelf.pens) >= len(shelf.pens)
    )
    target, coats = _targets(shelf, hue, coats, layers)
    good, barred = may_be_proposed(shelf, coats)
    turned = [
        (float(_off_hue(lab_of([pen], coats)[:, 0], target).max()), pen)
        for pen in good
        if not any(is_grey(pen.coats[n].film.lab, shelf.white) for n in coats)
    ]
    near = sorted(
        ((turn, pen.order, pen) for turn, pen in turned if turn <= NEAR_HUE), key=lambda one: one[:2]
    )
    pens = [pen for _, _, pen in near[:MOST_AROUND]]
    where = f"within {NEAR_HUE:.0f} degrees of hue {target[0] % 360:.0f}"
    if len(pens) < steps:
        raise too_many(steps, len(pens), where)
    pool = pool_of(pens, coats)
    every = np.ones(len(pens), dtype=bool)
    most = most_nodes(pool.edges, every, every)
    if steps > most:
        raise too_many(steps, most, where)
    own = _hue_cost(pool.lab, target)
    span = pool.lab[:, None, :, 0] - pool.lab[:, :, None, 0]
    chosen: list[tuple[int, ...]] = []
    least, reached = contrast, True
    for _ in range(ALTERNATIVES):
        paths = cheapest(pool.cost, range(len(pens)), steps, kept_apart(pool, chosen, steps // 2), own)
        possible = np.isfinite(paths.value)
        if not chosen and possible.any():
            widest = float(span.mean(axis=0)[possible].max())
            reached = widest >= contrast
            least = contrast if reached else NEARLY * widest
        possible &= span.mean(axis=0) >= least
        if not possible.any():
            break
        even = np.maximum(np.mean(span**2, axis=0), LEAST_STEP**2) / (steps - 1) ** 2
        share = np.where(possible, paths.value / (steps - 1) / even - 1.0, np.inf)
        start, end = np.unravel_index(int(np.argmin(share)), share.shape)
        chosen.append(paths.nodes(int(start), int(end)))
    warnings = [*shelf.warnings]
    if not reached:
        warnings.append(
            f"no {steps} of your pens near that hue span {contrast:.0f} L; these come close to the most there is"
        )
    return proposal_of(
        shelf, pool, (steps, float(target[0] % 360), contrast), chosen, (barred, warnings), reached
    )


def _inside(pen: Pen, coats: tuple[int, ...], L: Array) -> bool:
    own = lab_of([pen], coats)[:, 0, 0]
    return bool(np.all(own >= L[:, 0] + LEAST_STEP) and np.all(own <= L[:, 1] - LEAST_STEP))


def _only(pool: Pool, place: int) -> NDArray[np.bool_]:
    return np.asarray(np.arange(len(pool.pens)) == place)


def _targets(
    shelf: Shelf, hue: float | str, coats: tuple[int, ...], asked: tuple[int, ...] | None
) -> tuple[Array, tuple[int, ...]]:
    """Return the hue in degrees in each number of coats, and these; a marker's own hue may turn with the second coat."""
    if not isinstance(hue, str):
        return np.full(len(coats), float(hue)), coats
    (pen,) = both_pens(shelf, [hue])
    coats = common_coats([pen], asked)
    lab = lab_of([pen], coats)[:, 0]
    if any(is_grey(one, shelf.white) for one in lab):
        raise ImpossibleError(
            f"{pen.called} is near grey, and a grey's hue means nothing",
            "Name a marker with a colour, or a hue in degrees.",
        )
    return np.degrees(np.arctan2(lab[:, 2], lab[:, 1])), coats


def _off_hue(lab: Array, target: Array) -> Array:
    """Return (k, ...) by how many degrees colours (k, ..., 3) are off the hue (k,), 0 to 180."""
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))
    return np.asarray(np.abs((hue - target.reshape(-1, *[1] * (hue.ndim - 1)) + 180.0) % 360.0 - 180.0))


def _hue_cost(lab: Array, target: Array) -> Array:
    """Return (n,) the mean over coats of the squared hue difference from the same chroma at the hue asked for, weighed like a step's."""
    C = np.hypot(lab[..., 1], lab[..., 2])
    away = 2 * C * np.sin(np.radians(_off_hue(lab, target)) / 2) / (1 + HUE_WEIGHT * C) / ACROSS_FACTOR
    return np.asarray(np.mean(away**2, axis=0))
