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

from scorer.colour import linear_to_srgb, srgb_to_linear
from scorer.marks.propose import Discriminant
from scorer.simulate.camera_effects import kelvin_of_cast
from scorer.simulate.settings import ColourPair, TraySettings
from scorer.simulate.tray_set import simulate_trays
from scorer.training.labelled import read_labelled
from scorer.training.measured import MeasuredTrays, measure_trays
from scorer.training.site_look import SiteLook, as_pair, look_of

PLAIN: Final = TraySettings(look="turning", floor="white")
"""What a site's colours stand in for: a look without a blush of its own that the site's fruit may lack, and a floor
without a pattern."""
TRIAL_TRAYS: Final = 16
"""Drawn first, to see how colours come out; our own choice."""
LEAST_LIGHT: Final = 1e-3
"""Share of white that a surface is taken to send back at least, so that a black one divides nothing by nothing."""


def draw_trays(
    look: SiteLook, discriminant: Discriminant, *, trays: int, seed: int, jobs: int = 1, like: TraySettings = PLAIN
) -> MeasuredTrays:
    """Draw trays that are seen with a look, and measure them as a detector sees them.

    A skin is seen lighter and greyer than it is, by its shine and the light from all around, and a floor darker for
    its shadows. So a few trays are drawn first, and the colours to draw are found from how theirs came out.

    Parameters
    ----------
    trays, seed : so many, drawn from the seed; the same draw the same.
    jobs : trays at once; they do not change what is drawn.
    like : what else is fixed about the trays.
    """
    settings = replace(like, skin=look.skin, floor_tone=look.floor, kelvin=kelvin_of_cast(look.cast))
    came = look_of(_drawn(settings, discriminant, min(trays, TRIAL_TRAYS), seed, jobs).fruit)
    if came is not None:
        settings = replace(settings, skin=colours_to_draw(look.skin, came.skin))
        if look.floor is not None and came.floor is not None:
            settings = replace(settings, floor_tone=colours_to_draw(look.floor, came.floor))
    return _drawn(settings, discriminant, trays, seed, jobs)


def colours_to_draw(to_be_seen: ColourPair, came: ColourPair) -> ColourPair:
    """Two colours, in 8-bit sRGB, that are seen as wanted, where drawing the wanted ones themselves came out so.

    In linear light, each channel by itself, both are drawn as much darker as the two came out lighter on average.
    """
    wanted, seen = (srgb_to_linear(np.array(pair) / 255) for pair in (to_be_seen, came))
    drawn = wanted * (wanted.mean(axis=0) / np.maximum(seen.mean(axis=0), LEAST_LIGHT))
    return as_pair(255 * linear_to_srgb(drawn))


def _drawn(settings: TraySettings, discriminant: Discriminant, trays: int, seed: int, jobs: int) -> MeasuredTrays:
    with tempfile.TemporaryDirectory() as folder:
        photos = simulate_trays(Path(folder), trays=trays, seed=seed, jobs=jobs, settings=settings)
        return measure_trays([partial(read_labelled, photo) for photo in photos], [discriminant], jobs)[0]
