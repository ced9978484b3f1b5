"""Swatches to rows of the measured colour table: means, doubts and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.chart.markers import Marker
from calib.colour.colorimetry import delta_e_2000, lab_to_hex, lab_to_lch, xyz_to_lab
from calib.colour.uncertainty import DRAWS, normal_draws, propagate
from calib.scan.doubts import (
    ASSUMED_SCATTER,
    Doubt,
    HandScatter,
    Sheets,
    doubts_of,
    hand_scatter,
    repeats_differ,
    u_abs,
)
from calib.scan.groups import Group, groups_of
from calib.scan.scanner import Scanner
from calib.scan.swatch import Swatch
from calib.table.table import Reading

Array = NDArray[np.float64]

# Light that a reading can have: noise takes it below nothing, fluorescence above white.
LIGHT_RANGE = (-0.5, 5.0)
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


def rows_of(
    swatches: Sequence[Swatch], order: Sequence[Marker], sheets: Sheets, session: Session
) -> tuple[list[Reading], HandScatter]:
    """Return the rows, paper and black first, then markers in list order, and the hand's scatter."""
    groups = groups_of(swatches, order)
    scatter = hand_scatter(groups, session.scanner)
    readable = [group for group in groups if len(group.linear)]
    doubts = doubts_of(readable, scatter, sheets, session.scanner)
    rows = _sheet_rows(sheets, session)
    paper_lab = session.scanner.to_lab(sheets.paper)
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


def _with_colour(base: Reading, group: Group, doubt: Doubt, paper_lab: Array, session: Session) -> Reading:
    patches = group.patches
    blender = group.marker.kind == "blender"

    def mean(name: str) -> float:
        return float(np.mean([getattr(patch, name) for patch in patches]))

    return replace(
        base,
        **_colour(group.film, paper_lab, session.scanner),
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


def _row_flags(row: Reading, group: Group, scatter: HandScatter, session: Session) -> tuple[str, ...]:
    """Return the flags of a row: those of the swatches behind it, and what only the row shows."""
    coloured = [swatch for swatch in group.swatches if swatch.has_colour]
    found = {flag for swatch in (coloured or group.swatches) for flag in swatch.flags}
    if row.in_srgb is False:
        found.add("out-of-srgb")
    if coloured and repeats_differ(group, max(scatter.dose.sd, ASSUMED_SCATTER), session.scanner):
        found.add("repeats-differ")
    if group.laid is not None and group.laid.lacks_an_ink(session.scanner):
        found.add("one-ink-only")
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


def _sheet_rows(sheets: Sheets, session: Session) -> list[Reading]:
    """Return the rows of the bare paper and of the printer's black."""
    scanner = session.scanner
    paper_lab = scanner.to_lab(sheets.paper)
    photo = {"photo"} if sheets.photo else set()
    rows = []
    for kind, linear in (("paper", sheets.paper), ("black", sheets.black)):
        row = Reading(marker=kind, layers=0, paper=session.paper, session=session.date, kind=kind)
        if linear is None:
            rows.append(replace(row, flags=tuple(sorted({"damaged"} | _session_flags(session) | photo))))
            continue
        z = normal_draws(DRAWS, 4)
        draws = linear + sheets.u_common(linear) * z[:, :1] + sheets.u_apart(linear) * z[:, 1:]
        u = propagate(scanner.to_lab, draws[None])[0]
        rows.append(
            replace(
                row,
                **_colour(linear, paper_lab, scanner),
                u_L=float(u[0]),
                u_a=float(u[1]),
                u_b=float(u[2]),
                u_abs=None if session.no_strip else float(u_abs(linear[None], u[None], sheets, scanner)[0]),
                pixels=sheets.pixels if kind == "paper" else None,
                flags=tuple(sorted(_session_flags(session) | photo)),
            )
        )
    return rows
