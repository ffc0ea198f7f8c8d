"""Find every fruit of a tray: from the corrected photo to a numbered list with outline, solid and skin map each."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.camera import Camera
from scorer.card.correction import ColourCorrection
from scorer.colour import linear_bgr_to_lab
from scorer.fruit.outline import Outline, paint_outlines, trace_outlines
from scorer.fruit.part import part_fruit
from scorer.fruit.segment import segment_skin
from scorer.fruit.skin import SkinMap, map_skin
from scorer.fruit.solid import RestingSolid, fit_solids

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Labels = NDArray[np.int32]
Mask = NDArray[np.bool_]

MID_FRUIT_MM = 40.0
FLOOR_RING_MM = 16.0
COVER_MARGIN_MM = 3.0
BENCH_SHARE = 0.012  # of the picture's width, taken as its border
MISSHAPEN_MM2 = 1000.0
DOUBTFUL = (1.5, 3.0)  # log-odds by which skin may be doubted and still be taken for its shape
DOUBTFUL_MM2 = 1500.0  # a small fruit, or half a large one
BOLDER_GAIN = 1.15
FINEST_OUTLINE_SIDE = 900
WINDOW_MARGIN_PX = 6


@dataclass(frozen=True)
class Fruit:
    """One fruit of a tray, in the pixels of the working image.

    Parameters
    ----------
    number : from 1, in reading order.
    corner_px : (x, y) of the window's top left pixel.
    inside : (H, W) bool; the fruit's pixels in its window.
    outline, solid, skin : see their own modules.
    cut_off : the picture's border cuts the fruit.
    """

    number: int
    corner_px: tuple[int, int]
    inside: Mask
    outline: Outline
    solid: RestingSolid
    skin: SkinMap
    cut_off: bool

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the window in the working image."""
        x, y = self.corner_px
        height, width = self.inside.shape
        return slice(y, y + height), slice(x, x + width)


def find_fruit(
    bgr: NDArray[np.uint8],
    camera: Camera,
    correction: ColourCorrection,
    card_outline_px: Float64 | None,
) -> tuple[list[Fruit], Labels]:
    """Find the fruit of a tray.

    Parameters
    ----------
    bgr : (H, W, 3) uint8 working image.
    camera : over the tray, in the pixels of ``bgr``; nominal where no card was found.
    correction : from the card, or none.
    card_outline_px : (N, 2) the card's outline, which is no fruit and about which the floor shows; None without.

    Returns
    -------
    The fruit in reading order, and labels, int32 (H, W), 0 is none, numbered the same.
    """
    factor = 2 if max(bgr.shape[:2]) >= FINEST_OUTLINE_SIDE else 1
    small = cv2.resize(bgr, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA) if factor > 1 else bgr
    small_camera = camera.scaled(1 / factor)
    middle = np.array([bgr.shape[1] / 2, bgr.shape[0] / 2])
    mm_per_px = camera.mm_per_px(middle, MID_FRUIT_MM) * factor
    light = correction.to_linear(small)
    covered = _painted(card_outline_px, small.shape[:2], factor, COVER_MARGIN_MM / mm_per_px)
    floor = _painted(card_outline_px, small.shape[:2], factor, FLOOR_RING_MM / mm_per_px) & ~covered
    odds, labels = _segment(light, covered, floor, mm_per_px)
    if labels.max() == 0:
        return [], np.zeros(bgr.shape[:2], np.int32)
    labels = _in_reading_order(labels)
    traced = trace_outlines(labels, linear_bgr_to_lab(light), odds, mm_per_px)
    solids = fit_solids(traced, small_camera)
    outlines = [outline.scaled(factor) for outline in traced]
    full = cv2.resize(labels, (bgr.shape[1], bgr.shape[0]), interpolation=cv2.INTER_NEAREST)
    full = paint_outlines(outlines, full)
    fruit = [_one_fruit(o, s, full, camera) for o, s in zip(outlines, solids, strict=True)]
    return fruit, full


def _segment(light: Float32, covered: Mask, floor: Mask, mm_per_px: float) -> tuple[Float32, Labels]:
    """Colour and shape in turn: what is coloured like skin but not shaped like fruit teaches what the ground is."""
    border = _border(covered.shape)
    odds = segment_skin(light, covered, floor, border)
    labels = part_fruit(odds > 0, mm_per_px)
    if _core_mm2((odds > 0) & (labels == 0), mm_per_px) > MISSHAPEN_MM2:
        misshapen = (odds > 0) & (labels == 0)
        odds = segment_skin(light, covered, floor, border, known_skin=labels > 0, known_ground=misshapen)
        labels = part_fruit(odds > 0, mm_per_px)
    if _core_mm2((odds > -DOUBTFUL[-1] - 1) & (labels == 0), mm_per_px) > DOUBTFUL_MM2:
        # skin of a colour that nobody expected still stands out from the floor, and in the shape of fruit
        bolder = max((part_fruit(odds > -limit, mm_per_px) for limit in DOUBTFUL), key=np.count_nonzero)
        if np.count_nonzero(bolder) > BOLDER_GAIN * np.count_nonzero(labels):
            ground = (odds < -DOUBTFUL[-1]) & (bolder == 0)
            odds = segment_skin(light, covered, floor, border, known_skin=bolder > 0, known_ground=ground)
            relearned = part_fruit(odds > 0, mm_per_px)
            labels = max(bolder, relearned, key=np.count_nonzero)
    return odds, labels


def _core_mm2(mask: Mask, mm_per_px: float) -> float:
    """Area of a mask without its thin parts, such as the rims of fruit."""
    core = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=2)
    return float(np.count_nonzero(core)) * mm_per_px**2


def _one_fruit(outline: Outline, solid: RestingSolid, labels: Labels, camera: Camera) -> Fruit:
    height, width = labels.shape
    low = np.floor(outline.points_px.min(axis=0)).astype(int) - WINDOW_MARGIN_PX
    high = np.ceil(outline.points_px.max(axis=0)).astype(int) + WINDOW_MARGIN_PX + 1
    x0, y0 = np.clip(low, 0, [width - 1, height - 1]).tolist()
    x1, y1 = np.clip(high, 1, [width, height]).tolist()
    here = labels[y0:y1, x0:x1]
    inside = here == outline.label
    skin = map_skin(inside, (x0, y0), outline, solid, camera, (here > 0) & ~inside)
    edge = bool((low + WINDOW_MARGIN_PX < 1).any() or (high - WINDOW_MARGIN_PX >= [width, height]).any())
    return Fruit(outline.label, (x0, y0), inside, outline, solid, skin, edge)


def _painted(outline_px: Float64 | None, shape: tuple[int, ...], factor: int, grow_px: float) -> Mask:
    canvas = np.zeros(shape, np.uint8)
    if outline_px is None:
        return canvas > 0
    cv2.fillPoly(canvas, [np.round(outline_px / factor).astype(np.int32)], 1)
    size = 2 * max(round(grow_px), 1) + 1
    return np.asarray(cv2.dilate(canvas, np.ones((size, size), np.uint8)) > 0)


def _border(shape: tuple[int, ...]) -> Mask:
    border = np.ones(shape, bool)
    width = max(round(shape[1] * BENCH_SHARE), 2)
    border[width:-width, width:-width] = False
    return border


def _in_reading_order(labels: Labels) -> Labels:
    """Renumber: rows from the top, each from the left; fruit share a row while their middles are close in height."""
    count = int(labels.max())
    at = np.flatnonzero(labels > 0)
    which = labels.take(at)
    ys, xs = np.divmod(at, labels.shape[1])
    pixels = np.bincount(which, minlength=count + 1)[1:]
    middle_y = np.bincount(which, weights=ys, minlength=count + 1)[1:] / pixels
    middle_x = np.bincount(which, weights=xs, minlength=count + 1)[1:] / pixels
    row_height = 0.55 * float(np.sqrt(np.median(pixels)))
    order: list[int] = []
    waiting = list(np.argsort(middle_y, kind="stable"))
    while waiting:
        top = middle_y[waiting[0]]
        row = [i for i in waiting if middle_y[i] - top < row_height]
        order += sorted(row, key=lambda i: middle_x[i])
        waiting = [i for i in waiting if i not in row]
    numbers = np.zeros(count + 1, np.int32)
    numbers[np.array(order) + 1] = np.arange(1, count + 1)
    return np.asarray(numbers.take(labels))
