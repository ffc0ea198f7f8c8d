"""``scorer crews``: what a season says of its crews, as tables, workbook and report."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scorer.cli.ask import FILE, FOLDER, or_sentence, or_usage
from scorer.cli.season import Season, from_season

if TYPE_CHECKING:
    from scorer.crew_report.figures import CrewFigures

_SHARE = click.FloatRange(0, 1, min_open=True, max_open=True)


@click.command()
@from_season
@click.option("--out", metavar="FOLDER", required=True, type=FOLDER, help="Folder for the figures.")
@click.option(
    "--target", metavar="P", type=_SHARE, default=0.05, show_default=True, help="Share to hold crews against."
)
@click.option("--prices", metavar="TOML", type=FILE, help="Your own prices, to tell what it costs.")
@click.option("--since", metavar="CREW=DAY", multiple=True, help="Hold a crew from a day on against the days before.")
@click.option("--to-check", metavar="N", type=click.IntRange(min=1), help="Draw N fruit to check: to_check.csv.")
@click.option("--seed", metavar="S", type=click.IntRange(min=0), help="Draws the same fruit again.  [default: by lot]")
@click.option("--confidence", metavar="P", type=_SHARE, default=0.95, show_default=True, help="Of all intervals.")
@click.option(
    "--paper",
    type=click.Choice(["A4", "Letter"], case_sensitive=False),
    default="A4",
    show_default=True,
    help="Size of the report.",
)
def crews(
    season: Season,
    out: Path,
    target: float,
    prices: Path | None,
    since: tuple[str, ...],
    to_check: int | None,
    seed: int | None,
    confidence: float,
    paper: str,
) -> None:
    """Say what a season tells of its crews: shares with honest intervals, comparisons, days, cost.

    Shares are written as 0.05 for 5 %. Figures are for coaching, not for pay or discipline.
    """
    from scorer.check_list import write_checks
    from scorer.crew_report.figures import SCORED, Question, crew_figures
    from scorer.crew_report.write import write_figures
    from scorer.crews.next_checks import draw_checks
    from scorer.crews.prices import load_prices

    money = or_usage(partial(load_prices, prices)) if prices else None
    question = Question(target, confidence, money, dict(_crew_and_day(text) for text in since))
    counted = season.counted()
    figures = or_sentence(partial(crew_figures, counted, question))
    report, *_ = or_sentence(partial(write_figures, figures, out, paper=paper))
    _show(figures)
    if to_check:
        drawn = draw_checks(counted.fruit, to_check, defective=SCORED, seed=seed)
        or_sentence(partial(write_checks, drawn.fruit, out / "to_check.csv"))
        click.echo(f"{out / 'to_check.csv'}: {len(drawn.fruit)} fruit to check, drawn by lot with seed {drawn.seed}.")
    click.echo(f"{report}: the report; beside it the tables as CSV and as one workbook.")


def _crew_and_day(text: str) -> tuple[str, str]:
    crew, _, day = text.rpartition("=")
    try:
        return crew, datetime.strptime(day.strip(), "%Y-%m-%d").strftime("%Y-%m-%d")
    except ValueError as error:
        raise click.UsageError(f"--since {text} is not CREW=DAY; write it as Curlew=2026-01-18.") from error


def _show(figures: CrewFigures) -> None:
    import pandas as pd

    from scorer.console import show_table
    from scorer.crew_report.sections import interval, percent
    from scorer.crew_summary import FAIR_USE, FOR_COACHING

    shares = figures.shares
    table = pd.DataFrame(
        {
            "crew": shares["crew"].astype("str"),
            "bins": shares["clusters"],
            "fruit": shares["fruit"],
            "downgraded": shares["defective"],
            "share": [percent(share) for share in shares["share"]],
            "likely": [interval(low, high) for low, high in zip(shares["low"], shares["high"], strict=True)],
            "against the rest": figures.comparison["in_words"].to_numpy(),
        }
    )
    show_table("Crews", table)
    for note in sorted(set(shares["note"]) - {""}):
        click.echo(f"{', '.join(shares.loc[shares['note'] == note, 'crew'].astype(str))}: {note}.")
    said = [figures.counted.sentence, figures.standings.sentence]
    said += [sentence for chart in figures.days.values() for sentence in chart.sentences]
    said += [change.sentence for change in figures.changes.values()]
    said += figures.standardised[-1].warnings
    if figures.savings is not None:
        said += figures.savings["sentence"].tolist()
    for sentence in [*said, FOR_COACHING, FAIR_USE]:
        click.echo(sentence)
