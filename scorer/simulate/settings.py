"""What a caller may fix about a simulated tray, and the names that its truth uses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TypeAlias

Colour: TypeAlias = tuple[float, float, float]
"""Red, green and blue of 8-bit sRGB."""
ColourPair: TypeAlias = tuple[Colour, Colour]
"""Two colours between which others are drawn."""
Range: TypeAlias = tuple[float, float]
"""Least and most, between which a value is drawn evenly."""

MARK_KINDS = ("sap", "abrasion", "cut", "puncture", "crease")
FLOORS = (
    "white", "pale_blue", "dark_grey", "black", "green_liner", "cardboard", "wood", "steel",
    "grey", "cream", "blue",
)  # fmt: skip
LOOKS = ("hard_green", "dark_green", "grey_green", "turning", "yellow", "orange", "red_blush", "purple_blush")
LIGHTS = ("window", "lamp", "tubes", "overcast", "sun", "window_and_lamp")
UNSEEN_FLOORS, UNSEEN_LOOKS, UNSEEN_LIGHTS = ("pink", "lilac"), ("bronze", "lemon"), ("amber_lamp",)
"""Drawn only where asked for, so that no model that learned from drawn trays has seen them."""


@dataclass(frozen=True)
class LightKind:
    """Lights that are alike.

    Attributes
    ----------
    name : what the truth of a tray calls them.
    kelvin : their colour temperature.
    ambient_share : share of the light on a level sheet that comes from all around; the lamps give the rest.
    lamp_radius_rad : half the angle that a lamp is seen under from the tray: a small one casts a hard shade.
    lamps : fewest and most of them.
    """

    name: str
    kelvin: Range
    ambient_share: Range
    lamp_radius_rad: Range
    lamps: tuple[int, int]


@dataclass(frozen=True)
class TraySettings:
    """What is fixed about a tray; every None is drawn at random.

    Attributes
    ----------
    image_size : (width, height) of the upright photo in px.
    floor : one of `FLOORS` or `UNSEEN_FLOORS`.
    look : one of `LOOKS` or `UNSEEN_LOOKS`, the cultivar look that all fruit of the tray vary around.
    skins : pairs of 8-bit sRGB colours. The skin of the tray's fruit varies between the two of a pair that is drawn by
        lot, in place of the look's own.
    floor_tone : two 8-bit sRGB colours between which the floor lies, in place of its own; its name and texture stay.
    light : one of `LIGHTS` or `UNSEEN_LIGHTS`.
    lights : kinds of light, drawn by lot in place of `LIGHTS`, and how often each, which add up to 1.
    kelvin : colour temperature of all light, in place of the light's own.
    tag : text of the QR tag; "" lays no tag.
    habits : expected number of marks per fruit of each kind of `MARK_KINDS`; kinds left out do not occur.
    card : whether the reference card lies on the tray.
    fruit : number of fruit wished for; fewer are laid when the tray is full.
    walls : whether the tray shows its walls.
    lookalikes : how busy the tray is with things that are not marks; 1 is usual, 0 none but the stem scars.
    focal_35mm : focal length in mm for a 36 mm x 24 mm frame.
    camera_height_mm, tilt_deg : place of the camera.
    taken_at : the phone's clock.
    exif_focal : whether the photo's file tells the focal length.
    """

    image_size: tuple[int, int] | None = None
    floor: str | None = None
    look: str | None = None
    skins: tuple[ColourPair, ...] | None = None
    floor_tone: ColourPair | None = None
    light: str | None = None
    lights: tuple[tuple[LightKind, float], ...] | None = None
    kelvin: float | None = None
    tag: str | None = None
    habits: Mapping[str, float] | None = None
    card: bool | None = None
    fruit: int | None = None
    walls: bool | None = None
    lookalikes: float | None = None
    focal_35mm: float | None = None
    camera_height_mm: float | None = None
    tilt_deg: float | None = None
    taken_at: datetime | None = None
    exif_focal: bool | None = None

    def __post_init__(self) -> None:
        for name, value, allowed in (
            ("floor", self.floor, FLOORS + UNSEEN_FLOORS),
            ("look", self.look, LOOKS + UNSEEN_LOOKS),
            ("light", self.light, LIGHTS + UNSEEN_LIGHTS),
        ):
            if value is not None and value not in allowed:
                raise ValueError(f"{name} must be one of {', '.join(allowed)}, got {value!r}")
        if self.skins is not None and not self.skins:
            raise ValueError("skins must hold at least one pair of colours, got none")
        if self.lights is not None:
            chances = [chance for _, chance in self.lights]
            if min(chances, default=-1) < 0 or abs(sum(chances) - 1) > 1e-6:
                raise ValueError(f"lights must be drawn with chances that add up to 1, got {chances}")
        for kind in self.habits or {}:
            if kind not in MARK_KINDS:
                raise ValueError(f"habits must name kinds of {', '.join(MARK_KINDS)}, got {kind!r}")
