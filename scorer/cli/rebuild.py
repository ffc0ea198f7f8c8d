"""``scorer rebuild``: the sample photos and the fitted model, from their seeds."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from scorer.cli.ask import FOLDER, INTERRUPTED


@click.group()
def rebuild() -> None:
    """Rebuild what comes with scorer: the sample photos and the fitted model."""


_SEED = click.option(
    "--seed", metavar="S", type=click.IntRange(min=0), help="The same seed gives the same. [default: 2026]"
)


@rebuild.command()
@click.option("--out", metavar="FOLDER", required=True, type=FOLDER, help="Folder for the photos and lists.")
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
    type=FOLDER,
    help="Folder for the simulated trays; those already there are used again.",
)
@click.option("--out", metavar="FOLDER", required=True, type=FOLDER, help="Folder for the model.")
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
