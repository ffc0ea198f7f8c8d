"""Tell fruit from everything else by colour, on any tray floor.

Skin of every ripeness reflects little blue for its green, or much red for its green; floors, benches, paper and metal
do neither as strongly. In the plane of log(R/G) and log(B/G) shading and shadow hardly move a colour. The floor about
the card and the bench at the picture's border show their own place in that plane, so a brown tray or a green liner is
learned from the photo itself; what lies elsewhere and could be skin is fruit. The photo's own histograms of both
classes then take over.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
Places = NDArray[np.intp]

STRAY_LIGHT = 0.012  # added to each channel so that noise in near-black pixels stays small
RED_WEIGHT, RED_FROM = 0.9, 0.1
GREEN_WEIGHT, GREEN_FROM = 0.4, -0.05
SKIN_FROM, SKIN_SLOPE = (
    0.75,
    3.5,
)  # likeness at which a colour is as probably skin as not, when nothing else is known
SURE_SKIN = 1.9  # no floor reaches this
SEED_RADIUS = 0.22  # a floor's spread in the colour plane, in units of the natural logarithm
BINS = 64  # cells of 0.06: a floor in even light spreads over two or three
RANGE_RG = (-1.6, 2.2)
RANGE_BG = (-3.2, 1.0)
LIGHT_BINS = 5
ROUNDS = 3
RARE = np.float32(1e-5)  # share of pixels below which a histogram cell says nothing


def segment_skin(
    light: Float32,
    not_fruit: Mask,
    floor_zone: Mask,
    bench_zone: Mask,
    *,
    known_skin: Mask | None = None,
    known_ground: Mask | None = None,
) -> Float32:
    """Log-odds that a pixel is fruit, float32 (H, W), above 0 for fruit.

    Parameters
    ----------
    light : (H, W, 3) float32 corrected linear light, B, G, R, at the resolution wanted.
    not_fruit : (H, W) bool; card and tag, left out of every histogram and never fruit.
    floor_zone : (H, W) bool; where the tray floor most probably shows, such as a ring about the card. May be empty.
    bench_zone : (H, W) bool; where fruit are unlikely, such as the picture's border.
    known_skin, known_ground : (H, W) bool; what an earlier look found by shape, if there was one.
    """
    rg, bg = _log_ratios(light)
    cell = _cells(rg, bg, light)
    open_ = ~not_fruit
    likeness = _likeness(rg, bg)
    seeds = np.zeros_like(not_fruit)
    for zone in (floor_zone, bench_zone):
        seeds |= _ground_seeds(rg, bg, likeness, zone & open_)
    if known_ground is not None:
        seeds |= known_ground & open_
    prior_skin, prior_ground = _prior_shares()
    skin, ground = prior_skin, 0.3 * prior_ground + 0.7 * _histogram(cell, seeds, spread_over_light=1.0)
    if known_skin is not None and known_skin.any():
        skin = 0.35 * prior_skin + 0.65 * _histogram(cell, known_skin & open_, spread_over_light=1.0)
    odds = likeness
    for _ in range(ROUNDS):
        odds = cv2.blur(np.log((skin + RARE) / (ground + RARE)).take(cell), (3, 3))
        odds[not_fruit] = -6
        skin = 0.35 * prior_skin + 0.65 * _histogram(cell, odds > 0.7)
        ground = 0.1 * prior_ground + 0.9 * _histogram(cell, ((odds < -0.7) | seeds) & open_)
    return np.asarray(odds)


def _log_ratios(light: Float32) -> tuple[Float32, Float32]:
    blue, green, red = cv2.split(cv2.log(np.maximum(light, 0) + np.float32(STRAY_LIGHT)))
    return red - green, blue - green


def _likeness(rg: Float32, bg: Float32) -> Float32:
    """How strongly a colour is that of mango skin: floors lie near 0-1, skin near 1-2.5."""
    red = np.float32(RED_WEIGHT) * np.maximum(rg - np.float32(RED_FROM), 0)
    green = np.float32(GREEN_WEIGHT) * np.maximum(np.float32(GREEN_FROM) - rg, 0)
    return np.asarray(red + green - bg)


def _ground_seeds(rg: Float32, bg: Float32, likeness: Float32, zone: Mask) -> Mask:
    """Pixels of ``zone`` near its commonest colour, if that is not plainly skin."""
    seeds = np.zeros_like(zone)
    if zone.sum() < 50:
        return seeds
    rg_here, bg_here = rg[zone], bg[zone]
    counts, rg_edges, bg_edges = np.histogram2d(rg_here, bg_here, bins=BINS, range=(RANGE_RG, RANGE_BG))
    smooth = cv2.GaussianBlur(counts.astype(np.float32), (0, 0), 1.2)
    i, j = np.unravel_index(int(smooth.argmax()), smooth.shape)
    at_rg, at_bg = rg_edges[i : i + 2].mean(), bg_edges[j : j + 2].mean()
    if float(_likeness(np.array(at_rg, np.float32), np.array(at_bg, np.float32))) > SURE_SKIN:
        return seeds
    near = (np.hypot(rg_here - at_rg, bg_here - at_bg) < SEED_RADIUS) | (likeness[zone] < 0.7)
    seeds[zone] = near
    return seeds


def _cells(rg: Float32, bg: Float32, light: Float32) -> Places:
    """Index of each pixel's cell in the (light, B/G, R/G) histogram."""
    column = np.clip((rg - RANGE_RG[0]) * (BINS / (RANGE_RG[1] - RANGE_RG[0])), 0, BINS - 1).astype(np.int32)
    row = np.clip((bg - RANGE_BG[0]) * (BINS / (RANGE_BG[1] - RANGE_BG[0])), 0, BINS - 1).astype(np.int32)
    brightness = np.clip(np.sqrt(np.maximum(light[..., 1], 0)) * LIGHT_BINS, 0, LIGHT_BINS - 1).astype(np.int32)
    return np.asarray((brightness * BINS + row) * BINS + column, np.intp)


def _prior_shares() -> tuple[Float32, Float32]:
    """Shares of skin and of other things per cell when nothing is known of the photo."""
    rg = np.linspace(*RANGE_RG, BINS, dtype=np.float32)[None, :]
    bg = np.linspace(*RANGE_BG, BINS, dtype=np.float32)[:, None]
    skin = 1 / (1 + np.exp(-SKIN_SLOPE * (_likeness(rg, bg) - SKIN_FROM)))
    shares = []
    for plane in (skin, 1 - skin):
        cube = np.repeat(plane[None], LIGHT_BINS, axis=0)
        shares.append((cube / cube.sum()).astype(np.float32).ravel())
    return shares[0], shares[1]


def _histogram(cell: Places, members: Mask, *, spread_over_light: float = 0.15) -> Float32:
    """Share of the members per cell, smoothed over neighbouring colours and, a little, over brightness."""
    own = cell.take(np.flatnonzero(members))
    counts = np.bincount(own, minlength=LIGHT_BINS * BINS * BINS).astype(np.float32)
    cube = np.stack([cv2.GaussianBlur(layer, (0, 0), 1.0) for layer in counts.reshape(LIGHT_BINS, BINS, BINS)])
    cube += spread_over_light * cube.mean(axis=0)
    return np.asarray(cube / max(float(cube.sum()), 1.0), np.float32).ravel()
