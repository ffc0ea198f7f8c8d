"""How each pixel of a fruit differs from that fruit's own skin, at three scales, and how rough or lined it is there.

A mark is judged against the skin it lies on: green, yellow or blush, lit or in shade. The skin without marks is
estimated three times: over the whole fruit (a robust smooth surface in place and slant), over some centimetres and
over some millimetres (medians). What remains are contrasts: large stains show in the first, spots in the second,
lines and dots in the third.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.fruit.skin import SkinMap
from scorer.median import median

Float32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

SURFACE_STEP_MM, MID_STEP_MM, FINE_STEP_MM = 2.0, 3.0, 1.0
MEDIAN_WINDOW = 5  # cells: 15 mm on the mid grid, 5 mm on the fine one
BROAD_MM = 1.5
ROBUST_ROUNDS = 4
CONTRASTS: Final = (
    "lightness_over_fruit",
    "a_over_fruit",
    "b_over_fruit",
    "lightness_over_cm",
    "a_over_cm",
    "b_over_cm",
    "lightness_over_mm",
    "a_over_mm",
    "b_over_mm",
    "ridge_fine",
    "ridge_wide",
    "roughness",
    "lining",
    "lightness_broad",
    "a_broad",
    "b_broad",
    "patchiness",
    "facing",
    "skin_lightness",
    "skin_a",
    "skin_b",
)
"""Names of the maps, in the order of the first axis. Colours in CIELAB units scaled to 1 for 10 Delta E."""


def contrast_maps(lab: Float32, inside: Mask, skin: SkinMap) -> Float32:
    """Contrast maps of one fruit, float32 (len(CONTRASTS), H, W); values outside the fruit mean nothing.

    Parameters
    ----------
    lab : (H, W, 3) float32 CIELAB of the fruit's window.
    inside : (H, W) bool; the fruit's pixels.
    skin : the same window's skin map.
    """
    height, width = inside.shape
    size = (width, height)
    filled = fill_outside(lab, inside)
    lightness = cv2.extractChannel(filled, 0)
    surface_px, mid_px, fine_px = (s / skin.mm_per_px for s in (SURFACE_STEP_MM, MID_STEP_MM, FINE_STEP_MM))
    small, small_inside, small_skin = _shrink(filled, inside, skin, surface_px)
    surface = _robust_surface(small, small_inside, small_skin)
    fruit_base = _resized(surface, size)
    mid_base = fruit_base + _resized(_median(fill_outside(small - surface, small_inside), mid_px / surface_px), size)
    fine_base = mid_base + _resized(_median(filled - mid_base, fine_px), size)
    maps = np.empty((len(CONTRASTS), height, width), np.float32)
    calm = cv2.split(cv2.GaussianBlur(filled, (0, 0), 0.22 / skin.mm_per_px))
    bases = [cv2.split(base) for base in (fruit_base, mid_base, fine_base)]
    for i, base in enumerate(bases):
        for k, plane in enumerate(base):
            cv2.addWeighted(calm[k], 0.1, plane, -0.1, 0, dst=maps[3 * i + k])
    maps[9] = _ridge(lightness, 0.35 / skin.mm_per_px)
    maps[10] = _ridge(lightness, 0.9 / skin.mm_per_px)
    maps[11], maps[12] = _texture(lightness, inside, skin.mm_per_px)
    broad = _blurred(_half(cv2.merge([maps[0], maps[1], maps[2]])), BROAD_MM / skin.mm_per_px / 2)
    maps[13:16] = cv2.split(_resized(broad, size))
    maps[16] = _resized(_patchiness(_half(maps[5]), 2 * skin.mm_per_px), size)
    maps[17] = skin.facing
    for k, (plane, middle) in enumerate(zip(bases[1], (55, 0, 35), strict=True)):
        np.multiply(plane - np.float32(middle), np.float32(1 / 20), out=maps[18 + k])
    return maps


def fill_outside(image: Float32, inside: Mask) -> Float32:
    """Carry the fruit's colours outward over its window, so that filters see no edge at the rim."""
    share = inside.astype(np.float32)
    colour, here = _half(image * cv2.merge([share] * 3)), cv2.merge([_half(share)] * 3)
    levels = [(colour, here)]
    while min(here.shape[:2]) > 3:
        colour, here = cv2.pyrDown(colour), cv2.pyrDown(here)
        levels.append((colour, here))
    result = colour / np.maximum(here, 1e-3)
    for colour, here in reversed(levels[:-1]):
        result = cv2.pyrUp(result, dstsize=(here.shape[1], here.shape[0]))
        result = colour / np.maximum(here, 1e-3) * here + result * (1 - here)
    result = _resized(result, (image.shape[1], image.shape[0]))
    return np.asarray(cv2.copyTo(image, inside.astype(np.uint8), result), np.float32)


def _shrink(lab: Float32, inside: Mask, skin: SkinMap, step_px: float) -> tuple[Float32, Mask, Float32]:
    size = _grid(inside.shape, step_px)
    small = cv2.resize(lab, size, interpolation=cv2.INTER_AREA)
    about = cv2.merge([inside.astype(np.float32), skin.facing, cv2.extractChannel(skin.point_mm, 0)])
    share, facing, along_mm = cv2.split(cv2.resize(about, size, interpolation=cv2.INTER_AREA))
    return small, share > 0.6, np.stack([facing, along_mm / np.float32(skin.half_length_mm)])


def _robust_surface(lab: Float32, inside: Mask, place: Float32) -> Float32:
    """Smooth skin colour over the whole fruit by iteratively reweighted least squares (Tukey's biweight)."""
    height, width = inside.shape
    y, x = np.meshgrid(
        np.arange(height, dtype=np.float32) / height * 2 - 1,
        np.arange(width, dtype=np.float32) / width * 2 - 1,
        indexing="ij",
    )
    facing, along = place
    rim = (1 - facing) ** 2
    terms = np.stack(
        [
            np.ones_like(x),
            x,
            y,
            x * x,
            x * y,
            y * y,
            x * x * x,
            x * x * y,
            x * y * y,
            y * y * y,
            facing,
            rim,
            rim * x,
            rim * y,
            along,
        ]
    )
    at = np.flatnonzero(inside)
    basis = terms.reshape(len(terms), -1).take(at, axis=1).astype(np.float64)
    seen = lab.reshape(-1, 3).take(at, axis=0).T.astype(np.float64)
    both = np.vstack([basis, seen])
    weight = np.clip(facing.take(at), 0.1, 1).astype(np.float64)
    ridge = np.eye(len(terms)) * 1e-3 * len(at)
    ridge[0, 0] = 1e-9
    robust = np.ones(len(at))
    for _ in range(ROBUST_ROUNDS):
        moments = (basis * (weight * robust)) @ both.T
        solution = np.linalg.solve(moments[:, : len(terms)] + ridge, moments[:, len(terms) :])
        left = seen - solution.T @ basis
        scale = np.maximum([1.4826 * median(np.abs(channel)) for channel in left], [2.0, 1.5, 2.0])
        away = np.sqrt(((left / scale[:, None]) ** 2).sum(axis=0)) / 5.5
        robust = np.where(away < 1, (1 - away**2) ** 2, 0) + 1e-3
    return np.asarray(np.tensordot(terms, solution, axes=(0, 0)), np.float32)


def _median(image: Float32, step_px: float) -> Float32:
    """Median over MEDIAN_WINDOW cells of a grid with cells of ``step_px``."""
    coarse = cv2.resize(image, _grid(image.shape, step_px), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.medianBlur(coarse, MEDIAN_WINDOW), np.float32)


def _grid(shape: tuple[int, ...], step_px: float) -> tuple[int, int]:
    return max(round(shape[1] / step_px), 6), max(round(shape[0] / step_px), 6)


def _resized(image: Float32, size: tuple[int, int]) -> Float32:
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_LINEAR), np.float32)


def _ridge(lightness: Float32, sigma_px: float) -> Float32:
    """Strength of a dark line through each pixel: the larger curvature of lightness across it, times sigma squared."""
    sigma = max(sigma_px, 0.7)
    smooth = cv2.GaussianBlur(lightness, (0, 0), sigma)
    half_xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3, scale=0.125)
    half_yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3, scale=0.125)
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3, scale=0.25)
    larger = half_xx + half_yy + cv2.magnitude(half_xx - half_yy, xy)
    return np.asarray(np.clip(larger * np.float32(sigma * sigma / 3), -2, 3), np.float32)


def _texture(lightness: Float32, inside: Mask, mm_per_px: float) -> tuple[Float32, Float32]:
    """Roughness against this fruit's own, and how far it runs in one direction (coherence of the structure tensor)."""
    smooth = _blurred(lightness, 0.25 / mm_per_px)
    dx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    dy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    xx, yy, xy = cv2.split(_blurred(_half(cv2.merge([dx * dx, dy * dy, dx * dy])), 0.6 / mm_per_px))
    energy = xx + yy
    usual = median(energy[_half(inside.astype(np.uint8)) > 0]) + 1e-3
    coherence = cv2.sqrt((xx - yy) ** 2 + 4 * xy * xy) / (energy + 0.3 * usual)
    roughness = np.clip(cv2.log(energy / usual + 0.05), -2, 4)
    size = (inside.shape[1], inside.shape[0])
    return _resized(roughness, size), _resized(coherence, size)


def _half(image: NDArray[Any]) -> NDArray[Any]:
    """The image at half its size: broad windows lose nothing by it."""
    size = (max(image.shape[1] // 2, 2), max(image.shape[0] // 2, 2))
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA))


def _blurred(image: Float32, sigma_px: float) -> Float32:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), max(sigma_px, 0.3)), np.float32)


def _patchiness(contrast: Float32, mm_per_px: float) -> Float32:
    """Spread of a contrast between places a millimetre or two apart, free of pixel noise."""
    places = cv2.GaussianBlur(contrast, (0, 0), 0.5 / mm_per_px)
    window = (0, 0), 2.0 / mm_per_px
    spread = cv2.GaussianBlur(places * places, *window) - cv2.GaussianBlur(places, *window) ** 2
    return np.asarray(3 * np.sqrt(np.maximum(spread, 0)), np.float32)
