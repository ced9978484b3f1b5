"""A page of the plan as a picture shows it: what every step of the reading is given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.scan.frame import Frame
from calib.scan.image import Picture
from calib.scan.profile import LightOf

Array = NDArray[np.float64]


@dataclass(frozen=True)
class View:
    """One page in one picture. decode: codes to the light that the file states. force: whether to read on where it is unfit."""

    picture: Picture
    decode: LightOf
    frame: Frame
    page_mm: tuple[float, float]
    force: bool

    @property
    def where(self) -> str:
        """The file's name and the page's number, as they stand before what is said of the page."""
        return f"{self.picture.name}, page {self.frame.page.page}"

    @property
    def reference(self) -> Array:
        """The place (2,) in mm where illumination is 1 by definition: the middle of the strip's rectangle."""
        box = self.frame.page.strip
        return np.array([box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2])
