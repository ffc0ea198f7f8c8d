"""Crews against each other: luck or more, where the truth is known, and against other ways to the same figure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from scorer.crews.bins_of_crews import bins_of_crews, checked_fruit
from scorer.crews.comparison import ALONE, LESS, LUCK, MORE, TOO_FEW_BINS, compare_crews, draw_shares, two_sided
from scorer.crews.funnel import BEYOND_OUTER, INNER, INSIDE, OUTER, funnel, funnel_limits
from scorer.crews.shares import defect_share
from scorer.crews.standings import crew_standings


def crews(defective: dict[str, list[int]], per_bin: int) -> pd.DataFrame:
    """One row per fruit from the defective fruit of each bin of each crew."""
    rows = [
        {"crew": crew, "bin": number, "defective": place < bad}
        for crew, bins in defective.items()
        for number, bad in enumerate(bins)
        for place in range(per_bin)
    ]
    return pd.DataFrame(rows)


def season(
    rng: np.random.Generator, shares: dict[str, float], bins: int, per_bin: int, icc: float = 0.07
) -> pd.DataFrame:
    return crews(
        {
            crew: list(rng.binomial(per_bin, rng.beta(p * (1 / icc - 1), (1 - p) * (1 / icc - 1), bins)))
            for crew, p in shares.items()
        },
        per_bin,
    )


SINGLE = crews({"Brolga": [1] * 6 + [0] * 94, "Curlew": [1] * 14 + [0] * 66, "Quandong": [1] * 9 + [0] * 71}, 1)
"""Bins of one fruit: all fruit are independent."""


def test_single_fruit_bins_give_what_beta_posteriors_give() -> None:
    """Jeffreys' posteriors Beta(x + 1/2, n - x + 1/2), integrated by scipy, as reference."""
    found = compare_crews(SINGLE).set_index("crew")
    posterior = {crew: stats.beta(x + 0.5, n - x + 0.5) for crew, x, n in (("B", 6, 100), ("C", 14, 80), ("Q", 9, 80))}
    grid = np.linspace(0, 1, 2001)
    rest = np.convolve(posterior["C"].pdf(grid * 2) * 2, posterior["Q"].pdf(grid * 2) * 2)[:2001] * (grid[1] - grid[0])
    rest_above = 1 - integrate.cumulative_trapezoid(rest, grid, initial=0)
    wrong_side = 1 - integrate.trapezoid(posterior["B"].pdf(grid) * rest_above, grid)
    assert found.loc["Brolga", "p"] == pytest.approx(2 * wrong_side, abs=0.004)
    assert found.loc["Brolga", "rest_share"] == pytest.approx(23 / 160)


def test_drawn_shares_are_those_of_the_intervals() -> None:
    rng = np.random.default_rng(2)
    fruit = season(rng, {"Brolga": 0.1, "Curlew": 0.2}, 8, 15)
    shares = defect_share(fruit)
    drawn = draw_shares(bins_of_crews(checked_fruit(fruit, "crew", "bin", "defective"))[1])
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    assert low == pytest.approx(shares["low"].to_numpy(), abs=0.004)
    assert high == pytest.approx(shares["high"].to_numpy(), abs=0.006)


def test_holm_is_that_of_the_textbook() -> None:
    """Sorted p times the number of those not smaller, never falling (Holm 1979)."""
    fruit = season(np.random.default_rng(3), dict.fromkeys("ABCDE", 0.1) | {"F": 0.25}, 8, 15)
    found = compare_crews(fruit).sort_values("p")
    wanted = np.minimum(np.maximum.accumulate(found["p"].to_numpy() * np.arange(6, 0, -1)), 1)
    assert found["p_holm"].to_numpy() == pytest.approx(wanted)


def test_a_crew_far_worse_and_one_far_better_are_told_and_the_others_left_alone() -> None:
    shares = {"Bowerbird": 0.02, "Brolga": 0.17, "Curlew": 0.17, "Paperbark": 0.17, "Quandong": 0.42}
    words = compare_crews(season(np.random.default_rng(4), shares, 14, 15)).set_index("crew")["in_words"]
    assert words["Quandong"] == MORE
    assert words["Bowerbird"] == LESS
    assert (words[["Brolga", "Curlew", "Paperbark"]] == LUCK).all()


def test_crews_that_are_alike_are_rarely_called_different() -> None:
    rng = np.random.default_rng(5)
    called = [
        compare_crews(season(rng, dict.fromkeys("ABCDEF", 0.08), 12, 15))["in_words"].isin([MORE, LESS]).any()
        for _ in range(40)
    ]
    assert np.mean(called) <= 0.15, "5 of 100 are meant; more than 6 of 40 come up once in 300 such tests"


def test_a_crew_that_lost_two_whole_bins_and_no_other_fruit_is_not_called_better() -> None:
    """By the others' icc its ten sound bins would outweigh the two: p 0.07, and less than the rest."""
    quiet = {name: [1, 1, 2, 0, 1, 1, 2, 1, 0, 2, 1, 1] for name in ("Bowerbird", "Brolga", "Curlew", "Paperbark")}
    found = compare_crews(crews(quiet | {"Quandong": [15, 15] + [0] * 10}, 15)).set_index("crew").loc["Quandong"]
    assert found["p"] > 0.4
    assert found["low"] < 0 < found["high"]


def test_a_confidence_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="confidence 95"):
        compare_crews(SINGLE, confidence=95)


def test_one_crew_and_few_bins_are_not_compared_and_it_is_said() -> None:
    assert compare_crews(crews({"Brolga": [1, 2, 3]}, 10))["in_words"].tolist() == [ALONE]
    words = compare_crews(crews({"Brolga": [5, 5], "Curlew": [0, 1, 0, 1]}, 10)).set_index("crew")["in_words"]
    assert words["Brolga"] == TOO_FEW_BINS
    assert compare_crews(crews({}, 10).reindex(columns=["crew", "bin", "defective"])).empty


def test_a_p_value_is_never_0_and_never_above_1() -> None:
    assert two_sided(np.full(1000, 1.0)) == pytest.approx(0.002)
    assert two_sided(np.array([-1.0, 1.0])) == 1


def test_alike_crews_with_little_fruit_are_drawn_together_and_none_is_singled_out() -> None:
    fruit = crews({"Bowerbird": [3], "Brolga": [0, 1, 1, 0, 1, 1], "Curlew": [1, 0, 1, 1, 1, 0]}, 10)
    found = crew_standings(fruit, limit=0.1)
    table = found.table.set_index("crew")
    assert table.loc["Bowerbird", "shrunken"] < 0.75 * table.loc["Bowerbird", "share"], "drawn far towards the others"
    assert abs(table.loc["Brolga", "shrunken"] - table.loc["Brolga", "share"]) < 0.04
    assert table["chance_highest"].sum() == pytest.approx(1)
    assert "No crew can be singled out" in found.sentence
    assert table.index.tolist() == ["Bowerbird", "Brolga", "Curlew"], "by name, not by rank"


def test_very_many_fruit_are_left_where_they_are() -> None:
    found = crew_standings(crews({"Brolga": [4] * 60, "Curlew": [2] * 60}, 20), limit=0.15).table.set_index("crew")
    assert found.loc["Brolga", "shrunken"] == pytest.approx(0.2, abs=0.01)
    assert found.loc["Curlew", "shrunken"] == pytest.approx(0.1, abs=0.01)
    assert found.loc["Brolga", "chance_highest"] > 0.999
    assert found.loc["Brolga", "chance_above"] > 0.999
    assert found.loc["Curlew", "chance_above"] < 0.001


def test_chances_come_true_as_often_as_they_say() -> None:
    """Crews drawn from a population: of those given a chance of 0.2 to 0.8 to be the highest about so many are."""
    rng = np.random.default_rng(6)
    said, came, held = [], [], []
    for _ in range(40):
        truth = dict(zip("ABCD", np.sin(rng.normal(0.35, 0.12, 4)) ** 2, strict=True))
        found = crew_standings(season(rng, truth, 8, 15), limit=0.1).table.set_index("crew")
        said += found["chance_highest"].tolist()
        came += [crew == max(truth, key=truth.__getitem__) for crew in "ABCD"]
        held += [found.loc[crew, "low"] <= truth[crew] <= found.loc[crew, "high"] for crew in "ABCD"]
    assert 0.92 <= np.mean(held) <= 0.99
    chances, outcome = np.array(said), np.array(came)
    sure, unsure = chances > 0.5, (chances > 0.15) & (chances <= 0.5)
    assert outcome[sure].mean() == pytest.approx(chances[sure].mean(), abs=0.17)
    assert outcome[unsure].mean() == pytest.approx(chances[unsure].mean(), abs=0.17)


def test_one_crew_stands_alone_and_no_fruit_say_nothing() -> None:
    alone = crew_standings(crews({"Brolga": [1, 2, 1]}, 10), limit=0.1)
    assert "one crew only" in alone.sentence
    assert alone.table["chance_highest"].isna().all()
    assert crew_standings(crews({}, 1).reindex(columns=["crew", "bin", "defective"]), limit=0.1).table.empty
    with pytest.raises(ValueError, match="between 0 and 1"):
        crew_standings(SINGLE, limit=5)


@pytest.mark.parametrize("level", [INNER, OUTER])
def test_the_funnels_limits_are_the_binomials_tails(level: float) -> None:
    """scipy.stats.binom as reference: no whole count beyond a limit is as probable as its tail, the next is more."""
    for fruit, middle in ((40, 0.2), (100, 0.05), (250, 0.1)):
        low, high = (float(end[0]) * fruit for end in funnel_limits(middle, np.array([float(fruit)]), level))
        tail = (1 - level) / 2
        assert stats.binom.sf(np.floor(high), fruit, middle) <= tail < stats.binom.sf(np.ceil(high) - 2, fruit, middle)
        if low > 0:
            assert stats.binom.cdf(np.ceil(low) - 1, fruit, middle) <= tail
        assert stats.binom.cdf(np.floor(low) + 1, fruit, middle) > tail


def test_the_funnel_closes_and_crews_beyond_it_are_marked() -> None:
    fruit = season(np.random.default_rng(7), {"Brolga": 0.1, "Curlew": 0.1, "Quandong": 0.5}, 12, 15)
    shown = funnel(defect_share(fruit))
    widths = shown.curves["high998"] - shown.curves["low998"]
    assert (widths.diff().dropna() < 1e-9).all()
    assert (shown.curves["high998"] >= shown.curves["high95"]).all()
    points = shown.points.set_index("crew")
    assert points.loc["Quandong", "beyond"] == BEYOND_OUTER
    assert points.loc["Quandong", "above"]
    assert shown.middle == pytest.approx(fruit["defective"].mean())


def test_alike_crews_lie_inside_of_the_funnel() -> None:
    rng = np.random.default_rng(8)
    beyond = pd.concat(
        [funnel(defect_share(season(rng, dict.fromkeys("ABCDEF", 0.05), 8, 15))).points for _ in range(25)]
    )
    assert (beyond["beyond"] == BEYOND_OUTER).mean() <= 0.02
    assert (beyond["beyond"] == INSIDE).mean() >= 0.9


def test_a_season_without_any_defective_fruit_has_no_limits() -> None:
    shown = funnel(defect_share(crews({"Brolga": [0, 0], "Curlew": [0, 0]}, 10)))
    assert shown.curves.empty
    assert (shown.points["beyond"] == INSIDE).all()
