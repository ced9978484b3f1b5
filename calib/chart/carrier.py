"""A page that holds a colour card and the grey strip while they are scanned: where everything stands.

    mark   title            mark   instructions   mark
    the slot: the card lies in it, with bare paper around
    mark   ------- the grey strip, laid across -------  mark
    mark   ruler            mark   black patch    mark

It is a chart's page with one slot in the place of the cells, so what reads a chart reads it too. Where
the strip does not fit across, it stands upright at the right, and the instructions of a narrow page stand
in the band below the slot. A card that fits only so lies on its side, its first row to the left.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass

from calib.chart.furniture import (
    HEADER_NARROW_MM,
    HEADER_STACKED_MM,
    HEADER_WIDE_MM,
    MARK_MM,
    RIM_BOTTOM_MM,
    RIM_MM,
    RULER_ROOM_MM,
    STRIP_CLEAR_MM,
    WIDE_MM,
    black_label,
    black_patch,
    check_sizes,
    identify,
    mark_corners,
    place_marks,
    ruler_box,
    strip_box,
    text_boxes,
)
from calib.chart.plan import Box, Page, Plan
from calib.errors import ImpossibleError

CARD_MM = (200.0, 130.0)
LEAST_CARD_MM, MOST_CARD_MM = 30.0, 420.0
# Above and below the card, and towards the strip: a card laid 2 mm and 2 degrees off reaches 5 mm out of
# its slot, and the light between the card and what is printed is measured on the bare paper there.
CARD_CLEAR_MM = 9.0
# Beside the card: what is left of the page's width. Nothing is printed there, so the rim may be used.
CARD_RIM_MM = 5.0
# The instructions take what the page has to spare, up to this.
HEADER_MORE_MM = 16.0
BAND_GAP_MM = 6.0
# Instructions between the marks of a band: four lines.
BAND_TEXT_MM = 14.0


@dataclass(frozen=True)
class Carrier:
    """A carrier page. plan: of one page with a slot and no cells. card_mm: width and height of the card.

    The width runs along the card's rows. Where the slot is the other way round, the card lies on its
    side, its first row to the left.
    """

    plan: Plan
    card_mm: tuple[float, float]

    @property
    def page(self) -> Page:
        """The one page."""
        return self.plan.pages[0]

    @property
    def slot(self) -> Box:
        """Where the card is laid."""
        if self.page.slot is None:
            raise ValueError("a carrier's page has a slot")
        return self.page.slot

    @property
    def on_its_side(self) -> bool:
        """Is the card to be laid a quarter turn anticlockwise, its first row to the left?"""
        return self.slot.width_mm != self.card_mm[0]


@dataclass(frozen=True)
class _Room:
    """One arrangement of a page.

    right: of the marks. shape: is the page wide, does the strip lie across. header_mm, band_mm: least heights of
    the header and of the band below the slot. slot: the largest that fits.
    """

    right: float
    shape: tuple[bool, bool]
    header_mm: float
    band_mm: float
    slot: Box


def lay_out_carrier(
    card_mm: tuple[float, float] = CARD_MM,
    page_mm: tuple[float, float] = (210.0, 297.0),
    strip_mm: tuple[float, float] = (160.0, 14.0),
) -> Carrier:
    """Return the carrier page of a card of this outer size, width (along its rows) and height.

    The card lies upright where it can, the strip across. Raises ImpossibleError where the sizes cannot
    fit, with the size that would.
    """
    check_sizes(page_mm, strip_mm)
    if not all(LEAST_CARD_MM <= side <= MOST_CARD_MM for side in card_mm):
        raise ImpossibleError(
            f"A colour card of {card_mm[0]:g} x {card_mm[1]:g} mm cannot be read",
            f"Give its width and height: {LEAST_CARD_MM:g} to {MOST_CARD_MM:g} mm each.",
        )
    rooms = list(_rooms(page_mm, strip_mm))
    for (width, height), room in itertools.product((card_mm, card_mm[::-1]), rooms):
        if width <= room.slot.width_mm and height <= room.slot.height_mm:
            return Carrier(_plan((width, height), room, card_mm, page_mm, strip_mm), card_mm)
    raise ImpossibleError(
        f"A card of {card_mm[0]:g} x {card_mm[1]:g} mm and a strip of {strip_mm[0]:g} x {strip_mm[1]:g} mm "
        f"do not fit on a page of {page_mm[0]:g} x {page_mm[1]:g} mm",
        _way_out(rooms),
    )


def _way_out(rooms: list[_Room]) -> str:
    sizes = [(math.floor(room.slot.width_mm), math.floor(room.slot.height_mm)) for room in rooms]
    fit = [size for size in sizes if min(size) >= LEAST_CARD_MM]
    if not fit:
        return "Give a larger page, or a shorter strip with --strip-size."
    said = " or ".join(f"{width} x {height} mm" for width, height in dict.fromkeys(fit))
    return f"A card of at most {said} would, upright or on its side; else choose a larger page."


def _rooms(page_mm: tuple[float, float], strip_mm: tuple[float, float]) -> Iterator[_Room]:
    """Yield the arrangements that the page and the strip allow, the strip across first."""
    width, height = page_mm
    strip_long, strip_short = strip_mm
    for across in (True, False):
        column_mm = 0.0 if across else strip_short + CARD_CLEAR_MM
        if not across and width - 2 * RIM_MM - column_mm < WIDE_MM:
            column_mm += RULER_ROOM_MM
        right = width - RIM_MM - column_mm
        if across and strip_long + 2 * STRIP_CLEAR_MM > right - RIM_MM - 2 * MARK_MM:
            continue
        if not across and (strip_long > height - RIM_MM - RIM_BOTTOM_MM or right - RIM_MM < 60):
            continue
        wide = right - RIM_MM >= WIDE_MM
        header_mm = HEADER_WIDE_MM if wide else HEADER_STACKED_MM if across else HEADER_NARROW_MM
        band_mm = max(strip_short, MARK_MM) if across else MARK_MM if wide else BAND_TEXT_MM
        top = RIM_MM + header_mm + CARD_CLEAR_MM
        bottom = height - RIM_BOTTOM_MM - MARK_MM - BAND_GAP_MM - band_mm - CARD_CLEAR_MM
        # Beside a ruler that stands upright the card keeps clear of its line.
        slot_right = width - CARD_RIM_MM if across else right if wide else right - 2.0
        slot = Box(CARD_RIM_MM, top, slot_right - CARD_RIM_MM, bottom - top)
        yield _Room(right, (wide, across), header_mm, band_mm, slot)


def _plan(
    slot_mm: tuple[float, float],
    room: _Room,
    card_mm: tuple[float, float],
    page_mm: tuple[float, float],
    strip_mm: tuple[float, float],
) -> Plan:
    left, right, (wide, across) = RIM_MM, room.right, room.shape
    top, bottom = RIM_MM, page_mm[1] - RIM_BOTTOM_MM
    foot_top = bottom - MARK_MM
    # Room to spare goes to the instructions first, then in equal parts above and below the card and its band.
    spare = room.slot.height_mm - slot_mm[1]
    more = min(spare, HEADER_MORE_MM) if wide or across else 0.0
    air = (spare - more) / 3
    header_bottom = top + room.header_mm + more
    slot = Box(
        room.slot.x_mm + (room.slot.width_mm - slot_mm[0]) / 2,
        header_bottom + CARD_CLEAR_MM + air,
        *slot_mm,
    )
    band_top = slot.bottom_mm + CARD_CLEAR_MM + air
    middle = band_top + room.band_mm / 2
    black = black_patch(left, right, foot_top, wide, across)
    corners = mark_corners(left, right, (top, middle - MARK_MM / 2, foot_top), wide)
    short, ids = identify(
        {
            "slot": asdict(slot),
            "card_mm": card_mm,
            "page_mm": page_mm,
            "strip_mm": strip_mm,
            "marks": corners,
        },
        len(corners),
    )
    page = Page(
        page=1,
        marks=place_marks(corners, ids),
        strip=strip_box(strip_mm, page_mm, right, middle if across else None).rounded(),
        black=black.rounded(),
        cells=(),
        ruler=ruler_box(left, right, (top, bottom), across or wide).rounded(),
        texts=tuple(
            text.rounded()
            for text in (
                *text_boxes(left, right, header_bottom, (band_top, band_top + room.band_mm), room.shape),
                black_label(black, left, right, wide, across),
            )
        ),
        slot=slot.rounded(),
    )
    return Plan(chart=short, page_mm=page_mm, strip_mm=strip_mm, pages=(page,), markers=())
