"""Write the folder of results: three tables, masks and pictures, each whole or not at all.

The tables are for a spreadsheet as much as for a program: UTF-8 CSV, a decimal point, an empty cell for
what is missing, yes/no, times as ``2026-03-14 09:26:53``. Text that a spreadsheet would run as a formula (it
begins with ``= + - @`` or their full-width forms) gets an apostrophe in front; a photo's path gets ``./``
instead, so that it stays a path. A file appears under its name only once it is complete: it is written beside
it under another name, and then renamed.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path, PurePosixPath

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.errors import OutputError
from scorer.score_tables import TrayScore

TABLES = ("photos.csv", "fruit.csv", "marks.csv")
MASKS, PICTURES = "masks", "pictures"
PICTURE_QUALITY = 88
LONGEST_STEM_BYTES = 200  # most file systems allow 255 for the whole name

_FORMULA_SIGNS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]+")
_UNFINISHED = ".unfinished"

# Digits behind the point, by the unit that ends a column's name; anything else gets five significant digits.
_DIGITS = {"_mm2": 2, "_mm": 2, "_g": 1, "fraction": 5, "probability": 4, "mm_per_px": 5, "seconds": 3}


def result_stems(photos: Sequence[str]) -> dict[str, str]:
    """Name the mask and picture files of photos so that no two photos share one.

    Parameters
    ----------
    photos : paths as in the tables, relative, with forward slashes; each once.

    Returns
    -------
    The photo's own stem where it is unique. Where stems clash, the folders go before it (``sub/tray_1.jpg``
    gives ``sub__tray_1``), and where that is not enough the ending goes after it (``tray_1__heic``). Capital
    and small letters count as equal, as on many disks.
    """
    rounds = dict.fromkeys(photos, 0)
    place = {photo: number for number, photo in enumerate(photos, start=1)}
    while True:
        stems = {photo: _stem(photo, rounds[photo], place[photo]) for photo in photos}
        owners: dict[str, list[str]] = {}
        for photo, stem in stems.items():
            owners.setdefault(stem.casefold(), []).append(photo)
        clashing = [photo for group in owners.values() if len(group) > 1 for photo in group]
        if not clashing:
            return stems
        for photo in clashing:
            rounds[photo] += 1


def _stem(photo: str, round_: int, place: int) -> str:
    path = PurePosixPath(photo)
    stem = path.stem
    if round_ >= 1:
        stem = "__".join([*(part for part in path.parts[:-1] if part not in ("/", "..")), stem])
    if round_ >= 2:
        stem = f"{stem}__{path.suffix.lstrip('.').lower()}"
    if round_ >= 3:
        stem = f"{stem}{'_' * (round_ - 1)}{place}"
    if len(stem.encode()) > LONGEST_STEM_BYTES:
        digest = hashlib.sha256(photo.encode()).hexdigest()[:12]
        stem = f"{stem.encode()[: LONGEST_STEM_BYTES - 14].decode(errors='ignore')}__{digest}"
    return stem


def prepare_results(folder: Path, *, masks: bool, pictures: bool) -> None:
    """Make the folders of the results, and clear away what a run that was broken off left unfinished.

    Raises
    ------
    OutputError : the folder cannot be made or written to.
    """
    wanted = [folder, *([folder / MASKS] if masks else []), *([folder / PICTURES] if pictures else [])]
    try:
        for each in wanted:
            each.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be made ({_reason(error)}); choose another folder for the results."
        ) from error
    remove_unfinished(folder)
    probe = folder / f".probe{_UNFINISHED}"
    try:
        probe.write_bytes(b"")
        probe.unlink()
    except OSError as error:
        raise OutputError(f"{folder} cannot be written to ({_reason(error)}); choose another folder.") from error


def remove_unfinished(folder: Path) -> None:
    """Delete the unfinished files of a run that was broken off; every other file stays."""
    for place in (folder, folder / MASKS, folder / PICTURES):
        for path in place.glob(f".*{_UNFINISHED}"):
            _remove(path)


def write_tables(folder: Path, photo: pd.DataFrame, fruit: pd.DataFrame, marks: pd.DataFrame) -> None:
    """Write photos.csv, fruit.csv and marks.csv; each replaces the one before it at once.

    Raises
    ------
    OutputError : a table cannot be written; the one before it is still there, whole.
    """
    for name, table in zip(TABLES, (photo, fruit, marks), strict=True):
        write_whole(folder / name, table_as_csv(table).encode("utf-8"), to_disk=True)


def write_masks(folder: Path, stem: str, score: TrayScore) -> None:
    """Write ``masks/<stem>.fruit.png`` and ``masks/<stem>.marks.png``: uint16, numbers as in the tables.

    Raises
    ------
    OutputError : a mask cannot be written.
    """
    for kind, mask in (("fruit", score.fruit_mask), ("marks", score.mark_mask)):
        write_whole(folder / MASKS / f"{stem}.{kind}.png", _encode(".png", mask, []))


def write_picture(folder: Path, stem: str, picture: NDArray[np.uint8]) -> None:
    """Write ``pictures/<stem>.jpg`` from an (H, W, 3) uint8 BGR picture.

    Raises
    ------
    OutputError : the picture cannot be written.
    """
    data = _encode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, PICTURE_QUALITY])
    write_whole(folder / PICTURES / f"{stem}.jpg", data)


def write_whole(path: Path, data: bytes, *, to_disk: bool = False) -> None:
    """Write a file so that its name never stands for a part of it.

    Parameters
    ----------
    to_disk : wait until the disk has it, so that a power cut leaves the old file or the new one.

    Raises
    ------
    OutputError : the disk is full, the folder is gone or may not be written to; nothing is left behind.
    """
    unfinished = path.with_name(f".{path.name}.{os.getpid()}{_UNFINISHED}")
    try:
        with unfinished.open("wb") as file:
            file.write(data)
            if to_disk:
                file.flush()
                os.fsync(file.fileno())
        unfinished.replace(path)
    except OSError as error:
        _remove(unfinished)
        raise OutputError(
            f"{path} cannot be written ({_reason(error)}); make room or choose another folder, then score again."
        ) from error
    except BaseException:  # such as Ctrl-C
        _remove(unfinished)
        raise


def table_as_csv(table: pd.DataFrame) -> str:
    """Text of a table by the rules on top of this module."""
    cells = pd.DataFrame({str(name): [_writer(str(name))(value) for value in table[name]] for name in table.columns})
    return cells.to_csv(index=False, lineterminator="\n")


def _writer(column: str) -> Callable[[object], str]:
    digits = next((digits for ending, digits in _DIGITS.items() if column.endswith(ending)), None)

    def write(value: object) -> str:
        if value is None or value is pd.NaT or value is pd.NA:
            return ""
        if isinstance(value, (bool, np.bool_)):
            return "yes" if value else "no"
        if isinstance(value, (int, np.integer)):
            return str(int(value))
        if isinstance(value, (float, np.floating)):
            return _number(float(value), digits)
        if isinstance(value, pd.Timestamp):
            return value.strftime("%Y-%m-%d %H:%M:%S")
        return _text(str(value), is_path=column == "photo")

    return write


def _number(value: float, digits: int | None) -> str:
    if not np.isfinite(value):
        return ""
    text = f"{value:.5g}" if digits is None else f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _text(text: str, *, is_path: bool) -> str:
    line = _CONTROL.sub(" ", text).strip()
    if line.startswith(_FORMULA_SIGNS):
        return f"./{line}" if is_path else f"'{line}"
    return line


def _encode(ending: str, picture: NDArray[np.uint8] | NDArray[np.uint16], flags: list[int]) -> bytes:
    done, data = cv2.imencode(ending, picture, flags)
    if not done:
        raise ValueError(f"a {picture.dtype} picture of shape {picture.shape} cannot be written as {ending}")
    return data.tobytes()


def _remove(path: Path) -> None:
    with suppress(OSError):  # what cannot even be removed must not hide why
        path.unlink()


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__
