"""Draw one tray from its seed: scene, light, ground, fruit one by one, then the phone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.simulate.camera_effects import PhoneLook, blur_light, corner_loss, develop, draw_phone, finish
from scorer.simulate.dressing import Dress, FruitView, draw_habits, dress_fruit, view_of
from scorer.simulate.ground import Floor, draw_ground
from scorer.simulate.light import LightRig, draw_light, light_on_floor, light_on_fruit
from scorer.simulate.noise import NoiseTiles, draw_noise_tiles
from scorer.simulate.prints import draw_tag_text
from scorer.simulate.scene import Scene, draw_scene
from scorer.simulate.settings import FLOORS, LOOKS, TraySettings
from scorer.simulate.shade import shade_skin, view_directions
from scorer.simulate.skin import SkinLook, draw_look, draw_tone, paint_skin
from scorer.simulate.solids import LaidFruit, SurfaceCrop, cast_rays
from scorer.simulate.truth import SimulatedTray, draw_photo_file, scene_truth, seen_area_mm2

Floats = NDArray[np.floating[Any]]


_LEAST_MARK_PX = 6  # smaller remains of a mark are not told as marks
_FLOOR_CHANCES = (0.2, 0.12, 0.08, 0.08, 0.16, 0.07, 0.07, 0.07, 0.06, 0.04, 0.05)


@dataclass
class _Canvas:
    """The picture while fruit are drawn on it, farthest first."""

    light: Floats
    depth_mm: Floats
    area_mm2: Floats
    fruit: NDArray[np.uint16]
    marks: NDArray[np.uint16]
    kinds: dict[int, tuple[int, str, float]] = field(default_factory=dict)
    lookalikes: list[dict[str, Any]] = field(default_factory=list)

    def add(self, crop: SurfaceCrop, number: int, shaded: Floats, labels: NDArray[np.uint16]) -> NDArray[np.bool_]:
        """Draw a fruit where it is nearer than what is there; return where its skin is now seen (h, w)."""
        window = crop.window
        nearer = crop.depth_mm < self.depth_mm[window]
        cover = np.where(nearer, crop.cover, 0)[..., None]
        self.light[window] += cover * (shaded - self.light[window])
        skin = (cover[..., 0] >= 0.5) & nearer
        self.depth_mm[window][skin] = crop.depth_mm[skin]
        self.area_mm2[window][skin] = crop.area_mm2[skin]
        self.fruit[window][skin] = number
        self.marks[window][skin] = labels[skin]
        return np.asarray(skin)


@dataclass(frozen=True)
class _Studio:
    """What all fruit of a tray share while they are drawn."""

    scene: Scene
    rig: LightRig
    look: SkinLook
    phone: PhoneLook
    habits: dict[str, float]
    tiles: NoiseTiles
    busy: float


def _contrasts(studio: _Studio, crop: SurfaceCrop, dress: Dress, with_marks: Floats, without: Floats) -> list[float]:
    """Mean CIE76 difference that each mark makes in the developed, noise-free photo."""
    loss = corner_loss(studio.phone, *crop.window, studio.scene.size_px)
    labs = [
        cv2.cvtColor(develop(studio.phone, light, loss), cv2.COLOR_BGR2LAB).astype(float)
        for light in (with_marks, without)
    ]
    difference = np.linalg.norm(labs[0] - labs[1], axis=2)
    masks = [dress.labels == index + 1 for index in range(len(dress.marks))]
    return [float(difference[mask].mean()) if mask.any() else 0.0 for mask in masks]


def _draw_fruit(rng: np.random.Generator, studio: _Studio, canvas: _Canvas, ground: Floats, number: int) -> Floats:
    """Draw fruit ``number`` (from 1); return its stem end in the world, and 1 if it faces the camera."""
    scene, fruit = studio.scene, studio.scene.fruit[number - 1]
    crop = cast_rays(fruit, scene.camera, *scene.size_px)
    if crop is None:
        return np.zeros(4)
    eye = fruit.to_fruit(scene.camera.origin_mm[None])[0]
    seen = view_of(rng, fruit, crop)
    half_axes = np.array([fruit.shape.a, fruit.shape.b, fruit.shape.c])
    skin = paint_skin(rng, studio.look, crop, half_axes, eye / np.linalg.norm(eye), studio.tiles)
    dress = dress_fruit(rng, seen, skin, studio.habits, studio.rig, studio.busy)
    around = ground[crop.window].reshape(-1, 3)[::97].mean(axis=0).astype(float)
    light = light_on_fruit(studio.rig, number - 1, list(scene.fruit), crop)
    view = view_directions(crop, eye)

    def shaded(layers: Any) -> Floats:
        return shade_skin(layers, crop, fruit, studio.rig, light, view, around)

    labels = np.zeros(dress.labels.shape, np.uint16)
    if dress.marks:
        contrasts = _contrasts(studio, crop, dress, shaded(dress.marked), shaded(dress.clean))
        for index, (kind, contrast) in enumerate(zip(dress.marks, contrasts, strict=True)):
            identity = len(canvas.kinds) + 1
            canvas.kinds[identity] = (number, kind, contrast)
            labels[dress.labels == index + 1] = identity
    skin_seen = canvas.add(crop, number, shaded(dress.topped), labels)
    _note_lookalikes(canvas, crop, dress, skin_seen, number)
    faces = float(seen.stem_normal @ (eye - seen.stem_mm)) > 0
    if rng.random() < 0.22:
        _draw_stalk(rng, studio, canvas, seen, number, faces)
    return np.append(fruit.to_world(seen.stem_mm[None])[0], float(faces))


def _note_lookalikes(
    canvas: _Canvas, crop: SurfaceCrop, dress: Dress, skin_seen: NDArray[np.bool_], number: int
) -> None:
    for each in dress.lookalikes:
        rows, columns = np.nonzero(each.where & skin_seen)
        if len(rows) < 2:
            continue
        middle = np.array([columns.mean() + crop.x0, rows.mean() + crop.y0])
        radius = max(np.ptp(rows), np.ptp(columns)) / 2 + 0.5
        canvas.lookalikes.append(_lookalike(each.kind, number, middle, float(radius)))


def _lookalike(kind: str, number: int, middle: Floats, radius_px: float) -> dict[str, Any]:
    return {
        "kind": kind,
        "fruit": number,
        "center_px": [round(float(value), 2) for value in middle],
        "radius_px": round(radius_px, 2),
    }


def _draw_stalk(
    rng: np.random.Generator, studio: _Studio, canvas: _Canvas, seen: FruitView, number: int, faces: bool
) -> None:
    """Draw the stub of the stalk as a short rod that leaves the stem end."""
    camera, length, thick = studio.scene.camera, rng.uniform(3, 12), rng.uniform(2.0, 4.5)
    lean = seen.stem_normal + rng.normal(0, 0.2, 3)
    rod = seen.fruit.to_world(np.array([seen.stem_mm, seen.stem_mm + lean / np.linalg.norm(lean) * length]))
    if rod[:, 2].min() < thick / 2:
        return
    foot, tip = camera.project(rod)
    width_px = thick * camera.focal_px / float(camera.rotation[2] @ rod[0] + camera.translation_mm[2])
    low = np.maximum(np.floor(np.minimum(foot, tip) - width_px - 2), 0).astype(int)
    high = np.minimum(np.ceil(np.maximum(foot, tip) + width_px + 3), studio.scene.size_px).astype(int)
    if (high <= low).any():
        return
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    axis = tip - foot
    span = float(np.hypot(*axis)) + 1e-6
    along = np.clip(((x - foot[0]) * axis[0] + (y - foot[1]) * axis[1]) / span**2, 0, 1)
    side = ((x - foot[0]) * -axis[1] + (y - foot[1]) * axis[0]) / span
    gap = np.hypot(x - foot[0] - along * axis[0], y - foot[1] - along * axis[1])
    cover = np.clip(width_px / 2 + 0.5 - gap, 0, 1)
    window = slice(low[1], high[1]), slice(low[0], high[0])
    if not faces:
        cover = cover * (canvas.fruit[window] == 0)
    tone = draw_tone(rng, [62, 50, 30], [142, 122, 76])
    if rng.random() < 0.4:
        tone = draw_tone(rng, [60, 74, 34], [120, 130, 70])
    round_off = 0.45 + 0.55 * np.clip(1 - (2 * side / width_px * rng.choice([-1, 1]) * 0.5 + 0.5) ** 2, 0, 1)
    shaded = tone * (studio.rig.white * 0.7 * (round_off * (0.8 + 0.3 * along))[..., None]).astype(np.float32)
    canvas.light[window] += cover.astype(np.float32)[..., None] * (shaded.astype(np.float32) - canvas.light[window])
    canvas.marks[window][cover > 0.5] = 0
    canvas.lookalikes.append(_lookalike("stalk", number, (foot + tip) / 2, span / 2 + width_px / 2))


def _fruit_truth(
    scene: Scene, canvas: _Canvas, number: int, fruit: LaidFruit, stem: Floats, marks: list[dict[str, Any]]
) -> dict[str, Any]:
    length, width, height = fruit.extents_mm()
    stem_px = scene.camera.project(stem[None, :3].astype(float))[0]
    column, row = np.round(stem_px).astype(int)
    inside = 0 <= row < canvas.fruit.shape[0] and 0 <= column < canvas.fruit.shape[1]
    return {
        "number": number,
        "length_mm": round(length, 3),
        "width_mm": round(width, 3),
        "height_mm": round(height, 3),
        "total_area_mm2": round(fruit.shape.total_area_mm2, 1),
        "visible_area_mm2": round(seen_area_mm2(number, fruit, scene.camera, canvas.fruit), 1),
        "pixels": int((canvas.fruit == number).sum()),
        "stem_end_px": [round(float(value), 2) for value in stem_px],
        "stem_end_visible": bool(stem[3] and inside and canvas.fruit[row, column] == number),
        "marks": marks,
    }


def _settle_marks(canvas: _Canvas) -> dict[int, list[dict[str, Any]]]:
    """Give the marks still seen numbers from 1, forget the others, and return their truth by fruit."""
    pixels = np.bincount(canvas.marks.ravel(), minlength=len(canvas.kinds) + 1)
    areas = np.bincount(canvas.marks.ravel(), canvas.area_mm2.ravel(), minlength=len(canvas.kinds) + 1)
    renamed = np.zeros(len(canvas.kinds) + 1, np.uint16)
    per_fruit: dict[int, list[dict[str, Any]]] = {}
    for old, (number, kind, contrast) in canvas.kinds.items():
        if pixels[old] < _LEAST_MARK_PX:
            continue
        renamed[old] = renamed.max() + 1
        per_fruit.setdefault(number, []).append(
            {
                "id": int(renamed[old]),
                "kind": kind,
                "visible_area_mm2": round(float(areas[old]), 3),
                "pixels": int(pixels[old]),
                "contrast_delta_e": round(contrast, 2),
            }
        )
    canvas.marks = renamed[canvas.marks]
    return per_fruit


def _draw_clock(rng: np.random.Generator) -> datetime:
    return datetime(2025, 10, 1, 7) + timedelta(days=int(rng.integers(0, 140)), seconds=int(rng.integers(0, 36000)))


def simulate_tray(seed: int | Sequence[int], settings: TraySettings | None = None) -> SimulatedTray:
    """Draw one tray; the same seed and settings give the same tray.

    Parameters
    ----------
    seed : what `numpy.random.default_rng` takes: a number or several.
    settings : what is fixed; everything else is drawn at random.
    """
    rng, settings = np.random.default_rng(seed), settings or TraySettings()
    scene = draw_scene(rng, settings)
    floor = settings.floor or str(rng.choice(FLOORS, p=_FLOOR_CHANCES))
    look = draw_look(rng, settings.look or str(rng.choice(LOOKS)), settings.skins)
    rig = draw_light(rng, settings)
    taken_at = settings.taken_at or _draw_clock(rng)
    tag_text = draw_tag_text(rng, taken_at) if settings.tag is None else settings.tag
    floor_light = light_on_floor(rng, rig, list(scene.fruit), scene.camera, *scene.size_px)
    bench = str(rng.choice(FLOORS))
    ground = draw_ground(rng, scene, rig, Floor(floor, settings.floor_tone), Floor(bench), floor_light, tag_text)
    phone = draw_phone(rng, rig, float(ground[::16, ::16].mean()))
    busy = settings.lookalikes if settings.lookalikes is not None else float(rng.choice([0.3, 1.0, 2.5]))
    studio = _Studio(scene, rig, look, phone, draw_habits(rng, settings), draw_noise_tiles(rng), busy)
    width, height = scene.size_px
    canvas = _Canvas(
        ground.copy(),
        np.full((height, width), np.inf, np.float32),
        np.zeros((height, width), np.float32),
        np.zeros((height, width), np.uint16),
        np.zeros((height, width), np.uint16),
    )
    distance = [float(np.linalg.norm(each.position_mm - scene.camera.origin_mm)) for each in scene.fruit]
    stems = np.zeros((len(scene.fruit), 4))
    for index in np.argsort(distance)[::-1]:
        stems[index] = _draw_fruit(rng, studio, canvas, ground, int(index) + 1)
    everywhere = slice(0, height), slice(0, width)
    coded = develop(phone, blur_light(phone, canvas.light), corner_loss(phone, *everywhere, scene.size_px))
    bgr = finish(rng, phone, coded)
    tells = settings.exif_focal if settings.exif_focal is not None else bool(rng.random() < 0.8)
    exif = draw_photo_file(rng, scene.focal_35mm, taken_at, tells)
    per_fruit = _settle_marks(canvas)
    truth: dict[str, Any] = {
        "seed": seed if isinstance(seed, int) else [int(part) for part in seed],
        "floor": floor,
        "look": look.name,
        "light": rig.name,
        "kelvin": round(rig.kelvin),
        "tag": tag_text if scene.tag else None,
        **scene_truth(scene),
        "exif_f35": tells,
        "fruit": [
            _fruit_truth(scene, canvas, number, fruit, stems[number - 1], per_fruit.get(number, []))
            for number, fruit in enumerate(scene.fruit, start=1)
        ],
        "lookalikes": canvas.lookalikes,
    }
    return SimulatedTray(bgr, canvas.fruit, canvas.marks, truth, exif)
