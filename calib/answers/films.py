"""A row of a table as the answers take it: colour, light, doubt, and the way it goes with more or less ink."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.colour.colorimetry import lab_to_xyz, linear_to_xyz, xyz_to_lab, xyz_to_linear
from calib.colour.difference import local_scale
from calib.colour.dose import DoseCurve, dose_curve
from calib.table.flags import FLAGS
from calib.table.sessions import Session
from calib.table.table import Reading

Array = NDArray[np.float64]

# A hand lays 2 or 3 per cent more or less ink from swatch to swatch (measured before the start); a table that states no
# doubt is taken to be as uncertain as that, and besides by so much dE00 in every direction (1 sd): two equal colours, of
# which only one states no doubt, may then be 0.9 apart (chi squared, 3 degrees of freedom), so nobody can call them the same.
ASSUMED_DOSE = 0.025
ASSUMED_REST = 0.3
# What doubt is left beside the dose's is small and found as a difference of two large figures, so it is no less than
# this in Lab units, and than this share of the dose's whole length.
LEAST_REST = 0.05
LEAST_SHARE = 0.05
PREDICTED = "is only predicted on that paper"
# Light below this is noise; ratios of it mean nothing.
LEAST_LIGHT = 1e-3


@dataclass(frozen=True, eq=False)
class Film:
    """One row with a colour that may be compared.

    lab, linear: (3,) as measured; light comes from the colour where the table has none. along: (3,) how lab changes per relative
    change of the amount of ink. covariance: (3, 3) of lab. u_dose: relative standard uncertainty of the amount. amount: ink in
    amounts of the marker's one coat (1 where this is the only one). curve: the marker's dose curve in this session.
    """

    reading: Reading
    lab: Array
    linear: Array
    along: Array
    covariance: Array
    u_dose: float
    amount: float
    curve: DoseCurve

    def lab_of(self, light: ArrayLike) -> Array:
        """Return Lab (n, 3) of light (n, 3) not far from this row's, as this table's scanner model would."""
        return lab_near(self.lab, self.linear, np.atleast_2d(np.asarray(light, dtype=float)))


@dataclass(frozen=True)
class Left:
    """A row that was left out, and why, in words that follow 'because it'."""

    marker: str
    name: str
    layers: int
    why: str


@dataclass(frozen=True)
class Films:
    """What may be compared of one session, by marker and layers, and what may not.

    paper: (3,) linear light of the bare paper. assumed: how many rows stated no doubt.
    """

    session: Session
    paper: Array
    by_key: dict[tuple[str, int], Film] = field(default_factory=dict)
    left: tuple[Left, ...] = ()
    assumed: int = 0


def lab_near(lab: Array, linear: Array, light: Array) -> Array:
    """Return Lab (n, 3) of light (n, 3), given that linear (3,) has the colour lab (3,).

    A scanner's colour model is not in its table. Near a colour it is well replaced by the ratio of what
    the default matrix makes of both lights.
    """
    # One floor for both, so that the light that has the colour keeps it, however dark it is.
    ratio = np.maximum(linear_to_xyz(light), LEAST_LIGHT) / np.maximum(linear_to_xyz(linear), LEAST_LIGHT)
    return xyz_to_lab(lab_to_xyz(lab) * ratio)


def light_of(reading: Reading) -> Array:
    """Return the linear light (3,) of a row that has a colour; from the colour where the table has none."""
    if reading.linear is not None:
        return np.array(reading.linear)
    return xyz_to_linear(lab_to_xyz(np.array(reading.lab, dtype=float)))


def films_of(session: Session, blenders: bool = False, lost: bool = False) -> Films:
    """Return the comparable rows of a session; fluorescent, clipped, blank rows and the like are left out and named.

    blenders: whether a colourless blender's rows count. lost: whether rows count whose flags take their colour away, as long as there is
    one. Raises nothing: a session without a single comparable row is empty.
    """
    white = session.white
    # The lightest ink may stand for the paper, and one outside the primaries has no light in some channel.
    paper = (
        np.maximum(light_of(white), LEAST_LIGHT)
        if white is not None and white.lab is not None
        else np.ones(3)
    )
    left, keys = [], []
    for key, row in session.by_key.items():
        why = _why_not(row, blenders, lost)
        if why:
            left.append(Left(row.marker, row.name, row.layers, why))
        else:
            keys.append(key)
    films = _films(session, keys, paper)
    assumed = sum(_stated(session.by_key[key]) is None for key in keys)
    return Films(session, paper, films, tuple(left), assumed)


def measured(films: Films) -> Films:
    """Return films without those that were predicted: they would only repeat what the prediction took for granted."""
    rows = {key: film.reading for key, film in films.by_key.items() if "predicted" in film.reading.flags}
    left = [Left(row.marker, row.name, row.layers, PREDICTED) for row in rows.values()]
    kept = {key: film for key, film in films.by_key.items() if key not in rows}
    return replace(films, by_key=kept, left=(*films.left, *left))


def _why_not(row: Reading, blenders: bool, anything: bool) -> str:
    if row.kind == "blender" and not blenders:
        return "is a blender without a colour of its own"
    if row.kind == "overlay":
        return "is one ink over another and no pen"
    lost = [flag for flag in row.flags if flag in FLAGS and not FLAGS[flag].keeps_colour]
    if lost and not (anything and row.lab is not None):
        return f"is flagged {' and '.join(lost)}"
    return "" if row.lab is not None else "could not be read"


def _films(session: Session, keys: Sequence[tuple[str, int]], paper: Array) -> dict[tuple[str, int], Film]:
    """Return the films of these rows of a session; the ways they go are found for all at once, which is quicker."""
    if not keys:
        return {}
    rows = [session.by_key[key] for key in keys]
    linear = {key: light_of(row) for key, row in zip(keys, rows, strict=True)}
    curves = _curves(linear, paper)
    lab, light = np.array([row.lab for row in rows], dtype=float), np.array(list(linear.values()))
    slope = np.array([curves[key][0].slope(curves[key][1])[0] for key in keys])
    step = 0.02
    ends = lab_near(
        lab[:, None], light[:, None], light[:, None] + step * np.array([[-0.5], [0.5]]) * slope[:, None]
    )
    along = (ends[:, 1] - ends[:, 0]) / step
    rests = _assumed_rests(rows, lab)
    films = {}
    for i, (key, row) in enumerate(zip(keys, rows, strict=True)):
        curve, amount = curves[key]
        u_dose = _dose_doubt(row, along[i])
        covariance = _covariance(row, along[i], u_dose, rests.get(i))
        films[key] = Film(row, lab[i], linear[key], along[i], covariance, float(u_dose), amount, curve)
    return films


def _curves(
    linear: dict[tuple[str, int], Array], paper: Array
) -> dict[tuple[str, int], tuple[DoseCurve, float]]:
    """Return the dose curve of each row's marker and the row's amount of ink on it."""
    found = {}
    for marker in dict.fromkeys(marker for marker, _ in linear):
        coats = [n for n in (1, 2) if (marker, n) in linear]
        curve = dose_curve(paper, [linear[marker, n] for n in coats])
        for i, n in enumerate(coats):
            if len(curve.amounts) == len(coats):
                found[marker, n] = curve, float(curve.amounts[i])
            else:
                # The second coat did not go along any curve with the first, so each has the plain line through itself.
                found[marker, n] = dose_curve(paper, [linear[marker, n]]), 1.0
    return found


def _stated(row: Reading) -> Array | None:
    """Return (3,) u_L, u_a, u_b of a row, None where it does not state all of them."""
    if row.u_L is None or row.u_a is None or row.u_b is None:
        return None
    return np.array([row.u_L, row.u_a, row.u_b])


def _dose_doubt(row: Reading, along: Array) -> float:
    """Return the relative standard uncertainty of the amount of ink; where it is not known an assumed one.

    A row that states the doubt of its colour has no more doubt of its amount than makes all of that.
    """
    if row.u_dose is not None:
        return row.u_dose
    if row.kind == "blender":
        return 0.0
    stated = _stated(row)
    if stated is None:
        return ASSUMED_DOSE
    return min(ASSUMED_DOSE, float(np.linalg.norm(stated) / max(float(np.linalg.norm(along)), 1e-9)))


def _assumed_rests(rows: Sequence[Reading], lab: Array) -> dict[int, Array]:
    """Return (3, 3) what is assumed beside the dose's doubt for those of the rows that state none, by their place; lab: (n, 3)."""
    silent = [i for i, row in enumerate(rows) if _stated(row) is None]
    if not silent:
        return {}
    return dict(zip(silent, ASSUMED_REST**2 * np.linalg.inv(local_scale(lab[silent])), strict=True))


def _covariance(row: Reading, along: Array, u_dose: float, assumed: Array | None) -> Array:
    """Return (3, 3): the doubt of the dose along its way, and what the stated doubts hold beyond it, on each axis.

    assumed: (3, 3) what is taken for the latter where the row states no doubt.
    """
    stated = _stated(row)
    if stated is None:
        rest = np.asarray(assumed)
    else:
        least = np.hypot(LEAST_REST, LEAST_SHARE * u_dose * np.linalg.norm(along))
        rest = np.diag(np.maximum(stated**2 - (u_dose * along) ** 2, least**2))
    return np.asarray(u_dose**2 * np.outer(along, along) + rest)


def left_words(left: Sequence[Left], most: int = 8) -> list[str]:
    """Return sentences on what was left out, markers of one reason together."""
    reasons: dict[str, list[str]] = {}
    once = {(one.marker, one.why) for one in left if one.layers == 1}
    for one in left:
        named = f"{one.marker} ({one.layers} coats)" if one.layers == 2 else one.marker
        if one.layers != 2 or (one.marker, one.why) not in once:
            # A pen that was left out in one coat and in two for one reason is named once.
            reasons.setdefault(one.why, []).append(named)
    lines = []
    for why, names in reasons.items():
        more = f" and {len(names) - most} more" if len(names) > most else ""
        said = _plural(why) if len(names) > 1 else why
        lines.append(f"Left out: {', '.join(names[:most])}{more}, which {said}.")
    return lines


def _plural(why: str) -> str:
    if why.startswith("is a blender"):
        return "are blenders without a colour of their own"
    if why.startswith("is one ink over another"):
        return "are inks over one another and no pens"
    return f"are {why[3:]}" if why.startswith("is ") else why
