"""Colour cards: how far right and wrong files are from the readings, how many cards are found, and how well they read.

    python tests/benchmarks/cards.py [pages [first seed]]

Prints first the misfit (mean dE00 after the best white-preserving matrix, as scan/cardcolours counts it) of cards under
their own file, upside down, mirrored, and with shuffled files, for four sensors; then, of simulated carrier pages, how many
were found and what their patches read against the simulator's truth, and how many wrong files were refused. Reflectances are
measured ones (24 patches), recovered from published colours (colour-science, Otsu's method), or invented.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from simulated import strip_of

from calib.chart.carrier import lay_out_carrier
from calib.colour.card import Card
from calib.colour.colorimetry import delta_e_2000, xyz_to_lab
from calib.scan.card import MARGIN_MM, MOST_MISFIT, CardNotFound, CardReading, CardUnfit, find_card
from calib.scan.cardcolours import best_lab, wrong_in_places
from calib.scan.image import read_pictures
from calib.scan.reading import read_picture
from calib.scan.scanner import Scanner as Model
from calib.synthetic.card import SimCard, invented_card, published_card
from calib.synthetic.scan import simulate_page
from calib.synthetic.scanners import KINDS, spectral_scanner
from calib.synthetic.session import CardLaying, Laying, Scanner, Session
from calib.synthetic.spectra import library, on_grid, spectrum_to_xyz
from calib.synthetic.writing import write_scan

PERMUTATIONS = 40


def recovered(patches: int) -> tuple[int, int, np.ndarray]:
    """Return rows, columns and reflectances of a published card of so many patches, recovered from its colours."""
    colour = library()
    card = next(c for c in colour.CCS_COLOURCHECKERS.values() if len(c.data) == patches)
    xyz = colour.xyY_to_XYZ(np.array(list(card.data.values())))
    white = colour.xy_to_XYZ(card.illuminant)
    d65 = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    xyz = colour.adaptation.chromatic_adaptation_VonKries(xyz / max(1.0, xyz[:, 1].max()), white, d65)
    spectra = [colour.XYZ_to_sd(np.maximum(v, 1e-3), method="Otsu 2018") for v in xyz]
    return card.rows, card.columns, np.clip([on_grid(s.wavelengths, s.values) for s in spectra], 0.005, 1)


def misfit(light: np.ndarray, xyz: np.ndarray) -> np.ndarray:
    """Return dE00 (n,) to the file's colours by the best matrix."""
    return np.asarray(delta_e_2000(best_lab(light, xyz), xyz_to_lab(xyz)))


def files() -> None:
    """Print how far right and wrong files are from the readings."""
    published, invented = published_card(), invented_card(12, 22, 77)
    cards = {
        "24 measured": (4, 6, published.reflectance),
        "45 recovered": recovered(45),
        "140 recovered": recovered(140),
        "264 invented": (12, 22, invented.reflectance),
    }
    rng = np.random.default_rng(1)
    print(f"misfit, mean dE00; a card is refused above {MOST_MISFIT}")
    print(
        f"{'card':14}{'sensor':14}{'right':>6}{'95 %':>6}{'worst':>6}{'upside down':>13}{'mirrored':>10}{'shuffled, least':>17}"
    )
    for name, (rows, columns, reflectance) in cards.items():
        xyz = spectrum_to_xyz(reflectance)
        place = np.array([(r, c) for r in range(rows) for c in range(columns)])
        for kind in KINDS:
            light = spectral_scanner(kind).linear(reflectance)
            right = misfit(light, xyz)
            square = light.reshape(rows, columns, 3)
            down, *mirrored = (
                misfit(seen.reshape(-1, 3), xyz).mean()
                for seen in (square[::-1, ::-1], square[::-1], square[:, ::-1])
            )
            shuffled = min(misfit(rng.permutation(light), xyz).mean() for _ in range(PERMUTATIONS))
            said = wrong_in_places(
                best_lab(light, xyz), xyz_to_lab(xyz), Card(name, rows, columns, place, xyz)
            )
            print(
                f"{name:14}{kind:14}{right.mean():6.1f}{np.percentile(right, 95):6.1f}{right.max():6.1f}{down:13.1f}{min(mirrored):10.1f}{shuffled:17.1f}"
                + (f"  REFUSED: {said}" if said else "")
            )


def made(seed: int) -> tuple[SimCard, tuple[float, float], Session, float]:
    """Return a card of random make, its slot, a session and the scan's dpi."""
    rng = np.random.default_rng(seed)
    kinds = [None, (10, 14), (6, 8), (12, 22), (4, 6)]
    grid = kinds[seed % len(kinds)]
    card = published_card() if grid is None else invented_card(*grid, seed)
    size = (float(rng.uniform(150, 200)), float(rng.uniform(95, 130)))
    share = float(rng.choice([0.0, 0.03, 0.1, 0.25]))
    gap = (share * size[0] / card.columns, share * size[1] / card.rows)
    border = tuple(float(v) for v in rng.uniform(2, 14, 4))
    card = replace(
        card, size_mm=size, border_mm=border, gap_mm=gap, frame=float(rng.choice([0.03, 0.2, 0.5, 0.9]))
    )
    laying = CardLaying(
        offset_mm=(float(rng.uniform(-2, 2)), float(rng.uniform(-2, 2))),
        turn_deg=float(rng.uniform(-2, 2) + rng.choice([0, 180])),
        gloss=int(rng.integers(0, 30)),
        dust=int(rng.integers(0, 30)),
        scratches=int(rng.integers(0, 6)),
    )
    # The colorimetric sensor's sRGB cannot hold these colours: their clipping is another matter.
    kind = str(rng.choice([k for k in KINDS if k != "colorimetric"]))
    scanner = Scanner(kind=kind, bits=int(rng.choice([8, 16])), flare=float(rng.choice([0.0, 0.015, 0.04])))
    laid = Laying(turn_deg=float(rng.uniform(-1, 1) + rng.choice([0, 180])))
    return (
        card,
        size,
        Session(card=laying, scanner=scanner, laying=laid, seed=seed),
        float(rng.choice([150, 300])),
    )


def wrong_files(card: Card, seed: int) -> dict[str, Card]:
    """Return files that are not this card's."""
    rng = np.random.default_rng(seed)
    last = np.array([card.rows - 1, card.columns - 1])
    other = invented_card(card.rows, card.columns, seed + 5000)
    return {
        "rows and columns exchanged": replace(
            card, rows=card.columns, columns=card.rows, place=card.place[:, ::-1]
        ),
        "columns from the other end": replace(card, place=card.place * [1, -1] + last * [0, 1]),
        "rows from the other end": replace(card, place=card.place * [-1, 1] + last * [1, 0]),
        "shuffled": replace(card, xyz=rng.permutation(card.xyz)),
        "another card": replace(card, xyz=other.xyz),
        "two patches exchanged": replace(card, xyz=_exchanged(card.xyz)),
    }


def _exchanged(xyz: np.ndarray) -> np.ndarray:
    """Return colours with the two of them exchanged that are farthest apart."""
    lab = xyz_to_lab(xyz)
    i, j = np.unravel_index(int(np.argmax(delta_e_2000(lab[:, None], lab[None]))), (len(xyz), len(xyz)))
    result = xyz.copy()
    result[[i, j]] = xyz[[j, i]]
    return result


def page(seed: int, refused: Counter[str], tried: Counter[str]) -> tuple[str, CardReading | None, np.ndarray]:
    """Simulate one page, read its card, and try wrong files on it; return what there is to say, and dE00."""
    sim, size, session, dpi = made(seed)
    carrier = lay_out_carrier(size)
    scan = simulate_page(carrier.plan, 1, {}, session, dpi=dpi, card=sim)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "page.tif"
        write_scan(path, scan.pixels, dpi)
        (picture,) = read_pictures(path, "")
        (read,) = read_picture(picture, carrier.plan, strip_of(scan.truth.strip_densities))
    slot = read.frame.page.slot
    assert slot is not None and scan.truth.card is not None
    box = slot.grown(MARGIN_MM)
    codes = read.codes(box)
    light, ends = read.reflectance(codes, box), (codes <= 0) | (codes >= 1)
    file = Card("card.csv", sim.rows, sim.columns, sim.place, sim.xyz)
    around = (slot.width_mm, slot.height_mm)
    words = f"{seed} {sim.rows}x{sim.columns} {session.scanner.kind} {dpi:.0f} dpi: "
    begun = time.process_time()
    found: CardReading | None
    try:
        found = find_card(light, read.per_mm, around, file, ends)
    except CardUnfit as error:
        found, words = error.reading, words + f"UNFIT {error}; "
    except CardNotFound as error:
        return words + f"REFUSED {error}", None, np.empty(0)
    seconds = time.process_time() - begun
    truth, model = scan.truth.card, Model()
    error_of = delta_e_2000(model.to_lab(found.linear), model.to_lab(truth.linear))
    error_of = error_of[found.clipped <= 0.02]
    right = abs((found.turn - session.card.turn_deg + 180) % 360 - 180) < 5
    for name, wrong in wrong_files(file, seed).items():
        tried[name] += 1
        try:
            find_card(light, read.per_mm, around, wrong, ends)
        except CardUnfit:
            pass
        except CardNotFound:
            refused[name] += 1
    words += f"{'' if right else 'WRONG WAY UP, '}misfit {found.mismatch:.1f}, dE00 mean {error_of.mean():.3f}, worst {error_of.max():.2f}, {seconds:.2f} s"
    return words, found if right else None, error_of


def main() -> None:
    """Print all of it."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 91000
    files()
    refused, tried = Counter[str](), Counter[str]()
    errors, found = [], 0
    for seed in range(first, first + count):
        words, reading, error_of = page(seed, refused, tried)
        found += reading is not None
        errors.append(error_of)
        print(words, flush=True)
    every = np.concatenate(errors)
    print(f"cards found the right way up: {found} of {count}")
    if len(every):
        print(
            f"patch light to the truth: dE00 mean {every.mean():.3f}, 95 % {np.percentile(every, 95):.3f}, worst {every.max():.2f}"
        )
    for name in tried:
        print(f"refused with the file's {name}: {refused[name]} of {tried[name]}")


if __name__ == "__main__":
    main()
