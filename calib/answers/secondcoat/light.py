"""How a table's colours follow from its light: the scanner's colour model, found again from the rows
themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.answers.films import Films
from calib.colour.colorimetry import lab_to_xyz, rgb_to_xyz_matrix, xyz_to_lab

Array = NDArray[np.float64]

# A model with more terms must come by so many rows for each of them.
ROWS_A_TERM = 4
# Beside this much light, what a row's colour is off by from the model is noise.
LEAST_LIGHT = 1e-3


@dataclass(frozen=True, eq=False)
class LightModel:
    """XYZ (Y of white = 1) from linear light.

    Terms: 3 for a matrix, 6 with the roots of products; coefficients: (terms, 3).
    """

    terms: int
    coefficients: Array

    def xyz(self, light: ArrayLike) -> Array:
        """Return XYZ (..., 3) of light (..., 3)."""
        return np.asarray(_terms(np.asarray(light, dtype=float), self.terms) @ self.coefficients)

    def near(self, lab: Array, linear: Array, light: Array) -> Array:
        """Return Lab (..., 3) of light (..., 3), given that linear (..., 3) has the colour lab (..., 3).

        What the known colour is off by from the model is carried over as a share of the light.
        """
        at, to = self.xyz(linear), self.xyz(light)
        share = (np.maximum(lab_to_xyz(lab), 0) + LEAST_LIGHT) / (np.maximum(at, 0) + LEAST_LIGHT)
        return xyz_to_lab(np.maximum((np.maximum(to, 0) + LEAST_LIGHT) * share - LEAST_LIGHT, 0.0))


def _terms(light: Array, terms: int) -> Array:
    """Return terms of degree one, so that half the light gives half the XYZ (root-polynomial of degree 2).

    Finlayson, Mackiewicz and Hurlbert, IEEE Trans. Image Process. 24, 2015.
    """
    if terms == 3:
        return light
    R, G, B = np.moveaxis(np.maximum(light, 0.0), -1, 0)
    return np.concatenate(
        [light, np.stack([np.sqrt(R * G), np.sqrt(G * B), np.sqrt(R * B)], axis=-1)], axis=-1
    )


def light_model(films: Films) -> LightModel:
    """Return the model that gives a session's colours from its light best, each row left out in turn; the
    simpler on a tie.

    The default matrix, any matrix, and a root-polynomial compete. Rows without light got theirs from their
    colour by the default matrix, which then fits exactly.
    """
    default = LightModel(3, np.asarray(rgb_to_xyz_matrix().T))
    rows = list(films.by_key.values())
    if not rows:
        return default
    light = np.array([row.linear for row in rows])
    xyz = lab_to_xyz(np.array([row.lab for row in rows]))
    # What counts is the difference relative to the light.
    weight = 1 / (np.abs(xyz).mean(axis=1, keepdims=True) + 0.01)
    best, least = default, float(np.mean(((default.xyz(light) - xyz) * weight) ** 2))
    for terms in (3, 6):
        if len(rows) < ROWS_A_TERM * terms:
            break
        x = _terms(light, terms) * weight
        coefficients = np.linalg.lstsq(x, xyz * weight, rcond=None)[0]
        hat = np.sum(x * np.linalg.pinv(x).T, axis=1, keepdims=True)
        off = (x @ coefficients - xyz * weight) / np.maximum(1 - hat, 1e-3)
        error = float(np.mean(off**2))
        # Rounding of the file leaves about a millionth of the light.
        if error < 0.8 * least - 1e-9:
            best, least = LightModel(terms, np.asarray(coefficients)), error
    return best
