"""How the light of inks laid over each other follows from that of each by itself.

By Bouguer and Beer's law each film passes a share of the light, and the shares multiply: densities add. Three things keep the
plain product from being right, and each has a number here.

* Kept ink. Two coats of one ink leave less than twice the ink, the paper's exponent times as much; so do coats of two inks. Of n coats each keeps
  n**(p - 1) of what it leaves alone, with 2**p the exponent. Which of two inks loses more depends on the order; by itself a table does not
  tell, so the order is 0 (both alike) with a doubt, until real overlays were measured.
* Floor. What the surface and the sheet send back whatever lies on them no ink takes away, and it must not be multiplied. It is never more than
  the darkest film sends back.
* Channels are wide, and a product of means is not the mean of products. It comes nearest in light seen by narrow channels, so
  the law is used in several lights, each by what it is worth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.answers.secondcoat.law import LEAST_LIGHT
from calib.answers.secondcoat.law import lights as common_lights
from calib.colour.dose import LIGHTER

Array = NDArray[np.float64]

# Where the channels of a scanner overlap, each loses what its neighbours see; white stays white. As much as this, or nothing (it competes).
UNMIXING = np.array([[2.0, -1.0, 0.0], [-1.0, 3.0, -1.0], [0.0, -1.0, 2.0]])
# Lights that hold colours of every pen.
SAFE = ("sharpened", "wide")


@cache
def lights() -> dict[str, Array]:
    """Return by name the lights in which shares may be multiplied: (3, 3) from linear light, white to white."""
    return {**common_lights(), "unmixed": np.ascontiguousarray(UNMIXING.T)}


def lights_for(paper: ArrayLike, films: ArrayLike) -> tuple[str, ...]:
    """Return the lights in which films (n, 3) on paper (3,) have densities: one in which a film has no light, or more than its paper, is none."""
    found = []
    for name, m in lights().items():
        share = (np.asarray(films, dtype=float) @ m) / np.maximum(
            np.asarray(paper, dtype=float) @ m, LEAST_LIGHT
        )
        if name in SAFE or (share.min(initial=1.0) > LEAST_LIGHT and share.max(initial=0.0) <= LIGHTER):
            found.append(name)
    return tuple(found)


def passed(light: str, paper: ArrayLike, films: ArrayLike, floor: float) -> Array:
    """Return the share (n, 3) of light above the floor that films (n, 3) on paper (3,) let pass, in one of the lights."""
    m = lights()[light]
    share = (np.asarray(films, dtype=float) @ m) / (np.asarray(paper, dtype=float) @ m)
    return np.asarray(np.maximum((share - floor) / (1.0 - floor), LEAST_LIGHT))


def overlaid(light: str, paper: ArrayLike, shares: ArrayLike, floor: float, amounts: ArrayLike) -> Array:
    """Return the linear light (..., 3) of films over each other.

    shares: (k, 3) what each film passes above the floor (``passed``). amounts: (..., k) how much of its ink is there, 1 being as much as in the
    film that was read. paper: (3,) linear light.
    """
    density = np.asarray(amounts, dtype=float) @ -np.log10(np.asarray(shares, dtype=float))
    m = lights()[light]
    film = (floor + (1.0 - floor) * 10.0**-density) * (np.asarray(paper, dtype=float) @ m)
    return np.asarray(film @ np.linalg.inv(m))


def kept_shares(coats: int, exponent: ArrayLike, order: ArrayLike) -> Array:
    """Return (..., coats) what each of so many coats keeps of the ink it leaves alone, the lowest first.

    exponent: (...) ink of two coats of one pen in amounts of one. order: (...) 0 where all keep the same; at 1 the lowest of two
    keeps all and the upper the rest, at -1 the other way round.
    """
    exponent, order = (np.asarray(v, dtype=float)[..., None] for v in (exponent, order))
    each = float(coats) ** (np.log2(exponent) - 1.0)
    place = 1.0 - 2.0 * np.arange(coats) / max(coats - 1, 1) if coats > 1 else np.zeros(1)
    # The uppermost coat has no more to lose than it has.
    moved = np.minimum(1.0 - each, each)
    return np.asarray(np.maximum(each + order * moved * place, 0.0))


@dataclass(frozen=True, eq=False)
class Law:
    """What is known of one ink over another on a paper.

    worth: how much each light has to say, by name, together 1. floors: the floor in each. numbers: (2,) exponent and order. doubt: (2, 2) their
    covariance. miss: standard uncertainty, in dE00 along each direction, of what the law leaves out, for films of average strength. pens: of how
    many pens both coats were read. overlays: how many measured overlays it was moved by.
    """

    worth: dict[str, float]
    floors: dict[str, float]
    numbers: Array
    doubt: Array
    miss: float
    pens: int
    overlays: int

    def each(self, paper: Array, films: Array, amounts: Array) -> Array:
        """Return the linear light (lights, ..., 3) of films (k, 3) on paper (3,) with amounts (..., k) of the ink of each, by every light."""
        return np.array(
            [
                overlaid(
                    name, paper, passed(name, paper, films, self.floors[name]), self.floors[name], amounts
                )
                for name in self.worth
            ]
        )

    def over(self, paper: Array, films: Array, amounts: Array) -> Array:
        """Return the same (..., 3) by all lights together, each by what it is worth."""
        return np.asarray(
            np.tensordot(list(self.worth.values()), self.each(paper, films, amounts), axes=(0, 0))
        )
