"""Measure every proposed mark of one fruit: size on the skin, shape, edge, colour against the skin, texture, place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import find_objects
from skimage.morphology import skeletonize

from scorer.fruit.skin import SkinMap
from scorer.marks.contrast import CONTRASTS
from scorer.median import median

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Mask = NDArray[np.bool_]
Places = NDArray[np.intp]
Labels = NDArray[np.int32]

SIZES: Final = ("area_mm2", "length_mm", "width_mm")
SHAPES: Final = (
    "elongation",
    "solidity",
    "compactness",
    "branching_per_cm",
    "waviness",
    "mean_width_mm",
)
PLACES: Final = (
    "stem_distance_mm",
    "stem_direction",
    "facing",
    "rim_distance_mm",
    "along",
)
SURFACES: Final = (
    "edge_softness_mm",
    "edge_contrast",
    "lightness_spread",
    "darkest",
    "palest",
    "core_contrast",
    "ring_lightness",
    "ring_b",
    "skin_roughness",
    "dark_probability",
    "rubbed_probability",
    "peak_probability",
)
# the skin's own colour is no measure of a mark: a model would learn cultivars by it
_AVERAGED: Final = tuple(name for name in CONTRASTS if name != "facing" and not name.startswith("skin_"))
MEASURES: Final = SIZES + SHAPES + PLACES + SURFACES + _AVERAGED
"""Every measure a kind may be judged by, in the order of the columns."""

RING_MM = 1.6
_ABOUT: Final = [CONTRASTS.index(name) for name in ("lightness_over_cm", "b_over_cm", "roughness")]


def measure_marks(
    labels: Labels,
    contrasts: Float32,
    probabilities: Float32,
    inside: Mask,
    skin: SkinMap,
) -> pd.DataFrame:
    """Measure labelled marks.

    Parameters
    ----------
    labels : (H, W) int32; 0 is clean skin, marks are numbered 1..N without gaps.
    contrasts : (F, H, W) contrast maps of the same window.
    probabilities : (K, H, W) of skin, dark and rubbed.
    inside : (H, W) bool; the fruit's pixels.
    skin : the same window's skin map.

    Returns
    -------
    One row per mark in the order of the labels, columns MEASURES, all float64.
    """
    boxes = find_objects(labels)
    if not boxes:
        return pd.DataFrame(np.empty((0, len(MEASURES))), columns=list(MEASURES))
    pixels = _MarkPixels.of(labels)
    middles, planes = _tangent_planes(pixels, skin)
    columns = _averages(pixels, contrasts, probabilities, skin)
    columns |= _extremes(pixels, contrasts, probabilities, inside, skin.mm_per_px)
    columns |= _places(middles, planes, skin.half_length_mm)
    columns |= _surfaces(pixels, labels, boxes, contrasts, inside, skin.mm_per_px)
    shapes = [
        _shape(labels[box] == label, skin.point_mm[box], middle, plane, area_mm2, skin.mm_per_px)
        for label, (box, middle, plane, area_mm2) in enumerate(
            zip(boxes, middles, planes, columns["area_mm2"].tolist(), strict=True), start=1
        )
    ]
    columns |= {name: np.array([shape[name] for shape in shapes]) for name in shapes[0]}
    return pd.DataFrame(np.column_stack([columns[name] for name in MEASURES]), columns=list(MEASURES))


@dataclass(frozen=True)
class _MarkPixels:
    """The pixels of all N marks of a fruit in one list, mark after mark.

    Parameters
    ----------
    at : (P,) places in the flattened window.
    mark : (P,) the mark of each, from 0.
    first, count : (N,) where each mark's pixels begin in the list, and how many they are.
    """

    at: Places
    mark: Places
    first: Places
    count: Places

    @classmethod
    def of(cls, labels: Labels) -> _MarkPixels:
        at = np.flatnonzero(labels > 0)
        mark = labels.take(at).astype(np.intp) - 1
        order = np.argsort(mark, kind="stable")
        count = np.bincount(mark)
        return cls(at[order], mark[order], np.cumsum(count) - count, count)

    def values(self, maps: Float32) -> Float64:
        """(..., P) values at the pixels of (..., H, W) maps."""
        return maps.reshape(*maps.shape[:-2], -1).take(self.at, axis=-1).astype(np.float64)

    def mean(self, values: Float64) -> Float64:
        """(..., N) means over each mark of (..., P) values."""
        return np.asarray(np.add.reduceat(values, self.first, axis=-1) / self.count)

    def mean_of(self, values: Float64, chosen: Mask) -> Float64:
        """(N,) means of each mark's (P,) values, of those chosen only; 0 where none is."""
        count = np.add.reduceat(chosen, self.first, dtype=np.intp)
        return np.asarray(np.add.reduceat(values * chosen, self.first) / np.maximum(count, 1))

    def largest(self, values: Float64) -> Float64:
        """(N,) largest of each mark's (P,) values."""
        return np.asarray(np.maximum.reduceat(values, self.first))

    def at_share(self, in_order: Float64, share: float) -> Float64:
        """(N,) value that the given share of each mark's (P,) values, in order within it, lie below."""
        return np.asarray(in_order[self.first + (share * self.count).astype(np.intp)])

    def ordered(self, values: Float64) -> Float64:
        """(P,) values in ascending order within each mark."""
        return np.concatenate([np.sort(own) for own in np.split(values, self.first[1:])])


def _tangent_planes(pixels: _MarkPixels, skin: SkinMap) -> tuple[Float64, Float64]:
    """Middle (N, 3) of each mark, and (N, 2, 3) unit vectors of the plane closest to it, the longer spread first."""
    points = skin.point_mm.reshape(-1, 3).take(pixels.at, axis=0).T.astype(np.float64)
    middles = pixels.mean(points)
    away = points - middles[:, pixels.mark]
    spread = np.moveaxis(pixels.mean(away[:, None] * away), -1, 0) * pixels.count[:, None, None]
    _, vectors = np.linalg.eigh(spread + np.eye(3) * 1e-6)
    return middles.T, np.moveaxis(vectors[:, :, [2, 1]], 2, 1)


def _averages(pixels: _MarkPixels, contrasts: Float32, probabilities: Float32, skin: SkinMap) -> dict[str, Float64]:
    """Sums and means over each mark."""
    means = pixels.mean(pixels.values(contrasts))
    columns = {name: means[CONTRASTS.index(name)] for name in _AVERAGED}
    lightness = pixels.values(contrasts[CONTRASTS.index("lightness_over_cm")])
    columns["lightness_spread"] = np.sqrt(np.maximum(pixels.mean(lightness**2) - columns["lightness_over_cm"] ** 2, 0))
    columns["area_mm2"] = pixels.mean(pixels.values(skin.area_mm2)) * pixels.count
    columns["facing"] = pixels.mean(pixels.values(skin.facing))
    columns["dark_probability"], columns["rubbed_probability"] = pixels.mean(pixels.values(probabilities[1:]))
    return columns


def _extremes(
    pixels: _MarkPixels, contrasts: Float32, probabilities: Float32, inside: Mask, mm_per_px: float
) -> dict[str, Float64]:
    lightness = pixels.ordered(pixels.values(contrasts[CONTRASTS.index("lightness_over_cm")]))
    rim_px = pixels.values(cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 3))
    return {
        "darkest": pixels.at_share(lightness, 0.05),
        "palest": pixels.at_share(lightness, 0.95),
        "peak_probability": pixels.largest(1 - pixels.values(probabilities[0])),
        "rim_distance_mm": pixels.largest(rim_px) * mm_per_px,
    }


def _places(middles: Float64, planes: Float64, half_length_mm: float) -> dict[str, Float64]:
    to_stem = np.array([half_length_mm, 0, 0]) - middles
    distance = np.linalg.norm(to_stem, axis=1)
    along_axis = np.abs((planes[:, 0] * to_stem).sum(axis=1))
    return {
        "stem_distance_mm": distance,
        "stem_direction": along_axis / np.maximum(distance, 1e-6),
        "along": middles[:, 0] / half_length_mm,
    }


def _shape(
    mark: Mask, point_mm: Float32, middle: Float64, plane: Float64, area_mm2: float, mm_per_px: float
) -> dict[str, float]:
    """Shape on the skin: the mark laid flat on the plane that touches its middle, along its axes of largest spread."""
    contours, _ = cv2.findContours(mark.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = np.concatenate(contours)[:, 0]
    on_skin = (point_mm[outline[:, 1], outline[:, 0]] - middle) @ plane.T
    # pixel centres bound the outline, so half a pixel is added on every side
    extents = on_skin.max(axis=0) - on_skin.min(axis=0) + mm_per_px
    length, width = float(extents.max()), float(extents.min())
    hull_area = cv2.contourArea(cv2.convexHull(on_skin.astype(np.float32))) + length * mm_per_px
    perimeter = sum(cv2.arcLength(c, True) for c in contours) * math.sqrt(area_mm2 / np.count_nonzero(mark))
    bones = skeletonize(mark).astype(np.uint8)  # type: ignore[no-untyped-call]
    bone_mm = mm_per_px * max(int(np.count_nonzero(bones)), 1)
    in_reach = cv2.boxFilter(bones, -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT)
    ends = int(np.count_nonzero(in_reach[bones > 0] == 2))
    return {
        "length_mm": length,
        "width_mm": width,
        "elongation": length / width,
        "solidity": min(area_mm2 / max(hull_area, 1e-6), 1.2),
        "compactness": 4 * math.pi * area_mm2 / max(perimeter, 1e-6) ** 2,
        "branching_per_cm": 10 * max(ends - 2, 0) / max(bone_mm, 5.0),
        "waviness": bone_mm / length,
        "mean_width_mm": area_mm2 / bone_mm,
    }


def _surfaces(
    pixels: _MarkPixels,
    labels: Labels,
    boxes: list[tuple[slice, slice]],
    contrasts: Float32,
    inside: Mask,
    mm_per_px: float,
) -> dict[str, Float64]:
    """Edge, core and surroundings of each mark."""
    clean = inside & (labels == 0)
    depths_px, rings = zip(
        *(_depth_and_ring(label, box, labels, clean, mm_per_px) for label, box in enumerate(boxes, start=1)),
        strict=True,
    )
    depth_px = np.concatenate(depths_px)
    deep = depth_px > 0.6 * np.maximum.reduceat(depth_px, pixels.first)[pixels.mark]
    over_cm = contrasts[CONTRASTS.index("lightness_over_cm")]
    lightness = pixels.values(over_cm)
    core = pixels.mean_of(lightness, deep)
    steepness = cv2.magnitude(*(cv2.Sobel(over_cm, cv2.CV_32F, dx, 1 - dx, scale=0.125) for dx in (1, 0)))
    slope = pixels.mean_of(pixels.values(steepness), depth_px <= 1.5) / mm_per_px
    flat = contrasts[_ABOUT].reshape(len(_ABOUT), -1)
    about = [flat.take(ring, axis=1) if len(ring) else np.zeros((len(_ABOUT), 1), np.float32) for ring in rings]
    ring_lightness, ring_b, roughness = np.array([values.mean(axis=1) for values in about], float).T
    drop = np.abs(np.array([median(lightness_about) for lightness_about, _, _ in about]) - core)
    return {
        "edge_softness_mm": np.minimum(drop / np.maximum(slope, 1e-3), 10.0),
        "edge_contrast": slope,
        "core_contrast": core - pixels.mean(lightness),
        "ring_lightness": ring_lightness,
        "ring_b": ring_b,
        "skin_roughness": roughness,
    }


def _depth_and_ring(
    label: int, box: tuple[slice, slice], labels: Labels, clean: Mask, mm_per_px: float
) -> tuple[Float32, Places]:
    """Depth of one mark's pixels below its edge; places, in the flattened window, of the clean skin about it."""
    margin = math.ceil(RING_MM / mm_per_px) + 1
    rows, columns = (slice(max(side.start - margin, 0), side.stop + margin) for side in box)
    mark = labels[rows, columns] == label
    depth_px = cv2.distanceTransform(mark.astype(np.uint8), cv2.DIST_L2, 3)[mark]
    outside_mm = cv2.distanceTransform((~mark).astype(np.uint8), cv2.DIST_L2, 3) * mm_per_px
    y, x = np.nonzero(clean[rows, columns] & (outside_mm < RING_MM) & (outside_mm > 0.3))
    return depth_px, (y + rows.start) * labels.shape[1] + x + columns.start
