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
_ABOUT: Final = tuple(CONTRASTS.index(name) for name in ("lightness_over_cm", "b_over_cm", "roughness"))


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
    clean, steepness = inside & (labels == 0), _steepness(contrasts[CONTRASTS.index("lightness_over_cm")])
    rows = [
        _shape(labels[box] == label, skin.point_mm[box], middle, plane, area_mm2, skin.mm_per_px)
        | _surface(label, box, labels, clean, contrasts, steepness, skin.mm_per_px)
        for label, (box, middle, plane, area_mm2) in enumerate(
            zip(boxes, middles, planes, columns["area_mm2"].tolist(), strict=True), start=1
        )
    ]
    columns |= {name: np.array([row[name] for row in rows]) for name in rows[0]}
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
        at = np.flatnonzero(labels)
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

    def largest(self, values: Float64) -> Float64:
        """(N,) largest of each mark's (P,) values."""
        return np.asarray(np.maximum.reduceat(values, self.first))

    def at_shares(self, values: Float64, *shares: float) -> list[Float64]:
        """For each share the (N,) values that this share of a mark's (P,) values lie below."""
        in_order = values[np.lexsort((values, self.mark))]
        return [in_order[self.first + (share * self.count).astype(np.intp)] for share in shares]


def _tangent_planes(pixels: _MarkPixels, skin: SkinMap) -> tuple[Float64, Float64]:
    """Middle (N, 3) of each mark, and (N, 2, 3) unit vectors of the plane closest to it, the longer spread first."""
    points = pixels.values(np.moveaxis(skin.point_mm, -1, 0))
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
    lightness = pixels.values(contrasts[CONTRASTS.index("lightness_over_cm")])
    darkest, palest = pixels.at_shares(lightness, 0.05, 0.95)
    rim_px = pixels.values(cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 3))
    return {
        "darkest": darkest,
        "palest": palest,
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


def _steepness(lightness: Float32) -> Float32:
    """Slope of lightness per pixel."""
    return np.asarray(cv2.magnitude(*(cv2.Sobel(lightness, cv2.CV_32F, dx, 1 - dx, scale=0.125) for dx in (1, 0))))


def _surface(
    label: int,
    box: tuple[slice, slice],
    labels: Labels,
    clean: Mask,
    contrasts: Float32,
    steepness: Float32,
    mm_per_px: float,
) -> dict[str, float]:
    """Edge, core and surroundings of one mark."""
    margin = math.ceil(RING_MM / mm_per_px) + 1
    rows, columns = (slice(max(side.start - margin, 0), side.stop + margin) for side in box)
    mark = labels[rows, columns] == label
    depth_px = cv2.distanceTransform(mark.astype(np.uint8), cv2.DIST_L2, 3)[mark]
    outside_mm = cv2.distanceTransform((~mark).astype(np.uint8), cv2.DIST_L2, 3) * mm_per_px
    ring = clean[rows, columns] & (outside_mm < RING_MM) & (outside_mm > 0.3)
    about = contrasts[_ABOUT, rows, columns][:, ring] if ring.any() else np.zeros((3, 1), np.float32)
    ring_lightness, ring_b, roughness = about.mean(axis=1).tolist()
    own = contrasts[_ABOUT[0], rows, columns][mark]
    core = float(own[depth_px > 0.6 * depth_px.max()].mean())
    edge = depth_px <= 1.5
    slope = float(steepness[rows, columns][mark][edge].mean()) / mm_per_px if edge.any() else 0.0
    return {
        "edge_softness_mm": min(abs(median(about[0]) - core) / max(slope, 1e-3), 10.0),
        "edge_contrast": slope,
        "core_contrast": core - float(own.mean()),
        "ring_lightness": ring_lightness,
        "ring_b": ring_b,
        "skin_roughness": roughness,
    }
