"""Fit a resting solid to each fruit's outline: true length, width and skin area in a photo taken from above.

Every outline pixel's tangent line and the camera's centre span a plane that touches the fruit. For an ellipsoid that
rests on the floor, the touching plane with outward unit normal n obeys

    n . (m - C) + sqrt(n' S n) = 0

(m centre, C camera, S shape matrix; the support function of an ellipsoid, e.g. Rockafellar 1970, Convex Analysis,
section 13). The outline is one closed curve of such planes, and the six unknowns left by "long axis level, resting on
the floor" are fitted to it by robust least squares in millimetres. An outline from one camera leaves one of them, the
height, undetermined, so it is drawn towards what solids of that length and width usually have.

A mango is not an ellipsoid: what the outline shows beyond the ellipsoid along its axes is added to length and width.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scorer.camera import Camera
from scorer.fruit.outline import Outline

Float64 = NDArray[np.float64]

# Height over width of a lying fruit against its width over length. From 400,000 drawn solids: W/L 0.70 +- 0.06 and
# T/W 0.87 +- 0.05 (mangoes of the handbooks lie there; from memory), half lying flat within 25 degrees of roll and
# half propped by neighbours at any roll: height/width = 0.952 - 0.677 (width/length - 0.68), spread 0.09.
HEIGHT_OVER_WIDTH, HEIGHT_SLOPE, TYPICAL_ROUNDNESS, HEIGHT_SPREAD = 0.952, -0.677, 0.68, 0.09
OUTLINE_NOISE_MM = 0.8  # unevenness of real outlines about the ellipse
ROUNDS, SETTLED_MM = 12, 1e-3
FEWEST_FREE_POINTS = 40


@dataclass(frozen=True)
class RestingSolid:
    """An ellipsoid that rests on the tray floor with its long axis level.

    Parameters
    ----------
    centre_mm : (3,) in the world; its height is the vertical semi-axis.
    heading_rad : direction of the long axis in the floor plane.
    semi_axes_mm : (3,) half length, half width, half height of the ellipsoid.
    length_mm, width_mm : horizontal extents of the fruit, with what its outline shows beyond the ellipsoid.
    misfit_mm : root mean square distance of the outline's tangent planes from the ellipsoid.
    free_share : share of the outline that the fit could use.
    taper : -1..1; above 0 where the end in the direction of ``heading_rad`` is the fuller one.
    """

    centre_mm: Float64
    heading_rad: float
    semi_axes_mm: Float64
    length_mm: float
    width_mm: float
    misfit_mm: float
    free_share: float
    taper: float

    @property
    def axes(self) -> Float64:
        """(3, 3) rows: unit vectors of length, width and height in the world."""
        c, s = np.cos(self.heading_rad), np.sin(self.heading_rad)
        return np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]])


def fit_solids(outlines: Sequence[Outline], camera: Camera) -> list[RestingSolid]:
    """Fit a resting solid to each outline in the pixels of ``camera``; all at once, each for itself."""
    if not outlines:
        return []
    points_px = np.stack([outline.points_px for outline in outlines])
    free = np.stack([outline.free for outline in outlines])
    weights = np.where(free.sum(axis=1, keepdims=True) >= FEWEST_FREE_POINTS, free, True).astype(float)
    normals = _touching_planes(points_px, camera)
    offset = normals @ camera.origin_mm
    parameters = _first_guess(points_px, camera)
    moving = np.arange(len(outlines))
    for _ in range(ROUNDS):
        better, step_mm = _improve(parameters[moving], normals[moving], offset[moving], weights[moving])
        parameters[moving] = better
        moving = moving[step_mm >= SETTLED_MM]
        if not len(moving):
            break
    return [
        _solid(parameters[i], normals[i], offset[i], weights[i], float(free[i].mean())) for i in range(len(outlines))
    ]


def _solid(parameters: Float64, normals: Float64, offset: Float64, weights: Float64, free_share: float) -> RestingSolid:
    x, y, s1, s2, s3, height = parameters
    values, vectors = np.linalg.eigh(np.array([[s1, s2], [s2, s3]]))
    half_width, half_length = np.sqrt(np.maximum(values, 1.0))
    heading = float(np.arctan2(vectors[1, 1], vectors[0, 1]))
    centre = np.array([x, y, height])
    residual = _support(parameters, normals) + normals @ centre - offset
    beyond = _beyond(residual, normals, weights, heading)
    return RestingSolid(
        centre_mm=centre,
        heading_rad=heading,
        semi_axes_mm=np.array([half_length, half_width, height]),
        length_mm=float(2 * half_length + beyond[0] + beyond[2]),
        width_mm=float(2 * half_width + beyond[1] + beyond[3]),
        misfit_mm=float(np.sqrt(np.mean(residual[weights > 0] ** 2))),
        free_share=free_share,
        taper=_taper(residual, normals, heading, half_width),
    )


def _touching_planes(points_px: Float64, camera: Camera) -> Float64:
    """Outward unit normals (F, N, 3) of the planes through the camera that touch each fruit along its outline."""
    rays = camera.rays(points_px)
    normals = np.cross(np.roll(rays, -2, axis=1), np.roll(rays, 2, axis=1))
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    middle = camera.rays(points_px.mean(axis=1))
    outward = (normals @ middle[:, :, None])[..., 0] <= 0
    return np.where(outward[..., None], normals, -normals)


def _first_guess(points_px: Float64, camera: Camera) -> Float64:
    """Ellipsoids (F, 6) from the outlines' second moments on a plane at a guessed mid-fruit height."""
    height = np.full((len(points_px), 1), 35.0)
    for _ in range(2):
        ground = camera.on_plane(points_px, height)
        middle = ground.mean(axis=1)
        away = ground - middle[:, None]
        # variance of points on an ellipse: semi-axis squared over two
        spread = 2 * away.transpose(0, 2, 1) @ away / (away.shape[1] - 1)
        height = HEIGHT_OVER_WIDTH * np.sqrt(np.linalg.eigvalsh(spread)[:, :1])
    return np.column_stack([middle, spread[:, 0, 0], spread[:, 0, 1], spread[:, 1, 1], height])


def _support(parameters: Float64, normals: Float64) -> Float64:
    """How far the ellipsoid reaches along each normal from its centre: (..., N) of (..., 6) and (..., N, 3)."""
    _, _, s1, s2, s3, height = np.moveaxis(parameters[..., None], -2, 0)
    nx, ny, nz = np.moveaxis(normals, -1, 0)
    reach = s1 * nx * nx + 2 * s2 * nx * ny + s3 * ny * ny + (nz * height) ** 2
    return np.asarray(np.sqrt(np.maximum(reach, 1e-6)))


def _improve(parameters: Float64, normals: Float64, offset: Float64, weights: Float64) -> tuple[Float64, Float64]:
    """One Gauss-Newton step of the robust fits; returns the new parameters (F, 6) and the largest change (F,) in mm."""
    x, y, _, _, _, height = parameters.T[..., None]
    nx, ny, nz = np.moveaxis(normals, -1, 0)
    support = _support(parameters, normals)
    residual = nx * x + ny * y + nz * height - offset + support
    jacobian = np.stack(
        [
            nx,
            ny,
            nx * nx / (2 * support),
            nx * ny / support,
            ny * ny / (2 * support),
            nz + nz * nz * height / support,
        ],
        axis=1,
    )
    robust = weights / (1 + (residual / (2 * OUTLINE_NOISE_MM)) ** 2) / OUTLINE_NOISE_MM**2
    # neighbouring outline points err together; about 24 of them are independent
    robust *= 24 / np.maximum(weights.sum(axis=1, keepdims=True), 1.0)
    prior_residual, prior_slope = _height_prior(parameters[:, 2:])
    weighted = jacobian * robust[:, None]
    normal = weighted @ jacobian.transpose(0, 2, 1) + prior_slope[:, :, None] * prior_slope[:, None]
    slope = (weighted @ residual[..., None])[..., 0] + prior_slope * prior_residual[:, None]
    damping = np.diag([1e-9, 1e-9, 1e-12, 1e-12, 1e-12, 1e-9])
    step = -np.linalg.solve(normal + damping, slope[..., None])[..., 0]
    largest = np.abs(step / [1, 1, 60, 60, 60, 1]).max(axis=1)
    new = parameters + step * np.minimum(1.0, 15.0 / np.maximum(largest, 1e-9))[:, None]
    new[:, 5] = np.maximum(new[:, 5], 5.0)
    no_ellipse = (new[:, 2] * new[:, 4] <= new[:, 3] ** 2) | (new[:, 2] <= 0)
    new[no_ellipse, 2:5] = parameters[no_ellipse, 2:5]
    return new, largest


def _height_prior(shape: Float64) -> tuple[Float64, Float64]:
    """Residual (F,), in standard deviations, of the height against what length and width suggest; its slope (F, 6)."""

    def misfit(p: Float64) -> Float64:
        s1, s2, s3, height = np.moveaxis(p, -1, 0)
        middle, reach = (s1 + s3) / 2, np.hypot((s1 - s3) / 2, s2)  # eigenvalues of the 2 x 2 shape
        half_width, half_length = np.sqrt(np.maximum(middle - reach, 1.0)), np.sqrt(np.maximum(middle + reach, 1.0))
        ratio = HEIGHT_OVER_WIDTH + HEIGHT_SLOPE * (half_width / half_length - TYPICAL_ROUNDNESS)
        return np.asarray((height - ratio * half_width) / (HEIGHT_SPREAD * half_width))

    steps = np.array([1.0, 1.0, 1.0, 0.05])
    here = misfit(shape)
    moved = misfit(shape[:, None] + np.diag(steps))
    slope = np.zeros((len(shape), 6))
    slope[:, 2:] = (moved - here[:, None]) / steps
    return here, slope


def _beyond(residual: Float64, normals: Float64, weights: Float64, heading: float) -> Float64:
    """How far the fruit reaches beyond the ellipsoid at both ends and both sides, in mm: front, left, back, right."""
    azimuth = np.arctan2(normals[:, 1], normals[:, 0])
    away = azimuth - heading - np.arange(4)[:, None] * (np.pi / 2)
    away -= 2 * np.pi * np.round(away / (2 * np.pi))
    near = weights * np.exp(-0.5 * (away / np.radians(6)) ** 2)
    support = near.sum(axis=1)
    return np.where(support > 0.5, np.clip(-(near @ residual) / np.maximum(support, 0.5), -6.0, 6.0), 0.0)


def _taper(residual: Float64, normals: Float64, heading: float, half_width: float) -> float:
    """Which end is fuller: the outline's odd part along the shoulders, where an egg leaves the ellipse."""
    azimuth = np.arctan2(normals[:, 1], normals[:, 0]) - heading
    shoulders = np.cos(azimuth) * np.sin(azimuth) ** 2
    return float(np.clip(-np.mean(residual * shoulders) / (0.02 * half_width), -1, 1))
