"""Trays drawn with the skin of a site's fruit, to learn from beside the site's labels.

What a look changes most is how sound skin and its look-alikes appear, and of that a site's photos tell more than the
few marks that people have the time to label. The simulator knows what it draws, so such trays need nobody to label
them; but it draws marks as it always does, and what is new about a site's marks only labels can tell.
"""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path

from scorer.marks.propose import Discriminant
from scorer.simulate.settings import Colour, TraySettings
from scorer.simulate.tray_set import simulate_trays
from scorer.training.labelled import read_labelled
from scorer.training.measured import MeasuredTrays, measure_trays

PLAIN_LOOK = "turning"
"""The look whose own colours the site's stand in for: it has no blush of its own that the site's fruit may lack."""


def draw_trays(
    skin: tuple[Colour, Colour], discriminant: Discriminant, *, trays: int, seed: int, jobs: int = 1
) -> MeasuredTrays:
    """Draw trays whose fruit have a skin between two colours, and measure them as a detector sees them.

    Parameters
    ----------
    skin : as ``scorer.training.site_look.skin_between`` gives it.
    trays, seed : so many, drawn from the seed; the same draw the same.
    jobs : trays at once; they do not change what is drawn.
    """
    with tempfile.TemporaryDirectory() as folder:
        look = TraySettings(look=PLAIN_LOOK, skin=skin)
        photos = simulate_trays(Path(folder), trays=trays, seed=seed, jobs=jobs, settings=look)
        return measure_trays([partial(read_labelled, photo) for photo in photos], [discriminant], jobs)[0]
