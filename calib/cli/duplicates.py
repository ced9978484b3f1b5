"""Pens bought twice: ``calib duplicates``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.chips import chip_of
from calib.cli.lines import listed
from calib.cli.options import (
    FINDINGS,
    FilePath,
    Number,
    answer_options,
    check_option,
    difference,
    give_answer,
    read_tables,
)

if TYPE_CHECKING:
    from calib.answers.doubles.groups import Duplicates, Group, Pair
    from calib.answers.doubles.pens import Drawer, Pen

# What fits a screen; the file and --json have all.
MOST_GROUPS = 20
MOST_NEW = 40
MOST_PAIRS = 6
MOST_PENS = 6


@click.command(epilog="Example: calib duplicates colours.csv new.csv -o groups.csv")
@click.argument("tables", type=FilePath, nargs=-1, required=True, metavar="COLOURS.CSV [MORE.CSV]...")
@click.option(
    "--within",
    type=Number(0, 100),
    default=1.8,
    callback=difference,
    metavar="DE00",
    help="The largest difference between doubles.  [default: 1.8]",
)
@click.option(
    "-o", "output", type=FilePath, default=None, metavar="GROUPS.CSV", help="Write the groups to this file."
)
@check_option
@answer_options
def duplicates(
    tables: tuple[Path, ...], within: float, output: Path | None, check: bool, as_json: bool, quiet: bool
) -> None:
    """Find pens that you have twice, and new pens that you own already.

    Pens are compared in every number of coats that both were coloured in. With more than one table the first holds the pens you
    own, and each pen that only the others have is held against them.
    """
    from calib.answers.doubles.groups import find_duplicates
    from calib.answers.doubles.groupsfile import duplicates_answer

    read = read_tables(quiet, tables, output)
    found = find_duplicates(read, within)
    answer = duplicates_answer(read, found)
    give_answer(quiet, as_json, answer, output, list(_words(found)))
    if check and found.groups:
        raise click.exceptions.Exit(FINDINGS)


def _words(found: Duplicates) -> Iterator[str]:
    """Yield the answer in plain words."""
    yield from _compared(found)
    if found.new is not None:
        yield from _new_words(found)
    yield from _group_words(found)
    yield from _near_words(found)
    yield from _left_words(found.drawer)


def _compared(found: Duplicates) -> Iterator[str]:
    drawer = found.drawer
    coats = {n for pen in drawer.pens for n in pen.coats}
    said = {(1,): ", in one coat", (2,): ", in two coats", (1, 2): ", in one coat and two"}
    days = sorted({session.date for session in drawer.sessions if session.date})
    when = f" ({days[0]} to {days[-1]})" if len(days) > 1 else f" ({days[0]})" if days else ""
    pens = _count(len(drawer.pens), "pen")
    yield from listed(
        f"{pens} compared on '{drawer.paper}'{when}{said.get(tuple(sorted(coats)), '')}; limit {found.within:g} dE00. "
        "In brackets the 95 % interval."
    )


def _new_words(found: Duplicates) -> Iterator[str]:
    """Yield whether new pens are ones that are owned."""
    from calib.answers.doubles.pens import few_words

    assert found.new is not None
    new = found.new
    unread = [pen for pen in found.drawer.unread if 0 not in pen.tables]
    alone = [*new.alone, *unread]
    total = len(new.pairs) + len(alone)
    if not total:
        yield from listed(
            "No new pens in the other tables. What became of the ones you own, 'calib drift' tells."
        )
        return
    said = [pair.verdict(found.within) for pair in new.pairs]
    same = said.count("same")
    inside = sum(
        pair.dE00 <= found.within and one != "same" for pair, one in zip(new.pairs, said, strict=True)
    )
    doubt = said.count("unsure") - sum(
        pair.dE00 <= found.within and one == "unsure" for pair, one in zip(new.pairs, said, strict=True)
    )
    yield ""
    yield from listed(_new_headline(total, same, inside, doubt, found.within))
    for pair, one in list(zip(new.pairs, said, strict=True))[:MOST_NEW]:
        yield from listed(
            f"{_chip(pair.two)}{pair.two.called}: nearest is your {_chip(pair.one)}{pair.one.called}, "
            f"{_figures(pair)}, {_called(pair, one, found.within)}",
            "  ",
        )
    if len(new.pairs) > MOST_NEW:
        yield f"  and {len(new.pairs) - MOST_NEW} more, all further away"
    if alone:
        plural = "were" if len(alone) > 1 else "was"
        yield from listed(
            f"Not to be compared with yours, because {plural} not read in a coat that they were read in: "
            f"{few_words([pen.called for pen in alone])}."
        )


def _new_headline(total: int, same: int, inside: int, doubt: int, within: float) -> str:
    if total == 1:
        whose, one = "Your new pen", "is"
        if same:
            return f"{whose} is one you own, as far as can be measured:"
        if inside:
            return f"{whose} may be one you own (within {within:g} dE00):"
        return f"{whose} is none that you own" + (", though it is a close thing:" if doubt else ":")
    if not same and not inside:
        more = (
            f"; {doubt} {'is' if doubt == 1 else 'are'} too close to the limit to be certain" if doubt else ""
        )
        return f"None of your {total} new pens is one you own{more}:"
    parts = []
    if same:
        one = "is one" if same == 1 else "are ones"
        parts.append(f"{same} of your {total} new pens {one} you own, as far as can be measured")
    if inside:
        whose = f"{inside} more" if same else f"{inside} of your {total} new pens"
        own = "one" if inside == 1 else "ones"
        parts.append(f"{whose} may be {own} you own (within {within:g} dE00)")
    return "; ".join(parts) + ":"


def _group_words(found: Duplicates) -> Iterator[str]:
    yield ""
    if not found.groups:
        yield f"No two pens were measured within {found.within:g} dE00 of each other: no doubles."
        return
    said = [group.verdict(found.within) for group in found.groups]
    pens = sum(len(group.pens) for group in found.groups)
    kinds = (
        (said.count("same"), "the same"),
        (said.count("unsure"), "perhaps the same"),
        (said.count("near"), "near"),
    )
    counts = ", ".join(f"{count} {kind}" for count, kind in kinds if count)
    yield f"{_count(len(found.groups), 'group')} of doubles with {pens} pens: {counts}."
    for number, (group, one) in enumerate(zip(found.groups[:MOST_GROUPS], said, strict=False), start=1):
        yield from _one_group(number, group, one, found.within)
    if len(found.groups) > MOST_GROUPS:
        yield f"  and {len(found.groups) - MOST_GROUPS} more; -o FILE writes all."
    shown = found.groups[:MOST_GROUPS]
    if not all(group.keep.marker for group in shown):
        none = not any(group.keep.marker for group in shown)
        where = "There" if none else "Where no pen is named to keep, there"
        yield from listed(f"{where} is nothing to choose between them in ink or evenness.")
    if "unsure" in said:
        yield from listed(
            "Perhaps: one swatch says little where the hand lays more or less ink. Colour these pens again, "
            "with 'calib chart --repeats 3', to know."
        )


def _one_group(number: int, group: Group, said: str, within: float) -> Iterator[str]:
    pairs = group.pairs()
    first = f"{_chip(group.pens[0])}{group.pens[0].called}"
    if len(pairs) == 1:
        (pair,) = pairs
        yield from listed(
            f"{number}. {first} and {_chip(pair.two)}{pair.two.called}: {_figures(pair)}, {_called(pair, said, within)}"
        )
    else:
        yield from listed(f"{number}. {first} and {len(pairs)} others, any two within {group.widest:.1f}:")
        for pair in pairs[:MOST_PENS]:
            yield from listed(
                f"{_chip(pair.two)}{pair.two.called}: {_figures(pair)}, {_called(pair, pair.verdict(within), within)}",
                "     ",
            )
        if len(pairs) > MOST_PENS:
            yield f"     and {len(pairs) - MOST_PENS} more"
    yield from listed(group.keep_words(), "     ")


def _near_words(found: Duplicates) -> Iterator[str]:
    """Yield the pairs that are in no group together though they may be doubles."""
    apart = [pair for pair in found.straddling if not pair.both and pair.dE00 > found.within]
    hidden = found.count - len(found.straddling)
    if apart:
        yield ""
        yield from listed("Over the limit as measured, but perhaps not really:")
        yield from _pair_lines(apart, hidden)
    if found.split:
        yield ""
        yield from listed(
            "Within the limit, but not in one group, because one of them is too far from another there:"
        )
        yield from _pair_lines(found.split, found.split_count - len(found.split))


def _pair_lines(pairs: Sequence[Pair], hidden: int) -> Iterator[str]:
    for pair in pairs[:MOST_PAIRS]:
        yield from listed(
            f"{_chip(pair.one)}{pair.one.called} and {_chip(pair.two)}{pair.two.called}: {_figures(pair)}",
            "  ",
        )
    more = len(pairs) - MOST_PAIRS
    if more > 0 or hidden > 0:
        yield f"  and {max(more, 0) + hidden} more" + (", none of them closer" if hidden <= 0 else "")


def _left_words(drawer: Drawer) -> Iterator[str]:
    from calib.answers.doubles.pens import few_words
    from calib.answers.films import left_words

    said = left_words(drawer.left)
    if drawer.elsewhere:
        papers = ", ".join(f"'{paper}'" for paper in drawer.papers)
        said.append(f"Not compared, because only on other paper ({papers}): {few_words(drawer.elsewhere)}.")
    elif drawer.papers:
        papers = ", ".join(f"'{paper}'" for paper in drawer.papers)
        said.append(f"Readings on other paper ({papers}) were left aside.")
    if drawer.again:
        said.append(
            f"Read in several sessions, of which the latest reading counts: {few_words(drawer.again)}."
        )
    if drawer.namesakes:
        said.append(
            f"Used for pens of different names, so taken for different pens: {few_words(drawer.namesakes)}."
        )
    if said:
        yield ""
        for line in said:
            yield from listed(line)


def _figures(pair: Pair) -> str:
    return f"{pair.dE00:.1f} dE00 ({pair.low:.1f}..{pair.high:.1f})"


def _called(pair: Pair, said: str, within: float) -> str:
    """Return a verdict in words."""
    if said == "unsure":
        return "perhaps the same" if pair.dE00 <= within else "may be within the limit"
    return {"same": "the same to the eye", "near": "near, not the same", "other": "another colour"}[said]


def _count(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def _chip(pen: Pen) -> str:
    """Return the chip of a pen's thinnest coat; two coats of many pens are all but black."""
    return chip_of(pen.coats[min(pen.coats)].film.reading) if pen.coats else ""
