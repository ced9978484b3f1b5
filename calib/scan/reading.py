"""Picture to marks to lighting to tone: what measuring and characterising both begin with.

Tone, lighting and flare hang together: the strip's readings contain scattered light, and the flare
can only be seen in linear light. So they are found in turns, each from the last estimate of the
others, which settles within a few rounds because each is a small correction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box, Plan
from calib.colour.reference import Strip
from calib.errors import NotFoundError, UnfitError
from calib.scan.bare import (
    GRID_PER_MM,
    Tiles,
    coarse,
    coarse_mask,
    grid_points,
    paper_mask,
    paper_tiles,
    part,
    sample,
    sample_mean,
)
from calib.scan.driver import (
    Finding,
    Seen,
    lightest_is_paper,
    paper_at_the_end,
    plausible,
    steps_at_the_ends,
)
from calib.scan.encoding import find_encoding
from calib.scan.flare import Steps, blurred, veil
from calib.scan.frame import Frame
from calib.scan.image import AT_THE_END, Picture
from calib.scan.lighting import Basis, Lighting, fit_lighting
from calib.scan.pages import find_pages
from calib.scan.photo import lit_like_a_photo, photo_notes
from calib.scan.photoframe import PhotoFrame, photo_frame
from calib.scan.photolight import PhotoLight, fit_photo_light, paper_squares
from calib.scan.photosolve import PhotoPage, Shown, relit, solve_photo
from calib.scan.place import MARGIN_MM, StripNotFound
from calib.scan.profile import LightOf, light_of
from calib.scan.quality import quality_of, unfit, words_of
from calib.scan.sheet import Noise, PageReading, looked_at
from calib.scan.strip import INNER_HEIGHT, INNER_LENGTH, StripReading, find_strip, same_either_way, turned
from calib.scan.tone import IDENTITY, NotMonotone, Tone, fit_tone, lightness

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# After four rounds nothing changes that the noise of paper would not change as well.
ROUNDS = 4
# With less bare paper in sight than this the lighting would be a guess.
LEAST_TILES = 60
# How far past the sheet's edge the lid or backing is looked at.
BEYOND_MM = 9.0
# JPEG rounds the colour differences of squares of 16 pixels to whole codes and more, so that on paper nothing is left of
# them; what it keeps is this mixture of the channels (ITU-R BT.601, as JFIF uses it).
LUMA = np.array([[0.299], [0.587], [0.114]])
# One code of eight bits of sRGB.
NO_LIGHT = 3e-4
# A strip whose steps, left out in turn, are missed by more than this many L* is not this strip.
WORST_TONE = 2.0


def read_picture(picture: Picture, plan: Plan, strip: Strip | None, force: bool = False) -> list[PageReading]:
    """Read every page of the plan that a picture shows.

    Raises NotFoundError where no page or no strip is found, UnfitError where the strip's readings
    make no tone curve.
    """
    frames = find_pages(picture.codes, plan, picture.name)
    # A camera's picture is looked at again, for what a lens and a curling page do to it.
    frames = [photo_frame(picture, frame, plan.page_mm) or frame for frame in frames]
    decode = light_of(picture)
    return [_Page(picture, decode, frame, plan.page_mm, strip, force).read() for frame in frames]


@dataclass(frozen=True)
class _Whole:
    """The page as a whole, one pixel a millimetre.

    light: (h, w, 3) scanner light. bare: (h, w) where the plan leaves bare paper. beyond: what
    lies around the sheet, None where the picture does not show it.
    """

    light: Light
    bare: NDArray[np.bool_]
    beyond: Tiles | None

    @property
    def unlit(self) -> Array:
        """Share (3,) of the page that reads no light at all, as inks do that are darker than the file can say."""
        return np.asarray(np.mean(self.light < NO_LIGHT, axis=(0, 1)), dtype=float)

    def reflectance(self, light: Light, gain: Light, scatter: Light, own_share: float, paper: Array) -> Light:
        """Return the reflectance of the page from its linear light, as what scatters light.

        Bare paper is known to be paper: taken as read, a shaded spot would look like its own flare.
        """
        own = (light / gain - scatter) / np.float32(own_share)
        return np.where(self.bare[..., None], paper.astype(np.float32), own)


@dataclass(frozen=True)
class _Page:
    """The work on one page: what is given, and the steps in their order."""

    picture: Picture
    decode: LightOf
    frame: Frame
    page_mm: tuple[float, float]
    strip: Strip | None
    force: bool

    @property
    def where(self) -> str:
        return f"{self.picture.name}, page {self.frame.page.page}"

    def read(self) -> PageReading:
        whole = Box(0, 0, *self.page_mm)
        codes = self.frame.cut(self.picture.codes, whole, GRID_PER_MM)
        grid = self.decode(codes)
        mask = paper_mask(self.frame.page, self.page_mm)
        tiles = paper_tiles(grid, mask)
        photo = isinstance(self.frame, PhotoFrame) or lit_like_a_photo(tiles, self.page_mm)
        quality = quality_of(self.picture, self.decode, self.frame, photo)
        cut_off = paper_at_the_end((codes[mask] >= 1 - AT_THE_END).mean(axis=0))
        notes, forced = self.told([*unfit(quality), *cut_off])
        if len(tiles.at) < LEAST_TILES:
            raise UnfitError(
                f"{self.where}: too little bare paper is in sight to tell the lighting",
                "Scan the whole page, with a clean white sheet behind it.",
            )
        first = self.first_light(grid, mask) if photo else None
        page, steps = self, None
        if self.strip is not None:
            steps = self.strip_reading(self.strip, first)
            said, fatal = self.told(steps_at_the_ends(steps))
            notes, forced = notes + said, forced or fatal
            if not fatal:
                page, steps = replace(self, strip=self.strip.only(steps.usable)), steps.only(steps.usable)
        if first is not None:
            reading = page.solve_photo(first, coarse(grid).shape, steps)
        else:
            reading = page.solve(_Whole(coarse(grid), coarse_mask(mask), self.beyond()), tiles, steps)
        said, fatal = page.told(page.judged(reading, np.median(tiles.light, axis=0)))
        forced = reading.forced or forced or fatal
        return replace(reading, quality=quality, notes=notes + reading.notes + said, forced=forced)

    def told(self, findings: list[Finding]) -> tuple[tuple[str, ...], bool]:
        """Return the findings as sentences, and whether one was fatal; raise UnfitError for all of them unless forced."""
        fatal = [finding for finding in findings if finding.fatal]
        if fatal and not self.force:
            words, todo = words_of(fatal)
            raise UnfitError(f"{self.where}: {words}", todo)
        return tuple(f"page {self.frame.page.page}: {f.words}. {f.todo}" for f in findings), bool(fatal)

    def judged(self, reading: PageReading, paper_declared: Array) -> list[Finding]:
        """Return what is odd about a page as the strip makes it."""
        steps = reading.strip
        if steps is None or self.strip is None:
            return []
        if reading.photo is not None:
            # A camera's tone is made to please, so that nothing follows from it.
            return plausible(Seen(reading.paper, paper_declared, reading.black, reading.tone.residual), None)
        spots = _step_spots(self.frame.page.strip, steps, self.strip.widths)
        gain, scatter = sample_mean(reading.gain, spots), sample_mean(reading.scatter, spots)
        own_share = float(1 - reading.lighting.flare.sum())
        found = find_encoding(
            steps.light.mean(axis=1),
            self.strip.linear.mean(axis=1),
            gain.mean(axis=1),
            scatter.mean(axis=1),
            own_share,
        )
        seen = Seen(reading.paper, paper_declared, reading.black, reading.tone.residual)
        return plausible(seen, found)

    def beyond(self) -> Tiles | None:
        """Return what lies around the sheet in scanner light, None where the picture does not show it.

        A black lid sends back none of the light that scatters, so the sheet's rim gets less of it.
        """
        width, height = self.page_mm
        ring = [
            Box(-BEYOND_MM, 0, BEYOND_MM - 1, height),
            Box(width + 1, 0, BEYOND_MM - 1, height),
            Box(0, -BEYOND_MM, width, BEYOND_MM - 1),
            Box(0, height + 1, width, BEYOND_MM - 1),
        ]
        cuts = [self.frame.cut(self.picture.codes, box, 1.0) for box in ring]
        corners = [np.array([box.x_mm, box.y_mm]) for box in ring]
        at = np.concatenate([grid_points(c.shape) + corner for c, corner in zip(cuts, corners, strict=True)])
        pixels = np.concatenate([cut.reshape(-1, 3) for cut in cuts])
        seen = np.isfinite(pixels).all(axis=1)
        if seen.sum() <= 100:
            return None
        return Tiles(at[seen], self.decode(pixels[seen]).astype(float))

    def code_step(self, tiles: Tiles) -> float:
        """Return how much log light one code makes on bare paper."""
        top = float(np.iinfo(self.picture.codes.dtype).max)
        codes = np.linspace(0, 1, 256, dtype=np.float32)[:, None].repeat(3, axis=1)
        light = self.decode(codes)[:, 1]
        at = float(np.interp(np.median(tiles.light[:, 1]), light, codes[:, 1]))
        pair = self.decode(
            np.array([[at - 0.5 / 255], [at + 0.5 / 255]], dtype=np.float32).repeat(3, axis=1)
        )[:, 1]
        return float(np.log(pair[1] / pair[0]) * 255 / top)

    @property
    def reference(self) -> Array:
        """The place (2,) in mm where illumination is 1 by definition: the middle of the strip's rectangle."""
        box = self.frame.page.strip
        return np.array([box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2])

    def first_light(self, grid: Light, mask: NDArray[np.bool_]) -> tuple[Tiles, PhotoLight]:
        """Return the bare paper of a photographed page, and its light as the file states it."""
        squares = paper_squares(grid, mask)
        return squares, fit_photo_light(squares, coarse(grid).shape, self.page_mm, self.reference)

    def solve_photo(
        self, first: tuple[Tiles, PhotoLight], shape: tuple[int, ...], steps: StripReading | None
    ) -> PageReading:
        """Find tone and light of a photographed page in turns."""
        shown = None
        if steps is not None and self.strip is not None:
            spots = _step_spots(self.frame.page.strip, steps, self.strip.widths)
            shown = Shown(steps, self.strip.linear, spots)
        solved = solve_photo(PhotoPage(first[0], shape, self.page_mm, self.reference), shown, self.tone)
        lighting = solved.light.lighting
        return PageReading(
            self.picture,
            self.frame,
            self.decode,
            solved.tone,
            lighting,
            steps,
            _noise(steps, solved.tone, lighting),
            solved.gain,
            np.zeros_like(solved.gain),
            solved.paper,
            solved.light.at,
            solved.forced,
            tuple(f"page {self.frame.page.page}: {words}" for words in photo_notes(solved)),
            photo=solved.light,
        )

    def strip_reading(self, strip: Strip, first: tuple[Tiles, PhotoLight] | None = None) -> StripReading:
        """Find the strip in its rectangle and put its steps into the order of the strip file.

        first: of a photographed page, whose light must be evened for the steps to be flat.
        """
        box = self.frame.page.strip
        upright = box.height_mm > box.width_mm
        size = (box.height_mm, box.width_mm) if upright else (box.width_mm, box.height_mm)
        per_mm = looked_at(self.frame)
        codes = self.frame.cut(self.picture.codes, box.grown(MARGIN_MM), per_mm)
        even = None if first is None else first[1].lighting.illumination()
        lit = np.ones_like(codes[:1, :1]) if even is None else part(even, box.grown(MARGIN_MM), codes.shape)
        if upright:
            codes, lit = (np.ascontiguousarray(v.swapaxes(0, 1)) for v in (codes, lit))
        at_end = [codes <= AT_THE_END, codes >= 1 - AT_THE_END]
        ends = np.stack([end[..., 0] | end[..., 1] | end[..., 2] for end in at_end], axis=-1).astype(
            np.float32
        )
        try:
            reading = find_strip(self.decode(codes) / lit, per_mm, size, strip.widths, ends)
        except StripNotFound as error:
            raise NotFoundError(
                f"{self.where}: no grey strip with {len(strip.widths)} steps was found in its rectangle ({error})",
                "Lay the strip of the strip file along its rectangle, within 1.5 mm, or give --strip none.",
            ) from error
        wanted = lightness(strip.linear.mean(axis=1))
        # Of a strip of unlike steps the widths have told which way it runs.
        runs_back = np.corrcoef(lightness(reading.light.mean(axis=1)), wanted)[0, 1] < 0
        if runs_back and same_either_way(strip.widths):
            reading = turned(reading)
        elif runs_back:
            raise NotFoundError(
                f"{self.where}: by its steps' widths the grey strip lies one way round and by their light the other",
                "Check that the strip file lists its widths and its values from the same end, and that it is this strip's.",
            )
        try:
            too_many = lightest_is_paper(reading, strip.linear)
        except NotMonotone:
            too_many = False
        if too_many and not self.force:
            raise NotFoundError(
                f"{self.where}: the lightest of the {len(strip.widths)} steps reads as the bare paper beside it and not as"
                " the strip file says, as if the strip had fewer steps",
                "Check that the strip file is this strip's.",
            )
        return reading if even is None else relit(reading, even, _step_points(box, reading.at))

    def solve(self, whole: _Whole, tiles: Tiles, steps: StripReading | None) -> PageReading:
        """Find tone, lighting and flare in turns."""
        box, reference = self.frame.page.strip, self.reference
        tone, paper, forced = IDENTITY, None, False
        lighting: Lighting | None = None
        gain, scatter = np.ones_like(whole.light), np.zeros_like(whole.light)
        own_share, level, step = 1.0, np.ones(3), self.code_step(tiles)
        spots = [] if steps is None or self.strip is None else _step_spots(box, steps, self.strip.widths)
        for round_number in range(ROUNDS):
            if steps is not None and self.strip is not None:
                lit = sample_mean(gain, spots)
                expected = lit * (own_share * self.strip.linear + sample_mean(scatter, spots))
                tone, forced = self.tone(steps.light, expected, steps.u)
            seen = replace(tiles, light=tone(tiles.light))
            paper = np.median(seen.light, axis=0) if paper is None else paper
            light = tone(whole.light).astype(np.float32)
            rim = paper
            if whole.beyond is not None:
                # Lit and strewn upon as the sheet's edge is.
                outside = tone(whole.beyond.light) / sample(gain, whole.beyond.at)
                outside = (outside - sample(scatter, whole.beyond.at)) / own_share
                rim = np.clip(np.median(outside, axis=0), 0.0, 1.0)
            around = blurred(whole.reflectance(light, gain, scatter, own_share, paper), paper, rim)
            seen_steps = None
            if steps is not None and self.strip is not None and lighting is not None:
                strewn = np.stack([sample_mean(blur, spots) for blur in around])
                seen_steps = Steps(steps.light, self.strip.linear, lit, strewn)
            mix = np.eye(3) if self.picture.jpeg is None else LUMA
            basis = Basis(paper, self.page_mm, reference, step, whole.unlit, mix, seen_steps)
            # The local part is looked for when the rest has settled.
            last = lighting if round_number >= 2 else None
            lighting = fit_lighting(seen, around, basis, last, round_number >= ROUNDS - 2)
            # Without a strip nothing says how white the paper is, so it is called a perfect white.
            level = lighting.paper if self.strip is None else np.ones(3)
            paper = lighting.paper / level
            gain = lighting.illumination() * level.astype(np.float32)
            own_share = float(1 - lighting.flare.sum())
            scatter = veil(around, lighting.flare)
        assert paper is not None and lighting is not None
        noise = _noise(steps, tone, lighting)
        return PageReading(
            self.picture,
            self.frame,
            self.decode,
            tone,
            lighting,
            steps,
            noise,
            gain,
            scatter,
            paper,
            tiles.at,
            forced,
        )

    def tone(self, readings: Array, expected: Array, u: Array) -> tuple[Tone, bool]:
        """Return the tone curve, and whether it is only used because of --force."""
        try:
            tone = fit_tone(readings, expected, u)
        except NotMonotone as error:
            if self.force:
                # The file's own tone is then all there is.
                return IDENTITY, True
            raise UnfitError(
                f"{self.where}: the grey strip's steps do not read from light to dark as the strip file says",
                "Check that it is this strip, that it lies flat and clean, and that the scanner corrects nothing.",
            ) from error
        if tone.residual > WORST_TONE and not self.force:
            raise UnfitError(
                f"{self.where}: the grey strip's steps miss the strip file's values by {tone.residual:.1f} L*",
                "Check that it is this strip and that the scanner's automatic corrections are off.",
            )
        return tone, tone.residual > WORST_TONE


def _step_points(box: Box, shares: Array) -> Array:
    """Return the steps' middles (n, 2) in page mm from their shares along and across the strip."""
    along, across = (
        (shares[:, 1], shares[:, 0]) if box.height_mm > box.width_mm else (shares[:, 0], shares[:, 1])
    )
    return np.stack([box.x_mm + along * box.width_mm, box.y_mm + across * box.height_mm], axis=1)


def _step_spots(box: Box, steps: StripReading, widths: Array) -> list[Array]:
    """Return points (n, 2) in page mm all over the part of each step that is read.

    Light that scatters onto a dark strip from the paper on both sides is least in its middle.
    """
    along = steps.place.scale * widths * INNER_LENGTH
    shifts = np.linspace(-0.4, 0.4, 5)
    return [
        _step_points(box, steps.at + np.stack([a * along, np.full(len(along), b * INNER_HEIGHT)], axis=1))
        for a in shifts
        for b in shifts
    ]


def _noise(steps: StripReading | None, tone: Tone, lighting: Lighting) -> Noise:
    """Return the scanner's noise by light level, from the flat steps of the strip, else from paper."""
    if steps is None:
        return Noise(np.array([1.0]), np.full((1, 3), lighting.residual))
    light = tone(steps.light)
    sd = (tone(steps.light + steps.block_noise) - tone(steps.light - steps.block_noise)) / 2
    order = np.argsort(light.mean(axis=1))
    return Noise(light.mean(axis=1)[order], np.abs(sd[order]))
