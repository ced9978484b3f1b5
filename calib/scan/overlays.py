"""One ink over another as it was read: what either ink has of it, and whether one of them is missing.

Densities of films add (Bouguer and Beer) where the light is narrow enough. A scanner's channels are broad, so all this
is only used for how a colour scatters and for what is plainly wrong, never for the colour itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import delta_e_2000, linear_to_romm
from calib.colour.dose import film_density
from calib.scan.scanner import Scanner

Array = NDArray[np.float64]

_FROM_WIDE = np.linalg.inv(linear_to_romm(np.eye(3)))
# So much of an ink stays at the least where it is laid over or under another: two coats of one leave 1.6 to 1.9 times
# the density of one, and an ink that is washed out or kept off loses more (invented).
LEAST_KEPT = 0.3
# An ink that would change the colour by less, in dE00, is not missed; and it is missed where the colour has not moved by more
# than this share of that.
TELLING_DE00, UNMOVED = 5.0, 0.35


@dataclass(frozen=True)
class Laid:
    """The film of one ink over another.

    paper, film: (3,) light. alone: (3,) light of one coat of the ink below and of the one on top by itself, None where it
    was not read.
    """

    paper: Array
    film: Array
    alone: tuple[Array | None, Array | None]

    @property
    def shares(self) -> Array:
        """What of the density in wide primaries, in which all surface colours have light, comes from which ink: (inks, 3).

        By one ink alone, the lower one first: what densities fail to add by is given to the other, so that both together are
        what was read. Where neither was read alone, both count as one ink, and of inks
        that take from each other's colour some of the doubt is missed.
        """
        total = self._density(self.film)
        below, above = self.alone
        if below is not None:
            return np.stack([self._density(below), total - self._density(below)])
        if above is not None:
            return np.stack([total - self._density(above), self._density(above)])
        return total[None]

    def light_with(self, changes: Array) -> Array:
        """Return the light (m, 3) where the inks' amounts (m, inks) are each 1 + change times as much."""
        passed = 10.0 ** -(np.maximum(changes, -1.0) @ self.shares)
        return np.asarray(self.film + (self._wide * (passed - 1)) @ _FROM_WIDE)

    def way(self) -> Array:
        """Return how fast the light changes with the amount of each ink, relative: (inks, 3)."""
        return np.asarray((-np.log(10) * self._wide * self.shares) @ _FROM_WIDE)

    def lacks_an_ink(self, scanner: Scanner) -> bool:
        """Tell whether the colour is that of one of the inks alone, though the other would plainly show."""
        below, above = self.alone
        if below is None or above is None:
            return False
        inks = np.array([self._density(below), self._density(above)])
        film = scanner.to_lab(self.film)
        for one, other in (inks, inks[::-1]):
            alone, both = scanner.to_lab(self._light(np.stack([one, one + LEAST_KEPT * other])))
            expected = float(delta_e_2000(alone, both))
            if expected > TELLING_DE00 and float(delta_e_2000(alone, film)) < UNMOVED * expected:
                return True
        return False

    @property
    def _wide(self) -> Array:
        return np.maximum(linear_to_romm(self.film), 0.0)

    def _density(self, light: Array) -> Array:
        return film_density(linear_to_romm(self.paper), linear_to_romm(light))

    def _light(self, density: Array) -> Array:
        """Return the light (..., 3) of a density (..., 3)."""
        return np.asarray((linear_to_romm(self.paper) * 10.0**-density) @ _FROM_WIDE)
