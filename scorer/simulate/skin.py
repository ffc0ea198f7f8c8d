"""Clean skin: ground colour, blush, ripening, lenticels, wax bloom and grain of one fruit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.simulate.noise import NoiseTiles
from scorer.simulate.settings import Colour, ColourPair
from scorer.simulate.solids import SurfaceCrop
from scorer.simulate.stamps import SkinLayers, flatten_around, skin_axes

Floats = NDArray[np.floating[Any]]


_DOT_PX_PER_MM = 4.0


def linear_bgr(red: float, green: float, blue: float) -> Floats:
    """Linear B, G, R (3,) of an 8-bit sRGB colour."""
    srgb = np.array([blue, green, red], float) / 255
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4).astype(np.float32)


def draw_tone(rng: np.random.Generator, low: Sequence[float], high: Sequence[float]) -> Floats:
    """Draw a linear B, G, R colour (3,) between two sRGB ones, the channels mostly going together."""
    share = 0.85 * rng.random() + 0.15 * rng.random(3)
    return linear_bgr(*(np.array(low, float) + share * (np.array(high, float) - np.array(low, float))))


# sRGB as a camera shows mango skin in even light; from memory, spread widely when drawn.
_GROUNDS = {
    "hard_green": ((100, 130, 58), (124, 146, 76)),
    "dark_green": ((58, 88, 44), (84, 108, 56)),
    "grey_green": ((112, 130, 92), (140, 148, 104)),
    "turning": ((138, 150, 62), (196, 174, 66)),
    "yellow": ((224, 182, 64), (206, 186, 80)),
    "orange": ((228, 150, 54), (232, 176, 66)),
    "red_blush": ((168, 158, 66), (222, 160, 60)),
    "purple_blush": ((96, 116, 58), (120, 130, 70)),
    "bronze": ((112, 78, 40), (152, 106, 56)),
    "lemon": ((238, 232, 92), (222, 226, 128)),
}
_BLUSHES = ((176, 56, 46), (196, 88, 52), (124, 42, 60), (92, 46, 62), (150, 40, 44), (206, 110, 80))


@dataclass(frozen=True)
class SkinLook:
    """What the fruit of one tray share.

    Attributes
    ----------
    name : one of the settings' looks.
    grounds : two linear B, G, R colours (3,) between which the skin varies.
    blush : linear B, G, R colour (3,) of the blush.
    blush_cover : usual share of the skin with blush.
    lenticels_per_cm2, bloom, gloss, rough : usual density, haze, shine and roughness.
    """

    name: str
    grounds: tuple[Floats, Floats]
    blush: Floats
    blush_cover: float
    lenticels_per_cm2: float
    bloom: float
    gloss: float
    rough: float


def _near(rng: np.random.Generator, colour: Colour, spread: float) -> Floats:
    base = np.array(colour, float) * rng.uniform(0.85, 1.12) + rng.normal(0, spread, 3)
    return linear_bgr(*np.clip(base, 12, 245))


def draw_look(rng: np.random.Generator, name: str, skins: Sequence[ColourPair] | None = None) -> SkinLook:
    """Draw the look that all fruit of a tray vary around; one of ``skins`` stands in for the look's two colours."""
    first, second = _GROUNDS[name] if skins is None else skins[int(rng.integers(len(skins)))]
    blushed = name.endswith("blush")
    blush = _BLUSHES[rng.integers(len(_BLUSHES))]
    if name == "purple_blush":
        blush = _BLUSHES[2 + rng.integers(2)]
    cover = rng.uniform(0.2, 0.7) if blushed else rng.choice([0.0, rng.uniform(0.0, 0.35)], p=[0.55, 0.45])
    return SkinLook(
        name,
        (_near(rng, first, 9), _near(rng, second, 9)),
        _near(rng, blush, 8),
        float(cover),
        float(rng.gamma(1.5, 0.9)),
        float(rng.choice([0.0, rng.uniform(0.03, 0.3)], p=[0.5, 0.5])),
        float(rng.uniform(0.15, 1.6)),
        float(rng.uniform(0.25, 0.65)),
    )


def _step(values: Floats, softness: float) -> Floats:
    return np.asarray(1 / (1 + np.exp(np.clip(-values / np.float32(softness), -30, 30))), np.float32)


def paint_skin(
    rng: np.random.Generator,
    look: SkinLook,
    crop: SurfaceCrop,
    half_axes: Floats,
    view: Floats,
    tiles: NoiseTiles,
) -> SkinLayers:
    """Paint one fruit; ``view`` (3,) is the unit direction to the camera in the fruit frame."""
    axes = skin_axes(view, np.array([1.0, 0, 0]))
    u, v, _ = flatten_around(crop.point, crop.normal, np.zeros(3), view, axes)
    position = crop.point / half_axes.astype(np.float32)[:, None, None]

    def grain(wave_mm: float, fractal: bool = False) -> Floats:
        return tiles.sample(rng, u, v, wave_mm, fractal=fractal)

    albedo = _ground(rng, look, position, grain)
    broad = grain(rng.uniform(25, 60), True)
    albedo = _stripes(rng, albedo, position, tiles)
    albedo = _blush(rng, look, albedo, position, grain)
    lightness = 1 + rng.uniform(0.01, 0.05) * grain(rng.uniform(0.8, 2.5)) + rng.uniform(0.01, 0.05) * broad
    albedo *= np.clip(lightness, 0.5, 1.5)[..., None]
    gloss = np.full(u.shape, look.gloss * rng.uniform(0.8, 1.2), np.float32)
    rough = np.full(u.shape, np.clip(look.rough + rng.normal(0, 0.05), 0.15, 0.8), np.float32)
    albedo = _freckles(rng, albedo, grain)
    albedo = _lenticels(rng, look, albedo, u, v)
    albedo, gloss = _bloom(rng, look, albedo, gloss, grain)
    gloss *= np.clip(1 + rng.uniform(0, 0.3) * grain(rng.uniform(2, 12), True), 0.2, 1.8)
    bump = np.zeros_like(crop.point)
    rug = rng.uniform(0.0, 0.035)
    for axis, texture in zip(axes, (grain(1.4), grain(1.4)), strict=True):
        bump += (rug * texture)[None] * axis.astype(np.float32)[:, None, None]
    dents = rng.uniform(0.0, 0.025)
    for axis, texture in zip(axes, (grain(14.0), grain(14.0)), strict=True):
        bump += (dents * texture)[None] * axis.astype(np.float32)[:, None, None]
    return SkinLayers(np.clip(albedo, 0.004, 0.95).astype(np.float32), gloss, rough, bump)


def _ground(rng: np.random.Generator, look: SkinLook, position: Floats, grain: Callable[..., Floats]) -> Floats:
    first, second = (colour * np.float32(rng.uniform(0.88, 1.12)) for colour in look.grounds)
    lean = rng.normal(0, 0.6, 3)
    share = lean[0] * position[0] + lean[1] * position[1] + lean[2] * position[2] + rng.normal(0, 0.7)
    share = _step(share + rng.uniform(0.03, 0.35) * grain(rng.uniform(15, 60), True), rng.uniform(0.35, 1.4))
    return np.asarray(first + share[..., None] * (second - first), np.float32)


def _stripes(rng: np.random.Generator, albedo: Floats, position: Floats, tiles: NoiseTiles) -> Floats:
    if rng.random() < 0.75:
        return albedo
    around = np.arctan2(position[2], position[1]) * np.float32(35)
    lines = tiles.sample(rng, around.astype(np.float32), position[0] * np.float32(4), rng.uniform(6, 14))
    fade = np.clip(1.15 - position[0] ** 2, 0, 1)
    strength = rng.uniform(0.01, 0.07) * fade * lines
    return np.asarray(albedo * (1 + strength[..., None] * np.array([0.6, 1.0, 1.3], np.float32)), np.float32)


def _blush(
    rng: np.random.Generator, look: SkinLook, albedo: Floats, position: Floats, grain: Callable[..., Floats]
) -> Floats:
    cover = np.clip(look.blush_cover + rng.normal(0, 0.12), 0, 0.75) if look.blush_cover > 0 else 0.0
    if cover < 0.03:
        return albedo
    sun = rng.normal([0.6, 0, 0], 1)
    sun /= np.linalg.norm(sun)
    side = sun[0] * position[0] + sun[1] * position[1] + sun[2] * position[2]
    edge = side - np.float32(1 - 2 * cover) + rng.uniform(0.05, 0.35) * grain(rng.uniform(20, 70), True)
    share = _step(edge, rng.choice([rng.uniform(0.05, 0.2), rng.uniform(0.2, 0.6)], p=[0.15, 0.85]))
    speckle = 1 - rng.uniform(0, 0.45) * np.clip(grain(rng.uniform(0.9, 2.5)), 0, 1.5) * (1 - 0.6 * share)
    share = np.clip(share * speckle * rng.uniform(0.45, 0.97), 0, 1)[..., None]
    tone = look.blush * np.float32(rng.uniform(0.8, 1.2))
    filtered = albedo * (tone / tone.max()) * np.float32(0.9)
    body = np.float32(rng.uniform(0.3, 0.9))
    return np.asarray(albedo + share * (body * tone + (1 - body) * filtered - albedo), np.float32)


def _freckles(rng: np.random.Generator, albedo: Floats, grain: Callable[..., Floats]) -> Floats:
    if rng.random() < 0.6:
        return albedo
    where = _step(grain(rng.uniform(12, 40), True) - rng.uniform(0.2, 1.2), 0.3)
    dots = _step(grain(rng.uniform(1.0, 2.4)) - rng.uniform(1.1, 2.0), 0.15)
    share = (where * dots * rng.uniform(0.1, 0.5))[..., None]
    return np.asarray(albedo + share * (linear_bgr(118, 88, 52) - albedo), np.float32)


def _lenticels(rng: np.random.Generator, look: SkinLook, albedo: Floats, u: Floats, v: Floats) -> Floats:
    density = look.lenticels_per_cm2 * rng.uniform(0.5, 1.5)
    reach = float(min(max(np.abs(u).max(), np.abs(v).max()), 110.0))
    number = int(min(density * (2 * reach / 10) ** 2, 1800))
    if number == 0:
        return albedo
    side = int(2 * reach * _DOT_PX_PER_MM)
    picture = np.zeros((side, side), np.uint8)
    radii = np.clip(rng.lognormal(np.log(rng.uniform(0.15, 0.4)), 0.35, number), 0.12, 0.75) * _DOT_PX_PER_MM
    spots = rng.uniform(0, side, (number, 2))
    levels = rng.integers(90, 256, number)
    for spot, radius, level in zip(spots, radii, levels, strict=True):
        at = (int(spot[0] * 16), int(spot[1] * 16))
        cv2.circle(picture, at, int(radius * 16), int(level), -1, cv2.LINE_AA, 4)
    middle = np.float32(side / 2 - 0.5)
    scale = np.float32(_DOT_PX_PER_MM)
    seen = cv2.remap(picture, u * scale + middle, v * scale + middle, cv2.INTER_LINEAR, borderValue=0)
    share = (seen.astype(np.float32) / 255 * rng.uniform(0.15, 0.8))[..., None]
    if rng.random() < 0.65:
        dot = albedo * rng.uniform(1.1, 1.6) + linear_bgr(196, 180, 120) * rng.uniform(0.1, 0.5)
    else:
        dot = albedo * 0.3 + draw_tone(rng, [70, 48, 28], [150, 120, 80]) * 0.7
    return np.asarray(albedo + share * (dot - albedo), np.float32)


def _bloom(
    rng: np.random.Generator, look: SkinLook, albedo: Floats, gloss: Floats, grain: Callable[..., Floats]
) -> tuple[Floats, Floats]:
    if look.bloom == 0:
        return albedo, gloss
    cloud = np.clip(0.5 + 0.5 * grain(rng.uniform(15, 70), True), 0, 1) ** rng.uniform(0.6, 2)
    rubbed = 1 - 0.5 * np.clip(grain(rng.uniform(2, 6)), 0, 1)
    share = (look.bloom * cloud * rubbed)[..., None]
    haze = linear_bgr(176, 184, 180) * 0.75 + albedo * 0.3
    return np.asarray(albedo + share * (haze - albedo), np.float32), gloss * (1 - share[..., 0])
