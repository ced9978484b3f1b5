"""The knobs: everything that can go well or badly between the printed page and the file.

The defaults are an average honest scan of a page that an average hand coloured with care, on a
scanner whose filters are colorimetric. Every figure is common practice or invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from calib.synthetic.inks import SimPaper

# Twenty even steps, as a photographic step tablet on paper has them (common practice).
STEPS = tuple(round(0.05 + 0.1 * i, 2) for i in range(20))


@dataclass(frozen=True)
class Hand:
    """How the cells are coloured.

    scatter: relative sd of the amount of ink from swatch to swatch.
    nib_mm, overlap_mm: about how wide a stroke is, and how far two strokes overlap.
    band, pool: how much denser the film is where strokes overlap, and where they begin and end.
    gaps, gap_mm: mean number of white slivers per coat, and their width.
    streak, mottle, patch: relative sd of the amount along fine lines, at 0.3 to 1.2 mm, at 4 mm.
    wobble_mm: sd of a stroke's edge. aim_mm: how far past the outline the hand aims (or short of it).
    creep_mm: how far the ink itself creeps past the stroke's edge.
    grain: 0..1, share of the film that a dry pen leaves white, paper tooth by paper tooth.
    dry_marker: grain of single markers, instead of grain.
    blank, half: ids of cells left empty or half filled.
    wrong: cell id to the marker that was used instead (of an overlay, below). forgotten: ids of overlay cells that
    never got their second ink.
    """

    scatter: float = 0.025
    nib_mm: float = 4.6
    overlap_mm: float = 0.9
    band: float = 0.14
    gaps: float = 0.3
    gap_mm: float = 0.25
    streak: float = 0.025
    wobble_mm: float = 0.15
    aim_mm: float = 0.0
    creep_mm: float = 0.2
    mottle: float = 0.025
    patch: float = 0.015
    grain: float = 0.0
    pool: float = 0.08
    dry_marker: Mapping[str, float] = field(default_factory=dict)
    blank: tuple[str, ...] = ()
    half: tuple[str, ...] = ()
    wrong: Mapping[str, str] = field(default_factory=dict)
    forgotten: tuple[str, ...] = ()


# A hand without any fault: an even film that ends on the outline.
STILL_HAND = Hand(scatter=0, band=0, gaps=0, streak=0, wobble_mm=0, creep_mm=0, mottle=0, patch=0, pool=0)


@dataclass(frozen=True)
class Printer:
    """How the page is printed.

    black_L: L* of the solid black. pale: share of the black that is missing everywhere.
    streaks, streak_mm: unprinted white lines across the page, and their width.
    bands, band_mm: how much of the black is missing in the middle of pale bands across the page, and how far apart
    they are. pinholes: per square centimetre. patchy: share of the black that is missing in spots, rms.
    scale: fit to page, 1 is true. stretch: relative, along y only.
    hidden: mark ids that did not print or are torn off.
    """

    black_L: float = 18.0
    pale: float = 0.0
    streaks: int = 0
    streak_mm: float = 0.12
    bands: float = 0.0
    band_mm: float = 4.0
    pinholes: float = 0.0
    patchy: float = 0.0
    scale: float = 1.0
    stretch: float = 0.0
    hidden: tuple[int, ...] = ()


@dataclass(frozen=True)
class Strip:
    """The grey strip lying on the page.

    densities: stated ones, light to dark or dark to light. widths_mm: per step, relative (equal if empty).
    size_mm: long, short (the plan's rectangle if None). offset_mm: along, across. turn_deg: askew.
    reversed: other end first, the first end being left or, of an upright strip, on top.
    gap_mm: pale gap between steps. errors: sd of each step's true density about the stated one.
    tint: by how much denser, relatively, the strip is at 780 than at 380 nm.
    shadow: depth of the shadow of the strip's edge, 0.15 mm wide.
    """

    densities: tuple[float, ...] = STEPS
    widths_mm: tuple[float, ...] = ()
    size_mm: tuple[float, float] | None = None
    offset_mm: tuple[float, float] = (0.5, -0.3)
    turn_deg: float = 0.4
    reversed: bool = False
    present: bool = True
    gap_mm: float = 0.0
    errors: float = 0.0
    tint: float = 0.0
    shadow: float = 0.15


@dataclass(frozen=True)
class CardLaying:
    """A colour card lying in the slot of a carrier page.

    offset_mm: right, down, of its middle from the slot's. turn_deg: clockwise as the page is read; 180 lays it
    upside down. thick_mm: how far it holds the sheet off the glass beside it, reach_mm: until it touches again.
    shadow: depth of the shadow of its edge, 0.15 mm wide. texture: relative sd of a patch's light at 0.1 mm.
    gloss, dust, scratches: how many bright specks, dark specks and pale lines are on it.
    """

    offset_mm: tuple[float, float] = (0.6, -0.4)
    turn_deg: float = 0.5
    thick_mm: float = 0.0
    reach_mm: float = 12.0
    shadow: float = 0.15
    texture: float = 0.004
    gloss: int = 0
    dust: int = 3
    scratches: int = 0


@dataclass(frozen=True)
class Stain:
    """A round translucent spot (or an opaque thumb) on the page, in plan mm."""

    x_mm: float
    y_mm: float
    radius_mm: float
    density: float = 0.15
    opaque: bool = False


@dataclass(frozen=True)
class Laying:
    """How the page lies on the bed.

    turn_deg: clockwise as the picture is seen. offset_mm: of the page's middle from the bed's.
    bed_mm: width, height that is scanned (None: the turned page).
    margin_mm: added all round where bed_mm is None; negative crops.
    lid: reflectance behind the page; 0.03 is an open or black lid.
    shadow: depth of the shadow of the sheet's edge.
    lift_mm, lift_edge, lift_reach_mm: how high an edge of the sheet ('left', 'right', 'top', 'bottom', as
    printed) stands off the glass, and how far from it the sheet touches again.
    """

    turn_deg: float = 0.6
    offset_mm: tuple[float, float] = (0.7, -1.1)
    bed_mm: tuple[float, float] | None = None
    margin_mm: float = 3.0
    lid: float = 0.86
    shadow: float = 0.2
    lift_mm: float = 0.0
    lift_edge: str = "left"
    lift_reach_mm: float = 25.0
    stains: tuple[Stain, ...] = ()


@dataclass(frozen=True)
class Scanner:
    """The scanner and its driver.

    kind, lamp: see scanners.spectral_scanner.
    flare: share of the light that is scattered, over flare_mm (rms radius), flare_tail of it in a tail
    three times as wide.
    falloff, tilt: loss of light towards both sides, and from the middle to the bottom (a gain to the top).
    falloff_by_channel: factors on both. blur_mm: sd of a Gaussian.
    noise_read, noise_shot: sd in linear light at black, and what is added (in squares) at white.
    noise_grain: share of the noise's variance that neighbouring pixels share.
    columns: relative sd of the gain from sensor column to column. gain: of the channels.
    matrix: 3x3 on linear light before the curve, for files in another RGB.
    tone: 'srgb', 'linear', 's-curve', or 'gamma' and a number, such as 'gamma 1.8'.
    auto_contrast: share of pixels clipped at each end. sharpen, sharpen_px: amount of unsharp masking, and its sd.
    jerk_mm: smear along the sensor's way. denoise: side of a median's window in pixels, 3 or 5, 0 for none.
    descreen_mm: period of the print screen that is averaged away. whiten: how far below white codes are drawn to it.
    bits: 8 or 16. jpeg: quality, None for none; it makes 8 bits. packed, packed_at: quality of an earlier JPEG, and
    the pixel (across, down) at which its squares begin, as where the picture was cropped since.
    dust, hairs: on the page. again: another number scans the same page with other noise and dust.
    """

    kind: str = "colorimetric"
    lamp: str = "LED-B3"
    flare: float = 0.015
    flare_mm: float = 12.0
    flare_tail: float = 0.3
    falloff: float = 0.03
    tilt: float = 0.005
    falloff_by_channel: tuple[float, float, float] = (1.0, 1.05, 0.92)
    blur_mm: float = 0.045
    noise_read: float = 0.0012
    noise_shot: float = 0.004
    noise_grain: float = 0.3
    columns: float = 0.0
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    matrix: tuple[tuple[float, float, float], ...] | None = None
    tone: str = "srgb"
    auto_contrast: float = 0.0
    sharpen: float = 0.0
    sharpen_px: float = 1.2
    jerk_mm: float = 0.0
    denoise: int = 0
    descreen_mm: float = 0.0
    whiten: float = 0.0
    bits: int = 16
    jpeg: int | None = None
    packed: int | None = None
    packed_at: tuple[int, int] = (0, 0)
    dust: int = 4
    hairs: int = 0
    again: int = 0


# A scanner that reads true: no flare, falloff, blur or noise.
TRUE_SCANNER = Scanner(flare=0, falloff=0, tilt=0, blur_mm=0, noise_read=0, noise_shot=0, dust=0)


@dataclass(frozen=True)
class Session:
    """One page's way from the printer to the file. All chance in it comes from seed."""

    paper: SimPaper = field(default_factory=SimPaper)
    hand: Hand = Hand()
    printer: Printer = Printer()
    strip: Strip = Strip()
    card: CardLaying = CardLaying()
    laying: Laying = Laying()
    scanner: Scanner = Scanner()
    seed: int = 0
