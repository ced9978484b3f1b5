"""How much of colour space a set of films reaches: the convex hull in Lab."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.uncertainty import coverage_factor

Array = NDArray[np.float64]

# Points whose third direction is thinner than this, in Lab units, are a plane.
THINNEST = 1e-6
DRAWS = 200


def hull_volume(lab: ArrayLike) -> float | None:
    """Return the volume of the convex hull of colours (n, 3) in cubic Lab units; None where they span no volume.

    A hull counts every colour between its corners as reached, which blending two inks nearly, but not quite, does.
    """
    from scipy.spatial import ConvexHull, QhullError

    points = np.asarray(lab, dtype=float).reshape(-1, 3)
    if len(points) < 4 or np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[2] < THINNEST:
        return None
    try:
        return float(ConvexHull(points).volume)
    except QhullError:
        return None


def volume_ratio(
    one: ArrayLike, two: ArrayLike, covariances: tuple[Array, Array], seed: int = 0
) -> tuple[float, float, float] | None:
    """Return the hull of colours two (n, 3) over that of the same swatches one (n, 3), and its 95 per cent interval.

    covariances: (n, 3, 3) of each. Monte Carlo in the logarithm (JCGM 101:2008); noise makes both hulls larger alike, so only the
    spread of the draws is used. None where either spans no volume.
    """
    first, second = hull_volume(one), hull_volume(two)
    if first is None or second is None:
        return None
    rng = np.random.default_rng(seed)
    logs = []
    roots = [np.linalg.cholesky(c + 1e-9 * np.eye(3)) for c in covariances]
    for _ in range(DRAWS):
        drawn = [
            hull_volume(lab + np.einsum("nij,nj->ni", root, rng.standard_normal((len(root), 3))))
            for lab, root in zip((np.asarray(one), np.asarray(two)), roots, strict=True)
        ]
        if drawn[0] and drawn[1]:
            logs.append(np.log(drawn[1] / drawn[0]))
    half = float(coverage_factor(0)) * float(np.std(logs, ddof=1)) if len(logs) > 2 else np.inf
    ratio = second / first
    return ratio, float(ratio * np.exp(-half)), float(ratio * np.exp(half))
