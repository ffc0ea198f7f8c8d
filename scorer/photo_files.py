"""Find the photos to score: in the folders and files given, in the order a person would list them."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from scorer.photo import PHOTO_SUFFIXES, RAW_SUFFIXES

OTHER_PICTURE_SUFFIXES = (".webp", ".avif", ".gif", ".bmp", ".tif", ".tiff")
"""Endings of pictures that are listed, so that the officer learns that they are refused and why."""


@dataclass(frozen=True)
class PhotoFile:
    """One photo to score.

    Attributes
    ----------
    path : where it lies.
    photo : its name in the tables: the path relative to the folder given, with forward slashes.
    """

    path: Path
    photo: str


def find_photos(paths: Sequence[Path], *, leave_out: Path | None = None) -> list[PhotoFile]:
    """List the photos in files and folders, folders with all their subfolders.

    Parameters
    ----------
    paths : a file is taken whatever its ending; from a folder, every file that ends like a picture. Hidden
        files and folders are passed over.
    leave_out : a folder that is not searched, such as the one for the results.

    Returns
    -------
    Each photo once, in the order of the paths and within a folder in natural order (tray 2 before tray 10).
    Where two folders give equal names, the folder's own name goes before them.
    """
    skipped = leave_out.resolve() if leave_out else None
    seen: set[Path] = set()
    found: list[tuple[Path, Path]] = []
    for given in paths:
        for path in _files(given, skipped):
            if (real := path.resolve()) not in seen:
                seen.add(real)
                found.append((given, path))
    names = [_relative(path, given) for given, path in found]
    often = Counter(names)
    names = [
        _relative(path, given.resolve().parent if given.is_dir() else Path()) if often[name] > 1 else name
        for (given, path), name in zip(found, names, strict=True)
    ]
    often = Counter(names)
    return [
        PhotoFile(path, path.resolve().as_posix() if often[name] > 1 else name)
        for (_, path), name in zip(found, names, strict=True)
    ]


def natural_order(text: str) -> list[tuple[int, str]]:
    """Sort key by which ``tray 2`` goes before ``tray 10``; capitals do not count."""
    parts = re.split(r"([0-9]+)", text.casefold())
    key = [(int(part), "") if part.isdecimal() and part.isascii() else (-1, part) for part in parts]
    return [*key, (-1, text)]  # so that 07 and 7 have an order too


def _files(given: Path, skipped: Path | None) -> Iterator[Path]:
    if not given.is_dir():
        yield given
        return
    listed = (*PHOTO_SUFFIXES, *RAW_SUFFIXES, *OTHER_PICTURE_SUFFIXES)
    for folder, subfolders, files in os.walk(given):
        here = Path(folder)
        subfolders[:] = sorted(
            (name for name in subfolders if not name.startswith(".") and (here / name).resolve() != skipped),
            key=natural_order,
        )
        for name in sorted(files, key=natural_order):
            if not name.startswith(".") and Path(name).suffix.lower() in listed:
                yield here / name


def _relative(path: Path, given: Path) -> str:
    if path == given or not given.parts:
        return path.name
    try:
        return path.relative_to(given).as_posix()
    except ValueError:
        return path.resolve().relative_to(given.resolve()).as_posix()
