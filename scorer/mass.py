"""The mass of a fruit from its length and width, and the size code that goes with it.

A photo from above shows length and width. The mass is an estimate by a published regression; where the size
code matters to a lot, weigh the fruit.
"""

from __future__ import annotations

import math

from scorer.limits import Limits

SOURCE = "Horticulturae 2023, 9(1), 54; cultivars Honey Gold, Calypso and Keitt"
"""Where the regressions are from. Other cultivars may lie off them; nobody has checked."""

RMSE_G = 25.0
"""Root mean square error that the source gives for the formula used without a thickness, in grams."""

RMSE_WITH_THICKNESS_G = 29.9
"""Root mean square error that the source gives for the formula used with a thickness, in grams."""

THICKNESS_PER_WIDTH = 0.9
"""Thickness taken where nobody measured it, as a share of the width (common practice, no source)."""


def mass_g(length_mm: float, width_mm: float, thickness_mm: float | None = None) -> float:
    """Estimate the mass of a mango from its dimensions.

    With L, W, T in cm the mass in g is 0.5472 L W T (R2 0.99, RMSE 29.9 g). Without a thickness it is
    0.5439 L ((W + T) / 2)^2 (R2 0.97, RMSE 25.0 g), with T taken as `THICKNESS_PER_WIDTH` of W.

    Parameters
    ----------
    length_mm : from stem end to tip.
    width_mm : across the length, as seen when the fruit lies on its flat side.
    thickness_mm : height of the lying fruit, where it is known.

    Raises
    ------
    ValueError : a dimension is not a positive, finite number.

    References
    ----------
    Horticulturae 2023, 9(1), 54, abstract: fitted on the cultivars Honey Gold, Calypso and Keitt. For others
    the error is not known.
    """
    given = (length_mm, width_mm) if thickness_mm is None else (length_mm, width_mm, thickness_mm)
    if not all(0 < dimension < math.inf for dimension in given):
        raise ValueError(f"dimensions must be above 0 mm, got {given}")
    length_cm, width_cm = length_mm / 10, width_mm / 10
    if thickness_mm is not None:
        return 0.5472 * length_cm * width_cm * thickness_mm / 10
    mean_cm = width_cm * (1 + THICKNESS_PER_WIDTH) / 2
    return 0.5439 * length_cm * mean_cm**2


def size_code(mass: float, limits: Limits) -> str:
    """Size code of a fruit in a table; "" when the table has no size for that mass.

    Parameters
    ----------
    mass : in grams. Tables are written in whole grams, so it is rounded to one (halves up).
    limits : the table.
    """
    whole_g = math.floor(mass + 0.5)
    for size in limits.size_codes:
        if size.from_g <= whole_g and (size.to_g is None or whole_g <= size.to_g):
            return size.code
    return ""
