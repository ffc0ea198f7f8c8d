"""Trays drawn to look like a site's, to learn from beside the site's labels.

What a look changes most is how sound skin and its look-alikes appear, and of that a site's photos tell more than the
few marks that people have the time to label. The simulator knows what it draws, so such trays need nobody to label
them; but it draws marks as it always does, and what is new about a site's marks only labels can tell.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.colour import linear_to_srgb, srgb_to_linear
from scorer.marks.propose import Discriminant
from scorer.simulate.camera_effects import cast_of_kelvin, kelvin_of_cast
from scorer.simulate.settings import ColourPair, TraySettings
from scorer.simulate.tray_set import simulate_trays
from scorer.training.labelled import read_labelled
from scorer.training.measured import MeasuredTrays, measure_trays, together
from scorer.training.site_light import LEAST_LIGHT, LIGHT_KINDS, light_chances, tray_shades
from scorer.training.site_look import SiteLook, Skins, as_pair, look_of, looks_on_photos

PLAIN: Final = TraySettings(look="turning", floor="white")
"""What a site's colours stand in for: a look without a blush of its own that the site's fruit may lack, and a floor
without a pattern."""
TRIAL_SIZE_PX: Final = (1200, 900)
"""Of the trays that are drawn first, to see how they come out: enough to see colours and shades, not marks."""
OF_A_LIGHT: Final = 10
"""Trays drawn under each kind of light, to tell which are the site's; our own choice, as are the next ones."""
TRIAL_TRAYS: Final = 32
TRIALS: Final = 2
"""Trays then drawn under the site's light, and how often, to find the colours to draw."""
AT_ONCE: Final = 80
"""Trays to learn from after which colours are corrected once more: so many show better than a few how all come out."""
FEWEST_TO_TELL: Final = 2
"""Trays under a kind of light whose shades can be seen, without which no kind is told from the others."""
LEAST_APART: Final = 1e-4
MOST_WIDER: Final = 2.0
"""So much further apart, or nearer, two colours are drawn at most from one trial to the next."""


def draw_trays(
    look: SiteLook, discriminant: Discriminant, *, trays: int, seed: int, jobs: int = 1, like: TraySettings = PLAIN
) -> MeasuredTrays:
    """Draw trays that are seen with a look, and measure them as a detector sees them.

    A skin is seen lighter and greyer than it is, by its shine and the light from all around, and a floor darker for
    its shadows; and how much so depends on the light, which is told by the shades that each kind of it leaves on such
    fruit. So a few trays are drawn first, time and again with colours nearer to those that come out as wanted; and
    those to learn from are drawn some at a time, which correct the next.

    Parameters
    ----------
    trays, seed : so many, drawn from the seed; the same draw the same.
    jobs : trays at once; they do not change what is drawn.
    like : what else is fixed about the trays.
    """
    settings = replace(like, skins=look.skins, floor_tone=look.floor, kelvin=kelvin_of_cast(look.cast))
    settings = in_its_light(settings, look, min(trays, OF_A_LIGHT), seed, jobs)
    for _ in range(TRIALS):
        settings = nearer(settings, look, look_of(_seen(settings, min(trays, TRIAL_TRAYS), seed, jobs)))
    parts: list[MeasuredTrays] = []
    with tempfile.TemporaryDirectory() as folder:
        for first in range(0, trays, AT_ONCE):
            if parts:
                settings = nearer(settings, look, look_of(parts[-1].fruit))
            upto = min(first + AT_ONCE, trays)
            photos = simulate_trays(Path(folder), trays=upto, seed=seed, jobs=jobs, settings=settings)
            readers = [partial(read_labelled, photo) for photo in photos[first:]]
            parts += measure_trays(readers, [discriminant], jobs)
    return together(parts)


def in_its_light(settings: TraySettings, look: SiteLook, of_each: int, seed: int, jobs: int = 1) -> TraySettings:
    """Settings with kinds of light as often as they are a site's, and with colours about as they are to be drawn.

    Settings that fix the light stay as they are, and all do where too few trays are drawn to tell.

    Parameters
    ----------
    of_each : so many trays are drawn under each kind of light, after a few for their colours; FEWEST_TO_TELL at least.
    seed, jobs : as for ``draw_trays``.
    """

    def under_each(trays: int) -> list[pd.DataFrame]:
        lit = (replace(settings, lights=((light, 1.0),)) for light in LIGHT_KINDS)
        return [_seen(each, trays, seed + place, jobs) for place, each in enumerate(lit)]

    if settings.light is not None or of_each < FEWEST_TO_TELL:
        return settings
    # shine shows more on a darker skin, so first the colours
    settings = nearer(settings, look, look_of(pd.concat(under_each(FEWEST_TO_TELL))))
    shades = [tray_shades(seen) for seen in under_each(of_each)]
    if not look.shades or min(len(of_light) for of_light in shades) < FEWEST_TO_TELL:
        return settings
    chances = light_chances(np.array(look.shades), shades)
    return replace(settings, lights=tuple(zip(LIGHT_KINDS, chances.tolist(), strict=True)))


def nearer(drawn: TraySettings, wanted: SiteLook, came: SiteLook | None) -> TraySettings:
    """Settings whose trays are seen more as wanted, where those drawn came out so; None is that nothing can be told."""
    if came is None:
        return drawn
    if drawn.skins is not None:
        drawn = replace(drawn, skins=skins_to_draw(drawn.skins, wanted.skins, came.skins))
    if drawn.floor_tone is not None and wanted.floor is not None and came.floor is not None:
        drawn = replace(drawn, floor_tone=colours_to_draw(drawn.floor_tone, wanted.floor, came.floor))
    if drawn.kelvin is not None:
        drawn = replace(drawn, kelvin=kelvin_of_cast(cast_of_kelvin(drawn.kelvin) + wanted.cast - came.cast))
    return drawn


def skins_to_draw(drawn: Skins, to_be_seen: Skins, came: Skins) -> Skins:
    """Skins of trays, two colours in 8-bit sRGB each, that are seen more as wanted than those that were drawn.

    In linear light, each channel by itself, all are drawn as much darker as they came out lighter on average; and the
    trays as much nearer to each other, and the two colours of each, as they came out further apart.
    """
    old, wanted, seen = (_light(pairs) for pairs in (drawn, to_be_seen, came))
    of_trays, middle = old.mean(axis=1, keepdims=True), old.mean(axis=(0, 1))
    among = _wider(_apart(wanted.mean(axis=1)), _apart(seen.mean(axis=1)))
    within = _wider(*(_apart(pairs.swapaxes(0, 1)) for pairs in (wanted, seen)))
    lighter = wanted.mean(axis=(0, 1)) / seen.mean(axis=(0, 1))
    new = lighter * (middle + among * (of_trays - middle) + within * (old - of_trays))
    return tuple(as_pair(pair) for pair in 255 * linear_to_srgb(np.clip(new, 0, 1)))


def colours_to_draw(drawn: ColourPair, to_be_seen: ColourPair, came: ColourPair) -> ColourPair:
    """Two colours that are seen more as wanted than those that were drawn; as ``skins_to_draw`` for a single tray."""
    (pair,) = skins_to_draw((drawn,), (to_be_seen,), (came,))
    return pair


def _light(pairs: Skins) -> NDArray[np.float64]:
    """Linear light (trays, 2, 3) of pairs of colours."""
    return np.maximum(srgb_to_linear(np.array(pairs) / 255), LEAST_LIGHT)


def _apart(light: NDArray[np.float64]) -> float:
    """How far colours (N, ..., 3) lie from their mean, beside how light they are on average."""
    return float(np.sqrt((((light - light.mean(axis=0)) / light.mean(axis=tuple(range(light.ndim - 1)))) ** 2).mean()))


def _wider(wanted: float, seen: float) -> float:
    return float(np.clip((wanted + LEAST_APART) / (seen + LEAST_APART), 1 / MOST_WIDER, MOST_WIDER))


def _seen(settings: TraySettings, trays: int, seed: int, jobs: int) -> pd.DataFrame:
    """LOOK_COLUMNS and tray of the fruit that are found on trial trays, one row each."""
    small = replace(settings, image_size=settings.image_size or TRIAL_SIZE_PX)
    with tempfile.TemporaryDirectory() as folder:
        photos = simulate_trays(Path(folder), trays=trays, seed=seed, jobs=jobs, settings=small)
        return looks_on_photos(photos, jobs)
