"""Stamps of what looks like a mark but is none: stem scar, water, dust, fibres, leaf bits, paper dots."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.simulate.marks import (
    blot,
    blurred,
    grid_mm,
    pick_colour,
    soft_step,
    stamp_noise,
    stroke,
    wandering,
)
from scorer.simulate.skin import draw_tone, linear_bgr
from scorer.simulate.stamps import STAMP_PX_PER_MM, Stamp

Floats = NDArray[np.floating[Any]]


def draw_stem_scar(rng: np.random.Generator) -> Stamp:
    """Stem scar: an oval button with a ring around it in a shallow dimple."""
    size = float(rng.uniform(3, 9))
    u, v = grid_mm(size * 2.6)
    stretch = rng.uniform(0.65, 1)
    button = blot(rng, u, v, size, size * stretch, 0.07, 0.3)
    wide = size * rng.uniform(1.25, 1.9)
    collar = blot(rng, u, v, wide, wide * stretch, 0.08, size * rng.uniform(0.08, 0.3))
    dark = draw_tone(rng, [34, 26, 18], [128, 96, 62])
    pale = draw_tone(rng, [120, 104, 60], [206, 190, 134])
    if rng.random() < 0.35:
        pale = dark * np.float32(0.7)
    radius = np.hypot(u, v / np.float32(stretch))
    core = np.exp(-((radius / (size * rng.uniform(0.15, 0.35))) ** 2)) * rng.uniform(-0.6, 0.6)
    grain = 1 + 0.2 * stamp_noise(rng, u.shape, 1.2) + core
    colour = pale + button[..., None] * (dark - pale)
    opacity = np.maximum(button * np.float32(rng.uniform(0.7, 1)), collar * np.float32(rng.uniform(0.1, 0.6)))
    dimple = -np.exp(-((radius / (size * rng.uniform(1.1, 1.9))) ** 2)) * size * rng.uniform(0.05, 0.3)
    relief = (dimple + button * rng.uniform(-0.4, 0.5)).astype(np.float32)
    relief = relief * soft_step(np.float32(size * 2.4) - radius, 2.0)
    return Stamp(
        "stem_scar", opacity, np.clip(colour * grain[..., None], 0, 1).astype(np.float32), opacity,
        0.0, 0.4, 0.7, relief,
    )  # fmt: skip


def draw_nose_tip(rng: np.random.Generator) -> Stamp:
    """Dark tip of the nose end, where the flower sat."""
    size = float(rng.uniform(1.2, 4))
    u, v = grid_mm(size * 1.8 + 1)
    tip = blot(rng, u, v, size, size * rng.uniform(0.5, 1), 0.2, rng.uniform(0.3, 1.2)) * np.float32(
        rng.uniform(0.4, 1)
    )
    return Stamp("nose_tip", tip, draw_tone(rng, [36, 26, 18], [120, 92, 60]), tip, 0.2, 0.6)


def draw_water_drop(rng: np.random.Generator, light: tuple[float, float]) -> Stamp:
    """Water drop: a smooth cap, dark towards the light (u, v of the skin), bright away from it."""
    size = float(np.clip(rng.lognormal(np.log(3.2), 0.5), 1.2, 9))
    u, v = grid_mm(size * 0.9 + 1)
    wobble = rng.uniform(0.02, 0.12)
    body = blot(rng, u, v, size, size * rng.uniform(0.65, 1), wobble, 0.25)
    depth = np.clip(1 - (2 * np.hypot(u, v) / size) ** 2, 0, 1)
    side = (u * np.float32(light[0]) + v * np.float32(light[1])) / np.float32(size / 2)
    rim = body * soft_step(0.3 - depth, 0.25)
    tone = np.clip(0.5 - rng.uniform(0.2, 0.6) * side, 0, 1)
    colour = np.clip(tone, 0.02, 1)[..., None] * np.ones(3, np.float32)
    opacity = body * np.clip(rng.uniform(0.08, 0.3) + 0.25 * np.abs(side) + 0.3 * rim, 0, 0.7)
    relief = blurred(body * np.sqrt(depth + 0.02), 0.15) * np.float32(size * rng.uniform(0.12, 0.28))
    return Stamp("water_drop", opacity, colour.astype(np.float32), body, 0.75, 2.5, 0.12, relief.astype(np.float32))


def draw_dust(rng: np.random.Generator) -> Stamp:
    """Dust specks: tiny, pale or dark, scattered."""
    spread = rng.uniform(2, 12)
    u, _ = grid_mm(spread * 2 + 1)
    picture = np.zeros(u.shape, np.uint8)
    for _ in range(rng.integers(2, 22)):
        at = np.round((rng.normal(0, spread * 0.6, 2) * STAMP_PX_PER_MM + u.shape[0] / 2) * 16).astype(int)
        cv2.circle(picture, (int(at[0]), int(at[1])), int(rng.uniform(6, 30)), int(rng.integers(90, 256)), -1, 16, 4)
    specks = blurred(picture.astype(np.float32) / 255, 0.08)
    dark = rng.random() < 0.45
    tone = draw_tone(rng, [30, 24, 18], [90, 76, 60]) if dark else draw_tone(rng, [150, 140, 120], [230, 225, 215])
    return Stamp("dust", specks * np.float32(rng.uniform(0.4, 1)), tone, specks, 0.0, 0.4, 0.8)


def draw_fibre(rng: np.random.Generator) -> Stamp:
    """Draw a hair or fibre lying on the skin, with a hint of its own shadow."""
    length = float(rng.uniform(5, 28))
    u, _ = grid_mm(length * 0.55 + 2)
    line = wandering(rng, length, rng.normal(0, 2.2), 0.05, (0, 0), 0.0)
    line -= line.mean(axis=0)
    width = rng.uniform(0.15, 0.45)
    thread = stroke(u.shape, line, np.full(len(line), width))
    shadow = np.roll(thread, int(rng.integers(1, 4)), axis=0) * np.float32(0.25)
    tone = (
        draw_tone(rng, [20, 18, 18], [70, 60, 50])
        if rng.random() < 0.5
        else draw_tone(rng, [180, 175, 165], [240, 238, 232])
    )
    opacity = np.maximum(thread * np.float32(rng.uniform(0.5, 1)), shadow)
    colour = tone * np.clip(thread * 2, 0, 1)[..., None]
    return Stamp("fibre", opacity, colour.astype(np.float32), thread, 0.0, 0.6)


def draw_leaf_bit(rng: np.random.Generator) -> Stamp:
    """Draw a bit of dry or green leaf lying on the fruit, with sharp edges and a small shadow."""
    size = float(rng.uniform(3, 14))
    u, v = grid_mm(size * 0.9 + 2)
    number = int(rng.integers(4, 8))
    angles = np.sort(rng.uniform(0, 2 * np.pi, number))
    radii = size / 2 * rng.uniform(0.45, 1.0, number) * STAMP_PX_PER_MM
    corners = np.stack([np.cos(angles), rng.uniform(0.3, 0.9) * np.sin(angles)], axis=1) * radii[:, None]
    picture = np.zeros(u.shape, np.uint8)
    cv2.fillPoly(picture, [np.round((corners + u.shape[0] / 2) * 16).astype(np.int32)], 255, 16, 4)
    leaf = picture.astype(np.float32) / 255
    shadow = blurred(np.roll(leaf, (2, int(rng.integers(-2, 3))), (0, 1)), 0.3) * np.float32(0.5)
    tone = (
        draw_tone(rng, [90, 66, 34], [170, 130, 76])
        if rng.random() < 0.6
        else draw_tone(rng, [50, 80, 30], [110, 140, 60])
    )
    veins = 1 + 0.2 * stamp_noise(rng, u.shape, 1.5) + 0.15 * np.sin(v * rng.uniform(2, 5))
    colour = tone * (veins * np.clip(leaf * 1.5, 0.02, 1))[..., None]
    return Stamp(
        "leaf_bit", np.maximum(leaf, shadow), np.clip(colour, 0, 1).astype(np.float32), leaf, 0.0, 0.5, 0.6,
        blurred(leaf, 0.2) * np.float32(0.3),
    )  # fmt: skip


def draw_paper_dot(rng: np.random.Generator) -> Stamp:
    """Draw a small plain round or oval paper dot without any print."""
    size = float(rng.uniform(6, 16))
    u, v = grid_mm(size * 0.6 + 1)
    disc = soft_step(np.float32(size / 2) - np.hypot(u, v * np.float32(rng.uniform(1, 1.5))), 0.2)
    tone = linear_bgr(*rng.uniform(30, 250, 3))
    return Stamp("paper_dot", disc, tone, disc, 0.0, 0.8, 0.4, disc * np.float32(0.1))


def draw_clean_drip(rng: np.random.Generator) -> Stamp:
    """Draw a dried, clear drip of wash water: a faint pale track that only changes the shine."""
    length = float(rng.uniform(10, 50))
    u, _ = grid_mm(length * 0.55 + 4)
    line = wandering(rng, length, rng.normal(0, 0.6), 0.05, (-length / 2, 0), 0.0)
    track = stroke(u.shape, line, rng.uniform(1.5, 4) * np.linspace(1, rng.uniform(0.4, 1.4), len(line)))
    edge = np.clip(track - blurred(track, 0.4), 0, 1) * 1.5 + 0.35 * track
    return Stamp(
        "clean_drip",
        (edge * rng.uniform(0.05, 0.22)).astype(np.float32),
        linear_bgr(205, 208, 200),
        track,
        0.0,
        3.0,
        0.3,
    )


def draw_wax_patch(rng: np.random.Generator) -> Stamp:
    """Draw a pale, hazy patch of natural wax, often rubbed away at one side."""
    size = float(rng.uniform(8, 40))
    u, v = grid_mm(size * 0.75 + 3)
    cloud = blot(rng, u, v, size, size * rng.uniform(0.4, 1), 0.4, rng.uniform(2, 6))
    cloud *= np.clip(0.7 + 0.4 * stamp_noise(rng, u.shape, 4), 0, 1)
    return Stamp(
        "wax_bloom", cloud * np.float32(rng.uniform(0.1, 0.45)),
        pick_colour(rng, ((176, 186, 180), (200, 204, 196))), cloud, 0.1, 0.3, 0.8,
    )  # fmt: skip


DRAW_LOOKALIKE: dict[str, Callable[[np.random.Generator], Stamp]] = {
    "dust": draw_dust,
    "fibre": draw_fibre,
    "leaf_bit": draw_leaf_bit,
    "paper_dot": draw_paper_dot,
}
"""What lies on top of skin and marks; a water drop needs the light and stands apart."""

COVERING = ("leaf_bit", "paper_dot")
"""Kinds that hide the skin under them."""

USUAL_NUMBER = {
    "water_drop": 0.25, "dust": 0.35, "fibre": 0.12, "leaf_bit": 0.04, "paper_dot": 0.03,
    "clean_drip": 0.15, "wax_bloom": 0.2,
}  # fmt: skip
"""Expected number per fruit on a usual tray."""
