"""Notes of photos that are being scored again: whoever comes after a death sees whose masks may not fit their score.

A note is a file named by photo and model that holds a byte for each try which has not come to its end.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from scorer.errors import OutputError
from scorer.results import reason_of, remove_file

_NAME: Final = re.compile(r"[0-9a-f]{64}\.[0-9a-f]{64}", re.ASCII)


@dataclass(frozen=True)
class Note:
    """A photo that a model was scoring again.

    Parameters
    ----------
    path : of the note.
    sha256, model_sha256 : of photo and model.
    deaths : how many tries ended in a death.
    """

    path: Path
    sha256: str
    model_sha256: str
    deaths: int

    def drop(self) -> None:
        """Remove the note: nothing of the photo is left to do."""
        remove_file(self.path)


def note_of(folder: Path, sha256: str, model_sha256: str) -> Note:
    """The note of a photo and model, whether it is there or not."""
    path = folder / f"{sha256}.{model_sha256}"
    try:
        return Note(path, sha256, model_sha256, path.stat().st_size)
    except FileNotFoundError:
        return Note(path, sha256, model_sha256, 0)


def notes_in(folder: Path) -> tuple[Note, ...]:
    """All notes that are there, by name."""
    try:
        names = sorted(name for name in os.listdir(folder) if _NAME.fullmatch(name))  # noqa: PTH208 - thrice as fast
    except FileNotFoundError:
        return ()
    return tuple(note_of(folder, *name.split(".")) for name in names)


@contextmanager
def noted(note: Note) -> Iterator[None]:
    """Note a try while it lasts; the note goes with its end, and stays for a later finish where something is refused.

    Raises
    ------
    OutputError : it cannot be written.
    """
    try:
        note.path.parent.mkdir(parents=True, exist_ok=True)
        with note.path.open("ab") as file:
            file.write(b".")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise OutputError(f"{note.path} cannot be written ({reason_of(error)}); make room there.") from error
    try:
        yield
    except BaseException:  # not a death
        with suppress(OSError):
            os.truncate(note.path, note.deaths)
        raise
    note.drop()
