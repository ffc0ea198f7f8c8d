"""Deliveries and the photos in them, as they lie on disk: what one person hands in at one go has a folder of its own.

::

    inbox/<random name>/delivery.json          who hands in, since when
                        00001/photo.jpg        a photo as it arrived, until it is scored
                              item.json        its name, who, when; without it the photo has not arrived whole
                              outcome.json     what became of it
"""

from __future__ import annotations

import re
import secrets
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from sqlalchemy.engine import URL

from scorer.access.roles import Person, Right
from scorer.arrivals.file_kind import PHOTO_KINDS, Kind
from scorer.arrivals.whole_files import read_json, write_json
from scorer.errors import ArrivalError
from scorer.records.beside import place_beside
from scorer.results import reason_of

KEPT_FOR: Final = timedelta(days=7)
"""How long a delivery that is done with is listed; its scores and photos stay in the records and the store."""
LONGEST_NAME: Final = 120

OUTCOME: Final = "outcome.json"

_DELIVERY, _ITEM, _NOTES = "delivery.json", "item.json", "notes.json"
_KEY: Final = re.compile(r"[0-9a-f]{32}", re.ASCII)
_NUMBER: Final = re.compile(r"\d{5,9}", re.ASCII)


@dataclass(frozen=True)
class Delivery:
    """What one person hands in at one go.

    Parameters
    ----------
    folder : where it lies; its name is random, so nobody comes upon another's delivery.
    who : name of the person.
    begun_at : UTC.
    """

    folder: Path
    who: str
    begun_at: datetime

    @property
    def key(self) -> str:
        """What the delivery is found again by; fit for an address."""
        return self.folder.name


@dataclass(frozen=True)
class Item:
    """A photo that has arrived.

    Parameters
    ----------
    folder : its own.
    shown : the name that it came under, to be shown; never a path.
    kind : of file, by its content.
    sha256 : hex digest of its bytes as they arrived.
    size_bytes : of the file.
    who, received_at : by whom it was handed in and when (UTC).
    """

    folder: Path
    shown: str
    kind: Kind
    sha256: str
    size_bytes: int
    who: str
    received_at: datetime

    @property
    def number(self) -> int:
        """Its running number in the delivery."""
        return int(self.folder.name)

    @property
    def photo(self) -> Path:
        """Where the photo lies until it is scored."""
        return self.folder / f"photo.{self.kind}"


def inbox_beside(records_url: URL | str) -> Path:
    """Where deliveries lie that are for these records.

    Raises
    ------
    RecordsError : the records have no place of their own.
    """
    return place_beside(records_url, "inbox")


def begin_delivery(person: Person, inbox: Path) -> Delivery:
    """Make the folder for what a person is about to hand in.

    Raises
    ------
    AccessError : the person may not hand in photos.
    ArrivalError : the folder cannot be made.
    """
    person.must(Right.HAND_IN)
    delivery = Delivery(inbox / secrets.token_hex(16), person.name, datetime.now(UTC))
    try:
        delivery.folder.mkdir(parents=True)
        write_json(delivery.folder / _DELIVERY, {"who": delivery.who, "begun_at": delivery.begun_at.isoformat()})
    except OSError as error:
        raise ArrivalError(
            f"Nothing can be taken in at {inbox} ({reason_of(error)}); check the disk and the folder's rights."
        ) from error
    return delivery


def find_delivery(person: Person, inbox: Path, key: str) -> Delivery:
    """A delivery by its key.

    Raises
    ------
    AccessError : the person may not hand in photos.
    ArrivalError : there is none.
    """
    person.must(Right.HAND_IN)
    said = read_json(inbox / key / _DELIVERY) if _KEY.fullmatch(key) else None
    if said is None:
        raise ArrivalError("This delivery is not there (any more); begin a new one.")
    return Delivery(inbox / key, str(said["who"]), datetime.fromisoformat(said["begun_at"]))


def delivery_folders(inbox: Path) -> list[Path]:
    """Folders of all deliveries, by name."""
    return sorted(path for path in _in(inbox) if _KEY.fullmatch(path.name))


def items_of(delivery: Delivery) -> tuple[Item, ...]:
    """The photos of a delivery that have arrived whole, in the order they began to."""
    found = (read_item(folder) for folder in item_folders(delivery.folder))
    return tuple(item for item in found if item is not None)


def item_folders(delivery_folder: Path) -> list[Path]:
    """Folders of all files of a delivery, in the order of their numbers; also of those still arriving."""
    return sorted((path for path in _in(delivery_folder) if _NUMBER.fullmatch(path.name)), key=lambda p: int(p.name))


def read_item(folder: Path) -> Item | None:
    """The photo in a folder of its own; None where none has arrived whole (yet)."""
    said = read_json(folder / _ITEM)
    if said is None or said.get("kind") not in PHOTO_KINDS:
        return None
    when = datetime.fromisoformat(said["received_at"])
    return Item(
        folder, said["shown"], Kind(said["kind"]), said["sha256"], int(said["size_bytes"]), str(said["who"]), when
    )


def write_item(item: Item) -> None:
    """Let a photo count as arrived; raises OutputError as `write_json` does."""
    said: dict[str, Any] = {"shown": item.shown, "kind": item.kind, "sha256": item.sha256}
    said |= {"size_bytes": item.size_bytes, "who": item.who, "received_at": item.received_at.isoformat()}
    write_json(item.folder / _ITEM, said)


def new_folder(delivery: Delivery) -> Path:
    """Make the folder for one more file; two that begin at the same time get two.

    Raises
    ------
    OSError : it cannot be made.
    """
    taken = item_folders(delivery.folder)
    number = int(taken[-1].name) + 1 if taken else 1
    while True:
        folder = delivery.folder / f"{number:05d}"
        try:
            folder.mkdir()
        except FileExistsError:
            number += 1
            continue
        return folder


def write_notes(folder: Path, notes: tuple[str, ...]) -> None:
    """Keep sentences on a file that is no photo itself, such as a zip; raises OutputError as `write_json` does."""
    write_json(folder / _NOTES, {"notes": list(notes)})


def notes_of(delivery: Delivery) -> tuple[str, ...]:
    """Sentences on what of a delivery was left out, in the order it came."""
    said = (read_json(folder / _NOTES) for folder in item_folders(delivery.folder))
    return tuple(note for one in said if one is not None for note in one["notes"])


def sweep_inbox(inbox: Path, now: datetime) -> None:
    """Remove what was broken off while it arrived, and deliveries that have long been done with.

    To be called when the pages start, while nothing arrives.

    Parameters
    ----------
    now : UTC.
    """
    for delivery in delivery_folders(inbox):
        items = item_folders(delivery)
        for folder in items:
            if not any((folder / name).exists() for name in (_ITEM, _NOTES)):
                shutil.rmtree(folder, ignore_errors=True)
        waiting = [folder for folder in items if (folder / _ITEM).exists() and not (folder / OUTCOME).exists()]
        last = datetime.fromtimestamp(delivery.stat().st_mtime, UTC)
        if not waiting and now - last > KEPT_FOR:
            shutil.rmtree(delivery, ignore_errors=True)


def _in(folder: Path) -> Iterator[Path]:
    try:
        yield from list(folder.iterdir())
    except FileNotFoundError:  # nothing was handed in yet, or it was swept away
        return
