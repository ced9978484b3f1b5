"""The words on a chart page and on a carrier, from the long version to the one for a small page."""

from __future__ import annotations

from collections.abc import Collection, Sequence

Paragraphs = Sequence[tuple[str, bool]]

PRINTED = "The grey strip on this page is printed: its numbers hold only once it has been measured."
PRINTED_SHORT = "Printed strip: its numbers hold only once measured."
PLACES = "'again: r9 c5' tells where a marker's other swatch is: row 9, column 5."
FIRST_ROW = "row 1 of the card along this side"
# What stands around the id of an overlay's ink below, and of the one on top; the shorter one where the longer finds no room.
LAID_FIRST = (("", ", let dry,"), ("", ", dry,"))
LAID_OVER = (("then ", " over it"), ("then ", " over"), ("then ", ""))
OVERLAYS = (
    "Where a label says 'then … over it': fill the cell with the first marker, let it dry, and fill it "
    "again with the second, one coat of each."
)
OVERLAYS_SHORT = "'then … over it': first marker, let dry, then the second on top."
FUMES = "Solvent fumes: open a window and take breaks. No flame; cap each pen."


def instructions(
    layers: Collection[int], printed: bool, twice: bool, overlays: bool = False
) -> tuple[Paragraphs, ...]:
    """Return the instructions, the fullest version first, as (text, is it bold) paragraphs.

    layers: the coats that occur in the chart, 1, 2 or both. printed: is the strip printed.
    twice: do markers occur more than once, so that labels name places such as r9 c5. overlays: are there cells
    of one ink over another.
    """
    fill = {
        (1,): "Fill every cell once, with strokes along its long side.",
        (2,): "Fill every cell once, with strokes along its long side; when the row is dry, "
        "give each its second coat.",
        (1, 2): "Fill both cells of a marker once, with strokes along the long side; when the row is "
        "dry, give the right one its second coat.",
    }[tuple(sorted(set(layers))) or (1,)]
    fill_short = {
        (1,): "Fill each cell once, along its long side.",
        (2,): "Fill each cell along its long side; row dry: a second coat.",
        (1, 2): "Fill both cells once, along the long side; row dry: second coat on the right one.",
    }[tuple(sorted(set(layers))) or (1,)]
    full = [
        ("Lay a scrap sheet under this one while colouring.", False),
        (fill, False),
        *([(OVERLAYS, False)] if overlays else []),
        ("Let it dry for the same time every time; a day is best.", False),
        (
            (
                "Scan with a clean white sheet behind, all automatic corrections off, 300 dpi or more, "
                "TIFF or PNG, the same way up every time."
            ),
            False,
        ),
    ]
    full = [(f"{i}. {text}", bold) for i, (text, bold) in enumerate(full, 1)]
    places = [(PLACES, False)] if twice else []
    fumes = [(FUMES, False)]
    short = [
        ("Scrap sheet underneath.", False),
        (fill_short, False),
        *([(OVERLAYS_SHORT, False)] if overlays else []),
        ("Dry as long every time, best a day.", False),
        (
            "Scan: white sheet behind, no automatic corrections, 300 dpi or more, TIFF or PNG, same way up.",
            False,
        ),
    ]
    note = [(PRINTED, True)] if printed else []
    note_short = [(PRINTED_SHORT, True)] if printed else []
    # On the smallest pages the sentences follow each other in one paragraph.
    joined = [(" ".join(text for text, _ in short), False)]
    return (
        note + full + fumes + places,
        note + full + fumes,
        note + full,
        note_short + short,
        note_short + joined,
    )


def carrier_instructions(on_its_side: bool) -> tuple[Paragraphs, ...]:
    """Return the instructions of a card's carrier, the fullest version first; see instructions.

    on_its_side: does the card lie a quarter turn anticlockwise, its first row to the left.
    """
    side = "to the left" if on_its_side else "at the top"
    full = (
        f"Lay the card into its corners, colours towards you, row 1 {side}, and the grey strip into its "
        "own. Fix both from behind with thin removable tape; nothing may lie on their faces.",
        "Turn the sheet over onto the glass: card and strip touch the glass. Hold on to a card that is too "
        "heavy for tape.",
        "Lay a clean white sheet behind and close the lid. Where a thick card keeps it open, cover the gap "
        "with a dark cloth.",
        "Scan as you scan your charts: all automatic corrections off, 300 dpi or more, TIFF or PNG.",
    )
    short = (
        f"Card into its corners, row 1 {side}; strip into its own. Tape from behind, faces free.",
        "Turn over onto the glass; white sheet behind.",
        "Scan as your charts: no automatic corrections, 300 dpi or more, TIFF or PNG.",
    )
    return (
        [(f"{i}. {text}", False) for i, text in enumerate(full, 1)],
        [(text, False) for text in short],
        [(" ".join(short), False)],
    )


def slot(size: str, between_edges: bool) -> tuple[str, ...]:
    """Return what stands in the slot of a carrier, the longest version first.

    between_edges: are the slot's sides so near to the paper's edge that no corner can be printed there.
    """
    words = f"lay the colour card here, {size} mm"
    more = (f"{words}, with as much paper to its left as to its right",) if between_edges else ()
    return (*more, words, f"card, {size} mm")


def coats(layers: int, overlay: bool = False) -> str:
    """Return how many coats a cell wants, in words."""
    if overlay:
        return "1 coat each"
    return "1 coat" if layers == 1 else f"{layers} coats"


def address(row: int, column: int) -> str:
    """Return the short name of a place on the page."""
    return f"r{row} c{column}"


def elsewhere(row: int, column: int, first: bool) -> tuple[str, ...]:
    """Return what a group says of the other place of its marker, the longest version first.

    first: is this the first place, which says where its second is, or the second one.
    """
    where = address(row, column)
    if first:
        return (f"again: row {row}, col {column}", f"again: {where}", f"see {where}")
    return (f"again, see row {row}, col {column}", f"again, see {where}", f"again ({where})", "again")
