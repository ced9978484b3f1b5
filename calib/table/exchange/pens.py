"""What the formats share: which rows an export is about, what is unknown in them, and what is said of the rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.errors import ImpossibleError
from calib.overlays import KIND as OVERLAY
from calib.table.flags import FLAGS
from calib.table.table import NO_PENS, Reading, Table


@dataclass(frozen=True)
class Export:
    """A table as bytes of another format. rows: how many it holds. warnings: sentences for the user."""

    data: bytes
    rows: int
    warnings: tuple[str, ...] = ()


def pens_with_colour(table: Table) -> tuple[tuple[Reading, ...], tuple[str, ...]]:
    """Return the rows of pens that have a colour, in the table's order, and warnings about the others.

    The paper and the printed black are no pens, and neither is one ink over another. Raises ImpossibleError where no row is left.
    """
    pens = [row for row in table.readings if row.kind not in (*NO_PENS, OVERLAY)]
    overlays = [row.marker for row in table.readings if row.kind == OVERLAY]
    rows = tuple(row for row in pens if row.lab is not None)
    if not rows:
        raise ImpossibleError(
            "none of the table's pens has a colour, so there is nothing to export",
            "Use --as json or --as datapackage, which keep rows without a colour.",
        )
    without = [called(row) for row in pens if row.lab is None]
    doubtful = [f"{called(row)}: {', '.join(lost)}" for row in rows if (lost := taken_away(row))]
    warnings = []
    if overlays:
        warnings.append(f"left out, because one ink over another is no pen: {listed(overlays)}")
    if without:
        warnings.append(f"left out, because no colour was read: {listed(without)}")
    if doubtful:
        warnings.append(f"exported with its flag, though the colour is not this ink's: {listed(doubtful)}")
    return rows, tuple(warnings)


def taken_away(row: Reading) -> tuple[str, ...]:
    """Return the flags of a row that take its colour away: a bound, or that of something else."""
    return tuple(flag for flag in row.flags if flag in FLAGS and not FLAGS[flag].keeps_colour)


def coats(row: Reading) -> str:
    """Return '1 coat' or '2 coats'."""
    return f"{row.layers} coat{'s' if row.layers != 1 else ''}"


def called(row: Reading) -> str:
    """Return what a sentence calls a row: '008 (2 coats)'."""
    return f"{row.marker} ({coats(row)})"


def listed(names: Sequence[str], most: int = 8) -> str:
    """Return names in one line, the first few of many."""
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + rest


def one_line(text: str) -> str:
    """Return text without line ends, controls and what turns the reading direction; spaces evened out."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
