"""Take in a file that comes in pieces, as a page sends it: on the disk and counted as arrived, or refused in words."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from types import TracebackType
from typing import Self

from scorer.arrivals.deliveries import Delivery, Item, new_folder, write_item, write_notes
from scorer.arrivals.file_kind import Kind
from scorer.arrivals.landing import Landed, Landing, shown_name
from scorer.arrivals.zip_photos import unpack_photos
from scorer.errors import ArrivalError, OutputError
from scorer.results import reason_of


class Receiving:
    """One file on its way in; used by one task at a time.

    ``add`` writes to the disk and ``finish`` of a zip takes its time, so an async caller hands both to a thread.
    Whatever refuses the file also removes it; used in a ``with``, so does leaving it unfinished.
    """

    def __init__(self, delivery: Delivery, name: str) -> None:
        """Begin a file.

        Parameters
        ----------
        delivery : what it belongs to.
        name : that it was sent under, whatever that is.

        Raises
        ------
        ArrivalError : it cannot be written.
        """
        self.notes: tuple[str, ...] = ()
        self._delivery, self._shown = delivery, shown_name(name)
        self._open = True
        try:
            self._folder = new_folder(delivery)
            self._landing = Landing(self._folder, self._shown)
        except OSError as error:
            raise _not_written(self._shown, reason_of(error)) from error

    def add(self, chunk: bytes) -> None:
        """Take the next piece.

        Raises
        ------
        ArrivalError : the file is no photo and no zip, or too large, or cannot be written; it is gone then.
        """
        with self._or_abandon() as landing:
            landing.write(chunk)

    def finish(self) -> tuple[Item, ...]:
        """Count the file as arrived, or the photos in it if it is a zip; ``notes`` then says what was left out.

        Raises
        ------
        ArrivalError : it is no photo and no zip, holds no photos, or cannot be written; it is gone then.
        """
        with self._or_abandon() as landing:
            landed = landing.land()
            items = self._unpacked(landed) if landed.kind is Kind.ZIP else (self._item(landed, self._shown),)
            for item in items:
                write_item(item)
        self._open = False
        return items

    def abandon(self) -> None:
        """Forget the file and remove it; does nothing once it is finished."""
        if not self._open:
            return
        self._open = False
        self._landing.give_up()
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.abandon()

    @contextmanager
    def _or_abandon(self) -> Iterator[Landing]:
        if not self._open:
            raise ValueError("the file is finished or given up")
        try:
            yield self._landing
        except OSError as error:
            self.abandon()
            raise _not_written(self._shown, reason_of(error)) from error
        except OutputError as error:
            self.abandon()
            raise _not_written(self._shown, str(error.__cause__)) from error
        except BaseException:
            self.abandon()
            raise

    def _item(self, landed: Landed, shown: str) -> Item:
        return Item(
            landed.path.parent,
            shown,
            landed.kind,
            landed.sha256,
            landed.size_bytes,
            self._delivery.who,
            datetime.now(UTC),
        )

    def _unpacked(self, archive: Landed) -> tuple[Item, ...]:
        unpacked = unpack_photos(archive.path, self._shown, lambda: new_folder(self._delivery))
        archive.path.unlink()
        self.notes = unpacked.notes
        write_notes(self._folder, unpacked.notes)
        return tuple(self._item(landed, shown) for landed, shown in unpacked.photos)


def _not_written(name: str, reason: str) -> ArrivalError:
    return ArrivalError(f"{name} could not be taken to disk ({reason}); make room there and hand it in again.")
