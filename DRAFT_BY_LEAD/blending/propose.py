"""Sets proposed: the evenest from dark to light over all pens of a table, found exactly by dynamic programming."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.blending.cost import Field, field_of, unevenness
from calib.answers.doubles.groups import USUALLY_ACCEPTED
from calib.answers.doubles.pens import Pen
from calib.answers.shelf import Shelf
from calib.colour.colorimetry import delta_e_2000
from calib.errors import ImpossibleError

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

MOST_STEPS = 12
ALTERNATIVES = 3
Search = Callable[[NDArray[np.bool_]], list[int] | None]
# Around a hue: pens that turn further from it than this, or are paler than this, are none of that hue (our own choice).
HUE_REACH, LEAST_CHROMA = 25.0, 12.0
# A set may be no more than so many times as uneven as the best, or it is no alternative.
WORTH = 3.0


@dataclass(frozen=True, eq=False)
class Proposal:
    """A set from dark to light. uneven: see cost.unevenness. coats: those that it was chosen in."""

    pens: tuple[Pen, ...]
    uneven: float
    coats: tuple[int, ...]


def between(shelf: Shelf, dark: Pen, light: Pen, steps: int) -> tuple[Proposal, ...]:
    """Return the evenest set of so many pens from one pen to another, both included, and others that truly differ, the best first.

    Chosen in every coat that both ends have. Raises ImpossibleError where there is none.
    """
    _check_steps(steps)
    coats = [n for n in (1, 2) if n in dark.coats and n in light.coats]
    if not coats:
        raise ImpossibleError(
            f"{dark.called} and {light.called} were not measured in the same number of coats", "Colour both in one coat."
        )
    if any(dark.coats[n].film.lab[0] >= light.coats[n].film.lab[0] for n in coats):
        raise ImpossibleError(f"{dark.called} is not darker than {light.called} in {_coats(coats)}", "Choose other ends.")
    inner = [pen for pen in shelf.offered if pen not in (dark, light)]
    field = field_of([dark, *inner, light], coats)
    ends = 0, len(field.pens) - 1
    found = _alternatives(field, steps, lambda banned: _shortest(field, steps, ends, banned))
    if not found:
        raise ImpossibleError(
            f"no {steps} pens lead from {dark.called} to {light.called}, each lighter than the last in {_coats(coats)}",
            "Ask for fewer steps, or choose ends further apart.",
        )
    return found


def around(shelf: Shelf, hue: float, steps: int, contrast: float) -> tuple[Proposal, ...]:
    """Return the evenest sets of so many pens that keep near a hue angle (degrees) and span a contrast (L*), the best first.

    Chosen in one coat and in two where the pens have both. Raises ImpossibleError where there is none.
    """
    _check_steps(steps)
    both = [pen for pen in shelf.offered if 1 in pen.coats and 2 in pen.coats]
    coats = (1, 2) if len(both) >= steps else (1,) if any(1 in pen.coats for pen in shelf.offered) else (2,)
    field = field_of([pen for pen in shelf.offered if _near_hue(pen, coats, hue)], coats)
    found = _alternatives(field, steps, lambda banned: _free(field, steps, contrast, hue, banned))
    if not found:
        raise ImpossibleError(
            f"no {steps} pens within {HUE_REACH:g} degrees of the hue {hue:g} step from dark to light",
            "Ask for fewer steps, or for another hue.",
        )
    return found


def _check_steps(steps: int) -> None:
    if not 2 <= steps <= MOST_STEPS:
        raise ImpossibleError(f"a set of {steps} pens cannot be proposed", f"Ask for 2 to {MOST_STEPS}.")


def _coats(coats: Sequence[int]) -> str:
    return "one coat and in two" if len(coats) > 1 else "one coat" if coats[0] == 1 else "two coats"


def _near_hue(pen: Pen, coats: Sequence[int], hue: float) -> bool:
    for n in coats:
        if n not in pen.coats:
            return False
        _, a, b = pen.coats[n].film.lab
        turn = (np.degrees(np.arctan2(b, a)) - hue + 180) % 360 - 180
        if np.hypot(a, b) < LEAST_CHROMA or abs(turn) > HUE_REACH:
            return False
    return True


def _alternatives(field: Field, steps: int, search: Search) -> tuple[Proposal, ...]:
    """Return the best set and those that are best without one of its inner pens and whatever is a double of that.

    search: from the pens that are banned (n,) to the best path.
    """
    banned = np.zeros(len(field.pens), dtype=bool)
    best = search(banned) if len(field.pens) >= steps else None
    if best is None:
        return ()
    found = {tuple(best): _proposal(field, best)}
    for place in best[1:-1]:
        path = search(_doubles(field, int(place)))
        if path is not None:
            found.setdefault(tuple(path), _proposal(field, path))
    first, *others = found.values()
    others = [one for one in others if one.uneven <= WORTH * max(first.uneven, 0.1)]
    return (first, *sorted(others, key=lambda one: one.uneven)[: ALTERNATIVES - 1])


def _proposal(field: Field, path: Sequence[int]) -> Proposal:
    return Proposal(tuple(field.pens[i] for i in path), unevenness(field.lab[:, path]), field.coats)


def _doubles(field: Field, place: int) -> NDArray[np.bool_]:
    """Return (n,) which pens are near-duplicates of one, itself included, in every coat."""
    apart = np.max([delta_e_2000(lab[place], lab) for lab in field.lab], axis=0)
    return np.asarray(apart <= USUALLY_ACCEPTED)


def _shortest(field: Field, steps: int, ends: tuple[int, int], banned: NDArray[np.bool_]) -> list[int] | None:
    """Return the path of so many pens between two whose squared steps add up to least; ends are never banned."""
    closed = banned.copy()
    closed[list(ends)] = False
    step = np.where(field.may & ~closed[:, None] & ~closed[None, :], field.square, np.inf)
    cost = np.full(len(field.pens), np.inf)
    cost[ends[0]] = 0.0
    return _walk(cost, step, steps, ends[1])


def _free(field: Field, steps: int, contrast: float, hue: float, banned: NDArray[np.bool_]) -> list[int] | None:
    """Return the path of so many pens that steps evenly over a contrast and turns least from a hue, wherever it begins and ends."""
    even = contrast / (steps - 1)
    lightness = field.lab[..., 0]
    off = ((lightness[:, None, :] - lightness[:, :, None] - even) ** 2).mean(axis=0)
    across = field.square - ((lightness[:, None, :] - lightness[:, :, None]) ** 2).mean(axis=0)
    step = np.where(field.may & ~banned[:, None] & ~banned[None, :], off + across, np.inf)
    way = np.radians(hue)
    aside = (field.lab[..., 1] * -np.sin(way) + field.lab[..., 2] * np.cos(way)) ** 2
    own = aside.mean(axis=0)
    return _walk(np.where(banned, np.inf, own), step + own[None, :], steps, None)


def _walk(cost: Array, step: Array, steps: int, end: int | None) -> list[int] | None:
    """Return the cheapest path of so many places: Bellman's recursion over the steps, the first of equals.

    cost: (n,) of beginning at each place. step: (n, n) from i to j, infinite where there is none. end: where to end, None for anywhere.
    """
    came: list[Ints] = []
    for _ in range(steps - 1):
        total = cost[:, None] + step
        came.append(np.argmin(total, axis=0))
        cost = total.min(axis=0)
    last = int(np.argmin(cost)) if end is None else end
    if not np.isfinite(cost[last]):
        return None
    path = [last]
    for back in reversed(came):
        path.append(int(back[path[-1]]))
    return path[::-1]
