"""Photos that are there to be labelled or learned from: each by the SHA-256 of its bytes as they arrived."""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, select

from scorer.errors import PhotoError
from scorer.photo_files import find_photos
from scorer.picture_file import open_picture
from scorer.records.database import in_words
from scorer.records.tables import Photo
from scorer.results import reason_of


@dataclass(frozen=True)
class PhotoThere:
    """A photo whose file is there.

    Parameters
    ----------
    path : where it lies.
    name : what it is called: its path in the folder searched, or its name in the records; with forward slashes.
    sha256 : of its bytes as they arrived, by which the records know it; the photo store keeps other bytes.
    size_px : width and height of the upright photo.
    """

    path: Path
    name: str
    sha256: str
    size_px: tuple[int, int]


def photos_in_folders(
    paths: Sequence[Path], *, called: Collection[str] | None = None, known: Collection[str] | None = None
) -> dict[str, PhotoThere]:
    """Photos in files and folders, by SHA-256; of two with the same bytes, the first.

    Parameters
    ----------
    called : only files of these names (folders before a name do not count); None takes all.
    known : only photos of these SHA-256; None takes all.

    Raises
    ------
    PhotoError : one that is asked for by its name cannot be opened. Others that cannot are passed over.
    """
    names = None if called is None else {base_name(name) for name in called}
    found: dict[str, PhotoThere] = {}
    for file in find_photos(paths):
        if names is not None and file.path.name not in names:
            continue
        try:
            data = _bytes_of(file.path)
            sha256 = hashlib.sha256(data).hexdigest()
            if sha256 not in found and (known is None or sha256 in known):
                found[sha256] = PhotoThere(file.path, file.photo, sha256, _upright_size(data, file.path.name))
        except PhotoError:
            if names is not None:
                raise
    return found


def photos_in_store(
    engine: Engine,
    photo_path: Callable[[str], Path | None],
    *,
    called: Collection[str] | None = None,
    known: Collection[str] | None = None,
) -> dict[str, PhotoThere]:
    """Photos of the records that the photo store has, by SHA-256.

    Parameters
    ----------
    photo_path : where the store keeps a photo of this SHA-256, None where it does not;
        ``scorer.arrivals.store.PhotoStore.photo_path``.
    called : only photos of these names (folders before a name do not count) or of these SHA-256 and any ending, for
        that is what files of the store are called; None takes all.
    known : only photos of these SHA-256; None takes all.

    Raises
    ------
    RecordsError : the records cannot be read.
    PhotoError : a photo of the store cannot be opened.
    """
    names = None if called is None else {base_name(name) for name in called}
    stems = {name.split(".", 1)[0] for name in names or ()}
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        rows = connection.execute(select(Photo.sha256, Photo.name).order_by(Photo.id)).all()
    found: dict[str, PhotoThere] = {}
    for sha256, name in rows:
        wanted = names is None or base_name(name) in names or sha256 in stems
        path = photo_path(sha256) if wanted and (known is None or sha256 in known) else None
        if path is not None:
            found[sha256] = PhotoThere(path, name, sha256, _upright_size(_bytes_of(path), base_name(name)))
    return found


def some_files(
    engine: Engine,
    photo_path: Callable[[str], Path | None],
    folders: Sequence[Path],
    *,
    besides: Mapping[str, PhotoThere],
    most: int,
    seed: int,
) -> list[Path]:
    """Photos of folders and of the photo store, so many at most, drawn by lot; the same from the same.

    Of several with the same bytes one is drawn at most. A file that cannot be read is passed over.

    Parameters
    ----------
    photo_path : where the store keeps a photo of this SHA-256, None where it does not.
    besides : photos that are left out, by SHA-256.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        kept = sorted(connection.scalars(select(Photo.sha256)))
    left_out = {photo.path for photo in besides.values()}
    found: list[tuple[Path, str | None]] = [
        (path, sha256) for sha256 in kept if sha256 not in besides and (path := photo_path(sha256)) is not None
    ]
    found += [(file.path, None) for file in find_photos(folders) if file.path not in left_out]
    drawn: dict[str, int] = {}
    for place in np.random.default_rng(seed).permutation(len(found)):
        if len(drawn) == most:
            break
        path, known = found[place]
        try:
            sha256 = known or hashlib.sha256(_bytes_of(path)).hexdigest()
        except PhotoError:
            continue
        if sha256 not in besides:
            drawn.setdefault(sha256, int(place))
    return [found[place][0] for place in sorted(drawn.values())]


def base_name(written: str) -> str:
    """The last part of a path as any system writes it; never to be opened."""
    return re.split(r"[\\/]", written.strip())[-1]


class PhotoNames:
    """Photos by what files of labels call them.

    Parameters
    ----------
    photos : by SHA-256.
    """

    def __init__(self, photos: Mapping[str, PhotoThere]) -> None:
        self._photos = photos
        self._by_name: dict[str, list[PhotoThere]] = defaultdict(list)
        for photo in photos.values():
            self._by_name[base_name(photo.name)].append(photo)

    def called(self, written: str) -> list[PhotoThere]:
        """The photos that can be meant: one where the name tells it, several where folders share it, none.

        Folders before the name count only where several photos share the name. A file of the photo store is called by
        its SHA-256.
        """
        name = base_name(written)
        several = self._by_name.get(name, [])
        if len(several) > 1:
            path = written.strip().replace("\\", "/").removeprefix("./")
            exact = [photo for photo in several if photo.name.removeprefix("./") == path]
            return exact or several
        if not several and (photo := self._photos.get(name.split(".", 1)[0])):
            return [photo]
        return several


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise PhotoError(f"{path.name} cannot be read ({reason_of(error)}); check the disk and its rights.") from error


def _upright_size(data: bytes, name: str) -> tuple[int, int]:
    header, _ = open_picture(data, name)
    width, height = header.size
    return (height, width) if header.orientation >= 5 else (width, height)
