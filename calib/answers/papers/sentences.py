"""What a paper does, in sentences: only what is beyond doubt and worth a word."""

from __future__ import annotations

from collections.abc import Iterator

from calib.answers.papers.centre import Centre
from calib.answers.papers.comparison import Facts, tint_word

MOST_CHANGED = 5
# What is less than this is not worth a word, however sure it is: L*, a* and b*, shares, mm.
LEAST_LAB, LEAST_SHARE, LEAST_MM, LEAST_MOTTLE, LEAST_COVER = 0.5, 0.03, 0.03, 0.1, 0.01


def by_itself(facts: Facts) -> str:
    """Return one paper as it is."""
    parts = [f"{facts.markers} markers"]
    if facts.white is not None:
        # Never a nought below nought.
        L, a, b = (round(float(value), 1) + 0.0 for value in facts.white)
        white = f", whiteness {facts.white_light[0]:.0f}" if facts.white_light else ""
        parts.append(f"white L {L:.1f}, a {a:+.1f}, b {b:+.1f}{white}")
    if facts.mottle is not None:
        parts.append(f"mottle {facts.mottle:.3f}")
    if facts.coverage is not None:
        parts.append(f"coverage {100 * facts.coverage:.1f} %")
    if facts.bleed is not None:
        parts.append(f"bleed {facts.bleed:.2f} mm")
    return f"{facts.sheet.paper}: {', '.join(parts)}."


def on_this_paper(facts: Facts, first: Facts) -> str:
    """Return what the paper does, only what is beyond doubt and worth a word."""
    assert facts.shift is not None
    said = [*_colours(facts), *_surface(facts)]
    compared = len(facts.against.keys) if facts.against is not None else 0
    paper = f"On {facts.sheet.paper}"
    white = _white(facts, first)
    over = f" ({compared} swatches)"
    if not said:
        return f"{paper} colours come out as on {first.sheet.paper}, as far as can be told{over}.{white}"
    return f"{paper} {_joined(said)}{over}.{white}"


def _joined(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _colours(facts: Facts) -> Iterator[str]:
    shift = facts.shift
    assert shift is not None
    parts = []
    ink = shift.strength
    if ink is not None and ink.beyond(1.0, LEAST_SHARE):
        word = "weaker" if ink.value < 1 else "stronger"
        ends = sorted(100 * abs(end - 1) for end in (ink.low, ink.high))
        parts.append(
            f"{100 * abs(ink.value - 1):.0f} % {word} ({ends[0]:.0f} to {ends[1]:.0f}{_by_coats(facts)})"
        )
    parts += _warmth(facts)
    for centre, more, less in ((shift.L, "lighter", "darker"), (shift.C, "more colourful", "less colourful")):
        if centre is not None and centre.beyond(0.0, LEAST_LAB):
            unit = "L" if centre is shift.L else "C"
            parts.append(f"{abs(centre.value):.1f} {unit} {more if centre.value > 0 else less}")
    if parts:
        yield f"colours come out {_joined(parts)}"


def _by_coats(facts: Facts) -> str:
    """Return the strength of each coat where they differ beyond doubt."""
    shift = facts.shift
    if (
        shift is None
        or shift.coat is None
        or not shift.coat.beyond(1.0, LEAST_SHARE)
        or len(shift.by_coats) < 2
    ):
        return ""
    one, two = (f"{100 * (shift.by_coats[n].value - 1):+.0f}\u00a0%" for n in (1, 2))
    return f"; one coat {one}, two {two}"


def _warmth(facts: Facts) -> Iterator[str]:
    """Yield how colours move at equal amounts of ink, and whether the paper's own white is all of it."""
    assert facts.shift is not None
    red, yellow = facts.shift.tinted
    if yellow is not None and yellow.beyond(0.0, LEAST_LAB):
        word = "warmer" if yellow.value > 0 else "cooler"
        own = facts.shift.beyond[1]
        more = ", more than the paper's white explains" if own is not None and _same_way(own, yellow) else ""
        yield f"{word} (b {yellow.value:+.1f}{more})"
    if red is not None and red.beyond(0.0, LEAST_LAB):
        yield f"{'redder' if red.value > 0 else 'greener'} (a {red.value:+.1f})"


def _same_way(own: Centre, all_of_it: Centre) -> bool:
    return own.beyond(0.0, LEAST_LAB) and own.value * all_of_it.value > 0


def _surface(facts: Facts) -> Iterator[str]:
    shift = facts.shift
    assert shift is not None
    if shift.bleed is not None and shift.bleed.beyond(0.0, LEAST_MM):
        way = "further" if shift.bleed.value > 0 else "less far"
        yield f"ink runs {abs(shift.bleed.value):.2f} mm {way} past the outline"
    if shift.mottle is not None and shift.mottle.beyond(1.0, LEAST_MOTTLE):
        word = "more" if shift.mottle.value > 1 else "less"
        yield f"mottle is {100 * abs(shift.mottle.value - 1):.0f} % {word}"
    if shift.coverage is not None and shift.coverage.beyond(0.0, LEAST_COVER):
        word = "more" if shift.coverage.value > 0 else "less"
        yield f"the cells are covered {100 * abs(shift.coverage.value):.0f} points {word}"
    if shift.gamut is not None and not shift.gamut[1] <= 1 <= shift.gamut[2]:
        change = 100 * (shift.gamut[0] - 1)
        if abs(change) >= 100 * LEAST_SHARE:
            yield f"the gamut of the same swatches is {abs(change):.0f} % {'larger' if change > 0 else 'smaller'}"


def _white(facts: Facts, first: Facts) -> str:
    known = facts.sheet.white_known and first.sheet.white_known
    if facts.white is None or first.white is None or not known:
        return ""
    word = tint_word(facts.white, first.white)
    lighter = float(facts.white[0] - first.white[0])
    parts = [word] if word else []
    if abs(lighter) >= LEAST_LAB:
        parts.append(f"{abs(lighter):.1f} L {'lighter' if lighter > 0 else 'darker'}")
    return f" Beside {first.sheet.paper} the bare sheet is {_joined(parts)}." if parts else ""


def changes(facts: Facts) -> Iterator[str]:
    """Yield which markers change most, and which go another way than the rest."""
    far, shift = facts.against, facts.shift
    assert far is not None
    assert shift is not None
    sure = int((far.low > 0).sum())
    median = float(sorted(far.dE00)[len(far.dE00) // 2])
    yield f"Differences: median {median:.1f} dE00; {sure} of {len(far.keys)} swatches beyond doubt."
    order = sorted(range(len(far.keys)), key=lambda i: (-far.low[i], far.keys[i]))
    named: dict[str, str] = {}
    for i in order:
        marker, coats = far.keys[i]
        if far.low[i] <= 1.0 or len(named) == MOST_CHANGED:
            break
        name = f"{marker} {facts.sheet.rows[marker, coats].name}".strip()
        of = ", 2 coats" if coats == 2 else ""
        named.setdefault(marker, f"{name}{of} {far.dE00[i]:.1f} ({far.low[i]:.1f} to {far.high[i]:.1f})")
    if named:
        yield f"Most changed, dE00: {'; '.join(named.values())}."
    if shift.unlike:
        odd = [f"{marker} ({100 * ratio:.0f} % of theirs)" for marker, ratio in shift.unlike[:MOST_CHANGED]]
        more = f" and {len(shift.unlike) - MOST_CHANGED} more" if len(shift.unlike) > MOST_CHANGED else ""
        yield (
            f"Unlike the rest in strength: {', '.join(odd)}{more}: "
            "a pen that dried out, another pen, or an ink that takes to this paper differently."
        )


def second_coat(facts: Facts, first: Facts) -> Iterator[str]:
    """Yield what a second coat still adds, here and on the first paper, where both tell."""
    here, there = facts.second, first.second
    if here is None or there is None:
        return
    steps = ""
    if facts.coats_dE00 is not None and first.coats_dE00 is not None:
        steps = (
            f"; that is a step of {facts.coats_dE00:.1f} dE00 in the median, there of {first.coats_dE00:.1f}"
        )
    yield (
        f"A second coat adds {100 * (here.value - 1):.0f}\u00a0% as much ink as the first, on {first.sheet.paper} "
        f"{100 * (there.value - 1):.0f}\u00a0%{steps}."
    )
