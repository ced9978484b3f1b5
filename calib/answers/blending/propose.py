"""Proposing a set: the best of all that a table's pens allow, and others that truly differ.

What is best, in words. Take a set of N pens. In one number of coats its even step is its span in L* over N - 1, in lightness alone. Each of
its real steps misses that one by so much in L*, and by what it changes in chroma and hue (weighed as CIE94 weighs them). The set's cost is the mean of the
squares of all these misses, over its steps and over one coat and two; its root, in L*, is called its miss. Steps that are less than 2 L* lighter
in some number of coats are none, and pens that most people would take for one another never stand in one set.

Between two pens the cheapest set of all is found. Around a hue both ends are free, so the miss is taken as a share of the even step (else the
narrowest set would win), each pen's own distance from the hue counts like a step's, and the set must reach the contrast that is wanted, or
nearly the widest that can be had where none does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.blending.evenness import chances
from calib.answers.blending.pool import (
    Pool,
    common_coats,
    coat_words,
    may_be_proposed,
    pool_of,
)
from calib.answers.blending.search import Apart, cheapest, most_nodes
from calib.answers.blending.steps import (
    HUE_WEIGHT,
    LEAST_STEP,
    Blend,
    blend_of,
    covariance_of,
    lab_of,
    squared_miss,
)
from calib.answers.doubles.pens import Pen
from calib.answers.shelf import Shelf
from calib.colour.naming import is_grey
from calib.colour.uncertainty import normal_draws
from calib.errors import CalibError, ImpossibleError

Array = NDArray[np.float64]

ALTERNATIVES = 3
# A set around a hue is made of pens within this many degrees of it (invented: a twelfth of the circle either way), and of the nearest so many.
NEAR_HUE = 30.0
MOST_AROUND = 80
# Where no set reaches the contrast wanted, those count that reach this share of the widest there is (invented).
NEARLY = 0.95
# How often the colours are drawn anew to see which set would come out best.
DRAWS = 400


@dataclass(frozen=True, eq=False)
class Proposal:
    """Sets, the best first.

    coats: what they were chosen for. hue: degrees, None between two pens. others: how often of 1 each set would come out best if all of its pens were
    coloured again. considered: how many pens could be in a set. barred: why others could not, by id. reached: whether the contrast that was
    wanted around a hue is reached. warnings: sentences.
    """

    shelf: Shelf
    coats: tuple[int, ...]
    steps: int
    hue: float | None
    blends: tuple[Blend, ...]
    others: tuple[float, ...]
    considered: int
    barred: dict[str, str]
    contrast: float
    reached: bool
    warnings: tuple[str, ...]


def propose_between(
    shelf: Shelf, ends: tuple[str, str], steps: int, layers: tuple[int, ...] | None, contrast: float
) -> Proposal:
    """Return the best sets of so many pens from the first of two pens, the darker, to the second.

    layers: numbers of coats that it is for, None for all in which both ends were read. contrast: in L*, what is wanted. Raises
    ImpossibleError where an end is unknown, both are one pen, or the pens between them are too few.
    """
    dark, light = both_pens(shelf, ends)
    coats = common_coats([dark, light], layers)
    warnings = [*shelf.warnings, *flagged_words(shelf, (dark, light))]
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
        raise _too_many(steps, most, f"between {dark.called} and {light.called}")
    chosen: list[tuple[int, ...]] = []
    for _ in range(ALTERNATIVES if steps > 2 else 1):
        paths = cheapest(pool.cost, [first], steps, _apart(pool, chosen, (steps - 2) // 2, (first, last)))
        if not np.isfinite(paths.value[0, last]):
            break
        chosen.append(paths.nodes(0, last))
    return _proposal(shelf, pool, (steps, None, contrast), chosen, (barred, warnings))


def propose_around(
    shelf: Shelf, hue: float | str, steps: int, layers: tuple[int, ...] | None, contrast: float
) -> Proposal:
    """Return the best sets of so many pens around a hue in degrees, or around that of the marker of this id.

    layers: numbers of coats that it is for, None for all in which any pen was read. contrast: in L*, what the set should span. Raises
    ImpossibleError where too few pens are near that hue.
    """
    coats = layers or tuple(n for n in (1, 2) if any(n in pen.coats for pen in shelf.pens))
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
        raise _too_many(steps, len(pens), where)
    pool = pool_of(pens, coats)
    every = np.ones(len(pens), dtype=bool)
    most = most_nodes(pool.edges, every, every)
    if steps > most:
        raise _too_many(steps, most, where)
    own = _hue_cost(pool.lab, target)
    span = pool.lab[:, None, :, 0] - pool.lab[:, :, None, 0]
    chosen: list[tuple[int, ...]] = []
    least, reached = contrast, True
    for _ in range(ALTERNATIVES):
        paths = cheapest(pool.cost, range(len(pens)), steps, _apart(pool, chosen, steps // 2), own)
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
    return _proposal(shelf, pool, (steps, float(target[0] % 360), contrast), chosen, (barred, warnings), reached)


def both_pens(shelf: Shelf, markers: Sequence[str]) -> tuple[Pen, ...]:
    """Return the pens of these ids; all mistakes of the ids are said at once."""
    errors: list[CalibError] = []
    found = []
    seen: set[str] = set()
    for marker in (one.strip() for one in markers):
        if marker in seen:
            errors.append(ImpossibleError(f"'{marker}' is named twice", "Name each marker once."))
            continue
        seen.add(marker)
        blender = [one.why for one in shelf.left if one.marker == marker and "blender" in one.why]
        if blender:
            errors.append(
                ImpossibleError(f"'{marker}' {blender[0]}", "It has no place in a set; leave it out.")
            )
            continue
        try:
            found.append(shelf.pen(marker))
        except CalibError as error:
            errors.append(error)
    if errors:
        raise errors[0] if len(errors) == 1 else CalibError.joined(errors)
    return tuple(found)


def flagged_words(shelf: Shelf, pens: Sequence[Pen]) -> list[str]:
    """Return warnings of pens that would not be proposed."""
    return [
        f"{pen.called} {shelf.avoid[pen.marker]}, so its colour may not be what it should be"
        for pen in pens
        if pen.marker in shelf.avoid
    ]


def _inside(pen: Pen, coats: tuple[int, ...], L: Array) -> bool:
    own = lab_of([pen], coats)[:, 0, 0]
    return bool(np.all(own >= L[:, 0] + LEAST_STEP) and np.all(own <= L[:, 1] - LEAST_STEP))


def _only(pool: Pool, place: int) -> NDArray[np.bool_]:
    return np.arange(len(pool.pens)) == place


def _too_many(steps: int, most: int, where: str) -> ImpossibleError:
    what = f"at most {most} pens can stand in a row {where}, each a step of {LEAST_STEP:.0f} L lighter, and {steps} were asked for"
    if most == 0:
        what = f"none of your pens are {where}"
    todo = f"Ask for --steps {most} or fewer." if most > 1 else "Ask for other ends or another hue."
    return ImpossibleError(what, todo)


def _apart(
    pool: Pool, chosen: Sequence[tuple[int, ...]], most: int, but: tuple[int, ...] = ()
) -> list[Apart]:
    """Return that a path may have so many of each earlier one's pens at most, the ends that all share not counted."""
    found = []
    for path in chosen:
        nodes = np.zeros(len(pool.pens), dtype=bool)
        nodes[[i for i in path if i not in but]] = True
        found.append(Apart(nodes, most))
    return found


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
    """Return (n,) the mean over coats of the squared hue difference from the same chroma at the hue asked for, weighed as CIE94 does."""
    C = np.hypot(lab[..., 1], lab[..., 2])
    away = 2 * C * np.sin(np.radians(_off_hue(lab, target)) / 2) / (1 + HUE_WEIGHT * C)
    return np.asarray(np.mean(away**2, axis=0))


def _proposal(
    shelf: Shelf,
    pool: Pool,
    asked: tuple[int, float | None, float],
    chosen: Sequence[tuple[int, ...]],
    said: tuple[dict[str, str], list[str]],
    reached: bool = True,
) -> Proposal:
    steps, hue, contrast = asked
    blends = tuple(blend_of([pool.pens[i] for i in path], pool.coats, shelf.white) for path in chosen)
    return Proposal(
        shelf,
        pool.coats,
        steps,
        hue,
        blends,
        _luck(pool, chosen, hue is not None),
        len(pool.pens) - (2 if hue is None else 0),
        said[0],
        contrast,
        reached,
        tuple(said[1]),
    )


def _luck(pool: Pool, chosen: Sequence[tuple[int, ...]], relative: bool) -> tuple[float, ...]:
    """Return how often each set would come out best if every pen were coloured and read again."""
    used = sorted({i for path in chosen for i in path})
    covariance = covariance_of([pool.pens[i] for i in used], pool.coats)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    z = normal_draws(DRAWS, len(pool.coats) * len(used) * 3).reshape(DRAWS, len(pool.coats), len(used), 3)
    drawn = pool.lab[:, used] + np.einsum("knij,dknj->dkni", root, z)
    misses = []
    for path in chosen:
        lab = drawn[:, :, [used.index(i) for i in path]]
        miss = squared_miss(lab)
        if relative:
            span = lab[..., -1, 0] - lab[..., 0, 0]
            miss = miss / np.maximum(np.mean(span**2, axis=-1), LEAST_STEP**2)
        misses.append(miss)
    return chances(misses)
