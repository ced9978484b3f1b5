"""One predicted row of a table: all that follows from a colour and its doubt, nothing that only a swatch could tell."""

from __future__ import annotations

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


def ink_row(
    base: Reading, lab: Array, covariance: Array, start: tuple[Array, Array], white: Array
) -> Reading:
    """Return a predicted row.

    base: whose names, paper and session it takes. lab: (3,), covariance: (3, 3). start: linear light (3,) and lab
    (3,) that it was predicted from, which say how this scanner's colours follow from light. white: (3,) Lab of the
    paper.
    """
    lab = np.array([max(lab[0], 0.0), lab[1], lab[2]])
    light, known = start
    ratio = np.maximum(lab_to_xyz(lab), LEAST_LIGHT) / np.maximum(lab_to_xyz(known), LEAST_LIGHT)
    return _filled(base, lab, xyz_to_linear(linear_to_xyz(light) * ratio), covariance, white)


def paper_row(base: Reading, paper: Reading | None, white: Array) -> Reading:
    """Return a predicted row of a blender, which leaves nothing but the paper's own colour, white (3,) Lab."""
    own = paper if paper is not None and paper.lab is not None and paper.lab == tuple(white) else None
    light = light_of(own if own is not None else Reading("", 0, "", "", L=white[0], a=white[1], b=white[2]))
    stated = np.array([getattr(base, name) or 0.0 for name in ("u_L", "u_a", "u_b")])
    return replace(_filled(base, white, light, np.diag(stated**2 + PAPER_DOUBT**2), white), u_dose=None)


def _filled(base: Reading, lab: Array, light: Array, covariance: Array, white: Array) -> Reading:
    u = np.sqrt(np.diag(covariance))
    length = float(np.sqrt(np.sum(local_scale(lab)[0] * covariance)))
    lch, xyz = lab_to_lch(lab), 100 * lab_to_xyz(lab)
    ((text, inside),) = lab_to_hex(lab[None])
    names = ("L", "a", "b", "C", "h", "u_L", "u_a", "u_b", "R", "G", "B", "X", "Y", "Z")
    values = (*lab, lch[1], lch[2], *u, *light, *xyz)
    filled = {name: float(value) for name, value in zip(names, values, strict=True)}
    return Reading(
        base.marker,
        base.layers,
        base.paper,
        base.session,
        name=base.name,
        set=base.set,
        kind=base.kind,
        u_dose=base.u_dose,
        # What the colour itself was off by on the known paper it is off by here too.
        u_abs=None if base.u_abs is None else float(np.hypot(base.u_abs, length)),
        hex=text,
        in_srgb=inside,
        dE00_paper=float(delta_e_2000(lab, white)),
        swatches=0,
        pixels=0,
        flags=(FLAG,) if inside else (FLAG, OUTSIDE),
        **filled,
    )
