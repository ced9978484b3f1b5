"""How well a colour card makes a scanner's colours, and how well the program knows it.

Run by hand: PYTHONPATH=. python tests/benchmarks/scanners.py [card readings per scanner]

Seven simulated scanners (two published camera sensitivities under two white LEDs and a fluorescent tube, and three
narrow LEDs) read the 24 patches of ISO 17321-1 with noise. The model made from that is tried on invented inks, one and
two layers, that no fit has seen: on readings without noise, so that what is left is the model's. The oracle is the same
choice made on readings of the card without noise, and the best is whichever family, fitted without noise, does best on
those very inks, which nobody can know. No seed and neither paper was used in development.
"""

from __future__ import annotations

import sys

import numpy as np

from calib.colour.card import Card
from calib.colour.colorimetry import delta_e_2000, xyz_to_lab
from calib.scan.colourmodel import FAMILIES, Patches, fit
from calib.scan.scanner import Scanner
from calib.scan.scannerfit import fit_scanner
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper, film_reflectance
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.spectra import chart_reflectances, spectrum_to_xyz, true_lab

SCANNERS = [(kind, lamp) for kind in ("camera-1", "camera-2") for lamp in ("LED-B3", "LED-B5", "FL11")]
SCANNERS.append(("three-led", "its own"))
PAPERS = (SimPaper("white", level=0.92, tint=-0.01), SimPaper("cream", level=0.84, tint=0.04, surface=0.008))
INK_SEED, NOISE_SEED = 8821, 8822
NOISES = (1.0, 3.0)


def inks() -> np.ndarray:
    """Return reflectances of 120 invented inks in one and two layers on two papers."""
    return np.array(
        [film_reflectance(ink, p, k) for ink in invent_inks(120, INK_SEED) for p in PAPERS for k in (1, 2)]
    )


def card() -> tuple[Card, np.ndarray]:
    """Return the 24 patches as a card and as reflectances."""
    spectra = np.array(list(chart_reflectances().values()))
    place = np.array([(i // 6, i % 6) for i in range(24)])
    return Card("iso-24.csv", 4, 6, place, spectrum_to_xyz(spectra)), spectra


def of_inks(scanner: Scanner, light: np.ndarray, lab: np.ndarray) -> np.ndarray:
    return delta_e_2000(scanner.to_lab(light), lab)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt((values**2).mean()))


def main(readings: int) -> None:
    films, (known, patches) = inks(), card()
    lab = true_lab(films)
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    rng = np.random.default_rng(NOISE_SEED)
    for kind, lamp in SCANNERS:
        sensor = spectral_scanner(kind) if kind == "three-led" else spectral_scanner(kind, lamp)
        light, clean = sensor.linear(films), sensor.linear(patches)
        print(f"\n{kind}, {lamp}; without a card: mean {of_inks(Scanner(), light, lab).mean():.2f} dE00")
        exact = Patches(clean, known.xyz, np.full_like(clean, 1e-6), np.arange(24))
        oracle = of_inks(fit_scanner(clean, known, np.full_like(clean, 1e-6)), light, lab).mean()
        for family in FAMILIES:
            fitted = fit(family, exact)
            error = delta_e_2000(xyz_to_lab(fitted.model.to_xyz(light)), lab)
            seen = fitted.crossed
            print(
                f"  without noise: card {seen.mean():.2f} / {np.percentile(seen, 95):.2f} / {seen.max():.2f}, inks "
                f"{error.mean():.2f} / {np.percentile(error, 95):.2f} / {error.max():.2f}  {family.name}"
            )
        best = min(
            float(delta_e_2000(xyz_to_lab(fit(family, exact).model.to_xyz(light)), lab).mean())
            for family in FAMILIES
        )
        for noise in NOISES:
            u = noise * (0.002 * clean + 0.0005)
            made = [fit_scanner(clean + u * rng.standard_normal(u.shape), known, u) for _ in range(readings)]
            errors = np.array([of_inks(one, light, lab) for one in made])
            foretold = np.array([one.u_abs(light) for one in made])
            each = [rms(f) / rms(e) for f, e in zip(foretold, errors, strict=True)]
            by_chroma = " ".join(
                f"{rms(foretold[:, inside]) / rms(errors[:, inside]):.2f}"
                for low, high in ((0, 10), (10, 25), (25, 50), (50, 200))
                for inside in [(low <= chroma) & (chroma < high)]
            )
            winners = {one.name: sum(other.name == one.name for other in made) for one in made}
            means = errors.mean(axis=1)
            print(
                f"  noise x{noise:g}: inks mean {means.mean():.2f} (worst reading {means.max():.2f}), "
                f"{means.mean() / oracle:.2f}x the oracle (worst {means.max() / oracle:.2f}x), "
                f"{means.mean() / best:.2f}x the best; rms true {rms(errors):.2f}, u_abs {rms(foretold):.2f}, ratio "
                f"{rms(foretold) / rms(errors):.2f} ({min(each):.2f} to {max(each):.2f}); by chroma {by_chroma}"
            )
            print(f"    chosen: {winners}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
