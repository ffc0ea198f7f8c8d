"""Seamless noise tiles, made once per tray and sampled at any scale: the grain of skin, marks and floors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


TILE_PX = 512
_SMOOTH_CYCLES = 32  # waves of the smooth tile from edge to edge
_FRACTAL_CYCLES = 6  # longest waves of the fractal tile from edge to edge


@dataclass(frozen=True)
class NoiseTiles:
    """Two seamless tiles of mean 0 and standard deviation 1.

    Attributes
    ----------
    smooth : (TILE_PX, TILE_PX) float32, blobs of one size.
    fractal : (TILE_PX, TILE_PX) float32, blobs of all sizes from the longest wave down.
    """

    smooth: Floats
    fractal: Floats

    def sample(
        self, rng: np.random.Generator, u_mm: Floats, v_mm: Floats, wave_mm: float, *, fractal: bool = False
    ) -> Floats:
        """Noise (same shape as ``u_mm``) whose main wave is ``wave_mm`` long, at a random place and turn."""
        tile, cycles = (self.fractal, _FRACTAL_CYCLES) if fractal else (self.smooth, _SMOOTH_CYCLES)
        scale = TILE_PX / cycles / wave_mm
        angle = rng.uniform(0, 2 * np.pi)
        cos, sin = np.float32(np.cos(angle) * scale), np.float32(np.sin(angle) * scale)
        shift = rng.uniform(0, TILE_PX, 2).astype(np.float32)
        at_x = np.mod(u_mm * cos - v_mm * sin + shift[0], np.float32(TILE_PX))
        at_y = np.mod(u_mm * sin + v_mm * cos + shift[1], np.float32(TILE_PX))
        return np.asarray(cv2.remap(tile, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float32)


def draw_noise_tiles(rng: np.random.Generator) -> NoiseTiles:
    """Draw the tiles of one tray."""
    frequency = np.fft.fftfreq(TILE_PX) * TILE_PX
    radius = np.hypot(frequency[:, None], np.fft.rfftfreq(TILE_PX)[None, :] * TILE_PX)
    smooth = np.exp(-(((radius - _SMOOTH_CYCLES) / (0.35 * _SMOOTH_CYCLES)) ** 2))
    fractal = np.where(radius < _FRACTAL_CYCLES, 0.0, np.maximum(radius, 1.0) ** -1.75)
    return NoiseTiles(_filtered(rng, smooth), _filtered(rng, fractal))


def _filtered(rng: np.random.Generator, spectrum: NDArray[np.float64]) -> Floats:
    white = np.fft.rfft2(rng.standard_normal((TILE_PX, TILE_PX)))
    tile = np.fft.irfft2(white * spectrum, s=(TILE_PX, TILE_PX))
    return np.asarray((tile - tile.mean()) / tile.std(), np.float32)


def flat_noise(rng: np.random.Generator, shape: tuple[int, int], wave_px: float, stretch: float = 1.0) -> Floats:
    """Smooth noise (H, W) of standard deviation about 1; ``stretch`` draws the blobs out along x."""
    height, width = shape
    rows = max(3, round(height / wave_px) + 2)
    columns = max(3, round(width / (wave_px * stretch)) + 2)
    coarse = rng.standard_normal((rows, columns)).astype(np.float32)
    return np.asarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC), np.float32) * 1.3
