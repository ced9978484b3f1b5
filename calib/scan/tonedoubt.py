"""How well the strip's steps fix the tone curve: the standard uncertainty of its lightness.

A curve is a weighted mean of its steps, so its doubt is theirs, weighted. How far the steps are off is
seen in how far the curve misses them: by what the strip file's densities err, which is much the same
in density all along the strip, and by the noise of the readings. What neighbouring steps are missed
by alike is no chance but the curve's own stiffness, and averaging does not make it smaller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# From this few steps too many, Student's factor has no end; what is taken instead says 'hardly known'.
LEAST_FREEDOM = 2.5
# How far a strip's file is usually off, in density (common practice: a densitometer repeats to 0.01, a mean
# of readings better), and how many steps' worth of say that has. It keeps a lucky fit from passing for a true one.
USUAL = 0.005
USUAL_SAY = 2.0
DENSITY_TO_LIGHTNESS = 1.16 / 3 * np.log(10)
HARDLY_KNOWN = 5.0


@dataclass(frozen=True)
class Fitted:
    """A curve as it was fitted.

    x, y: (n,) scanner's and true lightness (L* / 100) of the steps, rising. noise: (n,) standard deviation of y by
    the readings alone. degree: of a polynomial fitted by least squares, or None for an interpolation.
    left_out: (n - 2,) what the inner steps are missed by, each left out in turn.
    """

    x: Array
    y: Array
    noise: Array
    degree: int | None
    left_out: Array

    def weights(self, at: Array) -> Array:
        """Return how much each step has to say at scanner's lightness at (m,): (m, n)."""
        if self.degree is None:
            return _interpolating(self.x, at)
        middle, span = self.x.mean(), np.ptp(self.x)
        basis = np.vander((self.x - middle) / span, self.degree + 1)
        return np.asarray(np.vander((at - middle) / span, self.degree + 1) @ np.linalg.pinv(basis))

    def _misses(self) -> tuple[Array, Array, NDArray[np.intp]]:
        """Return by how much each step is missed (k,), how every step enters into that (k, n), and which they are."""
        n = len(self.x)
        if self.degree is not None:
            hat = np.eye(n) - self.weights(self.x)
            return hat @ self.y, hat, np.arange(n)
        rows = [
            np.eye(n)[i] - np.insert(_interpolating(np.delete(self.x, i), self.x[i : i + 1])[0], i, 0.0)
            for i in range(1, n - 1)
        ]
        return self.left_out, np.array(rows), np.arange(1, n - 1)

    def variances(self) -> tuple[Array, float]:
        """Return the variance of the steps' lightness (n,), and what neighbours are missed by alike, squared.

        The second is relative to scale_of the lightness.
        """
        missed, enters, rows = self._misses()
        scale = scale_of(self.y)
        # From here on in units of density, in which the errors of a strip's file are alike.
        missed = missed / scale[rows]
        enters = enters * scale / scale[rows][:, None]
        own = (self.noise / scale) ** 2
        left = float(np.sum(missed**2) - np.sum(np.square(enters) @ own))
        # One more than the curve's own is spent on having chosen it among others.
        free = len(self.x) / 2 if self.degree is None else max(1.0, len(self.x) - self.degree - 2)
        density = max(0.0, left / float(np.sum(np.square(enters))))
        usual = (USUAL * DENSITY_TO_LIGHTNESS) ** 2
        density = (free * density + USUAL_SAY * usual) / (free + USUAL_SAY)
        free += USUAL_SAY
        together = enters[1:] * enters[:-1]
        by_chance = np.sum(together, axis=1) * density + together @ own
        alike = max(0.0, float(np.mean(missed[1:] * missed[:-1] - by_chance)))
        # From few steps a variance is itself uncertain, which makes errors spread wider (Student).
        student = free / (free - 2) if free > LEAST_FREEDOM else HARDLY_KNOWN
        return student * (density + own) * scale**2, student * alike


def scale_of(lightness: Array) -> Array:
    """Return how an error in density moves lightness (L* / 100), relative to that at white (CIE 1976, L* over 8)."""
    return np.asarray((np.maximum(lightness, 0.08) + 0.16) / 1.16)


def _interpolating(x: Array, at: Array) -> Array:
    return np.stack([np.interp(at, x, unit) for unit in np.eye(len(x))], axis=1)
