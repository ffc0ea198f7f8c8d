"""How sharp the photo is, read where a sharp edge is known to be: the black sides of the card's markers.

Fruit outlines are soft by nature (a round rim, a shadow, fuzz), so they cannot tell a sharp photo from a soft one; a
printed edge can. Across each side the brightness is followed from black to white in linear light, in which blur adds
up as it does in the lens, and the way from 10 to 90 % of the step is the width of the edge. For a Gaussian blur that
is 2.563 times its standard deviation (the quantiles of the normal distribution).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.card.correction import ColourCorrection
from scorer.card.definition import CardDefinition
from scorer.card.pose import CardPose

Float64 = NDArray[np.float64]

WIDTH_OF_SIGMA = 2.5631  # 10-90 % width of a Gaussian edge over its standard deviation
INWARD_MM, OUTWARD_MM = 2.4, 3.3  # the black border is 22 mm / 6 wide, the white around it 5 mm or more
BLACK_MM, WHITE_MM = (
    (-2.2, -1.5),
    (2.6, 3.3),
)  # where both are read: black midway between the border's two edges
SAMPLES_PER_PX = 3
PROFILES = 14  # across each side, between
NEAREST_CORNER = 0.15  # this share of the side and the same from its other end
CLEAR_STEP = 0.6  # of the median step over all sides; less is covered, in glare or in a shadow's edge
CLEAR_SHARE = 0.6  # of a side's profiles; with fewer the side is left out


@dataclass(frozen=True)
class EdgeWidth:
    """Width of the card's printed edges from 10 to 90 % of their step.

    Parameters
    ----------
    mm : on the card.
    px : in pixels of the working picture.
    sides : how many sides of markers it rests on.
    """

    mm: float
    px: float
    sides: int


def marker_edge_width(
    bgr: NDArray[np.uint8], pose: CardPose, card: CardDefinition, correction: ColourCorrection
) -> EdgeWidth | None:
    """Measure the width of the found markers' edges; None when too few sides can be read.

    A shaken photo is soft in one direction only, so the sides that run along the card and those across it are taken
    apart, each by its median, and the softer direction counts.

    Parameters
    ----------
    bgr : (H, W, 3) uint8 working picture, the sharpest there is.
    pose : where the card lies in it.
    card : what is printed on the card.
    correction : from 8-bit values to linear light.
    """
    inner_mm, outward = _sides(pose, card)
    px_per_mm = _px_per_mm(pose, inner_mm[:, PROFILES // 2], outward)
    samples = round((INWARD_MM + OUTWARD_MM) * SAMPLES_PER_PX * float(px_per_mm.max()))
    at_mm = np.linspace(-INWARD_MM, OUTWARD_MM, samples)
    points_mm = inner_mm[:, :, None] + at_mm[None, None, :, None] * outward[:, None, None]
    where = pose.to_pixels(points_mm.reshape(-1, 2)).astype(np.float32).reshape(-1, len(at_mm), 2)
    seen = cv2.remap(bgr, where, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    light = correction.to_linear(seen)[..., 1].reshape(len(inner_mm), PROFILES, len(at_mm))
    light[~_in_picture(where, bgr.shape[:2]).reshape(light.shape[:2])] = np.nan
    widths_mm = _widths_mm(light.astype(np.float64), at_mm)
    along = np.abs(outward[:, 0]) > 0.5
    read = np.isfinite(widths_mm)
    found = [
        (float(np.median(widths_mm[one])), float(np.median(px_per_mm[one])), int(one.sum()))
        for one in (read & along, read & ~along)
        if one.any()
    ]
    if sum(sides for _, _, sides in found) < 2:
        return None
    mm, scale, _ = max(found)
    return EdgeWidth(mm, mm * scale, sum(sides for _, _, sides in found))


def _sides(pose: CardPose, card: CardDefinition) -> tuple[Float64, Float64]:
    """Card points (S, PROFILES, 2) on the sides of the found markers, and the sides' outward normals (S, 2)."""
    corners = np.stack([card.marker_corners_mm[number] for number in pose.markers])
    start, end = corners.reshape(-1, 2), np.roll(corners, -1, axis=1).reshape(-1, 2)
    share = np.linspace(NEAREST_CORNER, 1 - NEAREST_CORNER, PROFILES)[None, :, None]
    points = start[:, None] + share * (end - start)[:, None]
    outward = points.mean(axis=1) - np.repeat(corners.mean(axis=1), 4, axis=0)
    return points, outward / np.linalg.norm(outward, axis=1, keepdims=True)


def _px_per_mm(pose: CardPose, middle_mm: Float64, outward: Float64) -> Float64:
    return np.asarray(
        np.linalg.norm(pose.to_pixels(middle_mm + outward / 2) - pose.to_pixels(middle_mm - outward / 2), axis=1)
    )


def _in_picture(where: NDArray[np.float32], shape: tuple[int, int]) -> NDArray[np.bool_]:
    ends = where[:, [0, -1]]
    return np.asarray(((ends >= 0) & (ends <= np.array(shape[::-1], np.float32) - 1)).all(axis=(1, 2)))


def _widths_mm(light: Float64, at_mm: Float64) -> Float64:
    """Width (S,) of each side's edge from its profiles (S, PROFILES, N); NaN where the side cannot be read.

    The profiles of a side are laid over each other at their own half-way points, so that neither a marker corner
    found half a pixel off nor a slightly bent card widens the edge, and then averaged, so that noise does not.
    """
    black, white = (
        np.median(light[..., (at_mm >= low) & (at_mm <= high)], axis=2) for low, high in (BLACK_MM, WHITE_MM)
    )
    step = white - black
    if not np.isfinite(step).any():
        return np.full(len(light), np.nan)
    clear = step > CLEAR_STEP * float(np.nanmedian(step))
    widths = np.full(len(light), np.nan)
    for side in np.flatnonzero(clear.mean(axis=1) >= CLEAR_SHARE):
        one = clear[side]
        rise = (light[side][one] - black[side][one][:, None]) / step[side][one][:, None]
        widths[side] = _width_of(rise, at_mm)
    return widths


def _width_of(rise: Float64, at_mm: Float64) -> float:
    """10-90 % width of profiles (P, N) that rise from 0 to 1."""
    half_way = _half_ways(rise, at_mm)
    found = np.isfinite(half_way)
    if not found.any():
        return float("nan")
    kept = found & (np.abs(half_way - np.median(half_way[found])) < 0.5)
    if kept.mean() < CLEAR_SHARE:
        return float("nan")
    shift = half_way[kept]
    aligned = np.median([np.interp(at_mm + s, at_mm, each) for s, each in zip(shift, rise[kept], strict=True)], axis=0)
    return _crossing(aligned, at_mm, 0.9) - _crossing(aligned, at_mm, 0.1)


def _half_ways(rise: Float64, at_mm: Float64) -> Float64:
    """Where profiles (P, N) rise through their half, nearest to 0; NaN for those that never do."""
    above = rise >= 0.5
    rises = ~above[:, :-1] & above[:, 1:]
    left = np.where(rises, np.abs(at_mm[:-1]), np.inf).argmin(axis=1)
    each = np.arange(len(rise))
    low, high = rise[each, left], rise[each, left + 1]
    share = (0.5 - low) / np.where(high != low, high - low, 1.0)
    return np.where(rises.any(axis=1), at_mm[left] + share * (at_mm[left + 1] - at_mm[left]), np.nan)


def _crossing(rise: Float64, at_mm: Float64, level: float) -> float:
    """Where a profile passes a level, nearest to the edge's half-way point; NaN if it never does."""
    above = rise >= 0.5
    middles = np.flatnonzero(~above[:-1] & above[1:])
    if not len(middles):
        return float("nan")
    middle = middles[np.argmin(np.abs(at_mm[middles]))]
    if level >= 0.5:
        later = np.flatnonzero(rise[middle:] >= level)
        right = middle + later[0] if len(later) else -1
    else:
        earlier = np.flatnonzero(rise[: middle + 1] <= level)
        right = earlier[-1] + 1 if len(earlier) else -1
    if right < 1:
        return float("nan")
    low, high = rise[right - 1], rise[right]
    share = (level - low) / (high - low) if high != low else 0.5
    return float(at_mm[right - 1] + share * (at_mm[right] - at_mm[right - 1]))
