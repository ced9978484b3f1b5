"""What a paper's models say together after swatches that cannot be believed are taken out, and how far that goes.

Each model guessed every swatch without its marker (``model``), and the better its guesses, the more it weighs
(``mixture``). Swatches chosen well stand at the edges of what there is, where guessing is harder than it is for
most of the table; so each counts for the part of the table that it stands for, and its error is scaled by how much
surer the models are of that table than of swatches that they were denied.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.carrying.families import FEWEST, Lesson, Trial, trials
from calib.answers.carrying.mixture import Mixture, expected_parts, mixture_of, others
from calib.colour.colorimetry import delta_e_2000
from calib.colour.uncertainty import coverage_factor, normal_draws

Array = NDArray[np.float64]

# The stated doubt counts as much as so many swatches when it is held against how far off the guesses were.
BELIEF = 4.0
# A swatch that every model misses by so much (dE00), by so many times the median, and by so many standard
# deviations of all together, is of another pen or was mixed up; of no more than so large a share of the markers
# is that believed.
WRONG, WRONG_TIMES, WRONG_SD, WRONG_SHARE = 6.0, 6.0, 6.0, 0.1
DRAWS = 200


@dataclass(frozen=True, eq=False)
class Learned:
    """What was learned of a paper.

    lesson: what was learned from in the end. mixture: the models and their weights. expected: by name of family,
    the mean dE00 that is to be expected on swatches that were not learned from; error: of all together. p95: what 95
    of 100 of them stay under. factor: of the variances, by cross-validation. wrong: numbers of markers that were
    not believed.
    """

    lesson: Lesson
    mixture: Mixture
    expected: dict[str, float]
    error: float
    p95: float
    factor: float
    wrong: tuple[int, ...]

    @property
    def trial(self) -> Trial:
        """The model that weighs most."""
        return self.mixture.first

    @property
    def weights(self) -> dict[str, float]:
        """The weight of each model, by name of family."""
        each = zip(self.mixture.trials, self.mixture.weights.tolist(), strict=True)
        return {one.family.name: weight for one, weight in each}

    @property
    def strength(self) -> float | None:
        """How much ink the pens leave, against the known paper; None where models that do not ask weigh more."""
        with_one = [one.family.base in ("strength", "law") for one in self.mixture.trials]
        weights = self.mixture.weights * with_one
        if weights.sum() < 0.5:
            return None
        return float(np.average([one.law.strength for one in self.mixture.trials], weights=weights))

    def predict(self) -> tuple[Array, Array]:
        """Return lab (n, 3) on the new paper and its covariance (n, 3, 3) for all rows of the known paper."""
        return self.mixture.lab, self.factor * self.mixture.spread


def learn(lesson: Lesson) -> Learned:
    """Return what a lesson teaches; markers whose swatches cannot be believed are taken out one by one."""
    wrong: list[int] = []
    most = int(WRONG_SHARE * len(set(lesson.markers.tolist())))
    while True:
        found = trials(lesson)
        # Of two or fewer markers nothing can be judged by leaving one out.
        few = len(set(lesson.markers.tolist())) < FEWEST
        mixture = mixture_of(lesson, [one for one in found if not few or one.family.name == "strength"])
        odd = None if few or len(wrong) >= most else _odd(lesson, mixture, found)
        if odd is None:
            break
        wrong.append(odd)
        lesson = lesson.without(odd)
    expected = {
        one.family.name: float(error) for one, error in zip(mixture.trials, mixture.expected, strict=True)
    }
    rest = mixture.lab[others(lesson)], mixture.spread[others(lesson)]
    errors = delta_e_2000(mixture.unseen, lesson.seen.lab[lesson.swatches])
    parts = expected_parts(lesson, errors, (mixture.unseen, mixture.unseen_doubt), rest)
    factor = 1.0 if few else _factor(lesson, mixture)
    p95 = _p95(*rest, factor)
    return Learned(
        lesson, mixture, expected, float(parts.sum()) * _widened(lesson), p95, factor, tuple(wrong)
    )


def _squares(lesson: Lesson, mixture: Mixture) -> Array:
    """Return the squared error (m, 3) of each learned swatch and axis, in units of what was stated."""
    off = mixture.unseen - lesson.seen.lab[lesson.swatches]
    return np.asarray(off**2 / np.einsum("nii->ni", mixture.unseen_doubt))


def _factor(lesson: Lesson, mixture: Mixture) -> float:
    """Return by what the variances are multiplied.

    They are held against the guesses and drawn to 1 by BELIEF.
    """
    seen = float(_squares(lesson, mixture).mean())
    count = int(lesson.swatches.sum())
    return (count * seen + BELIEF) / (count + BELIEF) * _widened(lesson) ** 2


def _widened(lesson: Lesson) -> float:
    """Return Student's factor over the normal one.

    All settings of the models and their laws were found with those markers too that were left out afterwards, so
    that the guesses are a little better than they will be elsewhere, the more so the fewer markers there are.
    """
    return float(coverage_factor(len(set(lesson.markers.tolist()))) / coverage_factor(0))


def _p95(lab: Array, spread: Array, factor: float) -> float:
    """Return the dE00 that 95 of 100 colours (n, 3) stay under, by their covariance (n, 3, 3)."""
    root = np.linalg.cholesky(factor * spread + 1e-9 * np.eye(3))
    drawn = lab[:, None] + np.einsum("nij,kj->nki", root, normal_draws(DRAWS, 3))
    return float(np.quantile(delta_e_2000(lab[:, None], drawn), 0.95))


def _odd(lesson: Lesson, mixture: Mixture, found: Sequence[Trial]) -> int | None:
    """Return the number of the marker whose swatch can least be believed, None where all can.

    A colour that stands alone at the edge is guessed badly by the richer models, but the simple ones come near it.
    """
    errors = np.min([one.errors for one in found], axis=0)[lesson.swatches]
    squares = _squares(lesson, mixture)
    # The median of a squared normal error is 0.455; an odd swatch widens everybody's stated doubt, and this takes
    # it back.
    sds = np.sqrt(squares.max(axis=1) * 0.455 / max(float(np.median(squares)), 1e-9))
    odd = (errors > max(WRONG, WRONG_TIMES * float(np.median(errors)))) & (sds > WRONG_SD)
    return int(lesson.markers[np.argmax(np.where(odd, errors, 0.0))]) if odd.any() else None
