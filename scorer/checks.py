"""Judge the photo before its marks: focus, exposure, glare, card, tilt, fruit cut off.

Each check is a measured figure with two limits; the photo's verdict is its worst check's, and every check that is not
good says why in words an officer can act on before the tray is put away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.card.correction import ColourCorrection
from scorer.card.definition import load_card
from scorer.card.pose import CardPose
from scorer.card.sharpness import WIDTH_OF_SIGMA, marker_edge_width
from scorer.fruit.find import Fruit

GOOD, USABLE, RETAKE = "good", "usable", "retake"
_ORDER: Final = (GOOD, USABLE, RETAKE)


@dataclass(frozen=True)
class Check:
    """One check: its figure and what follows from it; ``reason`` is empty when the verdict is good."""

    name: str
    figure: float
    verdict: str
    reason: str = ""


@dataclass(frozen=True)
class _Limit:
    """From which figure a check is only usable, and from which the photo must be retaken; larger is worse."""

    usable: float
    retake: float
    words: str


# A line or a spot counts as hidden once a Gaussian blur leaves it less than half of its contrast. A line of width w
# keeps erf(w / (2 sqrt(2) sigma)) in its middle, a round spot of width d keeps 1 - exp(-d^2 / (8 sigma^2)).
_LINE_MM, _SPOT_MM = 0.6, 2.0
_HIDES_LINE_MM = WIDTH_OF_SIGMA * _LINE_MM / (2 * math.sqrt(2) * 0.476936)  # erf(0.476936) = 1/2
_HIDES_SPOT_MM = WIDTH_OF_SIGMA * _SPOT_MM / math.sqrt(8 * math.log(2))

_NOT_SHARP = "the photo is not sharp, so fine lines are missed: wipe the lens, hold the phone still and tap on a fruit"
_BLUR_MM = _Limit(_HIDES_LINE_MM, _HIDES_SPOT_MM, _NOT_SHARP)
# Fruit outlines are soft by nature and their scale is only nominal without a card, so these limits are wider.
_OUTLINE_MM = _Limit(1.6, 2.6, _NOT_SHARP)
# The other limits are what an officer can mend in the shed; common practice, no source.
_CLIPPED = _Limit(
    0.04, 0.15, "parts of the fruit are burnt out: turn the tray away from the light or lower the exposure"
)
_DARK = _Limit(0.10, 0.35, "the fruit are too dark: move the tray to more light")
_GLARE = _Limit(0.06, 0.16, "glare hides skin: turn the tray or shade it from the lamp")
_COLOUR = _Limit(3.0, 7.0, "the card's colours do not fit: keep the card clean, flat and free of glare and shadow")
_TILT = _Limit(20.0, 35.0, "the phone was held at a slant: hold it level above the tray")
_CUT_OFF = _Limit(0.5, 2.5, "fruit are cut off by the edge of the photo: step back until the whole tray shows")


def check_photo(
    photo_bgr: NDArray[np.uint8],
    tray_bgr: NDArray[np.uint8],
    fruit: Sequence[Fruit],
    pose: CardPose | None,
    correction: ColourCorrection,
) -> list[Check]:
    """Every check of one photo, in a fixed order.

    Parameters
    ----------
    photo_bgr : (H, W, 3) uint8 working picture, in whose pixels ``pose`` is; the sharpest there is.
    tray_bgr : (H, W, 3) uint8 scoring picture, in whose pixels ``fruit`` are.
    fruit : the fruit found.
    pose, correction : the card's; pose is None where no card was found.
    """
    checks = [_card_check(pose), _blur_check(photo_bgr, tray_bgr, fruit, pose, correction)]
    if fruit:
        clipped, dark, glare = _exposure(tray_bgr, fruit)
        checks += [
            _judge("clipped_share", clipped, _CLIPPED),
            _judge("dark_share", dark, _DARK),
            _judge("glare_share", glare, _GLARE),
            _judge("cut_off_fruit", float(sum(f.cut_off for f in fruit)), _CUT_OFF),
        ]
    else:
        checks.append(Check("fruit", 0.0, RETAKE, "no fruit was found: photograph the tray from straight above"))
    if pose is not None:
        checks.append(_judge("tilt_deg", pose.camera.tilt_deg, _TILT))
        if np.isfinite(correction.residual_delta_e00):
            checks.append(_judge("colour_residual", correction.residual_delta_e00, _COLOUR))
        else:
            checks.append(
                Check(
                    "colour_residual",
                    float("nan"),
                    USABLE,
                    "too few of the card's colours can be read: uncover it",
                )
            )
    return checks


def overall(checks: Sequence[Check]) -> tuple[str, str]:
    """The photo's verdict and its reasons in one line."""
    verdict = max((c.verdict for c in checks), key=_ORDER.index)
    return verdict, "; ".join(c.reason for c in checks if c.reason)


def figure_of(checks: Sequence[Check], name: str) -> float:
    """The figure of a check, NaN where it was not made."""
    return next((c.figure for c in checks if c.name == name), float("nan"))


def outline_width_mm(bgr: NDArray[np.uint8], fruit: Sequence[Fruit]) -> float:
    """Width of the sharpest fruit outlines in millimetres, an upper bound on the blur; NaN when there are too few.

    At each outline point, the brightness step across the outline over its steepest slope is the width of the edge; of
    all points with a clear step the 20th percentile is taken, since shadow and skin make some edges soft by nature.
    """
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    widths = []
    for one in fruit:
        points = one.outline.points_px[one.outline.free]
        if len(points) < 8:
            continue
        outward = points - one.outline.points_px.mean(axis=0)
        outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
        reach_px = 3.0 / one.skin.mm_per_px
        at = np.arange(-reach_px, reach_px + 0.25, 0.5)
        where = points[:, None] + at[None, :, None] * outward[:, None]
        profile = cv2.remap(grey, where.astype(np.float32), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        profile = cv2.GaussianBlur(profile.astype(np.float32), (3, 1), 0)
        step = np.abs(profile[:, -3:].mean(axis=1) - profile[:, :3].mean(axis=1))
        slope = np.abs(np.diff(profile, axis=1)).max(axis=1) / 0.5
        clear = step > 18
        widths.append(step[clear] / np.maximum(slope[clear], 1e-3) * one.skin.mm_per_px)
    every = np.concatenate(widths) if widths else np.zeros(0)
    return float(np.quantile(every, 0.2)) if len(every) >= 12 else float("nan")


def _blur_check(
    photo_bgr: NDArray[np.uint8],
    tray_bgr: NDArray[np.uint8],
    fruit: Sequence[Fruit],
    pose: CardPose | None,
    correction: ColourCorrection,
) -> Check:
    """Focus by the card's printed edges; by the fruit's outlines where no such edge can be read."""
    edge = marker_edge_width(photo_bgr, pose, load_card(), correction) if pose is not None else None
    if edge is not None:
        return _judge("blur_mm", edge.mm, _BLUR_MM)
    return _judge("outline_mm", outline_width_mm(tray_bgr, fruit), _OUTLINE_MM)


def _exposure(bgr: NDArray[np.uint8], fruit: Sequence[Fruit]) -> tuple[float, float, float]:
    """Shares of the fruit's pixels that are clipped, too dark, or under glare (bright and colourless)."""
    clipped = dark = glare = pixels = 0
    for one in fruit:
        sparse = slice(None, None, 2), slice(None, None, 2)  # a share needs no more pixels than every fourth
        inside = one.inside[sparse]
        blue, green, red = (plane[inside] for plane in cv2.split(bgr[one.window][sparse]))
        high, low = np.maximum(np.maximum(blue, green), red), np.minimum(np.minimum(blue, green), red)
        pixels += len(high)
        clipped += int((high >= 254).sum())
        dark += int((high < 30).sum())
        bright = high > min(1.25 * float(np.median(high)), 250) if len(high) else high > 0
        glare += int((low[bright] > 0.72 * high[bright]).sum())
    return clipped / max(pixels, 1), dark / max(pixels, 1), glare / max(pixels, 1)


def _card_check(pose: CardPose | None) -> Check:
    if pose is None:
        return Check(
            "card",
            0.0,
            USABLE,
            "no reference card was found, so nothing is measured in mm: lay the card flat in view",
        )
    return Check("card", float(len(pose.markers)), GOOD)


def _judge(name: str, figure: float, limit: _Limit) -> Check:
    if figure >= limit.retake:
        return Check(name, figure, RETAKE, limit.words)
    if figure >= limit.usable:
        return Check(name, figure, USABLE, limit.words)
    return Check(name, figure, GOOD)
