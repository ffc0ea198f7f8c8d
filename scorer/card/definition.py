"""What is printed on the reference card, read from ``shared/card.json``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scorer.errors import CardError
from scorer.resources import shared_folder

Float64 = NDArray[np.float64]


@dataclass(frozen=True)
class CardDefinition:
    """The reference card in millimetres: origin at its top left corner, x right, y down.

    Parameters
    ----------
    width_mm, height_mm : outer size.
    marker_dictionary : name of the predefined ArUco dictionary.
    marker_corners_mm : marker id -> (4, 2) corners, clockwise from the marker's own top left.
    patch_names, patch_centres_mm (P, 2), patch_side_mm : where each colour lies.
    patch_srgb : (P, 3) nominal sRGB values in 0..1, R, G, B.
    background_srgb : (3,) nominal sRGB of the paper, 0..1.
    """

    width_mm: float
    height_mm: float
    marker_dictionary: str
    marker_side_mm: float
    marker_corners_mm: dict[int, Float64]
    patch_names: tuple[str, ...]
    patch_centres_mm: Float64
    patch_side_mm: float
    patch_srgb: Float64
    background_srgb: Float64

    @property
    def outline_mm(self) -> Float64:
        """(4, 2) outer corners, clockwise from the top left."""
        w, h = self.width_mm, self.height_mm
        return np.array([[0, 0], [w, 0], [w, h], [0, h]], float)

    @property
    def paper_points_mm(self) -> Float64:
        """(N, 2) centres of the blank gaps between patches, where the paper shows the light that falls on it."""
        x, y = (np.unique(self.patch_centres_mm[:, axis]) for axis in (0, 1))
        pitch_x, pitch_y = float(np.diff(x).min()), float(np.diff(y).min())
        gaps_x = np.concatenate([[x[0] - pitch_x / 2], x + pitch_x / 2])
        gaps_y = np.concatenate([[y[0] - pitch_y / 2], y + pitch_y / 2])
        return np.array([(gx, gy) for gy in gaps_y for gx in gaps_x])


def load_card(path: Path | None = None) -> CardDefinition:
    """Read a card definition; without a path, the one that ``scorer print card`` prints.

    Raises
    ------
    CardError : the file is missing, is not JSON, or lacks a part of the definition.
    """
    path = path or shared_folder() / "card.json"
    try:
        return _definition(json.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise CardError(f"{path.name}: the card definition cannot be read ({error.strerror}).") from error
    except (ValueError, KeyError, TypeError) as error:
        raise CardError(
            f"{path.name}: not a card definition ({error}). Restore the file that came with scorer."
        ) from error


def _definition(raw: dict[str, Any]) -> CardDefinition:
    side = float(raw["marker_side"])
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]])
    patch_side = float(raw["patch_side"])
    return CardDefinition(
        width_mm=float(raw["size"][0]),
        height_mm=float(raw["size"][1]),
        marker_dictionary=str(raw["marker_dictionary"]),
        marker_side_mm=side,
        marker_corners_mm={int(m["id"]): np.array(m["top_left"], float) + square for m in raw["markers"]},
        patch_names=tuple(p["name"] for p in raw["patches"]),
        patch_centres_mm=np.array([p["top_left"] for p in raw["patches"]], float) + patch_side / 2,
        patch_side_mm=patch_side,
        patch_srgb=np.array([p["srgb"] for p in raw["patches"]], float) / 255,
        background_srgb=np.array(raw["background_srgb"], float) / 255,
    )
