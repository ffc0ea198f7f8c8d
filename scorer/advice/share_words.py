"""A crew's share in plain words: of every hundred fruit about so many, and where the truth likely lies."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import pandas as pd

from scorer.crews.shares import BINS_DIFFER_MORE, NO_BINS_TO_COMPARE, NO_FRUIT, NOTHING_TO_COMPARE, ONE_BIN
from scorer.language import Language, message

ALL_CREWS: Final = message("all crews together")
TARGET: Final = message("the target")

_BASES: Final = (100, 1000, 10_000)
_NOTES: Final = {
    NO_FRUIT: "",
    ONE_BIN: message("Only one bin was looked at; how far bins differ is taken from the other crews."),
    NO_BINS_TO_COMPARE: message("No crew has two bins yet, so nobody can tell how far bins differ."),
    NOTHING_TO_COMPARE: message("How far bins differ is assumed here, not seen: take the band as rough."),
    BINS_DIFFER_MORE: message("Its bins differ much from each other: look at them one by one."),
}


_ROUNDING: Final = 1e-9  # so that a whole end stays where it is, whatever its last bit


@dataclass(frozen=True)
class Comparison:
    """What a crew's share is held against.

    Parameters
    ----------
    words : source text of its name, such as `ALL_CREWS` or `TARGET`.
    share : 0 to 1.

    Raises
    ------
    ValueError : the share is not one.
    """

    words: str
    share: float

    def __post_init__(self) -> None:
        if not 0 <= self.share <= 1:
            raise ValueError(f"The share to compare with must lie from 0 to 1, got {self.share}.")


@dataclass(frozen=True)
class Share:
    """How many of a crew's fruit were downgraded, and the interval for all fruit that it picks like these.

    Parameters
    ----------
    fruit, bins, defective : fruit looked at, bins that they are from, and fruit that were downgraded.
    low, high : ends of the interval, 0 to 1; None where there is none.
    confidence : of the interval.
    note : what must be known of it; see ``scorer.crews.shares``.

    Raises
    ------
    ValueError : counts or ends contradict each other.
    """

    fruit: int
    bins: int
    defective: int
    low: float | None = None
    high: float | None = None
    confidence: float = 0.95
    note: str = ""

    def __post_init__(self) -> None:
        if not 0 <= self.defective <= self.fruit or self.bins < 0:
            raise ValueError(
                f"{self.defective} of {self.fruit} fruit in {self.bins} bins cannot be: correct the counts."
            )
        if self.low is None and self.high is None:
            return
        if self.low is None or self.high is None or not 0 <= self.low <= self.high <= 1:
            raise ValueError(f"An interval has a low and a high end in 0 to 1, got {self.low} and {self.high}.")

    @property
    def value(self) -> float:
        """Share of the fruit looked at; NaN without fruit."""
        return self.defective / self.fruit if self.fruit else math.nan

    @property
    def interval(self) -> tuple[float, float] | None:
        """Low and high end, if there is an interval."""
        return None if self.low is None or self.high is None or not self.fruit else (self.low, self.high)

    @property
    def base(self) -> int:
        """Fruit to speak of: 100, or more where the share would else read as none or all of them."""
        if self.defective in (0, self.fruit):
            return _BASES[0]
        telling = (base for base in _BASES if 0 < round(self.value * base) < base)
        return next(telling, _BASES[-1])

    @property
    def ends(self) -> tuple[int, int] | None:
        """The interval in fruit of ``base``, rounded outwards so that it never says more than the sample does."""
        if self.interval is None:
            return None
        low, high = (end * self.base for end in self.interval)
        return math.floor(low + _ROUNDING), math.ceil(high - _ROUNDING)


def share_of_crew(shares: pd.DataFrame, crew: object, *, confidence: float = 0.95) -> Share:
    """A crew's row of the table of ``scorer.crews.shares.defect_share``.

    Raises
    ------
    ValueError : the table has no such crew.
    """
    rows = shares[shares["crew"] == crew].to_dict("records")
    if not rows:
        raise ValueError(f"The table of shares has no crew {crew!r}: check the name, or sample its bins.")
    row = rows[0]
    low, high = (None if math.isnan(row[end]) else float(row[end]) for end in ("low", "high"))
    fruit, bins, defective = (int(row[name]) for name in ("fruit", "clusters", "defective"))
    return Share(fruit, bins, defective, low, high, confidence, str(row["note"]))


def share_sentence(share: Share, language: Language) -> str:
    """The share with its interval."""
    if not share.fruit:
        return language.text("No fruit of this crew was looked at, so nothing can be said yet.")
    if share.interval is None:
        return language.counted(
            "{count} of {fruit} fruit looked at was downgraded: too little to say how many of all its fruit are.",
            "{count} of {fruit} fruit looked at were downgraded: too little to say how many of all its fruit are.",
            share.defective,
            fruit=share.fruit,
        )
    low, high = share.ends or (0, share.base)
    ends = {"base": share.base, "low": low, "high": high}
    if share.defective == 0:
        return language.text(
            "No fruit looked at was downgraded; of every {base} the truth is likely {high} or fewer.",
            base=ends["base"],
            high=ends["high"],
        )
    if share.defective == share.fruit:
        return language.text(
            "Every fruit looked at was downgraded; of every {base} the truth is likely {low} or more.",
            base=ends["base"],
            low=ends["low"],
        )
    return language.counted(
        "Of every {base} fruit about {count} was downgraded; the truth is likely between {low} and {high}.",
        "Of every {base} fruit about {count} were downgraded; the truth is likely between {low} and {high}.",
        round(share.value * share.base),
        **ends,
    )


def comparison_sentence(share: Share, other: Comparison, language: Language) -> str:
    """Whether the crew lies above or below what it is held against, as far as its fruit can tell."""
    if share.interval is None:
        return ""
    low, high = share.interval
    values = {"other": language.text(other.words), "share": per_base(other.share, share.base, language)}
    if low > other.share:
        text = message("{other}: {share} of {base}. The crew likely lies above that.")
    elif high < other.share:
        text = message("{other}: {share} of {base}. The crew likely lies below that.")
    else:
        text = message("{other}: {share} of {base}. Whether the crew does better or worse, its fruit cannot tell yet.")
    sentence = language.text(text, base=share.base, **values)
    return sentence[:1].upper() + sentence[1:]


def per_base(share: float, base: int, language: Language) -> str:
    """A share as so many of a base, with a decimal where it is needed."""
    return language.number(share * base, decimals=0 if share * base >= 1 or not share else 1)


def sample_words(share: Share, days: int, language: Language) -> str:
    """What the share rests on."""
    return " · ".join(
        (
            language.counted("{count} fruit looked at", "{count} fruit looked at", share.fruit),
            language.counted("{count} bin", "{count} bins", share.bins),
            language.counted("{count} day of picking", "{count} days of picking", days),
        )
    )


def note_words(note: str, language: Language) -> str:
    """What a note of ``scorer.crews.shares`` means, in plain words; any other note as it is."""
    return language.text(_NOTES[note]) if note in _NOTES else note
