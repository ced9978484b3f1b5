"""JSON in, strictly: what Python's reader lets through and no file of ours holds is refused with a sentence."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from calib.errors import InputError, Problem
from calib.files import read_text, shorten

# Our own files nest to a depth of about fifteen; what is far deeper only wears out whoever walks through it.
MOST_DEPTH = 60
# IEEE 754 double precision ends at 1.8e308.
MOST_DIGITS = 300


def read_json(path: Path, kind: str, todo: str = "", finite: bool = True) -> Any:
    """Return what a JSON file holds (RFC 8259, an object's names each once, as I-JSON, RFC 7493, wants them).

    kind: what the file should be, such as 'a chart plan'. todo: a way out. finite: refuse NaN and infinities here;
    a reader that looks at every number itself names their places, together with what else is wrong. Raises
    InputError for text that is not JSON, doubled names, half of a surrogate pair, and nesting beyond reason.
    """
    text = read_text(path)
    try:
        content = json.loads(text, object_pairs_hook=_object, parse_int=_whole)
    except json.JSONDecodeError as error:
        message = f"is not valid JSON, so it is not {kind} ({error.msg} in column {error.colno})"
        raise InputError([Problem(Path(path), error.lineno, message)], todo) from error
    except RecursionError as error:
        raise InputError.of(
            path, f"is not valid JSON, so it is not {kind} (nested too deeply)", todo
        ) from error
    except ValueError as error:
        raise InputError.of(path, f"is not valid JSON, so it is not {kind} ({error})", todo) from error
    if found := _problem(content, finite):
        raise InputError.of(path, f"is not valid JSON, so it is not {kind} ({found})", todo)
    return content


def _object(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise ValueError(f"the name '{shorten(name)}' stands twice in one object")
            seen.add(name)
    return found


def _whole(digits: str) -> int | float:
    # So many digits are no count of anything; Python refuses them from a few thousand on, in words for programmers.
    return int(digits) if len(digits) <= MOST_DIGITS else math.inf


def _problem(content: Any, finite: bool) -> str:
    """Return what is wrong inside, or an empty text. A stack of our own, because Python's is what may overflow."""
    waiting = [(content, 1)]
    while waiting:
        value, depth = waiting.pop()
        if depth > MOST_DEPTH:
            return "nested too deeply"
        if isinstance(value, dict):
            waiting += [(name, depth) for name in value]
            waiting += [(item, depth + 1) for item in value.values()]
        elif isinstance(value, list):
            waiting += [(item, depth + 1) for item in value]
        elif isinstance(value, str):
            # One half of a pair of UTF-16 is no letter and cannot be written to any file.
            if not value.isascii() and any("\ud800" <= char <= "\udfff" for char in value):
                return f"half a letter in '{shorten(value)}'"
        elif finite and isinstance(value, float) and not math.isfinite(value):
            return (
                "NaN is not a number"
                if math.isnan(value)
                else "a number is infinite or too large to count with"
            )
    return ""
