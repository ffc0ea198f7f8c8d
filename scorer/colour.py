"""Colour formulas that every step may use: sRGB, linear light, CIELAB and colour difference.

Images keep OpenCV's channel order (blue, green, red); colours given as rows are in R, G, B order and say so.
"""

from __future__ import annotations

from typing import Final, cast

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from skimage.color import deltaE_ciede2000, lab2xyz, rgb2lab

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]


LUMINANCE_BGR: Final = (0.0722, 0.7152, 0.2126)
"""Share of each channel in luminance (IEC 61966-2-1, sRGB)."""


def srgb_to_linear(srgb: ArrayLike) -> Float64:
    """Linear light from sRGB values in 0..1 (IEC 61966-2-1 transfer function); any shape."""
    v = np.asarray(srgb, float)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.04045) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: ArrayLike) -> Float64:
    """SRGB values in 0..1 from linear light (IEC 61966-2-1); values outside 0..1 are clipped."""
    v = np.clip(np.asarray(linear, float), 0.0, 1.0)
    return np.asarray(np.where(v <= 0.0031308, v * 12.92, 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055))


def linear_rgb_to_lab(linear_rgb: ArrayLike) -> Float64:
    """CIELAB (D65, 2 degrees) of linear sRGB rows in R, G, B order, shape (..., 3); clipped to the gamut."""
    return cast(Float64, rgb2lab(linear_to_srgb(linear_rgb)))


def lab_to_linear_rgb(lab: ArrayLike) -> Float64:
    """Linear sRGB (R, G, B order, may lie outside 0..1) of CIELAB rows, shape (..., 3)."""
    xyz_to_rgb = np.array(
        [
            [3.2404542, -1.5371385, -0.4985314],
            [-0.9692660, 1.8760108, 0.0415560],
            [0.0556434, -0.2040259, 1.0572252],
        ]
    )
    return np.asarray(cast(Float64, lab2xyz(np.asarray(lab, float))) @ xyz_to_rgb.T)


def linear_bgr_to_lab(linear_bgr: Float32) -> Float32:
    """CIELAB image, float32 (H, W, 3) with L in 0..100, from a linear-light B, G, R image in 0..1."""
    return cast(Float32, cv2.cvtColor(np.clip(linear_bgr, 0.0, 1.0), cv2.COLOR_LBGR2LAB))


def delta_e00(lab_1: ArrayLike, lab_2: ArrayLike) -> Float64:
    """CIEDE2000 colour difference of CIELAB rows, shape (..., 3) (Sharma, Wu & Dalal 2005)."""
    difference = deltaE_ciede2000(np.asarray(lab_1, float), np.asarray(lab_2, float))  # type: ignore[no-untyped-call]
    return np.asarray(difference, float)
