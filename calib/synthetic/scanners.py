"""Scanners as spectra: three sensitivities times a lamp, from reflectance to linear RGB."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import xyz_to_linear
from calib.errors import ImpossibleError
from calib.synthetic.spectra import WAVELENGTHS, illuminant, library, on_grid, spectrum_to_xyz

Array = NDArray[np.float64]

# Measured sensitivities that colour-science carries (National Physical Laboratory). A flatbed's
# wide-band filters are of this sort; no flatbed's own curves are published there.
CAMERAS = {"camera-1": "Nikon 5100 (NPL)", "camera-2": "Sigma SDMerill (NPL)"}
# Peak and full width at half maximum, in nm, of three LEDs as contact image sensors have them
# (invented, common practice).
LEDS = ((632.0, 18.0), (523.0, 34.0), (466.0, 22.0))
KINDS = ("colorimetric", *CAMERAS, "three-led")


@dataclass(frozen=True, eq=False)
class SpectralScanner:
    """weights (n, 3): light of each wavelength in each channel; each column sums to 1."""

    kind: str
    weights: Array

    def linear(self, reflectance: ArrayLike) -> Array:
        """Return linear RGB (..., 3), a perfect white = 1, of reflectances (..., n)."""
        return np.asarray(np.asarray(reflectance, dtype=float) @ self.weights)


@cache
def spectral_scanner(kind: str = "colorimetric", lamp: str = "LED-B3") -> SpectralScanner:
    """Return a scanner by kind: 'colorimetric', 'camera-1', 'camera-2' or 'three-led'.

    lamp: an illuminant as colour-science names it (LED-B3 and LED-B5 are white LEDs, FL11 a
    fluorescent tube); the colorimetric one sees by D50 and the one with LEDs by its own.
    """
    if kind == "colorimetric":
        # Linear in the reflectance, so the unit spectra's readings are the weights.
        return SpectralScanner(kind, xyz_to_linear(spectrum_to_xyz(np.eye(len(WAVELENGTHS)))))
    if kind in CAMERAS:
        table = library().MSDS_CAMERA_SENSITIVITIES[CAMERAS[kind]]
        sensitivity = on_grid(table.wavelengths, table.values)
        inside = (table.wavelengths[0] <= WAVELENGTHS) & (table.wavelengths[-1] >= WAVELENGTHS)
        weights = sensitivity * inside[:, np.newaxis] * illuminant(lamp)[:, np.newaxis]
    elif kind == "three-led":
        peaks, widths = np.array(LEDS).T
        weights = np.exp(-4.0 * np.log(2.0) * ((WAVELENGTHS[:, np.newaxis] - peaks) / widths) ** 2)
    else:
        raise ImpossibleError(
            f"There is no scanner of the kind '{kind}'", f"Choose one of {', '.join(KINDS)}."
        )
    return SpectralScanner(kind, weights / weights.sum(axis=0))
