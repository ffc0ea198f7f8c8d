"""Light on painted skin: matt and mirror-like reflection of the lamps and of the surroundings."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from scorer.simulate.light import FruitLight, LightRig
from scorer.simulate.solids import LaidFruit, SurfaceCrop
from scorer.simulate.stamps import SkinLayers

Floats = NDArray[np.floating[Any]]


_MIRROR_STRAIGHT = 0.04  # share that wax mirrors at right angles


def _dot(vectors: Floats, fixed: Floats) -> Floats:
    x, y, z = (np.float32(value) for value in fixed)
    return np.asarray(vectors[0] * x + vectors[1] * y + vectors[2] * z, np.float32)


def view_directions(crop: SurfaceCrop, eye: Floats) -> Floats:
    """Return unit vectors (3, h, w) from the skin to the camera at ``eye`` (3,), in the fruit frame."""
    towards = eye.astype(np.float32)[:, None, None] - crop.point
    return np.asarray(towards / np.sqrt(np.sum(towards * towards, axis=0)), np.float32)


def shade_skin(
    layers: SkinLayers, crop: SurfaceCrop, fruit: LaidFruit, rig: LightRig, light: FruitLight, view: Floats,
    floor_light: Floats,
) -> Floats:  # fmt: skip
    """Light (h, w, 3) that the skin sends to the camera.

    Lambert's law for the matt part; for the shine the GGX distribution (Walter et al. 2007) with Kelemen's
    visibility and Schlick's mirror share. ``floor_light`` (3,) is what the floor around sends up.
    """
    normal = crop.normal - layers.bump
    normal /= np.sqrt(np.sum(normal * normal, axis=0))
    ambient = rig.ambient.astype(np.float32)
    bounce = floor_light.astype(np.float32)
    matt = light.sky[..., None] * ambient + light.bounce[..., None] * bounce
    facing = np.clip(np.sum(normal * view, axis=0), 0.02, 1)
    mirror = _MIRROR_STRAIGHT + (1 - _MIRROR_STRAIGHT) * (1 - facing) ** 5 * (1 - layers.rough)
    up = fruit.rotation[2]
    mirrored_up = 2 * facing * _dot(normal, up) - _dot(view, up)
    sky_seen = np.clip(mirrored_up * 0.5 + 0.5, 0, 1) * (0.3 + 0.7 * light.sky)
    shine = (mirror * layers.gloss)[..., None] * (
        sky_seen[..., None] * ambient + (0.6 * light.bounce)[..., None] * bounce
    )
    for lamp, passed in zip(rig.lamps, light.passed, strict=True):
        direction = lamp.direction @ fruit.rotation
        incidence = _dot(normal, direction)
        wrap = np.float32(lamp.size * 0.5)
        lit = np.clip((incidence + wrap) / (1 + wrap), 0, None) * passed
        half = view + direction.astype(np.float32)[:, None, None]
        half /= np.sqrt(np.sum(half * half, axis=0)) + 1e-6
        across = np.clip(np.sum(normal * half, axis=0), 0, 1)
        towards = np.clip(_dot(half, direction), 0.15, 1)
        squared = (layers.rough**2) ** 2 + np.float32((lamp.size * 0.5) ** 2 + 1e-4)
        spread = squared / (across * across * (squared - 1) + 1) ** 2
        fresnel = _MIRROR_STRAIGHT + (1 - _MIRROR_STRAIGHT) * (1 - towards) ** 5
        glint = fresnel * spread / (4 * towards * towards) * np.clip(incidence, 0, 1) * passed * layers.gloss
        colour = lamp.colour.astype(np.float32)
        matt = matt + lit[..., None] * colour
        shine = shine + glint[..., None] * colour
    return np.asarray(layers.albedo * matt + shine, np.float32)
