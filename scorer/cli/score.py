"""``scorer score``: photos in, tables and records out."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scorer.cli.ask import FILE, FOLDER, INTERRUPTED, SOME_FAILED, USUAL_PLACE, or_sentence, or_usage
from scorer.errors import ScorerError

# What scores photos takes a second to load; help and mistyped commands should not wait for it.
if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from sqlalchemy.engine import URL

    from scorer.batch.run import BatchReport, Plan
    from scorer.batch.task import Source
    from scorer.console import PhotoProgress
    from scorer.records.keep import OpenImport
    from scorer.score_tables import TrayScore
    from scorer.tag import Tag
    from scorer.tray import Settings


@click.command()
@click.argument("paths", metavar="PATH...", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--out", metavar="RESULTS", type=FOLDER, help="Folder for the tables, masks and pictures.")
@click.option(
    "--records",
    metavar="FILE",
    is_flag=False,
    flag_value=USUAL_PLACE,
    help="Keep the scores in the season's records: this SQLite file, or without FILE the usual place.",
)
@click.option("--masks", is_flag=True, help="Write which pixels belong to which fruit and mark.")
@click.option("--pictures", is_flag=True, help="Write each photo with outlines, numbers and kinds.")
@click.option("--manifest", metavar="CSV", type=FILE, help="What the tags do not say, or say wrongly, by photo.")
@click.option("--limits", metavar="NAME", help="Limit table by name, or a TOML file. [default: shed]")
@click.option("--site", metavar="NAME", help="Packing shed that the records are kept for. [default: shed]")
@click.option("--zone", metavar="AREA/CITY", help="Time zone of the site. [default: this computer's]")
@click.option(
    "--held",
    type=click.Choice(["settled", "any"]),
    default="settled",
    show_default=True,
    help="Photos that count per crew: only those from 48 h after picking on, or any.",
)
@click.option(
    "--jobs",
    metavar="N",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Photos scored at once.",
)
@click.option("--cluster", metavar="ADDRESS", help="Score on the Dask cluster there, such as tcp://shed-2:8786.")
@click.option("--watch", is_flag=True, help="Go on and score photos as they arrive in the folder, until Ctrl-C.")
@click.pass_context
def score(
    context: click.Context,
    paths: tuple[Path, ...],
    out: Path | None,
    records: str | None,
    masks: bool,
    pictures: bool,
    manifest: Path | None,
    limits: str | None,
    site: str | None,
    zone: str | None,
    held: str,
    jobs: int,
    cluster: str | None,
    watch: bool,
) -> None:
    """Score the tray photos in files and folders.

    Writes photos.csv, fruit.csv and marks.csv to RESULTS, keeps the scores in the season's records, or both, and
    prints a table per fruit and per crew. A photo that the records know already is not scored again. With records, the
    model scores that is in use beside them when the command begins; without, the one that comes with scorer. Exit code:
    0 all photos were scored, 1 some were not, 2 the command was not understood, 130 stopped by Ctrl-C.
    """
    from scorer.batch.run import Plan
    from scorer.batch.task import Wanted
    from scorer.console import show_report
    from scorer.hold_time.clock import zone_of
    from scorer.limits import load_limits
    from scorer.manifest import read_manifest
    from scorer.photo_files import find_photos
    from scorer.tray import DEFAULT_LIMITS, Settings

    _check_places(out, records, needs_folder=masks or pictures)
    if watch and not (len(paths) == 1 and paths[0].is_dir()):
        raise click.UsageError("--watch looks after one folder; give that folder alone.")
    tags: Mapping[str, Tag] = or_usage(partial(read_manifest, manifest)) if manifest else {}
    chosen = or_usage(partial(load_limits, limits or DEFAULT_LIMITS))
    or_usage(partial(zone_of, zone or this_zone()))
    if not watch and not find_photos(paths, leave_out=out):
        raise click.UsageError(f"There are no photos in {', '.join(map(str, paths))}; give JPEG, PNG or HEIC photos.")
    folder = None if records is None else or_sentence(partial(_model_in_use, records))
    settings = Settings(limits=limits or DEFAULT_LIMITS, model_folder=folder, zone=zone)
    season = None if records is None else or_sentence(partial(_open_season, records, paths, settings, site))
    if season is not None:
        _warn_of_unknown_crews(season, tags)
    settings = replace(settings, zone=season.zone.key if season else zone or this_zone())
    plan = Plan(
        partial(_score_one, settings),
        out=out,
        records=season,
        wanted=Wanted(masks=masks, draw=_draw if pictures else None),
        manifest=tags,
        jobs=jobs,
        cluster=cluster,
        any_hold=held == "any",
    )
    try:
        report = _score_with_progress(paths, plan, watch=watch)
    except KeyboardInterrupt:
        click.echo(f"Stopped; every photo that was done is {_kept_in(plan)}, whole.", err=True)
        context.exit(INTERRUPTED)
    except ScorerError as error:
        raise click.ClickException(str(error)) from error
    show_report(report, _kept_in(plan), chosen.label)
    context.exit(SOME_FAILED if report.refused else 0)


def _check_places(out: Path | None, records: str | None, *, needs_folder: bool) -> None:
    if out is None and records is None:
        raise click.UsageError("Say where the scores go: --out RESULTS for tables, --records for the season's records.")
    if out is None and needs_folder:
        raise click.UsageError("Masks and pictures need a folder; give --out RESULTS.")


def this_zone() -> str:
    """Name of this computer's time zone in the IANA database."""
    from tzlocal import get_localzone_name

    return get_localzone_name() or "UTC"


def _model_in_use(records: str) -> Path | None:
    from scorer.model_shelf.history import in_use
    from scorer.model_shelf.shelf import shelf_beside

    folder = in_use(shelf_beside(_url_of(records)))
    return folder.absolute() if folder else None  # workers may stand in another folder


def _url_of(records: str) -> URL:
    from scorer.records.database import records_url

    return records_url(None if records == USUAL_PLACE else Path(records))


def _open_season(records: str, paths: tuple[Path, ...], settings: Settings, site: str | None) -> OpenImport:
    from importlib.metadata import version

    from scorer.kinds import load_model
    from scorer.records.database import open_records
    from scorer.records.keep import DEFAULT_SITE, open_import

    model = load_model(settings.model_folder)
    engine = open_records(_url_of(records))
    return open_import(
        engine,
        source=", ".join(path.as_posix() for path in paths),
        model_sha256=model.sha256,
        model_card=model.card,
        software=version("mango-tray-scorer"),
        limits=settings.limits,
        zone=settings.zone,
        zone_if_new=this_zone(),
        site=site or DEFAULT_SITE,
    )


def _warn_of_unknown_crews(season: OpenImport, tags: Mapping[str, Tag]) -> None:
    from scorer.records.keep import unknown_crews

    crews = [tag.crew for tag in tags.values() if tag.crew]
    for sentence in or_sentence(partial(unknown_crews, season, crews)):
        click.echo(sentence, err=True)


def _score_with_progress(paths: tuple[Path, ...], plan: Plan, *, watch: bool) -> BatchReport:
    from scorer.batch.run import score_paths
    from scorer.console import progress_of

    with progress_of(sys.stderr) as progress:
        if watch:
            return _watch(paths[0], plan, progress)
        return score_paths(paths, plan, on_found=progress.found, on_done=progress.done)


def _watch(folder: Path, plan: Plan, progress: PhotoProgress) -> BatchReport:
    """Score what is in a folder and what arrives there, until Ctrl-C."""
    from scorer.batch.run import Batch
    from scorer.batch.watch import arrivals

    batch = Batch(plan, progress.done)
    click.echo(f"Watching {folder}; end with Ctrl-C.", err=True)
    try:
        with closing(arrivals(folder, leave_out=plan.out)) as whole:
            for files in whole:
                batch.score(files)
                batch.put_down()
    except KeyboardInterrupt:
        pass  # the way to end a watch
    finally:
        batch.close()
    return batch.report()


def _kept_in(plan: Plan) -> str:
    from scorer.records.database import name_of

    places = [f"tables in {plan.out}"] if plan.out is not None else []
    places += [f"records in {name_of(plan.records.engine)}"] if plan.records is not None else []
    return ", ".join(places)


def _score_one(settings: Settings, source: Source, photo: str, tag: Tag | None) -> TrayScore:
    from scorer.tray import score_photo

    return score_photo(source, name=photo, manifest_tag=tag, settings=settings)


def _draw(source: Source, score: TrayScore) -> NDArray[np.uint8]:
    from scorer.drawing import draw_score
    from scorer.photo import open_photo

    return draw_score(open_photo(source).bgr, score)
