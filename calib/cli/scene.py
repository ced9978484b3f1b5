"""A picture planned area by area: ``calib scene``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.options import FilePath, answer_options, check_answer, give_answer, read_tables

if TYPE_CHECKING:
    from calib.answers.scene.judging import Border, Judged, Scene, Trouble
    from calib.answers.shelf import Shelf

MOST_BORDERS = 12
MOST_NAMED = 8
FORM = {
    "form": "enough to carry form",
    "flat": "flat: add a darker or a lighter pen",
    "unsure": "perhaps flat",
    "": "",
}
BORDER = {
    "parts": "they part by lightness",
    "hue": "only the hue parts them, in grey they are alike",
    "runs together": "they run into one",
    "unsure": "they may run into one",
}


@click.command(epilog="Example: calib scene colours.csv scene.csv -o picture.csv")
@click.argument("table", type=FilePath, metavar="COLOURS.CSV")
@click.argument("plan", type=FilePath, metavar="PLAN.CSV")
@click.option(
    "-o",
    "output",
    type=FilePath,
    default=None,
    metavar="FILE",
    help="Write a row for each area and pen to this file.",
)
@answer_options
def scene(table: Path, plan: Path, output: Path | None, as_json: bool, quiet: bool) -> None:
    """Judge the plan of a picture: contrast, shared colours, and pens that are dry, doubled or missing.

    PLAN.CSV has the columns area and markers, the ids of the pens meant for it, and may have beside, the areas that it touches.
    """
    from calib.answers.scene.judging import judge_scene
    from calib.answers.scene.planfile import read_plan_of_scene
    from calib.answers.scene.scenefile import scene_answer
    from calib.answers.shelf import shelf_of

    if output is not None:
        check_answer(output, table, plan)
    (read,) = read_tables(quiet, [table], output)
    shelf = shelf_of(read)
    ids = [*(pen.marker for pen in shelf.pens), *(one.marker for one in shelf.left)]
    found = judge_scene(shelf, read_plan_of_scene(plan, ids))
    give_answer(quiet, as_json, scene_answer(read, found), output, list(_words(found)))


def _words(found: Scene) -> Iterator[str]:
    """Yield the answer in plain words."""
    from calib.cli.lines import wrapped

    count = len(found.areas)
    yield from wrapped(
        f"{count} area{'' if count == 1 else 's'} on '{found.shelf.paper}', each from its darkest to its lightest:"
    )
    for judged in found.areas:
        yield from wrapped(_area(judged), "  ", hang="     ")
    yield from _whole(found)
    yield from _borders(found)
    yield from _tied(found)
    for one in found.troubles:
        yield from wrapped(_trouble(one, found.shelf), hang="   ")


def _area(judged: Judged) -> str:
    from calib.cli.chips import chip

    pens = ", ".join(f"{chip(tone.hex)}{tone.pen.called} (L {tone.lab[0]:.0f})" for tone in judged.tones)
    if judged.span is None:
        return f"{judged.area.name}: no pen of it has a colour here"
    return f"{judged.area.name}: {pens}; {judged.span:.0f} L with the second coats, {FORM[judged.verdict]}"


def _whole(found: Scene) -> Iterator[str]:
    from calib.answers.scene.judging import PICTURE_L
    from calib.cli.lines import wrapped

    if found.lightest is None or found.darkest is None:
        return
    span = found.lightest - found.darkest
    small = (
        "" if span >= PICTURE_L else ", which looks grey all over: let it have a real dark or a real light"
    )
    yield from wrapped(f"The whole picture runs from L {found.darkest:.0f} to L {found.lightest:.0f}{small}.")


def _borders(found: Scene) -> Iterator[str]:
    """Yield the neighbours that do not part, the worst first, and how many do."""
    from calib.cli.lines import wrapped

    order = {"runs together": 0, "unsure": 1, "hue": 2, "parts": 3}
    weak = sorted(
        (b for b in found.borders if b.verdict != "parts"), key=lambda b: (order[b.verdict], b.dE00)
    )
    parted = len(found.borders) - len(weak)
    count = len(found.borders)
    s = "" if count == 1 else "s"
    what = f"border{s}" if found.plan.neighbours else f"pair{s} of areas (the plan does not say which touch)"
    if found.borders:
        yield from wrapped(f"Of {count} {what}, lightness parts {parted} (the middles of the first coats).")
    for border in weak[:MOST_BORDERS]:
        yield from wrapped(_border(border), "  ", hang="     ")
    if len(weak) > MOST_BORDERS:
        yield f"  and {len(weak) - MOST_BORDERS} more; --json has them all"


def _border(border: Border) -> str:
    return (
        f"{border.one} and {border.two}: {border.dE00:.1f} dE00 ({border.low:.1f}..{border.high:.1f}), L {border.dL:+.0f}; "
        f"{BORDER[border.verdict]}"
    )


def _tied(found: Scene) -> Iterator[str]:
    from calib.cli.lines import wrapped

    names = {pen.marker: pen.called for pen in found.shelf.pens}
    if found.shared:
        some = [
            f"{names.get(m, m)} ({', '.join(areas)})" for m, areas in list(found.shared.items())[:MOST_NAMED]
        ]
        more = f" and {len(found.shared) - MOST_NAMED} more" if len(found.shared) > MOST_NAMED else ""
        yield from wrapped(f"Tied together by {'; '.join(some)}{more}.")
    elif len(found.areas) > 1:
        yield from wrapped(
            "No pen is used in two areas; one or two that come back tie a picture together (common practice)."
        )
    for one in found.doubles[:MOST_NAMED]:
        yield from wrapped(
            f"{names[one.one]} and {names[one.two]} are near-duplicates ({one.dE00:.1f} dE00): one of them would do."
        )


def _trouble(one: Trouble, shelf: Shelf) -> str:
    from calib.answers.scene.judging import MISSING

    called = f"{one.marker} {one.name}".strip()
    said = f"{called} ({', '.join(one.areas)}) {one.why}"
    if one.why == MISSING:
        return f"{said}. {shelf.near(one.marker)}"
    if not one.stand_ins:
        return f"{said}; without a colour nothing can be named to stand in for it."
    first, *others = one.stand_ins
    far = ", though that is another colour" if first.verdict == "far" else ""
    also = "".join(f", or {other.pen.called} at {other.worst.dE00:.1f}" for other in others)
    return f"{said}; nearest stand-in {first.pen.called}, {first.worst.dE00:.1f} dE00{also}{far}."
