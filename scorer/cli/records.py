"""``scorer records``: look into the season's records, take them out, clear them up."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scorer.cli.ask import FILE, FOLDER, SOME_FAILED, of_records, or_sentence, or_usage

if TYPE_CHECKING:
    from sqlalchemy import Engine


@click.group()
def records() -> None:
    """Look into the season's records, export them, clear them up."""


_MODEL = click.option("--model", metavar="HASH", help="First signs of a model's hash, as `scorer records list` shows.")


@records.command("list")
@of_records
def list_(where: Path | None) -> None:
    """Show which models scored, and the newest batches."""
    from scorer.console import show_table
    from scorer.records.database import name_of
    from scorer.records.inventory import batches, models_used

    engine = _open(where)
    click.echo(f"Records in {name_of(engine)}, times in UTC")
    models = or_sentence(partial(models_used, engine))
    show_table("Models", models.assign(model=models["model"].str[:12]))
    show_table("Newest batches", or_sentence(partial(batches, engine)))


@records.command()
@of_records
@_MODEL
@click.option("--limits", metavar="NAME", help="Limit table for fruit seen from both sides. [default: shed]")
@click.option("--out", metavar="FOLDER", required=True, type=FOLDER, help="Folder for the files.")
def export(where: Path | None, model: str | None, limits: str | None, out: Path) -> None:
    """Write photos, fruit and marks as CSV and Parquet; decisions, and fruit judged from both sides, as CSV.

    Of a photo that several models scored, its newest score is written.
    """
    from scorer.limits import load_limits
    from scorer.records.export import export_records
    from scorer.records.inventory import model_named
    from scorer.tray import DEFAULT_LIMITS

    table = or_usage(partial(load_limits, limits or DEFAULT_LIMITS))
    engine = _open(where)
    chosen = or_sentence(partial(model_named, engine, model)) if model else None
    rows = or_sentence(partial(export_records, engine, out, table, model_sha256=chosen))
    click.echo(
        f"{rows.photos} photos, {rows.fruit} fruit, {rows.marks} marks and {rows.decisions} decisions "
        f"as CSV and Parquet in {out}."
    )


@records.command()
@of_records
@click.option("--fraction", metavar="F", type=click.FloatRange(0, 1), help="Brown fraction of an early photo.")
@click.option("--hours", metavar="H", type=click.FloatRange(min=0), help="Hours from picking to that photo.")
def browning(where: Path | None, fraction: float | None, hours: float | None) -> None:
    """Show how much of the final browning shows by hour since picking, from trays photographed again.

    Pools all trays that have an early and a settled photo of the same side. Where these are too few to say, it says how
    many are missing. With --fraction and --hours it says what an early brown fraction comes to in the end.
    """
    from scorer.hold_time.browning import final_fraction, hold_sentence
    from scorer.records.repeats import browning_shares

    if (fraction is None) != (hours is None):
        raise click.UsageError("Give --fraction and --hours together.")
    engine = _open(where)
    shares = or_sentence(partial(browning_shares, engine))
    if fraction is not None and hours is not None:
        click.echo(final_fraction(fraction, hours, shares).sentence)
        return
    for sentence in hold_sentence(shares):
        click.echo(sentence)


@records.command()
@of_records
@click.argument("list_", metavar="CSV", type=FILE)
@click.option("--who", metavar="NAME", required=True, help="Who looked at the fruit.")
def checked(where: Path | None, list_: Path, who: str) -> None:
    """Keep what somebody said of fruit checked by eye: the list of `scorer crews --to-check`, filled in.

    All of the list is kept, or nothing. What the scorer said stays beside it.
    """
    from scorer.check_list import read_checks
    from scorer.records.checks import keep_checks

    checks = or_usage(partial(read_checks, list_))
    engine = _open(where)
    kept = or_sentence(partial(keep_checks, engine, checks, who=who))
    click.echo(f"{kept} fruit checked by {who} are kept.")


@records.command()
@of_records
@click.pass_context
def check(context: click.Context, where: Path | None) -> None:
    """Look the records over and say what is wrong. Exit code: 0 nothing, 1 something."""
    from scorer.records.audit import audit_records
    from scorer.records.database import name_of

    engine = _open(where)
    wrong = or_sentence(partial(audit_records, engine))
    for sentence in wrong:
        click.echo(sentence)
    if not wrong:
        click.echo(f"Nothing is wrong with the records in {name_of(engine)}.")
    context.exit(SOME_FAILED if wrong else 0)


@records.command()
@of_records
@_MODEL
@click.option("--remove", is_flag=True, help="Remove them; without it, nothing is removed and the counts are shown.")
def prune(where: Path | None, model: str | None, remove: bool) -> None:
    """Remove scores for which there is a newer one, or all scores of a model.

    Scores on which a person has decided something stay, and so does the newest score of each photo unless its model is
    named. Photos without any score go as well.
    """
    from scorer.records import inventory

    engine = _open(where)
    chosen = or_sentence(partial(inventory.model_named, engine, model)) if model else None
    gone = or_sentence(partial(inventory.prune, engine, model_sha256=chosen, remove=remove))
    click.echo(f"{gone.scores} scores and {gone.photos} photos without a score {'removed' if remove else 'would go'}.")
    if gone.decided:
        click.echo(f"{gone.decided} scores stay, for people have decided something on them.")
    if not remove and (gone.scores or gone.photos):
        click.echo("Nothing was removed; give --remove to do so.")


def _open(where: Path | None) -> Engine:
    from scorer.records.database import open_records, records_url

    return or_sentence(lambda: open_records(records_url(where), create=False))
