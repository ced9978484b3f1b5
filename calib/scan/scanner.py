"""Linear scanner light to XYZ: how far the scanner's colours can be trusted.

Without a colour card nothing is known of the scanner's filters, so its white-balanced light is taken for
light on sRGB's primaries, which keeps every neutral neutral.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import linear_to_xyz, xyz_to_lab

Array = NDArray[np.float64]

# With a grey strip alone, scanners miss dyes by 1 to 4 dE00 in the mean (measured on simulated
# scanners before the code was begun); 2.5 is the middle of that and an assumption.
ASSUMED_ERROR = 2.5


@dataclass(frozen=True)
class Scanner:
    """A scanner's colour model: its name, and the standard error in dE00 on inks."""

    name: str = "default matrix (no colour card)"
    error: float = ASSUMED_ERROR

    def to_xyz(self, linear: ArrayLike) -> Array:
        """Return XYZ (..., 3), Y of white = 1, of linear, white-balanced scanner light (..., 3)."""
        return linear_to_xyz(linear)

    def to_lab(self, linear: ArrayLike) -> Array:
        """Return L*a*b* (..., 3) of linear, white-balanced scanner light (..., 3)."""
        return xyz_to_lab(self.to_xyz(linear))

    def described(self) -> dict[str, Any]:
        """Return what the provenance says of the model."""
        return {"model": self.name, "error_dE00": self.error, "error_from": "assumed, no colour card"}
