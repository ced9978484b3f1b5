"""The dose curves of many cells at once, as arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.answers.films import Film
from calib.colour.dose import DoseCurve

Array = NDArray[np.float64]

# A floor of a curve is no more than this share of the least light that came back.
NEAR_FLOOR = 0.7


@dataclass(frozen=True, eq=False)
class Curves:
    """Dose curves of n cells as arrays: paper, floor, rate (n, 3), back (n, 3, 3), and the amount (n,) before."""

    paper: Array
    floor: Array
    rate: Array
    back: Array
    amount: Array

    @classmethod
    def of(cls, films: list[Film]) -> Curves:
        """Return the curves of films."""
        curves: list[DoseCurve] = [film.curve for film in films]
        paper, floor, rate, back = (
            np.array([getattr(c, name) for c in curves]) for name in ("paper", "floor", "rate", "back")
        )
        amount = np.array([film.amount for film in films])
        # How much light no ink takes away is told by two swatches with their scatter; where the darker one seems to have
        # reached it, more ink would seem to do nothing.
        most = np.array([max(film.amount, float(np.max(film.curve.amounts))) for film in films])
        share = floor + (1 - floor) * 10.0 ** (-most[:, None] * rate)
        return cls(paper, np.minimum(floor, NEAR_FLOOR * np.maximum(share, 0.0)), rate, back, amount)

    def light(self, strength: ArrayLike) -> Array:
        """Return the light (n, 3) of each cell with strength (n,) times its ink."""
        passed = 10.0 ** (-(np.asarray(strength) * self.amount)[:, None] * self.rate)
        return np.asarray(
            np.einsum("nij,nj->ni", self.back, self.paper * (self.floor + (1 - self.floor) * passed))
        )

    def slope(self, strength: ArrayLike) -> Array:
        """Return how fast that light changes per relative change of the ink: (n, 3)."""
        k = (np.asarray(strength) * self.amount)[:, None]
        passed = 10.0 ** (-k * self.rate)
        change = -np.log(10) * k * self.rate * self.paper * (1 - self.floor) * passed
        return np.asarray(np.einsum("nij,nj->ni", self.back, change))
