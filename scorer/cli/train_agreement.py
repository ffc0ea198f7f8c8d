"""``scorer train agreement`` and ``disagreements``: how far people agree in their labels, and where they differ."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from scorer.cli.ask import CSV, FOLDER, INTERRUPTED, of_records, or_sentence
from scorer.cli.train_options import labelled_records, photo_names, photos_there, store_of, with_photos

if TYPE_CHECKING:
    import pandas as pd

MOST_LISTED: Final = 20
"""Disagreements that are shown; the pictures' list has all."""
AGAIN_AFTER_DAYS: Final = 7.0


@click.command()
@of_records
@with_photos
@click.option("--csv", "file", metavar="FILE", type=CSV, help="Write the figures to this file too.")
def agreement(where: Path | None, folders: tuple[Path, ...], file: Path | None) -> None:
    """Show how far people agree on marks and on fruit, and with themselves after a week; and where they differ.

    Kappa is agreement beyond chance, with a 95 % interval: Cohen's for each two, Fleiss' for more. Folders of photos
    are only needed to call photos by their names.
    """
    import pandas as pd

    from scorer.console import show_table
    from scorer.csv_tables import table_as_csv
    from scorer.labels.said_of_items import kinds_said, verdicts_said
    from scorer.results import write_whole

    engine, labels = labelled_records(where)
    masks = store_of(engine)
    said = {"marks": kinds_said(labels, masks), "fruit verdicts": verdicts_said(labels)}
    names = photo_names(engine, photos_there(engine, folders, known=_photos_of(said)))
    tables = []
    for what, table in said.items():
        if table.empty:
            click.echo(f"Nobody has said anything of {what}.")
            continue
        for compared, figures in _figures(table).items():
            show_table(f"{what.capitalize()}, {compared}", figures.round(3))
            tables.append(figures.assign(what=what, compared=compared))
        _list_differing(what, table, names)
    if file is not None:
        figures = pd.concat(tables, ignore_index=True)
        first = ["what", "compared"]
        figures = figures[[*first, *figures.columns.drop(first)]]
        or_sentence(lambda: write_whole(file, table_as_csv(figures).encode()))


@click.command()
@click.argument("folder", metavar="FOLDER", type=FOLDER)
@with_photos
@of_records
@click.option(
    "--most", metavar="N", type=click.IntRange(min=1), default=50, show_default=True, help="Pictures, at most."
)
@click.pass_context
def disagreements(
    context: click.Context, folder: Path, folders: tuple[Path, ...], where: Path | None, most: int
) -> None:
    """Write a picture of each mark and fruit that people differ on, the most divided first, and index.csv.

    FOLDER must be new or empty. Each picture shows the part of the photo, everybody's outline in a line of its own, and
    who said what.
    """
    from scorer.agreement.disagreement_folder import Told, write_disagreements
    from scorer.console import steps_of
    from scorer.labels.said_of_items import kinds_said, verdicts_said

    engine, labels = labelled_records(where)
    masks = store_of(engine)
    said = {"marks": kinds_said(labels, masks), "fruit verdicts": verdicts_said(labels)}
    photos = photos_there(engine, folders, known=_photos_of(said))
    told = Told(tuple(said.values()), labels, photos, masks, photo_names(engine, photos))
    number = min(most, sum(_differing(table)["item"].nunique() for table in said.values() if len(table)))
    if not number:
        click.echo("There is nothing that people differ on.")
        return
    try:
        with steps_of(sys.stderr, "drawing", number) as done:
            index = or_sentence(partial(write_disagreements, told, folder, most=most, on_done=done))
    except KeyboardInterrupt:
        click.echo(f"Stopped; the pictures in {folder} are whole, but not all there, and have no list.", err=True)
        context.exit(INTERRUPTED)
    bare = index.loc[index["picture"] == "", "item"].nunique()
    click.echo(f"{folder}: {number - bare} pictures, and index.csv with who said what of {number} marks and fruit.")
    if bare:
        click.echo(f"{bare} have no picture, for their photos are not there; give their folder with --photos.")


def _figures(table: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """How far people agree, and each with themselves, without those who judged nothing again."""
    from scorer.agreement.kappa import NOTHING_AGAIN, agreement_table, same_person_again

    again = same_person_again(table, AGAIN_AFTER_DAYS)
    again = again[again["note"] != NOTHING_AGAIN]
    between = {"between people": agreement_table(table)}
    return between | ({"the same person a week later": again} if len(again) else {})


def _differing(table: pd.DataFrame) -> pd.DataFrame:
    from scorer.agreement.disagreements import disagreements as differing

    return differing(table)


def _list_differing(what: str, table: pd.DataFrame, names: dict[str, str]) -> None:
    """Show what people differ on, and who said two things at once."""
    from scorer.agreement.disagreements import two_sayings
    from scorer.console import show_table
    from scorer.labels.said_of_items import item_in_words

    words = _differing(table)
    items = words["item"].unique()
    if len(items):
        shown = words[words["item"].isin(items[:MOST_LISTED])]
        shown = shown.assign(item=[item_in_words(item, names) for item in shown["item"]])
        show_table(f"{what.capitalize()} that people differ on", shown[["item", "who", "said", "said_at"]])
    if len(items) > MOST_LISTED:
        click.echo(f"And {len(items) - MOST_LISTED} more; `scorer train disagreements` shows them.")
    for item, who in two_sayings(table)[["item", "who"]].drop_duplicates().itertuples(index=False):
        click.echo(f"{who} said two things at once of {item_in_words(item, names)}; neither counts.")


def _photos_of(said: dict[str, pd.DataFrame]) -> set[str]:
    return {sha256 for table in said.values() for sha256 in table["sha256"]}
