"""The chart of drift: against published values and drawn seasons."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from scorer.crews.drift import EWMA_SIGMAS, EWMA_WEIGHT, drift_after, weighted_means, weighted_variances
from tests.drawn_days import draw_days


def test_the_weighted_mean_is_that_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: 20 values, start 50, weight 0.3 (data and answer from memory)."""
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    values += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    wanted = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    wanted += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    assert weighted_means(np.array(values), 50.0, 0.3) == pytest.approx(wanted, abs=5.1e-3)


def test_a_steady_normal_process_signals_once_in_370_days() -> None:
    """Lucas and Saccucci 1990: weight 0.2, 2.86 sigmas, mean run 370 (from memory); for 2.962 it is 500.

    Worked out by the Markov chain of Brook and Evans 1972, Biometrika 59: 539-549.
    """
    reach = EWMA_SIGMAS * np.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT))
    edges = np.linspace(-reach, reach, 402)
    middle = (edges[1:] + edges[:-1]) / 2
    chance = np.diff(stats.norm.cdf((edges[None, :] - (1 - EWMA_WEIGHT) * middle[:, None]) / EWMA_WEIGHT), axis=1)
    runs = np.linalg.solve(np.eye(len(middle)) - chance, np.ones(len(middle)))
    assert runs[len(middle) // 2] == pytest.approx(370, rel=0.01)


def test_the_weighted_means_variance_opens_to_that_of_a_long_series() -> None:
    """Roberts 1959: s^2 w / (2 - w) (1 - (1 - w)^2t) after t like days."""
    t = np.arange(1, 31)
    assert weighted_variances(np.full(30, 0.7)) == pytest.approx(0.7 * 0.2 / 1.8 * (1 - 0.8 ** (2 * t)))


def test_drift_limits_hold_most_of_what_luck_does_and_are_skewed_as_it_is() -> None:
    """Weighted means of many drawn seasons, each against its own first days; both tails of 2.86 sigmas are 0.4 %."""
    rng, of = np.random.default_rng(6), np.full(30, 30)
    spread = np.sqrt(1 + 14 * 0.07)  # of days of two bins of 15
    beyond = []
    for _ in range(3000):
        drift = drift_after(draw_days(rng, [0.05] * 30, 2, 15, 0.07).sum(axis=1), of, 10, spread)
        beyond.append((drift.mean[-1] > drift.high[-1], drift.mean[-1] < drift.low[-1]))
        assert (drift.high - drift.centre > drift.centre - drift.low).all()
    assert np.mean(beyond, axis=0).sum() <= 0.012
