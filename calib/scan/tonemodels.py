"""Which curve may lie behind a strip's steps: a mixture of all that explain them, each as likely as it makes them.

A model of the true lightness over the scanner's is a straight line over one of the scales that drivers write, plus a
smooth sway, plus the errors of the steps:

    y = line(t) + sway(t) + error,   t = the lightness of a power of the codes

The sway is a Gaussian process of a squared exponential covariance, about the line, so that beyond the end steps it dies away and
leaves the line: what a polynomial makes of the ends' errors there, it does not. The steps' errors are alike in density, as those of a
strip's file are; the readings' noise comes on top. How large sway and errors are is unknown; models of a grid of sizes
are weighted by the likelihood of the steps with the line integrated out (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006,
equation 2.45). The mean over all models is the curve, and their spread is part of its doubt: nobody has to choose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.scan.lightness import light_of_lightness, scale_of
from calib.scan.tonescales import Scale, Steps, scales_of

Array = NDArray[np.float64]

# How far curves sway about their line, in L* / 100, and over what stretch of the scale. Three in ten do not at all (invented).
SWAYS = (0.01, 0.04, 0.12)
STRETCHES = (0.2, 0.5)
STRAIGHT = 0.3
# What the steps' values err by in density: a densitometer repeats to 0.01, a mean of readings better (common practice).
# So many times more or less, one standard deviation, is not unusual.
ERRORS = (0.0003, 0.0015, 0.004, 0.01, 0.02, 0.05)
USUAL, TIMES = 0.006, 2.3
DENSITY_TO_LIGHTNESS = 1.16 / 3 * np.log(10)
# Models less likely than this, against the likeliest, are left out.
HOPELESS = 1e-3
# Rounding of numbers, in L* / 100.
ROUNDING = 1e-6


@dataclass(frozen=True)
class Model:
    """One way that steps may have come about: see the module. scale: its place among those of a channel. sway: 0 for
    a straight line. error: in density. prior: how likely it is before any step is seen, relative to others."""

    scale: int
    sway: float
    stretch: float
    error: float
    prior: float


@dataclass(frozen=True)
class _Solved:
    """A grid of models of one gamma and stretch on one channel's steps.

    inverse: (k, n, n) what the steps times it are the process's weights of. line: (k, 2, n) what gives the line's ends. likely:
    (k,) log likelihood.
    """

    inverse: Array
    line: Array
    likely: Array


def _models(scale: int, prior: float) -> list[tuple[float, list[Model]]]:
    """Return all models on a scale by stretch."""
    groups = []
    sizes = [(e, float(np.exp(-0.5 * (np.log(e / USUAL) / np.log(TIMES)) ** 2))) for e in ERRORS]
    for stretch in STRETCHES:
        # A line has no stretch, so it stands with the first.
        sways = [(s, (1 - STRAIGHT) / (len(SWAYS) * len(STRETCHES))) for s in SWAYS]
        sways += [(0.0, STRAIGHT)] if stretch == STRETCHES[0] else []
        groups.append(
            (stretch, [Model(scale, s, stretch, e, prior * w * size) for s, w in sways for e, size in sizes])
        )
    return groups


def _ends(t: Array, at: Array) -> Array:
    """Return (m, 2) how much the line's values at the first and last step t (n,) count at (m,)."""
    share = (at - t[0]) / (t[-1] - t[0])
    return np.stack([1 - share, share], axis=1)


def _alike(a: Array, b: Array, stretch: float) -> Array:
    return np.asarray(np.exp(-0.5 * ((a[:, None] - b[None, :]) / stretch) ** 2))


def _solve(steps: Steps, scale: Scale, stretch: float, models: list[Model]) -> _Solved:
    t = scale(steps.x)
    alike = _alike(t, t, stretch)
    error = np.array([m.error for m in models]) * DENSITY_TO_LIGHTNESS
    sway = np.array([m.sway for m in models])
    own = (error[:, None] * scale_of(steps.y)) ** 2 + steps.noise**2 + ROUNDING**2
    covariance = sway[:, None, None] ** 2 * alike + own[:, :, None] * np.eye(len(t))
    inverse = np.linalg.inv(covariance)
    ends = _ends(t, t)
    weighed = inverse @ ends
    bend = np.swapaxes(weighed, 1, 2) @ ends
    line = np.linalg.solve(bend, np.swapaxes(weighed, 1, 2))
    inverse = inverse - weighed @ line
    missed = np.einsum("n,knm,m->k", steps.y, inverse, steps.y)
    sizes = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(bend)[1]
    return _Solved(inverse, np.asarray(line, dtype=float), -0.5 * (missed + sizes))


@dataclass(frozen=True)
class Mixture:
    """All models that explain the steps of a page's channels, and how likely each is (k,)."""

    channels: tuple[Steps, ...]
    scales: tuple[list[Scale], ...]
    models: tuple[Model, ...]
    weight: Array
    inverse: tuple[Array, ...]
    line: tuple[Array, ...]

    @property
    def name(self) -> str:
        """Return the likeliest scale in words, with the sway about it."""
        best = self.scales[len(self.channels) // 2][int(np.argmax(self._shares()))]
        sway = 100 * float(np.sqrt(self.weight @ np.square([m.sway for m in self.models])))
        return f"line over {best.name}" + (f", sway {sway:.1f} L*" if sway > 0.1 else "")

    def _shares(self) -> Array:
        shares = np.zeros(len(self.scales[0]))
        np.add.at(shares, [m.scale for m in self.models], self.weight)
        return shares

    def left_out(self, channel: int) -> Array:
        """Return the errors (n,) of the steps, each foretold by the others (Rasmussen and Williams, equation 5.12)."""
        inverse = self.inverse[channel]
        diagonal = np.maximum(np.einsum("knn->kn", inverse), 1e-9)
        return np.asarray(self.weight @ ((inverse @ self.channels[channel].y) / diagonal))

    def means(self, channel: int, x: Array) -> Array:
        """Return the curve's lightness at scanner's lightness x (m,)."""
        steps = self.channels[channel]
        total = np.zeros(len(x))
        for (number, stretch), rows in self._groups().items():
            scale = self.scales[channel][number]
            t, at = scale(steps.x), scale(x)
            weight = self.weight[rows]
            sway = np.square([self.models[i].sway for i in rows])
            total += _ends(t, at) @ (weight @ (self.line[channel][rows] @ steps.y))
            total += _alike(at, t, stretch) @ ((weight * sway) @ (self.inverse[channel][rows] @ steps.y))
        return total

    def doubts(self, channel: int, x: Array, told: Array) -> tuple[Array, Array]:
        """Return the variances (r,) of told @ lightness at x (m,), told: (r, m): of all, and of the readings' noise."""
        steps = self.channels[channel]
        means, variances, weights = [], [], np.zeros((len(x), len(steps.x)))
        for (number, stretch), rows in self._groups().items():
            scale = self.scales[channel][number]
            t, at = scale(steps.x), scale(x)
            ends, points = _ends(t, at), np.concatenate([at, t])
            alike = _alike(points, points, stretch)
            there = alike[: len(x), len(x) :]
            for i in rows:
                squared = self.models[i].sway ** 2
                inverse, line = self.inverse[channel][i], self.line[channel][i]
                weight = ends @ line + squared * there @ inverse
                # As if the values at x were to be told from steps that have errors: what they miss is the doubt.
                rest = told @ np.hstack([np.eye(len(x)), -weight])
                own = (self.models[i].error * DENSITY_TO_LIGHTNESS * scale_of(steps.y)) ** 2 + steps.noise**2
                size = np.square(rest[:, len(x) :]) @ own
                if squared:
                    size += squared * np.sum((rest @ alike) * rest, axis=1)
                means.append(told @ weight @ steps.y)
                variances.append(size)
                weights += self.weight[i] * weight
        order = [i for rows in self._groups().values() for i in rows]
        w = self.weight[order]
        mean = w @ np.array(means)
        total = w @ (np.array(variances) + np.square(np.array(means) - mean))
        return np.asarray(total), np.square(told @ weights) @ steps.noise**2

    def below(self, channel: int, first: float, x: Array) -> tuple[Array, Array]:
        """Return how far straight lines of the models' powers go on below scanner's lightness first, at x (m,), and their spread (m,).

        In scanner's light, as lines that all fall alike at first.
        """
        near = np.array([first, first + 1e-4])
        light = light_of_lightness(near)
        rows = []
        for scale in self.scales[channel]:
            here = scale.light(near)
            if here[1] - here[0] > 0:
                rows.append((scale.light(x) - here[0]) * (light[1] - light[0]) / (here[1] - here[0]))
            else:
                # There are no codes below zero, only light.
                rows.append(light_of_lightness(x) - light[0])
        mean = self._shares() @ np.array(rows)
        return mean, np.sqrt(self._shares() @ np.square(np.array(rows) - mean))

    def _groups(self) -> dict[tuple[int, float], list[int]]:
        groups: dict[tuple[int, float], list[int]] = {}
        for i, model in enumerate(self.models):
            groups.setdefault((model.scale, model.stretch), []).append(i)
        return groups


def mixture(channels: Sequence[Steps]) -> Mixture:
    """Return the models that explain the steps of all channels.

    One driver wrote them all, and the steps' errors are common to them, so that the channels have one say together.
    """
    models: list[Model] = []
    scales = scales_of(channels)
    likely: list[Array] = []
    inverse: list[list[Array]] = [[] for _ in channels]
    line: list[list[Array]] = [[] for _ in channels]
    for number, scale in enumerate(scales[0]):
        for stretch, group in _models(number, scale.prior):
            solved = [
                _solve(steps, own[number], stretch, group)
                for steps, own in zip(channels, scales, strict=True)
            ]
            models += group
            likely.append(np.mean([one.likely for one in solved], axis=0))
            for c, one in enumerate(solved):
                inverse[c].append(one.inverse)
                line[c].append(one.line)
    chance = np.concatenate(likely) + np.log([model.prior for model in models])
    chance = np.exp(chance - chance.max())
    kept = np.flatnonzero(chance > HOPELESS)
    weight = chance[kept] / chance[kept].sum()
    return Mixture(
        tuple(channels),
        tuple(scales),
        tuple(models[i] for i in kept),
        weight,
        tuple(np.concatenate(one)[kept] for one in inverse),
        tuple(np.concatenate(one)[kept] for one in line),
    )
