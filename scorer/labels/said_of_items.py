"""What people said of single things, so that two people's words on one thing can be held against each other."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pandas as pd

from scorer.labels.labels import Labels
from scorer.labels.same_marks import outlined_marks, said_table, scored_item
from scorer.labels.scored_outlines import ScoredMasks, scored_words
from scorer.records.tables import WHOLE_FRUIT

DOWNGRADED, SOUND = "downgraded", "sound"


def kinds_said(labels: Labels, masks: ScoredMasks) -> pd.DataFrame:
    """What people said of marks: of outlined ones, and of those that were scored.

    A scored mark is known by photo, model, fruit and mark. On photos on which somebody outlined marks it is one with
    the outlines that overlap it, where its mask is known.

    Parameters
    ----------
    labels : all that was said, as ``scorer.labels.keep.labels_of`` gives it.
    masks : of what was scored.

    Returns
    -------
    ``scorer.labels.same_marks.SAID_DTYPES``.
    """
    outlined = set(labels.outlines.loc[labels.outlines["kind"] != WHOLE_FRUIT, "sha256"])
    beside = labels.named["sha256"].isin(outlined)
    words = scored_words(labels.named[beside], masks)
    joined = [word for word in words if word["rle"] is not None]
    alone = [word for word in words if word["rle"] is None] + labels.named[~beside].to_dict("records")
    rows = [
        {
            "item": scored_item(row),
            "tray": row["sha256"],
            "said": row["kind"],
        }
        | {name: row[name] for name in ("who", "said_at", "sha256", "fruit", "mark", "model")}
        for row in alone
    ]
    parts = [part for part in (outlined_marks(labels, joined), said_table(rows)) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else said_table([])


def verdicts_said(labels: Labels) -> pd.DataFrame:
    """What people said of fruit, each known by photo and number: DOWNGRADED or SOUND.

    Returns
    -------
    ``scorer.labels.same_marks.SAID_DTYPES``.
    """
    return said_table(
        [
            {
                "item": f"{row['sha256']} fruit {row['fruit']}",
                "tray": row["sha256"],
                "said": DOWNGRADED if row["downgraded"] else SOUND,
            }
            | {name: row[name] for name in ("who", "said_at", "sha256", "fruit")}
            for row in labels.verdicts.to_dict("records")
        ]
    )


def item_in_words(item: str, names: Mapping[str, str], say: Callable[[str], str] = str) -> str:
    """An item as people call it: by the name of its photo, where that is known by its SHA-256.

    Parameters
    ----------
    say : puts what it is on the photo into a language.
    """
    sha256, _, rest = item.partition(" ")
    return f"{names.get(sha256, f'photo {sha256[:12]}')}, {say(rest)}"
