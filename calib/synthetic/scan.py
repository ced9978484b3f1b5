"""From a chart plan and known inks to a scan, with its truth. This is the way in.

session = Session(hand=Hand(grain=0.2), scanner=Scanner(flare=0.03), seed=7)
scan = simulate_page(plan, 1, {ink.marker: ink for ink in inks}, session, dpi=300)
scan.pixels, scan.truth.cells["1-01-01"].film_lab
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.chart.plan import Box, Cell, Page, Plan
from calib.colour.colorimetry import lab_to_xyz
from calib.errors import ImpossibleError
from calib.synthetic.bed import bed_pose, lay_on_bed, lay_strip, lift, shade_edges, soil, stain, strip_steps
from calib.synthetic.card import SimCard
from calib.synthetic.hand import MARGIN_MM, Colouring, colour_cell, colour_overlay
from calib.synthetic.inks import Ink, film_reflectance, reflectance_at
from calib.synthetic.noise import Grid, Plane, rng_of, smooth_field
from calib.synthetic.optics import Pixels, scan_light
from calib.synthetic.overlays import overlay_passed, overlay_reflectance
from calib.synthetic.raster import PrintFrame
from calib.synthetic.scanners import SpectralScanner, spectral_scanner
from calib.synthetic.session import Session
from calib.synthetic.sheet import from_picture, print_frame, print_page
from calib.synthetic.slot import CardTruth, card_pose, card_truth, lay_card
from calib.synthetic.spectra import spectrum_to_xyz, true_lab

Array = NDArray[np.float64]

MOST_DPI = 1200
# Below this many pixels per mm the fine structure of a film is painted twice as fine and averaged.
FINE_ENOUGH = 11.0


@dataclass(frozen=True, eq=False)
class Colour:
    """One colour, without light falling off, flare or noise.

    reflectance: (n,) on spectra.WAVELENGTHS. xyz, lab: by the CIE's sums, D50, Y of white = 1.
    linear: what the scanner's sensor makes of it, a perfect white = 1 (3,).
    """

    reflectance: Array
    xyz: Array
    lab: Array
    linear: Array


@dataclass(frozen=True, eq=False)
class CellTruth:
    """What is in a cell.

    marker: the pen that was really used, '' where the cell is blank; of an overlay the one below, over the one on top.
    film: the swatch's own film, off the overlaps and gaps. nominal: the same of an average hand.
    film_amount: ink in the film, in coats of an average hand; of an overlay both inks' together.
    covered_linear: mean light of all inked area, overlaps included.
    coverage: inked share of the cell, 0..1.
    mottle, mottle_density: coefficients of variation, in 0.25 mm squares of the inked area at least 1 mm
    inside the outline, of the light in the densest channel, and of its density over the paper.
    bleed_mm: mean reach of the ink past the edges.
    """

    cell: str
    marker: str
    layers: int
    film: Colour
    nominal: Colour
    film_amount: float
    covered_linear: Array
    coverage: float
    mottle: float
    mottle_density: float
    bleed_mm: float
    over: str = ""

    @property
    def film_lab(self) -> Array:
        """L*a*b* of the swatch's own film."""
        return self.film.lab


@dataclass(frozen=True, eq=False)
class ScanTruth:
    """What is on a scanned page and where.

    mm_to_px: 3x3, plan mm to pixels, the centre of the first pixel being (0, 0). strip_densities:
    true ones as laid, from the plan's left or top. strip_px: its corners (4, 2). card: in the slot of a
    carrier page.
    """

    chart: str
    page: int
    dpi: float
    mm_to_px: Array
    cells: Mapping[str, CellTruth]
    paper: Colour
    black: Colour
    strip_densities: Array
    strip_px: Array
    session: Session
    card: CardTruth | None = None

    def to_px(self, points_mm: ArrayLike) -> Array:
        """Return pixels (k, 2) of plan mm (k, 2)."""
        points = np.asarray(points_mm, dtype=float)
        return points @ self.mm_to_px[:2, :2].T + self.mm_to_px[:2, 2]


@dataclass(frozen=True, eq=False)
class SimulatedScan:
    """pixels (rows, columns, 3) in RGB, uint8 or uint16, and the truth behind them."""

    pixels: Pixels
    truth: ScanTruth


def simulate_page(
    plan: Plan,
    page_number: int,
    inks: Mapping[str, Ink],
    session: Session,
    dpi: float = 300,
    picture: NDArray[np.uint8] | None = None,
    card: SimCard | None = None,
) -> SimulatedScan:
    """Print, colour and scan one page.

    inks: by marker id, one for every marker of the page. picture: a rendering of the real PDF page, grey
    or RGB, covering the page at any size; without it a stand-in is drawn. card: what lies in the slot of a
    carrier page. The same arguments give the same bytes. Raises ImpossibleError for what cannot be simulated.
    """
    page = next((p for p in plan.pages if p.page == page_number), None)
    if page is None:
        raise ImpossibleError(f"The plan has no page {page_number}", f"It has {len(plan.pages)}.")
    if not 20 <= dpi <= MOST_DPI:
        raise ImpossibleError(f"A scan at {dpi:g} dpi cannot be simulated", f"Choose 20 to {MOST_DPI}.")
    if card is not None and page.slot is None:
        raise ImpossibleError(
            f"Page {page_number} has no slot for a colour card", "Lay it on a carrier page."
        )
    used = {one for cell in page.cells for one in (cell.marker, cell.over) if one} | set(
        session.hand.wrong.values()
    )
    missing = sorted(used - set(inks))
    if missing:
        raise ImpossibleError(
            f"No ink is given for the marker{'s' if len(missing) > 1 else ''} {', '.join(missing)}"
        )
    scale = dpi / 25.4
    seed = session.seed
    spectral = spectral_scanner(session.scanner.kind, session.scanner.lamp)
    frame = print_frame(plan, session.printer)
    if picture is None:
        ink = print_page(plan, page, session.printer, scale, seed)
    else:
        ink = from_picture(picture, plan, page, session.printer, scale, seed)
    planes, paper, black = _printed_light(ink, session, spectral, page, scale)
    del ink
    cells = {
        cell.cell: _colour_one(planes, cell, inks, session, frame, spectral, scale) for cell in page.cells
    }
    true_steps, steps = strip_steps(session.strip, spectral, seed)
    corners = np.zeros((0, 2))
    if session.strip.present:
        corners = lay_strip(planes, session.strip, frame.box(page.strip), steps, scale)
    on_sheet = np.eye(3)
    if card is not None and page.slot is not None:
        on_sheet = card_pose(card, session.card, frame.box(page.slot))
        lay_card(planes, card, session.card, on_sheet, spectral, scale, seed)
    stain(planes, session.laying, frame, scale)
    if session.laying.lift_mm:
        lift(planes, session.laying, scale)
    pose, shape = bed_pose(plan, session.laying, scale)
    bed = lay_on_bed(planes, pose, shape, session.laying.lid, scale)
    del planes
    shade_edges(bed, plan, session.laying, pose)
    this_scan = f"{seed} {page.page} {session.scanner.again}"
    soil(bed, session.scanner, scale, this_scan)
    pixels = scan_light(bed, session.laying, session.scanner, scale, this_scan)
    truth = ScanTruth(
        chart=plan.chart,
        page=page.page,
        dpi=dpi,
        mm_to_px=pose @ frame.matrix(),
        cells=cells,
        paper=paper,
        black=black,
        strip_densities=true_steps if session.strip.present else np.zeros(0),
        strip_px=corners @ pose[:2, :2].T + pose[:2, 2],
        session=session,
        card=None if card is None else card_truth(card, spectral, pose @ on_sheet),
    )
    return SimulatedScan(pixels, truth)


def colour_of(reflectance: Array, spectral: SpectralScanner) -> Colour:
    """Return a reflectance (n,) as XYZ, Lab and the scanner's light."""
    return Colour(
        reflectance, spectrum_to_xyz(reflectance), true_lab(reflectance), spectral.linear(reflectance)
    )


def _printed_light(
    ink: Plane, session: Session, spectral: SpectralScanner, page: Page, scale: float
) -> tuple[NDArray[np.float32], Colour, Colour]:
    """Return the light of the printed sheet (3, rows, columns), and paper and solid black."""
    bare = session.paper.reflectance()
    paper = colour_of(bare, spectral)
    # A printer's black is nearly neutral; its lightness is what differs.
    level = float(lab_to_xyz(np.array([session.printer.black_L, 0.0, 0.0]))[1])
    solid = colour_of(np.full_like(bare, level), spectral)
    planes = np.empty((3, *ink.shape), np.float32)
    for channel in range(3):
        planes[channel] = ink
        planes[channel] *= np.float32(solid.linear[channel] - paper.linear[channel])
        planes[channel] += np.float32(paper.linear[channel])
    if session.paper.texture:
        grid = Grid(0.0, 0.0, scale, (ink.shape[0], ink.shape[1]))
        texture = smooth_field(rng_of(session.seed, "texture", page.page), grid, 0.12)
        texture *= np.float32(session.paper.texture)
        texture += 1.0
        planes *= texture
    covered = 1.0 - session.printer.pale
    black = colour_of(bare + covered * (solid.reflectance - bare), spectral)
    return planes, paper, black


def _colour_one(
    planes: NDArray[np.float32],
    cell: Cell,
    inks: Mapping[str, Ink],
    session: Session,
    frame: PrintFrame,
    spectral: SpectralScanner,
    scale: float,
) -> CellTruth:
    """Colour one cell on the sheet's light and return its truth."""
    hand, paper = session.hand, session.paper
    marker = hand.wrong.get(cell.cell, cell.marker)
    box = frame.box(cell.box)
    around = box.grown(MARGIN_MM)
    left, top = max(0, int(around.x_mm * scale)), max(0, int(around.y_mm * scale))
    right, bottom = (
        min(planes.shape[2], int(around.right_mm * scale)),
        min(planes.shape[1], int(around.bottom_mm * scale)),
    )
    times = 1 if scale >= FINE_ENOUGH else (2 if scale >= FINE_ENOUGH / 2 else 4)
    grid = Grid(left / scale, top / scale, scale, (max(0, bottom - top), max(0, right - left)))
    if min(grid.shape) < 1:
        raise ImpossibleError(
            f"Cell {cell.cell} does not lie on the sheet", "Choose a printer scale nearer to 1."
        )
    painted = _painted(cell, marker, (box, grid.finer(times)), inks, session, spectral)
    coloured, passed = painted.coloured, painted.passed
    if times > 1:
        small = np.stack([cv2.resize(p, grid.shape[::-1], interpolation=cv2.INTER_AREA) for p in passed])
    else:
        small = passed
    planes[:, top:bottom, left:right] *= small
    film = colour_of(painted.film, spectral)
    paper_linear = spectral.linear(paper.reflectance())
    blank = cell.cell in hand.blank
    mottle, mottle_density = _mottle(coloured, box, passed, film.linear / paper_linear)
    inked = coloured.cover > 0.5
    return CellTruth(
        cell=cell.cell,
        marker="" if blank else marker,
        layers=cell.layers,
        film=film,
        nominal=colour_of(painted.nominal, spectral),
        film_amount=coloured.film_amount,
        covered_linear=(passed[:, inked].mean(axis=1) if inked.any() else np.ones(3)) * paper_linear,
        coverage=coloured.coverage,
        mottle=mottle,
        mottle_density=mottle_density,
        bleed_mm=coloured.bleed_mm,
        over="" if blank or cell.cell in hand.forgotten else cell.over,
    )


@dataclass(frozen=True, eq=False)
class _Painted:
    """One coloured cell: passed is its light relative to the bare sheet (3, rows, columns), film and nominal reflectances (n,)."""

    coloured: Colouring
    passed: NDArray[np.float32]
    film: Array
    nominal: Array


def _painted(
    cell: Cell,
    marker: str,
    place: tuple[Box, Grid],
    inks: Mapping[str, Ink],
    session: Session,
    spectral: SpectralScanner,
) -> _Painted:
    """Colour one cell by itself; marker: the pen that is really used, of an overlay below."""
    paper = session.paper
    if cell.over:
        overlaid = colour_overlay(cell, *place, session.hand, paper, session.seed)
        pens = inks[marker], inks[cell.over]
        film = (
            overlay_reflectance(*pens, paper, overlaid.amounts)
            if overlaid.amounts[1]
            else reflectance_at(pens[0], paper, paper.gain * overlaid.amounts[0])
        )
        passed = overlay_passed(pens, overlaid, paper, spectral)
        return _Painted(overlaid.both, passed, film, overlay_reflectance(*pens, paper))
    coloured = colour_cell(cell, *place, session.hand, paper, session.seed)
    return _Painted(
        coloured,
        _passed(inks[marker], coloured, session, spectral),
        reflectance_at(inks[marker], paper, paper.gain * coloured.film_amount),
        film_reflectance(inks[marker], paper, cell.layers),
    )


def _passed(
    ink: Ink, coloured: Colouring, session: Session, spectral: SpectralScanner
) -> NDArray[np.float32]:
    """Return the light of the inked cell relative to its bare sheet (3, rows, columns)."""
    bare = spectral.linear(session.paper.reflectance())
    most = max(1.0, float(coloured.amount.max()))
    amounts = np.linspace(0.0, most, 256)
    films = spectral.linear(reflectance_at(ink, session.paper, session.paper.gain * amounts)) / bare
    # Curves of light over amount are smooth, so a table of 256 is good to far under a 16 bit step.
    place = coloured.amount * np.float32(255.0 / most)
    below = np.minimum(place.astype(np.int32), 254)
    above = (place - below).astype(np.float32)
    passed = np.empty((3, *coloured.cover.shape), np.float32)
    for channel in range(3):
        table = films[:, channel].astype(np.float32)
        passed[channel] = table[below] + above * np.diff(table)[below]
        passed[channel] = 1.0 + coloured.cover * (passed[channel] - 1.0)
    return passed


def _mottle(coloured: Colouring, box: Box, passed: NDArray[np.float32], film: Array) -> tuple[float, float]:
    """Return the coefficients of variation of light and density in 0.25 mm squares of the film."""
    grid, inner = coloured.grid, box.grown(-1.0)
    rows = np.flatnonzero((grid.y() > inner.y_mm) & (grid.y() < inner.bottom_mm))
    columns = np.flatnonzero((grid.x() > inner.x_mm) & (grid.x() < inner.right_mm))
    if not (len(rows) and len(columns)):
        return 0.0, 0.0
    part = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
    squares = tuple(max(1, round(len(side) / grid.scale / 0.25)) for side in (columns, rows))
    # A colorimetric sensor's light can fall below zero on saturated inks, where no ratio has a meaning.
    densest = int(np.argmin(np.where(film > 0.02, film, np.inf)))
    light = cv2.resize(passed[densest][part], squares, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(coloured.cover[part], squares, interpolation=cv2.INTER_AREA)
    inked = light[cover > 0.9]
    if len(inked) < 10:
        return 0.0, 0.0
    density = -np.log10(np.maximum(inked, 1e-3))
    strength = float(density.mean())
    return float(inked.std() / inked.mean()), float(density.std() / strength) if strength > 0.01 else 0.0
