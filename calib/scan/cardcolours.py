"""What a card reads beside what its file says: whether these are the same patches, and in the same order.

The readings of the right card are the file's colours seen by some scanner: a 3x3 matrix that keeps white makes them
alike but for what the scanner's filters cannot see. How far that goes was measured on wide-band sensors and on
three narrow LEDs, and so was how far wrong files and wrong ways up are off (tests/benchmarks/cards.py).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.colour.card import Card
from calib.colour.colorimetry import WHITE_D50, delta_e_2000, lab_to_lch, xyz_to_lab
from calib.scan.lightness import EDGE

Array = NDArray[np.float64]

# A patch that misses by so much, and by so many times the median, is astray. With three LEDs up to one in twelve of
# the right ones is (measured), the most saturated; never most of a row, and never would two do better exchanged.
ASTRAY = 10.0
ASTRAY_TIMES = 4.0
MOST_ASTRAY = 0.125
MOST_OF_LINE = 0.6
EXCHANGED = 0.3
# No scanner misses a colour by so much; with three LEDs the worst was 27 (measured).
NO_SCANNER = 40.0
# Two ways round differ where a patch fits the one better by so many dE00, and it takes a few such patches,
# which must fit so many times better (in squares), to tell which way is right.
DIFFERENT = 2.0
LEAST_DIFFERENT = 3
CLEARLY_WORSE = 2.0
LEAST_PATCHES = 12
LEAST_CHROMATIC = 6
CHROMATIC = 15.0
WIDEST_HUE_GAP = 180.0


def lacking(xyz: Array) -> str:
    """Say what these patches lack for telling a scanner's colours; nothing where they will do."""
    if len(xyz) < LEAST_PATCHES:
        return f"only {len(xyz)} patches, and {LEAST_PATCHES} are the least"
    _, chroma, hue = lab_to_lch(xyz_to_lab(xyz)).T
    hue = np.sort(hue[chroma > CHROMATIC])
    if len(hue) < LEAST_CHROMATIC or np.diff(hue, append=hue[0] + 360).max() >= WIDEST_HUE_GAP:
        return "too few patches of colour all round the hues, and greys do not tell a scanner's colours"
    return ""


def named(card: Card, which: NDArray[np.int64], words: Sequence[str] = (), most: int = 6) -> str:
    """Name patches by row and column, as the file counts them."""
    names = [f"row {row + 1}, column {column + 1}" for row, column in card.place[which]]
    names = [name + word for name, word in zip(names, words or [""] * len(names), strict=True)]
    return "; ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def explained(readings: Array, lab: Array) -> Array:
    """Return the share (...) of the variance of Lab (n, 3) that an affine map of readings (..., n, 3) explains."""
    x = readings - readings.mean(axis=-2, keepdims=True)
    y = lab - lab.mean(axis=0)
    own = np.swapaxes(x, -1, -2) @ x
    # Of readings that are all alike nothing can be told; the ridge is a noise of 1 L*.
    own = own + 1e-4 * len(lab) * np.eye(3)
    both = np.swapaxes(x, -1, -2) @ y
    return np.asarray((both * np.linalg.solve(own, both)).sum(axis=(-1, -2)) / (y * y).sum())


def best_lab(linear: Array, xyz: Array) -> Array:
    """Return Lab (n, 3) of readings by the white-preserving 3x3 matrix that fits most known colours best.

    Readings that are NaN stay so, and all are where too few are left. The squares of dE94-like steps of L*, a*, b* are
    least, by their derivatives at the known colours, patches that do not fit weighed down.
    """
    seen = np.isfinite(linear).all(axis=1)
    result = np.full(linear.shape, np.nan)
    if seen.sum() < LEAST_PATCHES:
        return result
    light, known = linear[seen], xyz[seen]
    lab = xyz_to_lab(known)
    steps = _lab_steps(known, lab)
    # X = W G + m (R - G) + n (B - G) keeps white, and likewise Y and Z.
    beyond = light[:, [0, 2]] - light[:, 1:2]
    design = np.einsum("nij,nk->nijk", steps, beyond).reshape(-1, 6)
    wanted = np.einsum("nij,nj->ni", steps, known - light[:, 1:2] * WHITE_D50)
    weight = np.ones(len(light))
    matrix = np.diag(WHITE_D50)
    for _ in range(8):
        root = np.repeat(np.sqrt(weight), 3)
        solution, *_ = np.linalg.lstsq(design * root[:, None], wanted.ravel() * root, rcond=None)
        m, n = solution.reshape(3, 2).T
        matrix = np.stack([m, WHITE_D50 - m - n, n], axis=1)
        rest = np.linalg.norm(np.einsum("nij,nj->ni", steps, light @ matrix.T - known), axis=1)
        weight = 1 / (1 + (rest / max(2.0, 3 * float(np.median(rest)))) ** 2)
    result[seen] = xyz_to_lab(np.maximum(light @ matrix.T, 0))
    return result


def _lab_steps(xyz: Array, lab: Array) -> Array:
    """Return (n, 3, 3): how L*, a* and b* change with X, Y and Z, the latter two shortened by chroma as in dE94."""
    ratio = xyz / WHITE_D50
    # CIE 15:2018, 8.2.1: the cube root, and the straight line below (6/29)^3.
    slope = np.where(ratio > EDGE, np.maximum(ratio, EDGE) ** (-2 / 3) / 3, (29 / 6) ** 2 / 3) / WHITE_D50
    steps = np.array([[0, 116, 0], [500, -500, 0], [0, 200, -200]]) * slope[:, None, :]
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    steps[:, 1:] /= (1 + 0.045 * chroma)[:, None, None]
    return np.asarray(steps)


def clearly_worse(rival: Array, best: Array) -> bool:
    """Tell whether one way round fits clearly worse than the other, by the patches in which the two differ."""
    different = np.abs(rival - best) > DIFFERENT
    if different.sum() < LEAST_DIFFERENT:
        return False
    return bool(np.sum(rival[different] ** 2) > CLEARLY_WORSE * np.sum(best[different] ** 2))


def wrong_in_places(seen_lab: Array, known: Array, card: Card) -> str:
    """Say which patches are not the file's though most are; nothing where all but a few may be.

    seen_lab, known: Lab (n, 3) of the readings by the best matrix, NaN where not seen, and of the file.
    """
    from scipy.optimize import linear_sum_assignment

    misfit = delta_e_2000(seen_lab, known)
    seen = np.isfinite(misfit)
    with np.errstate(invalid="ignore"):
        astray = misfit > max(ASTRAY, ASTRAY_TIMES * float(np.median(misfit[seen])))
        hopeless = np.flatnonzero(misfit > NO_SCANNER)
    for axis, line in ((0, "row"), (1, "column")):
        for number in range(card.place[:, axis].max() + 1):
            there = seen & (card.place[:, axis] == number)
            if there.sum() > 2 and astray[there].mean() > MOST_OF_LINE:
                return f"{line} {number + 1} does not show the file's colours, while the others do"
    if astray.sum() > MOST_ASTRAY * seen.sum():
        return f"{astray.sum()} patches do not show the file's colours: {named(card, np.flatnonzero(astray))}"
    which = np.flatnonzero(astray)
    cost = delta_e_2000(seen_lab[which][:, None], known[which][None])
    _, other = linear_sum_assignment(cost)
    own, best = np.diag(cost), cost[np.arange(len(which)), other]
    exchanged = which[best < EXCHANGED * own]
    if len(exchanged) > 1:
        return f"patches seem to be exchanged in the file: {named(card, exchanged)}"
    if len(hopeless):
        return f"another colour than the file's is seen in {named(card, hopeless)}"
    return ""
