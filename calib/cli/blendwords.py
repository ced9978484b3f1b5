"""A set of pens in plain words, for ``calib blend``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from calib.cli.lines import columns, listed

if TYPE_CHECKING:
    from calib.answers.blending.judge import Added, Judgement
    from calib.answers.blending.proposal import Proposal
    from calib.answers.blending.steps import Blend, Run, Step
    from calib.answers.doubles.pens import Pen
    from calib.answers.shelf import Shelf

# A pen's name takes so much of a line and of a sentence; the file and --json have all of it.
IN_TABLE, IN_WORDS = 25, 40
MOST_NAMED = 6
COATS = {1: "One coat", 2: "Two coats"}


def proposal_words(found: Proposal) -> Iterator[str]:
    """Yield the proposed sets in plain words."""
    best = found.blends[0]
    yield from listed(_where(found.shelf))
    if found.hue is None:
        head = (
            f"The best {_sets(found.steps)} from {_name(best.pens[0])} to {_name(best.pens[-1])}, of {_pens(found.considered)} "
            "that could stand between them:"
        )
    else:
        head = f"The best {_sets(found.steps)} around hue {found.hue:.0f} degrees, of {_pens(found.considered)} near it:"
    yield from listed(head)
    yield from _tables(best)
    hue = "" if found.hue is None else " In the choice each pen's distance from that hue counted as well."
    if found.steps > 2:
        yield from listed(
            f"A step misses an even one by {100 * best.share:.0f} % on average; what it changes in chroma and hue counts by half.{hue}"
        )
    yield from _contrast(best, found.contrast)
    yield from _others(found)
    yield from _barred(found.barred)


def _others(found: Proposal) -> Iterator[str]:
    if len(found.blends) == 1 and found.hue is None and found.steps == 2:
        # Between two ends and nothing else there is no other set.
        return
    if len(found.blends) == 1:
        yield from listed("No other set of so many pens differs from it in more than half of them.")
        return
    yield ""
    yield from listed(
        f"Other sets, which share half of {'the pens between' if found.hue is None else 'the pens'} at most:"
    )
    for number, one in enumerate(found.blends[1:], start=2):
        ids = ", ".join(_short(marker) for marker in one.markers)
        steps = "; ".join(
            f"{' '.join(f'{step.dL:+.0f}' for step in run.steps)} L in {_coat(n)}"
            for n, run in one.runs.items()
        )
        yield from listed(f"{number}. {ids}: misses {100 * one.share:.0f} % ({steps})")
    share = round(100 * found.others[0])
    told = (
        f"Were all of them coloured and measured again, the first would come out best in {share} of 100 cases"
    )
    yield from listed(
        f"{told}."
        if share > 90
        else f"{told}: measured as they are, the sets are hardly to be told apart."
        if share < 60
        else f"{told}: take another one if you like it better."
    )


def judgement_words(found: Judgement) -> Iterator[str]:
    """Yield the judgement in plain words."""
    yield from listed(_where(found.shelf))
    if not found.sorted:
        yield from listed("They were not named from dark to light; in that order they are:")
    else:
        yield f"{len(found.given)} pens, dark to light as named:"
    yield from _tables(found.blend)
    for one, two in found.swapped:
        yield from listed(f"{_name(one)} and {_name(two)} are not in the same order in every coat.")
    for one, two in found.doubles:
        yield from listed(f"{_name(one)} and {_name(two)} are nearly the same colour: one of them will do.")
    yield from _contrast(found.blend, found.contrast)
    yield from _gap(found)
    for where in ("darker", "lighter"):
        yield from _end(found, where)
    yield from _barred(found.barred)


def _gap(found: Judgement) -> Iterator[str]:
    blend = found.blend
    dark, light = blend.pens[blend.widest : blend.widest + 2]
    steps = {n: run.steps[blend.widest] for n, run in blend.runs.items()}
    figures = " and ".join(f"{step.dL:.1f} L in {_coat(n)}" for n, step in steps.items())
    too = ", too wide to blend without a seam" if any(s.verdict == "wide" for s in steps.values()) else ""
    yield from listed(f"Widest gap: {_name(dark)} to {_name(light)}, {figures}{too}.")
    added = found.for_place("between")
    if not added:
        yield from listed("None of your other pens stands between them.", "  ")
    elif not added[0].fits:
        yield from listed(
            f"None of your other pens divides it well; {_name(added[0].pen)} does it least badly ({_into(added[0], found.coats)}).",
            "  ",
        )
    else:
        said = [f"{_name(one.pen)} ({_into(one, found.coats)})" for one in added if one.fits]
        yield from listed(f"Add between: {', or '.join(said)}.", "  ")
    if found.second:
        names = " or ".join(_name(pen) for pen in found.second)
        yield from listed(
            f"Without another pen: a second coat of {names} stands between the single coats.", "  "
        )


def _end(found: Judgement, where: str) -> Iterator[str]:
    added = found.for_place(where)
    good = [one for one in added if one.fits]
    if good:
        said = [f"{_name(one.pen)} ({_beyond(one, found.coats)})" for one in good]
        yield from listed(f"Add {where}: {', or '.join(said)}.")
    elif added:
        one = added[0]
        yield from listed(
            f"Add {where}: none of yours goes on well; {_name(one.pen)} ({_beyond(one, found.coats)}) least badly."
        )
    else:
        yield f"Add {where}: you have none."


def _into(one: Added, coats: Sequence[int]) -> str:
    return "; ".join(
        f"{' '.join(f'{value:+.1f}' for value in steps)} L in {_coat(n)}"
        for n, steps in zip(coats, one.dL, strict=True)
    )


def _beyond(one: Added, coats: Sequence[int]) -> str:
    sign = -1 if one.where == "darker" else 1
    return ", ".join(
        f"{sign * steps[0]:+.1f} L in {_coat(n)}" for n, steps in zip(coats, one.dL, strict=True)
    )


def _contrast(blend: Blend, wanted: float) -> Iterator[str]:
    spans = [run.span for run in blend.runs.values()]
    figures = " and ".join(f"{run.span:.0f} L in {_coat(n)}" for n, run in blend.runs.items())
    verdict = (
        "enough"
        if min(spans) >= wanted
        else "too little"
        if max(spans) < wanted
        else "enough in one of both only"
    )
    yield from listed(f"From dark to light it spans {figures}; {wanted:.0f} are wanted: {verdict}.")


def _tables(blend: Blend) -> Iterator[str]:
    for n, run in blend.runs.items():
        yield ""
        yield f"{COATS[n]:<{IN_TABLE + 4}}L    lighter  dE00 (95 %)          hue"
        for place, pen in enumerate(blend.pens):
            step = run.steps[place] if place < len(run.steps) else None
            name = _name(pen, IN_TABLE)
            yield f"  {name}{' ' * (IN_TABLE - columns(name))}{run.lab[place, 0]:6.1f}{_step(step)}".rstrip()
        yield from listed(_evenness(run))
    yield ""


def _step(step: Step | None) -> str:
    if step is None:
        return ""
    far = f"{step.dE00:.1f} ({step.low:.1f}..{step.high:.1f})"
    turn = "" if step.turn is None else f"{step.turn:+.0f}"
    verdict = "" if step.verdict == "good" else step.verdict
    return f"{step.dL:+9.1f}  {far:<18}{turn:>6}  {verdict}"


def _evenness(run: Run) -> str:
    if len(run.steps) < 2:
        return ""
    seen, low, high = (100 * value for value in (run.uneven.seen, run.uneven.low, run.uneven.high))
    if seen > 1000:
        return "These steps lead nowhere."
    figures = f"Its steps in L differ by {seen:.0f} % ({low:.0f} to {high:.0f})"
    return f"{figures}, no more than a hand's scatter may do to even ones." if low <= 0 else f"{figures}."


def _barred(barred: Mapping[str, str]) -> Iterator[str]:
    groups: dict[str, list[str]] = {}
    for marker, why in barred.items():
        # Nobody expects a blender here.
        if "blender" in why:
            continue
        groups.setdefault(why, []).append(_short(marker))
    said = []
    for why, ids in groups.items():
        more = f" and {len(ids) - MOST_NAMED} more" if len(ids) > MOST_NAMED else ""
        said.append(f"{', '.join(ids[:MOST_NAMED])}{more} ({why})")
    if not said:
        return
    yield ""
    yield from listed(
        f"Not proposed: {'; '.join(said[:MOST_NAMED])}{'; and others' if len(said) > MOST_NAMED else ''}."
    )


def _where(shelf: Shelf) -> str:
    from calib.files import shorten

    day = f" ({shelf.date})" if shelf.date else ""
    return f"On '{shorten(shelf.paper)}'{day}; in brackets the 95 % interval."


def _sets(steps: int) -> str:
    return f"set of {steps}"


def _pens(count: int) -> str:
    return f"{count} pen{'' if count == 1 else 's'}"


def _coat(layers: int) -> str:
    return "one coat" if layers == 1 else "two"


def _name(pen: Pen, most: int = IN_WORDS) -> str:
    return _short(pen.called, most)


def _short(text: str, most: int = IN_WORDS) -> str:
    """Return text on one line that steers no terminal and takes so many of its columns at most."""
    from calib.errors import harmless
    from calib.files import shorten

    cut = shorten(harmless(text), most)
    while columns(cut) > most:
        cut = cut.removesuffix("…")[:-1] + "…"
    return cut
