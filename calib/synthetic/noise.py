"""Reproducible random fields in millimetres, so that a finer scan shows the same page."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

# Lattice nodes per correlation length: fine enough for interpolation to keep the variance.
NODES = 1.25


def rng_of(seed: int, *purpose: str | int) -> np.random.Generator:
    """Return a generator that depends on the seed and on what it is for, and on nothing else."""
    text = "|".join([str(seed), *map(str, purpose)])
    return np.random.default_rng(
        int.from_bytes(hashlib.blake2b(text.encode(), digest_size=16).digest(), "big")
    )


@dataclass(frozen=True)
class Grid:
    """Pixels over a rectangle: centre of pixel (row 0, column 0) is half a pixel inside (x_mm, y_mm).

    x_mm, y_mm: the rectangle's top left corner; scale: pixels per mm; shape: rows, columns.
    """

    x_mm: float
    y_mm: float
    scale: float
    shape: tuple[int, int]

    def x(self) -> Plane:
        """Return the mm of the pixel centres along x, shape (columns,)."""
        return np.asarray(self.x_mm + (np.arange(self.shape[1]) + 0.5) / self.scale, dtype=np.float32)

    def y(self) -> Plane:
        """Return the mm of the pixel centres along y, shape (rows,)."""
        return np.asarray(self.y_mm + (np.arange(self.shape[0]) + 0.5) / self.scale, dtype=np.float32)

    def finer(self, times: int) -> Grid:
        """Return the same rectangle with times as many pixels along each side."""
        return Grid(self.x_mm, self.y_mm, self.scale * times, (self.shape[0] * times, self.shape[1] * times))


def smooth_field(
    rng: np.random.Generator, grid: Grid, sigma_mm: float, sigma_y_mm: float | None = None
) -> Plane:
    """Return Gaussian noise of mean 0 and sd 1, correlated over sigma_mm (along x and y), at the pixels.

    White noise on a lattice fixed in mm, smoothed by a Gaussian and interpolated: the lattice
    does not know the resolution of the scan, so the same seed gives the same field at any.
    """
    sigma = (sigma_mm, sigma_mm if sigma_y_mm is None else sigma_y_mm)
    pitch = (sigma[0] / NODES, sigma[1] / NODES)
    margin = 6
    size = (grid.shape[1] / grid.scale, grid.shape[0] / grid.scale)
    nodes = [int(np.ceil(size[i] / pitch[i])) + 2 * margin for i in (0, 1)]
    kernel = cv2.getGaussianKernel(9, NODES, cv2.CV_32F)
    white = rng.standard_normal((nodes[1], nodes[0]), dtype=np.float32)
    # Smoothing by a separable kernel scales the sd by the sum of its squares, once per axis' root.
    lattice = np.asarray(cv2.sepFilter2D(white, cv2.CV_32F, kernel, kernel), dtype=np.float32)
    lattice /= np.float32((kernel**2).sum())
    step = [1.0 / (grid.scale * pitch[i]) for i in (0, 1)]
    to_lattice = np.array(
        [[step[0], 0.0, margin - 0.5 + step[0] / 2], [0.0, step[1], margin - 0.5 + step[1] / 2]]
    )
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    size_px = (grid.shape[1], grid.shape[0])
    seen = cv2.warpAffine(lattice, to_lattice, size_px, flags=flags, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(seen, dtype=np.float32)


def smooth_line(
    rng: np.random.Generator, at_mm: Plane, start_mm: float, end_mm: float, sigma_mm: float
) -> Plane:
    """Return one-dimensional noise (mean 0, sd 1, correlated over sigma_mm) at the given mm.

    start_mm and end_mm fix the lattice; positions outside take the value of its ends.
    """
    pitch = sigma_mm / NODES
    count = int(np.ceil((end_mm - start_mm) / pitch)) + 9
    kernel = cv2.getGaussianKernel(9, NODES, cv2.CV_64F).ravel()
    values = np.convolve(rng.standard_normal(count + 8), kernel, mode="valid") / np.sqrt((kernel**2).sum())
    return np.asarray(np.interp(at_mm, start_mm + (np.arange(count) - 4) * pitch, values), dtype=np.float32)


def ramp(distance_mm: NDArray[np.float32], width_mm: float) -> Plane:
    """Return 0..1: how far inside an edge that is width_mm soft (0.5 on the edge itself)."""
    return np.asarray(
        np.clip(distance_mm / np.float32(width_mm) + np.float32(0.5), 0.0, 1.0), dtype=np.float32
    )
