"""The pinhole camera over the tray: where a point of the tray lands in the photo, and what a pixel looks at.

World frame: millimetres on the tray floor, x and y in the plane, z up towards the camera, floor at z = 0.
Camera frame: x right, y down, z forward, as in OpenCV.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM = 43.2666  # of the 36 x 24 mm frame that "35 mm-equivalent" refers to (CIPA DCG-001)


def focal_px_of(focal_35mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels from the 35 mm-equivalent one, by the picture's diagonal (CIPA DCG-001)."""
    return focal_35mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width_px, height_px))


@dataclass(frozen=True)
class Camera:
    """A pinhole camera with square pixels and its place over the tray.

    Parameters
    ----------
    focal_px : focal length in pixels of the working image.
    centre_px : (2,) principal point, x and y in pixels.
    rotation : (3, 3) world to camera.
    translation_mm : (3,) so that X_camera = rotation @ X_world + translation_mm.
    """

    focal_px: float
    centre_px: Float64
    rotation: Float64
    translation_mm: Float64

    @property
    def origin_mm(self) -> Float64:
        """(3,) position of the camera's centre in the world."""
        return -self.rotation.T @ self.translation_mm

    @property
    def height_mm(self) -> float:
        """Height of the camera's centre over the tray floor."""
        return float(self.origin_mm[2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the floor's normal; 0 looks straight down."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))

    @property
    def matrix(self) -> Float64:
        """(3, 3) intrinsic matrix."""
        return np.array([[self.focal_px, 0, self.centre_px[0]], [0, self.focal_px, self.centre_px[1]], [0, 0, 1]])

    @property
    def projection(self) -> Float64:
        """(3, 4) matrix from homogeneous world points to homogeneous pixels."""
        return self.matrix @ np.column_stack([self.rotation, self.translation_mm])

    def scaled(self, factor: float) -> Camera:
        """The same camera for a picture enlarged by ``factor``; pixel centres lie at whole numbers."""
        return Camera(self.focal_px * factor, (self.centre_px + 0.5) * factor - 0.5, self.rotation, self.translation_mm)

    def project(self, points_mm: Float64) -> Float64:
        """Pixels (N, 2) of world points (N, 3)."""
        in_camera = points_mm @ self.rotation.T + self.translation_mm
        return self.focal_px * in_camera[:, :2] / in_camera[:, 2:] + self.centre_px

    def rays(self, points_px: Float64) -> Float64:
        """World directions (..., 3) of the rays through pixels (..., 2), one unit deep along the optical axis."""
        in_camera = np.concatenate(
            [(points_px - self.centre_px) / self.focal_px, np.ones((*points_px.shape[:-1], 1))], axis=-1
        )
        return in_camera @ self.rotation

    def on_plane(self, points_px: Float64, height_mm: float | Float64 = 0.0) -> Float64:
        """World points (..., 2) where rays through pixels (..., 2) meet the horizontal plane at ``height_mm`` (...)."""
        rays, origin = self.rays(points_px), self.origin_mm
        depth = (height_mm - origin[2]) / rays[..., 2]
        return np.asarray(origin[:2] + depth[..., None] * rays[..., :2])

    def mm_per_px(self, at_px: Float64, height_mm: float = 0.0) -> float:
        """Side of a pixel on the horizontal plane at ``height_mm``, seen at pixel (2,), geometric mean of both axes."""
        x, y = (
            self.on_plane(at_px + np.array([[0.5, 0], [-0.5, 0]]), height_mm),
            self.on_plane(at_px + np.array([[0, 0.5], [0, -0.5]]), height_mm),
        )
        step_x, step_y = x[0] - x[1], y[0] - y[1]
        return float(np.sqrt(abs(step_x[0] * step_y[1] - step_x[1] * step_y[0])))


def nominal_camera(width_px: int, height_px: int, focal_px: float, mm_per_px: float) -> Camera:
    """A camera straight above the tray whose scale is only nominal: for photos without a card.

    Its millimetres must never be shown; they only size the windows of the steps that follow.
    """
    down = np.array([[1.0, 0, 0], [0, -1.0, 0], [0, 0, -1.0]])
    centre = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    return Camera(focal_px, centre, down, np.array([0.0, 0.0, mm_per_px * focal_px]))
