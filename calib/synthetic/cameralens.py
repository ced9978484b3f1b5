"""Where the lens of a camera puts the points of a page, which need not be flat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.synthetic.camera import Camera

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lens:
    """A camera over a page of a size in mm; page points are plan mm."""

    camera: Camera
    page_mm: tuple[float, float]

    @property
    def _focal_px(self) -> float:
        return self.camera.focal_mm / 36.0 * max(self.camera.size_px)

    @property
    def _eye(self) -> Array:
        x, y = (self.page_mm[i] / 2 + self.camera.over_mm[i] for i in (0, 1))
        return np.array([x, y, self.camera.height_mm])

    def _axes(self) -> Array:
        """Return the camera's axes (right, down, forward) as rows in page coordinates, whose z points up."""
        middle = np.array([self.page_mm[0] / 2, self.page_mm[1] / 2, 0.0])
        forward = middle - self._eye
        forward /= np.linalg.norm(forward)
        right = np.array([1.0, 0.0, 0.0]) - forward[0] * forward
        right /= np.linalg.norm(right)
        axes = np.stack([right, -np.cross(right, forward), forward])
        if axes[1, 1] < 0:
            axes[1] = -axes[1]
        tilt, pan, turn = (
            np.radians(v) for v in (self.camera.tilt_deg, self.camera.pan_deg, self.camera.turn_deg)
        )
        # The camera swings round the page, so that the page stays in its middle.
        about_x = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
        about_y = np.array([[np.cos(pan), 0, np.sin(pan)], [0, 1, 0], [-np.sin(pan), 0, np.cos(pan)]])
        roll = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
        return np.asarray(roll @ about_x @ about_y @ axes)

    def _swung(self) -> tuple[Array, Array]:
        """Return eye and axes: after tilt and pan the eye stands where the line of sight meets the page's middle."""
        axes = self._axes()
        middle = np.array([self.page_mm[0] / 2, self.page_mm[1] / 2, 0.0])
        far = np.linalg.norm(self._eye - middle)
        return middle - far * axes[2], axes

    def height(self, x: Array) -> Array:
        """Return how high (mm) the page stands at x (mm): edges up, the middle flat on the table."""
        half = self.page_mm[0] / 2
        return np.asarray(self.camera.curl_mm * (np.clip(x, 0, 2 * half) / half - 1) ** 2)

    def page_of(self, px: Array, py: Array) -> tuple[Array, Array]:
        """Return the plan mm that pixels (any shape) show, the centre of the first pixel being (0, 0)."""
        width, height = self.camera.size_px
        x, y = px - (width - 1) / 2, py - (height - 1) / 2
        stretch = 1.0 - self.camera.barrel * (x**2 + y**2) / ((width / 2) ** 2 + (height / 2) ** 2)
        eye, axes = self._swung()
        ray = np.multiply.outer(x * stretch, axes[0]) + np.multiply.outer(y * stretch, axes[1])
        ray += self._focal_px * axes[2]
        far = -eye[2] / ray[..., 2]
        for _ in range(4 if self.camera.curl_mm else 0):
            far = (self.height(eye[0] + far * ray[..., 0]) - eye[2]) / ray[..., 2]
        return eye[0] + far * ray[..., 0], eye[1] + far * ray[..., 1]

    def pixels_of(self, points_mm: Array) -> Array:
        """Return where points (n, 2) in plan mm are seen, in pixels (n, 2)."""
        eye, axes = self._swung()
        points = np.column_stack([points_mm, self.height(points_mm[:, 0])]) - eye
        seen = points @ axes.T
        flat = seen[:, :2] / seen[:, 2:] * self._focal_px
        width, height = self.camera.size_px
        corner = (width / 2) ** 2 + (height / 2) ** 2
        found = flat.copy()
        for _ in range(20):
            found = flat / (1.0 - self.camera.barrel * np.sum(found**2, axis=1, keepdims=True) / corner)
        return np.asarray(found + np.array([width - 1, height - 1]) / 2)
