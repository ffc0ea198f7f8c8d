"""Shrunken shares and chances against closed forms and other ways of integrating, and where the truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from scorer.crews.standings import STANDING_COLUMNS, crew_standings
from tests.test_comparison import crews

WIDEST = 0.415
"""Standard deviation of crews on the angular scale up to which scorer looks."""


def single(defective: list[int], fruit: int) -> pd.DataFrame:
    """Crews whose fruit each lie in a bin of their own, so that all are independent."""
    names = [f"crew {place:02d}" for place in range(len(defective))]
    return crews({name: [1] * bad + [0] * (fruit - bad) for name, bad in zip(names, defective, strict=True)}, 1)


def normal_model(defective: list[int], fruit: int) -> tuple[np.ndarray, np.ndarray]:
    """Crews' angles (draws, crews) by the normal model, and their means.

    Gelman and others 2013, Bayesian Data Analysis, section 5.4 (from memory): with the middle level beforehand, all
    but the spread is in closed form. The angle arcsin(sqrt(share)) has the variance 1 / (4 n) (Anscombe 1948).
    """
    angle, variance = np.arcsin(np.sqrt(np.array(defective) / fruit)), 1 / (4 * fruit)

    def density(spread: float) -> float:
        total = variance + spread**2
        apart = ((angle - angle.mean()) ** 2).sum()
        return float(total ** (-(len(angle) - 1) / 2) * np.exp(-apart / (2 * total)))

    def mean(spread: float, crew: int) -> float:
        towards_all = variance / (variance + spread**2)
        return float(density(spread) * (angle[crew] + towards_all * (angle.mean() - angle[crew])))

    whole = integrate.quad(density, 0, WIDEST)[0]
    means = [integrate.quad(mean, 0, WIDEST, args=(crew,))[0] / whole for crew in range(len(angle))]
    random, spreads = np.random.default_rng(1), np.linspace(0.0005, WIDEST, 800)
    weight = np.array([density(spread) for spread in spreads])
    spread = random.choice(spreads, 40_000, p=weight / weight.sum())[:, None]
    middle = random.normal(angle.mean(), np.sqrt((variance + spread**2) / len(angle)))
    keep = spread**2 / (variance + spread**2)
    drawn = random.normal(middle + keep * (angle - middle), np.sqrt(keep * variance))
    return drawn, np.array(means)


@pytest.mark.parametrize(
    ("defective", "fruit"), [([130, 110, 150, 90], 1000), ([160, 190], 1000), ([60, 80, 100, 70, 75, 95], 500)]
)
def test_with_much_fruit_shares_and_chances_are_those_of_the_normal_model(defective: list[int], fruit: int) -> None:
    found = crew_standings(single(defective, fruit), limit=0.12).table
    drawn, means = normal_model(defective, fruit)
    assert found["shrunken"].to_numpy() == pytest.approx(np.sin(means) ** 2, abs=0.002)
    highest = np.bincount(drawn.argmax(axis=1), minlength=len(defective)) / len(drawn)
    assert found["chance_highest"].to_numpy() == pytest.approx(highest, abs=0.02)
    above = (drawn > np.arcsin(np.sqrt(0.12))).mean(axis=0)
    assert found["chance_above"].to_numpy() == pytest.approx(above, abs=0.03)


@pytest.mark.parametrize("defective", [44, 50, 57, 120])
def test_many_crews_that_are_alike_stand_at_the_share_that_they_all_have(defective: int) -> None:
    """All 10,000 fruit then speak for one share: Beta(x + 1/2, n - x + 1/2) by scipy, Jeffreys' posterior.

    A grid of populations that did not narrow with the season gave 0.062 for 57 of 1,000.
    """
    found = crew_standings(single([defective] * 10, 1000), limit=0.05).table
    pooled = stats.beta(10 * defective + 0.5, 10 * (1000 - defective) + 0.5)
    assert found["shrunken"].to_numpy() == pytest.approx(pooled.mean(), abs=0.0006)
    assert found["chance_above"].to_numpy() == pytest.approx(pooled.sf(0.05), abs=0.06)
    assert found["chance_highest"].to_numpy() == pytest.approx(0.1)


def by_plain_sums(defective: list[int], fruit: int, limit: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean share and chance above the limit from plain sums over a fine even grid of middle, spread and angle."""
    angle = (np.arange(1600) + 0.5) / 1600 * np.pi / 2
    share = np.sin(angle) ** 2
    likelihood = stats.binom.pmf(np.array(defective)[:, None], fruit, share)
    whole, mean, above = 0.0, np.zeros(len(defective)), np.zeros(len(defective))
    for spread in np.linspace(0.003, WIDEST, 70):
        middle = np.linspace(0.004, np.pi / 2 - 0.004, 300)[:, None]
        held = stats.norm.cdf(np.pi / 2, middle, spread) - stats.norm.cdf(0, middle, spread)
        population = np.exp(-0.5 * ((angle - middle) / spread) ** 2) / held / spread
        evidence = population @ likelihood.T
        weight = evidence.prod(axis=1)
        whole += weight.sum()
        mean += weight @ (population @ (likelihood * share).T / evidence)
        above += weight @ (population[:, share > limit] @ likelihood[:, share > limit].T / evidence)
    return mean / whole, above / whole


def test_with_little_fruit_and_none_defective_they_are_those_of_plain_sums() -> None:
    defective = [2, 5, 1, 0, 3, 4]
    found = crew_standings(single(defective, 90), limit=0.05).table
    mean, above = by_plain_sums(defective, 90, 0.05)
    assert found["shrunken"].to_numpy() == pytest.approx(mean, abs=0.001)
    assert found["chance_above"].to_numpy() == pytest.approx(above, abs=0.015)


@settings(deadline=None, max_examples=15)
@given(st.lists(st.integers(0, 60), min_size=2, max_size=6))
def test_chances_to_be_the_highest_make_1_and_no_share_leaves_the_range_of_all(defective: list[int]) -> None:
    found = crew_standings(single(defective, 60), limit=0.1).table
    assert tuple(found.columns) == STANDING_COLUMNS
    assert found["chance_highest"].sum() == pytest.approx(1)
    assert found["chance_above"].between(0, 1).all()
    assert ((found["low"] <= found["shrunken"]) & (found["shrunken"] <= found["high"])).all()
    assert found["crew"].tolist() == sorted(found["crew"]), "by name, not by rank"
    assert found["shrunken"].rank().corr(found["share"].rank()) > 0.999 or found["share"].nunique() == 1


def test_bins_that_resemble_each_other_leave_less_to_be_said() -> None:
    random = np.random.default_rng(3)
    spread_out = {name: random.permutation([1] * 9 + [2] * 3).tolist() for name in ("Brolga", "Curlew", "Quandong")}
    heaped = {name: random.permutation([5, 5, 3, 2] + [0] * 8).tolist() for name in spread_out}
    widths = [
        (lambda table: (table["high"] - table["low"]).mean())(crew_standings(crews(bins, 15), limit=0.1).table)
        for bins in (spread_out, heaped)
    ]
    assert widths[1] > 1.3 * widths[0]


def test_a_crew_whose_bins_differ_more_than_the_others_goes_by_its_own() -> None:
    """Two of its twelve bins wholly defective: by the others' icc its interval would be 0.10 wide."""
    quiet = {name: [1, 1, 2, 0, 1, 1, 2, 1, 0, 2, 1, 1] for name in ("Bowerbird", "Brolga", "Curlew", "Paperbark")}
    table = crew_standings(crews(quiet | {"Quandong": [15, 15, *[1, 0] * 5]}, 15), limit=0.1).table.set_index("crew")
    assert table.loc["Quandong", "high"] - table.loc["Quandong", "low"] > 0.2


def test_a_confidence_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="confidence 95"):
        crew_standings(single([1, 2], 20), limit=0.1, confidence=95)
