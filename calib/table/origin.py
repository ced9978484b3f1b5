"""How a measured table was made: what stands in its description under ``notes``."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass, field, fields
from typing import Any

Details = dict[str, Any]
# What answers rest on, and of which kind it must be where it is given; all else is kept for people.
_NUMBER = (int, float)
_KINDS: dict[tuple[str, str], type | tuple[type, ...]] = {
    ("strip", "file"): str,
    ("strip", "kind"): str,
    ("strip", "steps"): int,
    ("scanner", "model"): str,
    ("scanner", "error_dE00"): _NUMBER,
    ("flare", "mean"): _NUMBER,
    ("scatter", "relative_dose"): _NUMBER,
    ("scatter", "degrees_of_freedom"): _NUMBER,
    ("dates", "session"): str,
    ("dates", "dried_hours"): _NUMBER,
}


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError("no text")
    return value


def _file_name(name: str) -> str:
    # Folders say where somebody keeps their files and often who they are.
    return re.split(r"[/\\]", name)[-1]


@dataclass(frozen=True)
class Scan:
    """One scan file: its name without folders, its SHA-256 and the pages found on it."""

    name: str
    sha256: str
    pages: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", _file_name(self.name))
        object.__setattr__(self, "pages", tuple(int(page) for page in self.pages))


@dataclass(frozen=True)
class Origin:
    """Where a table comes from; what is empty is not known.

    program: name and version. chart: the chart's id. scans: the files measured. strip: file
    name, kind ('density', 'Lab' or 'none') and number of steps. scanner: the colour model
    with its cross-validated error. lighting, flare: what was found. scatter: pooled scatter of
    hand colouring with its degrees of freedom. dates: session, measured on, hours dried.
    settings: options that change the numbers. proof: folder of the proof pictures, relative to
    the table. details: anything else. The dictionaries hold plain JSON; tuples in them become
    lists, and NaN is refused with ValueError.
    """

    program: str = ""
    chart: str = ""
    scans: tuple[Scan, ...] = ()
    strip: Details = field(default_factory=dict)
    scanner: Details = field(default_factory=dict)
    lighting: Details = field(default_factory=dict)
    flare: Details = field(default_factory=dict)
    scatter: Details = field(default_factory=dict)
    dates: Details = field(default_factory=dict)
    settings: Details = field(default_factory=dict)
    proof: str = ""
    details: Details = field(default_factory=dict)

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            if isinstance(value, dict):
                plain = json.loads(json.dumps(value, allow_nan=False))
                object.__setattr__(self, one.name, plain)

    @property
    def known(self) -> bool:
        """Whether the table said anything of its making."""
        return self != Origin()

    @property
    def colour_model(self) -> tuple[str, str]:
        """Name and coefficients of the scanner's colour model, empty where not known: equal for tables of one model."""
        return str(self.scanner.get("model", "")), str(self.scanner.get("coefficients", ""))

    def notes(self) -> Details:
        """Return the origin as a plain JSON object; ``from_notes`` takes it back."""
        return {name: value for name, value in asdict(self).items() if value}

    @classmethod
    def from_notes(cls, notes: Details) -> Origin:
        """Return the origin that notes tell of; names that this version does not know are left.

        Raises ValueError with a sentence where a known name holds something of another kind.
        """
        found: Details = {}
        default = cls()
        for one in fields(cls):
            if one.name not in notes:
                continue
            value, kind = notes[one.name], type(getattr(default, one.name))
            if type(value) is not (list if kind is tuple else kind):
                raise ValueError(f"its note '{one.name}' is of the wrong kind")
            found[one.name] = value
        for (note, name), kinds in _KINDS.items():
            value = found.get(note, {}).get(name)
            if value is not None and (not isinstance(value, kinds) or isinstance(value, bool)):
                raise ValueError(f"its note '{note}' has a '{name}' of the wrong kind")
        try:
            found["scans"] = tuple(
                Scan(_text(scan["name"]), _text(scan["sha256"]), tuple(scan.get("pages", ())))
                for scan in found.get("scans", ())
            )
        except (AttributeError, KeyError, TypeError, ValueError) as error:
            raise ValueError("its note 'scans' is of the wrong kind") from error
        return cls(**found)
