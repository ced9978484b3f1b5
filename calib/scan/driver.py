"""What the scanner's driver did to the page, and whether the strip is the one that its file describes.

A driver's tone curve is undone by the strip, whatever it is; what it cut off is lost. And a strip file
whose densities are a multiple of the true ones passes for another gamma. What else is known of a page tells: how
white paper is, how dark a printer's black is, and how drivers write light into codes. One odd thing alone is
worth a word; what cannot be is refused.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import linear_to_xyz, srgb_encode, xyz_to_lab
from calib.scan.encoding import Encoding, Line
from calib.scan.lightness import lightness
from calib.scan.strip import StripReading
from calib.scan.tone import fit_tone

Array = NDArray[np.float64]

# With more of the bare paper at the white end than this, its level is not known; with less than the second,
# it is noise.
PAPER_LOST = 0.15
PAPER_TOUCHED = 0.02
# So much above a perfect white is no error of lighting: Y of paper with brighteners stays under 1 (common practice).
WHITER_THAN_WHITE = 1.03
# White papers have L* 85 to 97, packing paper 55 to 65; black card, on which no marker shows, under 40 (common practice).
NO_PAPER_L = 45.0
ODD_PAPER_L = 99.0
# A home printer's black on paper has L* 12 to 30, a pale one more (common practice): more is evidence of nothing by itself.
DEEP_BLACK_L, PALE_BLACK_L = 5.0, 33.0
# A known curve is there where the steps miss it by no more than so many times what is expected of them. Honest files miss the right
# one by 0.3 to 2.1, those with a contrast curve on top by 2.9 and more (tests/benchmarks/quality.py strips).
KNOWN_MISS = 2.5
# A stretched one is there where no light is so far below code 0, in codes, and the steps miss it by no more than this, or than so much
# of how far that is; curves of contrast look a little like it.
FAR_OFFSET, STRETCHED_MISS, BY_OFFSET = 0.05, 1.2, 8.0
# In a file of linear light, no light at this code or above.
LIFTED = 0.03
# Scanners are set by a white tile of their own: a perfect white at this code or above is a driver's doing.
MOST_WHITE = 1.04
# A multiple of the densities explains the steps where it is off by so much and takes away so much of the squared misses, counted in what
# is left of them: honest files measured 0 to 25, nearly all under 8; files of half as much or as little again 17 to 600.
OTHER_TIMES, BETTER, FAR_BETTER = 0.08, 12.0, 40.0
# Drivers write powers of 1, or from 1.8 to 2.6 (common practice); a contrast curve on top makes it look like 1.8 to 3.
LEAST_GAMMA, ODD_GAMMA, MOST_GAMMA = 1.5, 1.65, 3.2
# With a gamma above this, a black that no paper has is not the printer's.
STEEP_GAMMA = 2.7
# A paper that the file says to be this near to white, while the strip says that it is not.
MADE_WHITE, WHITE_ENOUGH = 0.975, 0.94
# The lightest step is bare paper where it reads as the paper beside it in every channel (a neutral strip's differs in
# blue by a hundredth and more from white papers), and its value is off by so many L* and so many standard
# uncertainties of the other steps' curve.
AS_PAPER, NOT_ITS_VALUE, FAR_OFF = 0.003, 1.0, 2.0
FEWEST_USABLE = 5

SWITCH_OFF = "Switch off automatic exposure, contrast, white balance and background removal in the scanner's dialog, and scan again."
OTHER_STRIP = "Check that the strip file is this strip's, and that its densities are absolute ones."


@dataclass(frozen=True)
class Finding:
    """One odd thing. words: a clause that follows the page's name. todo: a sentence. fatal: whether it must be refused."""

    words: str
    todo: str
    fatal: bool


@dataclass(frozen=True)
class Seen:
    """What a page shows once it is read.

    paper: (3,) reflectance of the bare paper. paper_declared: (3,) its light as the file states it. black: (3,)
    reflectance of the printed black, None where it is out of sight. profiled: whether the file has a colour profile.
    """

    paper: Array
    paper_declared: Array
    black: Array | None
    profiled: bool = False


def paper_at_the_end(share: Array) -> list[Finding]:
    """Judge the share (3,) of bare paper that is at the white end of the code range, by channel."""
    if share.max() < PAPER_TOUCHED:
        return []
    names = [
        name for name, part in zip(("red", "green", "blue"), share, strict=True) if part >= PAPER_TOUCHED
    ]
    where = " and ".join(names) if len(names) < 3 else "all channels"
    words = f"{100 * share.max():.0f} % of the bare paper is cut off at the white end of the scan in {where}"
    return [
        Finding(f"{words}, as automatic exposure or white balance does", SWITCH_OFF, share.max() > PAPER_LOST)
    ]


def steps_at_the_ends(reading: StripReading) -> list[Finding]:
    """Judge the steps of a strip that are at an end of the code range and had to be left out."""
    low, high = ((reading.clipped[:, end] > 0) & ~reading.usable for end in (0, 1))
    if not (~reading.usable).any():
        return []
    ends = [
        f"{int(lost.sum())} {word} step{'s' if lost.sum() > 1 else ''}"
        for lost, word in ((high, "light"), (low, "dark"))
        if lost.any()
    ]
    words = f"{' and '.join(ends)} of the grey strip read the very end of the scan's range, as automatic contrast does"
    left = int(reading.usable.sum())
    if left < FEWEST_USABLE:
        return [Finding(f"{words}, which leaves too few to measure by", SWITCH_OFF, True)]
    return [Finding(f"{words}; they were left out", SWITCH_OFF, False)]


def lightest_is_paper(reading: StripReading, stated: Array) -> bool:
    """Tell whether the lightest step is bare paper beside a shorter strip, whose steps are one fewer.

    stated: (n, 3) light of the strip file.
    """
    step = int(np.argmax(stated[:, 1]))
    if np.any(np.abs(reading.light[step] / np.maximum(reading.beside[step], 1e-6) - 1) > AS_PAPER):
        return False
    others = np.arange(len(stated)) != step
    tone = fit_tone(reading.light[others], stated[others])
    found = tone(reading.light[step])
    off = float(100 * abs(lightness(found[1]) - lightness(stated[step, 1])))
    doubt = float(100 * (lightness(found[1] + tone.u(found)[1]) - lightness(found[1])))
    return off > max(NOT_ITS_VALUE, FAR_OFF * doubt)


def plausible(seen: Seen, encoding: Encoding | None) -> list[Finding]:
    """Judge a page as the strip makes it: its paper, its black, and the tone that the driver would have had.

    encoding: None where no driver made the tone, as in a photograph.
    """
    if encoding is None:
        return _paper(seen)
    return [*_paper(seen), *_tone(seen, encoding), *_made_white(seen)]


def _paper(seen: Seen) -> list[Finding]:
    white = float(linear_to_xyz(seen.paper)[1])
    level = float(xyz_to_lab(linear_to_xyz(seen.paper))[0])
    if white > WHITER_THAN_WHITE:
        words = (
            f"by this strip file the bare paper would be whiter than a perfect white (Y {100 * white:.0f} %)"
        )
        base = "Where a leaflet counts densities from the strip's own white, give that white as base_density."
        return [Finding(words, f"{OTHER_STRIP} {base}", True)]
    if level < NO_PAPER_L:
        return [
            Finding(
                f"by this strip file the bare paper would be as dark as L* {level:.0f}", OTHER_STRIP, True
            )
        ]
    if level > ODD_PAPER_L:
        words = f"by this strip file the bare paper has L* {level:.1f}, which hardly any paper has"
        return [Finding(words, f"{OTHER_STRIP} {SWITCH_OFF}", False)]
    return []


def _tone(seen: Seen, found: Encoding) -> list[Finding]:
    level = None if seen.black is None else float(xyz_to_lab(linear_to_xyz(seen.black))[0])
    dark = "" if level is None else f", and the printed black L* {level:.0f}"
    tone = f"by this strip file the scan would have a gamma of {found.gamma:.2g}{dark}"
    below = -found.loose_fit.offset
    stretched = below >= FAR_OFFSET and found.loose_fit.miss <= max(STRETCHED_MISS, BY_OFFSET * below)
    # So looks a file in sRGB, too, whose strip file has half the strip's densities; the black then is pale as well.
    lifted = found.known == "gamma 1.0" and found.fit.miss <= KNOWN_MISS and _lifted(found.fit)
    half = lifted and level is not None and level > PALE_BLACK_L
    miss = min(found.fit.miss, found.loose_fit.miss) if stretched else found.fit.miss
    gained = (found.steps - 1) * (miss**2 - found.times_miss**2) / max(1.0, found.times_miss**2)
    if abs(found.times - 1) > OTHER_TIMES and gained > BETTER:
        words = f"the grey strip reads as if its densities were {found.times:.2g} times those of the strip file ({tone})"
        return [Finding(words, OTHER_STRIP, half or gained > FAR_BETTER)]
    if lifted:
        words = (
            f"{tone}, and a perfect white be at {100 * found.fit.white:.0f} % of its range, which is unlikely"
        )
        return [Finding(words, OTHER_STRIP, half)]
    if stretched:
        return [_stretched(found.loose, found.loose_fit)]
    if found.fit.miss <= KNOWN_MISS:
        return _known(found, seen.profiled)
    if found.gamma < LEAST_GAMMA:
        return [Finding(f"{tone}, which no driver writes", OTHER_STRIP, True)]
    no_black = level is not None and level < DEEP_BLACK_L and found.gamma > STEEP_GAMMA
    if found.gamma < ODD_GAMMA or found.gamma > MOST_GAMMA or no_black:
        return [Finding(f"{tone}, which is unlikely", OTHER_STRIP, no_black)]
    return []


def _lifted(line: Line) -> bool:
    return line.white > MOST_WHITE or line.offset > LIFTED


def _known(found: Encoding, profiled: bool) -> list[Finding]:
    """Judge a scan whose codes follow a curve that drivers write."""
    if found.fit.white > MOST_WHITE:
        return [_stretched(found.known, found.fit)]
    if profiled and found.stated_fit.miss > KNOWN_MISS:
        words = f"by this strip file the scan is written by {found.known}, and its own colour profile says otherwise"
        return [Finding(words, f"{OTHER_STRIP} If it is, nothing is wrong: the strip counts.", False)]
    return []


def _stretched(curve: str, line: Line) -> Finding:
    words = (
        f"the driver stretched the tones of the scan ({curve}, no light at code {100 * line.offset:.0f} % and a perfect white"
        f" at {100 * line.white:.0f} %), as automatic contrast or exposure does; the strip has undone it"
    )
    return Finding(words, SWITCH_OFF, False)


def _made_white(seen: Seen) -> list[Finding]:
    declared, true = float(seen.paper_declared.min()), float(seen.paper.max())
    if declared < MADE_WHITE or true > WHITE_ENOUGH:
        return []
    words = (
        f"the driver has made the paper white (codes {100 * float(srgb_encode(declared)):.0f} % of the range,"
        f" where the strip says {100 * float(linear_to_xyz(seen.paper)[1]):.0f} % of the light), as automatic white"
        " balance does; the strip has undone it"
    )
    return [Finding(words, SWITCH_OFF, False)]
