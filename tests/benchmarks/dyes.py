"""Derive what a colour card says about dyes that it does not hold: the constants of scan/colourmodel and scan/scanner.

Run by hand: PYTHONPATH=. python tests/benchmarks/dyes.py [how many scanners] [seed]

A population of invented scanners reads a card and then dyes. How much the models miss on the dyes is set against what
cross-validation shows on the card. The population shares nothing with calib/synthetic's scanners and inks:
filters are random bumps, lamps are published ones that the simulator does not use by default, and dyes are random
sums of absorption bands, by class of dye. The widths are from memory: filters and LEDs of scanners (common
practice), absorption bands of dyes on paper. Spectra of cards come with colour-science: ISO 17321-1, the 99
test samples of CIE 224:2017, the 190 training reflectances of the Academy's camera characterisation.
"""

from __future__ import annotations

import importlib.util
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from calib.colour.colorimetry import delta_e_2000, linear_to_xyz, xyz_to_lab
from calib.scan.colourmodel import FAMILIES, Patches, fit
from calib.scan.scanner import error_shape
from calib.scan.scannerfit import typical_miss
from calib.synthetic.spectra import (
    WAVELENGTHS,
    chart_reflectances,
    illuminant,
    library,
    on_grid,
    spectrum_to_xyz,
)

# Published white LEDs, fluorescent tubes and daylight (for xenon); LED-B3, LED-B5 and FL11 are left to the
# simulator, on which the result is checked.
LAMPS = [
    "LED-B1",
    "LED-B2",
    "LED-B4",
    "LED-BH1",
    "LED-V1",
    "LED-V2",
    "FL2",
    "FL4",
    "FL7",
    "FL8",
    "FL9",
    "FL10",
    "FL12",
    "FL3.3",
    "FL3.5",
    "FL3.8",
    "FL3.11",
    "D65",
]
# Classes of dye: peak in nm, full width at half maximum in 1/cm, chance of a shoulder, second band in nm (from memory).
CLASSES = (
    ((395, 450), (3800, 5500), 0.2, None),
    ((450, 490), (3800, 5500), 0.3, None),
    ((490, 525), (3200, 5000), 0.6, None),
    ((520, 565), (1500, 2700), 0.9, None),
    ((560, 640), (2200, 3600), 0.6, (400, 440)),
    ((580, 660), (3200, 4600), 0.8, None),
    ((640, 690), (1400, 2600), 0.9, (340, 400)),
)
# Noise of a patch's light: relative, and on top (common practice for the mean over a patch).
NOISE = (0.002, 0.0005)
# Invented films for each scanner; the measured printed patches, where they are installed, are added to them.
FILMS = 150
# How many of the cards are of pigments; the last one is printed with few inks.
PIGMENTED = 3


def invent_scanner(rng: np.random.Generator) -> tuple[str, np.ndarray]:
    """Return a sort and the weights (n, 3) of an invented scanner, each column summing to 1."""
    sort = str(rng.choice(["three LEDs", "wide filters", "overlapping filters"], p=[0.3, 0.4, 0.3]))
    if sort == "three LEDs":
        peaks, widths = ((615, 645), (510, 535), (450, 475)), rng.uniform(15, 40, 3)
    else:
        peaks, widths = ((585, 635), (520, 555), (435, 480)), np.exp(rng.uniform(np.log(50), np.log(130), 3))
    weights = np.stack([_bump(rng, rng.uniform(*p), w) for p, w in zip(peaks, widths, strict=True)], axis=1)
    if sort == "overlapping filters":
        # Layers one upon the other in one piece of silicon each see much of the others' light.
        weights = (weights / weights.sum(axis=0)) @ (
            np.eye(3) + rng.uniform(0, 0.6, (3, 3)) * (1 - np.eye(3))
        )
    if sort != "three LEDs":
        inside = (WAVELENGTHS > 400) & (rng.uniform(660, 740) > WAVELENGTHS)
        weights = weights * (illuminant(str(rng.choice(LAMPS))) * inside)[:, None]
    return sort, weights / weights.sum(axis=0)


def _bump(rng: np.random.Generator, peak: float, width: float) -> np.ndarray:
    lean = np.exp(rng.normal(0.0, 0.25))
    half = width / (1 + lean) * np.where(peak > WAVELENGTHS, lean, 1.0)
    return np.exp(-np.log(2) * np.abs((WAVELENGTHS - peak) / half) ** rng.uniform(2.0, 3.0))


def invent_dyes(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return reflectances (count, n) of films of one to three invented dyes on invented papers."""
    waves = 1e7 / WAVELENGTHS

    def band(peak: float, width: float) -> np.ndarray:
        away, lean = (waves - 1e7 / peak) / (width / 2.355), 1 + rng.uniform(0, 0.5)
        return np.exp(-0.5 * np.where(away < 0, away * lean, away / lean) ** 2)

    def dye() -> np.ndarray:
        peaks, widths, shoulder, second = CLASSES[rng.integers(len(CLASSES))]
        peak, width = rng.uniform(*peaks), rng.uniform(*widths)
        total = band(peak, width)
        if rng.random() < shoulder:
            total = total + rng.uniform(0.3, 0.8) * band(1e7 / (1e7 / peak + rng.uniform(1000, 2000)), width)
        if second and rng.random() < 0.6:
            total = total + rng.uniform(0.1, 0.4) * band(rng.uniform(*second), rng.uniform(2500, 4500))
        return total / total.max() + rng.uniform(0.02, 0.1) * 10 ** (
            -(WAVELENGTHS - 400) / rng.uniform(250, 900)
        )

    films = []
    for _ in range(count):
        density = sum(
            np.exp(rng.normal(0, 0.7)) * dye() for _ in range(rng.choice([1, 2, 3], p=[0.35, 0.4, 0.25]))
        )
        if rng.random() < 0.2:  # a fifth are greyed, as greys and muted tints are
            density = density / density.max() * rng.uniform(0.1, 0.6) + (400 / WAVELENGTHS) ** rng.uniform(
                0, 1
            )
        density = density / density.max() * np.exp(rng.uniform(np.log(0.08), np.log(2.2)))
        paper = rng.uniform(0.8, 0.93) * (1 + rng.uniform(-0.02, 0.04) * (WAVELENGTHS - 580) / 400)
        paper = paper * (1 - rng.uniform(0, 0.2) / (1 + np.exp((WAVELENGTHS - 405) / 9)))
        surface = rng.uniform(0.002, 0.012)
        films.append(surface + (paper - surface) * 10.0**-density)
    return np.array(films)


def cards() -> dict[str, np.ndarray]:
    """Return reflectances (patches, n) by card."""
    colour = library()
    shape = colour.SpectralShape(380, 780, 5)
    samples = colour.quality.cfi2017.load_TCS_CIE2017(shape)
    training = colour.characterisation.read_training_data_rawtoaces_v1()
    found = {
        "24 patches (ISO 17321-1)": np.array(list(chart_reflectances().values())),
        "99 samples (CIE 224)": on_grid(samples.wavelengths, samples.values).T,
        "63 of 190 reflectances": on_grid(training.wavelengths, training.values).T[::3],
    }
    printed = printed_patches()
    return found if printed is None else {**found, "72 printed patches": printed[::2]}


def printed_patches() -> np.ndarray | None:
    """Return the 144 printed patches of the package colour-cxf, None where it is not installed."""
    spec = importlib.util.find_spec("colour_cxf")
    if spec is None or spec.origin is None:
        return None
    sample = Path(spec.origin).parent / "tests" / "resources" / "sample.cxf"
    spectra = [e for e in ElementTree.parse(sample).iter() if e.tag.endswith("ReflectanceSpectrum")]
    values = [np.array(str(e.text).split(), dtype=float) for e in spectra]
    return np.array([on_grid(380.0 + 10.0 * np.arange(len(v)), v) for v in values])


def read_card(rng: np.random.Generator, weights: np.ndarray, card: np.ndarray) -> Patches:
    """Return a card's patches as a scanner reads them, with noise."""
    light = card @ weights
    u = NOISE[0] * light + NOISE[1]
    return Patches(
        light + u * rng.standard_normal(light.shape), spectrum_to_xyz(card), u, np.arange(len(card))
    )


def survey(count: int, seed: int) -> dict[str, np.ndarray]:
    """Let invented scanners read cards and dyes; return what the models missed on both.

    card: (scanners, cards, families) typical miss of patches left out. dyes: (scanners, cards, families, films)
    dE00. sorts: (scanners,). lab: (scanners, films, 3) true colours. default: (scanners, films) dE00 without a card.
    """
    rng = np.random.default_rng(seed)
    printed = printed_patches()
    all_cards = list(cards().values())
    sorts, labs, seen, missed, default = [], [], [], [], []
    for _ in range(count):
        sort, weights = invent_scanner(rng)
        sorts.append(sort)
        # Each scanner sees dyes of its own, or the few that one draw happens to hold would decide.
        films = invent_dyes(rng, FILMS)
        films = films if printed is None else np.concatenate([films, printed])
        lab = xyz_to_lab(spectrum_to_xyz(films))
        labs.append(lab)
        light = films @ weights
        default.append(delta_e_2000(xyz_to_lab(linear_to_xyz(light)), lab))
        for card in all_cards:
            patches = read_card(rng, weights, card)
            fits = [fit(family, patches) for family in FAMILIES]
            seen.append([typical_miss(one, patches) for one in fits])
            missed.append([delta_e_2000(xyz_to_lab(one.model.to_xyz(light)), lab) for one in fits])
    shape = (count, len(all_cards), len(FAMILIES))
    return {
        "card": np.array(seen).reshape(shape),
        "dyes": np.array(missed).reshape(*shape, -1),
        "sorts": np.array(sorts),
        "lab": np.array(labs),
        "default": np.array(default),
    }


def geometric(ratio: np.ndarray) -> float:
    return float(np.exp(np.log(ratio).mean()))


def print_transfer(found: dict[str, np.ndarray]) -> None:
    """Print by how much more than the matrix's each family's error grows from the card to dyes."""
    card, dyes = found["card"], rms(found["dyes"][..., :FILMS])
    print("Family.transfer: growth of the error from card to dyes, relative to the matrix (by card; all)")
    for k, family in enumerate(FAMILIES):
        growth = (dyes[..., k] / dyes[..., 0]) / (card[..., k] / card[..., 0])
        each = " ".join(f"{geometric(growth[:, c]):.2f}" for c in range(card.shape[1]))
        print(f"  {family.name}: {each}; {geometric(growth):.2f}")
        print(
            f"    miss relative to the matrix: card {geometric(card[..., k] / card[..., 0]):.2f}, "
            f"dyes {geometric(dyes[..., k] / dyes[..., 0]):.2f}"
        )


def rms(dE: np.ndarray) -> np.ndarray:
    return np.asarray(np.sqrt((dE**2).mean(axis=-1)))


def print_scale(found: dict[str, np.ndarray]) -> None:
    """Print the matrix's error on dyes, relative to its shape, against its typical miss on the card."""
    card, relative = found["card"][..., 0], found["dyes"][:, :, 0] / error_shape(found["lab"])[:, np.newaxis]
    dyes = rms(relative)
    print(
        "Error on dyes (rms, over the shape) over the card's typical miss, matrix: ratio, scatter of its logarithm, by sort of scanner"
    )
    for c, name in enumerate(cards()):
        ratio = dyes[:, c] / card[:, c]
        sorts = {sort: geometric(ratio[found["sorts"] == sort]) for sort in np.unique(found["sorts"])}
        said = ", ".join(f"{sort} {value:.2f}" for sort, value in sorts.items())
        print(f"  {name}: {geometric(ratio):.2f}, {np.log(ratio).std():.2f}; {said}")
    seen, true = np.log(card[:, :PIGMENTED]).ravel(), np.log(dyes[:, :PIGMENTED]).ravel()
    print(
        f"  USUAL_MISS {np.exp(seen.mean()):.2f}, USUAL_SPREAD {seen.std():.2f} (the first three cards, as all below)"
    )
    print(f"  ERROR_SCALE {np.exp((true - seen).mean()):.3f}, scatter {(true - seen).std():.3f}")
    for name, part in (("invented dyes", relative[..., :FILMS]), ("printed patches", relative[..., FILMS:])):
        print(f"    {name} alone {geometric(rms(part)[:, :PIGMENTED] / card[:, :PIGMENTED]):.3f}")
    power, scale = np.polyfit(seen, true, 1)
    left = true - scale - power * seen
    print(f"  as a power, for comparison: {np.exp(scale):.3f} miss^{power:.3f}, scatter {left.std():.3f}")


def print_shape(found: dict[str, np.ndarray]) -> None:
    """Print how the matrix's error runs with the colour, fitted by quasi-likelihood, so that rms is kept."""
    dyes = found["dyes"][:, :PIGMENTED, 0]
    squared = ((dyes / rms(dyes)[..., None]) ** 2).mean(axis=1)
    L, a, b = np.moveaxis(found["lab"], -1, 0)
    C = np.hypot(a, b)

    def shape(q: np.ndarray) -> np.ndarray:
        return np.asarray((q[0] + q[1] * (1 - np.exp(-C / q[2]))) * (1 + q[3] * (1 - L / 100)))

    def loss(q: np.ndarray) -> float:
        f = np.maximum(shape(q) ** 2, 1e-6)
        return float((np.log(f) + squared / f).sum())

    best = minimize(loss, [0.2, 0.8, 25.0, 1.0], method="Nelder-Mead", options={"maxiter": 4000}).x
    fitted = shape(best)
    print("ERROR_GREY, ERROR_RISE, ERROR_REACH, ERROR_DARK:", " ".join(f"{v:.3f}" for v in best))
    print(
        f"  rms of the shape {np.sqrt((fitted**2).mean()):.3f}; measured over fitted by chroma and lightness:"
    )
    for low, high in ((0, 5), (5, 10), (10, 20), (20, 35), (35, 50), (50, 70), (70, 150)):
        cells = []
        for dark, pale in ((0, 35), (35, 55), (55, 75), (75, 90), (90, 101)):
            inside = (low <= C) & (high > C) & (dark <= L) & (pale > L)
            ratio = (
                np.sqrt(squared[inside].mean() / (fitted[inside] ** 2).mean()) if inside.sum() > 3 else np.nan
            )
            cells.append(f"{ratio:.2f} ({inside.sum()})")
        print(f"  C {low}..{high}: {'  '.join(cells)}")


def print_default(found: dict[str, np.ndarray]) -> None:
    """Print the error of light on sRGB's primaries, no card, for scanners that hand out their raw light."""
    for sort in np.unique(found["sorts"]):
        error = rms(found["default"][found["sorts"] == sort])
        print(
            f"No card, raw light, {sort}: rms {np.median(error):.1f} ({error.min():.1f} to {error.max():.1f})"
        )


def main(count: int, seed: int) -> None:
    found = survey(count, seed)
    print(f"{count} invented scanners, {FILMS} films for each, seed {seed}")
    print_transfer(found)
    print_scale(found)
    print_shape(found)
    print_default(found)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
