"""How likely each of the nearest pens truly is the nearest: all readings are drawn anew from their doubts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.pens import Pen, Taken
from calib.answers.matching.target import GIVEN, Target
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import local_scale
from calib.colour.uncertainty import normal_draws

Array = NDArray[np.float64]
# A pen, and its numbers of coats each with the aim that it is held against.
Candidate = tuple[Pen, list[tuple[int, int]]]

DRAWS = 1000
# The pens that together hold this share of the chance are those of which it cannot be told which is the nearest.
SHARE = 0.95
# What a scanner gets wrong about two inks is much alike while they are near and little alike when they are not: the correlation falls to
# 1/e over so many dE00. On spectra of invented inks, read by three kinds of sensors through a fitted matrix, it was 0.94 to 0.97 at 1 dE00,
# 0.74 to 0.87 at 6, 0.43 to 0.65 at 11 and 0.10 to 0.37 at 22.
ALIKE_OVER = 15.0


def chances(rivals: Sequence[Candidate], target: Target) -> Array:
    """Return how often (n,) each of the rivals is the nearest; all of them are held against the same aims.

    Between pens of one table what the scanner gets wrong about colours falls out, but a colour from elsewhere was not read by that scanner:
    against it all pens are off together, and pens of other colours in their own way.
    """
    if not rivals:
        return np.empty(0)
    aims = {n: aim.lab + _normal(aim.covariance[None], 7 + n)[0] for n, aim in target.aims.items()}
    swatches = [(i, n, at) for i, (_, pairs) in enumerate(rivals) for n, at in pairs]
    taken = [rivals[i][0].coats[n] for i, n, _ in swatches]
    # One pen's coats are read from different cells, so their errors are their own.
    drawn = _normal(np.array([one.film.covariance for one in taken]), 100) * _few(taken)
    if target.kind == GIVEN:
        drawn += _scanner(taken)
    drawn += np.array([one.film.lab for one in taken])[:, None]
    far = delta_e_2000(np.array([aims[at] for _, _, at in swatches]), drawn)
    worst = np.zeros((len(rivals), DRAWS))
    np.maximum.at(worst, [i for i, _, _ in swatches], far)
    return np.asarray(np.bincount(np.argmin(worst, axis=0), minlength=len(rivals)) / DRAWS)


def undecided(values: Array) -> NDArray[np.intp]:
    """Return the places (k,) of the fewest rivals that together hold SHARE of the chances (n,), the likeliest first."""
    order = np.argsort(-values, kind="stable")
    return np.asarray(order[: int(np.searchsorted(np.cumsum(values[order]), SHARE - 1e-9)) + 1])


def scanner_errors(taken: Sequence[Taken]) -> Array:
    """Return by how much dE00 (n,) the scanner's own colours may be off, besides the doubt of comparing; 0 where a row does not state it.

    The column u_abs holds both doubts, so that of comparing is taken out of it here.
    """
    u_abs = np.array([one.film.reading.u_abs or 0.0 for one in taken])
    covariance = np.array([one.film.covariance for one in taken])
    read = np.sum(local_scale([one.film.lab for one in taken]) * covariance, axis=(1, 2))
    return np.asarray(np.sqrt(np.maximum(u_abs**2 - read, 0.0)))


def _few(taken: Sequence[Taken]) -> Array:
    """Return by what (n, DRAWS, 1) doubts are stretched whose scatter is known from few repeats; alike for all pens of a session.

    The scatter was estimated once for all, so it may be too small for all at once (Student's distribution as a scaled normal one).
    """
    found = {0: np.ones(DRAWS)}
    for freedom in {one.freedom for one in taken} - {0}:
        found[freedom] = np.sqrt(freedom / np.random.default_rng(5).chisquare(freedom, DRAWS))
    return np.array([found[one.freedom] for one in taken])[:, :, None]


def _scanner(taken: Sequence[Taken]) -> Array:
    """Return draws (n, DRAWS, 3) of what the scanner gets wrong about each swatch; nothing where a row does not state how much that may be."""
    lab = np.array([one.film.lab for one in taken])
    u = scanner_errors(taken)
    apart = delta_e_2000(lab[:, None], lab)
    values, vectors = np.linalg.eigh(np.exp(-(apart + apart.T) / 2 / ALIKE_OVER))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    free = np.stack([normal_draws(DRAWS, len(taken), seed=50 + axis).T for axis in range(3)])
    alike = (root @ free).transpose(1, 2, 0) * (u / np.sqrt(3))[:, None, None]
    # Of a length in dE00 that is the same in every direction; the triangular root keeps the axes of neighbours alike.
    return np.asarray(alike @ np.linalg.inv(np.linalg.cholesky(local_scale(lab))))


def _normal(covariance: Array, seed: int) -> Array:
    """Return (n, DRAWS, 3) draws around nothing with covariances (n, 3, 3)."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None]
    free = normal_draws(DRAWS, 3 * len(covariance), seed=seed).reshape(DRAWS, -1, 3).transpose(1, 0, 2)
    return np.asarray(free @ root.transpose(0, 2, 1))
