"""What a paper does to all colours together: robust means over the swatches that it shares with another paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Film
from calib.answers.papers.centre import Centre, centre_of
from calib.answers.papers.gamut import volume_ratio
from calib.answers.papers.sheets import Sheet
from calib.answers.papers.swatches import Differences
from calib.colour.significance import false_discovery, student_p
from calib.table.table import Reading

Array = NDArray[np.float64]

# A pen that holds so much more or less than its paper's other pens is worth a word.
LEAST_UNLIKE = 0.1
FALSE_DISCOVERIES = 0.01
LEAST_MARKERS = 5
# No paper takes so little or so much of the ink of another: something else is wrong, such as a white that is an ink's.
LEAST_STRENGTH = 0.1


@dataclass(frozen=True, eq=False)
class Shift:
    """What the paper does to all colours together; every figure a robust mean over the swatches that both papers have.

    strength: amount of ink over the first paper's; by_coats: the same for one coat and for two. L, C: total change. tinted: how a* and b*
    move at equal amounts of ink; beyond: what of it the paper's white does not explain. coat: what two coats
    leave in amounts of one, over the same on the first paper. mottle: ratio; coverage, bleed: difference.
    gamut: volume over the first paper's for the same swatches, with its interval.
    unlike: markers whose strength departs from the paper's, with theirs over the rest's, the plainest first.
    """

    strength: Centre | None
    by_coats: dict[int, Centre]
    L: Centre | None
    C: Centre | None
    tinted: tuple[Centre | None, Centre | None]
    beyond: tuple[Centre | None, Centre | None]
    coat: Centre | None
    mottle: Centre | None
    coverage: Centre | None
    bleed: Centre | None
    gamut: tuple[float, float, float] | None
    unlike: tuple[tuple[str, float], ...]


def shift_of(found: Differences, first: Sheet, sheet: Sheet) -> Shift:
    """Return what the paper sheet does to all colours together, from its differences to the first."""
    coats = np.array([n for _, n in found.keys], dtype=int)
    told = np.isfinite(found.amounts.ratio)
    by_coats = {n: centre for n in (1, 2) if (centre := _strength(found, told & (coats == n))) is not None}
    films = [(first.films[key], sheet.films[key]) for key in found.keys]
    u = np.sqrt([np.diag(a.covariance + b.covariance) for a, b in films]).reshape(-1, 3)
    u_C = np.linalg.norm(u[:, 1:], axis=1)
    rest = np.sqrt([np.diag(_rest(a) + _rest(b)) for a, b in films]).reshape(-1, 3)

    def mean(values: Array, axis: int) -> Centre | None:
        return centre_of(values[told, axis], rest[told, axis], shared=_common(rest[told, axis]))

    rows = [(a.reading, b.reading) for a, b in films]
    points = [np.array([pair[i].lab for pair in films]) for i in (0, 1)]
    return Shift(
        _strength(found, told),
        by_coats,
        centre_of(found.parts[:, 0], u[:, 0]),
        centre_of(found.parts[:, 1], u_C),
        (mean(found.tinted, 1), mean(found.tinted, 2)),
        (mean(found.beyond, 1), mean(found.beyond, 2)),
        _coat(found),
        _paired(rows, "mottle", ratio=True),
        _paired(rows, "coverage"),
        _paired(rows, "bleed_mm"),
        _gamut(points, films, first, sheet),
        _unlike(found, told, by_coats),
    )


def _rest(film: Film) -> Array:
    return np.asarray(film.covariance - film.u_dose**2 * np.outer(film.along, film.along))


def _common(u: Array) -> float:
    """Return what a session's colours may be off by together: no more than a reading's own doubt."""
    return float(np.median(u)) if len(u) else 0.0


def _by_marker(found: Differences, told: NDArray[np.bool_]) -> tuple[list[str], NDArray[np.int64]]:
    """Return the markers of swatches, and of each swatch which of them it is."""
    markers = [marker for (marker, _), ok in zip(found.keys, told, strict=True) if ok]
    ids = list(dict.fromkeys(markers))
    at = {marker: i for i, marker in enumerate(ids)}
    return ids, np.array([at[marker] for marker in markers], dtype=np.int64)


def _strength(found: Differences, told: NDArray[np.bool_]) -> Centre | None:
    """Return the strength of a paper by these swatches; both coats of a marker count as one figure."""
    ids, place = _by_marker(found, told)
    ratio, u = found.amounts.ratio[told], found.u[told]
    weight = u**-2.0
    total = np.bincount(place, weight, len(ids))
    each = np.bincount(place, weight * ratio, len(ids)) / total
    u_each = 1 / np.sqrt(total)
    # What is wrong with the reading of one swatch may be wrong with all, so the mean is no surer of it than they are.
    read = float(np.sum(weight * found.amounts.u_read[told]) / weight.sum()) if len(ids) else 0.0
    lean = float(np.median(found.amounts.lean[told])) if len(ids) else 0.0
    freedom = int(np.median(found.freedom[told])) if len(ids) else 0
    middle = centre_of(each, u_each, freedom, shared=float(np.hypot(read, lean)))
    if middle is None or not LEAST_STRENGTH < middle.value < 1 / LEAST_STRENGTH:
        return None
    return middle


def _unlike(
    found: Differences, told: NDArray[np.bool_], by_coats: dict[int, Centre]
) -> tuple[tuple[str, float], ...]:
    """Return markers far from the rest: called at a false discovery rate of 1 per cent (Benjamini and Hochberg, 1995).

    Both coats must be off the same way, since a curve that is carried to another paper may go wrong in one.
    """
    middle = np.array([by_coats[n].value if n in by_coats else np.nan for _, n in found.keys])
    told = told & np.isfinite(middle)
    ids, place = _by_marker(found, told)
    if len(ids) < LEAST_MARKERS:
        return ()
    off, u = found.amounts.ratio[told] / middle[told] - 1, found.u[told] / middle[told]
    total = np.bincount(place, u**-2, len(ids))
    mean = np.bincount(place, off * u**-2, len(ids)) / total
    spread = max(centre.spread for centre in by_coats.values())
    freedom = float(np.median(found.freedom[told]))
    q = false_discovery(student_p(mean / np.sqrt(1 / total + spread**2), freedom))
    least = np.full(len(ids), np.inf)
    np.minimum.at(least, place, off * np.sign(mean)[place])
    called = (q < FALSE_DISCOVERIES) & (np.abs(mean) > LEAST_UNLIKE) & (least > LEAST_UNLIKE / 2)
    order = sorted(np.flatnonzero(called), key=lambda i: (-abs(mean[i]), ids[i]))
    return tuple((ids[i], float(1 + mean[i])) for i in order)


def _coat(found: Differences) -> Centre | None:
    """Return what two coats leave in amounts of one, over the same on the first paper, marker by marker."""
    at = {key: i for i, key in enumerate(found.keys)}
    ratio, pairs = found.amounts.ratio, []
    for (marker, n), i in at.items():
        j = at.get((marker, 2))
        if n == 1 and j is not None and np.isfinite(ratio[i] + ratio[j]) and ratio[i] > 0.05:
            over = ratio[j] / ratio[i]
            lean = (found.amounts.lean[j] - over * found.amounts.lean[i]) / ratio[i]
            pairs.append((over, np.hypot(found.u[i], found.u[j]) / ratio[i], lean))
    values, u, leans = np.array(pairs).reshape(-1, 3).T
    return centre_of(values, u, shared=float(np.median(leans)) if pairs else 0.0)


def _paired(rows: Sequence[tuple[Reading, Reading]], name: str, ratio: bool = False) -> Centre | None:
    """Return the robust mean change of a column, after less before, or after over before; None for fewer than three."""
    values = [(getattr(a, name), getattr(b, name)) for a, b in rows]
    known = np.array([(a, b) for a, b in values if a is not None and b is not None], dtype=float)
    if ratio:
        known = np.log(known[(known > 0).all(axis=1)]) if len(known) else known
    if len(known) < 3:
        return None
    found = centre_of(known[:, 1] - known[:, 0], 0.0)
    if found is None or not ratio:
        return found
    value, low, high = np.exp([found.value, found.low, found.high])
    return Centre(float(value), float(low), float(high), found.count, found.spread)


def _gamut(
    points: Sequence[Array], films: Sequence[tuple[Film, Film]], first: Sheet, sheet: Sheet
) -> tuple[float, float, float] | None:
    """Return the ratio of the hulls over the same swatches and both whites."""
    whites = [s.white.lab for s in (first, sheet) if s.white is not None and s.white.lab is not None]
    if len(whites) < 2 or len(films) < 3:
        return None
    labs = [np.vstack([lab, np.array(white)]) for lab, white in zip(points, whites, strict=True)]
    covariances = [np.array([*(pair[i].covariance for pair in films), np.zeros((3, 3))]) for i in (0, 1)]
    return volume_ratio(labs[0], labs[1], (covariances[0], covariances[1]))
