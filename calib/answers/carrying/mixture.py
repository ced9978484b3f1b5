"""What several models of a paper say together, each weighing what its guesses of unseen swatches are worth.

Of two models that guess nearly alike well, a few swatches cannot tell which is better; to choose one of them is a
lottery, and their mean is off by less than either, because they err differently (model averaging; Hoeting, Madigan,
Raftery and Volinsky, Statistical Science 14, 1999). A model's weight is how likely its errors under
leave-one-marker-out are, were they normal and of unknown size: their size to the power of minus the number of
independent errors (Geisser and Eddy's predictive likelihood, J. Amer. Statist. Assoc. 74, 1979). A marker counts no
more for having several axes and coats, because these are off together. What the mixture would say without a marker
takes that marker from the weights too, so that nobody judges himself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.carrying.families import Lesson, Trial
from calib.answers.carrying.model import SCALE
from calib.colour.difference import local_scale

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# Errors of one model go together from marker to marker, because they come of one thing that it lacks, and of one
# hand's chance; so each marker counts for half of one (common practice: a likelihood to a power below 1).
INDEPENDENT = 0.5
# An error (dE00) below this is no better than this.
LEAST_ERROR = 1e-3


@dataclass(frozen=True, eq=False)
class Mixture:
    """Models and their weights, and what they say.

    trials, weights: (k,), these of the sum 1. expected: (k,) the mean dE00 to be expected of each. lab: (n, 3) what
    all together say of every row of the known paper, spread: (n, 3, 3) covariance of that. unseen: (m, 3) what they
    say of each learned swatch, the bare paper left out, without any swatch of its marker; unseen_doubt: (m, 3, 3)
    covariance of what was seen less that.
    """

    trials: tuple[Trial, ...]
    weights: Array
    expected: Array
    lab: Array
    spread: Array
    unseen: Array
    unseen_doubt: Array

    @property
    def first(self) -> Trial:
        """The model of the greatest weight."""
        return self.trials[int(np.argmax(self.weights))]


def mixture_of(lesson: Lesson, trials: Sequence[Trial]) -> Mixture:
    """Return the mixture of some trials of a lesson."""
    which, rest = lesson.swatches, others(lesson)
    said = [trial.fit.predict(trial.rows) for trial in trials]
    labs, spreads = np.array([lab for lab, _ in said]), np.array([spread for _, spread in said])
    unseen = np.array([trial.fit.unseen[which] for trial in trials])
    doubts = np.array([trial.fit.unseen_doubt[which] for trial in trials])
    judged = np.array(
        [
            expected_parts(lesson, trial.errors[which], (mean, doubt), (lab[rest], spread[rest]))
            for trial, mean, doubt, lab, spread in zip(trials, unseen, doubts, labs, spreads, strict=True)
        ]
    )
    own = (lesson.markers == np.unique(lesson.markers)[:, None]).astype(float)
    total = judged.sum(axis=1)
    weights = _weights(total[:, None], len(own))
    # Columns are swatches, each without its own marker.
    without = _weights((total[:, None] - judged @ own.T) @ own, len(own) - 1)
    return Mixture(
        tuple(trials),
        weights[:, 0],
        total,
        *_together(np.repeat(weights, labs.shape[1], axis=1), labs, spreads),
        *_together(without, unseen, doubts),
    )


def _weights(errors: Array, markers: int) -> Array:
    """Return weights (k, n) of the sum 1 over k models, for errors (k, n)."""
    worth = -INDEPENDENT * markers * np.log(np.maximum(errors, LEAST_ERROR))
    share = np.exp(worth - worth.max(axis=0))
    return np.asarray(share / share.sum(axis=0))


def _together(weights: Array, labs: Array, spreads: Array) -> tuple[Array, Array]:
    """Return the mean (n, 3) and covariance (n, 3, 3) of mixtures; weights: (k, n), labs: (k, n, 3), spreads so."""
    lab = np.einsum("kn,kni->ni", weights, labs)
    off = labs - lab
    return lab, np.einsum("kn,knij->nij", weights, spreads + off[..., :, None] * off[..., None, :])


def expected_parts(
    lesson: Lesson, errors: Array, unseen: tuple[Array, Array], rest: tuple[Array, Array]
) -> Array:
    """Return each learned swatch's part (m,) in the mean dE00 to be expected of those that were not learned.

    errors: (m,) dE00 of the guesses, unseen: these and their covariance, rest: colours not learned and theirs.
    """
    share = spoken_for(lesson)
    return np.asarray(share * errors * length(*rest).mean() / (share @ length(*unseen)))


def spoken_for(lesson: Lesson) -> Array:
    """Return for which share of all swatches each learned one speaks, because it is the nearest."""
    known, at = lesson.known, lesson.learned[lesson.swatches]
    far = np.linalg.norm((known.lab[known.marker >= 0, None] - known.lab[at]) / SCALE, axis=-1)
    # Swatches of one colour share what they speak for.
    nearest = (far <= far.min(axis=1, keepdims=True) + 1e-9).astype(float)
    count = (nearest / nearest.sum(axis=1, keepdims=True)).sum(axis=0)
    return np.asarray(count / count.sum())


def others(lesson: Lesson) -> Whole:
    """Return the swatches that were not learned from; all, where every one was."""
    swatches = np.flatnonzero(lesson.known.marker >= 0)
    rest = np.setdiff1d(swatches, lesson.learned)
    return rest if len(rest) else swatches


def length(lab: Array, covariance: Array) -> Array:
    """Return the root mean square dE00 (n,) of colours (n, 3) off by a covariance (n, 3, 3)."""
    return np.asarray(np.sqrt(np.einsum("nij,nji->n", local_scale(lab), covariance)))
