"""Every version of a table: each a file that is made once and never touched again; the table itself is the newest.

Two people who change one table at the same time both try to make the file of the next version, and the disk lets only
one of them: no lock is needed, and none can be left behind.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from scorer.errors import TableError
from scorer.results import UNFINISHED, reason_of, remove_file
from scorer.tables_in_place.names import TableName

BEGUN, CHANGED, TAKEN_BACK, PUT_AGAIN = "begun", "changed", "taken back", "put again"
FOUND: Final = "found changed"
"""A version that somebody wrote into the file by other means than these pages."""


@dataclass(frozen=True)
class Version:
    """A table as it was from some time on.

    Parameters
    ----------
    number : from 1 on, without gaps.
    who : made it; empty for what was found.
    at : when, in UTC.
    did : BEGUN, CHANGED, TAKEN_BACK, PUT_AGAIN or FOUND.
    why : in their words.
    text : the whole file; bytes that are no UTF-8 are kept as surrogates.
    same_as : the earlier version whose text came back; None where the text is new.
    """

    number: int
    who: str
    at: datetime
    did: str
    why: str
    text: str
    same_as: int | None = None


@dataclass(frozen=True)
class Steps:
    """What can be taken back and put again, as numbers of versions.

    Parameters
    ----------
    done : changes in force, the newest last; its text is the table's.
    undone : changes taken back, the one to be put again next last.
    """

    done: tuple[int, ...]
    undone: tuple[int, ...]


def versions_of(folder: Path, which: TableName) -> list[Version]:
    """All versions of a shed's own table, oldest first; a file that was changed by other means becomes the last.

    A change that was broken off between its two files is carried through. A file with the text of an earlier version
    is taken for such a change, and not for a hand that put it back.

    Raises
    ------
    TableError : there is no such table, its history cannot be read, or what was found cannot be kept.
    """
    kept, text, found_at = _seen_together(folder, which)
    if kept and text == kept[-1].text:
        return kept
    if text is None or text in [version.text for version in kept]:
        put_newest(folder, which)
        return kept
    found = Version(len(kept) + 1, "", found_at, FOUND, "", text)
    return [*kept, found] if _is_kept(folder, which, found) else versions_of(folder, which)


def keep_version(folder: Path, which: TableName, version: Version) -> None:
    """Keep a version under its number, and make it the table.

    Raises
    ------
    TableError : there is a version of this number already, for somebody else was quicker; or it cannot be written.
    """
    if not _is_kept(folder, which, version):
        raise _overtaken(which, _read(_file_of(which.versions_folder(folder), version.number)))
    put_newest(folder, which)


def put_newest(folder: Path, which: TableName) -> None:
    """Make the newest kept version the table, also where others keep one at the same moment.

    Raises
    ------
    TableError : the table cannot be written; the version is kept, and is put in its place by the next who looks.
    """
    put, file = None, which.own_file(folder)
    while (newest := max(which.versions_folder(folder).glob("*.json"))) != put:
        try:
            with _beside(file, _bytes_of(_read(newest).text)) as unfinished:
                unfinished.replace(file)
        except OSError as error:
            raise _cannot_write(which, folder, error) from error
        put = newest


def must_be_newest(versions: Sequence[Version], which: TableName, basis: int) -> None:
    """Let a change through that was made on the newest version.

    Raises
    ------
    TableError : it was made on an older one.
    """
    if versions[-1].number != basis:
        raise _overtaken(which, versions[-1])


def steps_of(versions: Sequence[Version]) -> Steps:
    """Follow the versions to what can be taken back and put again."""
    done: list[int] = []
    undone: list[int] = []
    for version in versions:
        if version.did == TAKEN_BACK:
            undone.append(done.pop())
        elif version.did == PUT_AGAIN:
            done.append(undone.pop())
        else:
            done.append(version.number)
            undone.clear()
    return Steps(tuple(done), tuple(undone))


def back_to(versions: Sequence[Version], number: int, did: str, who: str, why: str) -> Version:
    """The next version, with the text of an earlier one."""
    earlier = versions[number - 1]
    now = datetime.now(UTC)
    return replace(earlier, number=len(versions) + 1, who=who, at=now, did=did, why=why, same_as=number)


def _seen_together(folder: Path, which: TableName) -> tuple[list[Version], str | None, datetime]:
    """All versions and the table's text (None where there is no file) and time, while nobody made a version."""
    place, file = which.versions_folder(folder), which.own_file(folder)
    while True:
        paths = sorted(place.glob("*.json"))
        try:
            text, found_at = _text_of(file.read_bytes()), datetime.fromtimestamp(file.stat().st_mtime, UTC)
        except FileNotFoundError:
            if not paths:
                raise TableError(
                    f"You have no table {which.name} of {which.subject} of your own; begin one first."
                ) from None
            text, found_at = None, datetime.now(UTC)
        except OSError as error:
            raise TableError(f"{file.name} cannot be read ({reason_of(error)}); check its rights.") from error
        if sorted(place.glob("*.json")) == paths:
            return [_read(path) for path in paths], text, found_at


def _is_kept(folder: Path, which: TableName, version: Version) -> bool:
    """Keep a version; False where there is one of its number already."""
    path = _file_of(which.versions_folder(folder), version.number)
    data = json.dumps(asdict(version) | {"at": version.at.isoformat()}, indent=1).encode("ascii")
    try:
        with _beside(path, data) as unfinished:
            os.link(unfinished, path)  # unlike a renaming, this fails where the name is taken
    except FileExistsError:
        return False
    except OSError as error:
        raise _cannot_write(which, folder, error) from error
    return True


@contextmanager
def _beside(path: Path, data: bytes) -> Iterator[Path]:
    """A whole file beside ``path``, on the disk, under a name that no other writer has; gone afterwards."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{secrets.token_hex(8)}{UNFINISHED}")
    try:
        with unfinished.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        yield unfinished
    finally:
        remove_file(unfinished)


def _cannot_write(which: TableName, folder: Path, error: OSError) -> TableError:
    return TableError(
        f"The table {which.name} cannot be written in {folder} ({reason_of(error)}); make room or check its rights."
    )


def _overtaken(which: TableName, newest: Version) -> TableError:
    return TableError(
        f"{newest.who or 'Somebody'} made version {newest.number} of {which.name} at {newest.at:%Y-%m-%d %H:%M} UTC, "
        "after you had opened it, so your change was not written; look at that version and make your change again."
    )


def _file_of(place: Path, number: int) -> Path:
    return place / f"{number:06}.json"


def _read(path: Path) -> Version:
    try:
        raw = json.loads(path.read_text(encoding="ascii"))
        return Version(**raw | {"at": datetime.fromisoformat(raw["at"])})
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise TableError(
            f"Version {path.stem} of {path.parent.name} cannot be read ({error}); restore {path.name} from a copy."
        ) from error


def _text_of(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")


def _bytes_of(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")
