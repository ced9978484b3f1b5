"""The folder of proof pictures: what its files are called, and which swatches have one of their own."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

from calib.chart.plan import Plan
from calib.files import make_folder, write_whole
from calib.scan.proof import Proof
from calib.table.flags import FLAGS
from calib.table.table import Table

# What the pictures of pages and of swatches are called.
PROOF_NAME = re.compile(r"(page-\d\d+(-scan-\d+)?|swatch-\d+-\d+-\d+)\.png", re.IGNORECASE)
# What says nothing of a single swatch needs no picture of it.
NO_PICTURE = frozenset({"out-of-srgb", "no-strip", "photo", "forced"})


class ProofFolder:
    """Saves the pictures of pages by page number, each as soon as it is there, and in the end those of flagged swatches."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.seen: dict[int, int] = {}
        # A cell that was scanned several times is shown as the first scan has it.
        self.cells: dict[str, bytes] = {}

    def __call__(self, number: int, proof: Proof) -> None:
        """Save the picture of a page, and keep those of its cells until it is known which of them are flagged."""
        make_folder(self.folder)
        self.seen[number] = self.seen.get(number, 0) + 1
        again = f"-scan-{self.seen[number]}" if self.seen[number] > 1 else ""
        write_whole({self.folder / f"page-{number:02d}{again}.png": proof.page})
        self.cells = {**proof.cells, **self.cells}

    def finished(self, table: Table, plan: Plan, beside: Path) -> Table:
        """Save a picture of each swatch that is flagged, and return the table with the folder and these files in its description.

        beside: the folder in which the table will stand; the proof's is named relative to it. Raises OutputError where a picture cannot be written.
        """
        flagged = {
            (row.marker, row.layers)
            for row in table.readings
            if any(flag in FLAGS and flag not in NO_PICTURE for flag in row.flags)
        }
        named = []
        for cell in (cell for page in plan.pages for cell in page.cells):
            if (cell.marker, cell.layers) in flagged and cell.cell in self.cells:
                name = f"swatch-{cell.cell}.png"
                write_whole({self.folder / name: self.cells[cell.cell]})
                named.append({"marker": cell.marker, "layers": cell.layers, "file": name})
        relative = Path(os.path.relpath(self.folder, beside)).as_posix()
        details = {**table.origin.details, **({"swatch_pictures": named} if named else {})}
        return replace(table, origin=replace(table.origin, proof=relative, details=details))
