"""White balance, exposure and colour correction from the card's patches into CIELAB.

Method: the light's fall-off over the card is read from the blank paper between the patches and taken out. Then,
in linear light, each channel gets a gain and an exponent (which undoes the phone's tone curve) and a 3 x 3 matrix
mixes them; the matrix keeps neutral colours neutral. All are fitted together to the least robust CIELAB distance from
the patches' nominal colours, with a weak pull towards "no change" so that few or glaring patches cannot bend it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from scorer.card.definition import CardDefinition
from scorer.card.pose import CardPose
from scorer.colour import delta_e00, linear_bgr_to_lab, linear_rgb_to_lab, srgb_to_linear

Float64 = NDArray[np.float64]
Float32 = NDArray[np.float32]

FEWEST_PATCHES = 8
CLIPPED = 252  # an 8-bit value from here on no longer follows the light
PULL_GAMMA, PULL_MATRIX = 8.0, 6.0  # in units of Delta E per unit of exponent or matrix cell


@dataclass(frozen=True)
class ColourCorrection:
    """Turns a photo's 8-bit values into linear sRGB light and CIELAB under D65.

    Parameters
    ----------
    gain, exponent : (3,) per channel, R, G, B: light = gain * linear ** exponent.
    matrix : (3, 3) acting on R, G, B rows after gain and exponent; its rows sum to 1.
    residual_delta_e00 : mean CIEDE2000 over the patches used; NaN where no card was read.
    """

    gain: Float64
    exponent: Float64
    matrix: Float64
    residual_delta_e00: float

    @cached_property
    def _table(self) -> Float32:
        linear = srgb_to_linear(np.arange(256) / 255)[:, None]
        light = self.gain * linear**self.exponent
        return np.ascontiguousarray(light[:, ::-1], dtype=np.float32).reshape(1, 256, 3)

    @cached_property
    def _matrix_bgr(self) -> Float32:
        return np.ascontiguousarray(self.matrix[::-1, ::-1], dtype=np.float32)

    def to_linear(self, bgr: NDArray[np.uint8]) -> Float32:
        """Corrected linear light, float32 (H, W, 3) in B, G, R order, from a uint8 image of the same order."""
        return np.asarray(cv2.transform(cv2.LUT(bgr, self._table), self._matrix_bgr))

    def to_lab(self, bgr: NDArray[np.uint8]) -> Float32:
        """Corrected CIELAB, float32 (H, W, 3), from a uint8 B, G, R image."""
        return linear_bgr_to_lab(self.to_linear(bgr))


def no_correction() -> ColourCorrection:
    """Take the photo's values as sRGB, for photos without a card."""
    return ColourCorrection(np.ones(3), np.ones(3), np.eye(3), float("nan"))


def fit_correction(bgr: NDArray[np.uint8], pose: CardPose, card: CardDefinition) -> ColourCorrection | None:
    """Fit the correction to the card's patches; None when too few patches can be read.

    Parameters
    ----------
    bgr : (H, W, 3) uint8 working image.
    pose : where the card lies.
    card : the patches' nominal colours.
    """
    seen, clipped, spread = _read_squares(bgr, pose, card.patch_centres_mm, card.patch_side_mm * 0.55)
    usable = ~clipped & (spread < 0.25)
    if usable.sum() < FEWEST_PATCHES:
        return None
    light = _light_over_card(bgr, pose, card)
    flat = np.clip(seen[usable] / light[usable, None], 1e-4, None)
    wanted_srgb = card.patch_srgb[usable]
    gain, exponent, matrix = _fit(flat, wanted_srgb)
    residual = delta_e00(_corrected_lab(flat, gain, exponent, matrix), linear_rgb_to_lab(srgb_to_linear(wanted_srgb)))
    return ColourCorrection(gain, exponent, matrix, float(residual.mean()))


def _read_squares(
    bgr: NDArray[np.uint8], pose: CardPose, centres_mm: Float64, side_mm: float
) -> tuple[Float64, NDArray[np.bool_], Float64]:
    """Median linear R, G, B (N, 3), whether clipped (N,) and relative spread (N,) inside squares on the card."""
    steps = (np.arange(9) - 4) / 8 * side_mm
    offsets = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    points = pose.to_pixels((centres_mm[:, None] + offsets).reshape(-1, 2)).astype(np.float32)
    values = cv2.remap(bgr, points.reshape(len(centres_mm), -1, 2), None, cv2.INTER_LINEAR, borderValue=(255, 255, 255))
    linear = srgb_to_linear(values[..., ::-1] / 255.0)
    median = np.median(linear, axis=1)
    spread = np.median(np.abs(linear - median[:, None]), axis=1).max(axis=1) / np.maximum(median.max(axis=1), 0.02)
    return median, (np.median(values, axis=1) >= CLIPPED).any(axis=1), spread


def _light_over_card(bgr: NDArray[np.uint8], pose: CardPose, card: CardDefinition) -> Float64:
    """Relative light (P,) at each patch, mean 1, from a plane through the logarithm of the paper's brightness."""
    points = card.paper_points_mm
    paper, _, _ = _read_squares(bgr, pose, points, 1.2)
    brightness = np.log(np.maximum(paper.mean(axis=1), 1e-4))
    middle = np.array([card.width_mm, card.height_mm]) / 2

    def columns(at_mm: Float64) -> Float64:
        return np.column_stack([np.ones(len(at_mm)), (at_mm - middle) / 100])

    design = columns(points)
    plane = least_squares(
        lambda p: design @ p - brightness,
        [np.median(brightness), 0, 0],
        jac=lambda _: design,
        loss="soft_l1",
        f_scale=0.03,
    )
    slope = np.clip(plane.x[1:], -1.0, 1.0)
    light = np.exp(columns(card.patch_centres_mm)[:, 1:] @ slope)
    return np.asarray(light / light.mean())


def _fit(flat: Float64, wanted_srgb: Float64) -> tuple[Float64, Float64, Float64]:
    wanted_lab = linear_rgb_to_lab(srgb_to_linear(wanted_srgb))
    neutral = np.ptp(wanted_srgb, axis=1) < 0.02
    greys = neutral if neutral.sum() >= 2 else np.ones(len(flat), bool)
    first_gain = np.log(np.median(srgb_to_linear(wanted_srgb[greys]) / flat[greys], axis=0))

    def unpack(p: Float64) -> tuple[Float64, Float64, Float64]:
        off = np.zeros((*p.shape[:-1], 3, 3))
        off[..., ~np.eye(3, dtype=bool)] = p[..., 6:]
        return np.exp(p[..., :3]), np.exp(p[..., 3:6]), off + np.eye(3) * (1 - off.sum(axis=-1, keepdims=True))

    def residuals(p: Float64) -> Float64:
        distance = (_unclipped_lab(flat, *unpack(p)) - wanted_lab).reshape(*p.shape[:-1], -1)
        robust = np.sign(distance) * 3 * np.sqrt(np.log1p((distance / 3) ** 2))  # Cauchy, scale 3 Delta E
        return np.concatenate([robust, PULL_GAMMA * p[..., 3:6], PULL_MATRIX * p[..., 6:]], axis=-1)

    def slopes(p: Float64) -> Float64:
        step = np.sqrt(np.finfo(float).eps) * np.maximum(1, np.abs(p))
        return np.asarray((residuals(p + np.diag(step)) - residuals(p)).T / step)

    start = np.concatenate([first_gain, np.zeros(9)])
    return unpack(least_squares(residuals, start, jac=slopes, method="lm", max_nfev=250).x)


def _corrected_lab(flat: Float64, gain: Float64, exponent: Float64, matrix: Float64) -> Float64:
    return linear_rgb_to_lab((gain * flat**exponent) @ matrix.T)


def _unclipped_lab(flat: Float64, gain: Float64, exponent: Float64, matrix: Float64) -> Float64:
    """CIELAB (..., P, 3) by one or many corrections, without gamut clipping, so that the fit's slope never vanishes."""
    rgb = (gain[..., None, :] * flat ** exponent[..., None, :]) @ np.swapaxes(matrix, -1, -2)
    xyz = rgb @ _RGB_TO_XYZ_RELATIVE.T
    f = np.where(xyz > 0.008856, np.cbrt(np.maximum(xyz, 0.008856)), 7.787 * xyz + 16 / 116)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


# IEC 61966-2-1 primaries over the D65 white point, so that white is (1, 1, 1)
_RGB_TO_XYZ_RELATIVE = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
) / np.array([[0.95047], [1.0], [1.08883]])
