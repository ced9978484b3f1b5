"""Which font has which character, how wide a text is, and how it is broken or shortened to fit.

It knows nothing of the PDF: a font is anything with a character map and widths, and ``page``
loads it. Widths are in millimetres, sizes in points.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

MM_PER_POINT = 25.4 / 72.0
LINE = 1.2
REGULAR = "NotoSans-Condensed.ttf"
BOLD = "NotoSans-CondensedBold.ttf"
# A fallback is loaded only for a character of its own blocks (Unicode 15, Blocks.txt). The last
# one is large, a third of a second to load, and it is asked for everything that is left.
FALLBACKS: tuple[tuple[str, tuple[tuple[int, int], ...]], ...] = (
    ("NotoSansArmenian-Condensed.ttf", ((0x0530, 0x058F), (0xFB13, 0xFB17))),
    ("NotoSansHebrew-Condensed.ttf", ((0x0590, 0x05FF), (0xFB1D, 0xFB4F))),
    ("NotoSansThai-Condensed.ttf", ((0x0E00, 0x0E7F),)),
    ("NotoSansGeorgian-Condensed.ttf", ((0x10A0, 0x10FF), (0x1C90, 0x1CBF), (0x2D00, 0x2D2F))),
    ("DroidSansFallbackFull.ttf", ((0x0000, 0x10FFFF),)),
)
SUBSTITUTE = "?"


class Font(Protocol):
    """What a font must tell: its character map, and its advance widths in thousandths of an em."""

    @property
    def cmap(self) -> Mapping[int, str]:
        """Glyph names by code point."""

    @property
    def cw(self) -> Mapping[int, float]:
        """Advance widths by code point."""


@dataclass(frozen=True)
class Run:
    """A stretch of text in one font; heavy where a light font must be thickened to look bold."""

    font: str
    text: str
    heavy: bool


@dataclass(frozen=True)
class Block:
    """Text set to fit a rectangle: the size and the lines, each with whether it is bold."""

    size_pt: float
    lines: tuple[tuple[str, bool], ...]


@dataclass
class Lettering:
    """Chooses fonts and measures. load returns a font by its file name, the same one every time.

    reorder turns a text with right-to-left letters into the order in which it is drawn.
    """

    load: Callable[[str], Font]
    reorder: Callable[[str], str]
    _chosen: dict[tuple[str, bool], str | None] = field(default_factory=dict)
    _runs: dict[tuple[str, bool], tuple[Run, ...]] = field(default_factory=dict)

    def runs(self, text: str, bold: bool = False) -> tuple[Run, ...]:
        """Return the text in drawing order, cut where the font changes."""
        key = (text, bold)
        if key not in self._runs:
            self._runs[key] = self._cut(text, bold)
        return self._runs[key]

    def missing(self, text: str) -> str:
        """Return the characters of a text that no font has, each once."""
        return "".join(c for c in dict.fromkeys(_drawable(text)) if self._font_of(c, False) is None)

    def width(self, text: str, size_pt: float, bold: bool = False) -> float:
        """Return the width of a text in millimetres."""
        em = sum(self.load(run.font).cw[ord(c)] for run in self.runs(text, bold) for c in run.text)
        return float(em) / 1000.0 * size_pt * MM_PER_POINT

    def shortened(self, text: str, most_mm: float, size_pt: float, bold: bool = False) -> str:
        """Return the text, or as much of its beginning as fits with an ellipsis, or nothing."""
        if self.width(text, size_pt, bold) <= most_mm:
            return text
        pieces = _clusters(text)
        low, high = 0, len(pieces)
        while low < high:
            middle = (low + high + 1) // 2
            if self.width("".join(pieces[:middle]).rstrip() + "…", size_pt, bold) <= most_mm:
                low = middle
            else:
                high = middle - 1
        return "".join(pieces[:low]).rstrip() + "…" if low else ""

    def wrapped(self, text: str, most_mm: float, size_pt: float, bold: bool = False) -> tuple[str, ...]:
        """Return the text in lines: broken at spaces, inside a word only where it is too long."""
        lines: list[str] = []
        line = ""
        for word in text.split():
            longer = f"{line} {word}" if line else word
            if self.width(longer, size_pt, bold) <= most_mm:
                line = longer
                continue
            if line:
                lines.append(line)
            line = ""
            for piece in _clusters(word):
                if line and self.width(line + piece, size_pt, bold) > most_mm:
                    lines.append(line)
                    line = ""
                line += piece
        return (*lines, line) if line else tuple(lines)

    def block(
        self,
        versions: Sequence[Sequence[tuple[str, bool]]],
        room_mm: tuple[float, float],
        sizes_pt: Sequence[float],
    ) -> Block:
        """Return the first of several versions of a text that fits a width and height.

        Every size is tried for a version before the next, shorter version is; where not even
        the last one fits, as many of its paragraphs as do.
        """
        for version in versions:
            for size in sizes_pt:
                lines = self._set(version, room_mm[0], size)
                if len(lines) * size * LINE * MM_PER_POINT <= room_mm[1]:
                    return Block(size, lines)
        last = list(versions[-1])
        while len(last) > 1:
            last.pop()
            lines = self._set(last, room_mm[0], sizes_pt[-1])
            if len(lines) * sizes_pt[-1] * LINE * MM_PER_POINT <= room_mm[1]:
                return Block(sizes_pt[-1], lines)
        return Block(sizes_pt[-1], ())

    def _set(
        self, paragraphs: Sequence[tuple[str, bool]], width_mm: float, size: float
    ) -> tuple[tuple[str, bool], ...]:
        return tuple(
            (line, bold) for text, bold in paragraphs for line in self.wrapped(text, width_mm, size, bold)
        )

    def _cut(self, text: str, bold: bool) -> tuple[Run, ...]:
        clean = _drawable(text)
        if any(unicodedata.bidirectional(c) in ("R", "AL") for c in clean):
            clean = self.reorder(clean)
        main = BOLD if bold else REGULAR
        runs: list[Run] = []
        for char in clean:
            font = self._font_of(char, bold)
            if font is None:
                char, font = SUBSTITUTE, main
            if runs and runs[-1].font == font:
                runs[-1] = Run(font, runs[-1].text + char, runs[-1].heavy)
            else:
                runs.append(Run(font, char, bold and font != main))
        return tuple(runs)

    def _font_of(self, char: str, bold: bool) -> str | None:
        """Return the file of the font that has a character, or None."""
        key = (char, bold)
        if key not in self._chosen:
            code = ord(char)
            names = [BOLD if bold else REGULAR]
            names += [name for name, blocks in FALLBACKS if any(a <= code <= b for a, b in blocks)]
            self._chosen[key] = next((name for name in names if code in self.load(name).cmap), None)
        return self._chosen[key]


def _drawable(text: str) -> str:
    """Return the text without what has no shape: joiners, variation selectors, odd spaces."""
    kept = []
    for char in text:
        category = unicodedata.category(char)
        if category in ("Zs", "Zl", "Zp"):
            kept.append(" ")
        elif category[0] != "C" and not 0xFE00 <= ord(char) <= 0xFE0F:
            kept.append(char)
        elif category in ("Co", "Cn"):
            # Private and unassigned characters do have a shape somewhere, just not here.
            kept.append(char)
    return "".join(kept)


def _clusters(text: str) -> list[str]:
    """Return the text in pieces that must not be parted: a letter with its combining marks."""
    pieces: list[str] = []
    for char in text:
        if pieces and unicodedata.category(char) in ("Mn", "Me", "Mc"):
            pieces[-1] += char
        else:
            pieces.append(char)
    return pieces
