"""A stamp is a small flat picture, in true millimetres, laid on curved skin: marks and look-alikes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.simulate.solids import SurfaceCrop

Floats = NDArray[np.floating[Any]]


STAMP_PX_PER_MM = 5.0


@dataclass(frozen=True)
class Stamp:
    """One flat picture, its middle laid on a skin point and +u running along the given skin direction.

    Attributes
    ----------
    kind : name of the mark or look-alike.
    opacity : (n, n) float32 in 0..1.
    colour : (n, n, 3) or (3,) float32, linear B, G, R of the full-strength material.
    stain : 0 covers the skin with ``colour``, 1 only filters the skin through it.
    extent : (n, n) float32; what a person would draw around is where it is above 0.5.
    gloss : factor on the skin's gloss where the opacity is full.
    rough : surface roughness where the opacity is full; None keeps the skin's.
    height_mm : (n, n) float32 relief, None for none.
    """

    kind: str
    opacity: Floats
    colour: Floats
    extent: Floats
    stain: float = 0.0
    gloss: float = 1.0
    rough: float | None = None
    height_mm: Floats | None = None

    @property
    def half_mm(self) -> float:
        """Half the side of the stamp."""
        return float(self.opacity.shape[0] / 2 / STAMP_PX_PER_MM)


@dataclass
class SkinLayers:
    """What the light meets on one crop; stamps change it in place.

    Attributes
    ----------
    albedo : (h, w, 3) float32, linear B, G, R.
    gloss : (h, w) float32, strength of the mirror-like part of the reflection, 1 for plain wax.
    rough : (h, w) float32, roughness of the surface in 0..1.
    bump : (3, h, w) float32, taken from the unit normal in the fruit frame.
    """

    albedo: Floats
    gloss: Floats
    rough: Floats
    bump: Floats

    def copy(self) -> SkinLayers:
        """Return a copy that shares nothing."""
        return SkinLayers(self.albedo.copy(), self.gloss.copy(), self.rough.copy(), self.bump.copy())


@dataclass(frozen=True)
class LaidStamp:
    """A stamp after projection: its window in the crop, and its opacity and extent there, float32."""

    rows: slice
    columns: slice
    opacity: Floats
    extent: Floats


def skin_axes(normal: Floats, along: Floats) -> tuple[Floats, Floats]:
    """Return unit tangents (3,), (3,): the part of ``along`` that lies in the skin, and the one across it."""
    first = along - normal * float(normal @ along)
    if np.linalg.norm(first) < 1e-6:
        first = np.cross(normal, [0.31, 0.77, 0.55])
    first = first / np.linalg.norm(first)
    return first, np.cross(normal, first)


def flatten_around(
    point: Floats, normal: Floats, centre: Floats, centre_normal: Floats, axes: tuple[Floats, Floats]
) -> tuple[Floats, Floats, Floats]:
    """Millimetres (u, v) along the skin from a centre, and the cosine between the normals there.

    The tangent-plane projection is stretched by angle / sin(angle), which is exact on a sphere.
    """
    offset = [point[i] - np.float32(centre[i]) for i in range(3)]
    cosine = sum(normal[i] * np.float32(centre_normal[i]) for i in range(3))
    cosine = np.clip(cosine, -0.97, 1.0)
    sine = np.sqrt(np.maximum(1 - cosine * cosine, 1e-8))
    stretch = np.where(sine < 1e-2, np.float32(1), np.arccos(cosine) / sine)
    u = sum(offset[i] * np.float32(axes[0][i]) for i in range(3)) * stretch
    v = sum(offset[i] * np.float32(axes[1][i]) for i in range(3)) * stretch
    return np.asarray(u, np.float32), np.asarray(v, np.float32), np.asarray(cosine, np.float32)


def _window(crop: SurfaceCrop, centre: Floats, reach_mm: float) -> tuple[slice, slice] | None:
    offset = sum((crop.point[i] - np.float32(centre[i])) ** 2 for i in range(3))
    near = (offset < reach_mm * reach_mm) & (crop.cover > 0)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    if len(rows) == 0:
        return None
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def settled_gain(stamp: Stamp, skin: Floats, opacity: Floats, colour: Floats, target_delta_e: float) -> float:
    """Factor on the opacity at which the stamp differs from the skin by about the wished CIE76 amount.

    ``skin`` and ``colour`` are (N, 3) linear B, G, R, ``opacity`` (N,); it never gets more than full.
    """
    before = cv2.cvtColor(np.clip(skin, 0, 1)[None], cv2.COLOR_LBGR2LAB)[0]
    low, high = 0.0, 1.0 / max(float(np.percentile(opacity, 60)), 0.05)
    for _ in range(7):
        gain = (low + high) / 2
        mixed = _mixed(skin, colour, np.clip(opacity * gain, 0, 1), stamp.stain)
        after = cv2.cvtColor(np.clip(mixed, 0, 1)[None], cv2.COLOR_LBGR2LAB)[0]
        if float(np.linalg.norm(after - before, axis=1).mean()) > target_delta_e:
            high = gain
        else:
            low = gain
    return (low + high) / 2


def _mixed(skin: Floats, colour: Floats, opacity: Floats, stain: float) -> Floats:
    material = colour if stain == 0 else colour * ((1 - stain) + stain * skin * np.float32(2.2))
    return np.asarray(skin + opacity[..., None] * (material - skin), np.float32)


def lay_stamp(
    layers: SkinLayers,
    crop: SurfaceCrop,
    stamp: Stamp,
    centre: Floats,
    centre_normal: Floats,
    along: Floats,
    target_delta_e: float | None = None,
) -> LaidStamp | None:
    """Lay a stamp on the skin, changing ``layers``; None when the camera sees nothing of it."""
    window = _window(crop, centre, stamp.half_mm * 1.42)
    if window is None:
        return None
    rows, columns = window
    axes = skin_axes(centre_normal, along)
    u, v, cosine = flatten_around(
        crop.point[:, rows, columns], crop.normal[:, rows, columns], centre, centre_normal, axes
    )
    middle = np.float32(stamp.opacity.shape[0] / 2 - 0.5)
    at_u, at_v = u * np.float32(STAMP_PX_PER_MM) + middle, v * np.float32(STAMP_PX_PER_MM) + middle
    hidden = cosine < -0.3
    at_u[hidden] = -1000

    def look_up(picture: Floats) -> Floats:
        return np.asarray(cv2.remap(picture, at_u, at_v, cv2.INTER_LINEAR, borderValue=0), np.float32)

    opacity, extent = look_up(stamp.opacity), look_up(stamp.extent)
    colour = look_up(stamp.colour) if stamp.colour.ndim == 3 else np.broadcast_to(stamp.colour, (*u.shape, 3))
    skin = layers.albedo[rows, columns]
    if target_delta_e is not None:
        inside = np.flatnonzero((extent >= 0.5) & (crop.cover[rows, columns] > 0.5))[::3]
        if len(inside) > 3:
            flat = opacity.ravel()[inside]
            gain = settled_gain(stamp, skin.reshape(-1, 3)[inside], flat, colour.reshape(-1, 3)[inside], target_delta_e)
            opacity = np.clip(opacity * np.float32(gain), 0, 1)
    layers.albedo[rows, columns] = _mixed(skin, colour, opacity, stamp.stain)
    layers.gloss[rows, columns] *= 1 + opacity * (stamp.gloss - 1)
    if stamp.rough is not None:
        layers.rough[rows, columns] += opacity * (stamp.rough - layers.rough[rows, columns])
    if stamp.height_mm is not None:
        _add_relief(layers.bump[:, rows, columns], stamp.height_mm, look_up, axes)
    return LaidStamp(rows, columns, opacity, extent)


def _add_relief(bump: Floats, height_mm: Floats, look_up: Callable[..., Floats], axes: tuple[Floats, Floats]) -> None:
    slope_v, slope_u = np.gradient(height_mm * np.float32(STAMP_PX_PER_MM))
    for slope, axis in ((slope_u, axes[0]), (slope_v, axes[1])):
        seen = look_up(np.asarray(slope, np.float32))
        for i in range(3):
            bump[i] += seen * np.float32(axis[i])
