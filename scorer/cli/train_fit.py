"""``scorer train fit``, ``next`` and ``doubtful``: fit a model on the labels, and say where a look teaches most."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scorer.cli.ask import CSV, INTERRUPTED, analyst, of_records, or_sentence, or_usage
from scorer.cli.train_options import labelled_records, photo_names, photos_there, some_others, with_photos

if TYPE_CHECKING:
    import pandas as pd
    from sqlalchemy import Engine

    from scorer.labels.labels import Labels
    from scorer.labels.photos_there import PhotoThere
    from scorer.model_shelf.held_out import SiteTrays
    from scorer.training.site_fit import Base

_JOBS = click.option(
    "--jobs", metavar="N", type=click.IntRange(min=1), default=1, show_default=True, help="Trays and fits at once."
)
_SEED = click.option(
    "--seed",
    metavar="S",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    help="The same labels, photos and seed give the same model.",
)


@click.command()
@click.argument("name", metavar="NAME")
@with_photos
@of_records
@click.option("--who", metavar="NAME", help="Who fits it. [default: the computer's user]")
@click.option(
    "--error",
    "percent",
    metavar="PERCENT",
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    help="Named marks that may have the wrong kind; the others are called unsure. [default: the shipped limit]",
)
@click.option("--thresholds", is_flag=True, help="Fit the detector's thresholds too, for skin that it sees little on.")
@click.option("--limits", metavar="NAME", help="Limit table that verdicts go by. [default: shed]")
@click.option(
    "--drawn-trays",
    metavar="N",
    type=click.IntRange(min=0),
    help="Trays drawn to look like those at hand, to learn from as well; 0 draws none. [default: 320]",
)
@_SEED
@_JOBS
@click.pass_context
def fit(
    context: click.Context,
    name: str,
    folders: tuple[Path, ...],
    where: Path | None,
    who: str | None,
    percent: float | None,
    thresholds: bool,
    limits: str | None,
    drawn_trays: int | None,
    seed: int,
    jobs: int,
) -> None:
    """Fit the shipped model on all labels, try it on trays it has not seen, and keep it as NAME.

    It is not put to use by that: `scorer models promote` does. Where people gave verdicts of fruit only, the limit is
    fitted from which a mark counts.
    """
    from scorer.limits import load_limits
    from scorer.model_shelf.shelf import shelf_beside
    from scorer.model_shelf.site_model import DRAWN_TRAYS, Wishes, fit_on_labels
    from scorer.records.pickings import crew_and_day
    from scorer.tray import DEFAULT_LIMITS

    or_usage(partial(load_limits, limits or DEFAULT_LIMITS))
    person = analyst(who)
    engine, labels, photos = _labelled(where, folders)
    wishes = Wishes(
        wanted_error=None if percent is None else percent / 100,
        thresholds=thresholds,
        limits=limits or DEFAULT_LIMITS,
        drawn_trays=DRAWN_TRAYS if drawn_trays is None else drawn_trays,
        seed=seed,
        jobs=jobs,
    )
    picked = or_sentence(partial(crew_and_day, engine, photos))
    others = some_others(engine, folders, photos, seed) if wishes.drawn_trays else []
    shelf = or_sentence(partial(shelf_beside, engine.url))
    try:
        done = or_sentence(
            lambda: fit_on_labels(
                person,
                shelf,
                labels,
                photos,
                name=name,
                picked=picked,
                others=others,
                wishes=wishes,
                on_step=lambda step: click.echo(f"{step} ...", err=True),
            )
        )
    except KeyboardInterrupt:
        click.echo("Stopped; no model was kept.", err=True)
        context.exit(INTERRUPTED)
    if done.without_photo:
        click.echo(f"{done.without_photo} labelled photos are not there; their labels were left out.")
    click.echo(done.sentence)
    click.echo(f"Kept as {done.kept.name}; its card is {done.kept.folder / 'card.md'}.")


@click.command("next")
@with_photos
@of_records
@click.option("--fruit", "count", metavar="N", type=click.IntRange(min=1), default=40, show_default=True, help="Fruit.")
@click.option("--csv", "file", metavar="FILE", type=CSV, help="Write the list there.")
@_JOBS
def next_(folders: tuple[Path, ...], where: Path | None, count: int, file: Path | None, jobs: int) -> None:
    """List the fruit to label next: those the model in use is least sure of, at most four of a tray."""
    from scorer.console import show_table
    from scorer.labels.keep import labels_of
    from scorer.model_shelf.shelf import shelf_beside
    from scorer.model_shelf.which_next import which_next
    from scorer.records.database import open_records, records_url
    from scorer.results import write_whole

    engine = or_sentence(lambda: open_records(records_url(where), create=False))
    photos = photos_there(engine, folders)
    if not photos:
        raise click.ClickException("No photos are there to choose from; say by --photos where they lie.")
    labels = or_sentence(partial(labels_of, engine))
    shelf = or_sentence(partial(shelf_beside, engine.url))
    listed = or_sentence(partial(which_next, shelf, labels, photos, count, jobs=jobs))
    if listed.empty:
        click.echo("All fruit on the photos at hand are labelled, or nothing on them is unsure; give other photos.")
        return
    listed.insert(0, "photo", listed["tray"].map(photo_names(engine, photos)))
    if file is not None:
        write_whole(file, listed.to_csv(index=False).encode("utf-8"))
    show_table("Label these next", listed.drop(columns="tray").round({"unsure_bits": 1}))


@click.command()
@with_photos
@of_records
@click.option("--csv", "file", metavar="FILE", type=CSV, help="Write the list there.")
@_SEED
@_JOBS
def doubtful(folders: tuple[Path, ...], where: Path | None, file: Path | None, seed: int, jobs: int) -> None:
    """List labels that are likely errors, for a second look; nothing is left out of what is learned from."""
    from scorer.console import show_table
    from scorer.model_shelf.doubtful_proposals import doubtful_proposals
    from scorer.model_shelf.site_model import shipped_base
    from scorer.results import write_whole

    engine, labels, photos = _labelled(where, folders)
    base = or_sentence(shipped_base)
    trays = or_sentence(partial(_trays, labels, photos, base, jobs))
    doubted = or_sentence(partial(doubtful_proposals, trays, base, seed=seed, jobs=jobs))
    doubted.insert(0, "photo", doubted["tray"].map(photo_names(engine, photos)))
    if file is not None:
        write_whole(file, doubted.to_csv(index=False).encode("utf-8"))
    if doubted.empty:
        click.echo("No label is doubted.")
        return
    shown = ["photo", "fruit", "who", "area_mm2", "label", "suggested", "doubt"]
    show_table("Look at these once more", doubted[shown].round({"area_mm2": 0, "doubt": 2}))


def _labelled(where: Path | None, folders: tuple[Path, ...]) -> tuple[Engine, Labels, dict[str, PhotoThere]]:
    """Records, labels, and the labelled photos that are there."""
    engine, labels = labelled_records(where)
    tables: tuple[pd.DataFrame, ...] = (labels.photos, labels.outlines, labels.verdicts, labels.named)
    known = {str(sha256) for table in tables for sha256 in table["sha256"]}
    return engine, labels, photos_there(engine, folders, known=known)


def _trays(labels: Labels, photos: dict[str, PhotoThere], base: Base, jobs: int) -> SiteTrays:
    from scorer.model_shelf.site_model import Wishes, site_trays

    return site_trays(labels.newest(), photos, base, None, Wishes(jobs=jobs))
