"""What the commands of ``scorer train`` share: which records, where photos are looked for, and who is there."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from scorer.cli.ask import or_sentence

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from scorer.arrivals.store import PhotoStore
    from scorer.labels.labels import Labels
    from scorer.labels.photos_there import PhotoThere


def with_photos(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the option that says where photos lie, besides the photo store beside the records."""
    return click.option(
        "--photos",
        "folders",
        metavar="FOLDER",
        multiple=True,
        type=click.Path(exists=True, path_type=Path),
        help="Folder with the photos; give it again for more. Those of the photo store are found without it.",
    )(command)


def labelled_records(where: Path | None) -> tuple[Engine, Labels]:
    """Records that are there, and all labels in them; ends the command where there are none."""
    from scorer.labels.keep import labels_of
    from scorer.records.database import open_records, records_url

    engine = or_sentence(lambda: open_records(records_url(where), create=False))
    labels = or_sentence(partial(labels_of, engine))
    if not len(labels):
        raise click.ClickException(
            "Nobody has labelled anything in these records; take labels in with `scorer train labels`, or say what "
            "marks are on the pages."
        )
    return engine, labels


def store_of(engine: Engine) -> PhotoStore:
    """The photo store beside the records."""
    from scorer.arrivals.store import store_beside

    return or_sentence(partial(store_beside, engine.url))


def photos_there(
    engine: Engine | None,
    folders: Sequence[Path],
    *,
    called: Collection[str] | None = None,
    known: Collection[str] | None = None,
) -> dict[str, PhotoThere]:
    """Photos by SHA-256, in folders and in the photo store of the records; see ``scorer.labels.photos_there``."""
    from scorer.labels.photos_there import photos_in_folders, photos_in_store

    found = or_sentence(partial(photos_in_folders, folders, called=called, known=known)) if folders else {}
    if engine is None:
        return found
    path = store_of(engine).photo_path
    return or_sentence(partial(photos_in_store, engine, path, called=called, known=known)) | found


def some_others(engine: Engine, folders: Sequence[Path], photos: Mapping[str, PhotoThere], seed: int) -> list[Path]:
    """Photos at hand besides these, LOOK_PHOTOS at most, drawn by lot."""
    from scorer.labels.photos_there import some_files
    from scorer.model_shelf.site_model import LOOK_PHOTOS

    path = store_of(engine).photo_path
    return or_sentence(partial(some_files, engine, path, folders, besides=photos, most=LOOK_PHOTOS, seed=seed))


def photo_names(engine: Engine, photos: Mapping[str, PhotoThere]) -> dict[str, str]:
    """What photos are called, by SHA-256: in the records, else where they lie."""
    from sqlalchemy import select

    from scorer.records.database import in_words
    from scorer.records.tables import Photo

    def read() -> dict[str, str]:
        with in_words(engine), engine.connect().execution_options(reads=True) as connection:
            return {row.sha256: row.name for row in connection.execute(select(Photo.sha256, Photo.name))}

    return {sha256: photo.name for sha256, photo in photos.items()} | or_sentence(read)
