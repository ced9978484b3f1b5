"""One ink over another: what two films of dye, one laid on the other, send back.

Both films stop light by Bouguer and Beer, so their spectral densities add. Less than two whole coats lies there,
as two coats of one ink leave SimPaper.two_coat_exponent times the dose of one. Who loses what of it is common practice's
guess and invented in its figures:

* order 0: the wet ink dissolves the dry one until both are alike, so that it does not matter which came first;
  each keeps half the exponent of its dose.
* order 1: the dry ink stays as it is, and the one on top finds a sealed surface and leaves the exponent less one.
* trapping: share of the ink on top that an average coat below keeps from staying at all; more below keeps more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import ImpossibleError
from calib.synthetic.hand import Overlaid
from calib.synthetic.inks import Ink, SimPaper, reflectance_at
from calib.synthetic.noise import Plane
from calib.synthetic.scanners import SpectralScanner

Array = NDArray[np.float64]

# Light over two amounts of ink is so smooth that a cubic through so many of either is good to far under a 16 bit step.
KNOTS = 40


def overlay_doses(paper: SimPaper, under: ArrayLike = 1.0, over: ArrayLike = 1.0) -> tuple[Array, Array]:
    """Return the doses (...) that both inks of an overlay have where coats of these amounts (...) were laid."""
    if not -1 <= paper.order <= 1 or not 0 <= paper.trapping < 1:
        raise ImpossibleError("An order beyond -1 to 1, or a trapping beyond 0 to 1, cannot be simulated")
    below, above = np.asarray(under, dtype=float), np.asarray(over, dtype=float)
    half = paper.two_coat_exponent / 2
    moved = paper.order * (1 - half)
    kept = (1 - paper.trapping) ** below
    return paper.gain * below * (half + moved), paper.gain * above * (half - moved) * kept


def mixed_reflectance(under: Ink, over: Ink, paper: SimPaper, doses: tuple[ArrayLike, ArrayLike]) -> Array:
    """Return the reflectance (..., n) of two inks of these doses (...) each, one over the other."""
    below, above = (np.asarray(dose, dtype=float)[..., np.newaxis] for dose in doses)
    bare = paper.reflectance()
    if under.reflectance is not None or over.reflectance is not None:
        # Films that are given as reflectances include the surface, so each passes its share of the paper's light.
        shares = [
            reflectance_at(ink, paper, dose) / bare for ink, dose in zip((under, over), doses, strict=True)
        ]
        return np.asarray(bare * shares[0] * shares[1])
    film = paper.surface + (bare - paper.surface) * 10.0 ** -(
        below * under.absorption + above * over.absorption
    )
    if under.emission is not None:
        # What the lower film shines passes through the upper one.
        film = film + under.emission * (1.0 - np.exp(-1.5 * below)) * 10.0 ** (-above * over.absorption)
    if over.emission is not None:
        film = film + over.emission * (1.0 - np.exp(-1.5 * above))
    return np.asarray(film)


def overlay_reflectance(
    under: Ink, over: Ink, paper: SimPaper, amounts: tuple[ArrayLike, ArrayLike] = (1.0, 1.0)
) -> Array:
    """Return the reflectance (..., n) of a well-covered overlay, one coat of each ink.

    amounts: (...) each, those of the coats below and on top, relative to an average hand's.
    """
    return mixed_reflectance(under, over, paper, overlay_doses(paper, *amounts))


def overlay_passed(
    pens: tuple[Ink, Ink], laid: Overlaid, paper: SimPaper, spectral: SpectralScanner
) -> NDArray[np.float32]:
    """Return the light of an overlay's cell relative to its bare sheet (3, rows, columns); pens: below, on top.

    Where either ink is missing in part, a pixel is part bare, part one ink, part the other and part both.
    """
    bare = spectral.linear(paper.reflectance())
    below, above = laid.below, laid.above
    most = [max(1.0, float(one.amount.max())) for one in (below, above)]
    axes = [np.linspace(0.0, end, KNOTS) for end in most]
    below_only, above_only = (
        spectral.linear(reflectance_at(ink, paper, paper.gain * axis)) / bare
        for ink, axis in zip(pens, axes, strict=True)
    )
    grid = np.meshgrid(*axes, indexing="ij")
    both = spectral.linear(overlay_reflectance(*pens, paper, (grid[0], grid[1]))) / bare
    places = [
        one.amount * np.float32((KNOTS - 1) / end) for one, end in zip((below, above), most, strict=True)
    ]
    passed = np.empty((3, *below.cover.shape), np.float32)
    for channel in range(3):
        one, other = below.cover, above.cover
        passed[channel] = (
            (1 - one) * (1 - other)
            + one * (1 - other) * _between(below_only[:, channel], places[:1])
            + (1 - one) * other * _between(above_only[:, channel], places[1:])
            + one * other * _between(both[..., channel], places)
        )
    return passed


def _between(values: Array, places: list[Plane]) -> Plane:
    """Return values at knots (KNOTS,) or (KNOTS, KNOTS) at places between them, one plane for each axis."""
    from scipy.ndimage import map_coordinates

    return np.asarray(map_coordinates(values, places, order=3, mode="nearest"), dtype=np.float32)
