"""How hard the light over a site's trays is: told by the shade and shine on its fruit, as kinds of light that do so.

Kinds of light are told by what decides on shade and shine: how much comes from all around, and how small the lamps are.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from scorer.colour import LUMINANCE_BGR
from scorer.fruit.find import Fruit
from scorer.simulate.settings import LightKind
from scorer.tray import LocatedTray

SHADE_COLUMNS: Final = ("shade_range", "shade_slope", "glint")
SEEN_WELL: Final = 0.3
"""Skin that faces the camera less shows too little of itself; our own choice."""
DARK, LIGHT, BRIGHTEST = 0.1, 0.9, 0.995
"""Quantiles of a fruit's luminance that stand for its dark skin, its light skin and its shine; our own choice."""
LEAST_LIGHT: Final = 1e-3
"""Share of white that a surface is taken to send back at least, so that a black one divides nothing by nothing."""
ROUNDS: Final = 100
UNSEEN_TRAYS: Final = 0.5
"""Of each kind of light, that count beside those seen."""
_AMBIENT_SHARES: Final = ((0.1, 0.2), (0.2, 0.35), (0.35, 0.6), (0.6, 0.95))
_LAMP_RADII_RAD: Final = ((0.005, 0.03), (0.03, 0.15), (0.15, 0.5))
LIGHT_KINDS: Final = tuple(
    LightKind(f"{share} from all around, lamps of {radius} rad", (2800, 7500), share, radius, (1, 2))
    for share, radius in product(_AMBIENT_SHARES, _LAMP_RADII_RAD)
)
"""From a bare bulb or the sun (half the sun's disc is 0.005 rad) to a cloudy sky; our own choice."""

Float64 = NDArray[np.float64]


def light_is_known(tray: LocatedTray) -> bool:
    """Whether the card's patches could be read."""
    return tray.pose is not None and bool(np.isfinite(tray.correction.residual_delta_e00))


def fruit_shade(tray: LocatedTray, fruit: Fruit) -> dict[str, float]:
    """SHADE_COLUMNS of a fruit, as natural logarithms of luminance; NaN without a card.

    They are its light skin over its dark skin, the steepest fall of light over it, per radius, and its shine over its
    usual skin. A small lamp leaves a dark side and a bright glint, a cloudy sky neither.
    """
    seen = fruit.inside & (fruit.skin.facing > SEEN_WELL)
    if not (seen.any() and light_is_known(tray)):
        return dict.fromkeys(SHADE_COLUMNS, float("nan"))
    light = tray.correction.to_linear(tray.bgr[fruit.window][seen][:, None])[:, 0]
    value = np.log(np.maximum(light @ np.array(LUMINANCE_BGR), LEAST_LIGHT))
    rows, columns = np.nonzero(seen)
    radius_px = np.sqrt(len(value) / np.pi)
    place = np.column_stack([rows - rows.mean(), columns - columns.mean()]) / radius_px
    fall = np.linalg.lstsq(place, value - value.mean(), rcond=None)[0]
    dark, middle, lit, brightest = np.quantile(value, [DARK, 0.5, LIGHT, BRIGHTEST])
    return dict(zip(SHADE_COLUMNS, (float(lit - dark), float(np.hypot(*fall)), float(brightest - middle)), strict=True))


def tray_shades(fruit: pd.DataFrame) -> Float64:
    """Usual shade (trays, 3) of the fruit of each tray of which it is known, the same whatever their order."""
    shades = fruit.groupby("tray")[list(SHADE_COLUMNS)].median().dropna().to_numpy(float)
    return np.asarray(shades[np.lexsort(shades.T)])


def light_chances(site: Float64, drawn: Sequence[Float64]) -> Float64:
    """How often each of some kinds of light lies over a site's trays, (kinds,), by shades (trays, 3).

    Trays drawn under each kind tell how likely a shade is under it, by a normal distribution whose spread all kinds
    share. From equal shares on they are moved until they explain the site's trays best (Saerens, Latinne and
    Decaestecker 2002, Neural Computation 14; from memory), as if half a tray more of each kind had been seen (Jeffreys'
    prior of shares; from memory): so few trays tell little.

    Parameters
    ----------
    drawn : shades of trays under each kind, two trays or more.
    """
    kinds = len(drawn)
    named = np.repeat(np.arange(kinds), [len(shades) for shades in drawn])
    likely = (
        LinearDiscriminantAnalysis(priors=np.full(kinds, 1 / kinds)).fit(np.vstack(drawn), named).predict_proba(site)
    )
    chances = np.full(kinds, 1 / kinds)
    for _ in range(ROUNDS):
        explained = likely * chances
        share = explained / explained.sum(axis=1, keepdims=True)
        chances = (share.sum(axis=0) + UNSEEN_TRAYS) / (len(site) + UNSEEN_TRAYS * kinds)
    return chances
