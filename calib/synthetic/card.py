"""A colour card as an object: patches of known reflectance in a frame.

card = published_card()
scan = simulate_page(carrier.plan, 1, {}, session, card=card)
scan.truth.card.linear, card.csv()
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.colour.colorimetry import xyz_to_lab
from calib.errors import ImpossibleError
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper, reflectance_at
from calib.synthetic.noise import rng_of
from calib.synthetic.spectra import WAVELENGTHS, chart_reflectances, spectrum_to_xyz

Array = NDArray[np.float64]

SIDES = ("left", "top", "right", "bottom")


@dataclass(frozen=True, eq=False)
class SimCard:
    """A card of n patches in a regular grid of rows and columns, some places of which may be empty.

    reflectance: (n, wavelengths) true ones. place: (n, 2) row and column, from 0. size_mm: width along the rows,
    height. border_mm: left, top, right, bottom. gap_mm: between columns, between rows; 0 where patches touch.
    frame: reflectance of what is between and around them. caption: side of a band with words in the border, or ''.
    stated_xyz: (n, 3) what the card's file says, Y of white = 1; the true values if None.
    """

    reflectance: Array
    place: NDArray[np.int64]
    rows: int
    columns: int
    size_mm: tuple[float, float] = (200.0, 130.0)
    border_mm: tuple[float, float, float, float] = (6.0, 6.0, 6.0, 6.0)
    gap_mm: tuple[float, float] = (3.0, 3.0)
    frame: float = 0.035
    caption: str = ""
    stated_xyz: Array | None = None

    def __post_init__(self) -> None:
        if self.reflectance.shape != (len(self.place), len(WAVELENGTHS)):
            raise ImpossibleError("A card needs one reflectance for each place, from 380 to 780 nm")
        if min(self.patch_mm) <= 0:
            raise ImpossibleError("The card's borders and gaps leave no room for patches")
        if self.caption not in ("", *SIDES):
            raise ImpossibleError(
                f"A card has no side '{self.caption}'", f"Choose one of {', '.join(SIDES)}."
            )

    @property
    def patch_mm(self) -> tuple[float, float]:
        """Width and height of each patch."""
        left, top, right, bottom = self.border_mm
        width = self.size_mm[0] - left - right - (self.columns - 1) * self.gap_mm[0]
        height = self.size_mm[1] - top - bottom - (self.rows - 1) * self.gap_mm[1]
        return width / self.columns, height / self.rows

    @property
    def boxes(self) -> tuple[Box, ...]:
        """The patches in mm from the card's top left corner."""
        width, height = self.patch_mm
        left, top = self.border_mm[:2]
        return tuple(
            Box(
                left + column * (width + self.gap_mm[0]), top + row * (height + self.gap_mm[1]), width, height
            )
            for row, column in self.place.tolist()
        )

    @property
    def xyz(self) -> Array:
        """(n, 3) what the card's file says: XYZ under D50, Y of a perfect white = 1."""
        return spectrum_to_xyz(self.reflectance) if self.stated_xyz is None else self.stated_xyz

    def csv(self, lab: bool = True) -> str:
        """Return the card's file, in L, a, b or in X, Y, Z on a scale to 100."""
        names = "L,a,b" if lab else "X,Y,Z"
        values = xyz_to_lab(self.xyz) if lab else 100.0 * self.xyz
        lines = [
            f"{row + 1},{column + 1},{','.join(f'{v:.4f}' for v in value)}"
            for (row, column), value in zip(self.place.tolist(), values, strict=True)
        ]
        return "\n".join([f"row,column,{names}", *lines]) + "\n"

    def off_its_file(self, sd: float, seed: int) -> SimCard:
        """Return a card that was made otherwise than its file says, by sd relative, smooth over the spectrum."""
        rng = rng_of(seed, "card off its file")
        waves = (WAVELENGTHS - WAVELENGTHS[0]) / np.ptp(WAVELENGTHS)
        shapes = np.stack([np.ones_like(waves), *(np.sqrt(2) * np.cos(np.pi * k * waves) for k in (1, 2))])
        factor = rng.standard_normal((len(self.place), 3)) @ shapes / np.sqrt(3)
        made = np.clip(self.reflectance * (1.0 + sd * factor), 0.0, 1.0)
        return replace(self, reflectance=made, stated_xyz=self.xyz)

    def without(self, *places: tuple[int, int]) -> SimCard:
        """Return the card with these places (row, column, from 0) empty."""
        kept = np.array([tuple(place) not in places for place in self.place.tolist()])
        stated = None if self.stated_xyz is None else self.stated_xyz[kept]
        return replace(self, reflectance=self.reflectance[kept], place=self.place[kept], stated_xyz=stated)


def grid_places(rows: int, columns: int) -> NDArray[np.int64]:
    """Return the places (rows x columns, 2) of a full grid, row by row."""
    return np.stack(np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij"), axis=-1).reshape(-1, 2)


def published_card(name: str = "ISO 17321-1", rows: int = 4, columns: int = 6) -> SimCard:
    """Return a card with one of colour-science's published sets of patch reflectances, row by row."""
    patches = np.array(list(chart_reflectances(name).values()))
    return SimCard(patches, grid_places(rows, columns), rows, columns)


def invented_card(rows: int, columns: int, seed: int) -> SimCard:
    """Return a card of invented printed colours: single dyes and mixtures, and greys in its last row."""
    rng = rng_of(seed, "invented card")
    count = rows * columns
    stock = SimPaper(name="card stock", level=0.9, violet=0.05, surface=0.015)
    inks = invent_inks(count, seed=seed)
    amounts = rng.uniform(0.25, 1.3, count)
    patches = np.array(
        [reflectance_at(ink, stock, amount) for ink, amount in zip(inks, amounts, strict=True)]
    )
    greys = np.geomspace(0.9, 0.035, columns)
    patches[-columns:] = greys[:, np.newaxis] * (1.0 + 0.02 * (WAVELENGTHS - 580.0) / 400.0)
    return SimCard(patches, grid_places(rows, columns), rows, columns)
