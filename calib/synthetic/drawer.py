"""An invented drawer of markers: dyes of plausible shape, mixed into tints, darks, greys and skins.

Every number here is invented. The bands have the shape that dyes in solution show: smooth,
steeper on the side of long waves, most of them with a shoulder on the side of short ones.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calib.chart.markers import Marker
from calib.colour.colorimetry import delta_e_2000, hex_to_lab, lab_to_hex, lab_to_xyz, xyz_to_linear
from calib.synthetic.inks import Ink, SimPaper, film_reflectance
from calib.synthetic.noise import rng_of
from calib.synthetic.spectra import WAVELENGTHS, spectrum_to_xyz, true_lab

Array = NDArray[np.float64]

# Each dye: bands of (peak in nm, half width in 1/cm to the red, to the blue, height).
DYES: dict[str, tuple[tuple[float, float, float, float], ...]] = {
    "lemon": ((412, 1500, 2600, 1.0), (440, 1300, 1500, 0.45)),
    "gold": ((442, 1500, 2700, 1.0), (470, 1100, 1300, 0.35)),
    "orange": ((482, 1250, 2500, 1.0), (400, 1500, 2500, 0.25)),
    "scarlet": ((508, 1050, 2200, 1.0), (535, 700, 900, 0.4)),
    "rose": ((548, 650, 1100, 1.0), (515, 800, 1300, 0.5), (380, 1500, 1500, 0.12)),
    "violet": ((582, 750, 1500, 1.0), (542, 900, 1500, 0.5)),
    "blue": ((628, 800, 1500, 1.0), (585, 900, 1600, 0.55), (385, 1200, 1500, 0.15)),
    "cyan": ((672, 750, 1100, 1.0), (612, 900, 1700, 0.5), (370, 2000, 1500, 0.3)),
    "soot": ((560, 6500, 9000, 1.0),),
}
# The faint absorption over all wavelengths that every dye has besides its bands, relative.
HAZE = 0.06

# Families of colours: which dyes, in which proportion, and how often out of the whole drawer.
FAMILIES: dict[str, tuple[int, dict[str, float]]] = {
    "yellow": (6, {"lemon": 0.7, "gold": 0.4}),
    "orange": (6, {"gold": 0.6, "orange": 0.7}),
    "red": (7, {"scarlet": 0.8, "gold": 0.4, "rose": 0.4}),
    "pink": (7, {"rose": 0.9, "scarlet": 0.12}),
    "purple": (6, {"violet": 0.7, "rose": 0.4}),
    "blue": (9, {"blue": 0.9, "violet": 0.25}),
    "sky": (6, {"cyan": 0.8, "blue": 0.2}),
    "turquoise": (5, {"cyan": 0.9, "lemon": 0.2}),
    "green": (8, {"cyan": 0.8, "gold": 0.55}),
    "leaf": (7, {"cyan": 0.5, "lemon": 0.9}),
    "olive": (4, {"gold": 0.9, "blue": 0.35, "scarlet": 0.3}),
    "skin": (8, {"orange": 0.4, "gold": 0.25, "rose": 0.22}),
    "brown": (9, {"gold": 0.75, "scarlet": 0.6, "blue": 0.4}),
    "neutral grey": (5, {"soot": 0.75, "blue": 0.1, "orange": 0.1}),
    "cool grey": (6, {"soot": 0.65, "blue": 0.24, "rose": 0.05}),
    "warm grey": (5, {"soot": 0.65, "gold": 0.2, "scarlet": 0.15}),
    "black": (1, {"soot": 1.5, "blue": 0.3, "scarlet": 0.3}),
}


@cache
def dye(name: str) -> Array:
    """Return the absorption (n,) of an invented dye, 1 at its highest."""
    total = _bands(DYES[name])
    # No real dye is clear outside its bands.
    total = total + HAZE * _bands(DYES["soot"])
    return np.asarray(total / total.max())


def _bands(bands: tuple[tuple[float, float, float, float], ...]) -> Array:
    waves = 1e7 / WAVELENGTHS
    total = np.zeros_like(waves)
    for peak, red, blue, height in bands:
        away = waves - 1e7 / peak
        total += height * np.exp(-0.5 * (away / np.where(away < 0, red, blue)) ** 2)
    return np.asarray(total / total.max())


def invent_inks(markers: Iterable[Marker] | int, seed: int = 0) -> tuple[Ink, ...]:
    """Return an invented ink for each marker (or for so many, named '001', '002' and so on).

    About a third are pale, some very deep, a sixth greys. An ink depends on the seed and on its
    marker's id, kind and hint alone, so a longer list keeps the inks of a shorter one. A marker
    with a hint gets an ink of about that colour.
    """
    if isinstance(markers, int):
        markers = [Marker(f"{i:03d}") for i in range(1, markers + 1)]
    return tuple(_invent(marker, seed) for marker in markers)


def _invent(marker: Marker, seed: int) -> Ink:
    if marker.kind == "blender":
        return Ink.blender(marker.marker)
    if marker.hint:
        return _towards(marker)
    rng = rng_of(seed, "ink", marker.marker)
    shares = np.array([share for share, _ in FAMILIES.values()], dtype=float)
    recipe = list(FAMILIES.values())[rng.choice(len(shares), p=shares / shares.sum())][1]
    # A third pale, half full, the rest deep: peak densities of 0.08 to 0.3, to 1.25, to 2.2.
    low, high = ((0.08, 0.3), (0.35, 1.25), (1.2, 2.2))[rng.choice(3, p=(0.34, 0.46, 0.2))]
    mixed = np.zeros_like(WAVELENGTHS)
    for name, share in recipe.items():
        mixed += share * float(np.exp(rng.normal(0.0, 0.25))) * dye(name)
    # A trace of some other dye: makers shade their inks.
    mixed += 0.06 * rng.random() * dye(list(DYES)[rng.integers(len(DYES))])
    return Ink(marker.marker, mixed / mixed.max() * float(np.exp(rng.uniform(np.log(low), np.log(high)))))


def _towards(marker: Marker) -> Ink:
    """Return an ink near the marker's hint: three dyes, doses found by Newton steps on densities."""
    paper = SimPaper()
    target = hex_to_lab(marker.hint)
    dyes = np.stack([dye("gold"), dye("rose"), dye("cyan")])
    wanted = _densities(lab_to_xyz(target))
    doses = np.maximum(wanted[::-1], 0.02)
    best, best_error = doses, np.inf
    for _ in range(30):
        film = film_reflectance(Ink(marker.marker, doses @ dyes), paper, 1)
        error = float(delta_e_2000(true_lab(film), target))
        if error < best_error:
            best, best_error = doses, error
        slopes = np.stack(
            [
                (_densities(_one_coat((doses + step) @ dyes, paper)) - _densities(spectrum_to_xyz(film)))
                / 0.01
                for step in 0.01 * np.eye(3)
            ],
            axis=1,
        )
        change = np.linalg.solve(slopes + 1e-6 * np.eye(3), wanted - _densities(spectrum_to_xyz(film)))
        doses = np.clip(doses + np.clip(change, -0.4, 0.4), 0.0, 3.0)
    return Ink(marker.marker, best @ dyes)


def _one_coat(absorption: Array, paper: SimPaper) -> Array:
    return spectrum_to_xyz(film_reflectance(Ink("", absorption), paper, 1))


def _densities(xyz: Array) -> Array:
    # Light outside sRGB is negative; it has no density, and the steps need a number.
    return np.asarray(-np.log10(np.maximum(xyz_to_linear(xyz), 0.002)))


def hint_of(ink: Ink, paper: SimPaper | None = None) -> str:
    """Return '#rrggbb' of one coat, for a marker list whose hints fit invented inks."""
    return lab_to_hex(true_lab(film_reflectance(ink, paper or SimPaper(), 1))[np.newaxis])[0][0]
