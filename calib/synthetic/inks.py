"""Papers and inks as spectra: what light a film of dye on paper sends back.

A dye on paper follows Bouguer and Beer here: reflectance falls by 10 to the power of dose times
absorption, except for the share that the surface itself reflects. Papers and inks are invented;
only the shape of the law is physics.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import ImpossibleError
from calib.synthetic.spectra import WAVELENGTHS, on_grid

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SimPaper:
    """An invented paper.

    level: reflectance in the middle of the spectrum. tint: rise of reflectance from 380 to 780 nm,
    relative (positive is cream, negative bluish). violet: absorption of the sheet below 420 nm.
    texture: relative sd of the bare paper's light at 0.12 mm. two_coat_exponent: how many times
    the dose of one coat two coats leave. surface: share of light reflected by the surface.
    gain: dose that a pen leaves, relative to an average paper. mottle, bleed: factors on the hand's.
    order, trapping: what one ink over another does, see overlays.
    """

    name: str = "invented layout paper"
    level: float = 0.885
    tint: float = 0.01
    violet: float = 0.12
    texture: float = 0.003
    two_coat_exponent: float = 1.75
    surface: float = 0.004
    gain: float = 1.0
    mottle: float = 1.0
    bleed: float = 1.0
    order: float = 0.0
    trapping: float = 0.0

    def reflectance(self) -> Array:
        """Return the bare paper's reflectance (n,)."""
        slope = 1.0 + self.tint * (WAVELENGTHS - 580.0) / 400.0
        fall = 1.0 - self.violet / (1.0 + np.exp((WAVELENGTHS - 408.0) / 9.0))
        return np.asarray(self.level * slope * fall)


@dataclass(frozen=True, eq=False)
class Ink:
    """One marker's ink.

    absorption: density (n,) of one coat of the average dose on an average paper. kind: 'ink' or
    'blender'. emission: light (n,) that a fluorescent ink adds, as a share of the white light
    falling on it. reflectance: where given, what one coat looks like on any paper; absorption
    is then not used.
    """

    marker: str
    absorption: Array
    kind: str = "ink"
    emission: Array | None = None
    reflectance: Array | None = None

    def __post_init__(self) -> None:
        for name in ("absorption", "emission", "reflectance"):
            values = getattr(self, name)
            if values is not None and np.shape(values) != WAVELENGTHS.shape:
                raise ImpossibleError(
                    f"The {name} of ink '{self.marker}' has {np.size(values)} values, not {WAVELENGTHS.size}",
                    "Give it from 380 to 780 nm in steps of 5 nm, or pass it through on_grid.",
                )

    @classmethod
    def from_reflectance(cls, marker: str, wavelengths: ArrayLike, reflectance: ArrayLike) -> Ink:
        """Return an ink of which one coat has this reflectance (k,) at wavelengths (k,) nm, on any paper."""
        return cls(marker, np.zeros_like(WAVELENGTHS), reflectance=on_grid(wavelengths, reflectance))

    @classmethod
    def blender(cls, marker: str) -> Ink:
        """Return a colourless blender: solvent without dye."""
        return cls(marker, np.zeros_like(WAVELENGTHS), kind="blender")

    def strengthened(self, factor: float) -> Ink:
        """Return the same dye at factor times the amount (under 1: the pen dries out or fades)."""
        return replace(self, absorption=self.absorption * factor)

    def tainted(self, other: Ink, share: float) -> Ink:
        """Return this ink with share of its absorption exchanged for another's: its hue moves."""
        return replace(self, absorption=(1.0 - share) * self.absorption + share * other.absorption)

    def fluorescing(self, peak_nm: float, strength: float, width_nm: float = 22.0) -> Ink:
        """Return this ink with an emission band; strength 0.4 reads well above paper white in its band."""
        return replace(self, emission=strength * np.exp(-0.5 * ((WAVELENGTHS - peak_nm) / width_nm) ** 2))


def dose_of(paper: SimPaper, layers: int, amount: float = 1.0) -> float:
    """Return the dose of so many whole coats of amount each; 0 layers are bare paper."""
    coats = {0: 0.0, 1: 1.0, 2: paper.two_coat_exponent}
    if layers not in coats:
        raise ImpossibleError(f"A swatch of {layers} coats cannot be simulated", "Use 0, 1 or 2 layers.")
    return paper.gain * amount * coats[layers]


def reflectance_at(ink: Ink, paper: SimPaper, dose: ArrayLike) -> Array:
    """Return the reflectance (..., n) of a film at dose (...), 1 being an average coat."""
    bare = paper.reflectance()
    amount = np.asarray(dose, dtype=float)[..., np.newaxis]
    if ink.reflectance is not None:
        # The given film includes its surface; between bare paper and film the density is in proportion.
        return np.asarray(bare * (ink.reflectance / bare) ** amount)
    film = paper.surface + (bare - paper.surface) * 10.0 ** (-amount * ink.absorption)
    if ink.emission is not None:
        # The exciting light is used up within the film, so emission saturates with the dose.
        film = film + ink.emission * (1.0 - np.exp(-1.5 * amount))
    return np.asarray(film)


def film_reflectance(ink: Ink, paper: SimPaper, layers: int, amount: float = 1.0) -> Array:
    """Return the reflectance (n,) of a well-covered swatch of so many coats.

    amount: this swatch's coats relative to an average hand's, 0 for bare paper.
    """
    return reflectance_at(ink, paper, dose_of(paper, layers, amount))
