"""Two sessions of one paper: what moved them all, how far their pens scatter, and which pens changed.

The order of the work stands in ``judge``. The shift of the session and the spread of unchanged pens are found in turns, because
each needs the other. Then every marker is tested three ways: along its dose curve, across it, and for its evenness.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.change import UNKNOWN, UNKNOWN_OFF, Cells, slopes
from calib.answers.drift.inks import MISREAD, MISREAD_STRAIGHT, Inks, across_squares, inks_of
from calib.answers.drift.patchy import Evenness, evenness_of
from calib.answers.drift.shift import LEAST_MARKERS, Shift, design, fit_shift, no_shift, without
from calib.answers.drift.spreads import PALE, ahead_of, by_marker, hand_groups, log_strength, off_group
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import interval
from calib.colour.significance import Spread, combined, spread_of, student_p, t2_p
from calib.colour.uncertainty import coverage_factor, joint_freedom

Array = NDArray[np.float64]

# How the error of a marker's test is shared out: along the curve every per cent counts, across it and in evenness
# changes that matter are many times the doubt.
SHARES = (0.8, 0.1, 0.1)
# How well a stated doubt is known that says nothing of its freedom, that was assumed, and the doubt left beside the ink's
# (standard uncertainty of its logarithm).
U_UNSAID, U_ASSUMED, U_READING = 0.35, 0.7, 0.5
# The reading's doubt is taken for no less than this share of what is stated, and off the curve of what nobody states as well, because
# single cells stray much farther than most do (measured on simulated scans).
LEAST_READING = 0.8
# One scatter does not fit all pens: some inks' curves are known worse than others', and nibs differ. So however many markers
# told the spread, a single one's tails are taken to be as long as those of so many degrees of freedom.
MOST_FREEDOM = 20.0
# Two layers of a marker that disagree this much are not put together to one strength.
DISAGREE = 0.01
# Ink that is known to no better than this share of itself is none to speak of.
MOST_DOUBT = 0.5


@dataclass(frozen=True, eq=False)
class Judged:
    """What came of two sessions; all arrays (n, ...) run with the cells.

    lab_after: with the session's shift taken off. seen, low, high: dE00 and its 95 % interval. strength, strength_low, strength_high: NaN
    without ink to speak of. u_after: relative standard uncertainty of the strength by the session after alone. p: of the marker. p_off:
    of the cell's colour off its dose curve. off: how far that is, in dE00. moved: (3,) mean L*, a*, b* that the session's shift took all
    pens. u_moved: standard uncertainty of the first.
    """

    cells: Cells
    shift: Shift
    hand: Spread
    reading: Spread
    lab_after: Array
    seen: Array
    low: Array
    high: Array
    strength: Array
    strength_low: Array
    strength_high: Array
    u_after: Array
    u_before: Array
    p: Array
    p_off: Array
    off: Array
    even: Evenness
    moved: Array
    u_moved: float


def prior_of(freedoms: tuple[int, int], assumed: bool, read: bool) -> tuple[float, float, float]:
    """Return how well two sessions' stated doubts are known: u of the logarithm for hand and reading, degrees of freedom of both.

    freedoms: of each session's scatter, 0 where not known. assumed: whether rows state no doubt. read: whether the tables say how they were made.
    """
    if assumed:
        return U_ASSUMED, 2 * U_READING, 0.0
    if min(freedoms) > 0:
        both = float(joint_freedom(np.ones(2), freedoms))
        return 1 / np.sqrt(2 * both), U_READING, both
    return (U_UNSAID if not read else U_ASSUMED), U_READING, 0.0


@dataclass(frozen=True, eq=False)
class _Along:
    """Logarithms of strengths (n,) less the session's, and their variances by hand, reading and shift, factors included."""

    log: Array
    hand: Array
    reading: Array
    shift: Array

    @property
    def own(self) -> Array:
        """The variance (n,) that cells do not share."""
        return self.hand + self.reading


def judge(cells: Cells, known: tuple[float, float, float]) -> Judged:
    """Compare the cells of two sessions; known is what ``prior_of`` says."""
    hand, reading = Spread(1.0, known[2]), Spread(1.0, known[2])
    shift = no_shift()
    light = cells.light_after
    inks = inks_of(cells, light)
    if len(cells.markers) >= LEAST_MARKERS:
        for _ in range(3):
            shift = fit_shift(cells, hand.factor, max(reading.factor, LEAST_READING))
            light = without(cells, shift)
            inks = inks_of(cells, light)
            reading = spread_of([off_group(cells, inks, shift)], known[1])
            hand = spread_of(hand_groups(cells, inks, shift, max(reading.factor, LEAST_READING)), known[0])
        hand, reading = (replace(one, freedom=min(one.freedom, MOST_FREEDOM)) for one in (hand, reading))
    return _judged(cells, shift, light, inks, (hand, reading))


def _judged(cells: Cells, shift: Shift, light: Array, inks: Inks, spreads: tuple[Spread, Spread]) -> Judged:
    hand, reading = spreads
    read = max(reading.factor, LEAST_READING)
    log = log_strength(inks, shift)
    by = design(cells, inks.strength)
    ahead = ahead_of(cells, inks)
    along = _Along(
        log,
        (hand.factor * cells.u_hand) ** 2,
        (read * inks.u_read) ** 2 + inks.u_unknown**2,
        np.einsum("nd,de,ne->n", ahead, shift.covariance, ahead),
    )
    shared = np.einsum("ncd,de,nfe->ncf", by, shift.covariance, by)
    freedom = _freedom(along, hand, reading)
    ink, variance, p_along = _strengths(cells, along, freedom)
    noise = read**2 * (cells.noise + UNKNOWN_OFF**2 * cells.unknown) + shared
    noise += cells.astray(np.log(inks.strength) - shift.strength)
    squares = across_squares(inks.across, inks.way, noise)
    number = by_marker(cells, np.ones(len(log)))
    p_across = t2_p(by_marker(cells, squares), 2 * number, reading.freedom)
    # The strength that all pens gained or lost is the session's, not the pen's.
    strength = inks.strength * np.exp(-shift.strength)
    final = light + cells.curves.light(strength) - cells.curves.light(inks.strength)
    lab = cells.lab_of(final)
    even = evenness_of(cells, lab)
    p = combined([p_along, p_across, _least(cells, even.p)], SHARES)
    covariance = _covariance(cells, final, strength, read, hand.factor)
    slope = slopes(lab, final, cells.scale)
    covariance += np.einsum("nij,njk,nlk->nil", slope, shared, slope)
    seen, low, high = interval(cells.lab_before, lab, covariance, freedom)
    # A large change is read only as well as the curve is known; whether there is one does not hang on that.
    misread = np.where(cells.straight, MISREAD_STRAIGHT, MISREAD) * np.abs(ink)
    variance = variance + misread**2
    inky = variance < MOST_DOUBT**2
    wide = coverage_factor(freedom) * np.sqrt(variance)
    ends = [np.where(inky, _amount(ink + step, inks.u_read > PALE), np.nan) for step in (0.0, -wide, wide)]
    raw = cells.lab_of(cells.light_after)
    moved = raw - lab
    return Judged(
        cells, shift, hand, reading, lab, seen, low, high, ends[0], ends[1], ends[2],
        u_after=hand.factor * cells.u_hands[1] / np.sqrt(number[cells.marker]),
        u_before=hand.factor * cells.u_hands[0] / np.sqrt(number[cells.marker]),
        p=p[cells.marker],
        p_off=t2_p(squares, 2, reading.freedom),
        off=delta_e_2000(lab, cells.lab_of(final - inks.across * cells.scale)),
        even=even,
        moved=np.median(moved, axis=0) if len(moved) else np.zeros(3),
        u_moved=_u_moved(slope, by, shift) if len(moved) else 0.0,
    )  # fmt: skip


def _amount(ink: Array, pale: NDArray[np.bool_]) -> Array:
    """Return amounts (n,) from what ``log_strength`` makes of them."""
    return np.where(pale, np.maximum(1 + ink, 0.0), np.exp(np.clip(ink, -9, 9)))


def _u_moved(slope: Array, by: Array, shift: Shift) -> float:
    mean = np.einsum("nij,njd->id", slope, by) / len(by)
    return float(np.sqrt(max(mean[0] @ shift.covariance @ mean[0], 0.0)))


def _freedom(along: _Along, hand: Spread, reading: Spread) -> Array:
    """Return the effective degrees of freedom (n,) of each cell's doubt; 0 where it is taken as known."""
    parts = np.sqrt(np.array([along.hand, along.reading]))
    both = joint_freedom(parts, [hand.freedom, reading.freedom])
    return np.where(both > 1e6, 0.0, np.maximum(both, 1.0))


def _strengths(cells: Cells, along: _Along, freedom: Array) -> tuple[Array, Array, Array]:
    """Return the logarithm of each cell's strength (n,), its variance, and each marker's p along its curve.

    Two layers are two independent readings of one pen: where they agree, both rows have their weighted mean.
    """
    weight = 1 / along.own
    total = by_marker(cells, weight)
    mean = by_marker(cells, weight * along.log) / total
    # The shift is in all cells alike, so it does not average out.
    shared = by_marker(cells, weight * np.sqrt(along.shift)) ** 2 / total**2
    number = by_marker(cells, np.ones(len(weight)))
    least = np.full(len(total), np.inf)
    np.minimum.at(least, cells.marker, np.where(freedom > 0, freedom, np.inf))
    least = np.where(np.isfinite(least), least, 0.0)
    apart = by_marker(cells, weight * (along.log - mean[cells.marker]) ** 2)
    agree = (number < 2) | (student_p(np.sqrt(apart), least) > DISAGREE)
    p = student_p(mean / np.sqrt(1 / total + shared), least)
    # Layers that part ways may cancel in the mean; each is then a test of its own.
    single = np.full(len(total), np.inf)
    np.minimum.at(single, cells.marker, student_p(along.log / np.sqrt(along.own + along.shift), freedom))
    p = np.where(agree, p, np.minimum(number * single, 1.0))
    one = agree[cells.marker]
    log = np.where(one, mean[cells.marker], along.log)
    variance = np.where(one, (1 / total + shared)[cells.marker], along.own + along.shift)
    return log, variance, p


def _least(cells: Cells, p: Array) -> Array:
    """Return each marker's smallest p (k,) of its cells, times how many there are; NaN without any."""
    known = np.isfinite(p)
    least = np.ones(len(cells.markers))
    np.minimum.at(least, cells.marker[known], p[known])
    number = by_marker(cells, known.astype(float))
    return np.where(number > 0, np.minimum(least * number, 1.0), np.nan)


def _covariance(cells: Cells, light: Array, strength: Array, reading: float, hand: float) -> Array:
    """Return the covariance (n, 3, 3) in Lab of the colour after less the one before."""
    total = np.zeros((len(light), 3, 3))
    labs = (cells.lab_before, cells.lab_of(light))
    for lab, at, amount, u in zip(
        labs, (cells.light_before, light), (np.ones(len(light)), strength), cells.u_hands, strict=True
    ):
        slope = slopes(lab, at, cells.scale)
        along = np.einsum("nij,nj->ni", slope, cells.curves.slope(amount) / cells.scale)
        total += np.einsum("n,ni,nj->nij", (hand * u) ** 2, along, along)
        read = (reading**2 * cells.noise + UNKNOWN**2 * cells.unknown) / 2
        total += np.einsum("nij,njk,nlk->nil", slope, read, slope)
    return total
