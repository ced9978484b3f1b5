"""Colour models of a scanner: families of functions from light to XYZ, fitted on the patches of a card.

Every model keeps white and all greys: light (1, 1, 1) goes to WHITE_D50 exactly. Every model is of degree
one, so that half the light gives half the XYZ (Finlayson, Mackiewicz and Hurlbert, IEEE Trans. Image
Process. 24, 2015). So XYZ = G WHITE + [R - G, B - G, features] c, where the features are of degree one
too and 0 on greys, and c (k, 3) is all that there is to fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import WHITE_D50, delta_e_2000, xyz_to_lab

Array = NDArray[np.float64]

# Turns of the fit; each takes the metric where the last one ended. The fourth moves nothing (measured).
TURNS = 4
# What a model misses is never taken for less than this in dE00 per axis, or one patch without noise
# would outweigh all others.
LEAST_MISS = 0.1
# Strengths of the pull towards the plain matrix that compete, relative to one patch.
PULLS = (1.0, 3.0, 10.0, 30.0, 100.0)
# Centres per side and width of the smooth correction's bumps on the triangle of chromaticities (a choice).
BUMPS = 4
BUMP_WIDTH = 0.25
STEP_LAB = 0.1


def _none(light: Array) -> Array:
    return np.zeros((*light.shape[:-1], 0))


def _roots(light: Array) -> Array:
    R, G, B = np.moveaxis(np.maximum(light, 0.0), -1, 0)
    pairs = ((R, G), (R, B), (G, B))
    return np.stack([np.sqrt(x * y) - (x + y) / 2 for x, y in pairs], axis=-1)


def _cube_roots(light: Array) -> Array:
    R, G, B = np.moveaxis(np.maximum(light, 0.0), -1, 0)
    triples = ((R, R, G), (R, R, B), (G, G, R), (G, G, B), (B, B, R), (B, B, G), (R, G, B))
    cubes = np.stack([np.cbrt(x * y * z) - (x + y + z) / 3 for x, y, z in triples], axis=-1)
    return np.concatenate([_roots(light), cubes], axis=-1)


def _smooth(light: Array) -> Array:
    light = np.maximum(light, 0.0)
    total = light.sum(axis=-1, keepdims=True)
    return np.asarray(
        total / 3 * (_bumps(light / np.where(total > 0, total, 1.0)) - _bumps(np.full(3, 1 / 3)))
    )


def _bumps(share: Array) -> Array:
    """Return (..., m) Gaussian bumps over a regular mesh of the triangle of chromaticities (..., 3)."""
    steps = np.arange(BUMPS + 1) / BUMPS
    red, green = (np.exp(-0.5 * ((share[..., i, np.newaxis] - steps) / BUMP_WIDTH) ** 2) for i in (0, 1))
    inside = [(i, j) for i in range(BUMPS + 1) for j in range(BUMPS + 1 - i)]
    first, second = np.array(inside).T
    return np.asarray(red[..., first] * green[..., second])


@dataclass(frozen=True)
class Family:
    """A family of models. name: in words. features: light (..., 3) to (..., m). pulled: towards the matrix.

    transfer: by how much more than the matrix's its error grows from the patches of a card to dyes; geometric
    mean over invented scanners, dyes and four sorts of cards (measured by tests/benchmarks/dyes.py).
    """

    name: str
    features: Callable[[Array], Array]
    pulled: bool = False
    transfer: float = 1.0


# The simplest first, in the order in which a tie is decided.
FAMILIES = (
    Family("matrix 3x3, white-preserving", _none),
    Family(
        "matrix 3x3 with a root-polynomial correction of degree 3, pulled to the matrix",
        _cube_roots,
        True,
        1.33,
    ),
    Family(
        "matrix 3x3 with a smooth correction over chromaticity, pulled to the matrix", _smooth, True, 1.34
    ),
    Family("root-polynomial of degree 2, white-preserving", _roots, False, 1.48),
)


@dataclass(frozen=True, eq=False)
class ColourModel:
    """A fitted model. family: one of FAMILIES. coefficients: (2 + m, 3), as the module says."""

    family: Family
    coefficients: Array

    def to_xyz(self, light: ArrayLike) -> Array:
        """Return XYZ (..., 3), Y of a perfect white = 1, of white-balanced light (..., 3)."""
        light = np.asarray(light, dtype=float)
        if len(self.coefficients) == 2:
            return np.asarray(light @ self.matrix().T)
        known, terms = _terms(self.family, light)
        return np.asarray(known + terms @ self.coefficients)

    def matrix(self) -> Array:
        """Return the (3, 3) matrix from light to XYZ, without the correction."""
        red, blue = self.coefficients[:2]
        return np.stack([red, WHITE_D50 - red - blue, blue], axis=1)


def _terms(family: Family, light: Array) -> tuple[Array, Array]:
    R, G, B = np.moveaxis(light, -1, 0)
    plain = np.stack([R - G, B - G], axis=-1)
    return G[..., np.newaxis] * WHITE_D50, np.concatenate([plain, family.features(light)], axis=-1)


@dataclass(frozen=True, eq=False)
class Patches:
    """What a model is fitted on: light, xyz, u: (n, 3), u the standard uncertainty of light; group: (n,) int.

    Patches of one group show one colour and are left out together in cross-validation.
    """

    light: Array
    xyz: Array
    u: Array
    group: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Fitted:
    """A model and how it does on patches that it was not fitted on.

    crossed: (n,) dE00 of each patch when its group was left out. noise: (n,) what of that is, in the root
    mean square, the noise of the patch's own reading. carried: (n,) dE00, root mean square, that the noise of all
    readings makes in the model's colour of the patch's light.
    """

    model: ColourModel
    crossed: Array
    noise: Array
    carried: Array


def fit(family: Family, patches: Patches) -> Fitted:
    """Fit one family by least squares in dE00, and cross-validate it by leaving out one colour at a time.

    Where the family is pulled to the matrix, the strength of the pull is chosen anew without the colour
    left out, so that the choice is cross-validated with the rest. Raises numpy.linalg.LinAlgError never:
    terms that the patches do not determine are held at 0 by a pull too small to be seen.
    """
    pulls = PULLS if family.pulled else (0.0,)
    solved = [_Solved.of(family, patches, pull) for pull in pulls]
    crossed = np.stack([one.crossed(patches) for one in solved])
    squares = crossed**2
    best = np.argmin(squares.sum(axis=1))
    chosen = np.empty(len(patches.light))
    for group in np.unique(patches.group):
        inside = patches.group == group
        chosen[inside] = crossed[np.argmin(squares[:, ~inside].sum(axis=1)), inside]
    one = solved[best]
    return Fitted(ColourModel(family, one.coefficients), chosen, one.noise, one.carried())


@dataclass(frozen=True, eq=False)
class _Solved:
    """A weighted least squares fit.

    rows (n, 3, 3k) and left (n, 3), the residuals, are whitened; whiten (n, 3, 3) did that to differences in dE00,
    of which covariance (n, 3, 3) is noise; weights (n, 3, 3) take XYZ there. inverse: (3k, 3k) of the normal equations.
    """

    coefficients: Array
    rows: Array
    left: Array
    weights: Array
    inverse: Array
    whiten: Array
    covariance: Array

    @classmethod
    def of(cls, family: Family, patches: Patches, pull: float) -> _Solved:
        known, terms = _terms(family, patches.light)
        wanted = patches.xyz - known
        n, k = terms.shape
        lab = xyz_to_lab(patches.xyz)
        root = _root_of_metric(lab)
        penalty = np.repeat(np.r_[np.zeros(2), np.full(k - 2, pull)] + 1e-9, 3)
        xyz, miss = patches.xyz, 1.0
        c = np.zeros((k, 3))
        covariance = np.zeros((n, 3, 3))
        for turn in range(TURNS):
            to_metric = root @ _secants(xyz, patches.xyz)
            if turn:
                spread = to_metric @ _slopes(ColourModel(family, c), patches.light) * patches.u[:, np.newaxis]
                covariance = spread @ spread.transpose(0, 2, 1)
                left = np.einsum("nij,nj->ni", to_metric, wanted - terms @ c)
                miss = _miss(left, covariance, 3 * max(n - k, n / 2))
                # A dark patch read through a matrix with large numbers is mostly noise; it counts for less.
                whiten = np.linalg.inv(np.linalg.cholesky(miss * np.eye(3) + covariance)) * np.sqrt(miss)
            else:
                whiten = np.broadcast_to(np.eye(3), (n, 3, 3))
            weights = whiten @ to_metric
            rows = np.einsum("nij,nk->nikj", weights, terms).reshape(n, 3, 3 * k)
            flat = rows.reshape(3 * n, 3 * k)
            target = np.einsum("nij,nj->ni", weights, wanted)
            inverse = np.linalg.inv(flat.T @ flat + np.diag(penalty * n))
            c = (inverse @ flat.T @ target.reshape(-1)).reshape(k, 3)
            xyz = known + terms @ c
        left = target - np.einsum("nij,nj->ni", weights, terms @ c)
        return cls(c, rows, left, weights, inverse, whiten, covariance)

    @property
    def noise(self) -> Array:
        """(n,) root mean square of the noise of each patch's reading, in dE00."""
        return np.asarray(np.sqrt(np.trace(self.covariance, axis1=1, axis2=2)))

    def carried(self) -> Array:
        """Return (n,) the root mean square in dE00 that noise of all readings makes in each patch's modelled colour."""
        half = self.whiten @ np.linalg.cholesky(self.covariance + 1e-12 * np.eye(3))
        spread = np.einsum("nia,nij->anj", self.rows, half).reshape(len(self.inverse), -1)
        moved = np.linalg.solve(self.whiten, self.rows) @ (self.inverse @ spread)
        return np.asarray(np.sqrt((moved**2).sum(axis=(1, 2))))

    def crossed(self, patches: Patches) -> Array:
        """Return dE00 (n,) of each patch when its group was left out, by the hat matrix, without fitting anew."""
        missed = np.empty_like(self.left)
        for group in np.unique(patches.group):
            inside = patches.group == group
            rows = self.rows[inside].reshape(3 * int(inside.sum()), -1)
            hat = rows @ self.inverse @ rows.T
            # A patch that alone decides a term has a hat of 1: its own error, left out, is without bound.
            free = np.eye(len(hat)) - hat + 1e-6 * np.eye(len(hat))
            missed[inside] = np.linalg.solve(free, self.left[inside].reshape(-1)).reshape(-1, 3)
        off = np.linalg.solve(self.weights, missed[..., np.newaxis])[..., 0]
        return delta_e_2000(xyz_to_lab(patches.xyz - off), xyz_to_lab(patches.xyz))


def _miss(left: Array, covariance: Array, freedom: float) -> float:
    """Return the variance per axis that the model misses by, beside noise of covariance (n, 3, 3) in left (n, 3).

    It is what makes the sum of squares, each over its own variance, equal the freedom: Paule and Mandel, J. Res. Natl.
    Bur. Stand. 87, 1982. Found by turning the noise into its own axes, and the root of a falling function.
    """
    from scipy.optimize import brentq

    size, axes = np.linalg.eigh(covariance)
    squares = np.einsum("nji,nj->ni", axes, left) ** 2

    def over(miss: float) -> float:
        return float((squares / (size + miss)).sum() - freedom)

    least = LEAST_MISS**2
    return least if over(least) <= 0 else float(brentq(over, least, least + squares.sum()))


def _slopes(model: ColourModel, light: Array) -> Array:
    """Return d XYZ / d light (n, 3, 3), by differences."""
    step = 1e-4 + 1e-3 * np.abs(light)
    columns = []
    for channel in range(3):
        move = np.zeros_like(light)
        move[:, channel] = step[:, channel]
        change = model.to_xyz(light + move) - model.to_xyz(light - move)
        columns.append(change / (2 * step[:, channel : channel + 1]))
    return np.stack(columns, axis=-1)


def _secants(xyz: Array, known: Array) -> Array:
    """Return the (n, 3, 3) that take xyz - known to the difference in L*a*b* exactly."""
    apart = xyz - known
    xyz = np.where(np.abs(apart) < 1e-6, known + 1e-6, xyz)
    change = (_roots_of_lab(xyz) - _roots_of_lab(known)) / (xyz - known)
    to_lab = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])
    return np.asarray(to_lab * change[:, np.newaxis, :])


def _roots_of_lab(xyz: Array) -> Array:
    """Return f(X/Xn), f(Y/Yn), f(Z/Zn) of CIE 15:2018, 8.2.1, out of L*a*b*."""
    L, a, b = np.moveaxis(xyz_to_lab(xyz), -1, 0)
    y = (L + 16.0) / 116.0
    return np.stack([y + a / 500.0, y, y - b / 200.0], axis=-1)


def _root_of_metric(lab: Array) -> Array:
    """Return (n, 3, 3) whose product with a small difference in L*a*b* has the length dE00.

    CIEDE2000 squared is a quadratic form for small differences; six differences about each colour tell it.
    """

    def squared(move: Array) -> Array:
        return (delta_e_2000(lab - move / 2, lab + move / 2) / STEP_LAB) ** 2

    axes = STEP_LAB * np.eye(3)
    form = np.empty((len(lab), 3, 3))
    for i in range(3):
        form[:, i, i] = squared(axes[i])
    for i, j in ((0, 1), (0, 2), (1, 2)):
        form[:, i, j] = form[:, j, i] = (squared(axes[i] + axes[j]) - form[:, i, i] - form[:, j, j]) / 2
    values, vectors = np.linalg.eigh(form)
    root = np.sqrt(np.maximum(values, 1e-3))[:, :, np.newaxis] * vectors.transpose(0, 2, 1)
    return np.asarray(root)
