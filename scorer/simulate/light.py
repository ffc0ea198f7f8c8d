"""Light over the tray: lamps and windows with their colour, size and shadows, and the light from all around.

Directions point from the tray to the light, in the world frame; colours are linear B, G, R.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.camera import Camera
from scorer.simulate.settings import LIGHTS, LightKind, TraySettings
from scorer.simulate.solids import LaidFruit, SurfaceCrop

Floats = NDArray[np.floating[Any]]


SHADE_STEP = 4  # shadows are drawn at a quarter of the photo's resolution
_AMBIENT_DIRECTIONS = 24


@dataclass(frozen=True)
class Lamp:
    """One light: unit direction (3,), colour (3,) with its strength, half size in radians."""

    direction: Floats
    colour: Floats
    size: float


@dataclass(frozen=True)
class LightRig:
    """All light over a tray.

    Attributes
    ----------
    name : the kind of light, as in the settings.
    kelvin : colour temperature of the strongest light.
    ambient : (3,) colour of the light from all around.
    lamps : the lights with a direction, strongest first.
    edge : a, b, c of the line a*x + b*y = c on the floor beyond which a person shades the lamps, the softness
        of that edge in mm and the share of light taken away; None when nobody stands in the light.
    """

    name: str
    kelvin: float
    ambient: Floats
    lamps: tuple[Lamp, ...]
    edge: tuple[float, float, float, float, float] | None

    @property
    def white(self) -> Floats:
        """(3,) colour of a white sheet on the floor, far from any shadow."""
        return self.ambient + sum((lamp.colour * lamp.direction[2] for lamp in self.lamps), np.zeros(3))


def kelvin_bgr(kelvin: float) -> Floats:
    """Linear B, G, R of a black body of luminance 1.

    Planckian locus by the cubic fit of Kim et al. (2002, US patent 7024034; figures from memory).
    """
    t = 1000.0 / kelvin
    if kelvin < 4000:
        x = -0.2661239 * t**3 - 0.2343589 * t**2 + 0.8776956 * t + 0.179910
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        x = -3.0258469 * t**3 + 2.1070379 * t**2 + 0.2226347 * t + 0.240390
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    if kelvin < 2222:
        raise ValueError(f"kelvin must be at least 2222, got {kelvin}")
    big_x, big_z = x / y, (1 - x - y) / y
    red = 3.2404542 * big_x - 1.5371385 - 0.4985314 * big_z
    green = -0.9692660 * big_x + 1.8760108 + 0.0415560 * big_z
    blue = 0.0556434 * big_x - 0.2040259 + 1.0572252 * big_z
    return np.asarray(np.maximum([blue, green, red], 0.02), float)


_NAMED = (
    LightKind("window", (4800, 7500), (0.25, 0.6), (0.15, 0.5), (1, 2)),
    LightKind("lamp", (2800, 4500), (0.15, 0.5), (0.02, 0.15), (1, 2)),
    LightKind("tubes", (3500, 6500), (0.35, 0.7), (0.1, 0.4), (2, 3)),
    LightKind("overcast", (5500, 7500), (0.65, 0.95), (0.4, 0.7), (1, 1)),
    LightKind("sun", (4600, 6000), (0.15, 0.4), (0.005, 0.03), (1, 1)),
    LightKind("window_and_lamp", (2800, 7000), (0.2, 0.5), (0.05, 0.4), (2, 3)),
    LightKind("amber_lamp", (2360, 2600), (0.1, 0.35), (0.02, 0.1), (1, 2)),
)


def draw_light(rng: np.random.Generator, settings: TraySettings) -> LightRig:
    """Draw a rig as the settings want it; a white sheet on the floor comes out at luminance about 1."""
    kind = _draw_kind(rng, settings)
    kelvin = float(rng.uniform(*kind.kelvin))
    if settings.kelvin is not None:
        kelvin = settings.kelvin
    share = float(rng.uniform(*kind.ambient_share))
    number = int(rng.integers(kind.lamps[0], kind.lamps[1] + 1))
    weights = np.sort(rng.dirichlet(np.full(number, 2.0)))[::-1] * (1 - share)
    lamps: list[Lamp] = []
    for weight in weights:
        elevation = np.radians(rng.uniform(28, 85))
        azimuth = rng.uniform(0, 2 * np.pi)
        direction = np.array(
            [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)]
        )
        mixed = settings.kelvin is None and kind.name == "window_and_lamp" and lamps
        own = float(rng.uniform(2800, 7500)) if mixed else kelvin
        colour = kelvin_bgr(own * rng.uniform(0.95, 1.05)) * weight / max(direction[2], 0.4)
        lamps.append(Lamp(direction, colour, float(rng.uniform(*kind.lamp_radius_rad))))
    ambient = kelvin_bgr(float(np.clip(kelvin * rng.uniform(0.85, 1.25), 2600, 9000))) * share
    edge = None
    if rng.random() < 0.2:
        angle = rng.uniform(0, 2 * np.pi)
        softness = float(rng.uniform(2, 60))
        edge = (
            np.cos(angle),
            np.sin(angle),
            float(rng.uniform(20, 200)),
            softness,
            float(rng.uniform(0.3, 0.85)),
        )
    return LightRig(kind.name, kelvin, ambient, tuple(lamps), edge)


def _draw_kind(rng: np.random.Generator, settings: TraySettings) -> LightKind:
    if settings.light is None and settings.lights is not None:
        chances = [chance for _, chance in settings.lights]
        return settings.lights[rng.choice(len(chances), p=chances)][0]
    name = settings.light or str(rng.choice(LIGHTS))
    return next(kind for kind in _NAMED if kind.name == name)


def edge_light(rig: LightRig, x_mm: Floats, y_mm: Floats) -> Floats | float:
    """Share of the lamps' light that passes the person standing by, at points of the floor."""
    if rig.edge is None:
        return 1.0
    a, b, c, softness, strength = rig.edge
    beyond = 1 / (1 + np.exp(np.clip(-(a * x_mm + b * y_mm - c) / softness * 4, -30, 30)))
    return np.asarray(1 - strength * beyond, np.float32)


def spread(rng: np.random.Generator, lamp: Lamp, number: int) -> Floats:
    """Directions (number, 3) all over the face of a lamp, for soft shadows."""
    sideways = np.cross(lamp.direction, [0.3, 0.5, 0.1])
    sideways /= np.linalg.norm(sideways)
    other = np.cross(lamp.direction, sideways)
    radius = lamp.size * np.sqrt((np.arange(number) + 0.5) / number)
    turn = np.arange(number) * 2.399963 + rng.uniform(0, 2 * np.pi)
    rays = lamp.direction + radius[:, None] * (np.cos(turn)[:, None] * sideways + np.sin(turn)[:, None] * other)
    rays[:, 2] = np.maximum(rays[:, 2], 0.3)
    return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True), float)


def _dome() -> Floats:
    height = np.sqrt((np.arange(_AMBIENT_DIRECTIONS) + 0.5) / _AMBIENT_DIRECTIONS)
    height = np.maximum(height, 0.25)
    turn = np.arange(_AMBIENT_DIRECTIONS) * 2.399963
    flat = np.sqrt(1 - height**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)


def _floor_shadow(fruit: list[LaidFruit], directions: Floats, camera: Camera, shape: tuple[int, int]) -> Floats:
    """Share (h, w) of the given directions that fruit hide from the floor, at quarter resolution."""
    total = np.zeros(shape, np.float32)
    for direction in directions:
        mask = np.zeros(shape, np.uint8)
        for each in fruit:
            points = each.hull_mm
            ground = points[:, :2] - points[:, 2:] * (direction[:2] / direction[2])
            seen = camera.project(np.column_stack([ground, np.zeros(len(ground))]))
            quarter = ((seen + 0.5) / SHADE_STEP - 0.5) * 16
            hull = cv2.convexHull(np.clip(quarter, -60000, 60000).astype(np.int32))
            cv2.fillConvexPoly(mask, hull, 255, lineType=cv2.LINE_AA, shift=4)
        total += mask
    return total / np.float32(255 * len(directions))


def light_on_floor(
    rng: np.random.Generator,
    rig: LightRig,
    fruit: list[LaidFruit],
    camera: Camera,
    width_px: int,
    height_px: int,
) -> Floats:
    """Light (h, w, 3) that reaches the floor, at quarter resolution, shadows of the fruit included."""
    shape = (-(-height_px // SHADE_STEP), -(-width_px // SHADE_STEP))
    grid = np.stack(np.meshgrid(np.arange(shape[1]), np.arange(shape[0])), axis=-1) * SHADE_STEP + 1.5
    ground = camera.on_plane(grid.reshape(-1, 2).astype(float)).reshape(*shape, 2).astype(np.float32)
    hidden = cv2.GaussianBlur(_floor_shadow(fruit, _dome(), camera, shape), (0, 0), 2.0)
    light = (1 - 0.95 * hidden)[..., None] * rig.ambient.astype(np.float32)
    passed = edge_light(rig, ground[..., 0], ground[..., 1])
    for lamp in rig.lamps:
        number = 16 if lamp.size > 0.08 else 5
        shade = cv2.GaussianBlur(_floor_shadow(fruit, spread(rng, lamp, number), camera, shape), (0, 0), 0.8)
        strength = ((1 - shade) * passed * lamp.direction[2])[..., None]
        light = light + strength * lamp.colour.astype(np.float32)
    return np.asarray(light, np.float32)


@dataclass(frozen=True)
class FruitLight:
    """Light on one crop.

    Attributes
    ----------
    sky : (h, w) float32, share of the light from all around that arrives.
    bounce : (h, w) float32, share of the view that the lit floor fills.
    passed : per lamp (h, w) float32, share of the lamp that is not hidden by neighbours.
    """

    sky: Floats
    bounce: Floats
    passed: tuple[Floats, ...]


def light_on_fruit(rig: LightRig, number: int, fruit: list[LaidFruit], crop: SurfaceCrop) -> FruitLight:
    """Work out, on a coarse grid, how neighbours and floor take light from fruit ``number`` (from 0)."""
    own = fruit[number]
    height, width = crop.cover.shape
    coarse = (max(2, width // SHADE_STEP), max(2, height // SHADE_STEP))

    def shrink(layers: Floats) -> Floats:
        return np.stack([cv2.resize(layer, coarse, interpolation=cv2.INTER_LINEAR) for layer in layers], axis=-1)

    point = own.to_world(shrink(crop.point).reshape(-1, 3).astype(float))
    normal = shrink(crop.normal).reshape(-1, 3).astype(float) @ own.rotation.T
    hidden = np.zeros(len(point))
    passed = [np.ones(len(point)) * edge_light(rig, point[:, 0], point[:, 1]) for _ in rig.lamps]
    for index, other in enumerate(fruit):
        gap = other.position_mm - own.position_mm
        if index == number or np.linalg.norm(gap[:2]) > 330:
            continue
        axes = np.array([other.shape.a, other.shape.b, other.shape.c])
        towards = other.position_mm - point
        distance = np.linalg.norm(towards, axis=1)
        radius = float(np.cbrt(axes.prod()))
        facing = np.clip(np.sum(normal * towards, axis=1) / distance, 0, 1)
        hidden += facing * np.minimum((radius / distance) ** 2, 1.0) * 0.75
        start = other.to_fruit(point) / axes
        for k, lamp in enumerate(rig.lamps):
            pace = (lamp.direction @ other.rotation) / axes
            t = np.maximum(-(start @ pace) / (pace @ pace), 0.0)
            closest = np.linalg.norm(start + t[:, None] * pace, axis=1)
            reach = np.maximum(0.02, lamp.size * t / radius)
            passed[k] *= np.clip((closest - 1) / reach * 0.5 + 0.5, 0, 1)
    up = normal[:, 2]
    near_floor = np.clip(point[:, 2] / (0.55 * own.hull_mm[:, 2].max()), 0, 1)
    sky = (0.5 + 0.5 * up) * (1 - np.minimum(hidden, 0.9)) * (0.55 + 0.45 * near_floor)
    bounce = (0.5 - 0.5 * up) * near_floor * (1 - np.minimum(hidden, 0.8))

    def enlarge(values: Floats) -> Floats:
        grid = values.reshape(coarse[1], coarse[0]).astype(np.float32)
        return np.asarray(cv2.resize(grid, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)

    return FruitLight(enlarge(sky), enlarge(bounce), tuple(enlarge(each) for each in passed))
