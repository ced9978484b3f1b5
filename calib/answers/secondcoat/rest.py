"""What the base of ``coatlaw`` misses of two coats, which depends on the sort of ink, learned from the
densities of one coat.

A Gaussian process (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, chapters 2 and 5)
over the direction and the size of a film's densities. The library's own process knows only one noise for all;
here the noise of each film lies along its densities, because hands scatter in the amount of ink, so the few
lines of algebra are written out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# The length of a film's densities is counted from here, so that a pale film's noise is no direction.
LEAST_LENGTH = 0.03
# The Gaussian process needs so many markers; finding its lengths from more than so many changes nothing, and
# more than so many are slow.
LEAST_FOR_REST, MOST_FOR_LENGTHS, MOST_FOR_REST = 12, 60, 500
# Logarithms of its standard deviation, of the lengths over direction and size, of the hand's scatter in both
# coats together, and of other noise, all relative to the film's density; and how well they are known. Where
# the data say nothing these are taken (a choice).
USUAL_HYPER = np.log([0.08, 0.7, 0.7, 0.06, 0.01])
USUAL_HYPER_SD = np.array([1.0, 1.0, 1.0, 0.5, 1.0])
# No further from the usual than so many of these.
FARTHEST = 6.0
# What a reading's noise is of a density.
READING = 0.001


def _features(one: Array) -> tuple[Array, Array]:
    """Return what the rest is learned from (n, 4), the direction and size of the densities.

    And their length (n, 1).
    """
    length = np.linalg.norm(one, axis=1, keepdims=True) + LEAST_LENGTH
    return np.hstack([one / length, np.sqrt(length)]), length


@dataclass(frozen=True, eq=False)
class Rest:
    """What a base misses, relative to the length of the densities, as a Gaussian process over the sort of ink.

    hyper: (5,) as USUAL_HYPER. known: (m, 4)
    features learned from; inverse: (3 m, 3 m) of the covariance of what was missed; missed: (m, 3).
    """

    hyper: Array
    known: Array
    inverse: Array
    missed: Array

    def __call__(self, one: Array) -> Array:
        """Return what to add (n, 3) to the base's densities of two coats, from the densities of one (n, 3)."""
        features, length = _features(one)
        weighted = (self.inverse @ self.missed.ravel()).reshape(-1, 3)
        return np.asarray(_kernel(self.hyper, features, self.known) @ weighted * length)

    def left_out(self, groups: ArrayLike) -> Array:
        """Return (m, 3) the rest of every known film, relative, learned without all films of its group (m,).

        Closed form with the lengths found once (Rasmussen and Williams, 5.12, for blocks).
        """
        numbers = np.unique(np.asarray(groups), return_inverse=True)[1]
        weighted, found = self.inverse @ self.missed.ravel(), self.missed.ravel().copy()
        for group in range(numbers.max() + 1):
            i = np.flatnonzero(np.repeat(numbers == group, 3))
            found[i] -= np.linalg.solve(self.inverse[np.ix_(i, i)], weighted[i])
        return found.reshape(-1, 3)


def _kernel(hyper: Array, one: Array, two: Array) -> Array:
    """Return (n, m) the process's covariance of features one (n, 4) and two (m, 4): Matern's of order 5/2 (4.17)."""
    from scipy.spatial.distance import cdist

    size, turn, length = np.exp(hyper[:3])
    scale = np.array([turn, turn, turn, length])
    far = np.sqrt(5.0) * cdist(one / scale, two / scale)
    return np.asarray(size**2 * (1 + far + far**2 / 3) * np.exp(-far))


def _missed_covariance(hyper: Array, features: Array, length: Array) -> Array:
    """Return (3 m, 3 m) of what a base missed: the process, alike in each channel, and the noise of each
    film.

    A hand's scatter moves all channels in proportion to their densities, so this noise has a direction, and
    what is across is told far more sharply.
    """
    hand, noise = np.exp(2 * hyper[3:])
    m = len(features)
    found = np.kron(_kernel(hyper, features, features), np.eye(3)).reshape(m, 3, m, 3)
    along = features[:, :3]
    own = hand * along[:, :, None] * along[:, None, :]
    own = own + (noise + (READING / length) ** 2)[:, :, None] * np.eye(3)
    i = np.arange(m)
    found[i, :, i, :] += own
    return np.asarray(found.reshape(3 * m, 3 * m))


def learn_rest(one: Array, missed: Array) -> Rest:
    """Return the rest learned from densities of one coat (n, 3) and what the base missed of those of two (n,
    3).

    Its lengths are the most likely ones, drawn to the usual (marginal likelihood; Rasmussen and Williams,
    5.8).
    """
    from scipy.linalg import cho_factor, cho_solve
    from scipy.optimize import minimize

    features, length = _features(one)
    y = missed / length
    some = np.unique(np.linspace(0, len(y) - 1, min(len(y), MOST_FOR_LENGTHS)).astype(int))

    def cost(hyper: Array) -> float:
        factor = cho_factor(_missed_covariance(hyper, features[some], length[some]), lower=True)
        fit = 0.5 * y[some].ravel() @ cho_solve(factor, y[some].ravel()) + np.log(np.diag(factor[0])).sum()
        return float(fit + 0.5 * np.sum(((hyper - USUAL_HYPER) / USUAL_HYPER_SD) ** 2))

    # Without bounds a long step of the search may end where a length is nothing and the covariance not a number.
    ends = np.stack(
        [USUAL_HYPER - FARTHEST * USUAL_HYPER_SD, USUAL_HYPER + FARTHEST * USUAL_HYPER_SD], axis=1
    )
    hyper = minimize(cost, USUAL_HYPER, method="L-BFGS-B", bounds=ends, options={"maxiter": 40}).x
    return Rest(hyper, features, np.asarray(np.linalg.inv(_missed_covariance(hyper, features, length))), y)
