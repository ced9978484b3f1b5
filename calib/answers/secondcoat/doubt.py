"""How far a predicted second coat may be off: what the misses of known ones leave beside the scatter that is
known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Film

Array = NDArray[np.float64]

# What a prediction misses, before any miss is seen: a relative amount of ink, and a share of the step from
# one coat to two on each axis of Lab besides. Exponents from 1.6 to 1.9 are 6 per cent to either side; the
# share is what the usual numbers left on four invented scanners (measured). How well they are known, as the
# sd of their logarithms.
USUAL_MISS = np.array([0.06, 0.10])
USUAL_MISS_SD = np.array([0.5, 0.5])
# What is known to half of itself is worth so many degrees of freedom (JCGM 100:2008, E.4.3: 1 / (2 x
# 0.5**2)), on each of two.
USUAL_FREEDOM = 4
# A pale ink's step is of the size of what a reading itself is off by.
LEAST_STEP = 1.0


@dataclass(frozen=True)
class Doubt:
    """amount: relative standard uncertainty of the ink of two coats, from the way of prediction alone. rest:
    the same of the colour on each axis of Lab besides, as a share of the step from one coat to two.
    """

    amount: float
    rest: float

    def dose(self, u_dose: float) -> float:
        """Return the relative standard uncertainty of the amount of ink, with that of the one coat."""
        return float(np.hypot(self.amount, u_dose))

    def covariance(self, ones: Sequence[Film], along: Array, two: Array) -> Array:
        """Return (n, 3, 3) of predicted colours two (n, 3).

        Along: (n, 3) their change per relative amount of one coat.
        """
        return _covariance(np.array([self.amount, self.rest]), ones, along, two)


def _covariance(miss: Array, ones: Sequence[Film], along: Array, two: Array) -> Array:
    u = np.array([film.u_dose for film in ones])
    lab = np.array([film.lab for film in ones])
    # What is uncertain in the one coat beside its amount of ink stays as it is.
    beside = np.array([film.covariance - film.u_dose**2 * np.outer(film.along, film.along) for film in ones])
    step = np.maximum(np.linalg.norm(two - lab, axis=1), LEAST_STEP)
    dose = (u**2 + miss[0] ** 2)[:, None, None] * along[:, :, None] * along[:, None, :]
    return np.asarray(dose + beside + (miss[1] * step)[:, None, None] ** 2 * np.eye(3))


def doubt_of(ones: Sequence[Film], twos: Sequence[Film], along: Array, off: Array) -> Doubt:
    """Return the most likely doubt of predictions that were off by off (n, 3) from readings of two coats.

    Both readings have their own known doubts, which are no fault of the prediction. Normal deviations are
    taken, and what is usual counts as one more voice (a penalised likelihood), which is all there is without
    a single miss.
    """
    from scipy.optimize import minimize

    if not ones:
        return Doubt(*map(float, USUAL_MISS))
    two = np.array([film.lab for film in twos])
    theirs = np.array([film.covariance for film in twos])

    def cost(x: Array) -> float:
        covariance = _covariance(USUAL_MISS * np.exp(x), ones, along, two) + theirs
        solved = np.linalg.solve(covariance, off[..., None])[..., 0]
        fit = np.linalg.slogdet(covariance)[1] + np.sum(off * solved, axis=1)
        return float(fit.sum() + np.sum((x / USUAL_MISS_SD) ** 2))

    found = minimize(cost, np.zeros(2), method="L-BFGS-B", bounds=[(-4.0, 2.5)] * 2).x
    # Known from few, it is as uncertain as Student's distribution is wider than the normal (JCGM 101:2008,
    # 6.4.9).
    freedom = len(ones) + USUAL_FREEDOM
    amount, rest = USUAL_MISS * np.exp(found) * np.sqrt(freedom / (freedom - 2))
    return Doubt(float(amount), float(rest))
