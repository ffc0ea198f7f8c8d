"""The fruit to label next on the photos at hand, by the model in use."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from scorer.kinds import load_model
from scorer.labels.labels import Labels
from scorer.labels.photos_there import PhotoThere
from scorer.model_shelf.history import in_use
from scorer.model_shelf.shelf import Shelf
from scorer.training.measured import measure_trays
from scorer.training.next_fruit import next_fruit
from scorer.training.site_trays import OutlinedTray


def which_next(
    shelf: Shelf, labels: Labels, photos: Mapping[str, PhotoThere], count: int, *, jobs: int = 1
) -> pd.DataFrame:
    """Fruit that teach most, as ``scorer.training.next_fruit`` lists them; ``tray`` is the photo's SHA-256.

    Photos that somebody labelled whole, and fruit on which somebody named a mark, are passed over.

    Raises
    ------
    ModelError : the model in use is damaged.
    """
    model = load_model(in_use(shelf))
    whole = set(labels.photos["sha256"])
    left = [photo for sha256, photo in sorted(photos.items()) if sha256 not in whole]
    readers = [OutlinedTray(photo, "", whole=False, outlines=()) for photo in left]
    (measured,) = measure_trays(readers, [model.discriminant], jobs)
    named = set(zip(labels.named["sha256"], labels.named["fruit"], strict=True))
    return next_fruit(measured.proposals, model, count, labelled=named)
