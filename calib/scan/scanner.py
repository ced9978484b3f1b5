"""Linear scanner light to XYZ: how far the scanner's colours can be trusted.

Without a colour card nothing is known of the scanner's filters, so its white-balanced light is taken for
light on sRGB's primaries, which keeps every neutral neutral. With one, a model fitted on it is used
(scan/scannerfit), and its error on inks is known from cross-validation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import linear_to_xyz, xyz_to_lab
from calib.scan.colourmodel import ColourModel

Array = NDArray[np.float64]

# With a grey strip alone, scanners miss dyes by 1 to 4 dE00 in the mean (measured on simulated
# scanners before the code was begun); 2.5 is the middle of that and an assumption.
ASSUMED_ERROR = 2.5
# How the error runs with the colour, relative to its root mean square over dyes: least on greys, which the
# white point keeps, then rising with chroma until it levels off, and more for dark films than for pale ones.
# Fitted on invented scanners and dyes by tests/benchmarks/dyes.py: at C = 0, rise, reach in C, slope in (100 - L) / 100.
ERROR_GREY, ERROR_RISE, ERROR_REACH, ERROR_DARK = 0.41, 0.48, 35.0, 1.33


def error_shape(lab: ArrayLike) -> Array:
    """Return (...) the error of a colour L*a*b* (..., 3) relative to the root mean square over dyes."""
    L, a, b = np.moveaxis(np.asarray(lab, dtype=float), -1, 0)
    rise = ERROR_GREY + ERROR_RISE * (1.0 - np.exp(-np.hypot(a, b) / ERROR_REACH))
    return np.asarray(rise * (1.0 + ERROR_DARK * (1.0 - np.clip(L, 0.0, 100.0) / 100.0)))


@dataclass(frozen=True)
class Candidate:
    """How one family of models did on patches left out: dE00 mean, 95th percentile, greatest."""

    name: str
    mean: float
    p95: float
    max: float


@dataclass(frozen=True, eq=False)
class Training:
    """What a model was fitted on: the card and its patches.

    card: the card's file name. medium: what it is made of, in the user's words. place: (n, 2) row and column
    from 0. light: (n, 3) white-balanced scanner light. xyz: (n, 3), Y of white = 1. candidates: all families that
    competed. winner: which of them.
    """

    card: str
    medium: str
    place: NDArray[np.int64]
    light: Array
    xyz: Array
    candidates: tuple[Candidate, ...]
    winner: int


@dataclass(frozen=True, eq=False)
class Scanner:
    """A scanner's colour model: its name, and the standard error in dE00 on inks (root mean square).

    model: None for light on sRGB's primaries. training: where the model comes from.
    """

    name: str = "default matrix (no colour card)"
    error: float = ASSUMED_ERROR
    model: ColourModel | None = None
    training: Training | None = None

    def to_xyz(self, linear: ArrayLike) -> Array:
        """Return XYZ (..., 3), Y of white = 1, of linear, white-balanced scanner light (..., 3)."""
        return linear_to_xyz(linear) if self.model is None else self.model.to_xyz(linear)

    def to_lab(self, linear: ArrayLike) -> Array:
        """Return L*a*b* (..., 3) of linear, white-balanced scanner light (..., 3)."""
        return xyz_to_lab(self.to_xyz(linear))

    def u_abs(self, linear: ArrayLike) -> Array:
        """Return the standard error (...) in dE00 of the colours of light (..., 3), the reading taken as right."""
        return self.error * error_shape(self.to_lab(linear))

    def described(self) -> dict[str, Any]:
        """Return what the provenance says of the model, as plain JSON; XYZ with Y of white = 100."""
        said: dict[str, Any] = {"model": self.name, "error_dE00": self.error}
        if self.model is None or self.training is None:
            return {**said, "error_from": "assumed, no colour card"}
        seen = self.training
        winner = seen.candidates[seen.winner]
        return {
            **said,
            "error_from": "cross-validated on the card, with a term for dyes that the card does not hold",
            "cross_validated": _figures(winner),
            "candidates": [{"model": one.name, **_figures(one)} for one in seen.candidates],
            "coefficients": self.model.coefficients.tolist(),
            "card": seen.card,
            "medium": seen.medium,
            "patches": [
                dict(zip(PATCH_KEYS, (*(place + 1).tolist(), *light, *xyz), strict=True))
                for place, light, xyz in zip(
                    seen.place, seen.light.round(6).tolist(), (100 * seen.xyz).round(4).tolist(), strict=True
                )
            ],
        }


PATCH_KEYS = ("row", "column", "R", "G", "B", "X", "Y", "Z")


def _figures(candidate: Candidate) -> dict[str, float]:
    return {
        "mean_dE00": round(candidate.mean, 4),
        "p95_dE00": round(candidate.p95, 4),
        "max_dE00": round(candidate.max, 4),
    }
