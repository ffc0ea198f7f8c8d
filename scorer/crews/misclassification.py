"""A share corrected for fruit that the scorer judges wrongly, from fruit that an officer checked by eye.

Where the scorer finds a defective fruit with probability Se (sensitivity) and leaves a sound one alone with Sp
(specificity), the share that it says is not the true one. Rogan and Gladen (1978, American Journal of Epidemiology 107:
71-76) turn it round; Lang and Reiczigel (2014, Preventive Veterinary Medicine 113: 13-22) give the interval that knows
that Se and Sp come from a sample, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.stats import norm

from scorer.crews.shares import defect_share

CORRECTED_COLUMNS: Final = ("crew", "fruit", "share", "corrected", "low", "high", "note")
FEWEST_CHECKED: Final = 20
"""Fewer defective or fewer sound fruit among those checked tell too little of Se and Sp; our own choice."""

NO_CHECKS: Final = "no fruit checked by eye are there, so nothing can be corrected"
ONE_SIDED: Final = "no {} fruit are among those checked, so nothing can be corrected"
USELESS: Final = "the scorer tells defective from sound fruit no better than chance here, so nothing can be corrected"
FEW_CHECKED: Final = "only {} defective and {} sound fruit were checked: take it as rough"
NOT_AT_RANDOM: Final = (
    "rests on checked fruit having been drawn by lot; where doubtful fruit were drawn more often it is biased, and the "
    "share from both, which knows the chances, is to be used"
)


@dataclass(frozen=True)
class ErrorRates:
    """How often the scorer is right, counted from checked fruit.

    Parameters
    ----------
    found, defective : defective fruit that the scorer called so, of those there were.
    left_alone, sound : sound fruit that it called so, of those there were.
    """

    found: float
    defective: int
    left_alone: float
    sound: int

    @property
    def sensitivity(self) -> float:
        """Share of defective fruit that the scorer finds; NaN without any."""
        return self.found / self.defective if self.defective else np.nan

    @property
    def specificity(self) -> float:
        """Share of sound fruit that it leaves alone; NaN without any."""
        return self.left_alone / self.sound if self.sound else np.nan


@dataclass(frozen=True)
class CorrectedShare:
    """A share of truly defective fruit.

    Parameters
    ----------
    estimate, low, high : cut to 0 to 1.
    low_uncut, high_uncut : as the formula gives them, which may lie outside.
    """

    estimate: float
    low: float
    high: float
    low_uncut: float
    high_uncut: float


def rogan_gladen(share: float, sensitivity: float, specificity: float) -> float:
    """True share (p + Sp - 1) / (Se + Sp - 1), cut to 0 to 1; NaN where the scorer is no better than chance."""
    if not sensitivity + specificity > 1:
        return np.nan
    return float(np.clip((share + specificity - 1) / (sensitivity + specificity - 1), 0, 1))


def corrected_share(defective: float, fruit: float, rates: ErrorRates, *, confidence: float = 0.95) -> CorrectedShare:
    """Rogan and Gladen's estimate with Lang and Reiczigel's interval.

    n' = n + z^2, p' = (n p + z^2 / 2) / n', Se' = (nSe Se + 1) / (nSe + 2), Sp' likewise,
    P' = (p' + Sp' - 1) / (Se' + Sp' - 1),
    dP = 2 z^2 (P' Se' (1 - Se') / (nSe + 2) - (1 - P') Sp' (1 - Sp') / (nSp + 2)),
    V = (p' (1 - p') / n' + P'^2 Se' (1 - Se') / (nSe + 2) + (1 - P')^2 Sp' (1 - Sp') / (nSp + 2)) / (Se' + Sp' - 1)^2,
    interval P' + dP -+ z sqrt(V).

    Parameters
    ----------
    defective, fruit : that the scorer called so, of so many; whole or, divided by a design effect, not.
    rates : how often it is right.

    Raises
    ------
    ValueError : the counts do not fit, or the rates do not tell defective from sound fruit.
    """
    if not 0 <= defective <= fruit or not fruit > 0:
        raise ValueError(f"{defective:g} of {fruit:g} fruit cannot be defective.")
    if not rates.sensitivity + rates.specificity > 1:
        raise ValueError(f"Nothing can be corrected: {USELESS}.")
    z = float(norm.isf((1 - confidence) / 2))
    n = fruit + z**2
    p = (defective + z**2 / 2) / n
    se_of, sp_of = rates.defective + 2, rates.sound + 2
    se, sp = (rates.found + 1) / se_of, (rates.left_alone + 1) / sp_of
    slope = se + sp - 1
    share = (p + sp - 1) / slope
    se_variance, sp_variance = se * (1 - se) / se_of, sp * (1 - sp) / sp_of
    moved = share + 2 * z**2 * (share * se_variance - (1 - share) * sp_variance)
    variance = (p * (1 - p) / n + share**2 * se_variance + (1 - share) ** 2 * sp_variance) / slope**2
    low, high = moved - z * np.sqrt(variance), moved + z * np.sqrt(variance)
    estimate = rogan_gladen(defective / fruit, rates.sensitivity, rates.specificity)
    cut = np.clip([low, high], 0, 1)
    return CorrectedShare(estimate, float(cut[0]), float(cut[1]), float(low), float(high))


def error_rates(fruit: pd.DataFrame) -> ErrorRates:
    """How often the scorer is right among the checked fruit of all crews.

    Parameters
    ----------
    fruit : one row per fruit: ``defective``, the scorer's word, and ``checked_downgraded``, an officer's or missing.
    """
    checked = fruit[fruit["checked_downgraded"].notna()]
    truly, said = checked["checked_downgraded"].astype(bool), checked["defective"].astype(bool)
    return ErrorRates(int((said & truly).sum()), int(truly.sum()), int((~said & ~truly).sum()), int((~truly).sum()))


def corrected_shares(fruit: pd.DataFrame, *, cluster: str = "lot", confidence: float = 0.95) -> pd.DataFrame:
    """The raw share of each crew beside the corrected one.

    Fruit of a bin resemble each other, so a crew's fruit count as fruit / design effect in the interval (Kish 1965), by
    the design effect that ``defect_share`` finds. Checked fruit are taken as independent of each other, and Se and Sp
    as the same for all crews.

    Parameters
    ----------
    fruit : one row per fruit: crew, the cluster, ``defective`` and ``checked_downgraded``.

    Returns
    -------
    One row per crew with the columns CORRECTED_COLUMNS; what cannot be corrected is missing, and ``note`` says why.
    """
    rates = error_rates(fruit)
    refusal = _refusal(rates)
    rows: list[dict[str, Any]] = []
    for row in defect_share(fruit, cluster=cluster, confidence=confidence).to_dict("records"):
        about = {"crew": row["crew"], "fruit": row["fruit"], "share": row["share"]}
        if refusal or not row["fruit"]:
            rows.append(about | {"note": refusal or row["note"]})
            continue
        effect = row["design_effect"] if row["design_effect"] >= 1 else 1.0
        found = corrected_share(row["defective"] / effect, row["fruit"] / effect, rates, confidence=confidence)
        few = min(rates.defective, rates.sound) < FEWEST_CHECKED
        note = FEW_CHECKED.format(rates.defective, rates.sound) if few else NOT_AT_RANDOM
        rows.append(about | {"corrected": found.estimate, "low": found.low, "high": found.high, "note": note})
    return pd.DataFrame(rows, columns=list(CORRECTED_COLUMNS))


def _refusal(rates: ErrorRates) -> str:
    if rates.defective + rates.sound == 0:
        return NO_CHECKS
    if rates.defective == 0 or rates.sound == 0:
        return ONE_SIDED.format("defective" if rates.defective == 0 else "sound")
    return "" if rates.sensitivity + rates.specificity > 1 else USELESS
