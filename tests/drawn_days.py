"""Crews' days with known truth: counts and tables of fruit, and a published chart to hold ours against."""

from __future__ import annotations

import numpy as np
import pandas as pd

WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
"""Defective chips of 50 on each of 30 wafers: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2."""


def days(defective: list[int], fruit: int | list[int], bins: int = 1) -> pd.DataFrame:
    """One row per fruit; the fruit of each day lie in so many bins, defective ones first."""
    sizes = [fruit] * len(defective) if isinstance(fruit, int) else fruit
    rows = [
        {"day": f"2026-03-{day:02d}", "lot": f"{day}/{place * bins // size}", "defective": place < bad}
        for day, (bad, size) in enumerate(zip(defective, sizes, strict=True), start=1)
        for place in range(size)
    ]
    return pd.DataFrame(rows)


def draw_days(rng: np.random.Generator, shares: list[float], bins: int, per_bin: int, icc: float) -> np.ndarray:
    """Defective fruit (days, bins)."""
    share = np.repeat(np.array(shares)[:, None], bins, axis=1)
    return rng.binomial(per_bin, rng.beta(share * (1 / icc - 1), (1 - share) * (1 / icc - 1)))


def steady(
    rng: np.random.Generator, shares: list[float], bins: int = 3, per_bin: int = 15, icc: float = 0.05
) -> pd.DataFrame:
    """One row per fruit of days with these true shares."""
    rows = [
        {"day": f"2026-03-{day:02d}", "lot": f"{day}/{lot}", "defective": place < bad}
        for day, of_day in enumerate(draw_days(rng, shares, bins, per_bin, icc), start=1)
        for lot, bad in enumerate(of_day)
        for place in range(per_bin)
    ]
    return pd.DataFrame(rows)
