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

from scorer.crews.both_words import both_words
from scorer.crews.error_rates import ErrorRates, rates_of
from scorer.crews.shares import defect_share

CORRECTED_COLUMNS: Final = ("crew", "fruit", "share", "corrected", "low", "high", "note")
FEWEST_CHECKED: Final = 20
"""Fewer defective or fewer sound fruit among those checked tell too little of Se and Sp; our own choice."""

NO_CHECKS: Final = "no fruit checked by eye are there, so nothing can be corrected"
ONE_SIDED: Final = "no {} fruit are among those checked, so nothing can be corrected"
USELESS: Final = "the scorer tells defective from sound fruit no better than chance here, so nothing can be corrected"
FEW_CHECKED: Final = "the checked fruit count for only {:.0f} defective and {:.0f} sound ones: take it as rough"
NOT_AT_RANDOM: Final = (
    "rests on checked fruit having been drawn by lot from all fruit; where doubtful fruit, or those called defective, "
    "were looked at more often, it is biased"
)
FEWER_THAN_ERRORS: Final = (
    "the scorer says fewer defective fruit than its errors alone would make, so the estimate was set to 0"
)
MORE_THAN_FOUND: Final = "the scorer says more defective fruit than it can find, so the estimate was set to 1"
CUT: Final = "the interval reached outside of 0 to 1 and was cut there"


@dataclass(frozen=True)
class CorrectedShare:
    """A share of truly defective fruit.

    Parameters
    ----------
    estimate, low, high : cut to 0 to 1.
    estimate_uncut, low_uncut, high_uncut : as the formulas give them, which may lie outside.
    note : what was cut and what the checks cannot tell, in words, or empty.
    """

    estimate: float
    low: float
    high: float
    estimate_uncut: float
    low_uncut: float
    high_uncut: float
    note: str


def rogan_gladen(share: float, sensitivity: float, specificity: float) -> float:
    """True share (p + Sp - 1) / (Se + Sp - 1), which may lie outside of 0 to 1; NaN for a scorer no better than chance.

    Parameters
    ----------
    share, sensitivity, specificity : 0 to 1.
    """
    if not sensitivity + specificity > 1:
        return np.nan
    return (share + specificity - 1) / (sensitivity + specificity - 1)


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
    ValueError : the counts do not fit, the confidence is out of range, or the rates do not beat chance.
    """
    if not 0 <= defective <= fruit or not fruit > 0:
        raise ValueError(f"{defective:g} of {fruit:g} fruit cannot be defective.")
    if not 0 < confidence < 1:
        raise ValueError(f"The confidence {confidence!r} must lie between 0 and 1, for instance 0.95.")
    if not rates.tells_apart:
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
    reach = z * float(np.sqrt(variance))
    estimate = rogan_gladen(defective / fruit, rates.sensitivity, rates.specificity)
    low, high = moved - reach, moved + reach
    return CorrectedShare(
        estimate=float(np.clip(estimate, 0, 1)),
        low=float(np.clip(low, 0, 1)),
        high=float(np.clip(high, 0, 1)),
        estimate_uncut=estimate,
        low_uncut=low,
        high_uncut=high,
        note=_in_words(estimate, low, high, rates),
    )


def corrected_shares(
    table: pd.DataFrame,
    *,
    crew: str = "crew",
    cluster: str = "lot",
    defective: str = "defective",
    confidence: float = 0.95,
) -> pd.DataFrame:
    """The raw share of each crew beside the corrected one.

    Fruit of a bin resemble each other, so a crew's n fruit count in the interval as n / (1 + (m - 1) icc), m being
    sum(m^2) / sum(m) of its bins (Kish 1965), by the design effect that ``defect_share`` finds; checked fruit likewise
    (see ``error_rates``). Se and Sp are taken as the same for all crews; where they are not, only ``shares_from_both``
    is right. It rests on checked fruit having been drawn from all fruit with chances that were kept, or by lot: like
    chances within those called defective and within those called sound are not enough where the two differ.

    Parameters
    ----------
    table : one row per fruit, as for ``error_rates``.
    crew, cluster, defective : names of its columns.
    confidence : probability, inside of 0 to 1, with which intervals are to hold the truth.

    Returns
    -------
    One row per crew with the columns CORRECTED_COLUMNS; what cannot be corrected is missing, and ``note`` says why.

    Raises
    ------
    ValueError : see ``both_words``; or the confidence is out of range.
    """
    words = both_words(table, crew=crew, cluster=cluster, defective=defective)
    rates = rates_of(words)
    refusal = _refusal(rates)
    shares = defect_share(table, crew=crew, cluster=cluster, defective=defective, confidence=confidence)
    rows: list[dict[str, Any]] = []
    for row in shares.to_dict("records"):
        about = {"crew": row["crew"], "fruit": row["fruit"], "share": row["share"]}
        if refusal or not row["fruit"]:
            rows.append(about | {"note": refusal or row["note"]})
            continue
        alike = pd.isna(row["design_effect"])  # nobody knows how alike fruit of a bin are
        effect = 1.0 if alike else max(row["design_effect"], 1.0)
        found = corrected_share(row["defective"] / effect, row["fruit"] / effect, rates, confidence=confidence)
        ends = {} if alike else {"low": found.low, "high": found.high}
        notes = [found.note, NOT_AT_RANDOM if words.by_lot else "", row["note"] if alike else ""]
        rows.append(about | {"corrected": found.estimate, **ends, "note": "; ".join(note for note in notes if note)})
    return pd.DataFrame(rows, columns=list(CORRECTED_COLUMNS))


def _refusal(rates: ErrorRates) -> str:
    if rates.defective + rates.sound == 0:
        return NO_CHECKS
    if rates.defective == 0 or rates.sound == 0:
        return ONE_SIDED.format("defective" if rates.defective == 0 else "sound")
    return "" if rates.tells_apart else USELESS


def _in_words(estimate: float, low: float, high: float, rates: ErrorRates) -> str:
    notes = []
    if estimate < 0:
        notes.append(FEWER_THAN_ERRORS)
    if estimate > 1:
        notes.append(MORE_THAN_FOUND)
    if low < 0 or high > 1:
        notes.append(CUT)
    if min(rates.defective, rates.sound) < FEWEST_CHECKED:
        notes.append(FEW_CHECKED.format(rates.defective, rates.sound))
    return "; ".join(notes)
