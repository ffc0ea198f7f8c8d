"""The command: parse, call, print."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from scorer.errors import ScorerError

# What scores photos takes a second to load; help and mistyped commands should not wait for it.
if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from scorer.score_tables import TrayScore
    from scorer.tag import Tag
    from scorer.tray import Settings

Result = TypeVar("Result")

SOME_FAILED, INTERRUPTED = 1, 130

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_FOLDER = click.Path(file_okay=False, path_type=Path)
_PDF = click.Path(dir_okay=False, path_type=Path)
_PAPER = click.Choice(["A4", "Letter"], case_sensitive=False)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="mango-tray-scorer", prog_name="scorer")
def main() -> None:
    """Score skin marks on trays of sampled mangoes from phone photos."""


@main.command()
@click.argument("paths", metavar="PATH...", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option(
    "--out",
    metavar="RESULTS",
    required=True,
    type=_FOLDER,
    help="Folder for the tables, masks and pictures.",
)
@click.option("--masks", is_flag=True, help="Write which pixels belong to which fruit and mark.")
@click.option("--pictures", is_flag=True, help="Write each photo with outlines, numbers and kinds.")
@click.option("--manifest", metavar="FILE", type=_FILE, help="CSV with crew, bin, picked_at, method, side by photo.")
@click.option("--limits", metavar="NAME", help="Limit table by name, or a TOML file. [default: shed]")
@click.option(
    "--jobs",
    metavar="N",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Photos scored at once.",
)
@click.pass_context
def score(
    context: click.Context,
    paths: tuple[Path, ...],
    out: Path,
    masks: bool,
    pictures: bool,
    manifest: Path | None,
    limits: str | None,
    jobs: int,
) -> None:
    """Score the tray photos in files and folders.

    Writes photos.csv, fruit.csv and marks.csv to RESULTS and prints a table per fruit and per crew. Exit
    code: 0 all photos were scored, 1 some were not, 2 the command was not understood, 130 stopped by Ctrl-C.
    """
    from scorer.batch import Wanted, score_paths
    from scorer.console import progress_of, show_report
    from scorer.limits import load_limits
    from scorer.manifest import read_manifest
    from scorer.photo_files import find_photos
    from scorer.tray import DEFAULT_LIMITS, Settings

    tags: Mapping[str, Tag] = _or_usage(partial(read_manifest, manifest)) if manifest else {}
    chosen = _or_usage(partial(load_limits, limits or DEFAULT_LIMITS))
    if not find_photos(paths, leave_out=out):
        raise click.UsageError(f"There are no photos in {', '.join(map(str, paths))}; give JPEG, PNG or HEIC photos.")
    settings = Settings(limits=limits or DEFAULT_LIMITS)
    try:
        with progress_of(sys.stderr) as progress:
            report = score_paths(
                paths,
                out,
                partial(_score_one, settings),
                wanted=Wanted(masks=masks, draw=_draw if pictures else None),
                manifest=tags,
                jobs=jobs,
                on_found=progress.found,
                on_done=progress.done,
            )
    except KeyboardInterrupt:
        click.echo(f"Stopped; the tables in {out} hold every photo that was done, whole.", err=True)
        context.exit(INTERRUPTED)
    except ScorerError as error:
        raise click.ClickException(str(error)) from error
    show_report(report, out, chosen.label)
    context.exit(SOME_FAILED if report.refused else 0)


@main.group("print")
def print_() -> None:
    """Print the reference card and the bin tags."""


@print_.command()
@click.option("--out", metavar="PDF", required=True, type=_PDF, help="The PDF to write.")
@click.option("--paper", type=_PAPER, default="A4", show_default=True, help="Size of the sheets.")
def card(out: Path, paper: str) -> None:
    """Write the reference card as a PDF; print it at 100 % scale."""
    from scorer.printing import print_card

    _or_sentence(partial(print_card, out, paper=paper))
    click.echo(f"{out}: print it at 100 % scale and check the bar with a ruler.")


@print_.command()
@click.option("--crew", metavar="NAME", help="Picking crew.")
@click.option("--bin", "bins", metavar="NAME", multiple=True, help="Bin; give it again for more tags.")
@click.option("--picked", metavar="TIME", help="Local time of picking, such as 2026-03-14T09:30.")
@click.option("--method", metavar="NAME", help="Picking method.")
@click.option("--side", metavar="NAME", help="Side of the fruit that lies up, or of the row.")
@click.option(
    "--from",
    "list_",
    metavar="CSV",
    type=_FILE,
    help="List with the columns crew, bin, picked_at, method, side; one tag for each line.",
)
@click.option("--out", metavar="PDF", required=True, type=_PDF, help="The PDF to write.")
@click.option("--paper", type=_PAPER, default="A4", show_default=True, help="Size of the sheets.")
def tags(
    crew: str | None,
    bins: tuple[str, ...],
    picked: str | None,
    method: str | None,
    side: str | None,
    list_: Path | None,
    out: Path,
    paper: str,
) -> None:
    """Write bin tags as a PDF, from the options or from a list; print them at 100 % scale."""
    from scorer.manifest import read_tag_list
    from scorer.printing import print_tags

    named = crew or bins or picked or method or side
    if bool(named) == bool(list_):
        raise click.UsageError("Give either a list by --from, or a tag by --crew, --bin and the like.")
    wanted = _or_usage(partial(read_tag_list, list_)) if list_ else _tags_of(crew, bins, picked, method, side)
    for note in _or_sentence(partial(print_tags, wanted, out, paper=paper)):
        click.echo(note, err=True)
    click.echo(f"{out}: {len(wanted)} tags; print them at 100 % scale.")


@main.group()
def rebuild() -> None:
    """Rebuild what comes with scorer: the sample photos and the fitted model."""


_SEED = click.option(
    "--seed", metavar="S", type=click.IntRange(min=0), help="The same seed gives the same. [default: 2026]"
)


@rebuild.command()
@click.option("--out", metavar="FOLDER", required=True, type=_FOLDER, help="Folder for the photos and lists.")
@_SEED
@click.pass_context
def samples(context: click.Context, out: Path, seed: int | None) -> None:
    """Draw the sample photos of the invented season, their manifest and the list of their tags."""
    from scorer.console import steps_of
    from scorer.simulate.season import SEED, season, write_season

    try:
        with steps_of(sys.stderr, "drawing", len(season())) as done:
            write_season(out, SEED if seed is None else seed, on_done=lambda photo: done(photo.name))
    except KeyboardInterrupt:
        click.echo(f"Stopped; the photos in {out} are whole, but not all there.", err=True)
        context.exit(INTERRUPTED)
    except OSError as error:
        raise click.ClickException(f"{out} cannot be written ({error.strerror}).") from error
    click.echo(f"{len(season())} photos, manifest.csv and tags.csv in {out}.")


@rebuild.command()
@click.option("--trays", metavar="N", required=True, type=click.IntRange(min=10), help="Trays to learn from.")
@_SEED
@click.option("--jobs", metavar="N", type=click.IntRange(min=1), default=1, show_default=True, help="Trays at once.")
@click.option(
    "--work",
    metavar="FOLDER",
    required=True,
    type=_FOLDER,
    help="Folder for the simulated trays; those already there are used again.",
)
@click.option("--out", metavar="FOLDER", required=True, type=_FOLDER, help="Folder for the model.")
@click.pass_context
def model(context: click.Context, trays: int, seed: int | None, jobs: int, work: Path, out: Path) -> None:
    """Simulate trays with known marks and fit the model that finds and names marks on them."""
    from scorer.console import steps_of
    from scorer.simulate.season import SEED
    from scorer.simulate.tray_set import simulate_trays
    from scorer.training.build import build_model

    chosen = SEED if seed is None else seed
    try:
        with steps_of(sys.stderr, "simulating", trays) as done:
            photos = simulate_trays(work, trays=trays, seed=chosen, jobs=jobs, on_done=lambda photo: done(photo.name))
        click.echo(f"fitting on {trays} trays ...", err=True)
        source = f"{trays} simulated trays of seed {chosen} (scorer rebuild model)"
        build_model(photos, out, seed=chosen, jobs=jobs, source=source)
    except KeyboardInterrupt:
        click.echo(f"Stopped; the trays in {work} are whole, run it again to go on.", err=True)
        context.exit(INTERRUPTED)
    except OSError as error:
        raise click.ClickException(f"{error.filename or work} cannot be written ({error.strerror}).") from error
    click.echo(f"Model and its card in {out}.")


def _tags_of(
    crew: str | None, bins: tuple[str, ...], picked: str | None, method: str | None, side: str | None
) -> list[Tag]:
    from scorer.tag import Tag, clean_field, parse_time

    picked_at = parse_time(picked) if picked else None
    if picked and picked_at is None:
        raise click.UsageError(f"--picked {picked} is not a time; write it as 2026-03-14T09:30.")
    crew, method, side = (clean_field(text) if text else None for text in (crew, method, side))
    named = [clean_field(text) for text in bins] or [None]
    if crew is None and not any(named):
        raise click.UsageError("A tag needs a crew or a bin; give --crew or --bin.")
    return [Tag(crew=crew, bin=bin_, picked_at=picked_at, method=method, side=side) for bin_ in named]


def _score_one(settings: Settings, path: Path, photo: str, tag: Tag | None) -> TrayScore:
    from scorer.tray import score_photo

    return score_photo(path, name=photo, manifest_tag=tag, settings=settings)


def _draw(path: Path, score: TrayScore) -> NDArray[np.uint8]:
    from scorer.drawing import draw_score
    from scorer.photo import open_photo

    return draw_score(open_photo(path).bgr, score)


def _or_usage(call: Callable[[], Result]) -> Result:
    """Answer of a call whose refusal means that the command was given wrong input."""
    try:
        return call()
    except ScorerError as error:
        raise click.UsageError(str(error)) from error


def _or_sentence(call: Callable[[], Result]) -> Result:
    try:
        return call()
    except ScorerError as error:
        raise click.ClickException(str(error)) from error
