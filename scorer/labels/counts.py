"""How many labels there are: by person, and outlines by kind."""

from __future__ import annotations

from typing import Final

import pandas as pd

from scorer.labels.labels import Labels

PERSON_DTYPES: Final = {"who": "str", "photos": "int64", "outlines": "int64", "verdicts": "int64", "words": "int64"}
KIND_DTYPES: Final = {"kind": "str", "outlines": "int64", "words": "int64"}


def counts_by_person(labels: Labels) -> pd.DataFrame:
    """Each person's labels, by name: PERSON_DTYPES.

    ``photos`` are those looked at whole, ``outlines`` and ``verdicts`` as handed in or drawn, ``words`` those said of
    scored marks. Each person's last word on a thing counts once.
    """
    newest = labels.newest()
    tables = {"photos": newest.photos, "outlines": newest.outlines, "verdicts": newest.verdicts, "words": newest.named}
    counts = pd.DataFrame({name: table["who"].value_counts() for name, table in tables.items()}).fillna(0)
    return counts.sort_index().rename_axis("who").reset_index().astype(PERSON_DTYPES)


def counts_by_kind(labels: Labels) -> pd.DataFrame:
    """Outlines, and words on scored marks, of each kind, the most first: KIND_DTYPES."""
    newest = labels.newest()
    tables = {"outlines": newest.outlines, "words": newest.named}
    counts = pd.DataFrame({name: table["kind"].value_counts() for name, table in tables.items()}).fillna(0)
    counts = counts.rename_axis("kind").reset_index().astype(KIND_DTYPES)
    return counts.sort_values(["outlines", "words", "kind"], ascending=[False, False, True], ignore_index=True)
