"""The grey strip on a page: found in its rectangle, its steps in the order of the strip file, and where each of them lies."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Box
from calib.colour.reference import Strip
from calib.errors import NotFoundError
from calib.scan.bare import part
from calib.scan.driver import lightest_is_paper
from calib.scan.image import AT_THE_END
from calib.scan.lightness import lightness
from calib.scan.photosolve import relit
from calib.scan.place import MARGIN_MM, StripNotFound
from calib.scan.sheet import looked_at
from calib.scan.strip import INNER_HEIGHT, INNER_LENGTH, StripReading, find_strip, same_either_way, turned
from calib.scan.tone import NotMonotone
from calib.scan.view import View

Array = NDArray[np.float64]
Light = NDArray[np.float32]


def read_steps(view: View, strip: Strip, even: Light | None = None) -> StripReading:
    """Find the strip in its rectangle and put its steps into the order of the strip file.

    even: the illumination (h, w, 3) of a photographed page, on the coarse grid, which must be evened for the steps to be
    flat. Raises NotFoundError where there is no such strip.
    """
    box = view.frame.page.strip
    upright = box.height_mm > box.width_mm
    size = (box.height_mm, box.width_mm) if upright else (box.width_mm, box.height_mm)
    per_mm = looked_at(view.frame)
    codes = view.frame.cut(view.picture.codes, box.grown(MARGIN_MM), per_mm)
    lit = np.ones_like(codes[:1, :1]) if even is None else part(even, box.grown(MARGIN_MM), codes.shape)
    if upright:
        codes, lit = (np.ascontiguousarray(v.swapaxes(0, 1)) for v in (codes, lit))
    at_end = [codes <= AT_THE_END, codes >= 1 - AT_THE_END]
    ends = np.stack([end[..., 0] | end[..., 1] | end[..., 2] for end in at_end], axis=-1)
    light = view.decode(codes)
    light /= lit
    del codes, at_end
    try:
        reading = find_strip(light, per_mm, size, strip.widths, ends)
    except StripNotFound as error:
        raise NotFoundError(
            f"{view.where}: no grey strip with {len(strip.widths)} steps was found in its rectangle ({error})",
            "Lay the strip of the strip file along its rectangle, within 1.5 mm, and switch off sharpening, clarity (local"
            " contrast) and automatic contrast in the scanner's dialog; or give --strip none.",
        ) from error
    wanted = lightness(strip.linear.mean(axis=1))
    # Of a strip of unlike steps the widths have told which way it runs.
    runs_back = np.corrcoef(lightness(reading.light.mean(axis=1)), wanted)[0, 1] < 0
    if runs_back and same_either_way(strip.widths):
        reading = turned(reading)
    elif runs_back:
        raise NotFoundError(
            f"{view.where}: by its steps' widths the grey strip lies one way round and by their light the other",
            "Check that the strip file lists its widths and its values from the same end, and that it is this strip's.",
        )
    try:
        # In a photograph's light, which differs along the strip, it would be no evidence.
        too_many = even is None and lightest_is_paper(reading, strip.linear)
    except NotMonotone:
        too_many = False
    if too_many and not view.force:
        raise NotFoundError(
            f"{view.where}: the lightest of the {len(strip.widths)} steps reads as the bare paper beside it and not as"
            " the strip file says, as if the strip had fewer steps",
            "Check that the strip file is this strip's.",
        )
    return reading if even is None else relit(reading, even, step_points(box, reading.at))


def step_points(box: Box, shares: Array) -> Array:
    """Return the steps' middles (n, 2) in page mm from their shares along and across the strip."""
    along, across = (
        (shares[:, 1], shares[:, 0]) if box.height_mm > box.width_mm else (shares[:, 0], shares[:, 1])
    )
    return np.stack([box.x_mm + along * box.width_mm, box.y_mm + across * box.height_mm], axis=1)


def step_spots(box: Box, steps: StripReading, widths: Array) -> list[Array]:
    """Return points (n, 2) in page mm all over the part of each step that is read.

    Light that scatters onto a dark strip from the paper on both sides is least in its middle.
    """
    along = steps.place.scale * widths * INNER_LENGTH
    shifts = np.linspace(-0.4, 0.4, 5)
    return [
        step_points(box, steps.at + np.stack([a * along, np.full(len(along), b * INNER_HEIGHT)], axis=1))
        for a in shifts
        for b in shifts
    ]
