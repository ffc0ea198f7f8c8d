"""``scorer models``: the fitted models of a shed: which there are, whether one is better, and which is in use."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scorer.cli.ask import CSV, FOLDER, INTERRUPTED, analyst, of_records, or_sentence, or_usage
from scorer.cli.models_rescore import rescore

if TYPE_CHECKING:
    from scorer.model_shelf.compare import Comparison
    from scorer.model_shelf.shelf import Shelf


@click.group()
def models() -> None:
    """Keep, compare and change the fitted models of a season's records."""


_WHO = click.option("--who", metavar="NAME", help="Who decides it. [default: the computer's user]")
_LIMITS = click.option("--limits", metavar="NAME", help="Limit table that verdicts go by. [default: shed]")
_JOBS = click.option(
    "--jobs", metavar="N", type=click.IntRange(min=1), default=1, show_default=True, help="Trays at once."
)


@models.command("list")
@of_records
def list_(where: Path | None) -> None:
    """Show all models, which one is in use, and how that came about; a damaged folder with what is wrong with it."""
    import pandas as pd

    from scorer.console import show_table
    from scorer.model_shelf.history import history_of, step_in_use
    from scorer.model_shelf.shelf import SHIPPED, kept_models

    shelf = _shelf(where)
    step = or_sentence(partial(step_in_use, shelf))
    used = step.name if step else SHIPPED
    kept = or_sentence(partial(kept_models, shelf))
    rows = [
        (one.name, "yes" if one.name == used else "", one.sha256[:12], one.made_on, str(one.card.get("trained_on", "")))
        for one in kept
    ]
    click.echo(f"Models in {shelf.folder}")
    show_table("Models", pd.DataFrame(rows, columns=["name", "in_use", "model", "made_on", "trained_on"]))
    for one in kept:
        if one.trouble:
            click.echo(f"{one.name}: {one.trouble}")
    if used not in {one.name for one in kept}:
        click.echo(f"{used} is to be used, but is not there any more; restore its folder or roll back.")
    history = or_sentence(partial(history_of, shelf))
    if len(history):
        history["model"] = history["sha256"].str[:12]
        show_table("In use over time, UTC", history[["number", "at", "who", "did", "name", "model", "why"]])


@models.command()
@of_records
@click.argument("folder", metavar="FOLDER", type=FOLDER)
@_WHO
def add(where: Path | None, folder: Path, who: str | None) -> None:
    """Keep a copy of a fitted model's FOLDER, such as `scorer rebuild model` wrote, beside the records."""
    from scorer.model_shelf.shelf import add_model

    kept = or_sentence(partial(add_model, analyst(who), _shelf(where), folder))
    click.echo(f"{kept.name} is kept; compare it with `scorer models compare {kept.name} --trays FOLDER`.")


@models.command()
@of_records
@click.argument("name", metavar="NAME")
@click.option("--against", metavar="NAME", help="The model to compare with. [default: the one in use]")
@click.option(
    "--trays", metavar="FOLDER", required=True, type=FOLDER, help="Labelled trays: photos/ and, beside it, truth/."
)
@_LIMITS
@_JOBS
@click.pass_context
def compare(
    context: click.Context,
    where: Path | None,
    name: str,
    against: str | None,
    trays: Path,
    limits: str | None,
    jobs: int,
) -> None:
    """Compare a model with the one in use, on the same labelled trays: better, no evidence, or worse.

    Trays must be other ones than the models were fitted on. Both judge each fruit, and what only one of them judged
    rightly decides, together with the errors of the brown area and of the kinds.
    """
    shelf = _shelf(where)
    try:
        _show(_compared(shelf, name, against, trays, limits, jobs))
    except KeyboardInterrupt:
        click.echo("Stopped; nothing was compared.", err=True)
        context.exit(INTERRUPTED)


@models.command()
@of_records
@click.argument("name", metavar="NAME")
@click.option(
    "--trays",
    metavar="FOLDER",
    type=FOLDER,
    help="Labelled trays to compare it on first, as for `scorer models compare`.",
)
@_LIMITS
@_JOBS
@_WHO
@click.option("--why", metavar="TEXT", default="", help="Why; needed for a model that is worse or was not compared.")
@click.pass_context
def promote(
    context: click.Context,
    where: Path | None,
    name: str,
    trays: Path | None,
    limits: str | None,
    jobs: int,
    who: str | None,
    why: str,
) -> None:
    """Put a model to use from now on; `shipped` is the one that comes with scorer.

    With --trays it is compared with the model in use first, and refused if it is worse and no --why is given.
    """
    from scorer.model_shelf import history

    person, shelf = analyst(who), _shelf(where)
    try:
        comparison = _compared(shelf, name, None, trays, limits, jobs) if trays else None
    except KeyboardInterrupt:
        click.echo("Stopped; the model in use stays.", err=True)
        context.exit(INTERRUPTED)
    if comparison is not None:
        _show(comparison)
    step = or_sentence(partial(history.promote, person, shelf, name, why, comparison))
    click.echo(f"{step.name} ({step.sha256[:12]}) is in use from now on; scores made before keep the model they name.")


@models.command()
@of_records
@_WHO
@click.option("--why", metavar="TEXT", required=True, help="Why, for those who look later.")
def rollback(where: Path | None, who: str | None, why: str) -> None:
    """Put the model to use again that was in use before the newest promotion that still holds."""
    from scorer.model_shelf import history

    step = or_sentence(partial(history.rollback, analyst(who), _shelf(where), why))
    click.echo(f"{step.name} ({step.sha256[:12]}) is in use again.")


@models.command()
@of_records
@click.option(
    "--batch",
    metavar="N",
    type=click.IntRange(min=1),
    help="Number of the batch, as `scorer records list` shows it. [default: the newest that scored photos]",
)
@click.option("--model", "name", metavar="NAME", help="The model to hold it against. [default: the one in use]")
@click.option("--csv", "out", metavar="FILE", type=CSV, help="Also write all measures as CSV.")
def drift(where: Path | None, batch: int | None, name: str | None, out: Path | None) -> None:
    """Say whether a batch's photos look like those that the model has learned from, and which measures moved if not."""
    from scorer.access.roles import Person, Role
    from scorer.console import show_table
    from scorer.csv_tables import table_as_csv
    from scorer.look_drift.drift import drift_of_batch
    from scorer.model_shelf.history import in_use
    from scorer.model_shelf.shelf import kept_model
    from scorer.records.database import open_records, records_url
    from scorer.resources import models_folder
    from scorer.results import write_whole

    shelf = _shelf(where)
    folder = or_sentence(lambda: kept_model(shelf, name).folder if name else in_use(shelf)) or models_folder() / "marks"
    engine = or_sentence(lambda: open_records(records_url(where), create=False))
    found = or_sentence(partial(drift_of_batch, Person("", frozenset({Role.ANALYST})), engine, folder, batch))
    moved = found.table[found.table["moved"]]
    if len(moved):
        show_table("What has moved", moved.drop(columns="moved").round(4))
    if out is not None:
        or_sentence(partial(write_whole, out, table_as_csv(found.table).encode()))
    for sentence in (found.warning, *found.notes):
        if sentence:
            click.echo(sentence)


models.add_command(rescore)


def _shelf(where: Path | None) -> Shelf:
    from scorer.model_shelf.shelf import shelf_beside
    from scorer.records.database import records_url

    return or_sentence(lambda: shelf_beside(records_url(where)))


def _compared(shelf: Shelf, name: str, against: str | None, trays: Path, limits: str | None, jobs: int) -> Comparison:
    from scorer.console import steps_of
    from scorer.kinds import load_model
    from scorer.limits import load_limits
    from scorer.model_shelf.compare import compare
    from scorer.model_shelf.history import in_use
    from scorer.model_shelf.judged import judge_trays, labelled_trays
    from scorer.model_shelf.shelf import kept_model
    from scorer.tray import DEFAULT_LIMITS

    or_usage(partial(load_limits, limits or DEFAULT_LIMITS))
    labelled = or_usage(partial(labelled_trays, trays))
    new = or_sentence(partial(kept_model, shelf, name)).folder
    old = or_sentence(lambda: kept_model(shelf, against).folder if against else in_use(shelf))
    with steps_of(sys.stderr, "judging", len(labelled)) as done:
        one, other = or_sentence(
            lambda: judge_trays(
                labelled,
                [load_model(old), load_model(new)],
                limits=limits or DEFAULT_LIMITS,
                jobs=jobs,
                on_done=done,
            )
        )
    for sentence in one.left_out:
        click.echo(f"Left out: {sentence}", err=True)
    return or_sentence(partial(compare, one, other))


def _show(comparison: Comparison) -> None:
    from scorer.console import show_table
    from scorer.model_shelf.compare import parts_of

    if comparison.parts:
        show_table("New against old", parts_of(comparison).round(4))
    click.echo(comparison.sentence)
