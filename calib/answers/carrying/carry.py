"""Swatches of one paper taken over to another by physics alone: the new paper's white, and one law of all inks.

Ink over paper reads as its marker's dose curve says, so another paper changes the light of bare paper at the
curve's beginning, how far along it a coat goes, how far a second one, and how much light its surface sends back
through any ink. Whatever else a paper does is left to a statistical model,
which needs to know how the colour moves when the light of one channel does; that stands here too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from calib.answers.films import Film, lab_near
from calib.colour.colorimetry import linear_to_romm

Array = NDArray[np.float64]

# Shares of white below this are noise to any scanner; a density beyond it says nothing.
LEAST_SHARE = 2e-3
# Bare paper is read all over the page, so its doubt is small; in Lab units (measured: README, figures).
PAPER_DOUBT = 0.1
# The steps over which slopes are taken: of the ink and of light, relative, and of surface light, a perfect white = 1.
STEP, SURFACE_STEP = 0.02, 0.002


@dataclass(frozen=True)
class Law:
    """What another paper does to all inks alike.

    strength: times the ink that a coat leaves. surface: share of white light that the surface sends back more than
    the known paper's. second: times the ink of two coats, beside strength.
    """

    strength: float = 1.0
    surface: float = 0.0
    second: float = 1.0


@dataclass(frozen=True, eq=False)
class Swatches:
    """What was read on one paper, as arrays of n rows.

    lab, light: (n, 3) colour and linear light. amount: (n,) ink in amounts of the marker's one coat. floor, rate:
    (n, 3) and back: (n, 3, 3) of each row's dose curve (``colour/dose``). u_dose: (n,) relative doubt of the
    amount. rest: (n, 3, 3) covariance of lab beside that. marker: (n,) numbers, equal for the coats of one marker;
    below 0 for bare paper. layers: (n,) coats. white: (3,) light of the paper.
    """

    lab: Array
    light: Array
    amount: Array
    floor: Array
    rate: Array
    back: Array
    u_dose: Array
    rest: Array
    marker: NDArray[np.int64]
    layers: NDArray[np.int64]
    white: Array

    def __len__(self) -> int:
        return len(self.lab)

    def only(self, which: NDArray[np.int64]) -> Swatches:
        """Return some of the rows."""
        rows = {one.name: getattr(self, one.name)[which] for one in fields(self) if one.name != "white"}
        return replace(self, **rows)

    def noise(self, along: Array) -> Array:
        """Return these readings' covariance (n, 3, 3) for colours that move along (n, 3) with the amount of ink."""
        return np.asarray((self.u_dose**2)[:, None, None] * along[:, :, None] * along[:, None, :] + self.rest)

    def on(self, white: Array, law: Law) -> Array:
        """Return the light (n, 3) on a paper of another white (3,), and of this law against the known paper's."""
        bare = np.einsum("nij,j->ni", np.linalg.inv(self.back), white)
        amount = self.amount * law.strength * np.where(self.layers == 2, law.second, 1.0)
        passed = 10.0 ** (-amount[:, None] * self.rate)
        light = np.einsum("nij,nj->ni", self.back, bare * (self.floor + (1 - self.floor) * passed))
        # Bare paper's own light holds its surface's already; ink takes away all but that.
        return np.asarray(light + law.surface * (1 - light / np.maximum(white, LEAST_SHARE)))

    @property
    def density(self) -> Array:
        """Density (n, 3) over the paper, in the light of primaries that hold every surface colour (ROMM RGB)."""
        least = LEAST_SHARE * linear_to_romm(self.white)
        return np.asarray(
            np.log10(linear_to_romm(self.white) / np.maximum(linear_to_romm(self.light), least))
        )


def swatches_of(films: Sequence[Film], white: Array) -> Swatches:
    """Return films as arrays; white: (3,) linear light of their bare paper."""
    along = np.array([film.along for film in films]).reshape(-1, 3)
    u_dose = np.array([film.u_dose for film in films], dtype=float)
    covariance = np.array([film.covariance for film in films]).reshape(-1, 3, 3)
    ids = {name: k for k, name in enumerate(dict.fromkeys(film.reading.marker for film in films))}
    return Swatches(
        lab=np.array([film.lab for film in films]).reshape(-1, 3),
        light=np.array([film.linear for film in films]).reshape(-1, 3),
        amount=np.array([film.amount for film in films], dtype=float),
        floor=np.array([film.curve.floor for film in films]).reshape(-1, 3),
        rate=np.array([film.curve.rate for film in films]).reshape(-1, 3),
        back=np.array([film.curve.back for film in films]).reshape(-1, 3, 3),
        u_dose=u_dose,
        rest=covariance - (u_dose**2)[:, None, None] * along[:, :, None] * along[:, None, :],
        marker=np.array([ids[film.reading.marker] for film in films], dtype=np.int64),
        layers=np.array([film.reading.layers for film in films], dtype=np.int64),
        white=np.asarray(white, dtype=float),
    )


@dataclass(frozen=True, eq=False)
class Carried:
    """Swatches as they would be on another paper.

    lab, light: (n, 3). along: (n, 3) how lab changes per relative change of the amount of ink. by_surface: (n, 3)
    how it changes per surface light, a perfect white = 1. by_light: (n, 3, 3) how lab changes per relative change
    of each channel's light (last axis: channels, ROMM RGB).
    """

    lab: Array
    light: Array
    along: Array
    by_surface: Array
    by_light: Array


def carried(swatches: Swatches, white: Array, law: Law) -> Carried:
    """Return swatches on a paper of another white (3,), linear light, and of this law."""
    own = swatches.on(swatches.white, Law())

    def lab_of(light: Array) -> Array:
        return lab_near(swatches.lab, own, light)

    def slope(less: Law, more: Law, step: float) -> Array:
        return (lab_of(swatches.on(white, more)) - lab_of(swatches.on(white, less))) / step

    light = swatches.on(white, law)
    weaker, stronger = (replace(law, strength=law.strength * (1 + part)) for part in (-STEP / 2, STEP / 2))
    duller, shinier = (replace(law, surface=law.surface + part * SURFACE_STEP) for part in (-0.5, 0.5))
    wide = np.maximum(linear_to_romm(light), LEAST_SHARE * linear_to_romm(white))
    back = np.linalg.inv(linear_to_romm(np.eye(3)).T)
    by_light = [
        (
            lab_of(light + STEP / 2 * wide[:, [c]] * back[:, c])
            - lab_of(light - STEP / 2 * wide[:, [c]] * back[:, c])
        )
        / STEP
        for c in range(3)
    ]
    return Carried(
        lab_of(light),
        light,
        slope(weaker, stronger, STEP),
        slope(duller, shinier, SURFACE_STEP),
        np.stack(by_light, axis=-1),
    )


def as_it_is(swatches: Swatches) -> Carried:
    """Return swatches taken for those of another paper without any change."""
    return replace(carried(swatches, swatches.white, Law()), lab=swatches.lab, light=swatches.light)


def with_paper(swatches: Swatches, lab: Array) -> Swatches:
    """Return swatches and after them the bare paper, of colour lab (3,): marker -1, no layers, no ink."""
    zero = np.zeros((1, 3))
    paper = {
        "lab": lab[None],
        "light": swatches.white[None],
        "amount": np.zeros(1),
        "floor": zero,
        "rate": zero,
        "back": np.eye(3)[None],
        "u_dose": np.zeros(1),
        "rest": PAPER_DOUBT**2 * np.eye(3)[None],
        "marker": np.array([-1]),
        "layers": np.array([0]),
    }
    return replace(
        swatches, **{name: np.concatenate([getattr(swatches, name), row]) for name, row in paper.items()}
    )
