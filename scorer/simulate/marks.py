"""Stamps of the five kinds of marks, each widely varied; +u of a stamp runs away from the stem end.

What they look like is common practice of the packing shed, no source: sap burn is a brown to black blot, run
or splash, abrasion a dull tan rub, a cut a thin dark line, a puncture a dark hole with a halo, a crease a
pressed line.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.simulate.noise import flat_noise
from scorer.simulate.skin import draw_tone, linear_bgr
from scorer.simulate.stamps import STAMP_PX_PER_MM, Stamp

Floats = NDArray[np.floating[Any]]


_SAP = ((26, 20, 16), (52, 36, 24), (84, 56, 32), (112, 76, 42), (66, 54, 34), (40, 34, 30))
_RUB = ((168, 138, 98), (146, 126, 100), (176, 144, 100), (128, 104, 74), (158, 148, 126), (140, 108, 66))
_DARK = ((30, 22, 18), (56, 38, 26), (80, 58, 38), (44, 40, 28))


def grid_mm(half_mm: float) -> tuple[Floats, Floats]:
    """Coordinates u, v (n, n) in mm of a stamp that reaches ``half_mm`` each way."""
    number = int(np.ceil(2 * half_mm * STAMP_PX_PER_MM))
    axis = ((np.arange(number) - (number - 1) / 2) / STAMP_PX_PER_MM).astype(np.float32)
    u, v = np.meshgrid(axis, axis)
    return u, v


def blurred(picture: Floats, sigma_mm: float) -> Floats:
    """Gaussian blur in mm; nothing is done below a tenth of a stamp pixel."""
    sigma = sigma_mm * STAMP_PX_PER_MM
    if sigma < 0.1:
        return picture
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT), np.float32)


def soft_step(values: Floats, softness: float) -> Floats:
    """Rise from 0 to 1 around 0, about ``softness`` to each side."""
    return np.asarray(1 / (1 + np.exp(np.clip(values / np.float32(-softness / 2), -30, 30))), np.float32)


def stamp_noise(rng: np.random.Generator, shape: tuple[int, int], wave_mm: float, octaves: int = 3) -> Floats:
    """Noise (n, n) of several waves, standard deviation about 1."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        total += flat_noise(rng, shape, max(wave_mm * STAMP_PX_PER_MM / 2**octave, 1.5)) * np.float32(0.62**octave)
    return total / np.float32(1.25)


def pick_colour(rng: np.random.Generator, choices: tuple[tuple[int, int, int], ...]) -> Floats:
    """Mix a linear B, G, R colour (3,) between two of the choices."""
    first, second = (np.array(choices[rng.integers(len(choices))], float) for _ in range(2))
    mixed = first + rng.random() * (second - first)
    return linear_bgr(*np.clip(mixed * rng.uniform(0.8, 1.2) + rng.normal(0, 5, 3), 8, 240))


def blot(
    rng: np.random.Generator,
    u: Floats,
    v: Floats,
    length_mm: float,
    width_mm: float,
    ragged: float,
    edge_mm: float,
) -> Floats:
    """Draw an irregular patch (n, n) in 0..1 around the middle."""
    radius = np.hypot(u / (length_mm / 2), v / (width_mm / 2))
    size = min(length_mm, width_mm)
    wobble = stamp_noise(rng, (u.shape[0], u.shape[1]), max(size * rng.uniform(0.3, 0.7), 1.0))
    return soft_step((1 - radius + ragged * wobble) * np.float32(size / 2), edge_mm)


def outline_of(opacity: Floats, smooth_mm: float = 0.25) -> Floats:
    """Extent map: above 0.5 where the smoothed opacity is above half of its own peak."""
    smooth = blurred(opacity, smooth_mm)
    strong = smooth[smooth > 0.25 * smooth.max()] if smooth.max() > 0 else smooth
    peak = float(np.percentile(strong, 92)) if strong.size else 1.0
    return np.asarray(np.clip(smooth / max(peak, 1e-3), 0, 1), np.float32)


def wandering(
    rng: np.random.Generator,
    length_mm: float,
    curve: float,
    wiggle: float,
    start: tuple[float, float],
    turn: float,
) -> Floats:
    """Points (N, 2) of a curved, wiggling line that starts at ``start`` and runs along ``turn`` (radians)."""
    number = max(8, int(length_mm * 2))
    heading = turn + np.linspace(-0.5, 0.5, number) * curve + wiggle * np.cumsum(rng.normal(0, 1, number)) / 6
    steps = np.stack([np.cos(heading), np.sin(heading)], axis=1) * (length_mm / number)
    return np.asarray(np.cumsum(steps, axis=0) + np.array(start), float)


def stroke(shape: tuple[int, ...], line_mm: Floats, width_mm: Floats) -> Floats:
    """Draw a line (n, n) in 0..1 of varying width along points (N, 2), smooth at its edges."""
    picture = np.zeros(shape[:2], np.uint8)
    middle = (np.array(shape[:2][::-1]) - 1) / 2
    points = line_mm * STAMP_PX_PER_MM + middle
    tangent = np.gradient(points, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-9
    across = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) * (width_mm[:, None] / 2 * STAMP_PX_PER_MM)
    fixed = np.round(np.concatenate([points + across, (points - across)[::-1]]) * 16).astype(np.int32)
    number = len(points)
    for i in range(number - 1):
        quad = fixed[[i, i + 1, 2 * number - 2 - i, 2 * number - 1 - i]]
        cv2.fillConvexPoly(picture, cv2.convexHull(quad), 255, cv2.LINE_8, 4)
    for end in (0, -1):
        _dot(shape, line_mm[end], float(width_mm[end]) / 2, picture)
    return blurred(picture.astype(np.float32) / 255, 0.12)


def _dot(shape: tuple[int, ...], at_mm: Floats, radius_mm: float, picture: NDArray[np.uint8]) -> None:
    middle = (np.array(shape[:2][::-1]) - 1) / 2
    at = np.round((at_mm * STAMP_PX_PER_MM + middle) * 16).astype(int)
    radius = max(1, int(radius_mm * STAMP_PX_PER_MM * 16))
    cv2.circle(picture, (int(at[0]), int(at[1])), radius, 255, -1, cv2.LINE_AA, 4)


def _sap_blot(rng: np.random.Generator) -> Floats:
    length = float(np.clip(rng.lognormal(np.log(12), 0.65), 2.0, 42))  # limit tables speak of whole cm2
    width = length * rng.uniform(0.4, 1.0)
    u, v = grid_mm(length * 0.95 + 3)
    shape = blot(rng, u, v, length, width, rng.uniform(0.12, 0.5), rng.choice([0.3, 0.8, 2.0]))
    mottle = 1 - rng.uniform(0, 0.5) * np.clip(stamp_noise(rng, u.shape, rng.uniform(1.5, 5)), -0.6, 1.4)
    return np.asarray(np.clip(shape * mottle, 0, 1), np.float32)


def _sap_run(rng: np.random.Generator) -> Floats:
    length = float(rng.uniform(12, 60))
    u, v = grid_mm(length * 0.5 + 7)
    picture = np.zeros_like(u)
    for _ in range(rng.integers(1, 4)):
        start = (-length / 2 + rng.uniform(0, 0.3) * length, rng.normal(0, 2.5))
        line = wandering(rng, length * rng.uniform(0.5, 1), rng.normal(0, 0.5), 0.1, start, rng.normal(0, 0.15))
        along = np.linspace(0, 1, len(line))
        width = rng.uniform(0.8, 4.0) * (1 + rng.uniform(-0.7, 0.9) * along)
        width *= 1 + 0.3 * np.sin(along * rng.uniform(4, 25) + rng.uniform(0, 6))
        run = stroke(picture.shape, line, np.maximum(width, 0.5))
        picture = np.maximum(picture, run * rng.uniform(0.7, 1.0))
        if rng.random() < 0.6:
            bead = np.zeros(picture.shape, np.uint8)
            _dot(picture.shape, line[-1], float(rng.uniform(0.8, 2.8)), bead)
            picture = np.maximum(picture, blurred(bead.astype(np.float32) / 255, 0.2))
    if rng.random() < 0.6:
        pool = blot(rng, u + np.float32(length * 0.42), v, rng.uniform(4, 13), rng.uniform(4, 11), 0.3, 0.6)
        picture = np.maximum(picture, pool)
    bite = stamp_noise(rng, u.shape, 3.0)
    ragged = soft_step(blurred(picture, 0.4) - 0.45 + rng.uniform(0, 0.12) * bite, rng.choice([0.1, 0.3]))
    return np.asarray(ragged * np.clip(1 - 0.25 * np.clip(bite, -1, 1.5), 0.3, 1), np.float32)


def _sap_splash(rng: np.random.Generator) -> Floats:
    spread = rng.uniform(1.5, 5.5)
    u, _ = grid_mm(spread * 2.6 + 3)
    picture = np.zeros(u.shape, np.uint8)
    for _ in range(rng.integers(3, 14)):
        at = np.clip(rng.normal(0, spread, 2), -7.5, 7.5)
        _dot(picture.shape, at, float(np.clip(rng.lognormal(np.log(0.8), 0.5), 0.35, 3)), picture)
    dots = blurred(picture.astype(np.float32) / 255, rng.uniform(0.1, 0.45))
    return np.asarray(np.clip(dots * (1 + 0.25 * stamp_noise(rng, u.shape, 1.5)), 0, 1), np.float32)


def _sap_ring(rng: np.random.Generator) -> Floats:
    size = rng.uniform(4, 20)
    u, v = grid_mm(size * 0.9 + 2)
    outer = blot(rng, u, v, size, size * rng.uniform(0.6, 1), 0.2, 0.5)
    depth = blurred(outer, size * 0.09)
    rim = np.clip(1 - np.abs(depth - 0.55) * 2.2, 0, 1) * outer
    return np.asarray(np.clip(rng.uniform(0.55, 0.75) * outer + 0.5 * rim, 0, 1), np.float32)


def _sap_drop(rng: np.random.Generator) -> Floats:
    size = rng.uniform(1.8, 5.5)
    u, v = grid_mm(size + 2)
    drop = blot(rng, u, v, size, size * rng.uniform(0.7, 1), rng.uniform(0.02, 0.2), rng.choice([0.2, 0.6]))
    return np.asarray(drop * (1 - rng.uniform(0, 0.3) * blurred(drop, 0.5)), np.float32)


def _sap_flecks(rng: np.random.Generator) -> Floats:
    size = rng.uniform(6, 30)
    u, v = grid_mm(size * 0.75 + 3)
    cloud = blot(rng, u, v, size, size * rng.uniform(0.4, 1), 0.35, rng.uniform(1, 4))
    picture = np.zeros(u.shape, np.uint8)
    for _ in range(int(size * size * rng.uniform(0.06, 0.25))):
        _dot(picture.shape, rng.uniform(-size / 2, size / 2, 2), float(rng.uniform(0.2, 0.7)), picture)
    flecks = blurred(picture.astype(np.float32) / 255, 0.1)
    return np.asarray(np.clip(cloud * (rng.uniform(0.4, 0.65) + 0.55 * flecks), 0, 1), np.float32)


def draw_sap(rng: np.random.Generator) -> Stamp:
    """Sap burn: blot, runs, splash, ring or diffuse with flecks."""
    shapes = (_sap_blot, _sap_run, _sap_splash, _sap_ring, _sap_flecks, _sap_drop)
    form = shapes[int(rng.choice(6, p=[0.3, 0.28, 0.14, 0.09, 0.11, 0.08]))]
    opacity = form(rng) * np.float32(rng.uniform(0.6, 1.0))
    core, rim = pick_colour(rng, _SAP), pick_colour(rng, _SAP)
    depth = np.clip(blurred(opacity, 0.8) * 1.2, 0, 1)[..., None]
    colour = (rim + depth * (core - rim)).astype(np.float32)
    raised = opacity * np.float32(rng.uniform(0.05, 0.25)) if rng.random() < 0.3 else None
    gloss = float(rng.choice([0.3, 0.8, 1.8], p=[0.5, 0.3, 0.2]))
    rough = float(rng.uniform(0.25, 0.7))
    smooth = 0.8 if form is _sap_flecks else 0.25
    return Stamp("sap", opacity, colour, outline_of(opacity, smooth), float(rng.uniform(0, 0.5)), gloss, rough, raised)


def draw_abrasion(rng: np.random.Generator) -> Stamp:
    """Abrasion: a dull rub, patchy or even, with or without fine scratches, or a bundle of scratches."""
    area = float(np.clip(rng.lognormal(np.log(180), 0.9), 20, 900))
    ratio = rng.uniform(0.25, 1.0)
    form = rng.choice(["bundle", "patchy", "even"], p=[0.25, 0.4, 0.35])
    bundle = form == "bundle"
    if bundle:
        ratio = rng.uniform(0.12, 0.4)
    length = float(min(np.sqrt(4 * area / np.pi / ratio), 62))
    width = length * ratio
    u, v = grid_mm(length * 0.72 + 3)
    patch = blot(rng, u, v, length, width, rng.uniform(0.15, 0.5), rng.uniform(0.4, 3.5))
    tooth = stamp_noise(rng, u.shape, rng.uniform(1.0, 5.0), 4)
    unevenness = rng.uniform(0.0, 0.12) if form == "even" else rng.uniform(0.15, 0.45)
    haze = np.clip(0.6 + unevenness * tooth, 0.05, 1) * (rng.uniform(0.2, 0.5) if bundle else 0.85)
    per_mm = {"bundle": rng.uniform(0.5, 1.4), "patchy": rng.choice([0, 0.4, 0.8]), "even": rng.choice([0, 0.15])}[form]
    scratches = _scratches(rng, u, length, width, float(per_mm))
    opacity = np.clip(patch * np.maximum(haze, scratches * rng.uniform(0.6, 1)), 0, 1) * rng.uniform(0.5, 1)
    colour = pick_colour(rng, _RUB)[None, None] * (1 + unevenness / 3 * np.clip(tooth, -2, 2))[..., None]
    return Stamp(
        "abrasion",
        opacity.astype(np.float32),
        np.clip(colour, 0, 1).astype(np.float32),
        outline_of(opacity.astype(np.float32), 0.7 + 0.05 * float(np.sqrt(area))),
        float(rng.uniform(0, 0.35)),
        float(rng.uniform(0.1, 0.5)),
        float(rng.uniform(0.6, 0.85)),
        (tooth * patch * np.float32(rng.uniform(0, 0.02))).astype(np.float32),
    )


def _scratches(rng: np.random.Generator, u: Floats, length: float, width: float, per_mm: float) -> Floats:
    picture = np.zeros_like(u)
    for _ in range(int(min(width * per_mm, 40))):
        own = length * rng.uniform(0.25, 1.0)
        start = (rng.uniform(-length / 2, length / 2 - own * 0.6), rng.uniform(-width / 2, width / 2))
        line = wandering(rng, own, rng.normal(0, 0.12), 0.015, start, rng.normal(0, 0.07))
        taper = np.sin(np.linspace(0.1, np.pi - 0.1, len(line))) ** 0.6
        picture = np.maximum(picture, stroke(picture.shape, line, rng.uniform(0.2, 0.8) * taper) * rng.uniform(0.4, 1))
    return picture


def draw_cut(rng: np.random.Generator) -> Stamp:
    """Cut: a thin, sharp, dark line with tapered ends, sometimes with pale lips or a bead of sap."""
    length, width = float(rng.uniform(8, 55)), float(np.clip(rng.lognormal(np.log(1.1), 0.35), 0.6, 2.5))
    u, _ = grid_mm(length * 0.55 + 4)
    line = wandering(rng, length, rng.normal(0, 0.35), rng.choice([0.0, 0.03]), (0, 0), 0.0)
    line -= line[len(line) // 2]
    along = np.linspace(0, 1, len(line))
    taper = np.clip(np.minimum(along / rng.uniform(0.05, 0.5), (1 - along) / rng.uniform(0.05, 0.5)), 0.12, 1)
    taper = taper**0.7 * (1 + 0.12 * np.sin(along * rng.uniform(5, 30)))
    core = stroke(u.shape, line, width * taper)
    opacity, colour = (
        core * np.float32(rng.uniform(0.65, 1)),
        np.broadcast_to(pick_colour(rng, _DARK), (*u.shape, 3)),
    )
    if rng.random() < 0.4:
        lips = stroke(u.shape, line, width * taper * rng.uniform(1.6, 2.6))
        pale = draw_tone(rng, [150, 140, 80], [225, 215, 165])
        opacity = np.maximum(opacity, lips * np.float32(rng.uniform(0.15, 0.42)) * opacity.max())
        colour = pale + np.clip(core * 1.3, 0, 1)[..., None] * (colour - pale)
    if rng.random() < 0.3:
        bead = np.zeros(u.shape, np.uint8)
        _dot(u.shape, line[int(rng.integers(len(line)))], float(rng.uniform(0.6, 2.2)), bead)
        opacity = np.maximum(opacity, blurred(bead.astype(np.float32) / 255, 0.2) * np.float32(0.9))
    groove = (-blurred(core, 0.25) * np.float32(rng.uniform(0.05, 0.5))).astype(np.float32)
    return Stamp(
        "cut",
        opacity,
        np.ascontiguousarray(colour, np.float32),
        outline_of(opacity, 0.1),
        0.0,
        0.4,
        0.6,
        groove,
    )


def draw_puncture(rng: np.random.Generator) -> Stamp:
    """Puncture: a round or oval dark hole with a brown or pale halo."""
    size = float(rng.uniform(2, 7))
    u, v = grid_mm(size * 2.2 + 2)
    stretch = rng.uniform(0.6, 1.0)
    hole = blot(rng, u, v, size, size * stretch, rng.uniform(0.02, 0.2), rng.uniform(0.2, 0.6))
    wide = size * rng.uniform(1.3, 2.6)
    halo = blot(rng, u, v, wide, wide * stretch**0.5, 0.15, size * rng.uniform(0.15, 0.5))
    dark = pick_colour(rng, _DARK) * np.float32(rng.uniform(0.4, 1))
    ring = pick_colour(rng, _RUB) if rng.random() < 0.5 else draw_tone(rng, [150, 140, 80], [220, 205, 150])
    opacity = np.maximum(hole * np.float32(rng.uniform(0.75, 1)), halo * np.float32(rng.uniform(0.0, 0.6)))
    shade = np.clip(1 + 0.5 * (u * rng.normal() + v * rng.normal()) / size, 0.5, 1.5)
    colour = ring + np.clip(hole * 1.2, 0, 1)[..., None] * (dark * shade[..., None] - ring)
    relief = (blurred(halo, 0.3) * 0.3 - hole * 1.0) * np.float32(rng.uniform(0.1, 0.8))
    return Stamp(
        "puncture", opacity, colour.astype(np.float32), outline_of(opacity, 0.15), 0.0, 0.5, 0.6,
        relief.astype(np.float32),
    )  # fmt: skip


def draw_crease(rng: np.random.Generator) -> Stamp:
    """Crease: a soft, curved pressed line with a lighter side, darkened only a little."""
    length, width = float(rng.uniform(12, 60)), float(rng.uniform(1.5, 5))
    u, _ = grid_mm(length * 0.55 + 6)
    opacity, groove = np.zeros_like(u), np.zeros_like(u)
    offset = 0.0
    for _ in range(1 if rng.random() < 0.7 else 2):
        line = wandering(rng, length * rng.uniform(0.7, 1), rng.normal(0, 1.0), 0.04, (0, 0), rng.normal(0, 0.1))
        line -= line[len(line) // 2] - [0, offset]
        taper = np.sin(np.linspace(0.15, np.pi - 0.15, len(line))) ** 0.5
        body = blurred(stroke(u.shape, line, 0.75 * width * taper), width * 0.22)
        opacity, groove = np.maximum(opacity, body), np.maximum(groove, body)
        offset = width * rng.uniform(1.4, 2.5)
    patchy = np.clip(1 + 0.15 * stamp_noise(rng, u.shape, 6.0), 0.5, 1.4)
    shade = draw_tone(rng, [70, 56, 30], [140, 112, 66])
    depth = np.float32(width * rng.uniform(0.04, 0.24))
    opacity = (np.clip(opacity * patchy, 0, 1) * rng.uniform(0.4, 0.9)).astype(np.float32)
    return Stamp(
        "crease",
        opacity,
        shade,
        outline_of(opacity, 0.4),
        float(rng.uniform(0.2, 0.8)),
        0.8,
        None,
        -groove * depth,
    )


DRAW_MARK: dict[str, Callable[[np.random.Generator], Stamp]] = {
    "sap": draw_sap,
    "abrasion": draw_abrasion,
    "cut": draw_cut,
    "puncture": draw_puncture,
    "crease": draw_crease,
}
_CONTRASTS = {  # median, spread (log) and bounds of the wished CIE76 difference to the skin
    "sap": (30, 0.5, 8, 65),
    "abrasion": (18, 0.4, 8, 42),
    "cut": (25, 0.45, 8, 55),
    "puncture": (28, 0.4, 9, 60),
    "crease": (17, 0.35, 8, 34),
}


def wished_contrast(rng: np.random.Generator, kind: str) -> float:
    """CIE76 difference between the mark and the skin under it, from barely to plainly visible."""
    median, spread, low, high = _CONTRASTS[kind]
    return float(np.clip(rng.lognormal(np.log(median), spread), low, high))
