"""Propagation of doubt by Monte Carlo, and scatter pooled over many small groups."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Four hundred draws give a standard deviation to 3.5 per cent of itself, finer than it is known.
DRAWS = 400


@dataclass(frozen=True)
class Scatter:
    """A pooled relative standard deviation; freedom 0 means that it was assumed, not measured."""

    sd: float
    freedom: int


def pooled(groups: Sequence[Array]) -> Scatter | None:
    """Pool the standard deviation of groups of repeats about their own means; None without repeats.

    Each group of n values gives n - 1 degrees of freedom (ISO 5725-2:2019, 7.4, in kind).
    """
    freedom = sum(len(group) - 1 for group in groups if len(group) > 1)
    if freedom < 1:
        return None
    squares = sum(float(np.sum((group - np.mean(group)) ** 2)) for group in groups if len(group) > 1)
    return Scatter(float(np.sqrt(squares / freedom)), freedom)


def propagate(function: Callable[[Array], Array], draws: Array) -> Array:
    """Return the standard deviation (m, ...) of a function over draws of its input (JCGM 101:2008).

    function: takes (n, 3) and returns (n, ...). draws: (m, n, 3), n draws for each of m quantities; all are passed
    through the function in one call, which is what makes 2,000 rows quick.
    """
    m, n = draws.shape[:2]
    values = function(draws.reshape(m * n, -1))
    return np.asarray(values.reshape(m, n, *values.shape[1:]).std(axis=1, ddof=1))


def normal_draws(count: int, size: int, seed: int = 0) -> Array:
    """Return (count, size) standard normal draws, each column's mean exactly 0 and sd exactly 1.

    The seed is fixed, so that the same scans give the same table to the last digit.
    """
    draws = np.random.default_rng(seed).standard_normal((count, size))
    draws -= draws.mean(axis=0)
    return np.asarray(draws / draws.std(axis=0, ddof=1))
