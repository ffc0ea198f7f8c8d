"""The solid of a mango: an implicit surface with known area, laid on a plane and met by camera rays.

Fruit frame: millimetres, x along the long axis with the stem end at +x, y across the width, z across the
thickness.
With no taper, no bend and power 2 the solid is the exact ellipsoid with semi-axes ``a``, ``b``, ``c``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scorer.camera import Camera

Floats = NDArray[np.floating[Any]]
Float64 = NDArray[np.float64]


_FARTHEST_S = 1.2  # taper and bend are frozen beyond this many half lengths, where rays only pass by
_NEWTON_STEPS = 3
_LEAST_FACING = 0.02  # bounds the area of one pixel at the outline; costs about 1 % of the whole seen area


@dataclass(frozen=True)
class FruitShape:
    """A tapered, slightly bent, rounded solid.

    Attributes
    ----------
    a, b, c : half length, half width and half thickness in mm before taper.
    taper : relative growth of the cross-section from the middle to the stem end.
    waist : relative growth of the cross-section towards both ends (negative: slimmer ends).
    bend : sideways shift of both ends over the half width.
    beak : further sideways shift of the nose end over the half width.
    power : roundness of the long profile; 2 is the ellipse, more is blunter.
    """

    a: float
    b: float
    c: float
    taper: float = 0.0
    waist: float = 0.0
    bend: float = 0.0
    beak: float = 0.0
    power: float = 2.0

    def _profile(self, s: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Growth of the cross-section and its slope over s; sideways shift in mm and its slope."""
        nose = np.minimum(s, 0.0)
        growth = 1 + self.taper * s + self.waist * s * s
        slope = self.taper + 2 * self.waist * s
        shift = self.b * (self.bend * s * s - self.beak * nose * nose * nose)
        shift_slope = self.b * (2 * self.bend * s - 3 * self.beak * nose * nose)
        return growth, slope, shift, shift_slope

    def value_and_gradient(self, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Implicit value (below 0 inside) and its gradient per mm at points of the fruit frame."""
        s = x / self.a
        growth, slope, shift, shift_slope = self._profile(np.clip(s, -_FARTHEST_S, _FARTHEST_S))
        wide, thick = self.b * growth, self.c * growth
        across, through = (y - shift) / wide, z / thick
        size = np.abs(s)
        end = size * size if self.power == 2.0 else size**self.power
        end_slope = 2 * s if self.power == 2.0 else self.power * np.sign(s) * size ** (self.power - 1)
        ring = across * across + through * through
        value = end + ring - 1
        gradient_x = (end_slope - 2 * ring * slope / growth - 2 * across * shift_slope / wide) / self.a
        return value, gradient_x, 2 * across / wide, 2 * through / thick

    def surface(self, rows: int, columns: int) -> Floats:
        """Points (rows, columns, 3) on the surface, from the stem end to the nose end and once around."""
        polar = (np.arange(rows) + 0.5) * np.pi / rows
        around = np.arange(columns) * 2 * np.pi / columns
        return self._points(polar[:, None], around[None, :])

    def _points(self, polar: Floats, around: Floats) -> Floats:
        cos = np.cos(polar)
        s = np.sign(cos) * np.abs(cos) ** (2 / self.power)
        growth, _, shift, _ = self._profile(s)
        ring = np.sin(polar) * growth
        x = np.broadcast_to(self.a * s, np.broadcast_shapes(polar.shape, around.shape))
        return np.stack([x, shift + self.b * ring * np.cos(around), self.c * ring * np.sin(around)], axis=-1)

    def facets(self, rows: int = 220, columns: int = 220) -> tuple[Floats, Floats]:
        """Centres (N, 3) and outward area vectors (N, 3) in mm2 of a fine cover of the surface."""
        polar = np.linspace(0, np.pi, rows + 1)
        around = np.linspace(0, 2 * np.pi, columns + 1)
        grid = self._points(polar[:, None], around[None, :])
        down = grid[1:, 1:] - grid[:-1, :-1]
        up = grid[:-1, 1:] - grid[1:, :-1]
        vectors = np.cross(down, up).reshape(-1, 3) / 2
        centres = (grid[1:, 1:] + grid[:-1, :-1] + grid[:-1, 1:] + grid[1:, :-1]).reshape(-1, 3) / 4
        outward = np.sign(np.sum(vectors * centres, axis=1).sum())
        return centres, vectors * outward

    @cached_property
    def total_area_mm2(self) -> float:
        """Area of the whole skin, by fine flat facets."""
        return float(np.linalg.norm(self.facets(600, 600)[1], axis=1).sum())

    def skin_point(self, direction: Floats) -> tuple[Floats, Floats]:
        """Point (3,) where a ray from the middle along ``direction`` leaves the solid, and its normal."""
        low, high = 0.0, 2.0 * max(self.a, self.b, self.c) / float(np.linalg.norm(direction))
        for _ in range(40):
            middle = (low + high) / 2
            point = direction * middle
            if float(self.value_and_gradient(point[0], point[1], point[2])[0]) > 0:
                high = middle
            else:
                low = middle
        point = direction * low
        gradient = np.array(self.value_and_gradient(point[0], point[1], point[2])[1:], float)
        return point, gradient / np.linalg.norm(gradient)


@dataclass(frozen=True)
class LaidFruit:
    """A fruit at its place on the tray: X_world = rotation @ X_fruit + position_mm."""

    shape: FruitShape
    rotation: Floats
    position_mm: Floats

    @cached_property
    def hull_mm(self) -> Float64:
        """World points (N, 3) that cover the surface closely enough for shadows and collisions."""
        return self.to_world(self.shape.surface(26, 30).reshape(-1, 3))

    def to_world(self, points: Floats) -> Float64:
        """World points (N, 3) of points of the fruit frame."""
        return np.asarray(points @ self.rotation.T + self.position_mm, float)

    def to_fruit(self, points: Floats) -> Float64:
        """Points (N, 3) of the fruit frame of world points."""
        return np.asarray((points - self.position_mm) @ self.rotation, float)

    def moved_to(self, x_mm: float, y_mm: float) -> LaidFruit:
        """Return the same fruit, resting on the floor with its middle over (x, y)."""
        return LaidFruit(self.shape, self.rotation, np.array([x_mm, y_mm, self.position_mm[2]]))

    def extents_mm(self) -> tuple[float, float, float]:
        """Length and width on the floor plane (along and across the long axis) and height over the floor."""
        fine = self.to_world(self.shape.surface(200, 200).reshape(-1, 3))
        along = self.rotation[:2, 0] / np.linalg.norm(self.rotation[:2, 0])
        across = np.array([-along[1], along[0]])
        return (
            float(np.ptp(fine[:, :2] @ along)),
            float(np.ptp(fine[:, :2] @ across)),
            float(np.ptp(fine[:, 2])),
        )


def rest_on_floor(shape: FruitShape, rotation: Floats) -> LaidFruit:
    """Lay a turned fruit so that its lowest point touches z = 0."""
    lowest = float((shape.surface(240, 240).reshape(-1, 3) @ rotation[2]).min())
    return LaidFruit(shape, rotation, np.array([0.0, 0.0, -lowest]))


def penetrates(one: LaidFruit, other: LaidFruit, gap_mm: float = 0.0) -> bool:
    """Whether two fruit share space, or stand closer than about ``gap_mm``."""
    reach = one.shape.a + other.shape.a + gap_mm + 20
    if np.linalg.norm(one.position_mm - other.position_mm) > reach:
        return False
    for guest, host in ((one, other), (other, one)):
        points = host.to_fruit(guest.hull_mm)
        value, *gradient = host.shape.value_and_gradient(points[:, 0], points[:, 1], points[:, 2])
        steepness = np.sqrt(gradient[0] ** 2 + gradient[1] ** 2 + gradient[2] ** 2)
        if float((value - (gap_mm + 0.15) * steepness).min()) < 0:
            return True
    return False


@dataclass(frozen=True)
class SurfaceCrop:
    """What the camera sees of one fruit, in a window of the photo.

    Attributes
    ----------
    x0, y0 : top-left pixel of the window.
    cover : (h, w) float32, share of the pixel that the fruit covers (its outline is smooth).
    point : (3, h, w) float32, seen skin point in the fruit frame; beyond the outline, the nearest approach.
    normal : (3, h, w) float32, outward unit normal in the fruit frame.
    depth_mm : (h, w) float32, distance along the optical axis.
    facing : (h, w) float32, cosine between the normal and the direction to the camera.
    area_mm2 : (h, w) float32, skin area that a pixel sees.
    """

    x0: int
    y0: int
    cover: Floats
    point: Floats
    normal: Floats
    depth_mm: Floats
    facing: Floats
    area_mm2: Floats

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the photo that the crop covers."""
        height, width = self.cover.shape
        return slice(self.y0, self.y0 + height), slice(self.x0, self.x0 + width)


def cast_rays(fruit: LaidFruit, camera: Camera, width_px: int, height_px: int) -> SurfaceCrop | None:
    """Meet one fruit with the rays of all pixels around it; None when it lies outside the picture."""
    outline = camera.project(fruit.hull_mm)
    low = np.maximum(np.floor(outline.min(axis=0)) - 4, 0).astype(int)
    high = np.minimum(np.ceil(outline.max(axis=0)) + 5, [width_px, height_px]).astype(int)
    if (high - low < 2).any():
        return None
    columns = (np.arange(low[0], high[0]) - camera.centre_px[0]) / camera.focal_px
    rows = (np.arange(low[1], high[1]) - camera.centre_px[1]) / camera.focal_px
    turn = fruit.rotation.T @ camera.rotation.T
    middle = float(camera.rotation[2] @ fruit.position_mm + camera.translation_mm[2])
    origin = fruit.rotation.T @ (camera.origin_mm - fruit.position_mm)
    ray = (
        turn[:, 0, None, None] * columns[None, None, :]
        + turn[:, 1, None, None] * rows[None, :, None]
        + turn[:, 2, None, None]
    )
    # Starting in the fruit's own depth keeps single precision good to a micrometre.
    start = (origin[:, None, None] + middle * ray).astype(np.float32)
    direction = ray.astype(np.float32)
    along, cover, point, gradient = _meet(fruit.shape, start, direction, camera.focal_px / middle)
    return _crop_of(low, middle + along, cover, point, gradient, direction, camera.focal_px)


def _meet(
    shape: FruitShape, start: Floats, direction: Floats, px_per_mm: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Depth past the start, cover, points and gradients where rays first meet the solid."""
    axes = np.array([shape.a, shape.b, shape.c], np.float32)[:, None, None]
    scaled, pace = start / axes, direction / axes
    curvature = np.sum(pace * pace, axis=0)
    nearest = -np.sum(scaled * pace, axis=0) / curvature

    def evaluate(t: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        point = start + t * direction
        value, *parts = shape.value_and_gradient(point[0], point[1], point[2])
        gradient = np.stack(parts)
        return value, np.sum(gradient * direction, axis=0), point, gradient

    for _ in range(2):
        nearest = nearest - evaluate(nearest)[1] / (2 * curvature)
    depth_inside, _, _, gradient = evaluate(nearest)
    steepness = np.sqrt(np.sum(gradient * gradient, axis=0)) + 1e-9
    cover = np.clip(0.5 - depth_inside / steepness * px_per_mm, 0.0, 1.0).astype(np.float32)
    t = nearest - np.sqrt(np.maximum(-depth_inside, 0.0) / curvature)
    for _ in range(_NEWTON_STEPS):
        value, pace_in, _, _ = evaluate(t)
        step = value / np.minimum(pace_in, -1e-4)
        t = np.where(depth_inside < 0, t - np.clip(step, -20, 20), nearest)
    _, _, point, gradient = evaluate(t)
    return t, cover, point, gradient


def _crop_of(
    low: NDArray[np.int_],
    depth: Floats,
    cover: Floats,
    point: Floats,
    gradient: Floats,
    direction: Floats,
    focal_px: float,
) -> SurfaceCrop:
    normal = gradient / (np.sqrt(np.sum(gradient * gradient, axis=0)) + 1e-12)
    slant = np.sqrt(np.sum(direction * direction, axis=0))
    facing = np.clip(-np.sum(normal * direction, axis=0) / slant, 0.0, 1.0)
    # A pixel's solid angle is 1 / (focal^2 * slant^3), the range depth * slant: the slants leave 1 / slant.
    area = depth * depth / (focal_px**2 * slant * np.maximum(facing, _LEAST_FACING))
    return SurfaceCrop(
        int(low[0]),
        int(low[1]),
        cover,
        point.astype(np.float32),
        normal.astype(np.float32),
        depth.astype(np.float32),
        facing.astype(np.float32),
        area.astype(np.float32),
    )
