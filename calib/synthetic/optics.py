"""What glass, lamp, sensor and driver make of the light of a page: light in, pixels out."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.errors import ImpossibleError
from calib.synthetic.noise import Plane, rng_of
from calib.synthetic.session import Laying, Scanner

Pixels = NDArray[np.unsignedinteger[Any]]

# Flare of any reach is smooth, so it is computed on a copy of at most this many mm per pixel.
COARSE_MM = 1.0


def scan_light(
    planes: NDArray[np.float32], laying: Laying, scanner: Scanner, scale: float, seed: str
) -> Pixels:
    """Return pixels (rows, columns, 3) of linear light on the bed (3, rows, columns); planes are used up.

    scale: pixels per mm. seed: what tells this scan from any other. The order is that of the light:
    scattered in the glass, lit by the lamp, blurred by the lens, made noisy by the sensor, then
    changed by the driver.
    """
    for channel in range(3):
        plane = planes[channel]
        if scanner.flare:
            plane += np.float32(scanner.flare) * (scattered(plane, laying.lid, scanner, scale) - plane)
        _light(plane, scanner, channel)
        if scanner.blur_mm:
            plane[:] = cv2.GaussianBlur(
                plane, (0, 0), scanner.blur_mm * scale, borderType=cv2.BORDER_REPLICATE
            )
        if scanner.jerk_mm:
            plane[:] = _box(plane, (1, max(1, round(scanner.jerk_mm * scale))))
        _make_noisy(plane, scanner, channel, seed)
        plane *= np.float32(scanner.gain[channel])
    return drive(planes, scanner, scale)


def scattered(plane: Plane, lid: float, scanner: Scanner, scale: float) -> Plane:
    """Return the light that reaches each pixel by scattering, outside the bed being the lid.

    The kernel falls exponentially with distance (rms radius flare_mm), a part of it three times as wide.
    """
    pitch = float(np.clip(scanner.flare_mm / 6.0, 1.0 / scale, COARSE_MM))
    rows, columns = plane.shape
    small = (max(1, round(columns / (scale * pitch))), max(1, round(rows / (scale * pitch))))
    coarse = cv2.resize(plane, small, interpolation=cv2.INTER_AREA)
    core = _kernel(scanner.flare_mm / pitch)
    tail = _kernel(3.0 * scanner.flare_mm / pitch)
    pad = tail.shape[0] // 2
    padded = cv2.copyMakeBorder(coarse, pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=float(lid))
    total = (1.0 - scanner.flare_tail) * cv2.filter2D(padded, cv2.CV_32F, core)
    if scanner.flare_tail:
        total = total + scanner.flare_tail * cv2.filter2D(padded, cv2.CV_32F, tail)
    inner = np.ascontiguousarray(total[pad : pad + small[1], pad : pad + small[0]], dtype=np.float32)
    return np.asarray(cv2.resize(inner, (columns, rows), interpolation=cv2.INTER_LINEAR))


def _kernel(rms_px: float) -> Plane:
    # In the plane, exp(-r / r0) has the mean square radius 6 r0 squared.
    fall = rms_px / np.sqrt(6.0)
    reach = int(np.ceil(7.0 * fall))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    kernel = np.exp(-np.hypot(x, y) / fall)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def lighting(shape: tuple[int, int], scanner: Scanner, channel: int) -> tuple[Plane, Plane]:
    """Return the lamp's light along rows (rows, 1) and columns (1, columns); their product is the field."""
    rows, columns = shape
    x = np.linspace(-1.0, 1.0, columns, dtype=np.float32)[np.newaxis, :]
    y = np.linspace(-1.0, 1.0, rows, dtype=np.float32)[:, np.newaxis]
    factor = scanner.falloff_by_channel[channel]
    return 1.0 - np.float32(factor * scanner.tilt) * y, 1.0 - np.float32(factor * scanner.falloff) * x * x


def _light(plane: Plane, scanner: Scanner, channel: int) -> None:
    if scanner.falloff or scanner.tilt:
        down, across = lighting((plane.shape[0], plane.shape[1]), scanner, channel)
        plane *= down
        plane *= across


def _make_noisy(plane: Plane, scanner: Scanner, channel: int, seed: str) -> None:
    if scanner.columns:
        # A sensor line drawn along the page leaves each column its own gain, all the way down.
        own = rng_of(0, seed, "columns", channel).standard_normal((1, plane.shape[1]), dtype=np.float32)
        plane *= 1.0 + np.float32(scanner.columns) * own
    if not (scanner.noise_read or scanner.noise_shot):
        return
    rng = rng_of(0, seed, "noise", channel)
    noise = rng.standard_normal(plane.shape, dtype=np.float32)
    if scanner.noise_grain:
        kernel = cv2.getGaussianKernel(5, 0.9, cv2.CV_32F)
        shared = rng.standard_normal(plane.shape, dtype=np.float32)
        shared = np.asarray(cv2.sepFilter2D(shared, cv2.CV_32F, kernel, kernel), dtype=np.float32)
        shared *= np.float32(np.sqrt(scanner.noise_grain) / float((kernel**2).sum()))
        noise *= np.float32(np.sqrt(1.0 - scanner.noise_grain))
        noise += shared
    spread = np.maximum(plane, 0.0)
    spread *= np.float32(scanner.noise_shot**2)
    spread += np.float32(scanner.noise_read**2)
    np.sqrt(spread, out=spread)
    noise *= spread
    plane += noise


def _box(plane: Plane, size: tuple[int, int]) -> Plane:
    """Return the mean over a window of (columns, rows) around every pixel."""
    return np.asarray(cv2.blur(plane, size, borderType=cv2.BORDER_REPLICATE), dtype=np.float32)


def drive(planes: NDArray[np.float32], scanner: Scanner, scale: float) -> Pixels:
    """Return pixels (rows, columns, 3), uint8 or uint16, that a driver makes of light (3, rows, columns).

    scale: pixels per mm.
    """
    if scanner.bits not in (8, 16):
        raise ImpossibleError(f"A scan of {scanner.bits} bits cannot be simulated", "Choose 8 or 16.")
    if scanner.matrix is not None:
        flat = planes.reshape(3, -1)
        flat[:] = np.asarray(scanner.matrix, dtype=np.float32) @ flat
    for plane in planes:
        _to_codes(plane, scanner.tone)
    _retouch(planes, scanner, scale)
    if scanner.auto_contrast:
        sample = np.clip(planes[:, ::3, ::3], 0.0, 1.0)
        low, high = np.quantile(sample, [scanner.auto_contrast, 1.0 - scanner.auto_contrast])
        planes -= np.float32(low)
        planes /= np.float32(max(high - low, 1e-3))
    if scanner.whiten:
        _whiten(planes, scanner.whiten)
    depth = 8 if scanner.jpeg is not None or scanner.packed is not None else scanner.bits
    pixels = np.empty((planes.shape[1], planes.shape[2], 3), np.uint8 if depth == 8 else np.uint16)
    for channel, plane in enumerate(planes):
        np.clip(plane, 0.0, 1.0, out=plane)
        plane *= np.float32(2**depth - 1)
        plane += np.float32(0.5)
        pixels[..., channel] = plane
    if scanner.packed is not None:
        right, down = (at % 8 and 8 - at % 8 for at in scanner.packed_at)
        padded = np.pad(pixels, ((down, 0), (right, 0), (0, 0)), mode="edge")
        pixels = np.ascontiguousarray(_packed(padded, scanner.packed)[down:, right:])
    return pixels if scanner.jpeg is None else _packed(pixels, scanner.jpeg)


def _packed(pixels: Pixels, quality: int) -> Pixels:
    """Return the pixels (rows, columns, 3) of 8 bits that are left of these by a JPEG."""
    done, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ImpossibleError("The scan could not be packed as JPEG")
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1])


def _retouch(planes: NDArray[np.float32], scanner: Scanner, scale: float) -> None:
    """Take out noise and print screens, and sharpen, in codes (3, rows, columns), as far as the driver is asked to."""
    for plane in planes:
        if scanner.denoise:
            plane[:] = cv2.medianBlur(plane, scanner.denoise)
        if scanner.descreen_mm:
            # Averaged over a period of the screen, and its edges brought back a little (invented).
            side = max(1, round(scanner.descreen_mm * scale))
            plane[:] = _box(plane, (side, side))
            plane += np.float32(0.7) * (plane - cv2.GaussianBlur(plane, (0, 0), max(0.5, side / 2)))
        if scanner.sharpen:
            plane += np.float32(scanner.sharpen) * (
                plane - cv2.GaussianBlur(plane, (0, 0), scanner.sharpen_px)
            )


def _whiten(planes: NDArray[np.float32], reach: float) -> None:
    """Draw light pixels to white, all of it within reach of it and ever less down to twice that (invented)."""
    share = np.clip((planes.min(axis=0) - np.float32(1.0 - 2.0 * reach)) / np.float32(reach), 0.0, 1.0)
    share *= share * (3.0 - 2.0 * share)
    for plane in planes:
        plane += share * (1.0 - plane)


def _to_codes(plane: Plane, tone: str) -> None:
    """Replace linear light by codes, 0..1; what exceeds 1 or falls below 0 is left for the clipping."""
    name, _, number = tone.partition(" ")
    if name == "linear":
        return
    if name == "gamma" and number:
        _power(plane, 1.0 / float(number))
        return
    if name not in ("srgb", "s-curve"):
        raise ImpossibleError(
            f"There is no tone curve '{tone}'", "Choose srgb, linear, s-curve or 'gamma 1.8'."
        )
    # IEC 61966-2-1.
    straight = plane <= 0.0031308
    foot = plane[straight] * np.float32(12.92)
    _power(plane, 1.0 / 2.4)
    plane *= np.float32(1.055)
    plane -= np.float32(0.055)
    plane[straight] = foot
    if name == "s-curve":
        # A monotone sway about the diagonal, as drivers add it for 'pleasing' contrast (invented).
        plane -= np.float32(0.35 / (2 * np.pi)) * np.sin(np.float32(2 * np.pi) * np.clip(plane, 0.0, 1.0))


def _power(plane: Plane, exponent: float) -> None:
    np.maximum(plane, 0.0, out=plane)
    cv2.pow(plane, exponent, plane)
