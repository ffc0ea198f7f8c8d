"""Propose where marks may lie on a fruit: generously, for each proposal is judged by its measures afterwards.

A quadratic discriminant over the contrast maps gives every pixel its probability of clean skin, of a dark mark and of
a rubbed one. Proposals are connected places where skin is the less probable.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import find_objects

from scorer.marks.contrast import CONTRASTS
from scorer.median import median

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Mask = NDArray[np.bool_]
Labels = NDArray[np.int32]

SKIN_CLASSES: Final = ("skin", "dark", "rubbed")
LIMIT = 3.0  # contrasts beyond 30 Delta E tell no more, and a quadratic must not run away with them
SMALLEST_CONTRAST = 0.35  # of ten Delta E
OUTLINE_AT = 0.5
SURE_AT = 0.65
DARK_MM, RUBBED_MM = 0.2, 0.7  # standard deviation of the smoothing of each class
JOIN_MM = 0.8
RIM_MM, THINNEST_RUB_MM = 0.6, 1.8
SMALLEST_MM2 = 7.0  # marks are asked for from 10 mm2; what is left beside them is dust and lenticels
REACH_MM, RING_MM = 1.0, 3.0  # how far an outline may move outward, and how wide its surroundings are taken
CORE_QUANTILE, HALF = 0.75, 0.5


@dataclass(frozen=True)
class Discriminant:
    """Log-odds of each class as a quadratic of the clipped contrasts.

    Parameters
    ----------
    bias : (K,); linear : (K, F); quadratic : (K, F, F) symmetric, for K = len(SKIN_CLASSES), F = len(CONTRASTS).
    """

    bias: Float64
    linear: Float64
    quadratic: Float64

    def probabilities(self, contrasts: Float32, inside: Mask) -> Float32:
        """Class probabilities (K, H, W), float32, of contrast maps (F, H, W); sure skin where nothing differs."""
        asked = inside & differs(contrasts)
        at = np.flatnonzero(asked)
        flat = contrasts.reshape(len(contrasts), -1).take(at, axis=1)
        np.clip(flat, -LIMIT, LIMIT, out=flat)
        odds = np.zeros((len(self.bias), len(at)), np.float32)
        for k in range(1, len(self.bias)):  # against the first class, skin
            bent = (self.quadratic[k] - self.quadratic[0]).astype(np.float32) @ flat
            bent += (self.linear[k] - self.linear[0]).astype(np.float32)[:, None]
            odds[k] = np.einsum("fn,fn->n", bent, flat) + np.float32(self.bias[k] - self.bias[0])
        np.exp(np.clip(odds, -30, 30, out=odds), out=odds)
        odds /= odds.sum(axis=0)
        probabilities = np.zeros((len(self.bias), *inside.shape), np.float32)
        probabilities[0] = 1
        for plane, values in zip(probabilities, odds, strict=True):
            plane[asked] = values
        return probabilities


def differs(contrasts: Float32) -> Mask:
    """Where a pixel differs from its skin in any colour at any scale; elsewhere it is skin without further asking."""
    furthest = np.zeros(contrasts.shape[1:], np.float32)
    for plane in contrasts[:9]:
        np.maximum(furthest, np.abs(plane), out=furthest)
    return np.asarray(furthest > SMALLEST_CONTRAST)


def discriminant_from(coefficients: Float64, intercept: Float64) -> Discriminant:
    """A discriminant from logistic regression over ``quadratic_terms``; coefficients (K, T), intercept (K,)."""
    count = len(CONTRASTS)
    rows, columns = np.triu_indices(count)
    quadratic = np.zeros((len(intercept), count, count))
    quadratic[:, rows, columns] += coefficients[:, count:] / 2
    quadratic[:, columns, rows] += coefficients[:, count:] / 2
    return Discriminant(np.asarray(intercept, float), coefficients[:, :count].copy(), quadratic)


def quadratic_terms(contrasts: NDArray[Any]) -> Float32:
    """Terms (N, T) of contrasts (N, F): each clipped contrast, then each product of two."""
    clipped = np.clip(contrasts, -LIMIT, LIMIT).astype(np.float32)
    rows, columns = np.triu_indices(clipped.shape[1])
    return np.hstack([clipped, clipped[:, rows] * clipped[:, columns]])


def propose_marks(probabilities: Float32, inside: Mask, area_mm2: Float32, mm_per_px: float, lab: Float32) -> Labels:
    """Label proposals of one fruit, int32 (H, W), 0 is none.

    Parameters
    ----------
    probabilities : (len(SKIN_CLASSES), H, W) of the fruit's window.
    inside : (H, W) bool; the fruit's pixels.
    area_mm2 : (H, W) true skin area per pixel.
    mm_per_px : side of a pixel where the skin faces the camera.
    lab : (H, W, 3) CIELAB of the window, for drawing each outline at half of its own contrast.
    """
    # rubs are patchy, so they are looked at more broadly than dark marks
    dark, rubbed = (
        cv2.GaussianBlur(probabilities[k], (0, 0), max(width_mm / mm_per_px, 0.5))
        for k, width_mm in ((1, DARK_MM), (2, RUBBED_MM))
    )
    labels, count, of_dark = _regions(dark, rubbed, inside, mm_per_px)
    certain = np.bincount(labels[dark + rubbed >= SURE_AT], minlength=count) > 0
    patchy = np.arange(count) >= of_dark
    sure = certain & (_areas_mm2(labels, area_mm2, count) >= SMALLEST_MM2)
    drawn = draw_outlines(labels, sure, patchy, inside, lab, mm_per_px)
    keep = _areas_mm2(drawn, area_mm2, count) >= SMALLEST_MM2
    numbers = np.zeros(count, np.int32)
    numbers[keep] = np.arange(1, int(keep.sum()) + 1)
    return np.asarray(numbers.take(drawn), np.int32)


def _areas_mm2(labels: Labels, area_mm2: Float32, count: int) -> Float64:
    """Skin area of each label; 0 for label 0, which is none."""
    at = np.flatnonzero(labels > 0)
    return np.asarray(np.bincount(labels.take(at), weights=area_mm2.take(at), minlength=count))


def _regions(dark: Float32, rubbed: Float32, inside: Mask, mm_per_px: float) -> tuple[Labels, int, int]:
    """Connected places of dark marks, then those of rubs beside them.

    Returns labels, their count with 0, and the first label that is a rub. The soft rim of a dark mark looks rubbed; it
    is thinner than a rub and is left out.
    """
    join = _disc(max(round(JOIN_MM / 2 / mm_per_px), 1))
    is_dark = cv2.morphologyEx(((dark > OUTLINE_AT) & inside).astype(np.uint8), cv2.MORPH_CLOSE, join)
    is_dark[~inside] = 0
    of_dark, labels = cv2.connectedComponents(is_dark, connectivity=8)
    rim = cv2.dilate(is_dark, _disc(max(round(RIM_MM / mm_per_px), 1))) > 0
    is_rub = ((dark + rubbed > OUTLINE_AT) & inside & ~rim).astype(np.uint8)
    is_rub = cv2.morphologyEx(is_rub, cv2.MORPH_OPEN, _disc(max(round(THINNEST_RUB_MM / 2 / mm_per_px), 1)))
    of_rub, rubs = cv2.connectedComponents(is_rub, connectivity=8)
    np.copyto(labels, rubs + np.int32(of_dark - 1), where=rubs > 0)
    return np.asarray(labels, np.int32), of_dark + of_rub - 1, of_dark


def draw_outlines(labels: Labels, sure: Mask, patchy: Mask, inside: Mask, lab: Float32, mm_per_px: float) -> Labels:
    """Redraw each sure proposal where its colour stands half-way between the skin about it and its own core.

    That is where a person draws a mark's outline; the detector's probability alone draws it too wide. ``sure`` and
    ``patchy`` hold one flag per label: unsure proposals are left out, patchy ones (rubs) are drawn round their patches.
    """
    drawn = np.zeros_like(labels)
    reach = max(round(REACH_MM / mm_per_px), 1)
    ring = max(round(RING_MM / mm_per_px), 2)
    margin, reach_disc, ring_disc = reach + ring, _disc(reach), _disc(ring)
    taken, boxes = labels > 0, find_objects(labels)
    colours = {
        rubbed: cv2.GaussianBlur(lab, (0, 0), max(width_mm / mm_per_px, 0.4))
        for rubbed, width_mm in ((False, DARK_MM), (True, RUBBED_MM))
        if (sure & (patchy == rubbed)).any()
    }
    for label in np.flatnonzero(sure).tolist():
        ys, xs = boxes[label - 1]
        window = np.s_[max(ys.start - margin, 0) : ys.stop + margin, max(xs.start - margin, 0) : xs.stop + margin]
        here, within, free = labels[window], inside[window], ~taken[window]
        mark = here == label
        near = cv2.dilate(mark.astype(np.uint8), reach_disc)
        about = (cv2.dilate(near, ring_disc) > near) & free & within
        if np.count_nonzero(about) < 12:
            about = free & within
        if np.count_nonzero(about) < 12:
            drawn[window][mark] = label
            continue
        allowed = (near > 0) & within & (free | mark)
        half = _half_contrast(colours[bool(patchy[label])][window], mark, about, allowed)
        drawn[window][_touching(half, mark)] = label
    return drawn


def _half_contrast(lab: Float32, mark: Mask, about: Mask, allowed: Mask) -> Mask:
    """Where, of the pixels ``allowed``, the colour lies more than half-way from the surroundings to the mark's core."""
    colours, width = np.ascontiguousarray(lab).reshape(-1, 3), mark.shape[1]
    # a plane through the surroundings: shading and blush change across a mark
    at = np.flatnonzero(about)
    known = _plane_terms(at, width)
    plane = np.linalg.solve(known @ known.T + np.eye(3) * 1e-6, known @ colours.take(at, axis=0))
    at = np.flatnonzero(allowed)
    left = colours.take(at, axis=0).T - plane.T @ _plane_terms(at, width)
    own = mark.take(at)
    direction = np.array([median(channel[own]) for channel in left])
    size = float(np.linalg.norm(direction))
    if size < 1.0:
        return mark
    along = (direction / size) @ left
    core_at = int(CORE_QUANTILE * np.count_nonzero(own))
    half = np.zeros_like(mark)
    half.ravel()[at] = along > HALF * np.partition(along[own], core_at)[core_at]
    return half


def _plane_terms(at: NDArray[np.intp], width: int) -> Float64:
    """(3, N) terms of a plane at places of a flattened window."""
    y, x = np.divmod(at, width)
    return np.stack([np.ones(len(at)), x / 32, y / 32])


def _touching(shape: Mask, mark: Mask) -> Mask:
    """The pieces of ``shape`` that share pixels with the proposal."""
    count, pieces = cv2.connectedComponents(shape.astype(np.uint8), connectivity=8)
    touched = np.zeros(count, bool)
    touched[pieces[mark]] = True
    touched[0] = False
    return np.asarray(touched.take(pieces))


def _disc(radius: int) -> NDArray[np.uint8]:
    size = 2 * radius + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)
