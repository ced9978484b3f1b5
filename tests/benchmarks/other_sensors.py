"""Tables of pens as a scanner with other sensors than the eye's reads them, and what a laboratory would have measured.

A matrix is fitted to the sensors on one invented drawer, as a colour card's is, and reads another; u_abs is what is left over on the first.
So the errors of the table are those of real spectra under other sensors, and not draws from what is stated of them. The inks are invented.
"""

from __future__ import annotations

import numpy as np

from calib.colour.colorimetry import delta_e_2000, xyz_to_lab
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import Ink, SimPaper, reflectance_at
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.spectra import spectrum_to_xyz
from calib.table.table import Reading, Table

DAY = "2026-03-01"
# The doubt of comparing, of the size that the benchmarks of the measurement found (README).
U_READ = 0.2


def table_by_other_sensors(kind: str, inks: tuple[Ink, ...], seed: int) -> tuple[Table, np.ndarray]:
    """Return a table of pens in one coat, read by a kind of scanner (synthetic.scanners), and their true Lab (n, 3) in its order."""
    rng = np.random.default_rng(seed)
    light, xyz = _seen(kind, invent_inks(60, 900 + seed))
    weight = 1 / (xyz[:, 1:2] + 0.02)
    matrix = np.linalg.lstsq(light * weight, xyz * weight, rcond=None)[0]
    left = delta_e_2000(_lab(light @ matrix), _lab(xyz))
    light, xyz = _seen(kind, inks)
    true = _lab(xyz)
    read = _lab(light @ matrix) + U_READ * rng.normal(size=true.shape)
    u_abs = float(np.sqrt(np.mean(left**2)))
    white = _lab(_seen(kind, ())[1])[0]
    rows = [Reading("paper", 0, "smooth", DAY, kind="paper", **dict(zip("Lab", white.tolist(), strict=True)))]
    for ink, lab in zip(inks, read.tolist(), strict=True):
        colour = dict(zip("Lab", lab, strict=True))
        rows.append(
            Reading(ink.marker, 1, "smooth", DAY, u_L=U_READ, u_a=U_READ, u_b=U_READ, u_abs=u_abs, **colour)
        )
    return Table(tuple(rows)), true


def _seen(kind: str, inks: tuple[Ink, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return light (n, 3) that the sensors see and XYZ (n, 3) of inks in one coat; of the bare paper where there are none."""
    paper, scanner = SimPaper(), spectral_scanner(kind)
    spectra = [reflectance_at(ink, paper, [paper.gain])[0] for ink in inks] or [paper.reflectance()]
    light = np.array([np.ravel(scanner.linear(spectrum)) for spectrum in spectra])
    return light, np.array([np.ravel(spectrum_to_xyz(spectrum)) for spectrum in spectra])


def _lab(xyz: np.ndarray) -> np.ndarray:
    return xyz_to_lab(np.maximum(xyz, 1e-5))
