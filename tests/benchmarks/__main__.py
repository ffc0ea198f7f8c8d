"""Print figures beside their goals: ``python -m tests.benchmarks WHAT [--help]``."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import click

from scorer.errors import ModelError
from scorer.kinds import load_model
from scorer.simulate.tray_set import simulate_trays
from scorer.tray import Settings
from tests.benchmarks.accuracy import goals, score_and_compare, table
from tests.benchmarks.batches import memory_table, throughput_table
from tests.benchmarks.learning import print_learning
from tests.benchmarks.speed import write_photo

ROOT = Path(__file__).resolve().parents[2]
HELD_OUT_SEED = 770077
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


@click.command()
@click.argument("what", type=click.Choice(["accuracy", "speed", "batches", "pages", "learning", "all"]), default="all")
@click.option(
    "--trays",
    "folders",
    multiple=True,
    type=_FOLDER,
    help="Folder with photos/ and truth/ to measure on as well; may be given again.",
)
@click.option(
    "--held-out",
    type=click.IntRange(min=0),
    default=10,
    show_default=True,
    help="Trays to simulate afresh and measure on.",
)
@click.option("--model", type=_FOLDER, help="Folder of the model; the shipped one when left out.")
@click.option("--jobs", type=click.IntRange(min=1), default=1, show_default=True, help="Photos at once.")
@click.option("--fruit", type=click.IntRange(min=20), default=200_000, show_default=True, help="Season of the pages.")
@click.option(
    "--work", type=click.Path(file_okay=False, path_type=Path), help="Folder for the trays of the learning curve."
)
@click.option("--looks", type=click.IntRange(min=20), default=160, show_default=True, help="Trays of each unseen look.")
def main(
    what: str,
    folders: tuple[Path, ...],
    held_out: int,
    model: Path | None,
    jobs: int,
    fruit: int,
    work: Path | None,
    looks: int,
) -> None:
    """Measure accuracy against known truth, speed on one core, batches that go into the records, and the pages.

    The learning curve of retraining takes half an hour and is drawn only where asked for by its name.
    """
    try:
        load_model(model)
    except ModelError as error:
        raise click.ClickException(str(error)) from error
    if what in ("accuracy", "all"):
        _accuracy(folders, held_out, Settings(model_folder=model), jobs)
    if what in ("speed", "all"):
        _speed(model)
    if what in ("batches", "all"):
        click.echo("\nmemory of the process that keeps the records, two workers, small drawn photos\n")
        click.echo(memory_table())
        click.echo("\nreal scoring of the sample photos into the records\n")
        click.echo(throughput_table())
    if what in ("pages", "all"):
        _pages(fruit)
    if what == "learning":
        with tempfile.TemporaryDirectory() as own:
            print_learning(work or Path(own), looks, jobs, click.echo)


def _accuracy(folders: tuple[Path, ...], held_out: int, settings: Settings, jobs: int) -> None:
    for folder in (ROOT / "tests" / "reference_trays", *folders):
        _show(f"ray-traced trays: {folder.parent.name}/{folder.name}", folder, settings, jobs)
    if held_out:
        if load_model(settings.model_folder).card.get("seed") == HELD_OUT_SEED:
            raise click.ClickException(f"The model was fitted on seed {HELD_OUT_SEED}, so it is not held out.")
        with tempfile.TemporaryDirectory() as work:
            simulate_trays(Path(work), trays=held_out, seed=HELD_OUT_SEED, jobs=jobs)
            _show(f"simulated trays of seed {HELD_OUT_SEED}, not fitted on", Path(work), settings, jobs)


def _show(title: str, folder: Path, settings: Settings, jobs: int) -> None:
    figures = score_and_compare(folder, jobs=jobs, settings=settings)
    counted = "{} fruit, {} marks".format(
        figures["fruit true / said / found"][0], figures["marks asked for / found"][0]
    )
    click.echo(table(f"{title} ({figures['photos']} trays, {counted})", goals(figures)))
    confusion = figures["confusion (true, said): count"]
    click.echo("true -> said: " + (", ".join(f"{pair}: {count}" for pair, count in confusion.items()) or "none"))
    click.echo("")


def _speed(model: Path | None) -> None:
    with tempfile.TemporaryDirectory() as work:
        photo = Path(work) / "tray_12_megapixels.jpg"
        write_photo(photo)
        click.echo("one 12-megapixel JPEG on one core, medians of runs taken in turn\n")
        chosen = ["--model", str(model)] if model else []
        for extra in ([], ["--memory"]):
            command = [sys.executable, "-m", "tests.benchmarks.speed", str(photo), *chosen, *extra]
            subprocess.run(command, check=True, env=os.environ | ONE_THREAD, cwd=ROOT)


def _pages(fruit: int) -> None:
    from tests.benchmarks.pages import chromium_path, print_pages  # needs a browser, and what drives it

    if chromium_path() is None:
        raise click.ClickException("There is no chromium to open the pages with; install it first.")
    click.echo("\nthe pages in a browser\n")
    print_pages(fruit, click.echo)


if __name__ == "__main__":
    main()
