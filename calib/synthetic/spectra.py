"""Spectra on one wavelength grid, and the CIE's sums from reflectance to XYZ and Lab."""

from __future__ import annotations

import warnings
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import WHITE_D50, xyz_to_lab

Array = NDArray[np.float64]

# 5 nm from 380 to 780 nm, which CIE 15 allows for the sums of smooth reflectances.
WAVELENGTHS: Array = np.arange(380.0, 781.0, 5.0)


@cache
def library() -> Any:
    """Return colour-science, imported late and without its warnings; used for spectral data only."""
    printing = np.get_printoptions()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    np.set_printoptions(**printing)
    return colour


def on_grid(wavelengths: ArrayLike, values: ArrayLike) -> Array:
    """Return spectra (n, ...) given at wavelengths (n,) in nm on the grid, held constant past the ends."""
    values = np.asarray(values, dtype=float)
    columns = values.reshape(len(values), -1).T
    moved = np.stack(
        [np.interp(WAVELENGTHS, np.asarray(wavelengths, dtype=float), c) for c in columns], axis=-1
    )
    return moved.reshape((len(WAVELENGTHS), *values.shape[1:]))


@cache
def illuminant(name: str) -> Array:
    """Return the relative power (n,) of an illuminant as colour-science names it, such as D50 or LED-B3."""
    power = library().SDS_ILLUMINANTS[name]
    return on_grid(power.wavelengths, power.values)


@cache
def _weights() -> Array:
    """Return the weights (n, 3) of the sums: CIE 1931 2 degree observer times D50 (CIE 15:2018, 7.1)."""
    observer = library().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    weights = on_grid(observer.wavelengths, observer.values) * illuminant("D50")[:, np.newaxis]
    return np.asarray(weights / weights[:, 1].sum())


def white_by_sums() -> Array:
    """Return the XYZ (3,) of the perfect white as the sums give it, Y = 1."""
    return np.asarray(_weights().sum(axis=0))


def spectrum_to_xyz(reflectance: ArrayLike) -> Array:
    """Return XYZ (..., 3), Y of a perfect white = 1, of reflectances (..., n) on the grid, under D50.

    The sums' own white and the published one, WHITE_D50, differ in the fifth digit, because the
    latter is rounded. XYZ is scaled by their ratio, so that a perfect white is L* = 100, a* = b* = 0.
    """
    return np.asarray(np.asarray(reflectance, dtype=float) @ (_weights() * (WHITE_D50 / white_by_sums())))


def true_lab(reflectance: ArrayLike) -> Array:
    """Return CIE 1976 L*a*b* (..., 3) under D50 of reflectances (..., n) on the grid."""
    return xyz_to_lab(spectrum_to_xyz(reflectance))


@cache
def chart_reflectances(name: str = "ISO 17321-1") -> dict[str, Array]:
    """Return the published patch reflectances (n,) of one of colour-science's SDS_COLOURCHECKERS by patch."""
    return {
        patch: on_grid(sd.wavelengths, sd.values) for patch, sd in library().SDS_COLOURCHECKERS[name].items()
    }
