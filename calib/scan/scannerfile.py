"""The scanner file: a scanner's colour model to JSON and back, everything wrong with it said at once."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import delta_e_2000, xyz_to_lab
from calib.errors import ImpossibleError, InputError, Problem, raise_all
from calib.files import shorten
from calib.plainjson import read_json
from calib.scan.colourmodel import FAMILIES, ColourModel, Family
from calib.scan.scanner import PATCH_KEYS, Candidate, Scanner, Training

Array = NDArray[np.float64]

FORMAT = "calib scanner"
VERSION = 1
TODO = "Give the .json file that 'calib scanner' wrote."
# A model that was fitted on the patches in its file misses them by less than any card was accepted with.
MOST_MISS = 10.0
MOST_ERROR = 100.0
# No reading of a patch is beyond this: light, and XYZ on a scale to 100.
MOST_LIGHT, MOST_XYZ = 5.0, 500.0
MOST_PLACE = 10_000
MOST_COEFFICIENT = 1e6


def scanner_to_json(scanner: Scanner, notes: Mapping[str, Any] | None = None) -> str:
    """Return the text of a scanner file. notes: how it was made, plain JSON; kept for people, not read back.

    Raises ImpossibleError for a scanner without a card, which has nothing to keep.
    """
    if scanner.model is None or scanner.training is None:
        raise ImpossibleError("A scanner without a colour card has no file", "Scan a colour card first.")
    content: dict[str, Any] = {"format": FORMAT, "version": VERSION, **scanner.described()}
    if notes:
        content["notes"] = dict(notes)
    # One patch a line, so that people can read the file.
    patches = content.pop("patches")
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    lines = ",\n".join("  " + json.dumps(patch, allow_nan=False) for patch in patches)
    return f'{text[:-2]},\n "patches": [\n{lines}\n ]\n}}\n'


def read_scanner(path: Path) -> Scanner:
    """Read a scanner file; raise InputError with everything that is wrong with it."""
    path = Path(path)
    content = read_json(path, "a scanner file", TODO, finite=False)
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise InputError.of(path, "is no scanner file", TODO)
    version = content.get("version")
    if isinstance(version, bool) or version != VERSION:
        raise InputError.of(
            path, f"is a scanner file of version {version!r:.20}; this program reads {VERSION}"
        )
    reader = _Reader(path)
    scanner = reader.scanner(content)
    raise_all(reader.problems, TODO)
    return scanner


@dataclass
class _Reader:
    """Reads the parts of a scanner file and collects what is wrong, so that all of it is said at once."""

    path: Path
    problems: list[Problem] = field(default_factory=list)

    def wrong(self, message: str) -> None:
        self.problems.append(Problem(self.path, 0, message))

    def number(self, record: Any, key: str, where: str, most: float) -> float:
        value = record.get(key) if isinstance(record, dict) else None
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= most:
            self.wrong(f"{where} has no number '{key}' up to {most:g}")
            return 1.0
        return float(value)

    def text(self, record: dict[str, Any], key: str) -> str:
        value = record.get(key)
        if not isinstance(value, str):
            self.wrong(f"has no text '{key}'")
            return ""
        return value

    def records(self, record: dict[str, Any], key: str) -> list[Any]:
        value = record.get(key)
        if not isinstance(value, list) or not value:
            self.wrong(f"has no list '{key}'")
            return []
        return value

    def scanner(self, content: dict[str, Any]) -> Scanner:
        name = self.text(content, "model")
        family = next((one for one in FAMILIES if one.name == name), None)
        if family is None:
            self.wrong(f"names the model '{shorten(name)}', which this program does not know")
        error = self.number(content, "error_dE00", "the file", MOST_ERROR)
        if error <= 0:
            self.wrong("gives an error_dE00 that is not above 0")
        candidates = [self.candidate(one, i) for i, one in enumerate(self.records(content, "candidates"), 1)]
        names = [one.name for one in candidates]
        if candidates and name not in names:
            self.wrong(f"has no figures of its model '{shorten(name)}' among its candidates")
        model = None if family is None else self.model(family, content.get("coefficients"))
        places, light, xyz = self.patches(content)
        training = Training(
            self.text(content, "card"),
            self.text(content, "medium"),
            places,
            light,
            xyz,
            tuple(candidates),
            names.index(name) if name in names else 0,
        )
        if model is not None and not self.problems:
            missed = delta_e_2000(xyz_to_lab(model.to_xyz(light)), xyz_to_lab(xyz)).mean()
            if not missed <= MOST_MISS:
                self.wrong(
                    f"holds a model that misses its own patches by {missed:.1f} dE00, so it was altered"
                )
        return Scanner(name, error, model, training)

    def candidate(self, record: Any, place: int) -> Candidate:
        where = f"candidate {place}"
        name = record.get("model") if isinstance(record, dict) else None
        if not isinstance(name, str):
            self.wrong(f"{where} has no text 'model'")
            name = ""
        keys = ("mean_dE00", "p95_dE00", "max_dE00")
        # A family that broke down may miss by any amount; only a number is asked for.
        return Candidate(name, *(self.number(record, key, where, 1e9) for key in keys))

    def model(self, family: Family, value: Any) -> ColourModel | None:
        wanted = 2 + family.features(np.ones((1, 3))).shape[-1]
        rows = value if isinstance(value, list) else []
        good = len(rows) == wanted and all(
            isinstance(row, list) and len(row) == 3 and all(_is_number(v) for v in row) for row in rows
        )
        if not good:
            self.wrong(f"has no {wanted} rows of three numbers as 'coefficients' of its model")
            return None
        return ColourModel(family, np.array(rows, dtype=float))

    def patches(self, content: dict[str, Any]) -> tuple[NDArray[np.int64], Array, Array]:
        rows = []
        for i, record in enumerate(self.records(content, "patches"), 1):
            most = (MOST_PLACE, MOST_PLACE, *(MOST_LIGHT,) * 3, *(MOST_XYZ,) * 3)
            where = f"patch {i}"
            values = [
                self.number(record, key, where, limit) for key, limit in zip(PATCH_KEYS, most, strict=True)
            ]
            if any(v < 1 or v != int(v) for v in values[:2]):
                self.wrong(f"{where} has a row or column that is no whole number from 1")
            rows.append(values)
        table = np.array(rows, dtype=float).reshape(-1, len(PATCH_KEYS))
        return table[:, :2].astype(np.int64) - 1, table[:, 2:5], table[:, 5:] / 100.0


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= MOST_COEFFICIENT
