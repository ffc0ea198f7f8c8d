"""``scorer advise``: what each crew should look at tomorrow morning, on one page."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from scorer.cli.ask import FILE, FOLDER, PDF, or_sentence, or_usage
from scorer.cli.season import Season, from_season

_SHARE = click.FloatRange(0, 1, min_open=True, max_open=True)


@click.command()
@from_season
@click.option("--out", metavar="PDF", required=True, type=PDF, help="The PDF to write, a page for each crew.")
@click.option("--crew", "crews", metavar="NAME", multiple=True, help="Only this crew; again for more.")
@click.option(
    "--language", "code", metavar="CODE", default="en", show_default=True, help="Language, such as es or es_PE."
)
@click.option("--photos", metavar="FOLDER", type=FOLDER, help="Folder of the photos, for example pictures.")
@click.option("--target", metavar="P", type=_SHARE, help="Share to hold crews against.  [default: all crews together]")
@click.option("--limits", metavar="NAME", help="Limit table that fruit were judged by.  [default: shed]")
@click.option("--practices", "table", metavar="TOML", type=FILE, help="A table of practices of your own.")
@click.option(
    "--paper",
    type=click.Choice(["A4", "Letter"], case_sensitive=False),
    default="A4",
    show_default=True,
    help="Size of the sheets.",
)
def advise(
    season: Season,
    out: Path,
    crews: tuple[str, ...],
    code: str,
    photos: Path | None,
    target: float | None,
    limits: str | None,
    table: Path | None,
    paper: str,
) -> None:
    """Print a sheet for each crew: its share in plain words, what the damage looks like, two things to check.

    Sheets are for coaching; they name no picker.
    """
    from scorer.advice.crew_sheet import print_crew_sheets
    from scorer.advice.photos import TrayPhotos
    from scorer.advice.practice_table import load_practices
    from scorer.advice.sheets import crew_sheets
    from scorer.crew_summary import FOR_COACHING
    from scorer.language import load_language
    from scorer.limits import load_limits
    from scorer.tray import DEFAULT_LIMITS, score_photo

    language = or_usage(partial(load_language, code))
    practices = or_usage(partial(load_practices, table))
    judged_by = or_usage(partial(load_limits, limits or DEFAULT_LIMITS))
    counted, marks = season.counted(), season.marks()
    if counted.fruit.empty:
        raise click.ClickException(f"There is nothing to make sheets from: {counted.sentence}")
    tray_photos = None
    if photos:
        names = sorted(counted.fruit["photo"].unique())
        tray_photos = TrayPhotos(photos, names, marks, score_photo, season.results)
    sheets = or_usage(
        partial(
            crew_sheets,
            counted.fruit,
            marks,
            crews=crews,
            language=language,
            limits=judged_by,
            practices=practices,
            target=target,
            photos=tray_photos,
        )
    )
    for note in or_sentence(partial(print_crew_sheets, sheets, out, paper=paper)):
        click.echo(note, err=True)
    for sheet in sheets:
        click.echo(f"{sheet.crew}:")
        for chosen in sheet.advice.chosen:
            click.echo(f"  {language.text(chosen.line.question)}")
            for reason in chosen.reasons:
                click.echo(f"    {language.say(reason)}")
    if photos and not any(sheet.examples for sheet in sheets):
        click.echo(f"No example pictures: no photo of these tables was found in {photos}.", err=True)
    click.echo(f"{counted.sentence} {FOR_COACHING}")
    click.echo(f"{out}: {len(sheets)} sheet{'s' if len(sheets) > 1 else ''}, one page each.")
