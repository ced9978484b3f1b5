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

from calib.colour.colorimetry import srgb_encode
from calib.scan.tonedoubt import Fitted, scale_of

Array = NDArray[np.float64]

# Polynomials of these degrees compete with a monotone interpolation of the steps.
DEGREES = (1, 2, 3, 4, 5, 6)
# They are tried on the scanner's light as the file states it (None), and as powers of its codes: what
# a driver without a profile writes is mostly one of these (common practice), and then next to a straight line.
GAMMAS = (None, 1.0, 1.8, 2.2)
# A simpler curve wins unless the other is this much better when steps are left out in turn.
CLEARLY_BETTER = 0.9
FEWEST = 4
# Below a twenty-fifth of an L* there is nothing to gain from interpolating every step.
GOOD = 0.0004
# Points of a curve's table: of a linear file read as sRGB, the dark steps lie a few thousandths apart.
FINE = 4000
# How much of the table tells the slope at its end.
END = FINE // 50
# Where the curve's doubt is told: as many points between the end steps, and beyond either end so far.
DOUBT_POINTS = 64
DARKEST = -0.05
LIGHTEST = 1.25
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

    x, y: (FINE,) scanner's and true lightness. residual: root mean square error of the steps, each left out in
    turn, in lightness. doubt: (3, k) true light, the curve's standard uncertainty there, in light, and the part of
    it that comes from the readings alone.
    """

    x: Array
    y: Array
    residual: float
    name: str
    doubt: Array

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

    def u(self, linear: ArrayLike) -> Array:
        """Return the standard uncertainty (..., 3) that the curves give linear light (..., 3), in light.

        It holds what the strip file's values and the steps' readings leave open. The steps' own errors are
        common to the channels, so take the channels' errors for alike, not for independent; and an error of
        the curve is common to all swatches of the same light.
        """
        return self._doubt(linear, 1)

    def u_again(self, linear: ArrayLike) -> Array:
        """Return what of u another scan of the same strip would not share: the part of the readings alone.

        What the strip's file is off by moves every session with that strip alike, so it is nothing between two of them.
        """
        return self._doubt(linear, 2)

    def _doubt(self, linear: ArrayLike, which: int) -> Array:
        linear = np.asarray(linear, dtype=float)
        return np.stack(
            [
                np.interp(linear[..., c], curve.doubt[0], curve.doubt[which])
                for c, curve in enumerate(self.curves)
            ],
            axis=-1,
        )


_LINE = np.array([0.0, 1.0])
IDENTITY = Tone((Curve(_LINE, _LINE, 0.0, "none", np.array([[0.0, 1.0], [0.0, 0.0], [0.0, 0.0]])),) * 3)


class NotMonotone(ValueError):
    """The readings of the steps do not rise with their light: no scale, or no honest scan of it."""


def fit_tone(readings: ArrayLike, expected: ArrayLike, u: ArrayLike | None = None) -> Tone:
    """Fit the tone curves to step readings (n, 3) and the light (n, 3) that they should give.

    u: (n, 3) standard uncertainty of the readings, none where not given.
    Raises NotMonotone where the readings do not order the steps.
    """
    readings, expected = np.asarray(readings, dtype=float), np.asarray(expected, dtype=float)
    noise = np.zeros_like(readings) if u is None else np.asarray(u, dtype=float)
    curves = [_fit_channel(readings[:, c], expected[:, c], noise[:, c]) for c in range(3)]
    return Tone((curves[0], curves[1], curves[2]))


def _fit_channel(reading: Array, expected: Array, u: Array) -> Curve:
    x, y, noise = lightness(reading), lightness(expected), lightness(reading + u) - lightness(reading)
    order = np.argsort(y)
    x, y, noise = x[order], y[order], noise[order]
    # Two neighbours may change places by noise where the scanner no longer tells blacks apart.
    if np.any(np.diff(x) < -0.01) or np.ptp(x) < 0.05:
        raise NotMonotone
    order = np.argsort(x, kind="stable")
    x, y, noise = x[order], np.sort(y), noise[order]
    distinct = np.concatenate([[True], np.diff(x) > 1e-5])
    x, y, noise = x[distinct], y[distinct], noise[distinct]
    if len(x) < FEWEST:
        raise NotMonotone
    fine = np.linspace(x[0], x[-1], FINE)
    best: tuple[float, Array, Fitted, _Candidate] | None = None
    candidates = _candidates(len(x))
    scales = {gamma: (scaled(x, gamma), scaled(fine, gamma)) for gamma in GAMMAS}
    bases = {gamma: _basis(at) for gamma, (at, _) in scales.items()}
    for candidate in candidates:
        if candidate.degree is None and best is not None and best[0] < GOOD:
            break
        at, fine_at = scales[candidate.gamma]
        errors = _left_out(candidate, at, y, bases[candidate.gamma])
        residual = float(np.sqrt(np.mean(np.square(errors)))) if len(errors) else 1.0
        if best is not None and residual >= CLEARLY_BETTER * best[0]:
            continue
        values = candidate.make(at, y)(fine_at)
        if np.all(np.diff(values) > 0):
            # A reading's noise moves the curve by as much as the curve is steep there.
            moved = noise * np.interp(x, fine, np.gradient(values, fine))
            best = residual, values, Fitted(at, y, moved, candidate.degree, errors), candidate
    if best is None:
        raise NotMonotone
    residual, values, fitted, chosen = best
    doubt = _doubt(fine, values, fitted, chosen.gamma)
    return Curve(fine, values, residual, chosen.name, doubt)


def _doubt(x: Array, y: Array, fitted: Fitted, gamma: float | None) -> Array:
    """Return (2, k): true light, and the standard uncertainty of a curve's light there.

    Beyond the end steps the curve goes on in straight lines, as in Curve; their doubt grows with the distance.
    """
    at = np.linspace(x[0], x[-1], DOUBT_POINTS)
    value = np.interp(at, x, y)
    weights = fitted.weights(scaled(at, gamma))
    light, rise = light_of_lightness(value), _light_per_lightness(value)
    ends = fitted.weights(scaled(np.array([x[0], x[END - 1], x[-END], x[-1]]), gamma))
    # Below, in light; how far in units of the piece of the table that told the slope.
    first, inner = light_of_lightness(y[0]), light_of_lightness(y[END - 1])
    low = np.linspace(min(DARKEST, float(first) - 0.01), float(first), 8, endpoint=False)
    far = ((first - low) / (inner - first))[:, None]
    low_rise = _light_per_lightness(y[[0, END - 1]])[:, None] * ends[:2]
    low_weights = low_rise[0] + far * (low_rise[0] - low_rise[1])
    # Above, in lightness.
    slope = _slope(x[-END:], y[-END:])
    high = np.linspace(float(y[-1]), max(float(lightness(LIGHTEST)), float(y[-1]) + 0.01), 9)[1:]
    beyond = ((high - y[-1]) / slope / (x[-1] - x[-END]))[:, None]
    high_weights = (ends[3] + beyond * (ends[3] - ends[2])) * _light_per_lightness(high)[:, None]
    variance, alike = fitted.variances()
    squares = np.concatenate([low_weights, weights * rise[:, None], high_weights]) ** 2
    total, again = squares @ variance, squares @ fitted.noise**2
    # What the curve is too stiff for goes on growing by as much for every step's width past the ends.
    width = np.ptp(x) / len(fitted.x)
    outside = np.concatenate(
        [far[:, 0] * (x[END - 1] - x[0]), np.zeros(DOUBT_POINTS), (high - y[-1]) / slope]
    )
    values = np.concatenate([np.full(8, y[0]), value, high])
    total += alike * (scale_of(values) * _light_per_lightness(values) * (1 + outside / width)) ** 2
    return np.stack([np.concatenate([low, light, light_of_lightness(high)]), np.sqrt(total), np.sqrt(again)])


def _light_per_lightness(value: Array) -> Array:
    """Return the slope of light_of_lightness."""
    return np.where(value > 0.08, 3 * ((np.maximum(value, 0.08) + 0.16) / 1.16) ** 2 / 1.16, 1 / SLOPE)


Maker = Callable[[Array, Array], Callable[[Array], Array]]


@dataclass(frozen=True)
class _Candidate:
    """A kind of curve. gamma: of the codes whose lightness it runs over; None: the lightness that the file states.

    degree: of a polynomial, or None for an interpolation.
    """

    make: Maker
    degree: int | None
    gamma: float | None = None

    @property
    def name(self) -> str:
        kind = "monotone interpolation" if self.degree is None else f"polynomial of degree {self.degree}"
        return kind if self.gamma is None else f"{kind} over gamma {self.gamma:g}"


def scaled(x: Array, gamma: float | None) -> Array:
    """Return the lightness of a power of the codes, of the lightness that sRGB makes of the codes."""
    return x if gamma is None else lightness(srgb_encode(light_of_lightness(x)) ** gamma)


def _candidates(steps: int) -> Sequence[_Candidate]:
    """Return the curves that compete, the simplest first."""
    from scipy.interpolate import PchipInterpolator

    def polynomial(degree: int) -> Maker:
        return lambda x, y: np.polynomial.Polynomial.fit(x, y, degree)

    usable = [d for d in DEGREES if d <= steps - 3]
    makers = [_Candidate(polynomial(d), d, gamma) for d in usable for gamma in GAMMAS]
    makers.append(_Candidate(lambda x, y: PchipInterpolator(x, y, extrapolate=True), None))
    return makers


def _basis(x: Array) -> Array:
    """Return (n, k) orthonormal columns over steps x (n,), of which the first d + 1 are those of degree d."""
    most = min(DEGREES[-1] + 1, len(x))
    return np.linalg.qr(np.vander((x - x.mean()) / np.ptp(x), most, increasing=True))[0]


def _left_out(candidate: _Candidate, x: Array, y: Array, basis: Array) -> Array:
    """Return the errors of the inner steps (n - 2,), each predicted from all the others; basis is what _basis returned.

    For least squares the errors with one step left out follow from those with all of them and the
    leverages, without fitting again (Allen, Technometrics 16, 1974).
    """
    if candidate.degree is not None:
        q = basis[:, : candidate.degree + 1]
        rest = y - q @ (q.T @ y)
        return np.asarray((rest / np.maximum(1 - np.sum(q**2, axis=1), 1e-9))[1:-1])
    inner = range(1, len(x) - 1)
    return np.array([candidate.make(np.delete(x, i), np.delete(y, i))(x[i : i + 1])[0] - y[i] for i in inner])


def _slope(x: Array, y: Array) -> float:
    return float((y[-1] - y[0]) / (x[-1] - x[0]))
