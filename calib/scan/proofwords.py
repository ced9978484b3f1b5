"""What a proof picture says, in the words of somebody who has never seen one: what is wrong with which swatch, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.errors import harmless
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch

# So many swatches of one kind are named, and the others counted.
MOST_NAMED = 5
# What more than this share of a page's swatches have in common is said once, above them, and marks none of them.
COMMON, FEW = 0.5, 6
LONGEST_NAME = 12
LONGEST_FILE = 60


@dataclass(frozen=True)
class Words:
    """A flag on a picture. short: in its frame. why: what it looks like. todo: what to do, a sentence."""

    short: str
    why: str
    todo: str


WORDS = {
    "blank": Words("no ink", "looks like bare paper", "Colour it, let it dry, and scan the page again."),
    "damaged": Words(
        "hidden",
        "is hidden by dust, a hair or a stain, or lies past the edge of the scan",
        "Clean the glass and scan the page again.",
    ),
    "half-filled": Words(
        "half empty",
        "is only partly filled; the inked part was measured",
        "Fill the cell to its edges the next time.",
    ),
    "mottled": Words(
        "uneven ink",
        "is covered unevenly, as by a pen that runs dry",
        "The colour is less certain; colour it again in one wet go if it matters.",
    ),
    "clipped": Words(
        "out of range",
        "is too strong or too dark for the scanner's settings",
        "Switch off automatic exposure and contrast, and scan the page again.",
    ),
    "fluorescent": Words(
        "fluorescent",
        "glows, so it sends back more light than the paper",
        "No scanner can measure it; judge it by eye.",
    ),
    "few-pixels": Words("few pixels", "shows too few pixels", "Scan at 300 dpi or more."),
    "unlike-hint": Words(
        "unlike hint",
        "is far from the hint in the marker list",
        "Was it the right pen? If it was, correct the hint.",
    ),
    "stained": Words(
        "stain",
        "has a stain, a thumb or a hard shadow beside it",
        "Scan the page again; if the stain is in the paper, colour another cell.",
    ),
    "glare": Words(
        "glare", "mirrors a lamp or a window", "Photograph the page again with the light from the side."
    ),
    "shadow": Words(
        "shadow",
        "lies at the edge of a shadow",
        "Photograph the page again with nothing between it and the light.",
    ),
}
# That a page is a photograph is said of the page.
_OF_THE_PAGE = ("photo",)


@dataclass(frozen=True)
class Remark:
    """What several swatches have in common. number: on their badges, 0 where they are too many to have one. left_out: whether
    they were not used."""

    number: int
    flag: str
    sentence: str
    left_out: bool


def remarks_on(swatches: Sequence[Swatch]) -> list[Remark]:
    """Return what is to be said of the swatches of a page, what was left out first."""
    by_flag: dict[str, list[Swatch]] = {}
    for swatch in swatches:
        for flag in flags_of(swatch):
            by_flag.setdefault(flag, []).append(swatch)
    found = []
    number = 0
    order = list(WORDS)
    for flag in sorted(by_flag, key=lambda flag: order.index(flag) if flag in order else len(order)):
        those = by_flag[flag]
        common = len(those) > max(FEW, COMMON * len(swatches))
        number += not common
        found.append(
            Remark(0 if common else number, flag, _sentence(flag, those, common), not those[0].has_colour)
        )
    return found


def flags_of(swatch: Swatch) -> list[str]:
    """Return what is to be said of one swatch by itself."""
    return [flag for flag in swatch.flags if flag not in _OF_THE_PAGE]


def short(flag: str) -> str:
    """Return what stands in a frame."""
    return WORDS[flag].short if flag in WORDS else flag


def _sentence(flag: str, those: Sequence[Swatch], common: bool) -> str:
    who = f"Most swatches ({len(those)})" if common else _places(those)
    if flag not in WORDS:
        return f"{who}: {flag}. 'calib flags' explains it."
    words = WORDS[flag]
    return f"{who}: {'each ' if len(those) > 1 else ''}{words.why}. {words.todo}"


def _places(those: Sequence[Swatch]) -> str:
    named = "; ".join(_place(swatch) for swatch in those[:MOST_NAMED])
    more = len(those) - MOST_NAMED
    return f"{named} and {more} more" if more > 0 else named


def _place(swatch: Swatch) -> str:
    """Return which swatch it is: its marker, where any font has its letters, and where it stands as the page's own labels count."""
    _, row, column = (int(part) for part in swatch.cell.cell.split("-"))
    name = swatch.marker.marker
    place = f"row {row}, col {column}"
    coats = "1 coat" if swatch.cell.layers == 1 else f"{swatch.cell.layers} coats"
    plain = name.isascii() and name.isprintable() and len(name) <= LONGEST_NAME
    return f"{name}, {coats} ({place})" if plain else place


def title(page: PageReading) -> str:
    """Return the picture's title."""
    name = harmless(page.picture.name)
    name = name if len(name) <= LONGEST_FILE else f"{name[: LONGEST_FILE - 1]}…"
    return f"Page {page.frame.page.page} as calib read it in {name}"


def verdict(swatches: Sequence[Swatch]) -> str:
    """Return how many swatches were read, in one line."""
    count = len(swatches)
    out = sum(not swatch.has_colour for swatch in swatches)
    look = sum(swatch.has_colour and bool(flags_of(swatch)) for swatch in swatches)
    parts = [
        f"All {count} swatches were read"
        if not out
        else f"{count - out} of {count} swatches were read, {out} left out"
    ]
    if look:
        parts.append(f"{look} of them {'is' if look == 1 else 'are'} worth a look")
    return (
        "; ".join(parts) if look else f"{parts[0]}, and nothing odd was seen" if not out else parts[0]
    ) + "."


HOW = (
    "How to check it: the right end of every frame shows the colour that was measured. It should look like the ink to its "
    "left; where it does not, do not trust that swatch."
)


def of_the_page(page: PageReading) -> list[str]:
    """Return sentences on what concerns all swatches of a page."""
    said = []
    if page.forced:
        said.append(
            "This scan is not fit to measure and was read because of --force: rest no decision on it."
        )
    if page.strip is None:
        said.append(
            "No grey strip was used, so the colours compare only with tables that were made in the same way."
        )
    if page.photo is not None:
        said.append("This is a photograph, not a scan, so all colours are less certain.")
    missing = len(page.frame.page.marks) - page.frame.marks
    if missing > 0:
        said.append(
            f"{missing} of the {len(page.frame.page.marks)} printed marks {'was' if missing == 1 else 'were'} not found; the others were enough."
        )
    return said


def facts(page: PageReading) -> str:
    """Return the figures of a page, for who wants them."""
    return (
        f"Figures: {page.frame.marks} of {len(page.frame.page.marks)} marks, to {max(page.frame.residual_mm, 0.01):.2f} mm · "
        f"{page.frame.pixels_per_mm * 25.4:.0f} dpi on paper · light falls off by {100 * page.lighting.falloff():.1f} % · "
        f"scattered light {100 * page.lighting.flare.sum():.1f} %"
    )
