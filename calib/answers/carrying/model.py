"""What a paper does to colours, learned from a few swatches on it: one model and how sure it is.

A model begins with swatches carried over by physics (``carry``) and adds ways in which colours may move besides:
columns, each as large as papers are expected to differ (a standard deviation before anything was measured), and
perhaps a smooth function of the colour. That is a linear model with normal errors, also called a Gaussian process
(Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, chapters 2 and 5). What it predicts, how
sure it is, how likely it makes the swatches, and how well it would have predicted each marker from the others (its
equations 5.10 to 5.12, here for all coats of a marker at once) follow from one matrix.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# The scale, in Lab units, on which the smooth function sees colours as near or far.
SCALE = np.array([30.0, 40.0, 40.0])
# a and b may be off by more units than L, because dE00 counts them for less.
SIZES = np.array([1.0, 1.3, 1.3])


@dataclass(frozen=True)
class Smooth:
    """A smooth function of the colour.

    size: how far it moves colours, in Lab units of lightness. reach: over which distance it changes, in SCALE.
    """

    size: float
    reach: float

    def between(self, one: Array, two: Array) -> Array:
        """Return the covariance (n, m) between colours (n, 3) and (m, 3): of a straight and of a curved part."""
        one, two = one / SCALE, two / SCALE
        squares = (one**2).sum(axis=1)[:, None] + (two**2).sum(axis=1) - 2.0 * one @ two.T
        far = np.sqrt(5.0 * np.maximum(squares, 0.0)) / self.reach
        # Matern's function of order 5/2, twice differentiable: no smoother than papers are.
        return np.asarray(self.size**2 * ((1 + far + far**2 / 3) * np.exp(-far) + 1 + one @ two.T))


@dataclass(frozen=True)
class Form:
    """The settings of a model that evidence chooses between.

    smooth: the smooth function, None for none. guessed: factor on the size of the guessed columns. noise: factor
    on the stated variances. rest: what no term explains, standard deviation in Lab units of lightness.
    """

    smooth: Smooth | None
    guessed: float
    noise: float
    rest: float


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of the known paper, ready to be predicted on the new one.

    lab: (n, 3) on the known paper. start: (n, 3) carried over. columns: (n, 3, p) ways to move, as large as
    expected. guessed: (n, 3, q) more of them, whose common size is to be found. noise: (n, 3, 3) covariance that start
    has from the known table's own doubt. marker: (n,) numbers of the markers.
    """

    lab: Array
    start: Array
    columns: Array
    guessed: Array
    noise: Array
    marker: Whole

    def only(self, which: Whole) -> Rows:
        """Return some of the rows."""
        return Rows(
            self.lab[which],
            self.start[which],
            self.columns[which],
            self.guessed[which],
            self.noise[which],
            self.marker[which],
        )


@dataclass(frozen=True, eq=False)
class Seen:
    """What was read of m rows on the new paper. lab: (m, 3). doubt: (m, 3, 3) its covariance."""

    lab: Array
    doubt: Array

    def only(self, which: Whole) -> Seen:
        """Return some of the rows."""
        return Seen(self.lab[which], self.doubt[which])


def shared(one: Rows, two: Rows, form: Form) -> Array:
    """Return the covariance (3n, 3m) of how colours of two sets of rows move."""
    total = np.zeros((3 * len(one.lab), 3 * len(two.lab)))
    for name, size in (("columns", 1.0), ("guessed", form.guessed)):
        flat_1, flat_2 = (getattr(rows, name).reshape(3 * len(rows.lab), -1) for rows in (one, two))
        total += size**2 * flat_1 @ flat_2.T
    if form.smooth is not None:
        total = total + np.kron(form.smooth.between(one.lab, two.lab), np.diag(SIZES**2))
    return np.asarray(total)


def _total(rows: Rows, seen: Seen, form: Form, moves: Array | None = None) -> Array:
    moves = shared(rows, rows, form) if moves is None else moves
    total = moves.copy().reshape(len(seen.lab), 3, len(seen.lab), 3)
    i = np.arange(len(seen.lab))
    total[i, :, i, :] += form.noise * (rows.noise + seen.doubt) + form.rest**2 * np.diag(SIZES**2)
    return total.reshape(3 * len(i), 3 * len(i))


def evidence(rows: Rows, seen: Seen, form: Form, moves: Array | None = None) -> float:
    """Return the logarithm of how likely a model makes what was seen, but for a constant.

    moves: what ``shared`` says of the rows, where it is known already.
    """
    from scipy.linalg import solve_triangular

    lower = np.linalg.cholesky(_total(rows, seen, form, moves))
    off = solve_triangular(lower, (seen.lab - rows.start).ravel(), lower=True, check_finite=False)
    return float(-0.5 * off @ off - np.log(np.diag(lower)).sum())


@dataclass(frozen=True, eq=False)
class Fit:
    """A model fitted to what was seen.

    unseen: (m, 3) what it says of each row without any row of that marker. unseen_doubt: (m, 3, 3) the
    covariance of what was seen less that.
    """

    rows: Rows
    form: Form
    inverse: Array
    weights: Array
    unseen: Array
    unseen_doubt: Array

    def predict(self, rows: Rows) -> tuple[Array, Array]:
        """Return lab (n, 3) on the new paper and the covariance (n, 3, 3) of it, not of another reading."""
        n = len(rows.lab)
        lab, spread = np.zeros((n, 3)), np.zeros((n, 3, 3))
        # By pieces, because only the covariance of each row with itself is wanted of the large matrix.
        for i in np.array_split(np.arange(n), max(1, n // 100)):
            some = rows.only(i)
            between = shared(some, self.rows, self.form)
            lab[i] = some.start + (between @ self.weights).reshape(-1, 3)
            own = shared(some, some, self.form).reshape(len(i), 3, len(i), 3)
            known = np.einsum(
                "nik,njk->nij",
                (between @ self.inverse).reshape(len(i), 3, -1),
                between.reshape(len(i), 3, -1),
            )
            spread[i] = own[np.arange(len(i)), :, np.arange(len(i)), :] - known
        rest = self.form.rest**2 * np.diag(SIZES**2)
        return lab, spread + self.form.noise * rows.noise + rest


def fit(rows: Rows, seen: Seen, form: Form) -> Fit:
    """Fit one model to rows that were seen on the new paper."""
    inverse: Array = np.linalg.inv(_total(rows, seen, form)).astype(np.float64)
    weights = inverse @ (seen.lab - rows.start).ravel()
    unseen, doubt = np.zeros_like(seen.lab), np.zeros_like(seen.doubt)
    for marker in np.unique(rows.marker):
        which = np.flatnonzero(rows.marker == marker)
        at = (3 * which[:, None] + np.arange(3)).ravel()
        block = np.linalg.inv(inverse[np.ix_(at, at)])
        unseen[which] = seen.lab[which] - (block @ weights[at]).reshape(-1, 3)
        for k, i in enumerate(which):
            doubt[i] = block[3 * k : 3 * k + 3, 3 * k : 3 * k + 3]
    return Fit(rows, form, inverse, weights, unseen, doubt)


def most_likely(rows: Rows, seen: Seen, forms: Sequence[Form], noise_known: float) -> Form:
    """Return the form of most evidence.

    noise_known: how well the stated variances are known, as the standard deviation of their logarithm.
    """

    best, most = forms[0], -np.inf
    # Forms of one smooth function and one size of the guessed columns share the greater part of the work.
    for ways in dict.fromkeys((form.smooth, form.guessed) for form in forms):
        alike = [form for form in forms if (form.smooth, form.guessed) == ways]
        moves = shared(rows, rows, alike[0])
        for form in alike:
            off = float(np.log(form.noise)) / noise_known
            worth = evidence(rows, seen, form, moves) - 0.5 * off**2
            if worth > most:
                best, most = form, worth
    return best
