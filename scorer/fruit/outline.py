"""Draw each fruit's outline where the picture changes most, within a few millimetres of its colour segment.

Colour alone loses a rim that reflects the floor or gains a shadow. Here the picture is unrolled about each fruit's
centre, and the closed path of strongest change is found by dynamic programming, for all fruit of a tray at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import find_objects

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Labels = NDArray[np.int32]

ANGLES = 192
INWARD_MM, OUTWARD_MM = 5.0, 5.0
STEP_PX = 0.5
DISTANCE_COST = 0.25  # of a full edge, for a path at the end of the band
CONTACT_MM = 2.5
SMOOTHING = 1.5  # of the path, in angle steps


@dataclass(frozen=True)
class Outline:
    """The outline of one fruit.

    Parameters
    ----------
    label : the fruit's label.
    points_px : (ANGLES, 2) x and y, anticlockwise in the picture, at even angles about the centre.
    free : (ANGLES,) bool; False where a neighbour or the picture's border hides the true outline.
    """

    label: int
    points_px: Float64
    free: NDArray[np.bool_]

    def scaled(self, factor: float) -> Outline:
        """The same outline in a picture enlarged by ``factor``; pixel centres lie at whole numbers."""
        return Outline(self.label, (self.points_px + 0.5) * factor - 0.5, self.free)


def trace_outlines(labels: Labels, lab: Float32, odds: Float32, mm_per_px: float) -> list[Outline]:
    """Outline of every label, in the order of the labels.

    Parameters
    ----------
    labels : (H, W) int32, 0 is none, numbered 1..N without gaps.
    lab : (H, W, 3) float32 CIELAB.
    odds : (H, W) float32 log-odds of skin.
    mm_per_px : side of a pixel at fruit height.
    """
    count = int(labels.max())
    if count == 0:
        return []
    angle: Float64 = np.arange(ANGLES, dtype=np.float64) * (2 * np.pi / ANGLES)
    direction = np.column_stack([np.cos(angle), np.sin(angle)])
    centres, radii = _radial_outlines(labels, count, angle)
    offsets = np.arange(-INWARD_MM / mm_per_px, OUTWARD_MM / mm_per_px, STEP_PX)
    margin = round(2.0 / mm_per_px / STEP_PX)
    reach = np.concatenate(
        [
            offsets[0] - STEP_PX * np.arange(margin, 0, -1),
            offsets,
            offsets[-1] + STEP_PX * np.arange(1, margin + 1),
        ]
    )
    at = radii[..., None] + reach  # (fruit, angle, reach)
    points = centres[:, None, None] + np.maximum(at, 1.0)[..., None] * direction[:, None]
    change = _change(points, lab, odds, margin)
    other = _other_fruit(points[:, :, margin:-margin], labels)
    cost = -change + DISTANCE_COST * np.abs(offsets / offsets[0])
    path = _closed_path(cost + 2.0 * other)
    found = radii + offsets[path]
    smooth = cv2.GaussianBlur(np.hstack([found, found, found]).astype(np.float32), (0, 0), SMOOTHING, sigmaY=0.01)
    found = smooth[:, ANGLES : 2 * ANGLES].astype(float)
    traced = centres[:, None] + found[..., None] * direction
    free = _free(traced, labels, direction, mm_per_px)
    return [Outline(i + 1, traced[i], free[i]) for i in range(count)]


def paint_outlines(outlines: list[Outline], labels: Labels) -> Labels:
    """Labels filled to their outlines; where two outlines overlap, the earlier label of the pixel decides."""
    painted = np.zeros_like(labels)
    for outline in outlines:
        (x, y), (right, bottom) = outline.points_px.min(axis=0), outline.points_px.max(axis=0)
        x0, y0 = max(int(x) - 1, 0), max(int(y) - 1, 0)
        window = np.s_[y0 : int(bottom) + 2, x0 : int(right) + 2]
        shape = np.zeros(labels[window].shape, np.uint8)
        cv2.fillPoly(shape, [np.round((outline.points_px - [x0, y0]) * 16).astype(np.int32)], 1, shift=4)
        mine = (shape > 0) & ((painted[window] == 0) | (labels[window] == outline.label))
        painted[window][mine] = outline.label
    return painted


def _radial_outlines(labels: Labels, count: int, angle: Float64) -> tuple[Float64, Float64]:
    """Centre (N, 2) of each label and its radius (N, ANGLES) at each angle."""
    centres, radii = np.zeros((count, 2)), np.zeros((count, len(angle)))
    for i, (ys, xs) in enumerate(find_objects(labels)):
        mask = (labels[ys, xs] == i + 1).astype(np.uint8)
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE, offset=(xs.start, ys.start))
        contour = max(contours, key=cv2.contourArea)[:, 0].astype(float)
        moments = cv2.moments(mask, binaryImage=True)
        centres[i] = xs.start + moments["m10"] / moments["m00"], ys.start + moments["m01"] / moments["m00"]
        arm = contour - centres[i]
        at = np.arctan2(arm[:, 1], arm[:, 0])
        order = np.argsort(at)
        radii[i] = np.interp(angle, at[order], np.hypot(*arm[order].T), period=2 * np.pi) + 0.5
    return centres, radii


def _sample(image: Float32, points: Float64, interpolation: int = cv2.INTER_LINEAR) -> Float32:
    flat = points.reshape(points.shape[0], -1, 2).astype(np.float32)
    found = cv2.remap(image, flat, None, interpolation, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found).reshape(*points.shape[:-1], *image.shape[2:])


def _change(points: Float64, lab: Float32, odds: Float32, margin: int) -> Float64:
    """How much colour and skin-likeness change across each place on the ray, 0..1, larger is stronger."""
    inside_out = np.concatenate([_sample(lab, points) / 25, _sample(odds, points)[..., None] / 8], axis=-1)
    total = np.cumsum(np.pad(inside_out, ((0, 0), (0, 0), (1, 0), (0, 0))), axis=2)
    width = max(margin - 1, 1)
    first, last = margin, points.shape[2] - margin
    outer = total[:, :, first + width + 1 : last + width + 1] - total[:, :, first + 1 : last + 1]
    inner = total[:, :, first:last] - total[:, :, first - width : last - width]
    step = (inner - outer) / width
    # a change towards less skin-like counts as it is; the other way it is no fruit's edge
    strength = np.sqrt((step[..., :3] ** 2).sum(axis=-1)) + np.clip(step[..., 3], -0.4, 0.4)
    return np.asarray(np.clip(strength, 0, 2.0) / 2.0)


def _other_fruit(points: Float64, labels: Labels) -> NDArray[np.bool_]:
    here = _sample(labels.astype(np.float32), points, cv2.INTER_NEAREST)
    mine = np.arange(1, len(points) + 1)[:, None, None]
    return np.asarray((here != 0) & (here != mine))


def _closed_path(cost: Float64) -> NDArray[np.intp]:
    """Cheapest closed path (N, ANGLES) through cost (N, ANGLES, R), moving by at most one step per angle."""
    turns = np.concatenate([cost, cost], axis=1).astype(np.float32)  # once round to forget the start, then once more
    count, length, width = turns.shape
    total = np.full((length, count, width + 2), np.inf, np.float32)  # walled, so that no path leaves the band
    total[0, :, 1:-1] = turns[:, 0]
    for k in range(1, length):
        before, now = total[k - 1], total[k, :, 1:-1]
        np.minimum(before[:, :-2], before[:, 2:], out=now)
        np.minimum(now, before[:, 1:-1], out=now)
        now += turns[:, k]
    low, same, high = total[:, :, :-2], total[:, :, 1:-1], total[:, :, 2:]
    move = np.where((low <= same) & (low <= high), -1, np.where(same <= high, 0, 1))
    path = np.zeros((length, count), np.intp)
    path[-1] = same[-1].argmin(axis=1)
    rows = np.arange(count)
    for k in range(length - 1, 0, -1):
        path[k - 1] = path[k] + move[k - 1, rows, path[k]]
    half = ANGLES // 2
    return np.concatenate([path[ANGLES : ANGLES + half], path[half:ANGLES]]).T


def _free(traced: Float64, labels: Labels, direction: Float64, mm_per_px: float) -> NDArray[np.bool_]:
    """Where each outline (F, ANGLES) is the fruit's own: not against a neighbour, not at the border."""
    height, width = labels.shape
    ahead_px = np.linspace(0.5, CONTACT_MM, 4)[:, None, None] / mm_per_px
    x, y = np.moveaxis(np.round(traced[:, None] + ahead_px * direction).astype(int), -1, 0)  # (F, 4, ANGLES)
    inside = (x >= 1) & (y >= 1) & (x < width - 1) & (y < height - 1)
    here = labels[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
    own = np.arange(1, len(traced) + 1)[:, None, None]
    free = (inside & ((here == 0) | (here == own))).all(axis=1)
    # the ends of a contact are drawn out by smoothing and by the crevice's shadow
    eroded = cv2.erode(np.tile(free, 3).astype(np.uint8), np.ones((1, 7), np.uint8))
    return np.asarray(eroded[:, ANGLES : 2 * ANGLES] > 0)
