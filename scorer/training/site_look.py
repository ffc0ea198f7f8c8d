"""How the skin of a site's fruit is coloured, from its photos: so that trays of such fruit can be drawn."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from scorer.colour import linear_to_srgb
from scorer.fruit.find import Fruit
from scorer.simulate.settings import Colour
from scorer.tray import LocatedTray

SKIN_COLUMNS: Final = ("skin_red", "skin_green", "skin_blue")
FACING: Final = 0.8
"""Skin that faces the camera less lies in its own shade."""
OUTER: Final = 0.15
"""Share of the fruit whose mean stands for the skins on either side; these two are our own choice."""


def skin_colour(tray: LocatedTray, fruit: Fruit) -> Colour:
    """Usual colour of a fruit's skin in the light that the card was seen in; NaN without a card."""
    facing = fruit.inside & (fruit.skin.facing > FACING)
    if tray.pose is None or not facing.any():
        return (float("nan"),) * 3
    light = tray.correction.to_linear(tray.bgr[fruit.window][facing][:, None])
    blue, green, red = (255 * linear_to_srgb(np.median(light, axis=(0, 1)))).tolist()
    return red, green, blue


def skin_between(fruit: pd.DataFrame) -> tuple[Colour, Colour] | None:
    """Two colours between which the skin of most fruit lies, in whole numbers; None where no colour is known.

    They are the means of the OUTER fruit on either side along the line on which the colours vary most, and so the same
    for the same fruit in any order.

    Parameters
    ----------
    fruit : SKIN_COLUMNS of each.
    """
    colours = fruit[list(SKIN_COLUMNS)].dropna().drop_duplicates().sort_values(list(SKIN_COLUMNS)).to_numpy(float)
    if not len(colours):
        return None
    centred = colours - np.median(colours, axis=0)
    line = np.linalg.svd(centred, full_matrices=False)[2][0]
    place = centred @ (line * np.sign(line[np.argmax(np.abs(line))]))
    low, high = np.quantile(place, [OUTER, 1 - OUTER])
    first, second = (colours[outer].mean(axis=0).round().tolist() for outer in (place <= low, place >= high))
    return (first[0], first[1], first[2]), (second[0], second[1], second[2])
