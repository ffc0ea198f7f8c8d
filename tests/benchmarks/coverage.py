"""Print how often the interval of a crew's share holds the truth: ``python -m tests.benchmarks.coverage``.

Seasons of eight crews are drawn from beta-binomial bins with one icc: crews of one share, and crews whose shares lie
tenfold apart. Beside coverage and width stand those of two intervals known from elsewhere: Wilson's of all fruit
pooled as if independent, and Clopper and Pearson's of the effective sample as surveys use it (Korn and Graubard 1998).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import click
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import beta, norm, t

from scorer.crews.shares import defect_share

SHARES = (0.02, 0.05, 0.1, 0.2)
ICCS = (0.05, 0.1)
DESIGNS = ((6, 20), (12, 15))
SEASONS_OF_CREWS = {
    **{f"all {share:.0%}": (share,) * 8 for share in SHARES},
    "2 to 20%": tuple(share for share in SHARES for _ in range(2)),
}
COLUMNS = ("coverage", "width", "survey_coverage", "survey_width", "wilson_coverage")

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def draw_season(
    rng: np.random.Generator, shares: Sequence[float], icc: float, bins: int, fruit: int
) -> tuple[pd.DataFrame, Ints]:
    """One row per fruit (crew, bin, defective), and the defective fruit per crew and bin (crews, bins)."""
    share = np.repeat(np.asarray(shares, float)[:, None], bins, axis=1)
    own = rng.beta(share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc) if icc else share
    defective = rng.binomial(fruit, own)
    crew, bin_, number = (axis.ravel() for axis in np.indices((len(shares), bins, fruit)))
    table = pd.DataFrame({"crew": crew, "bin": bin_, "defective": number < defective[crew, bin_]})
    return table, defective


def wilson(share: Floats, fruit: Floats, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Wilson's score interval (Wilson 1927)."""
    z2 = norm.ppf(0.5 + confidence / 2) ** 2
    middle = (share + z2 / (2 * fruit)) / (1 + z2 / fruit)
    half = np.sqrt(z2 * (share * (1 - share) / fruit + z2 / (4 * fruit**2))) / (1 + z2 / fruit)
    return middle - half, middle + half


def clopper_pearson(share: Floats, fruit: Floats, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Clopper and Pearson's interval (1934) by quantiles of the beta distribution, for broken counts as well."""
    tail, defective = (1 - confidence) / 2, share * fruit
    sound = fruit - defective
    low = beta.ppf(tail, np.maximum(defective, 1e-9), sound + 1)
    high = beta.ppf(1 - tail, defective + 1, np.maximum(sound, 1e-9))
    return np.where(share > 0, low, 0), np.where(share < 1, high, 1)


def survey_interval(defective: Ints, fruit: int, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Clopper and Pearson's interval of the effective sample, t-adjusted (Korn and Graubard 1998).

    The design effect is each crew's own, from the variance between its bins; 1 where all of them agree on nothing
    or everything. The effective sample never exceeds the fruit there are.

    Parameters
    ----------
    defective : (crews, bins) counts in bins of ``fruit`` each.
    """
    bins = defective.shape[1]
    all_fruit = bins * fruit
    share = defective.sum(axis=1) / all_fruit
    independent = share * (1 - share) / all_fruit
    between = (defective / fruit).var(axis=1, ddof=1) / bins
    effect = np.divide(between, independent, out=np.ones_like(share), where=independent > 0)
    upper = 0.5 + confidence / 2
    adjustment = (t.ppf(upper, all_fruit - 1) / t.ppf(upper, bins - 1)) ** 2
    effective = np.minimum(adjustment * all_fruit / np.maximum(effect, 1e-9), all_fruit)
    return clopper_pearson(share, effective, confidence)


def simulate(
    shares: Sequence[float], icc: float, bins: int, fruit: int, seasons: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Means over crews and seasons by true ``share``, with the columns COLUMNS and the number of ``crews``."""
    truth = np.asarray(shares, float)
    parts = []
    for _ in range(seasons):
        table, defective = draw_season(rng, shares, icc, bins, fruit)
        figures = defect_share(table)
        low, high = figures["low"].to_numpy(), figures["high"].to_numpy()
        survey_low, survey_high = survey_interval(defective, fruit)
        pooled_low, pooled_high = wilson(figures["share"].to_numpy(), np.full(len(truth), float(bins * fruit)))
        parts.append(
            pd.DataFrame(
                {
                    "share": truth,
                    "coverage": (low <= truth) & (truth <= high),
                    "width": high - low,
                    "survey_coverage": (survey_low <= truth) & (truth <= survey_high),
                    "survey_width": survey_high - survey_low,
                    "wilson_coverage": (pooled_low <= truth) & (truth <= pooled_high),
                    "differs": figures["note"] != "",
                }
            )
        )
    by_share = pd.concat(parts).groupby("share")
    return by_share.mean().assign(crews=by_share.size()).reset_index()


def lines(seasons: int, seed: int) -> Iterator[str]:
    """The table, line by line, as it is measured."""
    yield (
        f"{'crews':>9} {'bins':>6} {'icc':>5} {'share':>6} {'coverage':>14} {'width':>6} {'of survey':>9} "
        f"{'survey cov.':>11} {'Wilson cov.':>11} {'noted':>6}"
    )
    rng = np.random.default_rng(seed)
    for name, shares in SEASONS_OF_CREWS.items():
        for bins, fruit in DESIGNS:
            for icc in ICCS:
                for row in simulate(shares, icc, bins, fruit, seasons, rng).itertuples():
                    error = np.sqrt(row.coverage * (1 - row.coverage) / row.crews)
                    yield (
                        f"{name:>9} {f'{bins}x{fruit}':>6} {icc:>5.2f} {row.share:>6.2f} "
                        f"{f'{row.coverage:.3f} ± {error:.3f}':>14} {row.width:>6.3f} "
                        f"{row.width / row.survey_width:>9.2f} {row.survey_coverage:>11.3f} "
                        f"{row.wilson_coverage:>11.3f} {row.differs:>6.3f}"
                    )


@click.command()
@click.option(
    "--seasons", type=click.IntRange(min=1), default=150, show_default=True, help="Seasons to draw for each line."
)
@click.option("--seed", type=click.IntRange(min=0), default=1998, show_default=True, help="Of the random numbers.")
def main(seasons: int, seed: int) -> None:
    """Measure coverage and width of the crews' intervals against drawn seasons whose truth is known."""
    click.echo("goals: coverage 0.93 to 0.975; width at most 0.8 of the survey's interval")
    click.echo("± is one standard error as if crews of a season erred independently\n")
    for line in lines(seasons, seed):
        click.echo(line)


if __name__ == "__main__":
    main()
