"""Which pens are bought twice: groups in which every pair is within a limit, and how sure that is.

Complete linkage on the largest dE00 over the coats that two pens both have: two pens that part in the second coat are no doubles.
dE00 is no metric, so only pairs that were looked at are called anything.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.keeping import Keep, keep_of
from calib.answers.doubles.pairs import (
    Coats,
    Differences,
    close_pairs,
    coats_of,
    differences,
    nearest,
    rough_ends,
)
from calib.answers.doubles.pens import Drawer, Pen, drawer_of
from calib.table.table import Table

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

# Just perceptible is 0.8 to 1.7, usually accepted 1.8 to 3.7 dE00 (ranges of a dental review, 2023).
JUST_PERCEPTIBLE = 0.8
USUALLY_ACCEPTED = 1.8
# So many pairs near the limit get an interval of their own; of more, the closest do.
MOST_LISTED = 200
MOST_SPLIT = 50
SAME, NEAR, UNSURE, OTHER = "same", "near", "unsure", "other"


@dataclass(frozen=True)
class Pair:
    """Two pens, their largest dE00 over the coats that both have, and its interval; both is whether they are in one group."""

    one: Pen
    two: Pen
    dE00: float
    low: float
    high: float
    both: bool = False

    def verdict(self, within: float) -> str:
        """Return the pair's verdict; where it is beyond the limit for sure, 'other'."""
        return verdict(self.dE00, self.low, self.high, within)


@dataclass(frozen=True, eq=False)
class Group:
    """Pens (the representative first) of which any two are within the limit.

    differences: (m,) of the others to the representative, in their order. widest: the largest dE00 of any pair. keep: which one to keep.
    """

    pens: tuple[Pen, ...]
    differences: Differences
    widest: float
    keep: Keep

    def pairs(self) -> tuple[Pair, ...]:
        """Return the representative with each of the others, the closest first."""
        d = self.differences
        ends = zip(self.pens[1:], d.distance, d.least, d.most, strict=True)
        return tuple(
            Pair(self.pens[0], pen, float(seen), float(low), float(high), True)
            for pen, seen, low, high in ends
        )

    def keep_words(self) -> str:
        """Return which pen to keep, and why; nothing where there is nothing to choose."""
        keep = self.keep
        if keep.marker is None:
            return ""
        reasons = list(keep.reasons)
        if keep.more_ink is not None:
            more, low, high = (100 * value for value in keep.more_ink)
            reasons.insert(0, f"{more:.0f} % more ink ({low:.0f}..{high:.0f} %)")
        # Two pens may go by one id, and then the name tells which.
        alone = [pen.marker for pen in self.pens].count(keep.marker) == 1
        called = keep.marker if alone else f"{keep.marker} {keep.name}"
        return f"keep {called}: " + (", ".join(reasons) or "each of the others is worse in something")

    def verdict(self, within: float) -> str:
        """Return 'same' or 'near' where it holds for all pairs with the representative, else 'unsure'."""
        said = {pair.verdict(within) for pair in self.pairs()}
        return said.pop() if len(said) == 1 else UNSURE


@dataclass(frozen=True, eq=False)
class New:
    """What is said of the pens of the later tables that the first does not have.

    pairs: each new pen as two with the nearest owned one as one, the closest first. alone: those without a coat in common with any.
    """

    owned: int
    pairs: tuple[Pair, ...]
    alone: tuple[Pen, ...]


@dataclass(frozen=True, eq=False)
class Duplicates:
    """The whole answer; within: the limit in dE00.

    straddling: pairs whose interval holds the limit, the closest first; count: how many there are, with those not listed. split:
    pairs within the limit that stand in different groups, because some other pair of the two groups is not, likewise with their count. new: None for one table.
    """

    drawer: Drawer
    within: float
    groups: tuple[Group, ...]
    straddling: tuple[Pair, ...]
    count: int
    split: tuple[Pair, ...]
    split_count: int
    new: New | None


def verdict(seen: float, low: float, high: float, within: float) -> str:
    """Return 'same', 'near' or 'unsure' for a difference and its interval; 'other' where it surely is beyond the limit."""
    if high < JUST_PERCEPTIBLE:
        return SAME
    if seen <= within and low > JUST_PERCEPTIBLE:
        return NEAR
    return OTHER if low > within else UNSURE


def find_duplicates(tables: Sequence[Table], within: float = USUALLY_ACCEPTED) -> Duplicates:
    """Return the groups of doubles in tables, whatever the order of their rows.

    within: dE00, 0 or more; a pair at exactly the limit belongs. Of several tables the first holds the pens one owns. Raises InputError
    where they cannot be compared.
    """
    drawer = drawer_of(tables)
    if not drawer.pens:
        return Duplicates(drawer, within, (), (), 0, (), 0, None if len(tables) < 2 else New(0, (), ()))
    coats = coats_of(drawer.pens)
    i, j, d = close_pairs(coats, within)
    label = _cluster(len(drawer.pens), i, j, d, within)
    groups = _groups(drawer.pens, coats, label, (i, j, d))
    straddling, count = _straddling(drawer.pens, coats, label, (i, j, d), within)
    apart = np.flatnonzero((d <= within) & (label[i] != label[j]))
    apart = apart[np.argsort(d[apart], kind="stable")]
    return Duplicates(
        drawer,
        within,
        tuple(sorted(groups, key=lambda group: _rank(group, within))),
        straddling,
        count,
        _pairs(drawer.pens, coats, i[apart[:MOST_SPLIT]], j[apart[:MOST_SPLIT]], label),
        len(apart),
        None if len(tables) < 2 else _new(drawer, coats, label),
    )


def _rank(group: Group, within: float) -> tuple[object, ...]:
    return (SAME, UNSURE, NEAR).index(group.verdict(within)), group.widest, group.pens[0].order


def _cluster(count: int, i: Ints, j: Ints, d: Array, within: float) -> Ints:
    """Return a label (n,) for each pen; pens of one group share one. Pairs that are not given are out of reach."""
    from scipy.cluster.hierarchy import fcluster, linkage
    from scipy.spatial.distance import squareform

    label = np.arange(count)
    inside = d <= within
    own = np.unique(np.concatenate([i[inside], j[inside]]))
    if not len(own):
        return label
    matrix = np.full((len(own), len(own)), 2.0 * within + 1.0)
    np.fill_diagonal(matrix, 0.0)
    one, two = np.searchsorted(own, i[inside]), np.searchsorted(own, j[inside])
    matrix[one, two] = matrix[two, one] = d[inside]
    # A pair at exactly the limit is to belong, and here it does.
    label[own] = count + fcluster(linkage(squareform(matrix, checks=False), "complete"), within, "distance")
    return label


def _groups(
    pens: Sequence[Pen], coats: Coats, label: Ints, close: tuple[Ints, Ints, Array]
) -> Iterator[Group]:
    """Yield the groups of two and more pens."""
    i, j, d = close
    same = np.flatnonzero(label[i] == label[j])
    sums = np.zeros(len(pens))
    widest: dict[int, float] = {}
    for k in same:
        sums[i[k]] += d[k]
        sums[j[k]] += d[k]
        widest[label[i[k]]] = max(float(d[k]), widest.get(label[i[k]], 0.0))
    members: dict[int, list[int]] = {}
    for pen in np.unique(np.concatenate([i[same], j[same]])):
        members.setdefault(int(label[pen]), []).append(int(pen))
    middle = {
        # A pen with more coats stands for the others better than one that was only read in one.
        name: min(own, key=lambda pen: (-len(pens[pen].coats), sums[pen], pen))
        for name, own in members.items()
    }
    others = {name: [pen for pen in own if pen != middle[name]] for name, own in members.items()}
    one = np.array([middle[name] for name, own in others.items() for _ in own], dtype=np.intp)
    two = np.array([pen for own in others.values() for pen in own], dtype=np.intp)
    found = differences(coats, one, two)
    start = 0
    for name, own in others.items():
        at = np.arange(start, start + len(own))
        start += len(own)
        at = at[np.argsort(found.distance[at], kind="stable")]
        group = [middle[name], *two[at].tolist()]
        keep = keep_of([pens[pen] for pen in group], 0)
        part = Differences(found.seen[at], found.low[at], found.high[at])
        yield Group(tuple(pens[pen] for pen in group), part, widest[name], keep)


def _straddling(
    pens: Sequence[Pen], coats: Coats, label: Ints, close: tuple[Ints, Ints, Array], within: float
) -> tuple[tuple[Pair, ...], int]:
    """Return the pairs of which it cannot be said on which side of the limit they are, and how many there are."""
    i, j, d = close
    low, high = rough_ends(coats, i, j, wider=1.4)
    near = np.flatnonzero((low <= within) & (high > within))
    near = near[np.argsort(d[near], kind="stable")]
    pairs = _pairs(pens, coats, i[near[:MOST_LISTED]], j[near[:MOST_LISTED]], label)
    listed = tuple(pair for pair in pairs if pair.low <= within < pair.high)
    rest = near[MOST_LISTED:]
    low, high = rough_ends(coats, i[rest], j[rest])
    return listed, len(listed) + int(((low <= within) & (high > within)).sum())


def _pairs(pens: Sequence[Pen], coats: Coats, i: Ints, j: Ints, label: Ints) -> tuple[Pair, ...]:
    found = differences(coats, i, j)
    ends = zip(i, j, found.distance, found.least, found.most, strict=True)
    return tuple(
        Pair(pens[a], pens[b], float(d), float(low), float(high), bool(label[a] == label[b]))
        for a, b, d, low, high in ends
    )


def _new(drawer: Drawer, coats: Coats, label: Ints) -> New:
    """Return the nearest owned pen of each new one."""
    own = np.array([0 in pen.tables for pen in drawer.pens], dtype=bool)
    rows, among = np.flatnonzero(~own), np.flatnonzero(own)
    best, distance = nearest(coats, rows, among)
    met = np.isfinite(distance)
    rank = np.argsort(distance[met], kind="stable")
    pairs = _pairs(drawer.pens, coats, best[met][rank], rows[met][rank], label)
    return New(int(own.sum()), pairs, tuple(drawer.pens[row] for row in rows[~met]))
