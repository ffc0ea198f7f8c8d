"""``scorer train``: labels in and out, how far people agree, and models fitted on them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import click

from scorer.cli.ask import FILE, analyst, of_records, or_sentence, or_usage
from scorer.cli.train_agreement import agreement, disagreements
from scorer.cli.train_fit import doubtful, fit, next_
from scorer.cli.train_options import labelled_records, photos_there, store_of, with_photos

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from scorer.labels.keep import Kept
    from scorer.labels.label_file import LabelFile

_COCO, _LIST = ".json", ".csv"
_ENDINGS: Final = (_COCO, _LIST)


@click.group()
def train() -> None:
    """Take in labels, see how far people agree, and fit models on them."""


for command in (agreement, disagreements, next_, doubtful, fit):
    train.add_command(command)


@train.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=FILE)
@with_photos
@of_records
@click.option("--who", metavar="NAME", help="Who labelled. [default: whom the files name]")
@click.option("--said-at", metavar="DATE", help="When, like 2026-02-14T07:30. [default: when the files say]")
@click.option(
    "--kind",
    "kinds",
    metavar="NAME=KIND",
    multiple=True,
    help="Which kind of mark a category of a COCO file is, such as latex=sap_burn, or fruit, or left_out.",
)
@click.option("--zone", metavar="AREA/CITY", help="Of times that are written without one. [default: this computer's]")
def labels(
    files: tuple[Path, ...],
    folders: tuple[Path, ...],
    where: Path | None,
    who: str | None,
    said_at: str | None,
    kinds: tuple[str, ...],
    zone: str | None,
) -> None:
    """Take in labels: COCO files of any annotation program (.json), and lists of fruit verdicts (.csv).

    All files are read before any is kept, so that nothing is kept where one of them is wrong. The same file once more
    adds nothing.
    """
    from scorer.cli.score import this_zone
    from scorer.errors import ScorerError
    from scorer.hold_time.clock import zone_of
    from scorer.labels.keep import keep_labels
    from scorer.labels.label_file import moment_said
    from scorer.records.database import open_records, records_url

    called = or_usage(partial(zone_of, zone or this_zone()))
    moment = or_usage(partial(moment_said, said_at, called, "--said-at"))
    known_as = dict(_category_and_kind(text) for text in kinds)
    person = analyst(None)
    url = or_sentence(partial(records_url, where))
    there = url.get_backend_name() != "sqlite" or Path(str(url.database)).exists()
    before = or_sentence(partial(open_records, url)) if there else None
    read = [_read(path, before, folders, known_as, who, moment, called) for path in files]
    engine = before or or_sentence(partial(open_records, url))
    for number, label_file in enumerate(read):
        try:
            kept = keep_labels(person, engine, label_file)
        except ScorerError as error:
            left = ", ".join(one.source for one in read[number:])
            click.echo(f"{number} of {len(read)} files were kept; not kept: {left}.", err=True)
            raise click.ClickException(str(error)) from error
        _tell(label_file, kept)


@train.command()
@click.argument("file", metavar="FILE.json", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--who", metavar="NAME", help="Whose labels. [default: the computer's user]")
@with_photos
@of_records
def export(file: Path, who: str | None, folders: tuple[Path, ...], where: Path | None) -> None:
    """Write one person's outlines as a COCO file, for any annotation program: their last word on each photo.

    What they said of scored marks on the pages is in it where the photo's masks are in the photo store.
    """
    from scorer.labels.coco import write_coco
    from scorer.labels.scored_outlines import with_scored_outlines

    name = analyst(who).name
    engine, said = labelled_records(where)
    if name not in said.people():
        raise click.UsageError(f"{name} has labelled nothing; give one of {', '.join(said.people())} with --who.")
    own = with_scored_outlines(said.by(name).newest(), store_of(engine))
    shown = {*own.photos["sha256"], *own.outlines["sha256"]}
    photos = photos_there(engine, folders, known=shown)
    or_sentence(partial(write_coco, own, photos, file))
    click.echo(f"{file}: {_counted(len(own.outlines), 'outline')} on {_counted(len(shown), 'photo')} by {name}.")


def _read(
    path: Path,
    engine: Engine | None,
    folders: Sequence[Path],
    kinds: Mapping[str, str],
    who: str | None,
    said_at: datetime | None,
    zone: ZoneInfo,
) -> LabelFile:
    """One file of labels, with the photos that it names looked for."""
    from scorer.labels.coco import photo_names_in_coco, read_coco
    from scorer.labels.verdict_list import photo_names_in_list, read_verdicts

    ending = path.suffix.lower()
    if ending not in _ENDINGS:
        raise click.UsageError(f"{path.name} ends neither in {_COCO} (COCO) nor {_LIST} (fruit verdicts); rename it.")
    names = or_usage(partial(photo_names_in_coco if ending == _COCO else photo_names_in_list, path))
    photos = photos_there(engine, folders, called=names)
    if ending == _COCO:
        return or_usage(partial(read_coco, path, photos, kinds, who, said_at, zone=zone))
    return or_usage(partial(read_verdicts, path, photos, who, said_at, zone=zone))


def _category_and_kind(text: str) -> tuple[str, str]:
    from scorer.labels.coco import LEFT_OUT

    category, sign, kind = text.rpartition("=")
    if not (sign and category.strip() and kind.strip()):
        raise click.UsageError(f"--kind {text} is not NAME=KIND; write it as latex=sap_burn.")
    word = "_".join(kind.strip().casefold().replace("-", " ").replace("_", " ").split())
    return category.strip(), LEFT_OUT if word == LEFT_OUT.replace(" ", "_") else word


def _tell(label_file: LabelFile, kept: Kept) -> None:
    if kept.known:
        click.echo(f"{label_file.source}: known already, nothing was added.")
        return
    counts = ((kept.photos, "photo"), (kept.outlines, "outline"), (kept.verdicts, "verdict"))
    parts = [_counted(number, word) for number, word in counts if number]
    if kept.photos:
        parts[0] += " looked at whole"
    people = ", ".join(label_file.labels.people())
    click.echo(f"{label_file.source}: kept {', '.join(parts) or 'nothing'} by {people}.")
    for note in label_file.notes:
        click.echo(f"{label_file.source}: {note}")


def _counted(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
