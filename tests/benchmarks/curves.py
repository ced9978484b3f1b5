"""Tone curves from strips whose steps err: the light of paper and of dark inks, and whether the doubt holds.

    python tests/benchmarks/curves.py [strips] [first seed]

Arrays only: the steps of a strip are read through an encoding, each off by an honest error of its density (0.01, one
standard deviation) and by noise, and the curve is asked for the light of papers, of the middle and of dark inks. Prints, for each encoding over
all strips: median, 95 % and maximum of the relative error of paper, of the middle in L*, of the darks in L*; the spread of the channels' differences at paper
(its 95 %, relative); and the root mean square of error over stated doubt at paper, middle and darks.

Encodings: IEC 61966-2-1 by colour-science; powers; CIE L*; the others are invented: contrast curves, a lifted
toe, a bent shoulder, a black point that was moved.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numpy as np

from calib.scan.tone import fit_tone, lightness
from calib.synthetic.spectra import library

Array = Any
FIRST_SEED = 60000
ERROR = 0.01
STRIPS: dict[str, Array] = {
    "6 uneven": np.array([0.05, 0.235, 0.45, 0.71, 1.03, 1.46]),
    "7 by 0.3": 0.05 + 0.3 * np.arange(7),
    "10 by 0.15": 0.05 + 0.15 * np.arange(10),
    "10 by 0.2, from 0.15": 0.15 + 0.2 * np.arange(10),
    "14 by 0.15": 0.05 + 0.15 * np.arange(14),
    "20 by 0.1": 0.05 + 0.1 * np.arange(20),
    "21 by 0.15": 0.05 + 0.15 * np.arange(21),
}
PAPERS = np.array([0.78, 0.84, 0.88, 0.92])
MIDDLE = np.geomspace(0.06, 0.7, 12)
DARKS = np.array([0.006, 0.01, 0.015, 0.02, 0.03])


def srgb(light: Array) -> Array:
    return library().models.eotf_inverse_sRGB(light)


def contrast(light: Array, much: float) -> Array:
    codes = srgb(light)
    return (1 - much) * codes + much * (3 * codes**2 - 2 * codes**3)


def cie(light: Array) -> Array:
    return library().colorimetry.lightness_CIE1976(100 * np.asarray(light)) / 100


ENCODINGS: dict[str, Callable[[Array], Array]] = {
    "sRGB": srgb,
    "linear": lambda light: light,
    "gamma 1.8": lambda light: light ** (1 / 1.8),
    "gamma 2.2": lambda light: light ** (1 / 2.2),
    "gamma 2.4": lambda light: light ** (1 / 2.4),
    "L*": cie,
    "contrast 0.1": lambda light: contrast(light, 0.1),
    "contrast 0.35": lambda light: contrast(light, 0.35),
    "toe": lambda light: srgb(light) + 0.03 * np.exp(-srgb(light) / 0.12),
    "shoulder": lambda light: 1.06 * srgb(light) - 0.06 * srgb(light) ** 4,
    "black moved": lambda light: np.maximum(1.04 * srgb(light) - 0.04, 0),
    "veil 1 %": lambda light: srgb(0.99 * light + 0.006),
}


def one(encoding: Callable[[Array], Array], stated: Array, seed: int, bits: int = 8) -> tuple[Array, ...]:
    """Return the errors (3) of paper, relative, of middle and darks in L*, for each light and channel, and the doubts."""
    rng = np.random.default_rng(seed)
    true = 10.0 ** -(stated + ERROR * rng.standard_normal(len(stated)))
    gains = rng.uniform(0.9, 1.03, 3)

    def decoded(light: Array) -> Array:
        return np.asarray(library().models.eotf_sRGB(encoding(np.asarray(light)[:, None] * gains)))

    steep = (decoded(true * 1.01) - decoded(true * 0.99)) / (0.02 * true[:, None])
    noise = (2e-4 + 5e-4 * true[:, None]) * np.maximum(steep, 1e-3)
    readings = decoded(true) + noise * rng.standard_normal((len(true), 3))
    tone = fit_tone(readings, np.repeat(10.0 ** -stated[:, None], 3, axis=1), noise)
    result = []
    for light in (PAPERS, MIDDLE, DARKS):
        found = tone(decoded(light))
        u = tone.u(found)
        rise = (lightness(light * 1.001) - lightness(light * 0.999))[:, None] / (0.002 * light[:, None])
        off = found - light[:, None]
        if light is PAPERS:
            result += [off / light[:, None], off / u]
        else:
            result += [100 * rise * off, off / u]
    return tuple(result)


def main(strips: int = 40, first: int = FIRST_SEED) -> None:
    """Print a row for each encoding and one for each strip."""
    rows: dict[str, list[tuple[Array, ...]]] = {}
    for name, encoding in ENCODINGS.items():
        for strip, stated in STRIPS.items():
            for seed in range(first, first + strips):
                found = one(encoding, stated, seed)
                rows.setdefault(name, []).append(found)
                rows.setdefault(strip, []).append(found)
                rows.setdefault("all", []).append(found)
    print(
        f"{'':22s} paper, %  med   95 %    max | casts 95 % | middle, L* med 95 % max | darks, L* med 95 % max | error over doubt"
    )
    for name, found in rows.items():
        paper, over_paper, middle, over_middle, dark, over_dark = (
            np.array(v) for v in zip(*found, strict=True)
        )
        cast = np.ptp(paper, axis=2)
        print(
            f"{name:22s}        {_three(100 * paper)} | {100 * np.percentile(cast, 95):6.2f} |"
            f" {_three(middle)} | {_three(dark)} | "
            + " ".join(
                f"{np.sqrt(np.mean(np.square(v))):5.2f}" for v in (over_paper, over_middle, over_dark)
            ),
            flush=True,
        )


def _three(values: Array) -> str:
    size = np.abs(values)
    return f"{np.median(size):6.2f} {np.percentile(size, 95):6.2f} {size.max():6.2f}"


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:3]))
