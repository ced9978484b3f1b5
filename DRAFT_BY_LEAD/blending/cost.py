"""How uneven a set of pens is, as a sum over its steps, so that the best set can be found exactly.

From a dark end to a light end in so many steps the sum of the squared steps is least where all are equally long and straight on, so what
it has above that least is unevenness: of lightness, and of hue and chroma, which count half (a form is carried by lightness: common practice;
the half is our own choice). Both coats count alike where both were measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.groups import USUALLY_ACCEPTED
from calib.answers.doubles.pens import Pen
from calib.colour.colorimetry import delta_e_2000

Array = NDArray[np.float64]

# A step in a*b* counts as so much of an equal one in L*.
ACROSS = 0.5
# Two pens closer than this in lightness are no step (our own choice).
LEAST_L = 2.0


@dataclass(frozen=True, eq=False)
class Field:
    """The pens that a set may be made of, as arrays: lab (c, n, 3) in each of the coats that count.

    square: (n, n) squared step from i to j, a*b* counting ACROSS, mean over the coats. may: (n, n) whether j may follow i: lighter
    in every coat by LEAST_L, and no near-duplicate of it.
    """

    pens: tuple[Pen, ...]
    coats: tuple[int, ...]
    lab: Array
    square: Array
    may: NDArray[np.bool_]


def field_of(pens: Sequence[Pen], coats: Sequence[int]) -> Field:
    """Return the field of those pens that have all of the coats."""
    pens = tuple(pen for pen in pens if all(n in pen.coats for n in coats))
    lab = np.array([[pen.coats[n].film.lab for pen in pens] for n in coats]).reshape(len(coats), len(pens), 3)
    step = lab[:, None, :, :] - lab[:, :, None, :]
    square = (step[..., 0] ** 2 + (ACROSS * step[..., 1]) ** 2 + (ACROSS * step[..., 2]) ** 2).mean(axis=0)
    may = (step[..., 0] >= LEAST_L).all(axis=0)
    # CIEDE2000 is dear, and its lightness term alone rules most pairs out: S_L is never over 1.75 (CIE 142:2001).
    apart = np.full(may.shape, np.inf)
    i, j = np.nonzero(may & (np.abs(step[..., 0]) <= 1.75 * USUALLY_ACCEPTED).all(axis=0))
    if len(i):
        apart[i, j] = np.max([delta_e_2000(one[i], one[j]) for one in lab], axis=0)
    return Field(pens, tuple(coats), lab, square, may & (apart > USUALLY_ACCEPTED))


def unevenness(lab: Array) -> float:
    """Return how uneven a set is, 0 for perfectly even and straight steps: root of the mean square of what its steps are off, as a share of the even step.

    lab: (c, k, 3), dark to light, k at least 2, in each coat that counts.
    """
    scale = np.array([1.0, ACROSS, ACROSS])
    steps = np.diff(lab * scale, axis=1)
    even = (lab[:, -1] - lab[:, 0])[:, None] * scale / (lab.shape[1] - 1)
    off = ((steps - even) ** 2).sum(axis=-1).mean()
    length = (even**2).sum(axis=-1).mean()
    return float(np.sqrt(off / max(float(length), 1e-12)))
