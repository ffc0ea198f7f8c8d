"""How a site's trays look by its photos: the fruit's skin, the floor, the light. So that such trays can be drawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeAlias

import cv2
import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import ArrayLike, NDArray

from scorer.colour import linear_to_srgb
from scorer.errors import PhotoError
from scorer.fruit.find import Fruit
from scorer.photo import open_photo
from scorer.simulate.settings import Colour, ColourPair
from scorer.training.site_light import SHADE_COLUMNS, fruit_shade, light_is_known, tray_shades
from scorer.tray import LocatedTray, card_outline_px, locate

SKIN_COLUMNS: Final = ("skin_red", "skin_green", "skin_blue")
FLOOR_COLUMNS: Final = ("floor_red", "floor_green", "floor_blue")
CAST: Final = "colour_cast"
LOOK_COLUMNS: Final = (*SKIN_COLUMNS, *SHADE_COLUMNS, *FLOOR_COLUMNS, CAST)
Skins: TypeAlias = tuple[ColourPair, ...]
UNKNOWN_COLOUR: Final[Colour] = (float("nan"),) * 3
FACING: Final = 0.8
"""Skin that faces the camera less lies in its own shade."""
OUTER: Final = 0.15
"""Share of the colours whose mean stands for those on either side; these two are our own choice."""
RING_MM: Final = (3.0, 15.0)
"""From where to where around the card the floor is looked at: off the paper's edge, and near enough to be floor."""
GREY_LIGHT: Final = 0.18
"""Of white, in linear light: the grey whose cast is told; that of photographers' grey cards (from memory)."""


@dataclass(frozen=True)
class SiteLook:
    """How the trays of a site look.

    Parameters
    ----------
    skins : of each tray that shows its skins' colours two, between which those of most of its fruit are seen.
    floor : two colours between which most floors are seen; None where none shows.
    cast : natural logarithm of red over blue of a grey sheet in a usual photo.
    shades : of each tray that shows it, as ``scorer.training.site_light.tray_shades`` gives them.
    """

    skins: Skins
    floor: ColourPair | None
    cast: float
    shades: tuple[tuple[float, ...], ...] = ()

    @property
    def skin(self) -> ColourPair:
        """Two colours between which the skin of most fruit of all trays is seen."""
        between = colours_between(pd.DataFrame(np.reshape(self.skins, (-1, 3)), columns=list(SKIN_COLUMNS)))
        if between is None:
            raise ValueError("the skins of no tray are known")
        return between


def look_of(fruit: pd.DataFrame) -> SiteLook | None:
    """The look of the trays of fruit, which have LOOK_COLUMNS; None where no photo has a card."""
    skins = tray_skins(fruit)
    if not skins:
        return None
    return SiteLook(
        skins=skins,
        floor=colours_between(fruit[list(FLOOR_COLUMNS)]),
        cast=float(fruit[CAST].median()),
        shades=tuple(tuple(shade) for shade in tray_shades(fruit).tolist()),
    )


def tray_skins(fruit: pd.DataFrame) -> Skins:
    """Two colours between which the fruit of a tray are seen, of each tray that shows them; in any order the same.

    Trays of one site differ, by what was picked and when, and the fruit on one of them differ less.
    """
    pairs = (colours_between(of_tray[list(SKIN_COLUMNS)]) for _, of_tray in fruit.groupby("tray"))
    return tuple(sorted(pair for pair in pairs if pair is not None))


def looks_on_photos(photos: Sequence[Path], jobs: int = 1) -> pd.DataFrame:
    """LOOK_COLUMNS and tray (its number) of the fruit that are found on photos; one that cannot be opened shows none.

    Parameters
    ----------
    jobs : photos at once; they do not change what comes out.
    """
    found: list[pd.DataFrame] = Parallel(n_jobs=jobs)(delayed(_looks_on)(photo) for photo in photos)
    numbered = [looks.assign(tray=str(number)) for number, looks in enumerate(found) if len(looks)]
    return pd.concat(numbered) if numbered else pd.DataFrame(columns=[*LOOK_COLUMNS, "tray"], dtype=float)


def _looks_on(photo: Path) -> pd.DataFrame:
    cv2.setNumThreads(1)
    try:
        tray = locate(open_photo(photo))
    except PhotoError:
        return pd.DataFrame()
    return pd.DataFrame([fruit_look(tray, fruit) for fruit in tray.fruit]).assign(**tray_look(tray))


def fruit_look(tray: LocatedTray, fruit: Fruit) -> dict[str, float]:
    """SKIN_COLUMNS, the usual colour of a fruit's skin in the card's light, and SHADE_COLUMNS; NaN without a card."""
    facing = fruit.inside & (fruit.skin.facing > FACING)
    skin = _usual_colour(tray, tray.bgr[fruit.window][facing])
    return dict(zip(SKIN_COLUMNS, skin, strict=True)) | fruit_shade(tray, fruit)


def tray_look(tray: LocatedTray) -> dict[str, float]:
    """FLOOR_COLUMNS, the usual colour of the floor around the card, and CAST; NaN where they cannot be told."""
    if not light_is_known(tray):
        return dict.fromkeys((*FLOOR_COLUMNS, CAST), float("nan"))
    near, far = (_card_and(margin_mm, tray) for margin_mm in RING_MM)
    floor = _usual_colour(tray, tray.bgr[far & ~near & (tray.labels == 0)])
    # what the correction takes out: it makes light of a channel's value by gain and exponent
    red, _, blue = (GREY_LIGHT / tray.correction.gain) ** (1 / tray.correction.exponent)
    return dict(zip(FLOOR_COLUMNS, floor, strict=True)) | {CAST: float(np.log(red / blue))}


def colours_between(colours: pd.DataFrame) -> ColourPair | None:
    """Two colours between which most lie, in whole numbers; None where none is known.

    They are the means of the OUTER ones on either side along the line on which the colours vary most, and so the same
    for the same colours in any order.

    Parameters
    ----------
    colours : red, green and blue of 8-bit sRGB, one row each.
    """
    rgb = colours.dropna().drop_duplicates().sort_values(list(colours.columns)).to_numpy(float)
    if not len(rgb):
        return None
    centred = rgb - np.median(rgb, axis=0)
    line = np.linalg.svd(centred, full_matrices=False)[2][0]
    place = centred @ (line * np.sign(line[np.argmax(np.abs(line))]))
    low, high = np.quantile(place, [OUTER, 1 - OUTER])
    return as_pair(rgb[outer].mean(axis=0).round() for outer in (place <= low, place >= high))


def as_pair(colours: Iterable[ArrayLike]) -> ColourPair:
    """Two colours as plain numbers."""
    first, second = (np.asarray(colour, float).tolist() for colour in colours)
    return (first[0], first[1], first[2]), (second[0], second[1], second[2])


def _usual_colour(tray: LocatedTray, bgr: NDArray[np.uint8]) -> Colour:
    if not (len(bgr) and light_is_known(tray)):
        return UNKNOWN_COLOUR
    light = tray.correction.to_linear(bgr[:, None])
    blue, green, red = (255 * linear_to_srgb(np.median(light, axis=(0, 1)))).tolist()
    return red, green, blue


def _card_and(margin_mm: float, tray: LocatedTray) -> NDArray[np.bool_]:
    """Where (H, W) the card lies, and so much around it."""
    mask = np.zeros(tray.labels.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.round(card_outline_px(tray.camera, margin_mm)).astype(np.int32), 1)
    return mask > 0
