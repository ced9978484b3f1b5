"""Swatches to rows of the measured colour table: means, doubts and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.chart.markers import Marker
from calib.colour.colorimetry import delta_e_2000, lab_to_hex, lab_to_lch, xyz_to_lab
from calib.colour.dose import amount_between, with_amount
from calib.colour.uncertainty import DRAWS, Scatter, normal_draws, pooled, propagate
from calib.scan.scanner import Scanner
from calib.scan.swatch import Swatch
from calib.table.table import Reading

Array = NDArray[np.float64]

# Light that a reading can have: noise takes it below nothing, fluorescence above white.
LIGHT_RANGE = (-0.5, 5.0)
# A hand lays 2 or 3 per cent more or less ink from swatch to swatch (measured before the start);
# where a table has no repeats, this is assumed.
ASSUMED_SCATTER = 0.025
# What is left over off the dose curve, relative to light, where nothing was measured (from simulated
# scans); near black it is relative to this much light instead.
ASSUMED_REST = 0.002
REST_LIGHT = 0.01
# A scanner misses near-white paper by less than dyes; one dE00 is an assumption.
PAPER_ERROR = 1.0
# Repeats farther apart than a hand explains: in dE00, and in standard deviations of the dose.
REPEATS_DE00 = 4.0
REPEATS_SIGMA = 4.0
# A second coat that is lighter by more than this many L* was not a second coat.
LIGHTER_L = 1.0


@dataclass(frozen=True)
class Session:
    """What all rows of one measurement share: paper's name, date, colour model, words for each row."""

    paper: str
    date: str
    scanner: Scanner
    no_strip: bool = False
    forced: bool = False


@dataclass(frozen=True)
class Ground:
    """The bare paper and the printer's black over all pages: light (3,), and how sure it is.

    u_relative: relative standard uncertainty of light that lighting and tone leave in every reading.
    """

    paper: Array
    black: Array | None
    u_relative: float
    pixels: int


@dataclass(frozen=True)
class _Group:
    """All swatches of one marker and number of coats, those with colour apart."""

    marker: Marker
    layers: int
    swatches: tuple[Swatch, ...]
    linear: Array
    paper: Array


def rows_of(
    swatches: Sequence[Swatch], order: Sequence[Marker], ground: Ground, session: Session
) -> tuple[list[Reading], HandScatter]:
    """Return the rows, paper and black first, then markers in list order, and the hand's scatter."""
    groups = _groups(swatches, order)
    scatter = _scatter(groups, session.scanner)
    readable = [group for group in groups if len(group.linear)]
    doubts = _doubts(readable, scatter, ground, session.scanner)
    rows = _ground_rows(ground, session)
    paper_lab = session.scanner.to_lab(ground.paper)
    filled = {id(group): row for group, row in zip(readable, doubts, strict=True)}
    for group in groups:
        base = Reading(
            marker=group.marker.marker,
            layers=group.layers,
            paper=session.paper,
            session=session.date,
            name=group.marker.name,
            set=group.marker.set,
            kind=group.marker.kind,
        )
        if id(group) in filled:
            base = _with_colour(base, group, filled[id(group)], paper_lab, session)
        rows.append(replace(base, flags=_row_flags(base, group, scatter, session)))
    return _second_coats(rows), scatter


def _groups(swatches: Sequence[Swatch], order: Sequence[Marker]) -> list[_Group]:
    by_key: dict[tuple[str, int], list[Swatch]] = {}
    for swatch in swatches:
        by_key.setdefault((swatch.cell.marker, swatch.cell.layers), []).append(swatch)
    place = {marker.marker: i for i, marker in enumerate(order)}
    groups = []
    for (marker, layers), found in sorted(by_key.items(), key=lambda item: (place[item[0][0]], item[0][1])):
        # A page scanned twice shows each cell twice; a cell is one swatch however often it is read.
        by_cell: dict[str, list[Swatch]] = {}
        for swatch in found:
            if swatch.has_colour:
                by_cell.setdefault(swatch.cell.cell, []).append(swatch)
        linear = [np.mean([s.patch.linear for s in one if s.patch], axis=0) for one in by_cell.values()]
        paper = [np.mean([s.patch.paper for s in one if s.patch], axis=0) for one in by_cell.values()]
        groups.append(
            _Group(
                order[place[marker]],
                layers,
                tuple(found),
                np.array(linear).reshape(-1, 3),
                np.array(paper).reshape(-1, 3),
            )
        )
    return groups


def _amounts(group: _Group) -> Array:
    """Return each swatch's amount of ink relative to the group's mean: (n,)."""
    return amount_between(group.paper.mean(axis=0), group.linear.mean(axis=0), group.linear)


def _repeats_differ(group: _Group, scatter: float, scanner: Scanner) -> bool:
    """Tell whether a group's swatches are farther apart than a hand explains."""
    if len(group.linear) < 2 or group.marker.kind == "blender":
        return False
    lab = scanner.to_lab(group.linear)
    widest = max(float(delta_e_2000(lab[i], lab[i + 1 :]).max()) for i in range(len(lab) - 1))
    by_hand = with_amount(
        group.paper.mean(axis=0), group.linear.mean(axis=0), 1 + REPEATS_SIGMA * scatter * np.array([-1, 1])
    )
    low, high = scanner.to_lab(by_hand)
    return widest > max(REPEATS_DE00, float(delta_e_2000(low, high)))


@dataclass(frozen=True)
class HandScatter:
    """How swatches of one ink differ: dose, the amount of ink, relative; rest, off the dose curve.

    rest is a relative standard deviation of light (plus REST_LIGHT), alike in all channels.
    """

    dose: Scatter
    rest: float


def _scatter(groups: Sequence[_Group], scanner: Scanner) -> HandScatter:
    """Pool the scatter over all repeats that are swatches of one ink, else assume it."""
    alike = [
        group
        for group in groups
        if len(group.linear) > 1
        and group.marker.kind == "ink"
        and not any({"clipped", "half-filled", "fluorescent"} & set(s.flags) for s in group.swatches)
        and not _repeats_differ(group, ASSUMED_SCATTER, scanner)
    ]
    told = [(group, amounts) for group in alike if np.all(np.isfinite(amounts := _amounts(group)))]
    dose = pooled([amounts for _, amounts in told])
    if dose is None:
        return HandScatter(Scatter(ASSUMED_SCATTER, 0), ASSUMED_REST)
    off = np.concatenate(
        [
            (group.linear - with_amount(group.paper.mean(axis=0), group.linear.mean(axis=0), amounts))
            / (np.maximum(group.linear, 0) + REST_LIGHT)
            for group, amounts in told
        ]
    )
    # Robust, because the dose curve of an ink outside the file's gamut does not run as this one does.
    # Of the three channels of n swatches the dose and the mean have taken all but 2 (n - 1).
    rest = 1.4826 * float(np.median(np.abs(off))) * np.sqrt(off.size / (2 * dose.freedom))
    return HandScatter(dose, rest)


@dataclass(frozen=True)
class _Doubt:
    u_lab: Array
    u_dose: float
    u_abs: float


def _doubts(groups: Sequence[_Group], scatter: HandScatter, ground: Ground, scanner: Scanner) -> list[_Doubt]:
    """Return the doubt of every group's mean, by Monte Carlo over dose, noise and ground."""
    if not groups:
        return []
    z = normal_draws(DRAWS, 8)
    draws, doses = [], []
    for group in groups:
        n = len(group.linear)
        within = np.mean([s.patch.u_dose for s in group.swatches if s.has_colour and s.patch])
        noise = np.mean([s.patch.u_linear for s in group.swatches if s.has_colour and s.patch], axis=0)
        # The hand's scatter was measured between swatches, so it holds the doubt within them.
        u_dose = 0.0 if group.marker.kind == "blender" else max(scatter.dose.sd, float(within)) / np.sqrt(n)
        paper, film = group.paper.mean(axis=0), group.linear.mean(axis=0)
        light = with_amount(paper, film, np.maximum(1 + u_dose * z[:, 0], 0.0))
        light += film * ground.u_relative * z[:, 1:2] + noise / np.sqrt(n) * z[:, 2:5]
        light += (np.maximum(film, 0) + REST_LIGHT) * scatter.rest / np.sqrt(n) * z[:, 5:8]
        draws.append(light)
        doses.append(float(u_dose))
    u_lab = propagate(scanner.to_lab, np.array(draws))
    rough = np.sqrt((u_lab**2).mean(axis=1))
    return [
        _Doubt(u, dose, float(np.hypot(scanner.error, r)))
        for u, dose, r in zip(u_lab, doses, rough, strict=True)
    ]


def _colour(linear: Array, paper_lab: Array, scanner: Scanner) -> dict[str, Any]:
    """Return the columns that follow from a row's light."""
    linear = np.clip(linear, *LIGHT_RANGE)
    # Flare undone in a page without a strip can leave less than no light; there is no such colour.
    xyz = np.maximum(scanner.to_xyz(linear), 0.0)
    lab = xyz_to_lab(xyz)
    lch = lab_to_lch(lab)
    ((text, inside),) = lab_to_hex(lab[None])
    names = ("L", "a", "b", "C", "h", "R", "G", "B", "X", "Y", "Z")
    values = (*lab, lch[1], lch[2], *linear, *(xyz * 100))
    columns: dict[str, Any] = {name: float(value) for name, value in zip(names, values, strict=True)}
    return {**columns, "hex": text, "in_srgb": inside, "dE00_paper": float(delta_e_2000(lab, paper_lab))}


def _with_colour(base: Reading, group: _Group, doubt: _Doubt, paper_lab: Array, session: Session) -> Reading:
    patches = [s.patch for s in group.swatches if s.has_colour and s.patch]
    blender = group.marker.kind == "blender"

    def mean(name: str) -> float:
        return float(np.mean([getattr(patch, name) for patch in patches]))

    return replace(
        base,
        **_colour(group.linear.mean(axis=0), paper_lab, session.scanner),
        u_L=float(doubt.u_lab[0]),
        u_a=float(doubt.u_lab[1]),
        u_b=float(doubt.u_lab[2]),
        # A blender lays no ink, so there is no amount, cover or evenness of it to speak of.
        u_dose=None if blender else doubt.u_dose,
        u_abs=None if session.no_strip else doubt.u_abs,
        coverage=None if blender else mean("coverage"),
        mottle=None if blender else mean("mottle"),
        bleed_mm=None if blender else mean("bleed_mm"),
        swatches=len(group.linear),
        pixels=sum(patch.pixels for patch in patches),
    )


def _row_flags(row: Reading, group: _Group, scatter: HandScatter, session: Session) -> tuple[str, ...]:
    """Return the flags of a row: those of the swatches behind it, and what only the row shows."""
    coloured = [swatch for swatch in group.swatches if swatch.has_colour]
    found = {flag for swatch in (coloured or group.swatches) for flag in swatch.flags}
    if row.in_srgb is False:
        found.add("out-of-srgb")
    if coloured and _repeats_differ(group, max(scatter.dose.sd, ASSUMED_SCATTER), session.scanner):
        found.add("repeats-differ")
    return tuple(sorted(found | _session_flags(session)))


def _session_flags(session: Session) -> set[str]:
    return {name for name, on in (("no-strip", session.no_strip), ("forced", session.forced)) if on}


def _second_coats(rows: list[Reading]) -> list[Reading]:
    """Flag both rows of a marker whose two coats read lighter than its one."""
    first = {row.marker: row for row in rows if row.layers == 1 and row.keeps_colour and row.kind == "ink"}
    swapped = {
        row.marker
        for row in rows
        if row.layers == 2
        and row.keeps_colour
        and row.marker in first
        and row.L is not None
        and (first[row.marker].L or 0) + LIGHTER_L < row.L
    }
    return [
        replace(row, flags=tuple(sorted({*row.flags, "second-coat-lighter"})))
        if row.marker in swapped
        else row
        for row in rows
    ]


def _ground_rows(ground: Ground, session: Session) -> list[Reading]:
    """Return the rows of the bare paper and of the printer's black."""
    scanner = session.scanner
    paper_lab = scanner.to_lab(ground.paper)
    rows = []
    for kind, linear in (("paper", ground.paper), ("black", ground.black)):
        row = Reading(marker=kind, layers=0, paper=session.paper, session=session.date, kind=kind)
        if linear is None:
            rows.append(replace(row, flags=tuple(sorted({"damaged"} | _session_flags(session)))))
            continue
        z = normal_draws(DRAWS, 3)
        draws = linear * (1 + ground.u_relative * z)
        u = propagate(scanner.to_lab, draws[None])[0]
        rows.append(
            replace(
                row,
                **_colour(linear, paper_lab, scanner),
                u_L=float(u[0]),
                u_a=float(u[1]),
                u_b=float(u[2]),
                u_abs=None
                if session.no_strip
                else float(np.hypot(scanner.error if kind == "black" else PAPER_ERROR, u.mean())),
                pixels=ground.pixels if kind == "paper" else None,
                flags=tuple(sorted(_session_flags(session))),
            )
        )
    return rows
