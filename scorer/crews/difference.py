"""The difference of two shares, from the interval that each has."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot


@dataclass(frozen=True)
class Difference:
    """First share less second.

    Parameters
    ----------
    value, low, high : from -1 to 1.
    """

    value: float
    low: float
    high: float


def difference(first: tuple[float, float, float], second: tuple[float, float, float]) -> Difference:
    """Difference of two independent shares, each given with its low and high end.

    The distances of the ends from the shares are joined as the sides of a right angle (Newcombe 1998, Statistics in
    Medicine 17: 873-890, method 10, for Wilson's intervals; Zou and Donner 2008, Statistics in Medicine 27: 1693-1702,
    for any). So it knows of bins what the intervals know of them, and it can be had from 0 of n.

    Parameters
    ----------
    first, second : share, low, high.
    """
    (p, p_low, p_high), (q, q_low, q_high) = first, second
    value = p - q
    return Difference(value, value - hypot(p - p_low, q_high - q), value + hypot(p_high - p, q - q_low))
