"""``scorer plan``: how many fruit from how many bins, which ones, and when a check at the door may stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from scorer.cli.ask import CHART, CSV, FILE, or_sentence, or_usage

if TYPE_CHECKING:
    import pandas as pd

    from scorer.sampling.sizes import SampleSize

Result = TypeVar("Result")

_SHARE = click.FloatRange(0, 1)
_RISK = click.FloatRange(0, 1, min_open=True, max_open=True)
_COUNT = click.IntRange(min=1)
_TIME = click.DateTime(["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"])
_ICC = click.option(
    "--icc",
    type=_SHARE,
    default=0.05,
    show_default=True,
    metavar="R",
    help="How alike fruit of one bin are, 0 to 1; `scorer crews` says what your own season shows.",
)
_GOOD = click.option("--good", metavar="P", required=True, type=_SHARE, help="Share of bad fruit that shall pass.")
_BAD = click.option("--bad", metavar="P", required=True, type=_SHARE, help="Share of bad fruit that shall not pass.")
_STOP_GOOD = click.option(
    "--good-stopped",
    metavar="P",
    type=_RISK,
    default=0.05,
    show_default=True,
    help="How often the good may be stopped.",
)
_PASS_BAD = click.option(
    "--bad-passed", metavar="P", type=_RISK, default=0.10, show_default=True, help="How often the bad may pass."
)
_CHART = click.option(
    "--chart", metavar="FILE", type=CHART, help="Also draw how often what passes, as PNG, SVG or PDF."
)


@click.group()
def plan() -> None:
    """Plan a sample: how many bins and fruit, which ones, and when to stop.

    Shares are written as 0.05 for 5 %.
    """


@plan.command()
@click.option("--share", metavar="P", type=_SHARE, help="Share that you expect, to be known --within so much.")
@click.option("--within", metavar="D", type=click.FloatRange(0, 0.5, min_open=True, max_open=True), help="Half-width.")
@click.option("--tell", metavar="P", type=_SHARE, help="Share of one crew, to be told from the share given by --from.")
@click.option("--from", "other", metavar="P", type=_SHARE, help="Share of another crew, or a target with --target.")
@click.option("--target", is_flag=True, help="--from is a fixed target, and only one crew is sampled.")
@click.option("--power", metavar="P", type=_RISK, default=0.8, show_default=True, help="How often it shall be noticed.")
@click.option("--confidence", metavar="P", type=_RISK, default=0.95, show_default=True, help="Of the interval or test.")
@_ICC
@click.option(
    "--minutes-per-bin", metavar="M", type=float, default=6.0, show_default=True, help="To reach one more bin."
)
@click.option(
    "--minutes-per-fruit", metavar="M", type=float, default=0.5, show_default=True, help="For one more fruit."
)
@click.option("--fruit-per-bin", metavar="M", type=_COUNT, help="Fruit on a tray, where that is settled.")
@click.option("--bins", metavar="N", type=_COUNT, help="Bins that there are, if few.")
def size(
    share: float | None,
    within: float | None,
    tell: float | None,
    other: float | None,
    target: bool,
    power: float,
    confidence: float,
    icc: float,
    minutes_per_bin: float,
    minutes_per_fruit: float,
    fruit_per_bin: int | None,
    bins: int | None,
) -> None:
    """Say how many bins and how many fruit per bin answer a question in the least time.

    Either --share and --within, to know a share; or --tell and --from, to tell two shares apart.
    """
    from scorer.sampling import sizes

    to_know, to_tell = share is not None or within is not None, tell is not None or other is not None
    if to_know == to_tell or (share is None) != (within is None) or (tell is None) != (other is None):
        raise click.UsageError("Give either --share and --within, or --tell and --from.")
    if target and to_know:
        raise click.UsageError("--target goes with --tell and --from.")

    def sized() -> SampleSize:
        minutes = sizes.SamplingMinutes(minutes_per_bin, minutes_per_fruit)
        limits = replace(sizes.ONE_TRAY_PER_BIN, most_bins=bins)
        if fruit_per_bin:
            limits = replace(limits, fewest_fruit_per_bin=fruit_per_bin, most_fruit_per_bin=fruit_per_bin)
        if share is not None and within is not None:
            return sizes.size_for_half_width(
                share, within, icc=icc, minutes=minutes, confidence=confidence, limits=limits
            )
        tell_apart = sizes.size_to_tell_from_target if target else sizes.size_to_tell_crews_apart
        # the target comes first; of two crews either may
        return tell_apart(
            float(other or 0),
            float(tell or 0),
            icc=icc,
            minutes=minutes,
            power=power,
            alpha=1 - confidence,
            limits=limits,
        )

    click.echo(_or_question(sized).sentence)


@plan.command()
@_GOOD
@_BAD
@click.option("--fruit", metavar="M", type=_COUNT, default=10, show_default=True, help="Fruit on each tray.")
@_STOP_GOOD
@_PASS_BAD
@_ICC
@click.option("--most-trays", metavar="N", type=_COUNT, help="Trays after which there must be an answer.")
@click.option("--seen", metavar="LIST", help="Bad fruit on the trays so far, such as 0,2,1: says whether to go on.")
@_CHART
def door(
    good: float,
    bad: float,
    fruit: int,
    good_stopped: float,
    bad_passed: float,
    icc: float,
    most_trays: int | None,
    seen: str | None,
    chart: Path | None,
) -> None:
    """Check a delivery tray by tray: carry on, stop good, or stop bad, at the shed door.

    Prints how many bad fruit so far mean what after each tray, and how often such a check errs. With --seen it says
    what the trays so far mean.
    """
    from scorer.charts.passing import chart_of_door
    from scorer.charts.write import write_chart
    from scorer.console import show_table
    from scorer.sampling.sequential import judge_trays, lines_by_tray, operating_characteristic, plan_door_check

    on_trays = _counts(seen) if seen else []
    check = _or_question(
        partial(
            plan_door_check,
            good,
            bad,
            fruit_per_tray=fruit,
            icc=icc,
            producers_risk=good_stopped,
            consumers_risk=bad_passed,
            most_trays=most_trays,
        )
    )
    click.echo(check.sentence)
    if on_trays:
        answer = _or_question(partial(judge_trays, check, [fruit] * len(on_trays), on_trays))
        click.echo(answer.sentence)
        return
    show_table("Bad fruit in all, after each tray", lines_by_tray(check))
    passing = operating_characteristic(check, _shares_around(good, bad))
    show_table("What passes", _in_percent(passing[["share", "passed", "trays", "fruit"]], "share", "passed").round(1))
    if chart:
        or_sentence(partial(write_chart, chart_of_door(check), chart))
        click.echo(f"{chart}: how often what passes, and how many fruit that takes.")


@plan.command()
@_GOOD
@_BAD
@_STOP_GOOD
@_PASS_BAD
@click.option("--lot", metavar="N", type=_COUNT, help="Fruit in the lot, where it is one small lot.")
@click.option(
    "--fruit-per-bin", metavar="M", type=_COUNT, help="Fruit taken from each bin, to see what trays do to it."
)
@_ICC
@_CHART
def lot(
    good: float,
    bad: float,
    good_stopped: float,
    bad_passed: float,
    lot: int | None,
    fruit_per_bin: int | None,
    icc: float,
    chart: Path | None,
) -> None:
    """Plan one sample that a delivery passes or not: fruit to look at, and bad ones that still pass."""
    from scorer.charts.passing import chart_of_lot
    from scorer.charts.write import write_chart
    from scorer.console import show_table
    from scorer.sampling.acceptance import oc_curve, passed_with_trays, smallest_plan

    smallest = _or_question(
        partial(smallest_plan, good, bad, producers_risk=good_stopped, consumers_risk=bad_passed, lot_fruit=lot)
    )
    click.echo(smallest.sentence)
    shares = _shares_around(good, bad)
    passing = oc_curve(smallest, shares, lot_fruit=lot)
    if fruit_per_bin:
        with_trays = [passed_with_trays(smallest, p, fruit_per_bin=fruit_per_bin, icc=icc) for p in passing["share"]]
        passing = passing.assign(passed_with_trays=with_trays)
        click.echo(f"Taken as trays of {fruit_per_bin} from a bin each (icc {icc:g}), it is less sure: see the table.")
    show_table("What passes", _in_percent(passing, "share", "passed", "passed_with_trays").round(1))
    if chart:
        or_sentence(partial(write_chart, chart_of_lot(smallest, good, bad, lot_fruit=lot), chart))
        click.echo(f"{chart}: how often what passes.")


@plan.command()
@click.option("--bins", metavar="N", type=_COUNT, help="Bins there are or will be, called 1 to N.")
@click.option(
    "--from", "list_", metavar="CSV", type=FILE, help="List of bins: column bin, and crew where that matters."
)
@click.option("--pick", metavar="N", required=True, type=_COUNT, help="Bins to sample.")
@click.option("--fruit", metavar="M", type=_COUNT, default=10, show_default=True, help="Fruit to take from each.")
@click.option("--start", metavar="TIME", required=True, type=_TIME, help="Begin of the shift, as 2026-03-14T06:00.")
@click.option("--end", metavar="TIME", required=True, type=_TIME, help="End of the shift.")
@click.option("--each-crew-alike", is_flag=True, help="As many bins of every crew, whatever its share of them.")
@click.option("--as-they-arrive", is_flag=True, help="Bins come in over the shift in this order.")
@click.option("--seed", metavar="S", type=click.IntRange(min=0), help="Draws the same list again.  [default: by lot]")
@click.option("--out", metavar="CSV", type=CSV, help="Also write the list as CSV.")
def picks(
    bins: int | None,
    list_: Path | None,
    pick: int,
    fruit: int,
    start: datetime,
    end: datetime,
    each_crew_alike: bool,
    as_they_arrive: bool,
    seed: int | None,
    out: Path | None,
) -> None:
    """Draw by lot which bins to sample, when, and from which layer, so that nobody picks the nice fruit."""
    from scorer.console import show_table
    from scorer.csv_tables import table_as_csv
    from scorer.results import write_whole
    from scorer.sampling.pick_list import draw_pick_list

    if (bins is None) == (list_ is None):
        raise click.UsageError("Give either --bins or a list by --from.")
    names, crew_of_bin = _listed_bins(list_) if list_ else (bins or 0, None)
    drawn = _or_question(
        partial(
            draw_pick_list,
            names,
            pick,
            fruit,
            shift_start=start,
            shift_end=end,
            crew_of_bin=crew_of_bin,
            same_for_every_crew=each_crew_alike,
            arriving_in_order=as_they_arrive,
            seed=seed,
        )
    )
    show_table(f"Fruit to take, seed {drawn.seed}", drawn.picks if crew_of_bin else drawn.picks.drop(columns="crew"))
    click.echo(drawn.sentence)
    if out:
        or_sentence(partial(write_whole, out, table_as_csv(drawn.picks).encode()))
        click.echo(f"{out}: the same list.")


def _or_question(call: Callable[[], Result]) -> Result:
    """Answer of a call that refuses a question with a ValueError, as a sentence about the command's options."""
    try:
        return call()
    except ValueError as error:
        text = str(error)
        raise click.UsageError(f"{text[0].upper()}{text[1:]}.") from error


def _listed_bins(path: Path) -> tuple[list[str], dict[str, str] | None]:
    """Names of the bins of a list, and the crew of each where the list names any."""
    from scorer.manifest import read_tag_list

    tags = or_usage(partial(read_tag_list, path))
    unnamed = next((line for line, tag in enumerate(tags, start=1) if not tag.bin), None)
    if unnamed:
        raise click.UsageError(f"{path.name}: bin {unnamed} of the list has no name in the column bin; give it one.")
    crews = {str(tag.bin): tag.crew or "" for tag in tags}
    return [str(tag.bin) for tag in tags], crews if any(crews.values()) else None


def _counts(text: str) -> list[int]:
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isdecimal() for part in parts):
        raise click.UsageError(f"--seen {text} is not a list of counts; write the bad fruit of each tray as 0,2,1.")
    return [int(part) for part in parts]


def _shares_around(good: float, bad: float) -> list[float]:
    """Shares worth a line in a table: the two in question, those between and those beyond."""
    middle = (good + bad) / 2
    return sorted({0.0, good / 2, good, middle, bad, min(bad + (bad - good), 1.0), min(2 * bad, 1.0)})


def _in_percent(table: pd.DataFrame, *columns: str) -> pd.DataFrame:
    percent = {name: f"{name} %" for name in columns if name in table}
    return table.assign(**{name: 100 * table[name] for name in percent}).rename(columns=percent)
