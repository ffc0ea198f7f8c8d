"""Measure every proposed mark of one fruit: size on the skin, shape, edge, colour against the skin, texture, place."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import find_objects
from skimage.morphology import skeletonize

from scorer.fruit.skin import SkinMap
from scorer.marks.contrast import CONTRASTS

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Mask = NDArray[np.bool_]
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
    count = int(labels.max(initial=0))
    if count == 0:
        return pd.DataFrame(np.empty((0, len(MEASURES))), columns=list(MEASURES))
    columns = _averages(labels, contrasts, probabilities, skin, count)
    rim_px = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 3)
    rows = [
        _one_mark(label, box, labels, contrasts, rim_px, skin, float(columns["area_mm2"][label - 1]))
        for label, box in enumerate(find_objects(labels), start=1)
    ]
    columns |= {name: np.array([row[name] for row in rows]) for name in rows[0]}
    return pd.DataFrame(np.column_stack([columns[name] for name in MEASURES]), columns=list(MEASURES))


def _averages(
    labels: Labels, contrasts: Float32, probabilities: Float32, skin: SkinMap, count: int
) -> dict[str, Float64]:
    """Sums and means over each label, all labels at once."""
    marked = labels > 0
    which = labels[marked] - 1
    pixels = np.maximum(np.bincount(which, minlength=count), 1)

    def mean(values: NDArray[np.floating]) -> Float64:
        return np.asarray(np.bincount(which, weights=values, minlength=count) / pixels)

    here, chances = contrasts[:, marked], probabilities[:, marked]
    columns = {"area_mm2": mean(skin.area_mm2[marked]) * pixels, "facing": mean(skin.facing[marked])}
    columns |= {name: mean(here[CONTRASTS.index(name)]) for name in _AVERAGED}
    columns |= {"dark_probability": mean(chances[1]), "rubbed_probability": mean(chances[2])}
    lightness = here[CONTRASTS.index("lightness_over_cm")]
    columns["lightness_spread"] = np.sqrt(np.maximum(mean(lightness**2) - mean(lightness) ** 2, 0))
    peak = np.zeros(count)
    np.maximum.at(peak, which, 1 - chances[0])
    columns["peak_probability"] = peak
    return columns


def _one_mark(
    label: int,
    box: tuple[slice, slice],
    labels: Labels,
    contrasts: Float32,
    rim_px: Float32,
    skin: SkinMap,
    area_mm2: float,
) -> dict[str, float]:
    margin = round(2 * RING_MM / skin.mm_per_px) + 2
    rows, columns = (slice(max(side.start - margin, 0), side.stop + margin) for side in box)
    window = rows, columns
    mark = labels[window] == label
    points = skin.point_mm[window][mark]
    middle, plane = _tangent_plane(points)
    return {
        **_shape(mark, skin.point_mm[window], middle, plane, area_mm2, skin.mm_per_px),
        **_place(middle, plane, skin.half_length_mm),
        "rim_distance_mm": float(rim_px[window][mark].max()) * skin.mm_per_px,
        **_surface(mark, labels[window] == 0, contrasts[:, rows, columns], rim_px[window] > 0, skin.mm_per_px),
    }


def _shape(
    mark: Mask, point_mm: Float32, middle: Float64, plane: Float64, area_mm2: float, mm_per_px: float
) -> dict[str, float]:
    """Shape on the skin: the mark laid flat on the plane that touches its middle, along its axes of largest spread."""
    contours, _ = cv2.findContours(mark.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = np.concatenate(contours)[:, 0]
    on_skin = (point_mm[outline[:, 1], outline[:, 0]] - middle) @ plane.T
    # pixel centres bound the outline, so half a pixel is added on every side
    extents = np.ptp(on_skin, axis=0) + mm_per_px
    length, width = float(extents.max()), float(extents.min())
    hull_area = cv2.contourArea(cv2.convexHull(on_skin.astype(np.float32))) + length * mm_per_px
    perimeter = sum(cv2.arcLength(c, True) for c in contours) * float(np.sqrt(area_mm2 / max(mark.sum(), 1)))
    bones = skeletonize(mark)  # type: ignore[no-untyped-call]
    bone_mm = max(float(bones.sum()) * mm_per_px, mm_per_px)
    neighbours = cv2.filter2D(bones.astype(np.uint8), -1, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT)
    ends = int((bones & (neighbours == 2)).sum())
    return {
        "length_mm": float(length),
        "width_mm": float(width),
        "elongation": float(length / width),
        "solidity": float(min(area_mm2 / max(hull_area, 1e-6), 1.2)),
        "compactness": float(4 * np.pi * area_mm2 / max(perimeter, 1e-6) ** 2),
        "branching_per_cm": 10 * max(ends - 2, 0) / max(bone_mm, 5.0),
        "waviness": float(bone_mm / length),
        "mean_width_mm": float(area_mm2 / bone_mm),
    }


def _tangent_plane(points: Float32) -> tuple[Float64, Float64]:
    """Middle (3,) of the points, and (2, 3) unit vectors of the plane that lies closest to them, the longer first."""
    middle = points.mean(axis=0, dtype=np.float64)
    away = points - middle
    _, vectors = np.linalg.eigh(away.T @ away + np.eye(3) * 1e-6)
    return middle, np.asarray(vectors[:, [2, 1]].T)


def _place(middle: Float64, plane: Float64, half_length_mm: float) -> dict[str, float]:
    to_stem = np.array([half_length_mm, 0, 0]) - middle
    distance = float(np.linalg.norm(to_stem))
    return {
        "stem_distance_mm": distance,
        "stem_direction": float(abs(plane[0] @ to_stem) / max(distance, 1e-6)),
        "along": float(middle[0] / half_length_mm),
    }


def _surface(mark: Mask, clean: Mask, contrasts: Float32, inside: Mask, mm_per_px: float) -> dict[str, float]:
    """Edge, core and surroundings of one mark."""
    lightness = contrasts[CONTRASTS.index("lightness_over_cm")]
    own = lightness[mark]
    depth = cv2.distanceTransform(mark.astype(np.uint8), cv2.DIST_L2, 3) * mm_per_px
    outside = cv2.distanceTransform((~mark).astype(np.uint8), cv2.DIST_L2, 3) * mm_per_px
    ring = clean & inside & (outside < RING_MM) & (outside > 0.3)
    around = lightness[ring] if ring.any() else np.zeros(1, np.float32)
    around_b = contrasts[CONTRASTS.index("b_over_cm")][ring] if ring.any() else np.zeros(1, np.float32)
    roughness = contrasts[CONTRASTS.index("roughness")][ring] if ring.any() else np.zeros(1, np.float32)
    ordered = np.sort(own)
    core = lightness[depth > 0.6 * depth.max()]
    edge = mark & (depth <= 1.5 * mm_per_px)
    dx, dy = (
        cv2.Sobel(lightness, cv2.CV_32F, 1, 0, scale=0.125),
        cv2.Sobel(lightness, cv2.CV_32F, 0, 1, scale=0.125),
    )
    slope = float(np.hypot(dx, dy)[edge].mean()) / mm_per_px if edge.any() else 0.0
    drop = abs(float(np.median(around)) - float(core.mean()))
    return {
        "edge_softness_mm": min(drop / max(slope, 1e-3), 10.0),
        "edge_contrast": slope,
        "darkest": float(ordered[int(0.05 * len(own))]),
        "palest": float(ordered[int(0.95 * len(own))]),
        "core_contrast": float(core.mean() - own.mean()),
        "ring_lightness": float(around.mean()),
        "ring_b": float(around_b.mean()),
        "skin_roughness": float(roughness.mean()),
    }
