"""Step readings to a curve from the scanner's light to linear, white-balanced light.

One monotone curve per channel. It is fitted on a lightness scale (CIE 1976 L* over 100), on
which the steps of a strip lie evenly, noise is alike everywhere, and a scanner that already
speaks sRGB gives a straight line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# Polynomials of these degrees compete with a monotone interpolation of the steps.
DEGREES = (1, 2, 3, 4, 5, 6)
# A simpler curve wins unless the other is this much better when steps are left out in turn.
CLEARLY_BETTER = 0.9
# Below a twenty-fifth of an L* there is nothing to gain from interpolating every step.
GOOD = 0.0004
# Points of a curve's table: of a linear file read as sRGB, the dark steps lie a few thousandths apart.
FINE = 4000
# How much of the table tells the slope at its end.
END = FINE // 50
EDGE = (6 / 29) ** 3
SLOPE = (29 / 3) ** 3 / 100


def lightness(light: ArrayLike) -> Array:
    """Return L* / 100 of light 0..1 (CIE 15:2018, 8.2.1); negative light goes on linearly."""
    light = np.asarray(light, dtype=float)
    return np.where(light > EDGE, 1.16 * np.cbrt(np.maximum(light, EDGE)) - 0.16, light * SLOPE)


def light_of_lightness(value: ArrayLike) -> Array:
    """Return the light 0..1 of L* / 100; the inverse of lightness."""
    value = np.asarray(value, dtype=float)
    return np.where(value > 0.08, ((np.maximum(value, 0.08) + 0.16) / 1.16) ** 3, value / SLOPE)


@dataclass(frozen=True)
class Curve:
    """A monotone curve on the lightness scale, as a fine table, continued by its end slopes.

    Below the darkest step it goes on in a straight line of light: what the curve makes up for there is stray
    light, an offset, and colours outside sRGB have negative light, of which there is no lightness.
    """

    x: Array
    y: Array
    residual: float
    name: str

    def __call__(self, light: ArrayLike) -> Array:
        """Return linear light of scanner light, any shape."""
        light = np.asarray(light, dtype=float)
        at = lightness(light)
        high = self.y[-1] + (at - self.x[-1]) * _slope(self.x[-END:], self.y[-END:])
        value = light_of_lightness(np.where(at > self.x[-1], high, np.interp(at, self.x, self.y)))
        dark, linear = light_of_lightness(self.x[:END]), light_of_lightness(self.y[:END])
        return np.where(at < self.x[0], linear[0] + (light - dark[0]) * _slope(dark, linear), value)


@dataclass(frozen=True)
class Tone:
    """The curves of the three channels. residual: root mean square in L* units of the steps."""

    curves: tuple[Curve, Curve, Curve]

    @property
    def residual(self) -> float:
        """Return the root mean square of the left-out steps' errors, in L* units."""
        return float(100 * np.sqrt(np.mean([curve.residual**2 for curve in self.curves])))

    def __call__(self, light: ArrayLike) -> Array:
        """Return linear light (..., 3) of scanner light (..., 3)."""
        light = np.asarray(light)
        return np.stack([curve(light[..., c]) for c, curve in enumerate(self.curves)], axis=-1)


IDENTITY = Tone((Curve(np.array([0.0, 1.0]), np.array([0.0, 1.0]), 0.0, "none"),) * 3)


class NotMonotone(ValueError):
    """The readings of the steps do not rise with their light: no scale, or no honest scan of it."""


def fit_tone(readings: ArrayLike, expected: ArrayLike) -> Tone:
    """Fit the tone curves to step readings (n, 3) and the light (n, 3) that they should give.

    Raises NotMonotone where the readings do not order the steps.
    """
    readings, expected = np.asarray(readings, dtype=float), np.asarray(expected, dtype=float)
    curves = [_fit_channel(readings[:, c], expected[:, c]) for c in range(3)]
    return Tone((curves[0], curves[1], curves[2]))


def _fit_channel(reading: Array, expected: Array) -> Curve:
    x, y = lightness(reading), lightness(expected)
    order = np.argsort(y)
    x, y = x[order], y[order]
    # Two neighbours may change places by noise where the scanner no longer tells blacks apart.
    if np.any(np.diff(x) < -0.01) or np.ptp(x) < 0.05:
        raise NotMonotone
    order = np.argsort(x, kind="stable")
    x, y = x[order], np.sort(y)
    distinct = np.concatenate([[True], np.diff(x) > 1e-5])
    x, y = x[distinct], y[distinct]
    fine = np.linspace(x[0], x[-1], FINE)
    best: Curve | None = None
    for name, make, degree in _candidates(len(x)):
        if degree is None and best is not None and best.residual < GOOD:
            break
        values = make(x, y)(fine)
        if np.any(np.diff(values) <= 0):
            continue
        residual = _left_out(make, x, y, degree)
        if best is None or residual < CLEARLY_BETTER * best.residual:
            best = Curve(fine, values, residual, name)
    if best is None:
        raise NotMonotone
    return best


Maker = Callable[[Array, Array], Callable[[Array], Array]]


def _candidates(steps: int) -> Sequence[tuple[str, Maker, int | None]]:
    """Return the curves that compete, the simplest first, with the degree of the polynomials."""
    from scipy.interpolate import PchipInterpolator

    def polynomial(degree: int) -> Maker:
        return lambda x, y: np.polynomial.Polynomial.fit(x, y, degree)

    usable = [d for d in DEGREES if d <= steps - 3]
    makers: list[tuple[str, Maker, int | None]] = [
        (f"polynomial of degree {d}", polynomial(d), d) for d in usable
    ]
    makers.append(("monotone interpolation", lambda x, y: PchipInterpolator(x, y, extrapolate=True), None))
    return makers


def _left_out(make: Maker, x: Array, y: Array, degree: int | None) -> float:
    """Return the root mean square error of inner steps, each predicted from all the others.

    For least squares the errors with one step left out follow from those with all of them and the
    leverages, without fitting again (Allen, Technometrics 16, 1974).
    """
    if degree is not None:
        q, _ = np.linalg.qr(np.vander((x - x.mean()) / np.ptp(x), degree + 1))
        rest = y - q @ (q.T @ y)
        errors = (rest / np.maximum(1 - np.sum(q**2, axis=1), 1e-9))[1:-1]
    else:
        inner = range(1, len(x) - 1)
        errors = np.array([make(np.delete(x, i), np.delete(y, i))(x[i : i + 1])[0] - y[i] for i in inner])
    return float(np.sqrt(np.mean(np.square(errors)))) if len(errors) else 1.0


def _slope(x: Array, y: Array) -> float:
    return float((y[-1] - y[0]) / (x[-1] - x[0]))
