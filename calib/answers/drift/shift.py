"""What all pens together moved by between two sessions, apart from single pens.

A scanner, a strip, a paper or a hand that changed moves every marker; a pen that changed moves itself. The shift is smooth: on
a scale like lightness each channel moves by a little that runs smoothly from paper to black, and all inks may be stronger or
weaker by one share. It is fitted to all markers robustly, so that the few that changed do not pull it, nor a sixth of
them that all became weaker: it starts from the closest seven tenths of markers (least trimmed squares; Rousseeuw and Van Driessen,
Data Min. Knowl. Discov. 12 (2006)) and goes on with Tukey's bisquare.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.change import UNKNOWN, Cells
from calib.colour.dose import LEAST_LIGHT

Array = NDArray[np.float64]

# From so many markers on: what is alike in the three channels, its slope, and each channel by itself.
LEAST_MARKERS, SOME_MARKERS, MANY_MARKERS, ALL_MARKERS = 6, 12, 25, 50
# Beforehand a shift may be so large, in L* of each shape (common practice: a strip laid and read twice agrees to a few tenths,
# another driver setting makes several), by a quarter of it in single channels, and so much in the strength of all pens.
LIKELY = (1.0, 2.0, 1.5, 1.0)
LIKELY_CHANNEL = (0.5, 1.0, 0.7, 0.4)
LIKELY_STRENGTH = 0.015
TRIMMED = 0.7
# Tukey's bisquare gives no weight beyond so many standard deviations, and keeps 95 per cent of the efficiency.
BISQUARE = 4.685
STARTS = 12


@dataclass(frozen=True, eq=False)
class Shift:
    """The shift of a session against an earlier one.

    tone: (3, 4) L* of each channel by shape. strength: natural logarithm of what all inks are stronger by. covariance: (13, 13) of
    these, the tone's row by row first. fitted: whether there were markers enough.
    """

    tone: Array
    strength: float
    covariance: Array
    fitted: bool


def no_shift() -> Shift:
    """Return the shift of sessions with too few markers to tell one."""
    return Shift(np.zeros((3, 4)), 0.0, np.zeros((13, 13)), False)


def lightness(light: Array) -> Array:
    """Return light (...) on the scale of CIE 1976 lightness, straight near black, so that noise below nothing is no fault."""
    return np.asarray(
        np.where(light > 216 / 24389, 116 * np.cbrt(np.maximum(light, 1e-9)) - 16, light * 24389 / 27)
    )


def light_of_lightness(value: Array) -> Array:
    """Return the light of a lightness, the way back."""
    return np.asarray(np.where(value > 8, ((value + 16) / 116) ** 3, value * 27 / 24389))


def _rise(light: Array) -> Array:
    """Return how fast the lightness rises with the light."""
    return np.asarray(
        np.where(light > 216 / 24389, 116 / 3 * np.maximum(light, 1e-9) ** (-2 / 3), 24389 / 27)
    )


def shapes(cells: Cells, light: Array) -> Array:
    """Return the four shapes (n, 3, 4) of a tone shift at light (n, 3): on paper 1, 0, 0, 0."""
    paper = np.maximum(cells.curves.light(np.zeros(len(light))), LEAST_LIGHT)
    w = np.clip(1 - lightness(light) / lightness(paper), -0.2, 1.2)
    return np.stack([np.ones_like(w), w, 4 * w * (1 - w), 10 * w * (1 - w) * (1 - 2 * w)], axis=-1)


def without(cells: Cells, shift: Shift) -> Array:
    """Return the light (n, 3) after, over the paper before, with the tone's shift taken off; the strength's is not."""
    if not shift.fitted:
        return cells.light_after
    moved = np.einsum("ncs,cs->nc", shapes(cells, cells.light_after), shift.tone)
    return light_of_lightness(lightness(cells.light_after) - moved)


def design(cells: Cells, strength: Array) -> Array:
    """Return how the scaled light (n, 3) of cells goes with each of the 13 figures of a shift: (n, 3, 13)."""
    n = len(cells.keys)
    by = np.zeros((n, 3, 13))
    tone = shapes(cells, cells.light_after) / (_rise(cells.light_after) * cells.scale)[..., None]
    for c in range(3):
        by[:, c, 4 * c : 4 * c + 4] = tone[:, c]
    by[:, :, 12] = cells.curves.slope(strength) / cells.scale
    return by


def _beforehand(markers: int) -> Array:
    """Return the precision (13, 13) that a shift has before any marker is seen; as many figures as the markers can bear.

    A shape that they cannot bear is alike in all channels, or nothing.
    """
    alike = np.array(LIKELY) ** 2
    apart = np.array(LIKELY_CHANNEL) ** 2
    shapes_alike = 2 if markers < SOME_MARKERS else 3 if markers < ALL_MARKERS else 4
    shapes_apart = 0 if markers < MANY_MARKERS else 2 if markers < ALL_MARKERS else 4
    alike[shapes_alike:] = 1e-10
    apart[shapes_apart:] = 1e-10
    covariance = np.zeros((13, 13))
    for s in range(4):
        place = np.arange(3) * 4 + s
        covariance[np.ix_(place, place)] = alike[s] + apart[s] * np.eye(3)
    covariance[12, 12] = LIKELY_STRENGTH**2
    return np.asarray(np.linalg.inv(covariance))


@dataclass(frozen=True, eq=False)
class _Fit:
    """What stays the same while a shift is fitted: differences (n, 3), design, inverse covariance (n, 3, 3), markers."""

    off: Array
    by: Array
    inverse: Array
    marker: NDArray[np.int64]
    prior: Array

    def solve(self, weight: Array) -> tuple[Array, Array]:
        """Return the figures (13,) and their covariance with a weight (n,) for each cell."""
        part = np.einsum("ncp,ncd,n->npd", self.by, self.inverse, weight)
        normal = np.einsum("npd,ndq->pq", part, self.by) + self.prior
        covariance = np.linalg.inv(normal)
        return covariance @ np.einsum("npd,nd->p", part, self.off), covariance

    def squares(self, figures: Array) -> Array:
        """Return each marker's d S**-1 d (k,) over its number of figures."""
        left = self.off - self.by @ figures
        each = np.einsum("nc,ncd,nd->n", left, self.inverse, left)
        return np.asarray(np.bincount(self.marker, each) / (3 * np.bincount(self.marker)))


def fit_shift(cells: Cells, hand: float, reading: float) -> Shift:
    """Fit a shift to cells whose stated doubts are multiplied by hand (of the ink) and reading (of all else)."""
    count = len(cells.markers)
    if count < LEAST_MARKERS:
        return no_shift()
    along = cells.curves.slope(np.ones(len(cells.keys))) / cells.scale
    covariance = reading**2 * cells.noise + np.einsum(
        "n,ni,nj->nij", (hand * cells.u_hand) ** 2, along, along
    )
    covariance += UNKNOWN**2 * cells.unknown
    fit = _Fit(
        (cells.light_after - cells.light_before) / cells.scale,
        design(cells, np.ones(len(cells.keys))),
        np.linalg.inv(covariance),
        cells.marker,
        _beforehand(count),
    )
    figures = _start(fit, count)
    # The closest markers' own spread tells what is far, however wide or narrow the doubts are stated.
    for _ in range(30):
        squares = fit.squares(figures)
        size = max(float(np.median(squares)), 1e-6) / 0.85
        distance = np.sqrt(squares / size)
        # A mean of several squares is rarely as large as a single one.
        weight = np.maximum(1 - (distance / (BISQUARE * 0.6)) ** 2, 0.0) ** 2
        new, spread = fit.solve(weight[cells.marker])
        done = np.max(np.abs(new - figures)) < 1e-5
        figures = new
        if done:
            break
    return Shift(figures[:12].reshape(3, 4), float(figures[12]), spread, True)


def _start(fit: _Fit, count: int) -> Array:
    """Return figures (13,) near the middle of most markers: least trimmed squares from several beginnings."""
    rng = np.random.default_rng(0)
    kept = max(int(np.ceil(TRIMMED * count)), count // 2 + 1)
    begins = [np.zeros(13), fit.solve(np.ones(len(fit.off)))[0]]
    for _ in range(STARTS):
        some = rng.permutation(count)[: max(count // 4, 5)]
        begins.append(fit.solve(np.isin(fit.marker, some).astype(float))[0])
    best, least = begins[0], np.inf
    for figures in begins:
        for _ in range(8):
            close = np.argsort(fit.squares(figures), kind="stable")[:kept]
            figures = fit.solve(np.isin(fit.marker, close).astype(float))[0]
        cost = float(np.sort(fit.squares(figures))[:kept].sum() + figures @ fit.prior @ figures / 3)
        if cost < least:
            best, least = figures, cost
    return best
