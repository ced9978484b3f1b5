"""A scanner's colour model out of a colour card's readings: families compete, and the error on inks is foretold."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.card import Card
from calib.colour.colorimetry import xyz_to_lab
from calib.errors import UnfitError
from calib.scan.colourmodel import FAMILIES, Fitted, Patches, fit
from calib.scan.scanner import Candidate, Scanner, Training

Array = NDArray[np.float64]

# Noise of a patch's light where none was measured: relative, and on top (common practice for a patch's mean).
NOISE_RELATIVE, NOISE_LIGHT = 0.002, 0.0005
# Fewer colours than this do not carry six numbers and their cross-validation.
FEWEST_COLOURS = 12
FEWEST_CHROMATIC = 8
# From this chroma on a patch has a hue, and tells of the filters; greys are kept by the white point alone.
CHROMATIC = 10.0
# Patches that are nearer than this in L*a*b* when brought to one luminance show one colour, and leave-one-out has to
# leave them out together.
MIDDLE_Y = 0.184
ONE_COLOUR = 1.0
WIDEST_GAP = 150.0
# Root mean square of the readings' weaker direction of chromaticity; wide and overlapping filters leave 0.02.
LEAST_CHROMATICITY = 0.004
# No scanner with three channels of its own misses a right card by this much in the mean.
MOST_MISS = 10.0
# Another family wins only by more than this share over a simpler one.
TIE = 0.05
# What scanners miss chromatic patches by in dE00: geometric mean, and standard deviation of its logarithm. Simulated before
# the code was begun: 1 to 1.5 with wide filters, 3 with three LEDs; invented scanners, whose filters nobody chose, miss
# by 2.9 with a spread of 0.45 (tests/benchmarks/dyes.py).
USUAL_MISS, USUAL_SPREAD = 2.0, 0.6
# Error on dyes, in the root mean square, over the card's typical miss; known to 20 per cent (standard deviation over 80
# invented scanners, invented dyes and measured prints, three cards; tests/benchmarks/dyes.py). A card printed with few
# inks flatters its model: there the error on other dyes was 1.7 times as much.
ERROR_SCALE = 1.03
# Of noise with three components of unlike size the mean length is about this share of its root mean square.
MEAN_OF_RMS = 0.88


def fit_scanner(linear: ArrayLike, card: Card, u: ArrayLike | None = None, medium: str = "") -> Scanner:
    """Fit a scanner's colour model on a card.

    linear: (n, 3) white-balanced light of the card's patches in its order, a perfect white = 1; patches that
    were not read are NaN. u: (n, 3) its standard uncertainty, assumed where not given. medium: what the
    card is made of, in words. Raises UnfitError where the readings cannot carry a model.
    """
    linear = np.asarray(linear, dtype=float)
    if linear.shape != card.xyz.shape:
        raise ValueError(f"{linear.shape} readings for {card.xyz.shape} patches")
    noise = NOISE_RELATIVE * np.abs(linear) + NOISE_LIGHT if u is None else np.asarray(u, dtype=float)
    read = (
        np.isfinite(linear).all(axis=1) & np.isfinite(card.xyz).all(axis=1) & np.isfinite(noise).all(axis=1)
    )
    xyz = card.xyz[read]
    patches = Patches(linear[read], xyz, noise[read], _groups(xyz))
    _refuse_what_tells_nothing(patches, card.name)
    fits = [fit(family, patches) for family in FAMILIES]
    misses = [typical_miss(one, patches) for one in fits]
    winner = choose([miss * family.transfer for miss, family in zip(misses, FAMILIES, strict=True)])
    candidates = tuple(_candidate(one) for one in fits)
    if min(one.mean for one in candidates) > MOST_MISS:
        raise UnfitError(
            f"{card.name}: its colours do not agree with what the scanner read; the best model misses them by "
            f"{min(one.mean for one in candidates):.1f} dE00 in the mean",
            "Check that the file is this card's, and that it lists the patches in their rows and columns.",
        )
    training = Training(card.name, medium, card.place[read], patches.light, patches.xyz, candidates, winner)
    filters = ERROR_SCALE * misses[winner] * FAMILIES[winner].transfer
    chromatic = _chroma(xyz_to_lab(patches.xyz)) >= CHROMATIC
    carried = np.sqrt((fits[winner].carried[chromatic] ** 2).mean())
    return Scanner(FAMILIES[winner].name, float(np.hypot(filters, carried)), fits[winner].model, training)


def choose(scores: list[float]) -> int:
    """Return which score wins, the lower the better; an earlier one wins a tie."""
    best = min(scores)
    return next(i for i, score in enumerate(scores) if score <= best * (1 + TIE))


def typical_miss(fitted: Fitted, patches: Patches) -> float:
    """Return the mean dE00 that a model misses chromatic patches left out by, the noise of their readings taken off.

    The mean, because among mean, median and root mean square it foretells the error on dyes best
    (tests/benchmarks/dyes.py). A patch's dE00 is taken for exponentially distributed about sqrt(t^2 + noise^2), of which the
    mean is the likeliest t where there is no noise; what scanners usually miss stands before it as the prior, so that a
    card full of noise tells what is usual instead of nothing. The posterior mean of log t is what is returned.
    """
    chromatic = _chroma(xyz_to_lab(patches.xyz)) >= CHROMATIC
    seen, noise = fitted.crossed[chromatic], MEAN_OF_RMS * fitted.noise[chromatic]
    t = np.geomspace(0.02, 50.0, 400)
    size = np.hypot(t[:, np.newaxis], noise)
    chance = -(np.log(size) + seen / size).sum(axis=1)
    chance -= 0.5 * (np.log(t / USUAL_MISS) / USUAL_SPREAD) ** 2
    weight = np.exp(chance - chance.max())
    return float(np.exp((weight * np.log(t)).sum() / weight.sum()))


def _candidate(fitted: Fitted) -> Candidate:
    seen = fitted.crossed
    name = fitted.model.family.name
    return Candidate(name, float(seen.mean()), float(np.percentile(seen, 95)), float(seen.max()))


def _chroma(lab: Array) -> Array:
    return np.asarray(np.hypot(lab[:, 1], lab[:, 2]))


def _groups(xyz: Array) -> NDArray[np.int64]:
    """Return (n,) the number of each patch's group: the first patch that shows its colour, be it darker or lighter.

    Every model is of degree one, so that a patch foretells its own darker twin; greys are all one group.
    """
    lab = xyz_to_lab(xyz * (MIDDLE_Y / np.maximum(xyz[:, 1:2], 1e-6)))
    group = np.arange(len(lab))
    for i in range(len(lab)):
        near = np.flatnonzero(np.linalg.norm(lab[: i + 1] - lab[i], axis=1) < ONE_COLOUR)
        group[i] = group[near[0]]
    return group


def _refuse_what_tells_nothing(patches: Patches, name: str) -> None:
    lab = xyz_to_lab(patches.xyz)
    colours = len(np.unique(patches.group))
    if colours < FEWEST_COLOURS:
        raise UnfitError(
            f"{name}: {colours} different colours were read, too few for a colour model (shades of one colour and "
            "all greys count once)",
            f"Use a card of {FEWEST_COLOURS} or more different colours; 18 and more are better.",
        )
    chromatic = _chroma(lab) >= CHROMATIC
    count = len(np.unique(patches.group[chromatic]))
    if count < FEWEST_CHROMATIC:
        raise UnfitError(
            f"{name}: {count} of its colours are not grey, too few for a colour model",
            f"Use a card with {FEWEST_CHROMATIC} or more colours of different hues; greys tell nothing of the filters.",
        )
    hues = np.sort(np.degrees(np.arctan2(lab[chromatic, 2], lab[chromatic, 1])))
    gap = float(np.max(np.diff(np.r_[hues, hues[0] + 360.0])))
    if gap > WIDEST_GAP:
        raise UnfitError(
            f"{name}: its colours leave {gap:.0f} degrees of hue empty",
            "Use a card with reds, yellows, greens and blues.",
        )
    light = np.maximum(patches.light[chromatic], 0.0)
    share = light / np.maximum(light.sum(axis=1, keepdims=True), 1e-6) - 1 / 3
    weaker = float(np.linalg.svd(share, compute_uv=False)[1] / np.sqrt(len(share)))
    if weaker < LEAST_CHROMATICITY:
        raise UnfitError(
            f"{name}: the scanner read its colours as if all were of one hue or grey",
            "Scan in colour, and check that the card lay with its colours towards the glass.",
        )
