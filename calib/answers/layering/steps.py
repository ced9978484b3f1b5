"""A stack of inks from the ground up: what each coat makes of the colour, how rough that is, and whether it will show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.doubles.groups import JUST_PERCEPTIBLE, USUALLY_ACCEPTED
from calib.answers.doubles.pens import Pen
from calib.answers.layering.paper import Overlay, Paper, paper_of
from calib.answers.layering.stack import Colour, of_film, predicted
from calib.answers.shelf import Shelf
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import interval
from calib.colour.uncertainty import coverage_factor, normal_draws
from calib.errors import ImpossibleError
from calib.overlays import overlay_id, overlay_name, pair_of

Array = NDArray[np.float64]

# A sheet of layout or marker paper takes no more coats than this evenly (common practice: four or five), and the law was tried with two and three.
MOST_COATS = 6
SHARE, RADIUS_DRAWS = 0.95, 2000
YES, NO, UNSURE = "yes", "no", "unsure"
MEASURED, PREDICTED = "measured", "predicted"


@dataclass(frozen=True)
class Contrast:
    """A colour against what lies below it: dE00 and dL, each with its 95 per cent interval; shows: yes, no or unsure."""

    dE00: float
    low: float
    high: float
    dL: float
    dL_low: float
    dL_high: float

    @property
    def shows(self) -> str:
        """Yes where people who look for it will not miss it, no where nobody sees it."""
        if self.low >= USUALLY_ACCEPTED:
            return YES
        return NO if self.high < JUST_PERCEPTIBLE else UNSURE


@dataclass(frozen=True, eq=False)
class Step:
    """One more coat.

    marker, name: what the stack so far is called, '034 over 012' where 034 lies on top. layers: 2 where it is two coats of one pen and nothing
    else, or 1. lab: (3,). u: (3,) standard uncertainties. within: dE00 in which 95 per cent of what will be laid lies. source: measured or
    predicted. against: what lies below, the paper under the first coat; how: the contrast with it.
    """

    marker: str
    name: str
    layers: int
    lab: Array
    u: Array
    within: float
    source: str
    against: str
    how: Contrast


@dataclass(frozen=True, eq=False)
class Layering:
    """The answer. reverse: the colour of two pens the other way round, where that was measured. warnings: sentences."""

    shelf: Shelf
    paper: Paper
    pens: tuple[Pen, ...]
    steps: tuple[Step, ...]
    reverse: Overlay | None
    warnings: tuple[str, ...]


def layer(shelf: Shelf, markers: Sequence[str], known: Paper | None = None) -> Layering:
    """Return the colours of pens laid over each other, the lowest first; a pen named twice in a row lies there in two coats.

    known: what ``paper_of`` found for this shelf, where many questions are asked of one.

    Raises ImpossibleError for an id that the table has not, or for too few or too many coats; InputError for a pen without a colour.
    """
    if not 2 <= len(markers) <= MOST_COATS:
        raise ImpossibleError(
            f"{len(markers)} {'coat' if len(markers) == 1 else 'coats'} cannot be answered for",
            f"Name 2 to {MOST_COATS} pens, the lowest first.",
        )
    paper = paper_of(shelf) if known is None else known
    pens = tuple(_pen(shelf, marker) for marker in markers)
    bare = Colour(
        paper.ground.lab,
        np.repeat(paper.ground.lab[None], 1, axis=0),
        np.zeros((3, 3)),
        None,
        np.zeros((3, 3)),
    )
    steps: list[Step] = []
    below, called = bare, "the bare paper"
    for n in range(1, len(pens) + 1):
        colour = _colour(paper, pens[:n], below)
        step = _step(shelf, pens[:n], colour, below, called)
        steps.append(step)
        below, called = colour, step.marker
    reverse = paper.overlays.get((pens[1].marker, pens[0].marker)) if len(pens) == 2 else None
    return Layering(shelf, paper, pens, tuple(steps), reverse, tuple(_warnings(shelf, pens)))


def _pen(shelf: Shelf, marker: str) -> Pen:
    """Return the pen of an id; an overlay's own row is none."""
    ids = {pen.marker for pen in shelf.pens}
    pair = pair_of(marker, ids - {marker})
    if marker not in ids and pair is not None:
        under, over = pair
        raise ImpossibleError(
            f"'{marker}' is one ink over another and no pen", f"Name the two pens: {under} {over}."
        )
    return shelf.pen(marker)


def _colour(paper: Paper, stack: Sequence[Pen], below: Colour) -> Colour:
    """Return the colour of a stack: as it was read where it was, else predicted; below: that without its uppermost coat."""
    pens = set(stack)
    if len(pens) == 1 and len(stack) in stack[0].coats:
        return of_film(stack[0].coats[len(stack)].film)
    if len(stack) == 2 and (found := paper.overlays.get((stack[0].marker, stack[1].marker))) is not None:
        return found.colour
    over_read = below if below.measured is not None and len(stack) > 2 else None
    return predicted(paper.law, paper.ground, list(stack), over_read)


def _step(shelf: Shelf, stack: Sequence[Pen], colour: Colour, below: Colour, called: str) -> Step:
    single = len(set(stack)) == 1
    marker, name = stack[0].marker, stack[0].name
    for pen in [] if single and len(stack) <= 2 else stack[1:]:
        marker, name = overlay_id(marker, pen.marker), overlay_name(name, pen.name)
    return Step(
        marker,
        name,
        2 if single and len(stack) == 2 else 1,
        colour.lab,
        np.sqrt(np.diag(colour.covariance)),
        _within(colour, shelf.freedom),
        MEASURED if colour.measured is not None else PREDICTED,
        called,
        _contrast(below, colour, shelf.freedom),
    )


def _within(colour: Colour, freedom: int) -> float:
    """Return the dE00 that 95 per cent of draws of a colour keep within."""
    values, vectors = np.linalg.eigh(colour.covariance)
    drawn = normal_draws(RADIUS_DRAWS, 3) @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    wider = float(coverage_factor(freedom) / coverage_factor(0)) if colour.measured is not None else 1.0
    return float(np.quantile(delta_e_2000(colour.lab, colour.lab + wider * drawn), SHARE))


def _contrast(below: Colour, colour: Colour, freedom: int) -> Contrast:
    # What one film's reading is off by moves both colours alike, so the difference knows better than either.
    covariance = np.cov((colour.draws - below.draws).T) + colour.beside + below.beside
    seen, low, high = interval(below.lab, colour.lab, covariance[None], freedom)
    dL = float(colour.lab[0] - below.lab[0])
    half = float(coverage_factor(freedom) * np.sqrt(covariance[0, 0]))
    return Contrast(float(seen[0]), float(low[0]), float(high[0]), dL, dL - half, dL + half)


def _warnings(shelf: Shelf, pens: Sequence[Pen]) -> list[str]:
    said = [*shelf.warnings]
    white = shelf.drawer.sessions[-1].white
    if white is None or white.kind != "paper":
        said.append(
            "The table has no row of the bare paper, so its lightest ink stands for that, and all this is rough."
        )
    for pen in dict.fromkeys(pens):
        if pen.marker in shelf.avoid:
            said.append(f"{pen.called} {shelf.avoid[pen.marker]}, so take its colour here with care.")
        if 1 not in pen.coats:
            said.append(f"{pen.called} was read in two coats only; one coat of it is estimated from those.")
    return said


def mean_miss(paper: Paper) -> float | None:
    """Return how far measured overlays were from what the table without them says, dE00 in the mean; None without any."""
    misses = [one.miss for one in paper.overlays.values()]
    return float(np.mean(misses)) if misses else None
