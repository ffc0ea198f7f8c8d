"""What is printed: the reference card of shared/card.json and the bin's QR tag, as flat pictures."""

from __future__ import annotations

import json
from datetime import datetime
from functools import lru_cache
from typing import Any
from urllib.parse import parse_qsl, urlencode

import cv2
import numpy as np
import qrcode
from numpy.typing import NDArray

from scorer.resources import shared_folder
from scorer.simulate.scene import TAG_MM

UInt8 = NDArray[np.uint8]

CARD_PX_PER_MM = 12
TAG_PX_PER_MM = 12

_CREWS = (
    "kestrel",
    "boab",
    "paperbark",
    "curlew",
    "quandong",
    "spinifex",
    "brolga",
    "wattle",
    "ironbark",
    "plover",
)
_METHODS = ("picking_aid", "hand_snap", "pole", "harvest_aid", "hand_clip")


@lru_cache(maxsize=1)
def card_picture() -> UInt8:
    """Draw the card as sRGB B, G, R (h, w, 3), `CARD_PX_PER_MM` pixels per millimetre."""
    card = json.loads((shared_folder() / "card.json").read_text(encoding="utf-8"))
    scale = CARD_PX_PER_MM
    width, height = (round(side * scale) for side in card["size"])
    picture = np.empty((height, width, 3), np.uint8)
    picture[:] = card["background_srgb"][::-1]
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card["marker_dictionary"]))
    side = round(card["marker_side"] * scale)
    for marker in card["markers"]:
        x, y = (round(value * scale) for value in marker["top_left"])
        picture[y : y + side, x : x + side] = cv2.aruco.generateImageMarker(dictionary, marker["id"], side)[..., None]
    side = round(card["patch_side"] * scale)
    for patch in card["patches"]:
        x, y = (round(value * scale) for value in patch["top_left"])
        picture[y : y + side, x : x + side] = patch["srgb"][::-1]
    _scale_bar(picture, card["scale_bar"], scale)
    return picture


def _scale_bar(picture: UInt8, bar: dict[str, Any], scale: int) -> None:
    (x, y), length, every = bar["start"], bar["length"], bar["tick_every"]
    left, top = round(x * scale), round(y * scale)
    picture[top : top + 4, left : left + round(length * scale)] = 20
    for mm in range(length + 1):
        tall = 2.2 if mm % every == 0 else 1.4 if mm % 5 == 0 else 0.8
        at = left + round(mm * scale)
        picture[top - round(tall * scale) : top, at - 1 : at + 2] = 30


def draw_tag_text(rng: np.random.Generator, taken_at: datetime) -> str:
    """Text of an invented bin's tag."""
    picked = taken_at.replace(hour=int(rng.integers(5, 11)), minute=int(rng.integers(0, 60)))
    return urlencode(
        {
            "crew": str(rng.choice(_CREWS)),
            "bin": f"{rng.integers(1, 480):03d}",
            "picked": picked.strftime("%Y-%m-%dT%H:%M"),
            "method": str(rng.choice(_METHODS)),
            "side": str(rng.choice(["a", "b"])),
        }
    )


def tag_picture(text: str) -> UInt8:
    """Draw the tag as sRGB B, G, R (h, w, 3), `TAG_PX_PER_MM` pixels per millimetre."""
    scale = TAG_PX_PER_MM
    width, height = round(TAG_MM[0] * scale), round(TAG_MM[1] * scale)
    picture = np.full((height, width, 3), 250, np.uint8)
    code = qrcode.QRCode(error_correction=qrcode.constants.ERROR_CORRECT_L, border=0)
    code.add_data(text)
    code.make(fit=True)
    modules = np.array(code.get_matrix(), bool)
    side = height - 2 * round(2.2 * scale)
    square = cv2.resize(np.where(modules, 15, 250).astype(np.uint8), (side, side), interpolation=cv2.INTER_NEAREST)
    top = (height - side) // 2
    picture[top : top + side, top : top + side] = square[..., None]
    lines = [value for _, value in parse_qsl(text)] or [text[:10]]
    for row, line in enumerate(lines[:5]):
        size = min(0.75, 6.6 / max(len(line), 1))
        at = (2 * top + side - 6, round((7 + 6 * row) * scale))
        cv2.putText(picture, line, at, cv2.FONT_HERSHEY_SIMPLEX, size, (30, 30, 30), 2, cv2.LINE_AA)
    return picture
