"""Swatches as a reader sees them: a chip of colour, its lightness as a grey, and words for both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.answers.doubles.pens import natural
from calib.colour.colorimetry import lab_to_hex, lab_to_lch
from calib.colour.naming import colour_words, hue_word, is_grey, lightness_word
from calib.table.sessions import Session
from calib.table.table import Reading

# A hue has a place in an order only where there is one; greys come last, from light to dark.
GREY_HUE = 1099.0


@dataclass(frozen=True)
class Chip:
    """One swatch. hex, grey: what a screen shows of the colour and of its lightness; showable: whether hex is the colour itself.

    lightness: 'L 63'. facts: what the tooltip tells, (name, value). flags: words of the row. light, hue: keys to sort by.
    family, depth: the hue and the lightness to filter by.
    """

    layers: int
    hex: str
    grey: str
    showable: bool
    words: str
    lightness: str
    facts: tuple[tuple[str, str], ...]
    flags: tuple[str, ...]
    light: float
    hue: float
    family: str
    depth: str

    @property
    def coats(self) -> str:
        """How many coats, in words."""
        return coats_words(self.layers)

    @property
    def flagged(self) -> bool:
        """Whether something is to be said of the swatch; that a screen cannot show it is said beside it."""
        return any(flag != "out-of-srgb" for flag in self.flags)


@dataclass(frozen=True)
class Card:
    """One pen with its swatches; missing: why a coat has none, (layers, reason)."""

    marker: str
    name: str
    set: str
    chips: tuple[Chip, ...]
    missing: tuple[tuple[int, str], ...]
    order: int
    kind: str


def coats_words(layers: int) -> str:
    """Return how many coats, in words: '1 coat', '2 coats', nothing for bare paper."""
    return "1 coat" if layers == 1 else f"{layers} coats" if layers else ""


def chip_of(row: Reading, white: Sequence[float] | None) -> Chip:
    """Return the chip of a row that has a colour. white: (3,) Lab of the bare paper, None where it is not known."""
    lab = np.array(row.lab, dtype=float)
    L, C, h = (float(v) for v in lab_to_lch(lab))
    (own, inside), (grey, _) = lab_to_hex(np.array([lab, [L, 0.0, 0.0]]))
    facts = [
        ("L*a*b*", f"{L:.1f} {_signed(lab[1])} {_signed(lab[2])}"),
        ("chroma, hue", f"C* {C:.1f}, h {h:.0f}°"),
    ]
    if row.u_L is not None and row.u_a is not None and row.u_b is not None:
        facts.append(("give or take", f"{row.u_L:.2f} {row.u_a:.2f} {row.u_b:.2f}"))
    if row.dE00_paper is not None:
        facts.append(("from the paper", f"{row.dE00_paper:.1f} dE00"))
    shown = row.hex if row.hex is not None and row.in_srgb is not None else own
    showable = row.in_srgb if row.in_srgb is not None else bool(inside)
    facts.append(("screen", shown + ("" if showable else ", the nearest that a screen has")))
    neutral = is_grey(lab, white)
    return Chip(
        row.layers,
        shown,
        grey,
        showable,
        colour_words(lab, white),
        f"L {L:.0f}",
        tuple(facts),
        row.flags,
        L,
        GREY_HUE - L if neutral else h,
        "grey" if neutral else hue_word(lab),
        lightness_word(L),
    )


def cards_of(session: Session) -> tuple[Card, ...]:
    """Return the pens of a session as cards, in the order of the table; a pen without any colour has a card too."""
    white = session.white.lab if session.white is not None else None
    rows: dict[str, list[Reading]] = {}
    for row in session.rows:
        rows.setdefault(row.marker, []).append(row)
    return tuple(_card(order, own, white) for order, own in enumerate(rows.values()))


def _card(order: int, rows: Sequence[Reading], white: Sequence[float] | None) -> Card:
    first = rows[0]
    rows = sorted(rows, key=lambda row: row.layers)
    return Card(
        first.marker,
        first.name,
        first.set,
        tuple(chip_of(row, white) for row in rows if row.lab is not None),
        tuple((row.layers, ", ".join(row.flags) or "not read") for row in rows if row.lab is None),
        order,
        first.kind,
    )


def families_of(cards: Sequence[Card]) -> tuple[str, ...]:
    """Return the hues that occur, in the order of the circle, greys last."""
    first: dict[str, float] = {}
    for chip in (chip for card in cards for chip in card.chips):
        first[chip.family] = min(chip.hue, first.get(chip.family, GREY_HUE))
    return tuple(sorted(first, key=lambda family: (first[family], natural(family))))


def sets_of(cards: Sequence[Card]) -> tuple[str, ...]:
    """Return the sets that pens are of, in the order of the list."""
    return tuple(dict.fromkeys(card.set for card in cards if card.set))


def _signed(value: float) -> str:
    """Return a number with its sign and one decimal, and never a nought below nought; with a true minus."""
    return f"{round(float(value), 1) + 0.0:+.1f}".replace("-", "\N{MINUS SIGN}")
