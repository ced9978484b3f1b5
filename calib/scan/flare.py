"""Light that scatters inside the scanner: how much of it there is, and how far it reaches.

The reading of a spot is mostly the light of that spot, and in a small part f the light of everything
around it:

    reading = illumination * ((1 - f) * own + f * (page blurred by the kernel))

The kernel falls with distance, nobody knows how. Any such kernel is a mixture of Gaussians; here the
logarithms of their radii are spread normally, about a middle radius and with a breadth, so that three
numbers say all: f, middle, breadth. A breadth of 0 is a Gaussian, 0.48 a falling exponential (a gamma mixture of shape 3/2
over the squared radius), 0.7 an exponential with a wide tail, 1 and more a power law. All kernels of a fine grid
compete; what is returned is their mean, weighted by how well each foretells two things that are measured:

- bare paper between dark swatches, which reads darker than open paper (the surface of the illumination
  is taken out before);
- the dark steps of the grey strip, which read too light by what is scattered onto them (calib.scan.stepflare).

The spread of f over all kernels that will do is its standard uncertainty. A zero that is off, a black point that
a driver shifts, is no flare, but for the steps it is the same as very wide flare, and undone in the same way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scan.stepflare import Steps, strip_says

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# Radii (standard deviation along one axis, mm) of the Gaussians that kernels are mixed of: from what a blur of the lens
# already reaches to what lights the page evenly.
RADII_MM = tuple(1.3 * 1.6**i for i in range(10))
# Wide blurs are made on a reduced copy, of so many pixels to the radius, where they cost nothing and lose nothing.
PIXELS_PER_RADIUS = 5
# How far around the page blurs are made; beyond that all is alike.
PAD_MM = 96
# Middle radius and breadth of the kernels that compete. Light that falls still more evenly only the strip can tell
# from the lamp's falloff and from nothing, so without one the wider kernels do not compete.
MIDDLES_MM = (2.5, 90.0)
WIDEST_ON_PAPER_MM = 45.0
BREADTHS = (0.05, 1.1)
# So many middles and breadths are looked at, first all over, then where the first look left hope.
GRID = (26, 16)
# Kernels are mixed of so many Gaussians, each of which is interpolated between those of RADII_MM.
FINE_RADII_MM = np.geomspace(RADII_MM[0], RADII_MM[-1], 65)
# What is known of kernels before looking: between an exponential and a power law, most likely.
BREADTH, BREADTH_SD = 0.65, 0.2
# Flare of 1 to 4 % is common; this is the mean of what is expected before looking, and more than the second is
# rare: so much of it is mostly a contrast curve (invented).
USUAL_FLARE = 0.03
MUCH_FLARE = 0.05
MOST_FLARE = 0.2
# One scanner in five scatters nothing that can be seen.
NO_FLARE = 0.2
# So many values of f are looked at between 0 and all that could be.
SHARES = 400
# Kernels that explain the paper by so much worse (in log likelihood) than the best need not be shown to the strip.
HOPELESS = 12.0
# Tiles nearer than this may err alike, from what the surface and the kernels cannot make.
ALIKE_MM = 20.0
# A channel of which this share of the page reads no light at all, because the ink's is below what the file
# can hold, has its light overstated; its say is that of noise twice as large (in squares).
TOO_DARK = 0.003
# No paper's log light is known better than this.
LEAST_NOISE = 1e-5
# A page of bare paper tells f to no better than this, one over its variance.
LEAST_BEND = 1e-3


@dataclass(frozen=True)
class Papers:
    """What bare paper shows, with all that illumination explains taken out of it.

    log_light: (m, 3). excess: (m, k, 3) how much lighter than paper the surroundings of each tile are, by
    RADII_MM, as a share of the paper's light; both times the tile's root weight. at: (n, 2) the first n rows' places in mm, any rows
    after them belonging to no place. weight: sum of the weights. unlit: (3,) share of the page without any light.
    """

    log_light: Array
    excess: Array
    at: Array
    weight: float
    unlit: Array


@dataclass(frozen=True)
class Flare:
    """share: (k,) of the light scattered over each of RADII_MM. u: standard uncertainty of their sum."""

    share: Array
    u: float


def blurred(reflectance: Light, paper: Array, beyond: Array) -> list[Light]:
    """Return a page grid (h, w, 3) of one pixel a millimetre blurred by each of RADII_MM.

    paper: (3,) what stands in for parts that the picture cuts off. beyond: (3,) what lies around the sheet.
    """
    filled = np.where(np.isfinite(reflectance), reflectance, paper.astype(np.float32)).astype(np.float32)
    value = tuple(map(float, beyond))
    padded = cv2.copyMakeBorder(filled, *(PAD_MM,) * 4, cv2.BORDER_CONSTANT, value=value)
    inner = slice(PAD_MM, -PAD_MM)
    result = []
    height, width = padded.shape[:2]
    for radius in RADII_MM:
        step = max(1, int(radius // PIXELS_PER_RADIUS))
        size = (round(width / step), round(height / step))
        small: NDArray[Any] = padded
        if step > 1:
            small = cv2.resize(padded, size, interpolation=cv2.INTER_AREA)
            # Averaging to large pixels and interpolating between them blurs by itself.
            radius = np.sqrt(radius**2 - step**2 / 4)
        blur = cv2.GaussianBlur(
            small,
            (0, 0),
            radius * size[0] / width,
            sigmaY=radius * size[1] / height,
            borderType=cv2.BORDER_REPLICATE,
        )
        if step > 1:
            blur = cv2.resize(blur, (width, height), interpolation=cv2.INTER_LINEAR)
        result.append(np.ascontiguousarray(blur[inner, inner], dtype=np.float32))
    return result


def veil(around: Sequence[Light], share: Array) -> Light:
    """Return the scattered light on the page grid (h, w, 3): what flare adds to each spot,
    as a share of a perfect white's."""
    total = np.zeros_like(around[0])
    for blur, one in zip(around, share, strict=True):
        total += np.float32(one) * blur
    return total


def kernels(middle: Array, breadth: Array) -> Array:
    """Return kernels (s, k) as weights of RADII_MM that sum to 1, of the log middle radii and the breadths (s,).

    Gaussians between those of RADII_MM are cubic splines of them over
    the log of the radius (within 0.3 % of their height), so that some weights may be a little below 0.
    """
    fine = np.exp(-0.5 * ((np.log(FINE_RADII_MM) - middle[:, None]) / breadth[:, None]) ** 2)
    return np.asarray(fine / fine.sum(axis=1, keepdims=True) @ _between())


@cache
def _between() -> Array:
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(np.log(RADII_MM), np.eye(len(RADII_MM)))(np.log(FINE_RADII_MM)))


def find_flare(papers: Papers, steps: Steps | None, last: Array) -> Flare:
    """Return the flare that paper and strip tell of.

    last: (k,) the estimate before, from which the tiles' scatter is told.
    """
    matrix, vector = _paper_says(papers, last)
    widest = WIDEST_ON_PAPER_MM if steps is None else MIDDLES_MM[1]
    whole = np.array([np.log([MIDDLES_MM[0], widest]), BREADTHS])
    first = _look(whole, matrix, vector)
    hopeful = first.best > first.best.max() - HOPELESS
    near = first.places[:, hopeful]
    pitch = np.diff(whole)[:, 0] / (np.array(GRID) - 1)
    spans = np.clip(
        np.stack([near.min(axis=1) - pitch, near.max(axis=1) + pitch], axis=1), *whole.T[:, :, None]
    )
    second = _look(spans, matrix, vector)
    # What the first look left out keeps its share of what was likely before.
    area = float(np.prod(np.diff(spans) / np.diff(whole)))
    before = second.before + np.log(area) - np.log(np.exp(first.before).sum())
    hopeful = second.best > second.best.max() - HOPELESS
    bend, rise, shapes = second.bend[hopeful], second.rise[hopeful], second.shapes[hopeful]
    top = min(MOST_FLARE, float(np.max(np.clip(rise / bend, 0, None) + 7 / np.sqrt(bend))))
    f = np.linspace(0, top, SHARES)
    likely = rise[:, None] * f - bend[:, None] * f**2 / 2
    if steps is not None:
        likely += strip_says(steps, shapes, f)
    nothing = float(likely[0, 0])
    usual = f / USUAL_FLARE + 0.5 * (f / MUCH_FLARE) ** 2
    likely += before[hopeful, None] - usual + np.log((f[1] - f[0]) / USUAL_FLARE)
    return _mean(likely, f, shapes, nothing)


@dataclass(frozen=True)
class _Look:
    """Kernels on a grid of log middle radius and breadth, places (2, s): their shapes (s, k), how likely each is before looking,
    and its log likelihood over f, rise * f - bend * f^2 / 2 on paper, with what is likely before at its best."""

    places: Array
    shapes: Array
    before: Array
    bend: Array
    rise: Array

    @property
    def best(self) -> Array:
        """The log likelihood (s,) of each kernel at its own best f."""
        at = np.clip(self.rise / self.bend, 0, MOST_FLARE)
        return np.asarray(self.before + self.rise * at - self.bend * at**2 / 2)


def _look(spans: Array, matrix: Array, vector: Array) -> _Look:
    """Look at kernels all over spans (2, 2): lowest and highest log middle radius and breadth."""
    axes = [np.linspace(low, high, count) for (low, high), count in zip(spans, GRID, strict=True)]
    places = np.stack([v.ravel() for v in np.meshgrid(*axes, indexing="ij")])
    shapes = kernels(*places)
    before = -0.5 * ((places[1] - BREADTH) / BREADTH_SD) ** 2
    bend = np.maximum(np.einsum("sl,sl->s", shapes @ matrix, shapes), LEAST_BEND)
    return _Look(places, shapes, before, bend, shapes @ vector)


def _mean(likely: Array, f: Array, shapes: Array, nothing: float) -> Flare:
    """Return the mean over all kernels (s, k) and shares f (n,) of log probability (s, n).

    nothing: the log likelihood of no flare at all. That is a case of its own: a flare that explains no more than none
    does would add its doubt to every colour.
    """
    peak = max(float(likely.max()), nothing)
    chance = np.exp(likely - peak)
    none = NO_FLARE / (1 - NO_FLARE) * float(np.exp(nothing - peak))
    chance /= chance.sum() + none
    mean = float((chance * f).sum())
    spread = float((chance * (f - mean) ** 2).sum()) + (1 - float(chance.sum())) * mean**2
    return Flare((chance @ f) @ shapes, float(np.sqrt(spread)))


def _paper_says(papers: Papers, share: Array) -> tuple[Array, Array]:
    """Return the matrix (k, k) and vector (k,) of the tiles' log likelihood x @ v - x @ m @ x / 2 over shares x.

    The channels share the paper's texture, so that their differences tell more than each of them (generalised least
    squares). Errors that neighbouring tiles share make the likelihood flatter, by as much as the
    scores of squares of tiles scatter more than tiles without any ties would make them.
    """
    rest = papers.log_light - np.einsum("nkc,k->nc", papers.excess, share)
    covariance = rest.T @ rest / papers.weight
    covariance += np.diag(np.diag(covariance) * (papers.unlit / TOO_DARK) ** 2)
    # Paper without any noise, all of one code, is still no better known than this.
    covariance += LEAST_NOISE**2 * np.eye(len(covariance))
    precision = np.linalg.inv(covariance)
    weighed = papers.excess @ precision
    radii = papers.excess.shape[1]
    matrix = weighed.swapaxes(1, 2).reshape(-1, radii).T @ papers.excess.swapaxes(1, 2).reshape(-1, radii)
    vector = np.einsum("nkc,nc->k", weighed, papers.log_light)
    total = float(share.sum())
    shape = share / total if total > 0 else np.full(radii, 1 / radii)
    score = np.einsum("nc,nc->n", np.einsum("nkc,k->nc", weighed, shape), rest)[: len(papers.at)]
    square = np.floor(papers.at / ALIKE_MM).astype(int)
    _, index = np.unique(square[:, 0] + 1000 * square[:, 1], return_inverse=True)
    tie = max(
        1.0,
        float(np.square(np.bincount(index, score)).sum() / max(float(shape @ matrix @ shape), LEAST_BEND)),
    )
    return matrix / tie, vector / tie
