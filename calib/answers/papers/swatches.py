"""Swatches of one paper against the same ones on another, with their doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Film, lab_near
from calib.answers.papers.amounts import Amounts, amounts_on, on_paper
from calib.answers.papers.sheets import Key, Sheet
from calib.colour.difference import interval, lch_differences
from calib.colour.uncertainty import joint_freedom

Array = NDArray[np.float64]

# More degrees of freedom than any chart has: the doubt counts as known.
MOST_FREEDOM = 1e6


@dataclass(frozen=True, eq=False)
class Differences:
    """Swatches of one paper against the same ones on the first, one entry per key.

    dE00, low, high: (n,) with a 95 per cent interval. parts: (n, 3) dL, dC, dH. amounts: of ink against the first paper's. u:
    (n,) standard uncertainty of that ratio. tinted: (n, 3) Lab less that of as much ink on the first paper.
    beyond: (n, 3) Lab less that of as much ink over this paper's white. freedom: (n,) degrees of freedom behind the doubt, 0 where
    it was assumed.
    """

    keys: tuple[Key, ...]
    dE00: Array
    low: Array
    high: Array
    parts: Array
    amounts: Amounts
    u: Array
    tinted: Array
    beyond: Array
    freedom: Array


def models_of(sheet: Sheet) -> set[tuple[str, str]]:
    """Return the colour models that are known to stand behind a paper's films."""
    return {sheet.sessions[sheet.home[key]].origin.colour_model for key in sheet.films} - {("", "")}


def differences_of(keys: tuple[Key, ...], first: Sheet, sheet: Sheet) -> Differences:
    """Return every swatch of sheet that the first paper has too, against it; keys: which these are."""
    one, two = [first.films[key] for key in keys], [sheet.films[key] for key in keys]
    bare = np.array([sheet.bare_below(key) for key in keys]).reshape(-1, 3)
    lab = np.array([film.lab for film in one]).reshape(-1, 3)
    light = np.array([film.linear for film in one]).reshape(-1, 3)
    other = np.array([film.lab for film in two]).reshape(-1, 3)
    if len(models_of(first) | models_of(sheet)) > 1:
        # Unlike colour models are taken out by way of the light, in which no model has a part.
        other = _near(lab, light, np.array([film.linear for film in two]).reshape(-1, 3))
    covariance = np.array([a.covariance + b.covariance for a, b in zip(one, two, strict=True)]).reshape(
        -1, 3, 3
    )
    traces = np.array([[np.sqrt(np.trace(f.covariance)) for f in films] for films in (one, two)])
    freedom = joint_freedom(traces, [_freedom(first), _freedom(sheet)]) if keys else np.zeros(0)
    ends = interval(lab, other, covariance, freedom) if keys else (np.zeros(0), np.zeros(0), np.zeros(0))
    amounts = amounts_on([_with_other_coat(first, key) for key in keys], two, bare)
    k = np.where(np.isfinite(amounts.amount), amounts.amount, [film.amount for film in one])
    curves = amounts.curves
    same = np.array([curve.light(x)[0] for curve, x in zip(curves, k, strict=True)]).reshape(-1, 3)
    over = np.array(
        [on_paper(curve, paper).light(x)[0] for curve, paper, x in zip(curves, bare, k, strict=True)]
    ).reshape(-1, 3)
    typical = float(np.nanmedian(amounts.ratio)) if np.isfinite(amounts.ratio).any() else 1.0
    return Differences(
        keys, *ends, lch_differences(lab, other), amounts,
        np.hypot(abs(typical) * np.hypot(amounts.u_hand, amounts.u_read), amounts.lean),
        other - _near(lab, light, same),
        other - _near(lab, light, over),
        np.where(freedom < MOST_FREEDOM, freedom, 0.0),
    )  # fmt: skip


def _with_other_coat(sheet: Sheet, key: Key) -> tuple[Film, Film | None, Array]:
    return sheet.films[key], sheet.films.get((key[0], 3 - key[1])), sheet.bare_below(key)


def _near(lab: Array, light: Array, wanted: Array) -> Array:
    return lab_near(lab, light, wanted) if len(lab) else np.zeros((0, 3))


def _freedom(sheet: Sheet) -> int:
    """Return the degrees of freedom behind a paper's doubts, of several sessions the fewest; 0 where assumed."""
    return min((sheet.sessions[i].freedom for i in set(sheet.home.values())), default=0)
