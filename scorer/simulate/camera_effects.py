"""From the light of the scene to the phone's picture: exposure, tone curve, blur, sharpening, noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.colour import LUMINANCE_BGR
from scorer.simulate.light import LightRig, kelvin_bgr

Floats = NDArray[np.floating[Any]]


_TAKEN_OUT = (0.75, 1.0)
"""Share of a light's colour that a phone takes out, as a power; of a warm lamp's some is left. From memory."""
_TABLE_STEPS = 4096
_TABLE_TOP = 2.0  # light beyond this, for 1 as white, is clipped before the tone curve


@dataclass(frozen=True)
class PhoneLook:
    """How one phone shows light.

    Attributes
    ----------
    gain : (3,) exposure and white balance for B, G, R.
    vignette : loss of light in the far corner.
    contrast, shoulder, lift : S curve on the sRGB-coded values, roll-off of the highlights, raised blacks.
    saturation : factor on the distance from grey.
    luma_noise, colour_noise : standard deviations in 8-bit levels at mid grey.
    blur_px : sigma of the defocus; motion_px, motion_turn : length and direction of the shake.
    sharpen : strength of the sharpening halo.
    """

    gain: Floats
    vignette: float
    contrast: float
    shoulder: float
    lift: float
    saturation: float
    luma_noise: float
    colour_noise: float
    blur_px: float
    motion_px: float
    motion_turn: float
    sharpen: float


def draw_phone(rng: np.random.Generator, rig: LightRig, brightness: float) -> PhoneLook:
    """Draw a phone; ``brightness`` is the mean luminance of the scene, which the exposure follows halfway."""
    exposure = 0.8 * (0.3 / (0.1 + 0.65 * brightness)) ** 0.5 * 2 ** float(np.clip(rng.normal(0, 0.4), -1, 1))
    white = rig.white / float(rig.white @ LUMINANCE_BGR)
    miss = np.exp(np.array([rng.normal(0, 0.07), 0.0, rng.normal(0, 0.07)]) + rng.normal(0, 0.015, 3))
    kept = rng.uniform(*_TAKEN_OUT)
    return PhoneLook(
        exposure * white**-kept * miss,
        float(rng.uniform(0, 0.35)),
        float(rng.uniform(-0.1, 0.35)),
        float(rng.uniform(0.0, 0.5)),
        float(rng.uniform(0, 0.03)),
        float(rng.uniform(0.8, 1.3)),
        float(rng.choice([rng.uniform(0.5, 2.0), rng.uniform(2, 6)])),
        float(rng.uniform(0.3, 3.0)),
        float(rng.choice([0.45, rng.uniform(0.4, 0.9), rng.uniform(0.8, 1.5)], p=[0.4, 0.4, 0.2])),
        float(rng.choice([0.0, rng.uniform(1, 4)], p=[0.85, 0.15])),
        float(rng.uniform(0, np.pi)),
        float(rng.uniform(0, 0.9)),
    )


def kelvin_of_cast(cast: float) -> float:
    """Colour temperature of the light of which phones usually leave such a cast, within what lamps and the sky have.

    Parameters
    ----------
    cast : natural logarithm of red over blue, in linear light, of a grey sheet in the photo.
    """
    kelvins = np.linspace(9000, 2360, 400)
    return float(np.interp(cast, [cast_of_kelvin(kelvin) for kelvin in kelvins], kelvins))


def cast_of_kelvin(kelvin: float) -> float:
    """Cast that phones usually leave of light of a colour temperature, as for ``kelvin_of_cast``."""
    blue, _, red = kelvin_bgr(kelvin)
    return (1 - float(np.mean(_TAKEN_OUT))) * float(np.log(red / blue))


def _tone_table(phone: PhoneLook) -> Floats:
    """sRGB-coded value in 0..1 for each step of light."""
    light = np.arange(_TABLE_STEPS) * (_TABLE_TOP / (_TABLE_STEPS - 1))
    knee = 1 - 0.5 * phone.shoulder
    rolled = np.where(
        light < knee,
        light,
        knee + (1 - knee) * (1 - np.exp(-np.maximum(light - knee, 0) / max(1 - knee, 1e-3))),
    )
    rolled = np.clip(rolled, 0, 1)
    coded = np.where(rolled <= 0.0031308, 12.92 * rolled, 1.055 * np.maximum(rolled, 0.0031308) ** (1 / 2.4) - 0.055)
    curved = coded + phone.contrast * coded * (1 - coded) * (2 * coded - 1)
    return np.asarray(np.clip(phone.lift + (1 - phone.lift) * curved, 0, 1), np.float32)


def corner_loss(phone: PhoneLook, rows: slice, columns: slice, size_px: tuple[int, int]) -> Floats:
    """Factor (h, w) of the light that the lens lets through, in a window of the picture."""
    width, height = size_px
    x = (np.arange(columns.start, columns.stop, dtype=np.float32) - (width - 1) / 2) / (width / 2)
    y = (np.arange(rows.start, rows.stop, dtype=np.float32) - (height - 1) / 2) / (width / 2)
    radius = (x[None, :] ** 2 + y[:, None] ** 2) / np.float32(1 + (height / width) ** 2)
    return np.asarray(1 - phone.vignette * radius, np.float32)


def develop(phone: PhoneLook, light: Floats, loss: Floats) -> Floats:
    """Noise-free picture (h, w, 3) in 0..1, sRGB-coded, of light (h, w, 3) that came through the lens."""
    exposed = light * (loss[..., None] * phone.gain.astype(np.float32))
    index = np.clip(exposed * np.float32((_TABLE_STEPS - 1) / _TABLE_TOP), 0, _TABLE_STEPS - 1).astype(np.uint16)
    coded = _tone_table(phone)[index]
    grey = coded @ np.array([0.114, 0.587, 0.299], np.float32)
    return np.asarray(
        np.clip(grey[..., None] + np.float32(phone.saturation) * (coded - grey[..., None]), 0, 1), np.float32
    )


def _motion_kernel(length_px: float, turn: float) -> Floats:
    side = int(length_px) * 2 + 3
    kernel = np.zeros((side, side), np.uint8)
    reach = np.array([np.cos(turn), np.sin(turn)]) * length_px / 2
    ends = [np.round((np.array([side // 2, side // 2]) + sign * reach) * 16).astype(int) for sign in (-1, 1)]
    cv2.line(kernel, (int(ends[0][0]), int(ends[0][1])), (int(ends[1][0]), int(ends[1][1])), 255, 1, cv2.LINE_AA, 4)
    return kernel.astype(np.float32) / max(float(kernel.sum()), 1.0)


def blur_light(phone: PhoneLook, light: Floats) -> Floats:
    """Defocus and shake, on the light before it is coded."""
    blurred = cv2.GaussianBlur(light, (0, 0), phone.blur_px)
    if phone.motion_px > 0:
        blurred = cv2.filter2D(blurred, -1, _motion_kernel(phone.motion_px, phone.motion_turn))
    return np.asarray(blurred, np.float32)


def finish(rng: np.random.Generator, phone: PhoneLook, coded: Floats) -> NDArray[np.uint8]:
    """Add noise and sharpening, and round to 8 bits."""
    height, width = coded.shape[:2]
    picture = coded * np.float32(255)
    grain = rng.standard_normal((height, width), dtype=np.float32)
    if rng.random() < 0.5:
        grain = cv2.GaussianBlur(grain, (0, 0), 0.6) * np.float32(1.6)
    weight = np.sqrt(np.clip(1.3 - coded.mean(axis=2), 0.2, 1.3))
    picture += (grain * np.float32(phone.luma_noise) * weight)[..., None]
    coarse = rng.standard_normal((height // 2 + 1, width // 2 + 1, 3), dtype=np.float32)
    colour = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR)
    picture += colour * np.float32(phone.colour_noise)
    if phone.sharpen > 0.05:
        soft = cv2.GaussianBlur(picture, (0, 0), 1.1)
        picture += np.float32(phone.sharpen) * (picture - soft)
    return np.asarray(np.clip(picture + 0.5, 0, 255), np.uint8)
