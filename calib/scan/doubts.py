"""How sure a row is: the hand's scatter learnt from repeats, and every doubt carried into Lab.

What a hand does differently from swatch to swatch is nearly all a matter of more or less ink, so it moves a
colour along its marker's own dose curve. That scatter is one relative number for the whole table;
a small round rest stands for everything else that tells two swatches of one ink apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import delta_e_2000
from calib.colour.uncertainty import DRAWS, Repeats, Scatter, normal_draws, propagate, scatter_along
from calib.scan.groups import Group
from calib.scan.scanner import Scanner
from calib.scan.tone import Tone

Array = NDArray[np.float64]

# A hand lays 2 or 3 per cent more or less ink from swatch to swatch (measured before the start);
# where a table has no repeats, this is assumed.
ASSUMED_SCATTER = 0.025
# What is left over off the dose curve, relative to light, where nothing was measured (from simulated
# scans); near black it is relative to this much light instead.
ASSUMED_REST = 0.001
REST_LIGHT = 0.01
# A dose curve points a little past the way in which a colour really runs: by this share of the way, in the root
# mean square (measured on films computed from spectra, as three scanners see them: tests/colour/test_dose.py).
ASTRAY = 0.03
# Repeats farther apart than a hand explains: in dE00, and in standard deviations of the dose.
REPEATS_DE00 = 4.0
REPEATS_SIGMA = 4.0


@dataclass(frozen=True)
class Sheets:
    """What all pages have in common: light (3,) of bare paper and of the printer's black, and how sure light is.

    tones: the pages' tone curves. u_gain: relative standard uncertainty of the illumination at a place. pixels: how many
    tiles of paper were read. photo: whether any page was photographed; the light on its strip then errs by itself, and another
    photograph does not share that.
    """

    paper: Array
    black: Array | None
    tones: tuple[Tone, ...]
    u_gain: float
    pixels: int
    photo: bool = False

    def u_common(self, light: Array) -> Array:
        """Return what moves the three channels of light (..., 3) alike from session to session: standard uncertainty (..., 3).

        It is the lamp at a place; in a photograph also the light on the strip.
        """
        tone = np.mean([np.square(tone.u(light)) for tone in self.tones], axis=0) if self.photo else 0.0
        return np.asarray(np.sqrt(tone + (self.u_gain * light) ** 2))

    def u_apart(self, light: Array) -> Array:
        """Return what moves each channel of light (..., 3) by itself from session to session: standard uncertainty (..., 3).

        It is the noise of the strip's readings. What the strip's file is off by moves all sessions with that strip alike.
        """
        if self.photo:
            return np.zeros_like(light)
        return np.asarray(np.sqrt(np.mean([np.square(tone.u_again(light)) for tone in self.tones], axis=0)))

    def u_tone(self, light: Array) -> Array:
        """Return the standard uncertainty (..., 3) of light (..., 3) by the strip, what its file is off by included."""
        return np.asarray(np.sqrt(np.mean([tone.u(light) ** 2 for tone in self.tones], axis=0)))


@dataclass(frozen=True)
class HandScatter:
    """How swatches of one ink differ: dose, the amount of ink, relative; rest, off the dose curve.

    rest is a relative standard deviation of light (plus REST_LIGHT), alike in all channels.
    """

    dose: Scatter
    rest: float


@dataclass(frozen=True)
class Doubt:
    """Standard uncertainties of a row: u_lab (3,) in L*a*b* units, u_dose relative (of an overlay, of either ink), u_abs in dE00."""

    u_lab: Array
    u_dose: float
    u_abs: float


def repeats_differ(group: Group, scatter: float, scanner: Scanner) -> bool:
    """Tell whether a group's swatches are farther apart than a hand of this scatter explains."""
    if len(group.linear) < 2 or group.marker.kind == "blender":
        return False
    lab = scanner.to_lab(group.linear)
    widest = max(float(delta_e_2000(lab[i], lab[i + 1 :]).max()) for i in range(len(lab) - 1))
    # An overlay's two inks may both be at their ends, on either side.
    ends = np.array(list(product((-1, 1), repeat=group.inks))) * REPEATS_SIGMA * scatter
    by_hand = scanner.to_lab(group.light_with(ends))
    return widest > max(REPEATS_DE00, float(delta_e_2000(by_hand, by_hand[::-1]).max()))


def hand_scatter(groups: Sequence[Group], scanner: Scanner) -> HandScatter:
    """Pool the scatter over all repeats that are swatches of one ink, else assume it."""
    alike = [
        group
        for group in groups
        if group.shows_ink and len(group.linear) > 1 and not repeats_differ(group, ASSUMED_SCATTER, scanner)
    ]
    found = scatter_along([_repeats(group) for group in alike])
    return HandScatter(*found) if found else HandScatter(Scatter(ASSUMED_SCATTER, 0), ASSUMED_REST)


def _scale(film: Array) -> Array:
    """Return the light (3,) that the rest is relative to."""
    return np.asarray(np.maximum(film, 0) + REST_LIGHT)


def _repeats(group: Group) -> Repeats:
    scale = _scale(group.film)
    along = group.curve.slope(group.amount)[0] / scale
    known = np.diag((_noise(group) / scale) ** 2) + _within(group) ** 2 * np.outer(along, along)
    lit = group.film / scale * np.sqrt(np.mean([swatch.u_light**2 for swatch in group.swatches]))
    known += np.outer(lit, lit)
    return Repeats((group.linear - group.film) / scale, along, known)


def _noise(group: Group) -> Array:
    """Return the standard uncertainty (3,) of one swatch's light from the noise of its pixels."""
    return np.asarray(np.sqrt(np.mean([patch.u_linear**2 for patch in group.patches], axis=0)))


def _light(group: Group, sheets: Sheets) -> float:
    """Return what the light of a group's swatches is less sure than the page's, relative."""
    own = float(np.mean([swatch.u_light**2 for swatch in group.swatches]))
    return float(np.sqrt(max(0.0, own - sheets.u_gain**2)))


def _within(group: Group) -> float:
    """Return the relative standard uncertainty of one swatch's amount of ink, as its own cell shows it."""
    return float(np.sqrt(np.mean([patch.u_dose**2 for patch in group.patches])))


def doubts_of(groups: Sequence[Group], scatter: HandScatter, sheets: Sheets, scanner: Scanner) -> list[Doubt]:
    """Return the doubt of every group's mean, by Monte Carlo over dose, noise, tone and lighting."""
    if not groups:
        return []
    z = normal_draws(DRAWS, 8)
    # The second ink of an overlay varies by itself.
    doses_drawn = np.column_stack([z[:, 0], normal_draws(DRAWS, 1, seed=1)])
    draws, doses = [], []
    for group in groups:
        n = len(group.linear)
        blender = group.marker.kind == "blender"
        u_dose = 0.0 if blender else float(np.hypot(scatter.dose.sd, _within(group)) / np.sqrt(n))
        light = group.light_with(u_dose * doses_drawn[:, : group.inks])
        lit = _light(group, sheets) * group.film
        light += (
            np.hypot(sheets.u_common(group.film), lit) * z[:, 1:2]
            + np.hypot(sheets.u_apart(group.film), _noise(group) / np.sqrt(n)) * z[:, 2:5]
        )
        scale = _scale(group.film)
        astray = ASTRAY * u_dose * np.linalg.norm(group.way() / scale)
        light += scale * np.hypot(scatter.rest / np.sqrt(n), astray) * z[:, 5:8]
        draws.append(light)
        doses.append(u_dose)
    u_lab = propagate(scanner.to_lab, np.array(draws))
    films = np.array([group.film for group in groups])
    return [
        Doubt(u, dose, float(whole))
        for u, dose, whole in zip(u_lab, doses, u_abs(films, u_lab, sheets, scanner), strict=True)
    ]


def u_abs(films: Array, u_lab: Array, sheets: Sheets, scanner: Scanner) -> Array:
    """Return the standard uncertainty (n,) in dE00 of the colours themselves of films (n, 3).

    The reading's own, u_lab (n, 3), what the strip's file may be off by, and the scanner's colour error.
    """
    z = normal_draws(DRAWS, 1)
    tone = propagate(scanner.to_lab, films[:, None] + sheets.u_tone(films)[:, None] * z)
    # Off greys a length in L*a*b* is more than one in dE00, so that this is rather too much than too little.
    reading = np.sum(u_lab**2 + tone**2, axis=1)
    return np.asarray(np.sqrt(reading + scanner.u_abs(films) ** 2))
