"""What differs between the sessions of two papers besides the paper, in sentences: each of it could pass for the paper's doing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from calib.answers.papers.sheets import Sheet
from calib.answers.papers.swatches import models_of
from calib.table.sessions import Session

# Ink dried so many times as long is another colour (common practice: a day is enough, an hour is not).
LONGER = 2.0
# Rows of these kinds were not taken as the others were.
OTHERWISE = {
    "no-strip": "without a grey strip",
    "photo": "as a photograph",
    "forced": "from a scan that was not fit to measure",
}
MOST_NAMED = 5


def conditions(first: Sheet, other: Sheet) -> list[str]:
    """Return sentences on what else differs between a paper and the first one, none where nothing is known to."""
    one, two = first.latest, other.latest
    said = [*_days(one, two), *_drying(one, two), *_taking(first, other), *_strips(first, other)]
    found = []
    if said:
        found.append(
            f"{other.paper} against {first.paper}: {'; '.join(said)}. "
            "Part of what follows may be that, and not the paper."
        )
    if len(models_of(first) | models_of(other)) > 1:
        found.append(
            f"{other.paper} was read with another colour model of the scanner than {first.paper}: swatches are "
            "compared by their light; the whites and gamuts stand as each model has them."
        )
    return found


def _days(one: Session, two: Session) -> Iterator[str]:
    try:
        days = (date.fromisoformat(two.date) - date.fromisoformat(one.date)).days
    except ValueError:
        return
    if days:
        when = "later" if days > 0 else "earlier"
        yield f"coloured {abs(days)} day{'s' * (abs(days) != 1)} {when}, and a pen may dry out in between"


def _drying(one: Session, two: Session) -> Iterator[str]:
    hours = [session.origin.dates.get("dried_hours") for session in (one, two)]
    known = [float(h) for h in hours if isinstance(h, (int, float)) and h > 0]
    if len(known) == 2 and max(known) > LONGER * min(known):
        yield f"dried {known[1]:g} hours instead of {known[0]:g}"


def _taking(first: Sheet, other: Sheet) -> Iterator[str]:
    for flag, words in OTHERWISE.items():
        counts = [
            sum(flag in film.reading.flags for film in sheet.films.values()) for sheet in (first, other)
        ]
        # A few forced rows are named by their flags; here it is about whole pages.
        many = [count > len(sheet.films) / 2 for count, sheet in zip(counts, (first, other), strict=True)]
        if many[0] != many[1]:
            yield f"{other.paper if many[1] else first.paper} was read {words}"


def _strips(first: Sheet, other: Sheet) -> Iterator[str]:
    files = [{str(s.origin.strip.get("file", "")) for s in sheet.sessions} - {""} for sheet in (first, other)]
    if files[0] and files[1] and not files[0] & files[1]:
        yield f"another grey strip ({', '.join(sorted(files[1]))} instead of {', '.join(sorted(files[0]))})"


def sheet_warnings(sheets: Sequence[Sheet]) -> list[str]:
    """Return sentences on the papers themselves: several sessions, a white that is unknown, doubts that were not stated."""
    found = []
    for sheet in sheets:
        if sheet.again:
            named = ", ".join(sheet.again[:MOST_NAMED]) + (" ..." if len(sheet.again) > MOST_NAMED else "")
            found.append(
                f"{sheet.paper} was measured more than once: {len(sheet.again)} markers ({named}) are taken from the "
                "latest session that could be read. What changed from day to day, 'calib drift' tells."
            )
        if sheet.white is None:
            found.append(f"{sheet.paper} has no row with a colour, so nothing can be said of it.")
        elif not sheet.white_known:
            found.append(
                f"{sheet.paper} has neither a paper row nor a blender: its white is not known, and its lightest "
                "ink stands for it, so its strength and tint are not to be relied on."
            )
        elif sheet.white.kind != "paper":
            found.append(f"{sheet.paper} has no paper row: its blender stands for its white.")
        if sheet.assumed:
            found.append(
                f"{sheet.paper}: {sheet.assumed} rows state no doubt; 2.5 % of hand scatter and 0.15 Lab units are assumed."
            )
    names: dict[str, str] = {}
    for sheet in sheets:
        plain = " ".join(sheet.paper.casefold().split())
        if plain in names:
            found.append(
                f"'{sheet.paper}' and '{names[plain]}' are taken as two papers; their names differ in spelling only."
            )
        names.setdefault(plain, sheet.paper)
    return found
