"""The columns of the measured colour table, declared once: the CSV, its description, exports and the manual follow."""

from __future__ import annotations

from calib.table.csvw import Column


def _doubt(name: str, description: str, plain: str, unit: str = "") -> Column:
    return Column(name, "number", description, unit, minimum=0, maximum=1000, plain=plain)


_COMPARING = (
    "Standard uncertainty (k = 1) of {} for comparing with another table from the same scanner, "
    "hand scatter included"
)
_LIGHT = "Linear, white-balanced {} scanner light of the ink film, a perfect white = 1: what comparison uses"
_TRISTIMULUS = "CIE tristimulus value {} of the ink film, D50, 2 degree observer; a perfect white has Y = 100"
# The manual's words for columns that it explains together.
_PEN = (
    "the pen, from your list; `kind` also says `paper`, `black`, and `overlay` where one ink lies over another: "
    "`011 over 008` is 011 on top of 008"
)
_AB = "`a` runs from green (below 0) to red (above 0), `b` from blue (below 0) to yellow (above 0)"
_CH = "the same two as strength of colour (0 is grey) and hue as an angle in degrees: 0 red, 90 yellow, 180 green, 270 blue"
_SESSION = "what you called the paper; the date"
_OFF = (
    "how far `L`, `a` and `b` may be off when you compare with another table from the same scanner; your hand is "
    "counted in"
)
_SEEN = "the light that the scanner saw, a perfect white being 1"
_CIE = "the colour as CIE tristimulus values, which other colour programs ask for"
_SCREEN = "the nearest colour a screen can show, and whether it is that colour exactly (`true`) or only near it (`false`)"
_BEHIND = "how many cells and how many pixels stand behind the row"

# Bounds are wider than any paper: they catch a decimal point that was lost, not an odd colour. L
# may pass 100 where ink or paper fluoresces, and dark light may fall just under 0 by noise.
COLUMNS: tuple[Column, ...] = (
    Column(
        "marker",
        "string",
        "Id of the marker in the marker list; 'paper' and 'black' name rows that are no pens, and '011 over 008' "
        "the overlay of 011 on top of 008",
        required=True,
        plain=_PEN,
    ),
    Column("name", "string", "Name of the marker in the marker list", plain=_PEN),
    Column("set", "string", "Set the marker belongs to, from the marker list", plain=_PEN),
    Column(
        "kind",
        "string",
        "What the row is: ink, colourless blender, bare paper, printed black, or one ink over another",
        pattern="ink|blender|paper|black|overlay",
        required=True,
        plain=_PEN,
    ),
    Column(
        "layers",
        "integer",
        "Coats of ink; 0 for paper and black, 1 for an overlay, which has one coat of each ink",
        minimum=0,
        maximum=2,
        required=True,
        plain="coats of ink: 1 or 2; 0 for paper and black; of an overlay 1, which is one coat of each ink",
    ),
    Column("paper", "string", "Name of the paper", required=True, plain=_SESSION),
    Column("session", "date", "Date of the session, ISO 8601", required=True, plain=_SESSION),
    Column(
        "L",
        "number",
        "CIE 1976 L* of the ink film where it covers well, D50, 2 degree observer",
        minimum=-10,
        maximum=150,
        plain="lightness: 0 is black, 100 a perfect white",
    ),
    Column("a", "number", "CIE 1976 a* of the ink film", minimum=-250, maximum=250, plain=_AB),
    Column("b", "number", "CIE 1976 b* of the ink film", minimum=-250, maximum=250, plain=_AB),
    Column("C", "number", "CIE 1976 chroma C*ab of the ink film", minimum=0, maximum=360, plain=_CH),
    Column(
        "h", "number", "CIE 1976 hue angle h_ab of the ink film", "degree", minimum=0, maximum=360, plain=_CH
    ),
    _doubt("u_L", _COMPARING.format("L"), _OFF),
    _doubt("u_a", _COMPARING.format("a"), _OFF),
    _doubt("u_b", _COMPARING.format("b"), _OFF),
    _doubt(
        "u_dose",
        "Relative standard uncertainty (k = 1) of the amount of ink behind the row, of an overlay that of either ink",
        "how far the amount of ink may be off, as a share: 0.03 is 3 %; of an overlay that of either ink",
    ),
    _doubt(
        "u_abs",
        "Standard uncertainty (k = 1) of the colour itself, scanner colour error on inks included",
        "how far the colour itself may be off, in dE00 (see below)",
        "dE00",
    ),
    Column("R", "number", _LIGHT.format("red"), minimum=-1, maximum=10, decimals=6, plain=_SEEN),
    Column("G", "number", _LIGHT.format("green"), minimum=-1, maximum=10, decimals=6, plain=_SEEN),
    Column("B", "number", _LIGHT.format("blue"), minimum=-1, maximum=10, decimals=6, plain=_SEEN),
    Column("X", "number", _TRISTIMULUS.format("X"), minimum=-50, maximum=1000, plain=_CIE),
    Column("Y", "number", _TRISTIMULUS.format("Y"), minimum=-50, maximum=1000, plain=_CIE),
    Column("Z", "number", _TRISTIMULUS.format("Z"), minimum=-50, maximum=1000, plain=_CIE),
    Column("hex", "string", "Nearest sRGB colour, #rrggbb", pattern="#[0-9a-f]{6}", plain=_SCREEN),
    Column("in_srgb", "boolean", "Whether hex needed no clipping", plain=_SCREEN),
    Column(
        "dE00_paper",
        "number",
        "CIEDE2000 difference from the bare paper",
        "dE00",
        minimum=0,
        maximum=250,
        plain="how different the ink looks from the bare paper, in dE00",
    ),
    Column(
        "coverage",
        "number",
        "Inked share of the cell",
        minimum=0,
        maximum=1,
        plain="how much of the cell is inked: 1 is all of it",
    ),
    Column(
        "mottle",
        "number",
        "Coefficient of variation of the ink's densest channel over the inked area in 0.25 mm "
        "squares, scanner noise removed",
        minimum=0,
        maximum=1000,
        plain="how uneven the ink lies: 0.05 is an even swatch, 0.15 a patchy one",
    ),
    Column(
        "bleed_mm",
        "number",
        "How far ink ran past the cell, mean over its edges; below 0 where it stopped short",
        "mm",
        minimum=-100,
        maximum=100,
        decimals=3,
        plain="how far ink ran past the cell's edge, in millimetres",
    ),
    Column(
        "swatches",
        "integer",
        "Swatches that stand behind the row",
        minimum=0,
        maximum=1_000_000,
        plain=_BEHIND,
    ),
    Column(
        "pixels",
        "integer",
        "Pixels that stand behind the row",
        minimum=0,
        maximum=1_000_000_000_000,
        plain=_BEHIND,
    ),
    Column(
        "flags",
        "string",
        "Quality flags; the command 'calib flags' explains each",
        pattern="[a-z0-9]+(-[a-z0-9]+)*",
        separator=" ",
        plain="words about what went wrong, see [Flags](#flags)",
    ),
)
