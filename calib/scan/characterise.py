"""A colour card on its carrier page to the scanner's colour model: the order of the work."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import calib
from calib.chart.carrier import Carrier
from calib.colour.card import Card
from calib.colour.reference import Strip
from calib.errors import NotFoundError, UnfitError
from calib.scan.card import MARGIN_MM, CardNotFound, CardReading, CardUnfit, find_card
from calib.scan.image import AT_THE_END, file_sha256, read_pictures
from calib.scan.reading import read_picture
from calib.scan.scanner import Scanner
from calib.scan.scannerfit import fit_scanner
from calib.scan.sheet import PageReading


@dataclass(frozen=True)
class Characterised:
    """The scanner's model. notes: how it was made, plain JSON. warnings: sentences for the user."""

    scanner: Scanner
    notes: dict[str, Any]
    warnings: tuple[str, ...]


def characterise(carrier: Carrier, scan: Path, card: Card, strip: Strip, medium: str = "") -> Characterised:
    """Fit the colour model of the scanner that made this scan of a card on its carrier page.

    medium: what the card is made of, in the user's words. Raises the CalibError of a scan in which page, strip or
    card are not found, or whose patches cannot serve.
    """
    digest = file_sha256(scan)
    warnings: list[str] = []
    pages: list[PageReading] = []
    for picture in read_pictures(scan, digest):
        warnings += [f"{picture.name}: {note}" for note in picture.notes]
        pages += read_picture(picture, carrier.plan, strip)
    if len(pages) > 1:
        warnings.append(f"{Path(scan).name} shows the carrier {len(pages)} times; the first is used")
    page = pages[0]
    warnings += page.warnings
    reading = _card_on(page, carrier, card)
    scanner = fit_scanner(reading.linear, card, reading.u, medium)
    return Characterised(scanner, _notes(page, carrier, strip, reading), tuple(warnings))


def _card_on(page: PageReading, carrier: Carrier, card: Card) -> CardReading:
    """Find and read the card in the carrier's slot."""
    slot = carrier.slot
    box = slot.grown(MARGIN_MM)
    codes = page.codes(box)
    ends = (codes <= AT_THE_END) | (codes >= 1 - AT_THE_END)
    light = page.reflectance(codes, box)
    size = (slot.width_mm, slot.height_mm)
    try:
        return find_card(light, page.per_mm, size, card, ends)
    except CardUnfit as error:
        raise UnfitError(
            f"{page.picture.name}: the colour card was found, but {error}",
            "Turn off the scanner's automatic exposure and contrast, and lay the whole card in the slot. Where single "
            "colours still run out of range, have the scanner save its own colours instead of sRGB, or in 48 bits.",
        ) from error
    except CardNotFound as error:
        raise NotFoundError(
            f"{page.picture.name}: the card of {card.name} was not found in the slot: {error}",
            "Check that the file is this card's, with row 1 and column 1 where the card has them, and that the card lies "
            "face to the glass within 2 mm of its slot.",
        ) from error


def _notes(page: PageReading, carrier: Carrier, strip: Strip, reading: CardReading) -> dict[str, Any]:
    """Return what is kept of how the model was made."""
    return {
        "program": f"calib {calib.__version__}",
        "carrier": carrier.plan.chart,
        "scan": {"file": page.picture.path.name, "sha256": page.picture.sha256},
        "bits": page.picture.bits,
        "profile": page.decode.name,
        "dpi_measured": round(page.frame.pixels_per_mm * 25.4, 1),
        "strip": {"file": strip.name, "kind": strip.kind, "steps": len(strip.widths)},
        "tone_residual_L": round(page.tone.residual, 3),
        "flare": round(float(page.lighting.flare.sum()), 5),
        "u_flare": round(page.lighting.u_flare, 5),
        "card_turned": reading.turn,
        "patches_read": int(np.isfinite(reading.linear).all(axis=1).sum()),
        "matrix_misses_dE00": round(reading.mismatch, 3),
    }
