"""Predicted rows of a table: all that follows from a colour and its doubt, nothing that only a swatch could tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.answers.carrying.carry import PAPER_DOUBT
from calib.answers.films import light_of
from calib.colour.colorimetry import (
    delta_e_2000,
    lab_to_hex,
    lab_to_lch,
    lab_to_xyz,
    linear_to_xyz,
    xyz_to_linear,
)
from calib.colour.difference import local_scale
from calib.table.table import Reading

Array = NDArray[np.float64]

FLAG, OUTSIDE = "predicted", "out-of-srgb"
# Ratios of less light than this mean nothing (XYZ, Y of white = 1).
LEAST_LIGHT = 1e-4


def ink_rows(
    bases: Sequence[Reading], lab: Array, covariance: Array, start: tuple[Array, Array], white: Array
) -> list[Reading]:
    """Return predicted rows.

    bases: (n) whose names, paper and session they take. lab: (n, 3), covariance: (n, 3, 3). start: linear light (n, 3) and
    lab (n, 3) that they were predicted from, which say how this scanner's colours follow from light. white: (3,) Lab of
    the paper.
    """
    lab = np.column_stack([np.maximum(lab[:, 0], 0.0), lab[:, 1:]])
    light, known = start
    ratio = np.maximum(lab_to_xyz(lab), LEAST_LIGHT) / np.maximum(lab_to_xyz(known), LEAST_LIGHT)
    return _filled(bases, lab, xyz_to_linear(linear_to_xyz(light) * ratio), covariance, white)


def paper_row(base: Reading, paper: Reading | None, white: Array) -> Reading:
    """Return a predicted row of a blender, which leaves nothing but the paper's own colour, white (3,) Lab."""
    own = paper if paper is not None and paper.lab is not None and paper.lab == tuple(white) else None
    light = light_of(own if own is not None else Reading("", 0, "", "", L=white[0], a=white[1], b=white[2]))
    stated = np.array([getattr(base, name) or 0.0 for name in ("u_L", "u_a", "u_b")])
    (row,) = _filled([base], white[None], light[None], np.diag(stated**2 + PAPER_DOUBT**2)[None], white)
    return replace(row, u_dose=None)


def _filled(
    bases: Sequence[Reading], lab: Array, light: Array, covariance: Array, white: Array
) -> list[Reading]:
    u = np.sqrt(np.einsum("nii->ni", covariance))
    length = np.sqrt(np.einsum("nij,nij->n", local_scale(lab), covariance))
    columns = (*lab.T, *lab_to_lch(lab).T[1:], *u.T, *light.T, *(100 * lab_to_xyz(lab)).T)
    names = ("L", "a", "b", "C", "h", "u_L", "u_a", "u_b", "R", "G", "B", "X", "Y", "Z")
    codes, far = lab_to_hex(lab), delta_e_2000(lab, white)
    rows = []
    for i, (base, values) in enumerate(zip(bases, np.column_stack(columns).tolist(), strict=True)):
        filled: dict[str, float] = dict(zip(names, values, strict=True))
        text, inside = codes[i]
        rows.append(
            Reading(
                base.marker,
                base.layers,
                base.paper,
                base.session,
                name=base.name,
                set=base.set,
                kind=base.kind,
                u_dose=base.u_dose,
                # What the colour itself was off by on the known paper it is off by here too.
                u_abs=None if base.u_abs is None else float(np.hypot(base.u_abs, length[i])),
                hex=text,
                in_srgb=inside,
                dE00_paper=float(far[i]),
                swatches=0,
                pixels=0,
                flags=(FLAG,) if inside else (FLAG, OUTSIDE),
                **filled,
            )
        )
    return rows
