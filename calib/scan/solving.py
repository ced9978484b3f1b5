"""Tone, lighting and flare of a scanned page, found in turns.

They hang together: the strip's readings contain scattered light, and the flare can only be seen in linear light. So each is
found from the last estimate of the others, which settles within a few rounds because each is a small correction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.colour.reference import Strip
from calib.errors import UnfitError
from calib.scan.bare import Tiles, grid_points, sample, sample_mean
from calib.scan.flare import blurred, veil
from calib.scan.lighting import Basis, Lighting, fit_lighting
from calib.scan.sheet import Noise, PageReading
from calib.scan.stains import off_paper
from calib.scan.stepflare import Steps
from calib.scan.steps import step_spots
from calib.scan.strip import StripReading
from calib.scan.tone import IDENTITY, NotMonotone, Tone, fit_tone
from calib.scan.view import View

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# After four rounds nothing changes that the noise of paper would not change as well.
ROUNDS = 4
# How far past the sheet's edge the lid or backing is looked at.
BEYOND_MM = 9.0
# JPEG rounds the colour differences of squares of 16 pixels to whole codes and more, so that on paper nothing is left of
# them; what it keeps is this mixture of the channels (ITU-R BT.601, as JFIF uses it).
LUMA = np.array([[0.299], [0.587], [0.114]])
# One code of eight bits of sRGB.
NO_LIGHT = 3e-4
# A strip whose steps, left out in turn, are missed by more than this many L* is not this strip.
WORST_TONE = 2.0


@dataclass(frozen=True)
class Whole:
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


def solve(
    view: View, whole: Whole, tiles: Tiles, strip: Strip | None, steps: StripReading | None
) -> PageReading:
    """Find tone, lighting and flare of a scanned page in turns.

    tiles: its bare paper. strip: the strip's values, steps: what it reads; None where there is none. Raises UnfitError where
    the steps make no tone curve.
    """
    tone, paper, forced = IDENTITY, None, False
    lighting: Lighting | None = None
    gain, scatter = np.ones_like(whole.light), np.zeros_like(whole.light)
    own_share, level, step = 1.0, np.ones(3), code_step(view, tiles)
    spots = [] if steps is None or strip is None else step_spots(view.frame.page.strip, steps, strip.widths)
    for round_number in range(ROUNDS):
        if steps is not None and strip is not None:
            lit = sample_mean(gain, spots)
            expected = lit * (own_share * strip.linear + sample_mean(scatter, spots))
            tone, forced = tone_of(view, steps.light, expected, steps.u)
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
        if steps is not None and strip is not None and lighting is not None:
            strewn = np.stack([sample_mean(blur, spots) for blur in around])
            seen_steps = Steps(steps.light, strip.linear, lit, strewn)
        mix = np.eye(3) if view.picture.jpeg is None else LUMA
        basis = Basis(paper, view.page_mm, view.reference, step, whole.unlit, mix, seen_steps)
        # The local part is looked for when the rest has settled.
        last = lighting if round_number >= 2 else None
        lighting = fit_lighting(seen, around, basis, last, round_number >= ROUNDS - 2)
        # Without a strip nothing says how white the paper is, so it is called a perfect white.
        level = lighting.paper if strip is None else np.ones(3)
        paper = lighting.paper / level
        gain = lighting.illumination() * level.astype(np.float32)
        own_share = float(1 - lighting.flare.sum())
        scatter = veil(around, lighting.flare)
    assert paper is not None and lighting is not None
    noise = noise_of(steps, tone, lighting)
    reflectance = (tone(tiles.light) / sample(gain, tiles.at) - sample(scatter, tiles.at)) / own_share
    return PageReading(
        view.picture,
        view.frame,
        view.decode,
        tone,
        lighting,
        steps,
        noise,
        gain,
        scatter,
        paper,
        tiles.at,
        forced,
        paper_off=off_paper(reflectance, paper),
    )


def tone_of(view: View, readings: Array, expected: Array, u: Array) -> tuple[Tone, bool]:
    """Return the tone curve by the strip's readings (n, 3), and whether it is only used because of --force.

    expected: (n, 3) light that the steps send back; u: (n, 3) doubt of the readings. Raises UnfitError where they make none.
    """
    try:
        tone = fit_tone(readings, expected, u)
    except NotMonotone as error:
        if view.force:
            # The file's own tone is then all there is.
            return IDENTITY, True
        raise UnfitError(
            f"{view.where}: the grey strip's steps do not read from light to dark as the strip file says",
            "Check that it is this strip, that it lies flat and clean, and that the scanner corrects nothing.",
        ) from error
    if tone.residual > WORST_TONE and not view.force:
        raise UnfitError(
            f"{view.where}: the grey strip's steps miss the strip file's values by {tone.residual:.1f} L*",
            "Check that it is this strip and that the scanner's automatic corrections are off.",
        )
    return tone, tone.residual > WORST_TONE


def beyond(view: View) -> Tiles | None:
    """Return what lies around the sheet in scanner light, None where the picture does not show it.

    A black lid sends back none of the light that scatters, so the sheet's rim gets less of it.
    """
    width, height = view.page_mm
    ring = [
        Box(-BEYOND_MM, 0, BEYOND_MM - 1, height),
        Box(width + 1, 0, BEYOND_MM - 1, height),
        Box(0, -BEYOND_MM, width, BEYOND_MM - 1),
        Box(0, height + 1, width, BEYOND_MM - 1),
    ]
    cuts = [view.frame.cut(view.picture.codes, box, 1.0) for box in ring]
    corners = [np.array([box.x_mm, box.y_mm]) for box in ring]
    at = np.concatenate([grid_points(c.shape) + corner for c, corner in zip(cuts, corners, strict=True)])
    pixels = np.concatenate([cut.reshape(-1, 3) for cut in cuts])
    seen = np.isfinite(pixels).all(axis=1)
    if seen.sum() <= 100:
        return None
    return Tiles(at[seen], view.decode(pixels[seen]).astype(float))


def code_step(view: View, tiles: Tiles) -> float:
    """Return how much log light one code makes on bare paper."""
    top = float(np.iinfo(view.picture.codes.dtype).max)
    codes = np.linspace(0, 1, 256, dtype=np.float32)[:, None].repeat(3, axis=1)
    light = view.decode(codes)[:, 1]
    at = float(np.interp(np.median(tiles.light[:, 1]), light, codes[:, 1]))
    pair = view.decode(np.array([[at - 0.5 / 255], [at + 0.5 / 255]], dtype=np.float32).repeat(3, axis=1))[
        :, 1
    ]
    return float(np.log(pair[1] / pair[0]) * 255 / top)


def noise_of(steps: StripReading | None, tone: Tone, lighting: Lighting) -> Noise:
    """Return the scanner's noise by light level, from the flat steps of the strip, else from paper."""
    if steps is None:
        return Noise(np.array([1.0]), np.full((1, 3), lighting.residual))
    light = tone(steps.light)
    sd = (tone(steps.light + steps.block_noise) - tone(steps.light - steps.block_noise)) / 2
    order = np.argsort(light.mean(axis=1))
    return Noise(light.mean(axis=1)[order], np.abs(sd[order]))
