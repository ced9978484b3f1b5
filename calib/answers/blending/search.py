"""The cheapest path of so many pens, each lighter than the one before: exact, by dynamic programming.

The pens are the nodes of a graph without circles and the permitted steps its edges, so the cheapest path of k + 1 nodes to a pen is the cheapest
of k nodes to one below it and one edge more (Bellman's principle; layer by layer, so that the number of nodes is exact). For
a path that may share only so many nodes with earlier ones, how many it has shared belongs to the state, so these are exact too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

State = tuple[int, ...]
# Sums that are looked at in one go, so that they stay in the processor's cache.
AT_ONCE = 60_000


@dataclass(frozen=True, eq=False)
class Apart:
    """Nodes (n,) of which a path may hold so many at most."""

    nodes: Bools
    most: int


@dataclass(frozen=True, eq=False)
class Paths:
    """The cheapest paths from some starts to every node.

    value: (s, n) cost, infinite where there is none. state: (s, n) which state it ends in, a place in the last layer.
    """

    value: Array
    _ends: tuple[State, ...]
    _state: Ints
    _layers: tuple[dict[State, Ints], ...]
    _marks: tuple[State, ...]

    def nodes(self, start: int, end: int) -> tuple[int, ...]:
        """Return the nodes of the path from the start of that number to the node end, in order."""
        state = self._ends[self._state[start, end]]
        found = [end]
        for layer in reversed(self._layers):
            before = int(layer[state][start, found[-1]])
            state = _less(state, self._marks[found[-1]])
            found.append(before)
        return tuple(reversed(found))


def cheapest(
    cost: Array, starts: Sequence[int], count: int, apart: Sequence[Apart] = (), own: Array | None = None
) -> Paths:
    """Return the cheapest paths of count nodes.

    cost: (n, n) of the edge from the row's node to the column's, infinite where there is none. own: (n,) what a node costs itself. Of equal
    paths the one wins whose last differing node stands first, so the same nodes in the same order always give the same path.
    """
    n = len(cost)
    own = np.zeros(n) if own is None else own
    entered = cost + own
    marks = [tuple(int(one.nodes[i]) for one in apart) for i in range(n)]
    groups: dict[State, Ints] = {
        mark: np.array([i for i in range(n) if marks[i] == mark]) for mark in sorted(set(marks))
    }
    limits = tuple(one.most for one in apart)
    current: dict[State, Array] = {}
    for s, start in enumerate(starts):
        if all(a <= b for a, b in zip(marks[start], limits, strict=True)):
            current.setdefault(marks[start], np.full((len(starts), n), np.inf))[s, start] = own[start]
    layers = []
    for _ in range(count - 1):
        following: dict[State, Array] = {}
        back: dict[State, Ints] = {}
        for state, value in current.items():
            best, before = _extended(value, entered)
            for mark, columns in groups.items():
                new = tuple(a + b for a, b in zip(state, mark, strict=True))
                if (
                    any(a > b for a, b in zip(new, limits, strict=True))
                    or not np.isfinite(best[:, columns]).any()
                ):
                    continue
                following.setdefault(new, np.full((len(starts), n), np.inf))[:, columns] = best[:, columns]
                back.setdefault(new, np.zeros((len(starts), n), dtype=np.intp))[:, columns] = before[
                    :, columns
                ]
        layers.append(back)
        current = following
    ends = tuple(sorted(current))
    if not ends:
        return Paths(np.full((len(starts), n), np.inf), (), np.zeros((len(starts), n), dtype=np.intp), (), ())
    every = np.stack([current[state] for state in ends])
    chosen = np.argmin(every, axis=0)
    return Paths(np.min(every, axis=0), ends, chosen, tuple(layers), tuple(marks))


def _extended(value: Array, entered: Array) -> tuple[Array, Ints]:
    """Return (s, n) the cheapest cost by one more edge, and which node it comes from."""
    s, n = value.shape
    best, before = np.full((s, n), np.inf), np.zeros((s, n), dtype=np.intp)
    # What cannot be reached need not be gone on from.
    starts, nodes = (
        np.flatnonzero(np.isfinite(value).any(axis=1)),
        np.flatnonzero(np.isfinite(value).any(axis=0)),
    )
    rows = max(1, AT_ONCE // max(1, n * len(nodes)))
    for first in range(0, len(starts), rows):
        at = starts[first : first + rows]
        sums = value[np.ix_(at, nodes)][:, None, :] + entered[nodes].T
        place = np.argmin(sums, axis=2)
        before[at] = nodes[place]
        best[at] = np.take_along_axis(sums, place[..., None], axis=2)[..., 0]
    return best, before


def _less(state: State, mark: State) -> State:
    return tuple(a - b for a, b in zip(state, mark, strict=True))


def most_nodes(edges: Bools, starts: Bools, ends: Bools) -> int:
    """Return of how many nodes the longest path from a start to an end is, 0 where there is none; edges: (n, n), without circles."""
    reached, longest, count = starts.copy(), 0, 0
    while reached.any():
        count += 1
        longest = count if (reached & ends).any() else longest
        reached = np.asarray(edges[reached].any(axis=0))
    return longest
