"""Take in one file of labels that somebody sends: read whole, found sound, and kept, or nothing of it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from scorer.access.roles import Person, Right
from scorer.errors import LabelsError
from scorer.labels.coco import photo_names_in_coco, read_coco
from scorer.labels.keep import Kept, keep_labels
from scorer.labels.label_file import LabelFile, told
from scorer.labels.photos_there import base_name, photos_in_store
from scorer.labels.verdict_list import photo_names_in_list, read_verdicts

COCO_ENDING, LIST_ENDING = ".json", ".csv"
_NOT_IN_NAMES: Final = frozenset('<>:"|?*')
"""What some systems do not allow in names of files."""


def take_in(
    person: Person,
    engine: Engine,
    photo_path: Callable[[str], Path | None],
    name: str,
    data: bytes,
    *,
    who: str | None = None,
    said_at: datetime | None = None,
    zone: ZoneInfo,
) -> tuple[LabelFile, Kept]:
    """Keep the labels of a COCO file (.json) or a list of fruit verdicts (.csv), of photos in the photo store.

    Parameters
    ----------
    photo_path : where the store keeps a photo; see ``scorer.labels.photos_there.photos_in_store``.
    name : what the sender calls the file; only its last part is taken, and only to call it so.
    data : its bytes.
    who, said_at : who labelled and when (with its zone), where the file does not tell; of a COCO file they count also
        where it does.
    zone : of times in the file that are written without one.

    Raises
    ------
    AccessError : the person may not train models.
    LabelsError, ClockError, PhotoError : the file cannot be used; see ``read_coco`` and ``read_verdicts``.
    RecordsError : nobody is named who hands it in, or the records cannot be written.
    """
    person.must(Right.TRAIN)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / _plain_name(name)
        path.write_bytes(data)
        is_coco = path.suffix.lower() == COCO_ENDING
        names = photo_names_in_coco(path) if is_coco else photo_names_in_list(path)
        photos = photos_in_store(engine, photo_path, called=names)
        if is_coco:
            label_file = read_coco(path, photos, None, who, said_at, zone=zone)
        else:
            label_file = read_verdicts(path, photos, who, said_at, zone=zone)
    return label_file, keep_labels(person, engine, label_file)


def _plain_name(name: str) -> str:
    """A file's name under which it can be written anywhere."""
    plain = "".join(sign if sign.isprintable() and sign not in _NOT_IN_NAMES else "_" for sign in base_name(name))
    stem, dot, ending = plain.rpartition(".")
    if f"{dot}{ending}".lower() not in (COCO_ENDING, LIST_ENDING):
        raise LabelsError(
            f"{told(name)} ends neither in {COCO_ENDING} (COCO) nor {LIST_ENDING} (fruit verdicts); rename it."
        )
    return f"{stem[:60]}{dot}{ending}"
