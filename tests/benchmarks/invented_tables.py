"""Measured tables without scans: invented inks computed from spectra, with the noise that an honest reading has.

Tests and benchmarks of the answers need many large tables, and simulating the scans of one takes minutes. Here the
films come from the same spectral simulator, but what the hand and the instrument add is drawn directly: more or less ink on each
swatch, a little noise of the reading, and errors that a whole session shares. The stated doubts are the true
ones, the hand's scatter being known from so many repeats as a real chart has. Every figure is invented, of the size that
the benchmarks of the measurement found (README, 'How far to trust the numbers').
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from calib.colour.colorimetry import delta_e_2000, lab_to_hex, lab_to_lch, linear_to_xyz, xyz_to_lab
from calib.synthetic.inks import Ink, SimPaper, reflectance_at
from calib.synthetic.scanners import spectral_scanner
from calib.table.origin import Origin
from calib.table.table import Reading, Table


@dataclass(frozen=True)
class Making:
    """How a table is made.

    scatter: relative sd of the amount of ink from swatch to swatch. repeats: degrees of freedom from which it is known.
    noise: relative sd of a reading's light besides. tone, tint: sd of what the whole session is off by in lightness-like
    scale (all channels) and between channels. kind: of scanner. strength: of single markers, 1 = unchanged. dry: grain of single
    markers. layers: which coats are on the chart.
    """

    paper: SimPaper = field(default_factory=SimPaper)
    date: str = "2026-03-01"
    scatter: float = 0.025
    repeats: int = 12
    noise: float = 0.0015
    tone: float = 0.001
    tint: float = 0.0005
    kind: str = "colorimetric"
    strength: Mapping[str, float] = field(default_factory=dict)
    dry: Mapping[str, float] = field(default_factory=dict)
    layers: tuple[int, ...] = (1, 2)


@dataclass(frozen=True)
class Truth:
    """True film colours by marker and layers: the colour of the average swatch, without noise, as this scanner sees it."""

    lab: dict[tuple[str, int], np.ndarray]
    linear: dict[tuple[str, int], np.ndarray]


def lab_of(linear: np.ndarray) -> np.ndarray:
    """Return Lab of the scanner's light through the default matrix, as a table without a colour card has it."""
    return xyz_to_lab(np.maximum(linear_to_xyz(linear), 0.0))


def invented_table(inks: tuple[Ink, ...], making: Making, seed: int) -> tuple[Table, Truth]:
    """Return a measured table of inks and its truth."""
    rng = np.random.default_rng(seed)
    scanner = spectral_scanner(making.kind)
    paper = making.paper
    rows, truth = [], Truth({}, {})
    tone = making.tone * rng.normal() + making.tint * rng.normal(size=3)
    # The scatter that the chart's repeats gave, which is not quite the hand's.
    known = (
        making.scatter * float(np.sqrt(rng.chisquare(making.repeats) / making.repeats))
        if making.repeats
        else 0.025
    )

    def row(base: Reading, light: np.ndarray, u_dose: float | None, along: np.ndarray) -> Reading:
        # What the session is off by is largest in the middle tones, and nothing on white.
        off = 1 + tone * 4 * (1 - light.clip(0, 1)) * light.clip(0, 1) ** 0.5
        read = light * off + making.noise * (light + 0.01) * rng.normal(size=3)
        lab = lab_of(read)
        draws = light + (making.noise * (light + 0.01)) * rng.normal(size=(300, 3))
        held = light.clip(0, 1)
        off_by = 4 * (1 - held) * np.sqrt(held)
        draws = draws * (1 + making.tone * off_by * rng.normal(size=(300, 1)))
        if u_dose:
            draws = draws + u_dose * along * rng.normal(size=(300, 1))
        u = lab_of(draws).std(axis=0)
        lch = lab_to_lch(lab)
        ((text, inside),) = lab_to_hex(lab[None])
        names = ("L", "a", "b", "C", "h", "R", "G", "B", "X", "Y", "Z", "u_L", "u_a", "u_b")
        values = (*lab, lch[1], lch[2], *read, *(100 * linear_to_xyz(read)), *u)
        filled = {name: float(value) for name, value in zip(names, values, strict=True)}
        more = {"hex": text, "in_srgb": inside, "u_dose": u_dose, "u_abs": 2.5, "pixels": 10000}
        return Reading(**{**base.__dict__, **filled, **more, "dE00_paper": float(delta_e_2000(lab, white))})

    bare = scanner.linear(paper.reflectance())
    white = lab_of(bare)
    sheet = Reading("paper", 0, paper.name, making.date, kind="paper")
    rows.append(row(sheet, bare, None, np.zeros(3)))
    rows.append(
        row(Reading("black", 0, paper.name, making.date, kind="black"), np.full(3, 0.025), None, np.zeros(3))
    )
    for ink in inks:
        strength = making.strength.get(ink.marker, 1.0)
        grain = making.dry.get(ink.marker, 0.0)
        for layers in making.layers:
            coats = {1: 1.0, 2: paper.two_coat_exponent}[layers]
            mean = paper.gain * strength * coats
            dose = mean * float(np.exp(making.scatter * rng.normal()))
            light, truly, less = scanner.linear(reflectance_at(ink, paper, [dose, mean, 0.99 * mean]))
            key = (ink.marker, layers)
            truth.linear[key], truth.lab[key] = truly, lab_of(truly)
            blender = ink.kind == "blender"
            base = Reading(
                ink.marker,
                layers,
                paper.name,
                making.date,
                name=f"Invented {ink.marker}",
                kind=ink.kind,
                coverage=None
                if blender
                else float(np.clip(0.998 - 0.8 * grain + 0.003 * rng.normal(), 0.05, 1)),
                mottle=None
                if blender
                else float(np.hypot(0.05 * np.exp(0.1 * rng.normal()), 1.0 * grain)) * paper.mottle,
                bleed_mm=None if blender else float((0.22 + 0.05 * rng.normal()) * paper.bleed),
                swatches=1,
            )
            rows.append(row(base, light, 0.0 if blender else known, (truly - less) / 0.01))
    origin = Origin(
        program="calib 0.1.0",
        chart="invent",
        strip={"file": "strip.csv", "kind": "density", "steps": 20},
        scanner={
            "model": "default matrix (no colour card)",
            "error_dE00": 2.5,
            "error_from": "assumed, no colour card",
        },
        scatter={
            "relative_dose": round(known, 5),
            "degrees_of_freedom": making.repeats,
            "relative_rest": 0.001,
        },
        dates={"session": making.date, "dried_hours": 24.0},
        settings={"paper": paper.name},
    )
    return Table(tuple(rows), origin), truth
