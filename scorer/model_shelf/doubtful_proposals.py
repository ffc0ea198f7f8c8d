"""Which labels a fit doubts: each proposal's label against the probabilities of a fit that had not seen its tray."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from scorer.agreement.doubtful import DOUBTFUL_COLUMNS, doubtful_labels
from scorer.model_shelf.held_out import SiteTrays
from scorer.training.site_fit import Base, fit_site

DOUBTED_COLUMNS = ("tray", "fruit", "who", "along", "stem_distance_mm", "area_mm2", *DOUBTFUL_COLUMNS)


def doubtful_proposals(trays: SiteTrays, base: Base, *, seed: int = 0, jobs: int = 1) -> pd.DataFrame:
    """Labels that are likely errors, the likeliest first, for a second look; what is learned from stays as it is.

    The fit that doubts them takes a label for no more than one of the many that the shipped model learned from: what
    may be wrong must not count tenfold against what is right.

    Returns
    -------
    DOUBTED_COLUMNS: which mark (by its place and area on the fruit), as what it was labelled, and what is likelier.

    Raises
    ------
    LabelsError : the labels are too few for a fit.
    """
    fit = fit_site(trays.seen_by, replace(base, own_times=1), named=trays.named, seed=seed, jobs=jobs)
    table = fit.learned_from
    doubts = doubtful_labels(table[["kind"]].rename(columns={"kind": "label"}), fit.held_out)
    found = doubts[doubts["doubtful"].astype(bool)]
    return table[list(DOUBTED_COLUMNS[:6])].join(found, how="right")[list(DOUBTED_COLUMNS)].reset_index(drop=True)
