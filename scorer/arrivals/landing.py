"""One file on its way to the disk: bounded, told by its content, known by its bytes; nothing is held in memory."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from scorer.arrivals.deliveries import LONGEST_NAME
from scorer.arrivals.file_kind import BYTES_NEEDED, Kind, kind_of
from scorer.errors import ArrivalError
from scorer.photo import LARGEST_FILE_BYTES
from scorer.tag import clean_field

LARGEST_ZIP_BYTES: Final = 2_000_000_000
NAMELESS: Final = "photo"
_PART: Final = "arriving.part"


@dataclass(frozen=True)
class Landed:
    """A file that is on the disk, whole.

    Parameters
    ----------
    path : where it lies.
    kind : of file, by its content.
    sha256 : hex digest of its bytes.
    size_bytes : of the file.
    """

    path: Path
    kind: Kind
    sha256: str
    size_bytes: int


class Landing:
    """Writes one file; to be ended by `land` or `give_up`."""

    def __init__(self, folder: Path, name: str) -> None:
        """Begin a file in a folder of its own.

        Parameters
        ----------
        folder : holds nothing else.
        name : what messages call the file.

        Raises
        ------
        OSError : the file cannot be made.
        """
        self._path, self._name = folder / _PART, name
        self._file = self._path.open("xb")
        self._digest = hashlib.sha256()
        self._start = b""
        self._size = 0

    def write(self, chunk: bytes) -> None:
        """Take the next bytes.

        Raises
        ------
        ArrivalError : the file is no photo and no zip, or is too large.
        OSError : they cannot be written.
        """
        self._size += len(chunk)
        self._start += chunk[: BYTES_NEEDED - len(self._start)]
        if len(self._start) >= BYTES_NEEDED:
            self._check_size(self._kind())
        self._digest.update(chunk)
        self._file.write(chunk)

    def land(self) -> Landed:
        """Wait until the disk has the file; it then has the ending of its kind.

        Raises
        ------
        ArrivalError : the file is empty, or no photo and no zip.
        OSError : it cannot be written.
        """
        if not self._size:
            raise ArrivalError(f"{self._name} is empty (0 bytes); copy it from the phone again.")
        kind = self._kind()
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        path = self._path.with_name(f"photo.{kind}")
        self._path.replace(path)
        return Landed(path, kind, self._digest.hexdigest(), self._size)

    def give_up(self) -> None:
        """Let go of the file; whoever made its folder removes that."""
        self._file.close()

    def _kind(self) -> Kind:
        kind = kind_of(self._start)
        if kind is None:
            raise ArrivalError(
                f"{self._name} is no photo; hand in JPEG, PNG or HEIC photos as the phone took them, or a zip of them."
            )
        return kind

    def _check_size(self, kind: Kind) -> None:
        if kind is Kind.ZIP and self._size > LARGEST_ZIP_BYTES:
            raise ArrivalError(
                f"{self._name} has more than {LARGEST_ZIP_BYTES / 1e9:.0f} GB; hand its photos in as several zips."
            )
        if kind is not Kind.ZIP and self._size > LARGEST_FILE_BYTES:
            raise ArrivalError(
                f"{self._name} has more than {LARGEST_FILE_BYTES // 1_000_000} MB; hand in the phone's original photo."
            )


def shown_name(name: str) -> str:
    """The name of a file as it may be shown: the bare last part, without control characters, not too long."""
    bare = clean_field(name.replace("\\", "/").rsplit("/", 1)[-1]) or ""
    if bare in ("", ".", ".."):
        return NAMELESS
    return bare[:LONGEST_NAME].rstrip()
