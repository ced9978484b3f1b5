"""What stands out, for the top of the page: a line for each part of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from calib.report.chips import Chip
from calib.report.doubles import Doubles
from calib.report.drift import Drifts
from calib.report.papers import Sheets
from calib.report.sitting import Sitting

# So many pens that changed are named at the top.
NAMED = 5
CHANGED = "What has changed"


@dataclass(frozen=True)
class Line:
    """part: the heading it leads to, as an id. what: a word or two. words: the sentence. chips: colours that it speaks of."""

    part: str
    what: str
    words: str
    chips: tuple[Chip, ...] = ()


def lines_of(
    sittings: Sequence[Sitting],
    doubles: Sequence[Doubles],
    drift: Drifts | None,
    papers: Sheets | None,
) -> tuple[Line, ...]:
    """Return a line for each part of the page, in their order: what stands out in the first table, and between the tables."""
    return tuple(_lines(sittings, doubles, drift, papers))


def _lines(
    sittings: Sequence[Sitting],
    doubles: Sequence[Doubles],
    drift: Drifts | None,
    papers: Sheets | None,
) -> Iterator[Line]:
    first = sittings[0] if sittings else None
    yield _reach(first)
    yield Line("maps", "Maps and gaps", " ".join(first.gaps) if first else "")
    yield from _between(drift, papers)
    yield _alike(doubles)
    yield _flagged(sittings)
    yield Line("trust", "How far to trust it", first.short if first else "")


def _reach(sitting: Sitting | None) -> Line:
    ends = _ends(sitting) if sitting else None
    if ends is None:
        return Line("swatches", "Swatches", "")
    said = [f"{called}: {chip.words}, {chip.lightness}" for called, chip in ends]
    chips = tuple(chip for _, chip in ends)
    return Line("swatches", "Swatches", f"Lightest {said[0]}; darkest {said[1]}.", chips)


def _ends(sitting: Sitting) -> tuple[tuple[str, Chip], tuple[str, Chip]] | None:
    """Return the lightest and the darkest swatch, each with what it is called, None where there is only one."""
    found = [
        (f"{' '.join(dict.fromkeys((card.marker, card.name))).strip()}, {chip.coats}", chip)
        for card in sitting.cards
        for chip in card.chips
        if card.kind == "ink"
    ]
    if len(found) < 2:
        return None
    return max(found, key=lambda one: one[1].light), min(found, key=lambda one: one[1].light)


def _between(drift: Drifts | None, papers: Sheets | None) -> Iterator[Line]:
    for one in drift.since if drift is not None else ():
        names = list(dict.fromkeys(f"{row.marker} {row.name}".strip() for row in one.changed))
        more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
        said = (
            f"{len(names)} of {len(one.changed) + len(one.others)} pens: {', '.join(names[:NAMED])}{more}."
            if names
            else f"None of {len(one.others)} pens for certain."
        )
        yield Line("drift", CHANGED, f"Since {one.before} on {one.paper}: {said}")
    if drift is not None and drift.why:
        yield Line("drift", CHANGED, drift.why)
    if papers is not None:
        said = papers.why or " ".join(sentences[0] for sentences in papers.sentences[1:] if sentences)
        yield Line("papers", "Papers side by side", said)


def _alike(doubles: Sequence[Doubles]) -> Line:
    count = sum(one.more + sum(len(groups) for _, groups in one.kinds) for one in doubles)
    if not count and doubles and all(one.why for one in doubles):
        return Line("doubles", "Near-duplicates", "Could not be looked for.")
    groups = f"{count} group{'' if count == 1 else 's'} of pens that look alike."
    return Line("doubles", "Near-duplicates", groups if count else "None among these pens.")


def _flagged(sittings: Sequence[Sitting]) -> Line:
    counts: dict[str, int] = {}
    for reason in (reason for sitting in sittings for reason in sitting.reasons):
        counts[reason.flag] = counts.get(reason.flag, 0) + reason.count
    said = ", ".join(f"{flag} {count}" for flag, count in counts.items())
    return Line("flagged", "Flagged", f"{said}." if said else "Nothing.")
