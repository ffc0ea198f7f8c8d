"""Where everything stands: camera, tray, card, tag and fruit, before anything is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.camera import Camera, focal_px_of
from scorer.simulate.settings import TraySettings
from scorer.simulate.solids import FruitShape, LaidFruit, penetrates, rest_on_floor

Floats = NDArray[np.floating[Any]]


CARD_MM = (148.0, 105.0)
TAG_MM = (55.0, 38.0)


@dataclass(frozen=True)
class FlatThing:
    """A rectangle flat on the floor: middle (2,) in mm, turn of its x side in the world, sides in mm."""

    centre_mm: Floats
    angle_deg: float
    size_mm: tuple[float, float]

    def to_floor(self) -> Floats:
        """(3, 3) homography from the rectangle's mm (top-left origin, y down) to floor mm."""
        angle = np.radians(self.angle_deg)
        right = np.array([np.cos(angle), np.sin(angle)])
        down = np.array([right[1], -right[0]])
        corner = self.centre_mm - right * self.size_mm[0] / 2 - down * self.size_mm[1] / 2
        return np.array([[right[0], down[0], corner[0]], [right[1], down[1], corner[1]], [0, 0, 1.0]])

    def corners_mm(self, margin_mm: float = 0.0) -> Floats:
        """Corners (4, 2) on the floor, moved outward by the margin."""
        w, h, m = *self.size_mm, margin_mm
        flat = np.array([[-m, -m, 1], [w + m, -m, 1], [w + m, h + m, 1], [-m, h + m, 1.0]])
        return np.asarray((flat @ self.to_floor().T)[:, :2], float)


@dataclass(frozen=True)
class TrayBox:
    """The tray: inner floor size in mm, height of its walls (0: none are seen), width of their rim."""

    length_mm: float
    width_mm: float
    wall_mm: float
    rim_mm: float


@dataclass(frozen=True)
class Scene:
    """One tray before drawing: camera, picture size, tray, card, tag and fruit."""

    camera: Camera
    size_px: tuple[int, int]
    focal_35mm: float
    box: TrayBox
    card: FlatThing | None
    tag: FlatThing | None
    fruit: tuple[LaidFruit, ...]


def floor_to_px(camera: Camera, height_mm: float = 0.0) -> Floats:
    """(3, 3) homography from floor mm, or from a level plane above it, to pixels."""
    projection = camera.projection
    return np.column_stack([projection[:, 0], projection[:, 1], projection[:, 3] + projection[:, 2] * height_mm])


def draw_camera(
    rng: np.random.Generator, settings: TraySettings, size: tuple[int, int], box: TrayBox, f35: float
) -> Camera:
    """Hold a phone over the tray, so far off that the tray roughly fills the picture."""
    focal = focal_px_of(f35, *size)
    portrait = size[1] > size[0]
    across = box.width_mm if portrait else box.length_mm
    upright = box.length_mm if portrait else box.width_mm
    height = focal * max(across / size[0], upright / size[1]) / rng.uniform(0.68, 1.06)
    height = settings.camera_height_mm or float(np.clip(height, 420, 720))
    tilt = rng.uniform(0, 20) if rng.random() < 0.35 else min(abs(rng.normal(0, 6)), 20)
    tilt = np.radians(tilt if settings.tilt_deg is None else settings.tilt_deg)
    azimuth = rng.uniform(0, 2 * np.pi)
    forward = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), -np.cos(tilt)])
    heading = np.radians(rng.normal(0, 5)) + (np.pi / 2 if portrait else 0) + np.pi * (rng.random() < 0.3)
    level = np.array([np.cos(heading), np.sin(heading), 0])
    right = level - forward * (level @ forward)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    target = np.array([*rng.normal(0, 9, 2), 0.0])
    origin = target - forward * height / np.cos(tilt)
    centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    return Camera(focal, centre, rotation, -rotation @ origin)


def _draw_flat(
    rng: np.random.Generator, camera: Camera, size: tuple[int, int], box: TrayBox,
    size_mm: tuple[float, float], taken: list[FlatThing],
) -> FlatThing | None:  # fmt: skip
    """Lay a card or tag at a free place of the floor that the camera sees whole."""
    for _ in range(300):
        turn = rng.choice([0, 90, 180, 270], p=[0.5, 0.15, 0.2, 0.15]) + rng.normal(0, 7)
        if rng.random() < 0.2:
            turn = rng.uniform(0, 360)
        heading = np.degrees(np.arctan2(camera.rotation[0, 1], camera.rotation[0, 0]))
        corner = rng.choice([-1, 1], 2) * rng.uniform(0.1, 1.0, 2)
        reach = np.array([box.length_mm, box.width_mm]) / 2 - 2
        thing = FlatThing(corner * np.maximum(reach - min(size_mm) * 0.5, 5), float(turn + heading), size_mm)
        corners = thing.corners_mm(3.0)
        if (np.abs(corners) > reach).any():
            continue
        seen = camera.project(np.column_stack([corners, np.zeros(4)]))
        if (seen < 6).any() or (seen > np.array(size) - 7).any():
            continue
        if any(_overlap(corners, other.corners_mm(3.0)) for other in taken):
            continue
        return thing
    return None


def _overlap(one: Floats, other: Floats) -> bool:
    hulls = [cv2.convexHull(np.asarray(each, np.float32)) for each in (one, other)]
    return bool(cv2.intersectConvexConvex(hulls[0], hulls[1])[0] > 1.0)


def draw_shape(rng: np.random.Generator, length_mm: float, slim: float, flat: float) -> FruitShape:
    """Draw a mango near the tray's usual length and ratios (the bounds are from memory)."""
    length = float(np.clip(length_mm * rng.normal(1, 0.07), 78, 145))
    width = length * float(np.clip(rng.normal(slim, 0.035), 0.55, 0.86))
    thick = width * float(np.clip(rng.normal(flat, 0.035), 0.78, 1.0))
    taper, waist = float(rng.uniform(0.0, 0.22)), float(rng.uniform(-0.08, 0.04))
    bend, beak = rng.choice([-1, 1]) * np.abs(rng.normal([0.05, 0.03], [0.06, 0.06]))
    power = float(rng.uniform(2.0, 2.45))
    return FruitShape(length / 2, width / 2, thick / 2, taper, waist, float(bend), float(beak), power)


def _turn(yaw: float, tilt: float, roll: float) -> Floats:
    cy, sy, ct, st, cr, sr = np.cos(yaw), np.sin(yaw), np.cos(tilt), np.sin(tilt), np.cos(roll), np.sin(roll)
    about_z = np.array([[cy, -sy, 0], [sy, cy, 0], [0, 0, 1]])
    about_y = np.array([[ct, 0, -st], [0, 1, 0], [st, 0, ct]])
    about_x = np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])
    return np.asarray(about_z @ about_y @ about_x, float)


@dataclass(frozen=True)
class _Room:
    """What a new fruit must keep clear of."""

    camera: Camera
    size: tuple[int, int]
    box: TrayBox
    flat: list[FlatThing]
    margin_px: float

    def allows(self, fruit: LaidFruit, others: list[LaidFruit], gap_mm: float) -> bool:
        points = fruit.hull_mm
        if (np.abs(points[:, :2]) > np.array([self.box.length_mm, self.box.width_mm]) / 2 - 2).any():
            return False
        seen = self.camera.project(points)
        if (seen < self.margin_px).any() or (seen > np.array(self.size) - 1 - self.margin_px).any():
            return False
        eye = self.camera.origin_mm
        share = points[:, 2:] / (eye[2] - points[:, 2:])
        hidden = points[:, :2] + share * (points[:, :2] - eye[:2])
        if any(_overlap(hidden, thing.corners_mm(1.5)) for thing in self.flat):
            return False
        return not any(penetrates(fruit, other, gap_mm) for other in others)


def _place_touching(
    rng: np.random.Generator, room: _Room, fruit: LaidFruit, others: list[LaidFruit]
) -> LaidFruit | None:
    """Move a fruit towards a laid one until the two solids just touch."""
    anchor = others[int(rng.integers(len(others)))]
    angle = rng.uniform(0, 2 * np.pi)
    away = np.array([np.cos(angle), np.sin(angle)])
    near, far = 0.0, anchor.shape.a + fruit.shape.a + 30
    for _ in range(10):
        middle = (near + far) / 2
        moved = fruit.moved_to(*(anchor.position_mm[:2] + away * middle))
        if penetrates(moved, anchor):
            near = middle
        else:
            far = middle
    moved = fruit.moved_to(*(anchor.position_mm[:2] + away * far))
    return moved if room.allows(moved, others, 0.0) else None


def lay_fruit(
    rng: np.random.Generator, settings: TraySettings, camera: Camera, size: tuple[int, int], box: TrayBox,
    flat: list[FlatThing],
) -> tuple[LaidFruit, ...]:  # fmt: skip
    """Lay fruit one by one, loose or touching, clear of walls, card and tag."""
    wished = settings.fruit if settings.fruit is not None else int(rng.integers(5, 14))
    usual = float(rng.uniform(82, 132) if wished < 9 else rng.uniform(80, 112))
    slim, flatness = float(np.clip(rng.normal(0.70, 0.06), 0.58, 0.83)), float(rng.normal(0.88, 0.04))
    roll_free = rng.random() < 0.5
    clustering = rng.choice([0.0, 0.5, 0.95])
    common_yaw, yaw_spread = rng.uniform(0, 2 * np.pi), rng.choice([0.25, 9.0])
    laid: list[LaidFruit] = []
    for _ in range(wished):
        shape = draw_shape(rng, usual, slim, flatness)
        margin = -60.0 if rng.random() < 0.03 else 4.0
        room = _Room(camera, size, box, flat, margin)
        for attempt in range(60):
            roll = rng.uniform(0, 2 * np.pi) if roll_free else rng.normal(0, np.radians(25)) + np.pi * rng.integers(2)
            tilt = float(np.clip(rng.normal(0, 6), -15, 15))
            turn = _turn(rng.normal(common_yaw, yaw_spread), np.radians(tilt), roll)
            fruit = rest_on_floor(shape, turn)
            if laid and rng.random() < clustering and attempt < 40:
                placed = _place_touching(rng, room, fruit, laid)
            else:
                reach = np.array([box.length_mm, box.width_mm]) / 2 - shape.b
                moved = fruit.moved_to(*(rng.uniform(-1, 1, 2) * reach))
                gap = float(rng.uniform(1, 12)) if attempt < 30 else 0.5
                placed = moved if room.allows(moved, laid, gap) else None
            if placed is not None:
                laid.append(placed)
                break
    return tuple(laid)


def draw_scene(rng: np.random.Generator, settings: TraySettings) -> Scene:
    """Draw where everything stands."""
    size = settings.image_size or _draw_size(rng)
    f35 = settings.focal_35mm or float(rng.integers(23, 30))
    walls = settings.walls if settings.walls is not None else rng.random() < 0.7
    box = TrayBox(
        float(rng.uniform(480, 620)), float(rng.uniform(350, 450)),
        float(rng.uniform(20, 45)) if walls else 0.0, float(rng.uniform(2, 14)),
    )  # fmt: skip
    camera = draw_camera(rng, settings, size, box, f35)
    if (np.abs(camera.origin_mm[:2]) > np.array([box.length_mm, box.width_mm]) / 2 - 5).any():
        box = TrayBox(box.length_mm, box.width_mm, 0.0, box.rim_mm)
    flat: list[FlatThing] = []
    card = tag = None
    if settings.card is not False and (settings.card or rng.random() < 0.95):
        card = _draw_flat(rng, camera, size, box, CARD_MM, flat)
        flat += [card] if card else []
    if settings.tag != "":
        tag = _draw_flat(rng, camera, size, box, TAG_MM, flat)
        flat += [tag] if tag else []
    kept_clear = [tag] if tag and rng.random() < 0.05 else flat
    fruit = lay_fruit(rng, settings, camera, size, box, kept_clear)
    return Scene(camera, size, f35, box, card, tag, fruit)


def _draw_size(rng: np.random.Generator) -> tuple[int, int]:
    width = 2016 if rng.random() < 0.4 else int(rng.integers(900, 1301)) * 2
    height = round(width * 3 / 8) * 2
    return (height, width) if rng.random() < 0.2 else (width, height)
