"""A planned picture judged: contrast inside areas and between them, what ties it together, and pens in trouble with their stand-ins.

It rests on common practice: form is carried by differences in lightness, neighbouring areas part by lightness first, and a few colours that come
back in several areas tie a picture together. The figures beside are our own choice where no source is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.answers.between import MOST_FREEDOM
from calib.answers.doubles.groups import USUALLY_ACCEPTED
from calib.answers.doubles.pens import Pen
from calib.answers.matching.nearest import STILL_ACCEPTED, Match, match
from calib.answers.matching.target import as_the_pen
from calib.answers.scene.planfile import Area, Plan
from calib.answers.shelf import Shelf
from calib.colour.colorimetry import delta_e_2000
from calib.colour.difference import interval
from calib.colour.uncertainty import coverage_factor, joint_freedom
from calib.errors import CalibError, InputError
from calib.files import shorten

Array = NDArray[np.float64]

# From the darkest tone of an area to its lightest; with less its form looks flat.
FORM_L = 20.0
# Neighbours whose middles are this far apart in lightness part by themselves.
PART_L = 10.0
# A picture whose darkest and lightest are closer than this looks grey all over.
PICTURE_L = 50.0
STAND_INS = 2
MISSING = "is not in the table"


@dataclass(frozen=True, eq=False)
class Tone:
    """One pen of an area as it is laid: the area goes from two coats of its darkest to one coat of its lightest."""

    pen: Pen
    lab: Array
    hex: str | None


@dataclass(frozen=True, eq=False)
class Judged:
    """One area. tones: its pens with a colour, dark to light in one coat. span: L* from its darkest (two coats where measured) to its lightest, u_span its
    standard uncertainty, None without a colour. middle: (3,) mean Lab in one coat, covariance of it (3, 3). lost: ids without a colour here.
    """

    area: Area
    tones: tuple[Tone, ...]
    span: float | None
    u_span: float
    middle: Array | None
    covariance: Array
    freedom: float
    lost: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """Return 'flat', 'form', or 'unsure' where doubt spans the limit; '' without a colour."""
        if self.span is None:
            return ""
        reach = float(coverage_factor(self.freedom)) * self.u_span
        return "form" if self.span - reach >= FORM_L else "flat" if self.span + reach < FORM_L else "unsure"


@dataclass(frozen=True)
class Border:
    """Two areas that touch: how far their middles are apart, with the 95 per cent interval of dE00, and a verdict."""

    one: str
    two: str
    dL: float
    dE00: float
    low: float
    high: float

    @property
    def verdict(self) -> str:
        """Return 'parts' by lightness, 'hue' where only the colour parts them, 'runs together', or 'unsure'."""
        if self.high <= STILL_ACCEPTED:
            return "runs together"
        if abs(self.dL) >= PART_L:
            return "parts"
        return "hue" if self.low > STILL_ACCEPTED else "unsure"


@dataclass(frozen=True, eq=False)
class Trouble:
    """A pen of the plan that cannot be counted on: why, in words, where it is used, and what stands in for it."""

    marker: str
    name: str
    why: str
    areas: tuple[str, ...]
    stand_ins: tuple[Match, ...]


@dataclass(frozen=True)
class Double:
    """Two pens of the plan that are near-duplicates, with their largest dE00 over the coats that both have."""

    one: str
    two: str
    dE00: float


@dataclass(frozen=True, eq=False)
class Scene:
    """The whole answer. shared: pens used in several areas, by id with these; lightest, darkest: L* of the whole picture, None without a colour."""

    shelf: Shelf
    plan: Plan
    areas: tuple[Judged, ...]
    borders: tuple[Border, ...]
    shared: dict[str, tuple[str, ...]]
    doubles: tuple[Double, ...]
    troubles: tuple[Trouble, ...]
    lightest: float | None
    darkest: float | None


def judge_scene(shelf: Shelf, plan: Plan) -> Scene:
    """Judge the plan of a picture with the pens of a shelf; a marker that the table does not have is a trouble, and no error.

    Raises InputError where it has none of them: then the plan was made for another table, or its ids have changed.
    """
    planned = list(dict.fromkeys(marker for area in plan.areas for marker in area.markers))
    if not any(shelf.is_known(marker) for marker in planned):
        what = f"names no marker that {shelf.file} has, such as '{shorten(planned[0])}'"
        raise InputError.of(plan.path, what, shelf.near(planned[0]))
    pens = {pen.marker: pen for pen in shelf.pens}
    areas = tuple(_area(area, pens) for area in plan.areas)
    by_name = {judged.area.name: judged for judged in areas}
    borders = [_border(by_name[one.name], by_name[two.name]) for one, two in plan.touching()]
    used: dict[str, list[str]] = {}
    for area in plan.areas:
        for marker in area.markers:
            used.setdefault(marker, []).append(area.name)
    ends = [(judged.tones[0].pen, judged.tones[-1].pen) for judged in areas if judged.tones]
    dark = [min(float(t.film.lab[0]) for t in one.coats.values()) for one, _ in ends]
    light = [max(float(t.film.lab[0]) for t in two.coats.values()) for _, two in ends]
    return Scene(
        shelf,
        plan,
        areas,
        tuple(border for border in borders if border is not None),
        {m: tuple(names) for m, names in used.items() if len(names) > 1 and shelf.is_known(m)},
        tuple(_doubles([pens[m] for m in used if m in pens])),
        tuple(_trouble(shelf, marker, tuple(names)) for marker, names in used.items() if _why(shelf, marker)),
        max(light, default=None),
        min(dark, default=None),
    )


def _area(area: Area, pens: dict[str, Pen]) -> Judged:
    own = [pens[marker] for marker in area.markers if marker in pens]
    lost = tuple(marker for marker in area.markers if marker not in pens)
    taken = {pen.marker: pen.coats[min(pen.coats)] for pen in own}
    own.sort(key=lambda pen: float(taken[pen.marker].film.lab[0]))
    tones = tuple(Tone(pen, taken[pen.marker].film.lab, taken[pen.marker].film.reading.hex) for pen in own)
    if not own:
        return Judged(area, (), None, 0.0, None, np.zeros((3, 3)), 0.0, lost)
    swatches = [one for pen in own for one in pen.coats.values()]
    dark = min(swatches, key=lambda one: float(one.film.lab[0]))
    light = max(swatches, key=lambda one: float(one.film.lab[0]))
    firsts = [taken[pen.marker] for pen in own]
    u = [float(np.sqrt(np.trace(one.film.covariance))) for one in firsts]
    return Judged(
        area,
        tones,
        float(light.film.lab[0] - dark.film.lab[0]),
        float(np.sqrt(dark.film.covariance[0, 0] + light.film.covariance[0, 0])),
        np.mean([one.film.lab for one in firsts], axis=0),
        np.sum([one.film.covariance for one in firsts], axis=0) / len(firsts) ** 2,
        float(np.minimum(joint_freedom(u, [one.freedom for one in firsts]), MOST_FREEDOM)),
        lost,
    )


def _border(one: Judged, two: Judged) -> Border | None:
    if one.middle is None or two.middle is None:
        return None
    freedom = min(one.freedom or MOST_FREEDOM, two.freedom or MOST_FREEDOM)
    seen, low, high = interval(one.middle, two.middle, (one.covariance + two.covariance)[None], freedom)
    return Border(
        one.area.name,
        two.area.name,
        float(two.middle[0] - one.middle[0]),
        float(seen[0]),
        float(low[0]),
        float(high[0]),
    )


def _doubles(pens: Sequence[Pen]) -> list[Double]:
    found = []
    for i, one in enumerate(pens):
        for two in pens[i + 1 :]:
            coats = [n for n in one.coats if n in two.coats]
            apart = [float(delta_e_2000(one.coats[n].film.lab, two.coats[n].film.lab)) for n in coats]
            if apart and max(apart) <= USUALLY_ACCEPTED:
                found.append(Double(one.marker, two.marker, max(apart)))
    return sorted(found, key=lambda double: double.dE00)


def _why(shelf: Shelf, marker: str) -> str:
    """Return why a marker cannot be counted on, in words that follow 'because it'; '' where it can."""
    if marker in shelf.avoid:
        return shelf.avoid[marker]
    if any(pen.marker == marker for pen in shelf.pens):
        return ""
    why = next((one.why for one in shelf.left if one.marker == marker), "")
    return why or MISSING


def _trouble(shelf: Shelf, marker: str, areas: tuple[str, ...]) -> Trouble:
    name = next((pen.name for pen in shelf.pens if pen.marker == marker), "")
    name = name or next((one.name for one in shelf.left if one.marker == marker), "")
    found: tuple[Match, ...] = ()
    # Without a colour there is nothing to match; the words say so.
    with suppress(CalibError):
        found = match(shelf, as_the_pen(shelf, marker), STAND_INS).found
    return Trouble(marker, name, _why(shelf, marker), areas, found)
