"""The cells that two sessions have in common, as arrays: their light over one paper, their doubts, their ink.

Everything is done in the scanner's light, which no colour model touches, relative to the light of each cell with a floor
(``scaled`` light), because that is how a reading's noise goes. What a table states as its doubt of L*, a* and b* is taken apart
into three causes: more or less ink, an error of each channel, and one that the three channels share, such as the lamp's.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.curves import Curves
from calib.answers.films import Film, Films, lab_near
from calib.colour.difference import local_scale

Array = NDArray[np.float64]
Key = tuple[str, int]

# A channel counts by its light and this much more: what comes back from under a few per cent is as much the scanner's flare,
# and the mixing of its primaries, as the ink.
FLOOR = 0.03
# A hand is never stiller than this, whatever a table says of it.
LEAST_HAND = 0.003
# Off the way of more or less ink a curve points wrong by so much of it (measured on films from spectra), and a straight
# one, made from one coat, besides by not knowing what share of the paper's light no ink takes away (measured likewise).
ASTRAY, UNKNOWN_FLOOR = 0.03, 0.015
# What no stated doubt knows of, a shift that is not quite smooth or a film not quite a film: in dE00 along the curve, and
# off it, where single cells stray farther and a test would call them for nothing (measured on simulated scans).
UNKNOWN, UNKNOWN_OFF = 0.05, 0.15
# Near black no shift is smooth, because flare and the foot of the tone curve have a say there.
NEAR_BLACK = 5.0
# What is stated for L*, a* and b* is never all due to the lamp: single channels have at least this share of it.
LEAST_CHANNEL = 0.25
# The relative step with which light is changed to see what becomes of the colour.
STEP = 0.01


@dataclass(frozen=True, eq=False)
class Cells:
    """Cells read in both sessions.

    keys: marker and layers. marker: (n,) which marker, as a place in markers. before, after: the films. over: (3,) by what
    light of the session after is multiplied to lie over the paper of the one before. same_model: whether both tables' colours come of one
    model of the scanner. u_channel, u_shared: (n,) scaled standard uncertainties of both readings together.
    """

    keys: tuple[Key, ...]
    markers: tuple[str, ...]
    marker: NDArray[np.int64]
    before: tuple[Film, ...]
    after: tuple[Film, ...]
    over: Array
    same_model: bool

    @cached_property
    def lab_before(self) -> Array:
        """(n, 3)."""
        return np.array([film.lab for film in self.before]).reshape(-1, 3)

    @cached_property
    def light_before(self) -> Array:
        """(n, 3)."""
        return np.array([film.linear for film in self.before]).reshape(-1, 3)

    @cached_property
    def light_read(self) -> Array:
        """Light (n, 3) after as it was read."""
        return np.array([film.linear for film in self.after]).reshape(-1, 3)

    @cached_property
    def light_after(self) -> Array:
        """Light (n, 3) after, over the paper before."""
        return self.light_read * self.over

    @cached_property
    def scale(self) -> Array:
        """What light (n, 3) is divided by: the mean of both sessions and a floor."""
        return np.asarray((np.abs(self.light_before) + np.abs(self.light_after)) / 2 + FLOOR)

    @cached_property
    def curves(self) -> Curves:
        """The dose curves before."""
        return Curves.of(list(self.before))

    @cached_property
    def straight(self) -> NDArray[np.bool_]:
        """(n,) whether the curve is only a line through one film."""
        return np.array([len(film.curve.amounts) < 2 for film in self.before], dtype=bool)

    @cached_property
    def u_hands(self) -> Array:
        """Relative standard uncertainties (2, n) of the ink laid before and after."""
        return np.maximum(
            [[film.u_dose for film in films] for films in (self.before, self.after)], LEAST_HAND
        )

    @cached_property
    def u_hand(self) -> Array:
        """The same of both together (n,)."""
        return np.asarray(np.hypot(*self.u_hands))

    @cached_property
    def doubts(self) -> tuple[Array, Array]:
        """Scaled standard uncertainties (n,) of both sessions together: of a single channel, and shared by the three."""
        parts = [_taken_apart(films, self._slopes(films)) for films in (self.before, self.after)]
        channel, shared = (np.sqrt(one**2 + two**2) for one, two in zip(*parts, strict=True))
        return channel, shared

    @cached_property
    def noise(self) -> Array:
        """Covariance (n, 3, 3) of the difference of scaled light, hand left out."""
        channel, shared = self.doubts
        return np.asarray(channel[:, None, None] ** 2 * np.eye(3) + shared[:, None, None] ** 2)

    def _slopes(self, films: tuple[Film, ...]) -> Array:
        lab = np.array([film.lab for film in films]).reshape(-1, 3)
        light = np.array([film.linear for film in films]).reshape(-1, 3)
        return slopes(lab, light, np.abs(light) + FLOOR)

    @cached_property
    def unknown(self) -> Array:
        """Covariance (n, 3, 3) of scaled light that is one dE00 in all directions, and NEAR_BLACK more of it as cells get dark."""
        by = self._slopes(self.before)
        scale = np.einsum("nji,njk,nkl->nil", by, local_scale(self.lab_before), by)
        # Light outside the primaries can have directions that the eye does not see at all.
        least = 1e-3 * np.trace(scale, axis1=1, axis2=2) + 1e-6
        dark = 1 + NEAR_BLACK * np.clip(1 - self.lab_before[:, 0] / 100, 0, 1) ** 3
        return np.asarray(dark[:, None, None] ** 2 * np.linalg.inv(scale + least[:, None, None] * np.eye(3)))

    def astray(self, amount: Array) -> Array:
        """Return the covariance (n, 3, 3) of scaled light that a curve is off by after so much (n,) more or less ink, logarithm."""
        along = self.curves.slope(np.ones(len(self.keys))) / self.scale
        share = np.maximum(
            self.light_before / np.maximum(self.curves.light(np.zeros(len(self.keys))), FLOOR), 0.0
        )
        floor = np.where(self.straight[:, None], UNKNOWN_FLOOR / (share + FLOOR), 0.0)
        size = np.linalg.norm(along, axis=1)[:, None] * ASTRAY
        sd = amount[:, None] * np.hypot(size, along * np.minimum(floor, 1.0))
        return np.asarray(sd[:, :, None] ** 2 * np.eye(3))

    def lab_of(self, light: Array) -> Array:
        """Return Lab (n, 3) of light (n, 3) near the one after, over the paper before."""
        if not self.same_model:
            return lab_near(self.lab_before, self.light_before, light)
        # Over its own paper a cell had exactly the colour that its table says.
        lab = np.array([film.lab for film in self.after]).reshape(-1, 3)
        return lab_near(lab, self.light_read, light)


def slopes(lab: Array, light: Array, scale: Array) -> Array:
    """Return how Lab changes with scaled light (n, 3, 3: Lab by channel) at cells of this colour and light (n, 3)."""
    steps = np.array([1, -1])[:, None, None] * STEP / 2 * np.eye(3)
    around = light[:, None, None] + steps * scale[:, None, None]
    ends = lab_near(lab[:, None, None], light[:, None, None], around)
    return np.asarray(np.swapaxes((ends[:, 0] - ends[:, 1]) / STEP, 1, 2))


def _taken_apart(films: tuple[Film, ...], by: Array) -> tuple[Array, Array]:
    """Return the scaled doubts (n,) of single channels, and of the three alike, that come nearest to what is stated.

    by: (n, 3, 3) slopes. Two figures against three stated ones: least squares of relative errors, neither below nothing, and no
    smaller on the whole than stated.
    """
    covariance = np.array([film.covariance for film in films]).reshape(-1, 3, 3)
    hand = np.array([film.u_dose for film in films])[:, None] * np.array(
        [film.along for film in films]
    ).reshape(-1, 3)
    stated = np.maximum(np.einsum("nii->ni", covariance) - hand**2, 1e-6)
    a, b = (by**2).sum(axis=2) / stated, by.sum(axis=2) ** 2 / stated
    aa, bb, ab = (a * a).sum(axis=1), (b * b).sum(axis=1), (a * b).sum(axis=1)
    sa, sb = a.sum(axis=1), b.sum(axis=1)
    determinant = np.maximum(aa * bb - ab**2, 1e-12)
    channel, shared = (sa * bb - sb * ab) / determinant, (sb * aa - sa * ab) / determinant
    channel, shared = (
        np.where(shared < 0, sa / np.maximum(aa, 1e-12), np.where(channel < 0, 0.0, channel)),
        np.where(channel < 0, sb / np.maximum(bb, 1e-12), np.where(shared < 0, 0.0, shared)),
    )
    channel = np.maximum(channel, LEAST_CHANNEL**2 * shared)
    made = (channel[:, None] * a + shared[:, None] * b) * stated
    more = np.maximum(stated.sum(axis=1) / np.maximum(made.sum(axis=1), 1e-12), 1.0)
    return np.sqrt(channel * more), np.sqrt(shared * more)


def cells_of(before: Films, after: Films, over: Array, same_model: bool) -> Cells:
    """Return the cells that both sessions have, in an order of their own, so that the tables' order makes no difference."""
    keys = tuple(sorted(key for key in before.by_key if key in after.by_key))
    markers = tuple(dict.fromkeys(marker for marker, _ in keys))
    place = {marker: i for i, marker in enumerate(markers)}
    return Cells(
        keys,
        markers,
        np.array([place[marker] for marker, _ in keys], dtype=np.int64),
        tuple(before.by_key[key] for key in keys),
        tuple(after.by_key[key] for key in keys),
        over,
        same_model,
    )
