"""The dose curves of many cells at once, as arrays.

A curve made from two coats knows how its channels saturate, by a floor for each. One made from a single coat does not; its channels
are taken to be as wide as channels usually are, because a straight line would make too little of what a pen lost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.answers.films import Film
from calib.answers.secondcoat.law import USUAL
from calib.colour.dose import DoseCurve

Array = NDArray[np.float64]

# A floor of a curve is no more than this share of the least light that came back.
NEAR_FLOOR = 0.7
# No channel is quite so narrow that all its light is absorbed alike, which also keeps the arithmetic from dividing by nothing.
LEAST_SPREAD = 1e-6
LEAST_SHARE = 1e-3


@dataclass(frozen=True, eq=False)
class Curves:
    """Dose curves of n cells as arrays.

    paper, floor (n, 3), back (n, 3, 3), amount (n,): as in ``colour/dose``. rate: (n, 3) density that the first of the ink adds, per
    amount. spread: (n,) how unevenly a channel's light is absorbed (``secondcoat/law``), about 0 where the floor says all.
    """

    paper: Array
    floor: Array
    rate: Array
    back: Array
    amount: Array
    spread: Array

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
        floor = np.minimum(floor, NEAR_FLOOR * np.maximum(share, 0.0))
        # Wide primaries overlap, and how their light saturates is another matter, so that there lines are left as they are.
        own = (back == np.eye(3)).all(axis=(1, 2))
        single = own & np.array([len(c.amounts) < 2 for c in curves], dtype=bool)
        spread = np.where(single, USUAL[1], LEAST_SPREAD)
        floor = np.where(single[:, None], np.minimum(USUAL[2], NEAR_FLOOR * np.maximum(share, 0.0)), floor)
        passed = np.maximum((10.0**-rate - floor) / (1 - floor), LEAST_SHARE * 10.0**-rate)
        usual = np.expm1(-spread[:, None] * np.log(passed)) / (spread[:, None] * np.log(10))
        rate = np.where(single[:, None], usual, rate)
        return cls(paper, floor, rate, back, amount, spread)

    def light(self, strength: ArrayLike) -> Array:
        """Return the light (n, 3) of each cell with strength (n,) times its ink."""
        passed, _ = self._passed(strength)
        return np.asarray(
            np.einsum("nij,nj->ni", self.back, self.paper * (self.floor + (1 - self.floor) * passed))
        )

    def slope(self, strength: ArrayLike) -> Array:
        """Return how fast that light changes per relative change of the ink: (n, 3)."""
        passed, lost = self._passed(strength)
        change = -self.paper * (1 - self.floor) * passed * lost
        return np.asarray(np.einsum("nij,nj->ni", self.back, change))

    def _passed(self, strength: ArrayLike) -> tuple[Array, Array]:
        """Return the share (n, 3) of light above the floor that comes back, and what of it is lost per relative change of the ink."""
        dose = np.log(10) * (np.asarray(strength) * self.amount)[:, None] * self.rate
        spread = self.spread[:, None]
        # A channel that gains light with the ink, by noise or by the mixing of primaries, gains it evenly.
        grown = np.maximum(1 + spread * dose, 0.1)
        return np.asarray(np.exp(-np.log(grown) / spread)), np.asarray(dose / grown)
