"""Unpack the photos of a zip without trusting a word that it says: bounded by what really comes out of it."""

from __future__ import annotations

import io
import shutil
import stat
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from scorer.arrivals.file_kind import BYTES_NEEDED, Kind, kind_of
from scorer.arrivals.landing import Landed, Landing, shown_name
from scorer.errors import ArrivalError
from scorer.photo import LARGEST_FILE_BYTES

MOST_ENTRIES: Final = 500
LARGEST_TOTAL_BYTES: Final = 2_000_000_000
LARGEST_LIST_BYTES: Final = 1_000_000
"""Bytes of the list of entries: far more than 500 need, and little enough to be read at once."""
CHUNK_BYTES: Final = 256 * 1024

_ENCRYPTED: Final = 0x1 | 0x40 | 0x2000  # bits of an entry's flags, PKWARE APPNOTE 6.3.10, 4.4.4 (from memory)
_METHODS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)  # the memory that others take is the zip's to say
_LEFT_OUT: Final = {
    "no photo": ("1 file is no photo", "{} files are no photos"),
    "zip": ("1 is a zip itself", "{} are zips themselves"),
    "link": ("1 is a link", "{} are links"),
    "encrypted": ("1 is locked by a password", "{} are locked by a password"),
    "method": ("1 is packed in an unusual way", "{} are packed in an unusual way"),
    "large": (
        f"1 is larger than {LARGEST_FILE_BYTES // 1_000_000} MB",
        f"{{}} are larger than {LARGEST_FILE_BYTES // 1_000_000} MB",
    ),
    "damaged": ("1 is damaged", "{} are damaged"),
}


@dataclass(frozen=True)
class Unpacked:
    """What came out of a zip.

    Parameters
    ----------
    photos : each on the disk in a folder of its own, and the name to show for it.
    notes : at most one sentence, on what was left out.
    """

    photos: tuple[tuple[Landed, str], ...]
    notes: tuple[str, ...]


class _LeftOut(Exception):
    """An entry that is not taken; its text is a key of `_LEFT_OUT`."""


class _TooMuch(Exception):
    """More is to be read at once than an honest zip needs."""


class _SmallReads(io.FileIO):
    """A file of which nobody reads much at once: the list of entries is as long as the zip says it is."""

    def read(self, size: int | None = -1, /) -> bytes:
        """Read some bytes, not too many."""
        if size is None or size < 0:  # the rest of the file, which is the end of a zip where its reader asks so
            size = LARGEST_LIST_BYTES
        if size > LARGEST_LIST_BYTES:
            raise _TooMuch
        return super().read(size) or b""


class _Budget:
    """Bytes that may still come out of a zip."""

    def __init__(self, name: str) -> None:
        self._name, self._left = name, LARGEST_TOTAL_BYTES

    def spend(self, size: int) -> None:
        self._left -= size
        if self._left < 0:
            raise ArrivalError(
                f"{self._name} unpacks to more than {LARGEST_TOTAL_BYTES / 1e9:.0f} GB, so nothing of it was taken; "
                "hand its photos in as several zips."
            )


def unpack_photos(archive: Path, name: str, new_folder: Callable[[], Path]) -> Unpacked:
    """Unpack the photos of a zip, each into a folder of its own.

    Names in the zip are only shown, never used as paths. Zips in it are not opened; links, locked, damaged and too
    large entries are left out and counted.

    Parameters
    ----------
    archive : the zip.
    name : what messages call it.
    new_folder : makes a folder and gives its path.

    Raises
    ------
    ArrivalError : it is no zip that can be read, has too many entries, unpacks to too much or holds no photo; then
        nothing of it is left.
    OSError : photos cannot be written; then nothing of it is left.
    """
    photos: list[tuple[Landed, str]] = []
    left_out: Counter[str] = Counter()
    budget = _Budget(name)
    try:
        with _opened(archive, name) as opened:
            for entry in _entries(opened, archive.stat().st_size, name):
                try:
                    photos.append((_landed(opened, entry, new_folder, budget), shown_name(entry.filename)))
                except _LeftOut as reason:
                    left_out[str(reason)] += 1
        notes = _notes(name, left_out)
        if not photos:
            raise ArrivalError(
                f"{name} holds no photo that can be taken{_counted(left_out, ' (', ')')}; "
                "put JPEG, PNG or HEIC photos into it."
            )
    except BaseException:
        for landed, _ in photos:
            shutil.rmtree(landed.path.parent, ignore_errors=True)
        raise
    return Unpacked(tuple(photos), notes)


@contextmanager
def _opened(archive: Path, name: str) -> Iterator[zipfile.ZipFile]:
    with _SmallReads(archive) as file:
        try:
            opened = zipfile.ZipFile(file)
        except _TooMuch as error:
            raise _too_many(name) from error
        except Exception as error:  # whatever a hostile list of entries makes the reader raise
            raise ArrivalError(f"{name} is no zip that can be read; pack the photos again.") from error
        with opened:
            yield opened


def _entries(opened: zipfile.ZipFile, size_bytes: int, name: str) -> Iterator[zipfile.ZipInfo]:
    """Entries that a person put in; not folders, nor what a computer adds of its own."""
    entries = opened.infolist()
    if len(entries) > MOST_ENTRIES:
        raise _too_many(name)
    inside = all(0 <= entry.header_offset < size_bytes for entry in entries)
    if not inside or sum(entry.compress_size for entry in entries) > size_bytes:
        raise ArrivalError(
            f"{name} is no honest zip: its parts lie over each other or outside it; pack the photos again."
        )
    for entry in entries:
        own = entry.filename.replace("\\", "/").split("/")
        is_folder = entry.filename.endswith("/")  # is_dir() of Python 3.11 breaks at an empty name
        if not (is_folder or own[0] == "__MACOSX" or own[-1].startswith("._")):
            yield entry


def _landed(opened: zipfile.ZipFile, entry: zipfile.ZipInfo, new_folder: Callable[[], Path], budget: _Budget) -> Landed:
    _check(entry)
    try:
        with opened.open(entry) as content:
            start = content.read(BYTES_NEEDED)
            budget.spend(len(start))
            kind = kind_of(start)
            if kind in (None, Kind.ZIP):
                raise _LeftOut("no photo" if kind is None else "zip")
            folder = new_folder()
            try:
                return _copied(start, content, Landing(folder, shown_name(entry.filename)), budget)
            except BaseException:
                shutil.rmtree(folder, ignore_errors=True)
                raise
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        # NotImplementedError is how zipfile refuses what it cannot unpack: patched data, strong encryption, a method
        # it does not know; RuntimeError is how it asks for a password
        raise _LeftOut("damaged") from error


def _check(entry: zipfile.ZipInfo) -> None:
    mode = entry.external_attr >> 16  # rights and type as Unix has them
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        raise _LeftOut("link" if stat.S_ISLNK(mode) else "no photo")
    if entry.flag_bits & _ENCRYPTED:
        raise _LeftOut("encrypted")
    if entry.compress_type not in _METHODS:
        raise _LeftOut("method")


def _copied(start: bytes, content: IO[bytes], landing: Landing, budget: _Budget) -> Landed:
    size = len(start)
    try:
        landing.write(start)
        while chunk := content.read(CHUNK_BYTES):
            size += len(chunk)
            budget.spend(len(chunk))
            if size > LARGEST_FILE_BYTES:
                raise _LeftOut("large")
            landing.write(chunk)
        return landing.land()
    finally:
        landing.give_up()


def _too_many(name: str) -> ArrivalError:
    return ArrivalError(
        f"{name} has more than {MOST_ENTRIES} entries, so nothing of it was taken; hand its photos in as several zips."
    )


def _notes(name: str, left_out: Counter[str]) -> tuple[str, ...]:
    return (f"Of {name} was left out: {_counted(left_out)}.",) if left_out else ()


def _counted(left_out: Counter[str], before: str = "", after: str = "") -> str:
    """Say in words how many were left out and why; nothing where none were."""
    words = [
        (one if left_out[reason] == 1 else many.format(left_out[reason]))
        for reason, (one, many) in _LEFT_OUT.items()
        if left_out[reason]
    ]
    return f"{before}{', '.join(words)}{after}" if words else ""
