"""One word for each row of a comparison, in a fixed order of questions."""

from __future__ import annotations

import numpy as np

from calib.answers.drift.judging import Judged

VERDICTS = ("unreadable", "patchy", "off-hue", "weaker", "stronger", "steady", "unsure")
# Verdicts that say that a pen changed.
FINDINGS = ("patchy", "off-hue", "weaker", "stronger")
# Of all changes that could be called, one in twenty may be a false alarm (Benjamini and Hochberg).
FALSE_DISCOVERIES = 0.05
# A colour is off its dose curve where doubt alone would hardly put it there, and it is off by so much of the least change that
# matters, and of its change along the curve: a curve is known only so well.
OFF_P, OFF_SHARE, OFF_OF_CHANGE = 0.01, 0.4, 0.12


def verdict_of(judged: Judged, i: int, q: float, at_least: float) -> str:
    """Return the verdict on cell i, whose marker would be called at the false discovery rate q.

    A change counts from at_least dE00 on; that of a patchy cell as well by how far the colours inside it spread (see
    ``patchy``), because a pen running dry leaves white grain long before the film between it has another colour.
    """
    seen = float(judged.seen[i])
    patchy = bool(judged.even.clear[i]) and max(seen, float(judged.even.grown[i])) >= at_least
    if q < FALSE_DISCOVERIES and patchy:
        return "patchy"
    if q < FALSE_DISCOVERIES and seen >= at_least:
        off = float(judged.off[i])
        strength = float(judged.strength[i])
        if not np.isfinite(strength) or (
            judged.p_off[i] < OFF_P and off >= OFF_SHARE * at_least and off >= OFF_OF_CHANGE * seen
        ):
            return "off-hue"
        return "weaker" if strength < 1 else "stronger"
    return "steady" if float(judged.high[i]) < at_least else "unsure"
