"""Known values in: the grey strip that a scan's tones are measured against."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import Array, lab_to_xyz, linear_to_xyz, xyz_to_lab, xyz_to_linear
from calib.errors import InputError, Problem, raise_all
from calib.files import Row, Rows, read_rows, shorten

# A tone curve through fewer steps than this is a guess.
FEWEST_STEPS = 5
MOST_STEPS = 200
# Reflection prints hardly exceed 2.2 and transmission film 4 (common practice).
MOST_DENSITY = 5.0
# Steps nearer than this are one step for any instrument, and sums of decimals carry their own dust.
LEAST_CHANGE = 0.0005
# Below this span of density the dark half of every ink would lie outside the strip.
LEAST_SPAN = 0.8
# Neutral photographic paper stays within a few units of a* and b* (common practice); a step with
# more colour than this is a patch of a colour card.
MOST_CHROMA_AXIS = 12.0
MOST_WIDTH_MM = 1000.0


@dataclass(frozen=True, eq=False)
class Strip:
    """A grey strip of n steps in the order of its file, light to dark or dark to light.

    name: file name without folders. kind: 'density' or 'Lab', how its values were given.
    labels: what its steps are called. linear: (n, 3) linear, white-balanced RGB that each step
    should read, a perfect white = 1. widths: (n,) share of the strip's length, summing to 1.
    warnings: sentences for the user about values that are allowed but odd.
    """

    name: str
    kind: str
    labels: tuple[str, ...]
    linear: Array
    widths: Array
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for array in (self.linear, self.widths):
            array.setflags(write=False)

    @property
    def xyz(self) -> Array:
        """(n, 3) XYZ under D50, Y of a perfect white = 1."""
        return linear_to_xyz(self.linear)

    @property
    def lab(self) -> Array:
        """(n, 3) CIE L*a*b* under D50 and the 2 degree observer."""
        return xyz_to_lab(self.xyz)

    @property
    def density(self) -> Array:
        """(n,) optical density, -log10 of Y."""
        return np.asarray(-np.log10(self.xyz[:, 1]))

    def only(self, chosen: NDArray[np.bool_]) -> Strip:
        """Return the strip's chosen steps, (n,) bool; their widths stay shares of the whole strip."""
        labels = tuple(label for label, taken in zip(self.labels, chosen, strict=True) if taken)
        return Strip(self.name, self.kind, labels, self.linear[chosen], self.widths[chosen], self.warnings)

    def reversed(self) -> Strip:
        """Return the strip read from its other end."""
        return Strip(
            self.name,
            self.kind,
            self.labels[::-1],
            self.linear[::-1].copy(),
            self.widths[::-1].copy(),
            self.warnings,
        )


@dataclass(frozen=True)
class _Step:
    """One step as its row gives it; density is None where the row has a mistake."""

    line: int
    label: str
    density: float | None
    lab: tuple[float, ...] | None
    base: float | None
    width: float | None


def read_strip(path: Path) -> Strip:
    """Read a grey strip file; raise InputError with every mistake of the file.

    Columns: step, and either density (absolute, -log10 of reflectance, plus base_density where
    that column is there) or L, a, b (D50, 2 degree observer); optionally width_mm per step.
    Other columns are ignored.
    """
    rows = read_rows(Path(path), required=("step",), wanted="strip")
    kind = _kind(rows)
    columns = ("L", "a", "b") if kind == "Lab" else ("density",)
    problems: list[Problem] = []
    steps: list[_Step] = []
    for row in rows.rows:
        step, found = _step(rows, row, columns)
        steps.append(step)
        problems += [Problem(rows.path, row.line, message) for message in found]
    problems += [Problem(rows.path, line, message) for line, message in _labels(steps)]
    problems += [Problem(rows.path, line, message) for line, message in _optional(steps)]
    if all(step.density is not None for step in steps):
        problems += [Problem(rows.path, line, message) for line, message in _scale(steps)]
    raise_all(sorted(problems, key=lambda problem: problem.line or math.inf))
    return _strip(rows.path.name, kind, steps)


def _kind(rows: Rows) -> str:
    """Return 'density' or 'Lab', whichever columns hold anything."""
    given = rows.filled(("density", "L", "a", "b"))
    if not rows.rows:
        raise InputError.of(rows.path, "names no steps", "Give one row per step below the header row.")
    if not given:
        raise InputError.of(rows.path, "gives no values", "Give each step a density, or L, a and b.")
    if "density" in given and len(given) > 1:
        raise InputError.of(
            rows.path, f"gives both density and {', '.join(given[1:])}", "Keep the one that was measured."
        )
    if given[0] != "density" and len(given) < 3:
        missing = ", ".join(name for name in ("L", "a", "b") if name not in given)
        raise InputError.of(
            rows.path, f"gives {', '.join(given)} but not {missing}", "Give all of L, a and b."
        )
    return "density" if given[0] == "density" else "Lab"


def _step(rows: Rows, row: Row, columns: tuple[str, ...]) -> tuple[_Step, list[str]]:
    values, problems = rows.numbers(row, columns, ("base_density", "width_mm"))
    base, width = values.get("base_density"), values.get("width_mm")
    if base is not None and columns != ("density",):
        problems.append("gives a base_density, which only densities can have")
    if width is not None and not 0 < width <= MOST_WIDTH_MM:
        problems.append(f"has the width {width:g} mm; it must be above 0 and at most {MOST_WIDTH_MM:g}")
    known = [values[name] for name in columns if name in values]
    density = None
    if len(known) == len(columns) and not problems:
        problems += _lab_problems(known) if len(known) == 3 else _density_problems(known[0], base)
        if not problems:
            density = -math.log10(lab_to_xyz(known)[1]) if len(known) == 3 else known[0] + (base or 0.0)
    lab = tuple(known) if len(known) == 3 else None
    return _Step(row.line, row.cells["step"].strip(), density, lab, base, width), problems


def _density_problems(density: float, base: float | None) -> list[str]:
    total = density + (base or 0.0)
    if 0 <= total <= MOST_DENSITY:
        return []
    hint = (
        ""
        if total > 0
        else "; where densities count from the strip's own white, give its density as base_density"
    )
    return [f"has the density {total:g}, which is outside 0 to {MOST_DENSITY:g}{hint}"]


def _lab_problems(lab: list[float]) -> list[str]:
    lightness, a, b = lab
    if not 0 < lightness <= 100:
        return [f"has L = {lightness:g}, which is outside 0 to 100"]
    if max(abs(a), abs(b)) > MOST_CHROMA_AXIS or float(np.min(xyz_to_linear(lab_to_xyz(lab)))) <= 0:
        return [f"is no grey (a = {a:g}, b = {b:g}), so this is not a grey strip"]
    return []


def _labels(steps: list[_Step]) -> Iterator[tuple[int, str]]:
    first: dict[str, int] = {}
    for step in steps:
        if not step.label:
            yield step.line, "has no step name"
        elif first.setdefault(step.label, step.line) != step.line:
            yield step.line, f"repeats the step '{shorten(step.label)}' of line {first[step.label]}"


def _optional(steps: list[_Step]) -> Iterator[tuple[int, str]]:
    """Yield where an optional column is filled for some steps only, which may mean anything."""
    for name, values in (
        ("base_density", [step.base for step in steps]),
        ("width_mm", [step.width for step in steps]),
    ):
        missing = [step.line for step, value in zip(steps, values, strict=True) if value is None]
        if 0 < len(missing) < len(steps):
            yield missing[0], f"has no {name}, which other steps have; give it for every step or for none"


def _scale(steps: list[_Step]) -> Iterator[tuple[int, str]]:
    """Yield why steps that are each readable make no scale of tones."""
    if not FEWEST_STEPS <= len(steps) <= MOST_STEPS:
        yield 0, f"has {len(steps)} steps; a tone scale has {FEWEST_STEPS} to {MOST_STEPS}"
        if len(steps) > MOST_STEPS:
            return
    densities = [step.density or 0.0 for step in steps]
    darker = densities[-1] > densities[0]
    for earlier, step in itertools.pairwise(steps):
        change = (step.density or 0.0) - (earlier.density or 0.0)
        if abs(change) < LEAST_CHANGE:
            yield (
                step.line,
                f"is as dark as the step of line {earlier.line}; every step must differ from the last",
            )
        elif (change > 0) != darker:
            wrong = f"is {'darker' if change > 0 else 'lighter'} than the step of line {earlier.line}"
            yield (
                step.line,
                f"{wrong}, while the strip runs from {'light to dark' if darker else 'dark to light'}",
            )
    span = max(densities) - min(densities)
    if span < LEAST_SPAN:
        yield (
            0,
            f"spans {span:.2f} of density from its lightest to its darkest step; {LEAST_SPAN:g} is the least",
        )


def _strip(name: str, kind: str, steps: list[_Step]) -> Strip:
    if kind == "Lab":
        linear = xyz_to_linear(lab_to_xyz([step.lab or () for step in steps]))
    else:
        linear = np.repeat(10.0 ** -np.array([[step.density] for step in steps], dtype=float), 3, axis=1)
    widths = np.array([step.width or 1.0 for step in steps])
    warnings = []
    if min(step.density or 0.0 for step in steps) < 0.01:
        hint = "; where densities count from the strip's own white, give that white's density as base_density"
        warnings.append(
            f"{name}: its lightest step is as white as a perfect white, which no paper is"
            f"{hint if kind == 'density' else ''}"
        )
    return Strip(
        name, kind, tuple(step.label for step in steps), linear, widths / widths.sum(), tuple(warnings)
    )
