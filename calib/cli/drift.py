"""Pens that changed between sessions: ``calib drift``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.cli.chips import chip_of, chips_shown
from calib.cli.lines import wrapped
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
    from calib.answers.drift.comparison import Comparison, Drift, DriftRow, Run
    from calib.table.table import Reading, Table

    Looks = dict[tuple[str, int, str, str], Reading]

# What fits a screen; the file and --json have all.
MOST_PENS = 40
MOST_NAMES = 8
MOST_SESSIONS = 12


@click.command(epilog="Example: calib drift spring.csv autumn.csv -o drift.csv")
@click.argument(
    "tables", type=FilePath, nargs=-1, required=True, metavar="BEFORE.CSV AFTER.CSV [LATER.CSV]..."
)
@click.option(
    "--at-least",
    type=Number(0, 100),
    default=1.0,
    callback=difference,
    metavar="DE00",
    help="The smallest change that matters.  [default: 1.0]",
)
@click.option(
    "-o", "output", type=FilePath, default=None, metavar="DRIFT.CSV", help="Write the rows to this file."
)
@check_option
@answer_options
def drift(
    tables: tuple[Path, ...], at_least: float, output: Path | None, check: bool, as_json: bool, quiet: bool
) -> None:
    """Tell which pens changed between two sessions or more: dried out, weaker, or contaminated.

    Give the tables in their order. Each later session of a paper is held against the first in which a pen was measured. What
    all pens changed by is told apart, because it comes of paper, scanner, strip or hand and not of the pens.
    """
    from calib.answers.drift.comparison import drift_of
    from calib.answers.drift.driftfile import drift_answer

    read = read_tables(quiet, tables, output)
    found = drift_of(read, at_least)
    give_answer(quiet, as_json, drift_answer(read, found), output, list(_words(found, _looks(read))))
    if check and found.findings:
        raise click.exceptions.Exit(FINDINGS)


def _looks(tables: Sequence[Table]) -> Looks:
    """Return the rows of tables by marker, coats, paper and session; of two alike the one named last counts."""
    return {
        (row.marker, row.layers, row.paper, row.session): row for table in tables for row in table.readings
    }


def _chips(rows: Sequence[DriftRow], looks: Looks) -> str:
    """Return the chips of a pen before and after, in the thinnest coat in which it changed; '' where one of them is not known."""
    row = min((row for row in rows if row.found), key=lambda row: row.layers)
    return chip_of(*(looks.get((row.marker, row.layers, row.paper, day)) for day in (row.before, row.after)))


def _words(found: Drift, looks: Looks) -> Iterator[str]:
    """Yield the answer in plain words: each paper's last session in full, the ones before it in a line each."""
    from calib.answers.drift.sentences import whole_session

    later = list(dict.fromkeys((row.paper, row.after) for row in found.rows))
    last = dict(later)
    several = len(last) > 1
    for paper, after in later:
        rows = [row for row in found.rows if (row.paper, row.after) == (paper, after)]
        where = f" on '{paper}'" if several else ""
        whole = [one for one in found.comparisons if (one.paper, one.after) == (paper, after)]
        if after == last[paper]:
            yield from _session(rows, where, found.at_least, looks)
        else:
            yield from _earlier(rows, where)
        for one in whole:
            for sentence in whole_session(one):
                yield from _wrapped(sentence)
            yield from _left(one) if after == last[paper] else ()
    if not found.rows:
        yield "No pen was measured in two sessions, so nothing can be said of any."
        for one in found.comparisons:
            yield from _left(one)
    yield from _runs(found)


def _session(rows: Sequence[DriftRow], where: str, at_least: float, looks: Looks) -> Iterator[str]:
    from calib.answers.drift.sentences import what_became

    markers = {row.marker for row in rows}
    changed = list(dict.fromkeys(row.marker for row in rows if row.found))
    since = sorted({row.before for row in rows})
    span = since[0] if len(since) == 1 else f"{since[0]} to {since[-1]}"
    head = f"of {_count(len(markers), 'pen')}{where} {'has' if len(changed) == 1 else 'have'} changed from {span} to {rows[0].after}"
    beside = ", in front the colour before and after" if chips_shown() else ""
    if changed:
        yield from _wrapped(f"{len(changed)} {head}; in brackets the 95 % interval{beside}:")
    else:
        yield from _wrapped(
            f"None {head.replace('have changed', 'has clearly changed')} by {at_least:g} dE00 or more."
        )
    for marker in changed[:MOST_PENS]:
        own = [row for row in rows if row.marker == marker]
        yield from _wrapped(f"{_chips(own, looks)}{what_became(own)}", "  ")
    if len(changed) > MOST_PENS:
        yield f"  and {len(changed) - MOST_PENS} more; -o writes them all"
    yield from _unreadable(rows)
    yield from _rest(rows, at_least)


def _earlier(rows: Sequence[DriftRow], where: str) -> Iterator[str]:
    """Yield one line on a session after which there are others; the last one says what became of the pens."""
    from calib.answers.drift.sentences import called

    names = list(dict.fromkeys(called(row) for row in rows if row.found))
    lost = list(dict.fromkeys(called(row) for row in rows if row.verdict == "unreadable"))
    parts = [f"{_list(names)} {'has' if len(names) == 1 else 'have'} changed" if names else "no clear change"]
    parts += [f"{_list(lost)} could not be measured"] if lost else []
    yield from _wrapped(f"By {rows[0].after}{where}: {'; '.join(parts)}.")


def _unreadable(rows: Sequence[DriftRow]) -> Iterator[str]:
    from calib.answers.drift.sentences import called

    lost = [row for row in rows if row.verdict == "unreadable"]
    blank = list(dict.fromkeys(called(row) for row in lost if "blank" in row.flags))
    other = list(dict.fromkeys(called(row) for row in lost if "blank" not in row.flags))
    if blank:
        pen = "this pen" if len(blank) == 1 else "these pens"
        yield from _wrapped(f"Left nothing on the paper now, so {pen} may be empty: {_list(blank)}.")
    if other:
        yield from _wrapped(f"Could be measured before and not now: {_list(other)}. Their flags say why.")


def _rest(rows: Sequence[DriftRow], at_least: float) -> Iterator[str]:
    words = {
        marker: {row.verdict for row in rows if row.marker == marker}
        for marker in {row.marker for row in rows}
    }
    steady = sum(said == {"steady"} for said in words.values())
    unsure = sum(
        "unsure" in said and not said & {"patchy", "off-hue", "weaker", "stronger"} for said in words.values()
    )
    if steady:
        yield from _wrapped(
            f"{_count(steady, 'pen')} {'is' if steady == 1 else 'are'} certainly steady (less than {at_least:g} dE00)."
        )
    if unsure:
        yield from _wrapped(
            f"Of {_count(unsure, 'pen')} one cannot say: a hand varies as much. To know, colour them several times."
        )


def _left(one: Comparison) -> Iterator[str]:
    reasons: dict[str, list[str]] = {}
    for left in one.left:
        coats = " (2 coats)" if left.layers == 2 else ""
        reasons.setdefault(left.why, []).append(f"{left.marker} {left.name}".strip() + coats)
    for why, names in reasons.items():
        pens = list(dict.fromkeys(names))
        plural = why if len(pens) == 1 else why.replace("was ", "were ", 1).replace("is ", "are ", 1)
        yield from _wrapped(f"Not compared: {_list(pens)}, which {plural}.")


def _runs(found: Drift) -> Iterator[str]:
    """Yield the runs of strengths over three sessions or more, of the pens that changed or whose chart gave a signal."""
    last = {row.paper: row.after for row in found.rows}
    changed = {(row.paper, row.marker) for row in found.findings if row.after == last[row.paper]}
    runs = [
        run for run in found.runs
        if run.trend.signal or run.trend.fall is not None or (run.paper, run.marker) in changed
    ]  # fmt: skip
    if not runs:
        return
    yield from _wrapped("From session to session, ink in per cent of the first (give or take: 95 %):")
    for run in runs[:MOST_PENS]:
        yield from _run(run)
    if len(runs) > MOST_PENS:
        yield f"  and {len(runs) - MOST_PENS} more; -o writes them all"
    most = max(len(run.trend.points) for run in runs)
    if all(not run.trend.ewma for run in runs):
        yield from _wrapped(f"After {most} sessions it is too early to say when a pen will be too weak.")


def _run(run: Run) -> Iterator[str]:
    """Yield the run of one pen: its strengths, since when it leaves what a hand scatters, and the forecast."""
    trend = run.trend
    shown = list(zip(trend.points, trend.low, trend.high, strict=True))[-MOST_SESSIONS:]
    width = max((high - low) / 2 for _, low, high in shown)
    steps = ", ".join(f"{100 * point.strength:.0f}" for point, _, _ in shown)
    of = f"last {len(shown)}: " if len(shown) < len(trend.points) else ""
    named = f"{run.marker} {run.name}" if run.name and run.name != run.marker else run.marker
    yield from _wrapped(f"{named}: {of}{steps} (give or take {max(100 * width, 1):.0f})", "  ")
    if not trend.ewma:
        return
    said = []
    if trend.signals:
        first = trend.signals[0]
        way = "weaker" if trend.ewma[first] < 0 else "stronger"
        back = "" if trend.signals[-1] == len(trend.points) - 1 else ", though not in the last session"
        said.append(f"{way} than a hand's scatter explains since {_day(trend.points[first].day)}{back}")
    said.append(f"it {trend.forecast}" if trend.fall else f"when it falls under 70 % is {trend.forecast}")
    yield from _wrapped("; ".join(said), "    ")


def _day(ordinal: float) -> str:
    from datetime import date

    return date.fromordinal(round(ordinal)).isoformat()


def _list(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return ", ".join(names[:MOST_NAMES]) + more


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _wrapped(text: str, indent: str = "") -> list[str]:
    return wrapped(text, indent, f"{indent}  " if indent else "")
