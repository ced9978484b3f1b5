"""Each quality flag once: its name and the sentence that ``calib flags`` prints."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One word in the column ``flags``.

    name: the word, without spaces. sentence: what it means and what to do, for the user.
    keeps_colour: whether the row's colour is still one of this ink, so that it may be compared;
    where it is False the colour is missing, a bound, or of something else.
    """

    name: str
    sentence: str
    keeps_colour: bool = True


_ALL = (
    Flag(
        "blank",
        "The cell looks like bare paper, so there is no colour to read. Colour it and scan the page "
        "again; if it is a colourless blender, say so with the kind 'blender' in the marker list.",
        keeps_colour=False,
    ),
    Flag(
        "half-filled",
        "Much of the cell is bare paper. The colour is that of the inked part and stands, but it rests on "
        "less ink than it should; fill the cell from edge to edge the next time.",
    ),
    Flag(
        "mottled",
        "The ink lies unevenly: a pen running dry, a rough paper or strokes that dried before the next "
        "one. The colour stands with a wider doubt; colour the cell again in one wet go if it matters.",
    ),
    Flag(
        "clipped",
        "The scanner ran out of range in at least one channel, so the true colour is more extreme than "
        "the one given, which is only a bound. Switch off automatic exposure and contrast in the "
        "scanner's dialog.",
        keeps_colour=False,
    ),
    Flag(
        "out-of-srgb",
        "The colour is stronger than an sRGB screen can show. L, a and b are right; hex is the nearest "
        "colour that a screen has.",
    ),
    Flag(
        "unlike-hint",
        "The colour is far from the hint in the marker list. Look whether the cell was coloured with "
        "another pen; if it was not, correct the hint.",
    ),
    Flag(
        "fluorescent",
        "The swatch sends back more light than the bare paper in some channel, as fluorescent ink does. A "
        "scanner cannot measure such an ink; judge it by eye.",
        keeps_colour=False,
    ),
    Flag(
        "no-strip",
        "The page was measured without a grey strip, so its tones rest on the scan file's profile and the "
        "bare paper alone. Compare it only with tables made the same way, or scan it again with a strip.",
    ),
    Flag(
        "forced",
        "The scan was judged unfit to measure and written in spite of that because of --force. Do not "
        "rest a decision on this row; scan again as the message said.",
    ),
    Flag(
        "photo",
        "The page was photographed, not scanned, and the light was uneven. The doubt is wider for it; use "
        "a flatbed scanner where small differences matter.",
    ),
    Flag(
        "glare",
        "A lamp or window is mirrored in the swatch or beside it, so the colour is too light and too pale. "
        "Photograph again with the light from the side, or turn the page.",
        keeps_colour=False,
    ),
    Flag(
        "shadow",
        "The edge of a shadow lies on the swatch or beside it, so its light is not well known and the doubt is "
        "wider. Photograph again with nothing between the page and the light.",
    ),
    Flag(
        "predicted",
        "The colour was not measured on this paper but carried over from another one or from one coat. "
        "Colour and scan the swatch itself where it matters.",
    ),
    Flag(
        "few-pixels",
        "Few pixels of the cell could be used, because the scan is coarse or the cell small. The colour "
        "stands with a wider doubt; scan at 300 dpi or more.",
    ),
    Flag(
        "damaged",
        "Most of the cell was left out: dust, a hair, a stain, or it lies past the edge of the scan. "
        "Clean the glass and scan the page again, or colour another cell.",
        keeps_colour=False,
    ),
    Flag(
        "stained",
        "The bare paper beside the cell is darker or of another colour than the rest: a stain, a thumb or a hard "
        "shadow, which may lie on the ink too. Scan the page again; if the stain is in the paper, colour another cell.",
        keeps_colour=False,
    ),
    Flag(
        "second-coat-lighter",
        "Two coats read lighter than one. Look whether the two cells were swapped, or the second coat was "
        "laid with another pen.",
        keeps_colour=False,
    ),
    Flag(
        "one-ink-only",
        "A cell of one ink over another has the colour that one of the two has by itself. Look whether the other was "
        "left out, and lay it now, or colour and scan another cell.",
        keeps_colour=False,
    ),
    Flag(
        "repeats-differ",
        "The swatches of this marker and number of coats differ by more than the hand explains, so the "
        "row is a mean of unlike things. Look whether one of the cells was coloured with another pen.",
        keeps_colour=False,
    ),
)

FLAGS: dict[str, Flag] = {flag.name: flag for flag in _ALL}
