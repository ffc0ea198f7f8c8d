"""What lies under the fruit: bench, tray walls, floor liner with its dirt, card and tag."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.simulate.light import SHADE_STEP, LightRig
from scorer.simulate.noise import flat_noise
from scorer.simulate.prints import CARD_PX_PER_MM, TAG_PX_PER_MM, card_picture, tag_picture
from scorer.simulate.scene import FlatThing, Scene, floor_to_px
from scorer.simulate.settings import ColourPair
from scorer.simulate.skin import draw_tone, linear_bgr

Floats = NDArray[np.floating[Any]]

UInt8 = NDArray[np.uint8]

_FLOOR_PX_PER_MM = 2.0
_TONES = {  # two sRGB colours between which each floor is drawn
    "white": ((214, 214, 210), (246, 246, 244)),
    "pale_blue": ((150, 178, 206), (196, 214, 230)),
    "dark_grey": ((52, 54, 56), (92, 94, 96)),
    "black": ((18, 18, 20), (42, 42, 44)),
    "green_liner": ((30, 110, 84), (120, 160, 60)),
    "cardboard": ((150, 112, 74), (196, 160, 116)),
    "wood": ((138, 100, 62), (206, 172, 124)),
    "steel": ((140, 142, 146), (186, 188, 190)),
    "grey": ((116, 118, 120), (176, 176, 174)),
    "cream": ((214, 200, 170), (238, 230, 208)),
    "blue": ((30, 62, 130), (70, 120, 190)),
    "lilac": ((150, 130, 184), (190, 172, 214)),
    "pink": ((214, 120, 140), (236, 170, 184)),
}


def _decoded(picture: UInt8) -> Floats:
    table = ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
    return np.where(np.arange(256) < 11, np.arange(256) / 255 / 12.92, table).astype(np.float32)[picture]


@dataclass(frozen=True)
class Floor:
    """A floor: the name says its texture and, where no ``tone`` of two sRGB colours stands in, its colours."""

    name: str
    tone: ColourPair | None = None

    @property
    def colours(self) -> ColourPair:
        """The two sRGB colours between which it is drawn."""
        return self.tone or _TONES[self.name]


def floor_picture(rng: np.random.Generator, kind: Floor, width_px: int, height_px: int) -> Floats:
    """Albedo (h, w, 3) of a floor seen from straight above, `_FLOOR_PX_PER_MM` pixels per millimetre."""
    tone, floor = draw_tone(rng, *kind.colours), kind.name
    shape = (height_px, width_px)
    lightness = np.ones(shape, np.float32)
    lightness += rng.uniform(0.005, 0.04) * flat_noise(rng, shape, 260)
    lightness += rng.uniform(0.0, 0.03) * flat_noise(rng, shape, 3)
    if floor == "wood":
        lightness += rng.uniform(0.06, 0.2) * flat_noise(rng, shape, 7, 40) + 0.05 * flat_noise(rng, shape, 2.5, 25)
        plank = int(rng.uniform(60, 150) * _FLOOR_PX_PER_MM)
        lightness[np.arange(height_px) % plank < 3] *= 0.4
    elif floor == "steel":
        lightness += rng.uniform(0.02, 0.1) * flat_noise(rng, shape, 2, 60)
    elif floor == "cardboard":
        rows = np.sin(np.arange(height_px) * (2 * np.pi / (rng.uniform(5, 8) * _FLOOR_PX_PER_MM)))
        lightness += (rng.uniform(0, 0.05) * rows[:, None]).astype(np.float32) + 0.05 * flat_noise(rng, shape, 3, 2)
    elif floor in ("green_liner", "blue", "grey", "black", "dark_grey") and rng.random() < 0.7:
        lightness *= _embossed(rng, shape)
    albedo = tone * np.clip(lightness, 0.05, 1.6)[..., None]
    return _dirtied(rng, albedo.astype(np.float32))


def _embossed(rng: np.random.Generator, shape: tuple[int, int]) -> Floats:
    """Ribs, a weave or holes of a moulded liner."""
    y, x = np.arange(shape[0], dtype=np.float32)[:, None], np.arange(shape[1], dtype=np.float32)[None, :]
    pitch = rng.uniform(4, 24) * _FLOOR_PX_PER_MM
    waves = np.cos(x * (2 * np.pi / pitch)), np.cos(y * (2 * np.pi / pitch))
    form = rng.integers(4)
    strength = rng.uniform(0.05, 0.3)
    if form == 0:
        pattern = np.broadcast_to(waves[0], shape)
    elif form == 1:
        pattern = waves[0] * waves[1]
    elif form == 2:
        pattern = -2.5 * ((waves[0] + waves[1]) > rng.uniform(0.9, 1.6)).astype(np.float32)
    else:
        pattern = -2.0 * ((waves[0] > 0.9) | (waves[1] > 0.9)).astype(np.float32)
    return np.asarray(np.clip(1 + strength * pattern, 0.2, 1.4), np.float32)


def _dirtied(rng: np.random.Generator, albedo: Floats) -> Floats:
    shape = albedo.shape[:2]
    if rng.random() < 0.6:
        share = np.clip(flat_noise(rng, shape, 60) - rng.uniform(0.3, 1.8), 0, 1) * rng.uniform(0.03, 0.25)
        share = share[..., None].astype(np.float32)
        albedo = albedo + share * (draw_tone(rng, [80, 62, 40], [150, 126, 96]) - albedo)
    for _ in range(rng.poisson(rng.choice([0.5, 6, 25]))):
        mask = np.zeros(shape, np.uint8)
        at = rng.uniform(0, 1, 2) * shape[::-1]
        _debris(rng, mask, at)
        dry = rng.random() < 0.6
        tone = draw_tone(rng, *(([20, 16, 10], [120, 96, 60]) if dry else ([40, 70, 24], [140, 160, 80])))
        x, y, w, h = cv2.boundingRect(mask)
        patch = (mask[y : y + h, x : x + w].astype(np.float32) / 255 * rng.uniform(0.5, 1))[..., None]
        albedo[y : y + h, x : x + w] += patch * (tone - albedo[y : y + h, x : x + w])
    return np.asarray(albedo, np.float32)


def _debris(rng: np.random.Generator, mask: UInt8, at: Floats) -> None:
    """Draw a leaf bit, a stalk or a drop."""
    form = rng.integers(3)
    scale = _FLOOR_PX_PER_MM
    if form == 0:
        angles = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(4, 9)))
        radius = rng.uniform(1.5, 11) * scale * rng.uniform(0.4, 1, len(angles))
        corners = np.stack([np.cos(angles) * radius, np.sin(angles) * radius * rng.uniform(0.3, 1)], axis=1) + at
        cv2.fillPoly(mask, [np.round(corners * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    elif form == 1:
        turn, length = rng.uniform(0, 6.28), rng.uniform(4, 25) * scale
        end = at + length * np.array([np.cos(turn), np.sin(turn)])
        points = [(int(p[0]), int(p[1])) for p in (at, end)]
        cv2.line(mask, points[0], points[1], 255, int(rng.integers(1, 6)), cv2.LINE_AA)
    else:
        cv2.circle(
            mask,
            (int(at[0] * 16), int(at[1] * 16)),
            int(rng.uniform(0.5, 4) * scale * 16),
            255,
            -1,
            cv2.LINE_AA,
            4,
        )


def _warp(picture: Floats, to_px: Floats, size: tuple[int, int]) -> Floats:
    return np.asarray(
        cv2.warpPerspective(picture, to_px, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101),
        np.float32,
    )


def _plane(rng: np.random.Generator, floor: Floor, scene: Scene, height_mm: float) -> Floats:
    """Albedo (H, W, 3) of an endless floor at a height, as the camera sees it."""
    width, height = scene.size_px
    edges = np.array([[-0.5, -0.5], [width, -0.5], [width, height], [-0.5, height]])
    ground = scene.camera.on_plane(edges, height_mm)
    low, high = ground.min(axis=0) - 3, ground.max(axis=0) + 3
    sides = np.ceil((high - low) * _FLOOR_PX_PER_MM).astype(int)
    picture = floor_picture(rng, floor, int(sides[0]), int(sides[1]))
    step = 1 / _FLOOR_PX_PER_MM
    texture_to_mm = np.array([[step, 0, low[0] + step / 2], [0, step, low[1] + step / 2], [0, 0, 1]])
    return _warp(picture, floor_to_px(scene.camera, height_mm) @ texture_to_mm, scene.size_px)


def _polygon(scene: Scene, corners: Floats) -> Floats:
    """Smooth cover (H, W) of world corners (N, 3)."""
    mask = np.zeros((scene.size_px[1], scene.size_px[0]), np.uint8)
    seen = np.clip(scene.camera.project(corners.astype(float)) * 16, -(2**20), 2**20)
    cv2.fillPoly(mask, [np.round(seen).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255


def _rectangle(half_x: float, half_y: float, z: float) -> Floats:
    return np.array([[-half_x, -half_y, z], [half_x, -half_y, z], [half_x, half_y, z], [-half_x, half_y, z]])


def draw_ground(
    rng: np.random.Generator,
    scene: Scene,
    rig: LightRig,
    floor: Floor,
    bench: Floor,
    light: Floats,
    tag_text: str,
) -> Floats:
    """Light (H, W, 3) from the ground to the camera; ``light`` is the quarter-size light on the floor."""
    width, height = scene.size_px
    radiance = _plane(rng, floor, scene, 0.0)
    box = scene.box
    for thing, picture, scale in (
        (scene.card, card_picture(), CARD_PX_PER_MM),
        (scene.tag, tag_picture(tag_text) if scene.tag else None, TAG_PX_PER_MM),
    ):
        if thing is not None and picture is not None:
            _lay_print(radiance, scene, thing, picture, scale, rng.uniform(0.8, 0.95))
    shade = light
    if box.wall_mm > 0:
        shade = light * _wall_shade(scene, light.shape[:2])[..., None]
    big = cv2.resize(shade, (light.shape[1] * SHADE_STEP, light.shape[0] * SHADE_STEP), interpolation=cv2.INTER_LINEAR)
    radiance *= big[:height, :width]
    if box.wall_mm > 0:
        radiance = _walls(rng, scene, rig, radiance, floor, bench)
    return radiance


def _lay_print(radiance: Floats, scene: Scene, thing: FlatThing, picture: UInt8, scale: int, paper: float) -> None:
    """Lay a printed picture on the floor, smoothly, by drawing it at twice the photo's resolution."""
    to_px = floor_to_px(scene.camera) @ thing.to_floor()
    corners = cv2.perspectiveTransform((np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * thing.size_mm)[None], to_px)[0]
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 3, scene.size_px)
    width, height = (int(side) for side in high - low)
    factor = 3
    albedo = _decoded(picture)
    middle = corners.mean(axis=0)
    wanted = factor / scene.camera.mm_per_px(middle.astype(float))
    shrink = max(1, round(scale / wanted))
    if shrink > 1:
        size = (albedo.shape[1] // shrink, albedo.shape[0] // shrink)
        albedo = np.asarray(cv2.resize(albedo, size, interpolation=cv2.INTER_AREA), np.float32)
    texture_to_mm = np.diag([thing.size_mm[0] / albedo.shape[1], thing.size_mm[1] / albedo.shape[0], 1.0])
    texture_to_mm = texture_to_mm @ np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    enlarge = np.array([[factor, 0, factor / 2 - 0.5], [0, factor, factor / 2 - 0.5], [0, 0, 1]])
    move = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    warp = enlarge @ move @ to_px @ texture_to_mm
    size = (width * factor, height * factor)
    layer = np.dstack([albedo * np.float32(paper), np.ones(albedo.shape[:2], np.float32)])
    drawn = cv2.warpPerspective(layer, warp, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    drawn = cv2.resize(drawn, (width, height), interpolation=cv2.INTER_AREA)
    target = radiance[low[1] : low[1] + height, low[0] : low[0] + width]
    target += drawn[..., :3] - drawn[..., 3:] * target


def _wall_shade(scene: Scene, shape: tuple[int, int]) -> Floats:
    """Darkening (h, w) of the floor near the walls, at quarter resolution."""
    grid = np.stack(np.meshgrid(np.arange(shape[1]), np.arange(shape[0])), axis=-1) * SHADE_STEP + 1.5
    ground = np.abs(scene.camera.on_plane(grid.reshape(-1, 2).astype(float)).reshape(*shape, 2))
    inset = np.minimum(scene.box.length_mm / 2 - ground[..., 0], scene.box.width_mm / 2 - ground[..., 1])
    return np.asarray(1 - 0.45 * np.exp(-np.clip(inset, 0, None) / (0.5 * scene.box.wall_mm)), np.float32)


def _walls(
    rng: np.random.Generator, scene: Scene, rig: LightRig, radiance: Floats, floor: Floor, bench: Floor
) -> Floats:
    """Paint the bench, the rim and the inner walls around the floor."""
    box, white = scene.box, rig.white.astype(np.float32)
    half_x, half_y, top = box.length_mm / 2, box.width_mm / 2, box.wall_mm
    own = floor if rng.random() < 0.5 else Floor(str(rng.choice(list(_TONES))))
    low, high = (np.array(tone, float) for tone in own.colours)
    tone = linear_bgr(*(low + rng.random() * (high - low)))
    picture = _plane(rng, bench, scene, -2.0) * white * np.float32(rng.uniform(0.5, 1.0))
    rim = _polygon(scene, _rectangle(half_x + box.rim_mm, half_y + box.rim_mm, top))[..., None]
    picture += rim * (tone * white * np.float32(1.05) - picture)
    corners = np.array([[-half_x, -half_y], [half_x, -half_y], [half_x, half_y], [-half_x, half_y]])
    inward = np.array([[0, 1], [-1, 0], [0, -1], [1, 0]])
    for side in range(4):
        ends = corners[[side, (side + 1) % 4]]
        quad = np.array([[*ends[0], 0], [*ends[1], 0], [*ends[1], top], [*ends[0], top]])
        lit = rig.ambient * 0.6
        for lamp in rig.lamps:
            lit = lit + lamp.colour * max(float(lamp.direction[:2] @ inward[side]), 0.05)
        cover = _polygon(scene, quad)[..., None]
        picture += cover * (tone * lit.astype(np.float32) - picture)
    inside = _polygon(scene, _rectangle(half_x, half_y, 0.0)) * _polygon(scene, _rectangle(half_x, half_y, top))
    picture += inside[..., None] * (radiance - picture)
    return picture
