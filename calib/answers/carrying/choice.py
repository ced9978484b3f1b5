"""Which model of a paper to believe: the one that guesses best what it has not seen, and how far that goes.

Each model guessed every swatch without its marker (``papermodel``). Swatches chosen well stand at the edges of what
there is, where guessing is harder than it is for most of the table; so each counts for the part of the table that
it stands for, and its error is scaled by how much surer the model is of that table than of swatches that it was
denied.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.carrying.families import FEWEST, Lesson, Trial, trials
from calib.answers.carrying.model import SCALE
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import local_scale
from calib.colour.uncertainty import coverage_factor, normal_draws

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# A richer model must be better by so many standard errors of the difference between the two.
CLEARLY = 1.0
# The stated doubt counts as much as so many swatches when it is held against how far off the guesses were.
BELIEF = 4.0
# A swatch that every model misses by so much (dE00), by so many times the median, and by so many standard
# deviations of the best model, is of another pen or was mixed up; of no more than so large a share of the markers
# is that believed.
WRONG, WRONG_TIMES, WRONG_SD, WRONG_SHARE = 6.0, 6.0, 6.0, 0.1
DRAWS = 200


@dataclass(frozen=True, eq=False)
class Learned:
    """What was learned of a paper.

    lesson: what was learned from in the end. trial: the model that was chosen. expected: by name of family, the
    mean dE00 that is to be expected on swatches that were not learned from. p95: what 95 of 100 of them stay under.
    factor: of the model's variances, by cross-validation. wrong: numbers of markers that were not believed.
    """

    lesson: Lesson
    trial: Trial
    expected: dict[str, float]
    p95: float
    factor: float
    wrong: tuple[int, ...]

    def predict(self) -> tuple[Array, Array]:
        """Return lab (n, 3) on the new paper and its covariance (n, 3, 3) for all rows of the known paper."""
        lab, spread = self.trial.fit.predict(self.trial.rows)
        return lab, self.factor * spread


def learn(lesson: Lesson) -> Learned:
    """Return what a lesson teaches; markers whose swatches cannot be believed are taken out one by one."""
    wrong: list[int] = []
    most = int(WRONG_SHARE * len(set(lesson.markers.tolist())))
    while True:
        found = trials(lesson)
        # Of two or fewer markers nothing can be chosen by leaving one out.
        judged = {trial.family.name: _judged(lesson, trial) for trial in found}
        few = len(set(lesson.markers.tolist())) < FEWEST
        trial = (
            next(t for t in found if t.family.name == "strength") if few else _chosen(lesson, found, judged)
        )
        odd = None if few or len(wrong) >= most else _odd(lesson, trial, found)
        if odd is None:
            break
        wrong.append(odd)
        lesson = lesson.without(odd)
    expected = {name: float(errors.sum()) for name, errors in judged.items()}
    factor = 1.0 if few else _factor(lesson, trial)
    return Learned(lesson, trial, expected, _p95(lesson, trial, factor), factor, tuple(wrong))


def _chosen(lesson: Lesson, found: Sequence[Trial], judged: dict[str, Array]) -> Trial:
    """Return the simplest trial that no other beats clearly.

    A trial beats another where its expected error is smaller by CLEARLY standard errors of that difference, taken
    marker by marker, so that hard swatches count against both (the one-standard-error rule of Breiman, Friedman,
    Olshen and Stone, Classification and Regression Trees, 1984, section 3.4.3).
    """
    best = min(found, key=lambda trial: float(judged[trial.family.name].sum()))
    of_marker = (lesson.markers == np.unique(lesson.markers)[:, None]).astype(float)
    for trial in found:
        worse = of_marker @ (judged[trial.family.name] - judged[best.family.name])
        error = np.sqrt(np.sum((worse - worse.mean()) ** 2) * len(worse) / (len(worse) - 1))
        if worse.sum() <= CLEARLY * error:
            return trial
    return best


def _spoken_for(lesson: Lesson) -> Array:
    """Return for which share of all swatches each learned one speaks, because it is the nearest."""
    known, at = lesson.known, lesson.learned[lesson.swatches]
    far = np.linalg.norm((known.lab[known.marker >= 0, None] - known.lab[at]) / SCALE, axis=-1)
    # Swatches of one colour share what they speak for.
    nearest = (far <= far.min(axis=1, keepdims=True) + 1e-9).astype(float)
    count = (nearest / nearest.sum(axis=1, keepdims=True)).sum(axis=0)
    return np.asarray(count / count.sum())


def _judged(lesson: Lesson, trial: Trial) -> Array:
    """Return each learned swatch's part in the mean error to be expected of those that were not learned."""
    which = lesson.swatches
    share = _spoken_for(lesson)
    lab, spread = trial.fit.predict(trial.rows.only(_others(lesson)))
    denied = _length(trial.fit.unseen[which], trial.fit.unseen_doubt[which])
    return np.asarray(share * trial.errors[which] * _length(lab, spread).mean() / (share @ denied))


def _others(lesson: Lesson) -> Whole:
    """Return the swatches that were not learned from; all, where every one was."""
    swatches = np.flatnonzero(lesson.known.marker >= 0)
    others = np.setdiff1d(swatches, lesson.learned)
    return others if len(others) else swatches


def _length(lab: Array, covariance: Array) -> Array:
    """Return the root mean square dE00 (n,) of colours (n, 3) off by a covariance (n, 3, 3)."""
    return np.asarray(np.sqrt(np.einsum("nij,nji->n", local_scale(lab), covariance)))


def _squares(lesson: Lesson, trial: Trial) -> Array:
    """Return the squared error (m, 3) of each learned swatch and axis, in units of what the model stated."""
    which = lesson.swatches
    off = (trial.fit.unseen - lesson.seen.lab)[which]
    return np.asarray(off**2 / np.einsum("nii->ni", trial.fit.unseen_doubt[which]))


def _factor(lesson: Lesson, trial: Trial) -> float:
    """Return by what the model's variances are multiplied.

    They are held against the guesses, drawn to 1 by BELIEF, and widened by Student's factor, because all settings
    of the model were learned from so few markers.
    """
    seen = float(_squares(lesson, trial).mean())
    count = int(lesson.swatches.sum())
    student = float(coverage_factor(len(set(lesson.markers.tolist()))) / coverage_factor(0))
    return (count * seen + BELIEF) / (count + BELIEF) * student**2


def _p95(lesson: Lesson, trial: Trial, factor: float) -> float:
    """Return the dE00 that 95 of 100 swatches that were not learned from stay under, by the stated doubts."""
    lab, spread = trial.fit.predict(trial.rows.only(_others(lesson)))
    root = np.linalg.cholesky(factor * spread + 1e-9 * np.eye(3))
    drawn = lab[:, None] + np.einsum("nij,kj->nki", root, normal_draws(DRAWS, 3))
    return float(np.quantile(delta_e_2000(lab[:, None], drawn), 0.95))


def _odd(lesson: Lesson, trial: Trial, found: Sequence[Trial]) -> int | None:
    """Return the number of the marker whose swatch can least be believed, None where all can.

    A colour that stands alone at the edge is guessed badly by the richer models, but the simple ones come near it.
    """
    errors = np.min([one.errors for one in found], axis=0)[lesson.swatches]
    squares = _squares(lesson, trial)
    # The median of a squared normal error is 0.455; an odd swatch widens everybody's stated doubt, and this takes
    # it back.
    sds = np.sqrt(squares.max(axis=1) * 0.455 / max(float(np.median(squares)), 1e-9))
    odd = (errors > max(WRONG, WRONG_TIMES * float(np.median(errors)))) & (sds > WRONG_SD)
    return int(lesson.markers[np.argmax(np.where(odd, errors, 0.0))]) if odd.any() else None
