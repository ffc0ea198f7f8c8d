"""Keep a fitted model as a folder: detector, kinds, what it learned from, and its card for programs and for people."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import skops.io

from scorer.errors import ModelError
from scorer.kinds import CARD_FILE, DETECTOR_FILE, KINDS_FILE, NOT_A_MARK
from scorer.marks.measure import MEASURES
from scorer.model_card import write_card_text
from scorer.training.naming import proposal_weights
from scorer.training.prior_forest import LearnedBefore

TRAINING_FILE: Final = "training.parquet"
BROWN_QUANTILES: Final = tuple(round(0.05 * step, 2) for step in range(21))
_ABOUT: Final = ("kind", "tray", "who", "fruit")


def keep_model(
    folder: Path, detector: Any, classifier: Any, card: Mapping[str, Any], learned_from: pd.DataFrame
) -> dict[str, Any]:
    """Write a model's files, and return its card as it was written.

    Parameters
    ----------
    folder : made if missing; its files are replaced.
    detector, classifier : as scikit-learn fitted them; see ``scorer.kinds.model_of``.
    card : all of it but the hashes of the files.
    learned_from : the proposals that it was fitted on: MEASURES, kind, tray, who and fruit.
    """
    folder.mkdir(parents=True, exist_ok=True)
    files = {}
    for name, model in ((DETECTOR_FILE, detector), (KINDS_FILE, classifier)):
        skops.io.dump(model, folder / name, compression=8, compresslevel=9)
        files[name] = _sha256(folder / name)
    table = learned_from[[*MEASURES, *_ABOUT]].astype(dict.fromkeys(MEASURES, "float32"))
    table.to_parquet(folder / TRAINING_FILE, index=False, compression="zstd", compression_level=19)
    whole = dict(card) | {"files": files, "training_table": _sha256(folder / TRAINING_FILE)}
    (folder / CARD_FILE).write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    write_card_text(folder)
    return whole


def learned_from(folder: Path) -> pd.DataFrame:
    """The proposals that a model was fitted on, as ``keep_model`` wrote them.

    Raises
    ------
    ModelError : they are missing or not those that the model's card describes.
    """
    path = folder / TRAINING_FILE
    try:
        card = json.loads((folder / CARD_FILE).read_text(encoding="utf-8"))
        if _sha256(path) != card.get("training_table"):
            raise ModelError(f"{folder.name}: {path.name} is not the file that its card describes; restore both.")
        table = pd.read_parquet(path)
    except (OSError, ValueError) as error:
        raise ModelError(
            f"{folder.name}: what the model learned from cannot be read ({error}); restore {path.name}."
        ) from error
    return table.astype(dict.fromkeys(MEASURES, "float64"))


def learned_before(folder: Path) -> LearnedBefore:
    """The same as rows and classes, to go on learning from.

    Raises
    ------
    ModelError : see ``learned_from``.
    """
    table = learned_from(folder)
    return LearnedBefore(table[list(MEASURES)].to_numpy(float), table["kind"].to_numpy(str), np.ones(len(table)))


def thinned(table: pd.DataFrame, seed: int = 0) -> pd.DataFrame:
    """All marks of a table, and of proposals that are none so many as they weigh together, drawn by their weights.

    So every row counts alike: the trays that are full of look-alikes do not fill the file, and scikit-learn bins rows
    that weigh unlike a hundred times more slowly.
    """
    weights = np.asarray(proposal_weights(table))
    clean = np.flatnonzero(table["kind"] == NOT_A_MARK)
    chance = weights[clean] / weights[clean].sum()
    count = round(float(weights[clean].sum()))
    drawn = np.sort(np.random.default_rng(seed).choice(clean, count, replace=False, p=chance))
    return table.iloc[np.concatenate([np.flatnonzero(table["kind"] != NOT_A_MARK), drawn])].reset_index(drop=True)


def usual_of(table: pd.DataFrame) -> dict[str, float]:
    """What is usual of each measure among the marks of a table."""
    marked = table["kind"] != NOT_A_MARK
    return {name: float(table.loc[marked, name].median()) for name in MEASURES}


def brown_quantiles(fractions: Any) -> list[float]:
    """BROWN_QUANTILES of brown fractions (N,), for a card: what later photos are held against."""
    return [round(float(each), 5) for each in np.quantile(np.asarray(fractions, float), BROWN_QUANTILES)]


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
