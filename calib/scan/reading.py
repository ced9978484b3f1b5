"""Picture to marks to lighting to tone: what measuring and characterising both begin with."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Plan
from calib.colour.reference import Strip
from calib.errors import UnfitError
from calib.scan.bare import (
    GRID_PER_MM,
    Tiles,
    coarse,
    coarse_mask,
    on_sheet,
    paper_mask,
    paper_tiles,
    sample_mean,
)
from calib.scan.driver import Finding, Seen, paper_at_the_end, plausible, steps_at_the_ends
from calib.scan.encoding import find_encoding
from calib.scan.image import AT_THE_END, Picture
from calib.scan.pages import find_pages
from calib.scan.photo import lit_like_a_photo, photo_notes
from calib.scan.photoframe import PhotoFrame, photo_frame
from calib.scan.photolight import PhotoLight, fit_photo_light, paper_squares
from calib.scan.photosolve import PhotoPage, Shown, solve_photo
from calib.scan.profile import light_of
from calib.scan.quality import quality_of, unfit, words_of
from calib.scan.sheet import PageReading
from calib.scan.solving import Whole, beyond, noise_of, solve, tone_of
from calib.scan.steps import read_steps, step_spots
from calib.scan.strip import StripReading
from calib.scan.view import View

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# With less bare paper in sight than this the lighting would be a guess.
LEAST_TILES = 60


def read_picture(picture: Picture, plan: Plan, strip: Strip | None, force: bool = False) -> list[PageReading]:
    """Read every page of the plan that a picture shows.

    Raises NotFoundError where no page or no strip is found, UnfitError where the picture is not fit to measure or the strip's
    readings make no tone curve.
    """
    frames = find_pages(picture.codes, plan, picture.name)
    # A camera's picture is looked at again, for what a lens and a curling page do to it.
    frames = [photo_frame(picture, frame, plan.page_mm) or frame for frame in frames]
    decode = light_of(picture)
    return [_Page(View(picture, decode, frame, plan.page_mm, force), strip).read() for frame in frames]


@dataclass(frozen=True)
class _Page:
    """The work on one page: what is given, and the steps in their order."""

    view: View
    strip: Strip | None

    def read(self) -> PageReading:
        view = self.view
        codes = view.frame.cut(view.picture.codes, Box(0, 0, *view.page_mm), GRID_PER_MM)
        grid = view.decode(codes)
        mask = paper_mask(view.frame.page, view.page_mm)
        mask &= on_sheet(grid, mask)
        tiles = paper_tiles(grid, mask)
        enough = len(tiles.at) >= LEAST_TILES
        photo = isinstance(view.frame, PhotoFrame) or (enough and lit_like_a_photo(tiles, view.page_mm))
        quality = quality_of(view.picture, view.decode, view.frame, photo)
        cut_off = paper_at_the_end((codes[mask] >= 1 - AT_THE_END).mean(axis=0))
        notes, forced = self.told([*unfit(quality), *cut_off])
        if not enough:
            raise UnfitError(
                f"{view.where}: too little bare paper is in sight to tell the lighting",
                "Scan the whole page, with a clean white sheet behind it.",
            )
        first = self.first_light(grid, mask) if photo else None
        page, steps = self, None
        if self.strip is not None:
            even = None if first is None else first[1].lighting.illumination()
            steps = read_steps(view, self.strip, even)
            said, fatal = self.told(steps_at_the_ends(steps))
            notes, forced = notes + said, forced or fatal
            if not fatal:
                page, steps = replace(self, strip=self.strip.only(steps.usable)), steps.only(steps.usable)
        if first is not None:
            reading = page.photographed(first, coarse(grid).shape, steps)
        else:
            whole = Whole(coarse(grid), coarse_mask(mask), beyond(view))
            reading = solve(view, whole, tiles, page.strip, steps)
        said, fatal = page.told(page.judged(reading, np.median(tiles.light, axis=0)))
        forced = reading.forced or forced or fatal
        return replace(reading, quality=quality, notes=notes + reading.notes + said, forced=forced)

    def told(self, findings: list[Finding]) -> tuple[tuple[str, ...], bool]:
        """Return the findings as sentences, and whether one was fatal; raise UnfitError for all of them unless forced."""
        fatal = [finding for finding in findings if finding.fatal]
        if fatal and not self.view.force:
            words, todo = words_of(fatal)
            raise UnfitError(f"{self.view.where}: {words}", todo)
        return tuple(f"page {self.view.frame.page.page}: {f.words}. {f.todo}" for f in findings), bool(fatal)

    def judged(self, reading: PageReading, paper_declared: Array) -> list[Finding]:
        """Return what is odd about a page as the strip makes it."""
        steps = reading.strip
        if steps is None or self.strip is None:
            return []
        if reading.photo is not None:
            # A camera's tone is made to please, so that nothing follows from it.
            return plausible(Seen(reading.paper, paper_declared, reading.black), None)
        spots = step_spots(self.view.frame.page.strip, steps, self.strip.widths)
        gain, scatter = sample_mean(reading.gain, spots), sample_mean(reading.scatter, spots)
        own_share = float(1 - reading.lighting.flare.sum())
        found = find_encoding(
            steps.light.mean(axis=1),
            self.strip.linear.mean(axis=1),
            gain.mean(axis=1),
            scatter.mean(axis=1),
            own_share,
        )
        seen = Seen(reading.paper, paper_declared, reading.black, self.view.picture.profile is not None)
        return plausible(seen, found)

    def first_light(self, grid: Light, mask: NDArray[np.bool_]) -> tuple[Tiles, PhotoLight]:
        """Return the bare paper of a photographed page, and its light as the file states it."""
        squares = paper_squares(grid, mask)
        shape = coarse(grid).shape
        return squares, fit_photo_light(squares, shape, self.view.page_mm, self.view.reference)

    def photographed(
        self, first: tuple[Tiles, PhotoLight], shape: tuple[int, ...], steps: StripReading | None
    ) -> PageReading:
        """Find tone and light of a photographed page in turns."""
        view, shown = self.view, None
        if steps is not None and self.strip is not None:
            spots = step_spots(view.frame.page.strip, steps, self.strip.widths)
            shown = Shown(steps, self.strip.linear, spots)
        page = PhotoPage(first[0], shape, view.page_mm, view.reference)
        solved = solve_photo(page, shown, lambda readings, expected, u: tone_of(view, readings, expected, u))
        lighting = solved.light.lighting
        return PageReading(
            view.picture,
            view.frame,
            view.decode,
            solved.tone,
            lighting,
            steps,
            noise_of(steps, solved.tone, lighting),
            solved.gain,
            np.zeros_like(solved.gain),
            solved.paper,
            solved.light.at,
            solved.forced,
            tuple(f"page {view.frame.page.page}: {words}" for words in photo_notes(solved)),
            photo=solved.light,
        )
