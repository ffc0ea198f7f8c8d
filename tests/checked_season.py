"""Seasons with known truth, of which an officer has checked some fruit."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

SHARES = {"Bowerbird": 0.05, "Brolga": 0.10, "Curlew": 0.15, "Paperbark": 0.20}


def season(
    rng: np.random.Generator,
    *,
    checked: float,
    shares: Mapping[str, float] = SHARES,
    bins: int = 12,
    per_bin: int = 15,
    finds: float = 0.8,
    leaves: float = 0.95,
) -> pd.DataFrame:
    """Bins of fruit (icc 0.05), each fruit checked by lot with the chance ``checked``; the truth stands beside."""
    names, of_bin = list(shares), bins * per_bin
    chance = [np.repeat(rng.beta(share * 19, (1 - share) * 19, bins), per_bin) for share in shares.values()]
    truth = rng.random(len(names) * of_bin) < np.concatenate(chance)
    said = np.where(truth, rng.random(len(truth)) < finds, rng.random(len(truth)) >= leaves)
    lot = np.tile(np.repeat([f"T{n:02}" for n in range(bins)], per_bin), len(names))
    crew = np.repeat(names, of_bin)
    fruit = pd.DataFrame(
        {
            "crew": crew,
            "lot": lot,
            "bin": lot,
            "photo": [f"{name}_{one}.jpg" for name, one in zip(crew, lot, strict=True)],
            "fruit": np.tile(np.arange(1, per_bin + 1), bins * len(names)),
            "defective": said,
            "truth": truth,
        }
    )
    return with_looks(fruit, rng.random(len(truth)) < checked, np.nan)


def with_looks(fruit: pd.DataFrame, looked: np.ndarray, chance: float | np.ndarray) -> pd.DataFrame:
    """The same fruit, checked where ``looked`` and nowhere else."""
    word = fruit["truth"].astype("boolean").where(pd.Series(looked, index=fruit.index))
    return fruit.assign(checked_downgraded=word, check_chance=np.where(looked, chance, np.nan))


def after_looking(fruit: pd.DataFrame, drawn: pd.DataFrame) -> pd.DataFrame:
    """The same fruit, once an officer has looked at those that were drawn, too."""
    keys = ["photo", "fruit"]
    chance = fruit[keys].merge(drawn[[*keys, "check_chance"]], how="left")["check_chance"]
    now = chance.notna()
    return fruit.assign(
        checked_downgraded=fruit["checked_downgraded"].mask(now, fruit["truth"].astype("boolean")),
        check_chance=fruit["check_chance"].mask(now, chance),
    )
