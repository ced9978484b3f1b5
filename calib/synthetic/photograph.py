"""From a simulated sheet to a photograph of it, with its truth.

sheet = simulate_sheet(plan, 1, inks, session)
photo = photograph(sheet, Camera(tilt_deg=8))
write_photo(path, photo)
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Page, Plan
from calib.synthetic.camera import Camera
from calib.synthetic.cameralens import Lens
from calib.synthetic.cameralight import glare_at, light_at
from calib.synthetic.inks import Ink
from calib.synthetic.noise import rng_of
from calib.synthetic.scan import ScanTruth, simulate_page
from calib.synthetic.session import TRUE_SCANNER, Laying, Session

Light = NDArray[np.float32]

# Saturated inks have negative light in sRGB's primaries, which a file of codes cannot hold: the channels are mixed by this
# share on the way to it and unmixed after.
MIXED = 0.3
# Light is looked up in a grid of so many mm, this far around the page.
GRID_MM = 2.0
AROUND_MM = 80.0


@dataclass(frozen=True, eq=False)
class Sheet:
    """A coloured page as a perfect scanner sees it: light (rows, columns, 3), per_mm pixels a millimetre, plan millimetre 0 at
    origin_px; and the truth."""

    light: Light
    per_mm: float
    origin_px: tuple[float, float]
    plan: Plan
    page: Page
    truth: ScanTruth


@dataclass(frozen=True, eq=False)
class Photo:
    """pixels (rows, columns, 3) uint8 before they are packed, the camera, and the sheet with its truth."""

    pixels: NDArray[np.uint8]
    camera: Camera
    sheet: Sheet

    @property
    def lens(self) -> Lens:
        """Where the page's points are seen."""
        return Lens(self.camera, self.sheet.plan.page_mm)


def simulate_sheet(
    plan: Plan, page_number: int, inks: Mapping[str, Ink], session: Session, dpi: float = 300
) -> Sheet:
    """Print and colour one page; session.scanner says only which filters see it."""
    mix = (1 - MIXED) * np.eye(3) + MIXED / 3
    scanner = replace(
        TRUE_SCANNER,
        kind=session.scanner.kind,
        lamp=session.scanner.lamp,
        tone="linear",
        matrix=tuple(map(tuple, mix)),
    )
    laying = Laying(turn_deg=0, offset_mm=(0, 0), margin_mm=0, shadow=0)
    scan = simulate_page(plan, page_number, inks, replace(session, scanner=scanner, laying=laying), dpi)
    light = scan.pixels.astype(np.float32) / np.float32(65535)
    light = np.asarray(cv2.transform(light, np.linalg.inv(mix)), np.float32)
    page = next(page for page in plan.pages if page.page == page_number)
    matrix = scan.truth.mm_to_px
    truth = replace(scan.truth, session=session)
    return Sheet(
        np.asarray(light, np.float32), float(matrix[0, 0]), (matrix[0, 2], matrix[1, 2]), plan, page, truth
    )


def photograph(sheet: Sheet, camera: Camera) -> Photo:
    """Return the photograph of a sheet; the same arguments give the same pixels."""
    light = _seen(sheet, camera)
    _blur(light, camera)
    _sense(light, camera)
    return Photo(_developed(light, camera), camera, sheet)


def _seen(sheet: Sheet, camera: Camera) -> Light:
    """Return the light (rows, columns, 3) in the picture before the lens has blurred it."""
    lens = Lens(camera, sheet.plan.page_mm)
    width, height = camera.size_px
    page_mm = sheet.plan.page_mm
    grid_x, grid_y = np.meshgrid(*(np.arange(-AROUND_MM, side + AROUND_MM, GRID_MM) for side in page_mm))
    field = light_at(camera, page_mm, grid_x, grid_y).astype(np.float32)
    out = np.empty((height, width, 3), np.float32)
    for start in range(0, height, 500):
        stop = min(height, start + 500)
        py, px = np.mgrid[start:stop, :width].astype(float)
        x, y = lens.page_of(px, py)
        on_grid = [((v + AROUND_MM) / GRID_MM).astype(np.float32) for v in (x, y)]
        lit = cv2.remap(field, on_grid[0], on_grid[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        at = [(sheet.per_mm * v + o).astype(np.float32) for v, o in zip((x, y), sheet.origin_px, strict=True)]
        table = tuple(float(v) for v in camera.table)
        part = cv2.remap(
            sheet.light, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=table
        )
        mirrored = glare_at(camera, sheet.page, x, y).astype(np.float32)[..., None]
        far = np.hypot(px - width / 2, py - height / 2) / (camera.focal_mm / 36 * max(camera.size_px))
        fall = 1 - camera.vignetting * (1 - np.cos(np.arctan(far)) ** 4)
        out[start:stop] = (part + mirrored) * lit * fall[..., None].astype(np.float32)
    return out


def _blur(light: Light, camera: Camera) -> None:
    mean = light.mean(axis=(0, 1), dtype=np.float64).astype(np.float32)
    light += np.float32(camera.veil) * (mean - light)
    if camera.defocus_px:
        light[:] = cv2.GaussianBlur(light, (0, 0), camera.defocus_px)
    if camera.shake_px:
        light[:] = cv2.blur(light, (max(1, round(camera.shake_px)), 1))


def _sense(light: Light, camera: Camera) -> None:
    """Expose, and add the noise that the camera's program leaves."""
    # The brightest thing in sight is paper in the best light.
    light *= np.float32(camera.exposure / np.percentile(light[::20, ::20, 1], 99.0))
    light *= np.array(camera.balance, np.float32)
    if camera.local:
        # Unlike the eye, it does so by a blur: next to dark things light ones grow lighter.
        grey = cv2.resize(light.mean(axis=2), (100, 75), interpolation=cv2.INTER_AREA)
        around = cv2.GaussianBlur(grey, (0, 0), 12)
        gain = (around / around.mean()) ** -camera.local
        light *= cv2.resize(gain, light.shape[1::-1], interpolation=cv2.INTER_CUBIC)[..., None]
    rng = rng_of(camera.seed, "camera")
    spread = np.sqrt(camera.noise_read**2 + camera.noise_shot**2 * np.clip(light.mean(axis=2), 0, 1))
    for channel in range(4):
        noise = rng.standard_normal(spread.shape, dtype=np.float32)
        # What denoising leaves is smooth: lightness over a pixel, colour over many.
        sigma = 0.6 if channel == 3 else 2.5
        noise = cv2.GaussianBlur(noise, (0, 0), sigma)
        noise *= spread * np.float32(2 * sigma * np.sqrt(np.pi))
        if channel == 3:
            light += noise[..., None]
        else:
            light[..., channel] += np.float32(camera.chroma / 2) * noise


def _developed(light: Light, camera: Camera) -> NDArray[np.uint8]:
    """Return the codes that the camera's program makes: a curve for show, sharpening, eight bits."""
    out = np.empty(light.shape, np.uint8)
    for channel in range(3):
        plane = np.clip(light[..., channel], 0.0, 1.5)
        # IEC 61966-2-1, with highlights rolled off towards the end (invented).
        plane = np.where(plane <= 0.0031308, 12.92 * plane, 1.055 * np.power(plane, 1 / 2.4) - 0.055)
        plane = np.where(plane > 0.85, 1 - 0.15 * np.exp(-(plane - 0.85) / 0.15), plane)
        plane = plane - np.float32(camera.contrast / (2 * np.pi)) * np.sin(np.float32(2 * np.pi) * plane)
        if camera.sharpen:
            plane = plane + np.float32(camera.sharpen) * (
                plane - cv2.GaussianBlur(plane.astype(np.float32), (0, 0), 1.2)
            )
        out[..., channel] = np.clip(255 * plane + 0.5, 0, 255)
    return out


def photo_bytes(photo: Photo, exif: bool = True, orientation: int = 1) -> bytes:
    """Return a photograph as a JPEG file.

    exif: whether it says how it was exposed; messengers leave that out. orientation: EXIF's word on how to turn it.
    """
    from PIL import Image

    picture = Image.fromarray(photo.pixels)
    tags: Any = Image.Exif()
    if orientation != 1:
        tags[0x0112] = orientation
    if exif:
        # Exposure time, aperture, sensitivity, focal length, the same on a frame of 36 mm (EXIF 2.3).
        tags.get_ifd(0x8769).update(
            {0x829A: 1 / 60, 0x829D: 1.8, 0x8827: 100, 0x920A: 5.4, 0xA405: round(photo.camera.focal_mm)}
        )
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=photo.camera.quality, exif=tags)
    return stream.getvalue()


def write_photo(path: Path, photo: Photo, exif: bool = True, orientation: int = 1) -> None:
    """Write a photograph as a JPEG file."""
    Path(path).write_bytes(photo_bytes(photo, exif, orientation))
