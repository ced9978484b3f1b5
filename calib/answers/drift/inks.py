"""The ink behind the light of cells, against that of the session before, and how far a colour lies off its dose curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.change import UNKNOWN, Cells

Array = NDArray[np.float64]

# Amounts of ink are looked for within these bounds, relative to the session before.
LEAST_AMOUNT, MOST_AMOUNT = 0.02, 6.0
# How far along the curve a change is misread, as a share of it: with curves of two coats, and straight ones, which know
# nothing of how density lags behind the ink (measured on films from spectra, four scanners).
MISREAD, MISREAD_STRAIGHT = 0.05, 0.12


@dataclass(frozen=True, eq=False)
class Inks:
    """The ink of cells against that of the session before.

    strength: (n,) amount after over before. u_read: (n,) its standard uncertainty, relative to the amount, by the reading alone. across: (n, 3)
    scaled light off the curve. way: (n, 3) unit vector along it. reads: (n, 3) how the logarithm of the strength goes with scaled light.
    """

    strength: Array
    u_read: Array
    u_unknown: Array
    across: Array
    way: Array
    reads: Array


def inks_of(cells: Cells, light: Array) -> Inks:
    """Return the ink behind light (n, 3), by weighted least squares over the channels along each cell's dose curve."""
    alike: Array = np.tile(np.eye(3), (len(light), 1, 1))
    m, _ = _along(cells, light, np.ones(len(light)), alike)
    # How much each channel tells depends on how far the curve is followed, which is known roughly by now.
    known = np.asarray(
        np.linalg.inv(cells.noise + UNKNOWN**2 * cells.unknown + cells.astray(np.log(m))), dtype=float
    )
    m, h = _along(cells, light, m, known)
    u_read, u_unknown = (
        np.sqrt(np.einsum("ni,nij,nj->n", h, part, h)) for part in (cells.noise, UNKNOWN**2 * cells.unknown)
    )
    start = cells.light_before - cells.curves.light(np.ones(len(light)))
    off = (light - start - cells.curves.light(m)) / cells.scale
    along = cells.curves.slope(m) / cells.scale
    # Where there is no ink there is no way, and any will do.
    length = np.linalg.norm(along, axis=1)[:, None]
    way = np.where(length > 1e-6, along / np.maximum(length, 1e-6), np.full(3, 3**-0.5))
    return Inks(m, u_read, u_unknown, np.asarray(off - np.sum(off * way, axis=1)[:, None] * way), way, h)


def _along(cells: Cells, light: Array, m: Array, weight: Array) -> tuple[Array, Array]:
    """Return the amounts (n,) whose light comes nearest, from a first guess m, and how their logarithm goes with scaled light (n, 3)."""
    # A curve need not go quite through the film that it was made from; the change counts from there.
    start = cells.light_before - cells.curves.light(np.ones(len(light)))

    def pull(m: Array) -> Array:
        along = cells.curves.slope(m) / cells.scale
        pulled = np.einsum("nij,nj->ni", weight, along)
        return np.asarray(pulled / np.maximum(np.sum(along * pulled, axis=1), 1e-12)[:, None])

    for _ in range(25):
        off = (light - start - cells.curves.light(m)) / cells.scale
        step = np.sum(pull(m) * off, axis=1)
        m = np.clip(m * np.exp(np.clip(step, -0.4, 0.4)), LEAST_AMOUNT, MOST_AMOUNT)
    return m, pull(m)


def across_squares(across: Array, way: Array, covariance: Array) -> Array:
    """Return d S**-1 d (n,) of what lies across the way, in the plane across it; covariance (n, 3, 3) of scaled light."""
    # Two vectors across the way, from whichever axis lies farthest from it.
    axis = np.eye(3)[np.argmin(np.abs(way), axis=1)]
    first = np.cross(way, axis)
    first /= np.maximum(np.linalg.norm(first, axis=1), 1e-12)[:, None]
    plane = np.stack([first, np.cross(way, first)], axis=1)
    s = np.einsum("nai,nij,nbj->nab", plane, covariance, plane)
    # Light of nothing at all has no doubt at all.
    s += (1e-9 + 1e-9 * np.trace(s, axis1=1, axis2=2))[:, None, None] * np.eye(2)
    d = np.einsum("nai,ni->na", plane, across)
    return np.asarray(np.einsum("na,na->n", d, np.linalg.solve(s, d[..., None])[..., 0]))
