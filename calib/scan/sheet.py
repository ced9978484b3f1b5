"""One page as it was read: all that turns the codes of a place on it into reflectance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.scan.bare import part
from calib.scan.costs import file_costs
from calib.scan.frame import Frame
from calib.scan.image import Picture
from calib.scan.lighting import Lighting
from calib.scan.photolight import PhotoLight
from calib.scan.printed import Printed, printed_size
from calib.scan.profile import LightOf, by_table
from calib.scan.quality import Quality
from calib.scan.strip import StripReading
from calib.scan.tone import Tone

Array = NDArray[np.float64]
Light = NDArray[np.float32]

# More pixels a millimetre than this (300 dpi) tell nothing more about a swatch.
MOST_PER_MM = 12.0


def looked_at(frame: Frame) -> float:
    """Return the pixels per millimetre at which the parts of a page are looked at."""
    return min(MOST_PER_MM, frame.pixels_per_mm)


@dataclass(frozen=True)
class Noise:
    """The scatter of squares of a quarter millimetre, by linear light: (n,) light, (n, 3) sd."""

    light: Array
    sd: Array

    def at(self, linear: Array) -> Array:
        """Return the standard deviation (3,) expected at linear light (3,)."""
        return np.array([np.interp(linear[c], self.light, self.sd[:, c]) for c in range(3)])


@dataclass(frozen=True)
class PageReading:
    """One page in one picture, with all that is needed to turn its codes into reflectance.

    gain, scatter: (h, w, 3) illumination and scattered light, one pixel a millimetre. paper: (3,)
    light of the bare paper. paper_at: (n, 2) where it was sampled, in mm. forced: whether it was unfit
    to measure and read in spite of that. notes: sentences for the user about what is odd, beginning with the page.
    quality: figures of the picture. photo: the light of a photographed page, None of a scanned one. paper_off: (n,) how far
    the places of paper_at are off the paper, None of a photographed page.
    """

    picture: Picture
    frame: Frame
    decode: LightOf
    tone: Tone
    lighting: Lighting
    strip: StripReading | None
    noise: Noise
    gain: Light
    scatter: Light
    paper: Array
    paper_at: Array
    forced: bool
    notes: tuple[str, ...] = ()
    quality: Quality | None = None
    photo: PhotoLight | None = None
    paper_off: Array | None = None

    @property
    def per_mm(self) -> float:
        """Pixels per millimetre at which cells are looked at."""
        return looked_at(self.frame)

    @property
    def warnings(self) -> list[str]:
        """Sentences for the user about what is odd or costly about the page as it was scanned."""
        costs = file_costs(self.picture.jpeg, self.frame.pixels_per_mm * 25.4, self.jpeg)
        if self.photo is not None:
            # What a photograph costs has been said as a whole, and its file is as the telephone makes it.
            costs = []
        name = self.picture.name
        about = [f"page {self.frame.page.page}: {note}" for note in (*self.frame.notes, *self.printed.notes)]
        return [f"{name}, {note}" for note in (*self.notes, *about)] + [f"{name}: {cost}" for cost in costs]

    @property
    def printed(self) -> Printed:
        """At which size the page was printed; a camera's dpi say nothing."""
        place = None if self.strip is None else self.strip.place
        return printed_size(self.frame, place, None if self.picture.camera else self.picture.dpi)

    @property
    def jpeg(self) -> int | None:
        """The quality 1..100 of the strongest JPEG that the picture is or was, None for none."""
        return self.picture.jpeg if self.quality is None else self.quality.jpeg

    def codes(self, box: Box) -> NDArray[np.float32]:
        """Return the codes (h, w, 3) in 0..1 of a box on the page, NaN outside the picture."""
        return self.frame.cut(self.picture.codes, box, self.per_mm)

    @cached_property
    def black(self) -> Array | None:
        """Light (3,) of the printer's solid black, None where it is cut off.

        The median of the patch's middle, because a home printer's black has pale streaks and pinholes.
        """
        box = self.frame.page.black
        inner = box.grown(-min(box.width_mm, box.height_mm) / 4)
        pixels = self.reflectance(self.codes(inner), inner).reshape(-1, 3)
        there = np.isfinite(pixels).all(axis=1)
        return np.median(pixels[there], axis=0).astype(float) if there.mean() > 0.5 else None

    @cached_property
    def _table(self) -> NDArray[np.float32]:
        """Linear light of 65,536 codes by channel: decoder and tone curve in one."""
        codes = np.linspace(0, 1, 65536, dtype=np.float32)[:, None].repeat(3, axis=1)
        # Channels one after the other in memory, as they are looked up.
        return np.asfortranarray(self.tone(self.decode(codes)).astype(np.float32))

    def _linear(self, codes: NDArray[np.float32]) -> Light:
        if self.decode.by_channel:
            return by_table(codes, self._table)
        return self.tone(self.decode(codes)).astype(np.float32)

    def reflectance(self, codes: NDArray[np.float32], box: Box) -> Light:
        """Return linear, white-balanced light (h, w, 3) of a box's codes, flare and falloff undone."""
        light = self._linear(codes)
        light /= part(self.gain, box, light.shape)
        light -= part(self.scatter, box, light.shape)
        light /= np.float32(1 - self.lighting.flare.sum())
        return light
