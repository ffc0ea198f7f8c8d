"""Shares by kind of mark, and of defective fruit by method, block, cultivar, day and hour, with intervals."""

from __future__ import annotations

from typing import Final

import pandas as pd

from scorer.crews.shares import DEFECT_SHARE_COLUMNS, defect_share
from scorer.score_tables import KINDS, UNSURE

ALL_CREWS: Final = "all crews"
NOT_KNOWN: Final = "not known"
FACTORS: Final = ("method", "block", "cultivar", "day", "hour")
SHARES_BY_KIND_COLUMNS: Final = ("kind", *DEFECT_SHARE_COLUMNS)
SHARES_BY_COLUMNS: Final = ("by", "value", *DEFECT_SHARE_COLUMNS)


def shares_by_kind(fruit: pd.DataFrame, *, confidence: float = 0.95) -> pd.DataFrame:
    """Per crew, and over all crews, the share of fruit that bear a mark of each kind.

    A fruit with marks of two kinds counts for both, so that the kinds do not add up to the share of defective fruit;
    and a small mark counts here that is within the limits.

    Parameters
    ----------
    fruit : one row per fruit: crew, lot, and a column of yes and no for each kind and for ``unsure``.

    Returns
    -------
    One row per kind and crew with the columns SHARES_BY_KIND_COLUMNS; see ``defect_share`` for the interval.
    """
    parts = []
    for kind in (*KINDS, UNSURE):
        parts.append(_of_all(fruit, kind, confidence))
        shares = defect_share(fruit, cluster="lot", defective=kind, confidence=confidence)
        parts.append(shares.assign(kind=kind))
    return pd.concat(parts, ignore_index=True)[list(SHARES_BY_KIND_COLUMNS)]


def shares_of_kinds(fruit: pd.DataFrame, *, confidence: float = 0.95) -> pd.DataFrame:
    """The share of all these fruit together that bear a mark of each kind, one row per kind as ``shares_by_kind``."""
    parts = [_of_all(fruit, kind, confidence) for kind in (*KINDS, UNSURE)]
    return pd.concat(parts, ignore_index=True)[list(SHARES_BY_KIND_COLUMNS)]


def _of_all(fruit: pd.DataFrame, kind: str, confidence: float) -> pd.DataFrame:
    whole = fruit.assign(crew=ALL_CREWS, lot=_lot_of_crew(fruit))
    return defect_share(whole, cluster="lot", defective=kind, confidence=confidence).assign(kind=kind)


def shares_by(fruit: pd.DataFrame, factor: str, *, confidence: float = 0.95) -> pd.DataFrame:
    """Share of defective fruit by what is known of the bins: over all crews, then crew by crew.

    A difference between blocks, days or methods may be one between the crews that picked there and then;
    ``scorer.crews.standardised`` is for telling them apart.

    Parameters
    ----------
    fruit : one row per fruit: crew, lot, defective, and the column ``factor``.
    factor : one of FACTORS, or any other column; fruit without a value there are NOT_KNOWN.

    Returns
    -------
    One row per value and crew with the columns SHARES_BY_COLUMNS, ALL_CREWS first.
    """
    value = fruit[factor].astype("str").where(fruit[factor].notna(), NOT_KNOWN)
    known = fruit.assign(value=value, lot=_lot_of_crew(fruit))
    known["order"] = pd.to_numeric(fruit[factor], errors="coerce") if factor == "hour" else 0.0
    whole = _shares(known.assign(crew=ALL_CREWS), confidence)
    table = pd.concat([whole, _shares(known, confidence)], ignore_index=True)
    return table.assign(by=factor)[list(SHARES_BY_COLUMNS)]


def _shares(fruit: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Shares of each crew and value as if each were a crew of its own; how alike fruit of a bin are comes from all."""
    groups = fruit.groupby(["crew", "order", "value"], sort=True, dropna=False)
    names = groups[["crew", "value"]].first().reset_index(drop=True)
    shares = defect_share(fruit.assign(group=groups.ngroup()), crew="group", cluster="lot", confidence=confidence)
    return shares.assign(crew=names["crew"].to_numpy(), value=names["value"].to_numpy())


def _lot_of_crew(fruit: pd.DataFrame) -> pd.Series[str]:
    return fruit["crew"].astype("str") + ", " + fruit["lot"].astype("str")
