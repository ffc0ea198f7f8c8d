"""The folder of results: its places, the names of its masks and pictures, and files that are whole or not there.

A file appears under its name only once it is complete: it is written beside it under another name, and then renamed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path, PurePosixPath

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.errors import OutputError
from scorer.score_tables import TrayScore

MASKS, PICTURES = "masks", "pictures"
PICTURE_QUALITY = 88
LONGEST_STEM_BYTES = 200  # most file systems allow 255 for the whole name

UNFINISHED = ".unfinished"


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
            f"{folder} cannot be made ({reason_of(error)}); choose another folder for the results."
        ) from error
    remove_unfinished(folder)
    probe = folder / f".probe{UNFINISHED}"
    try:
        probe.write_bytes(b"")
        probe.unlink()
    except OSError as error:
        raise OutputError(f"{folder} cannot be written to ({reason_of(error)}); choose another folder.") from error


def remove_unfinished(folder: Path) -> None:
    """Delete the unfinished files of a run that was broken off; every other file stays."""
    for place in (folder, folder / MASKS, folder / PICTURES):
        for path in place.glob(f".*{UNFINISHED}"):
            remove_file(path)


def mask_files(stem: str, score: TrayScore) -> dict[str, bytes]:
    """Masks of a photo by their path in the results: uint16 PNG, numbers as in the tables."""
    masks = (("fruit", score.fruit_mask), ("marks", score.mark_mask))
    return {f"{MASKS}/{stem}.{kind}.png": _encode(".png", mask, []) for kind, mask in masks}


def picture_file(stem: str, picture: NDArray[np.uint8]) -> dict[str, bytes]:
    """JPEG of an (H, W, 3) uint8 BGR picture, by its path in the results."""
    return {f"{PICTURES}/{stem}.jpg": _encode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, PICTURE_QUALITY])}


def write_whole(path: Path, data: bytes, *, to_disk: bool = False) -> None:
    """Write a file so that its name never stands for a part of it.

    Parameters
    ----------
    to_disk : wait until the disk has it, so that a power cut leaves the old file or the new one.

    Raises
    ------
    OutputError : the disk is full, the folder is gone or may not be written to; nothing is left behind.
    """
    unfinished = path.with_name(f".{path.name}.{os.getpid()}{UNFINISHED}")
    try:
        with unfinished.open("wb") as file:
            file.write(data)
            if to_disk:
                file.flush()
                os.fsync(file.fileno())
        unfinished.replace(path)
    except OSError as error:
        remove_file(unfinished)
        raise OutputError(
            f"{path} cannot be written ({reason_of(error)}); make room or choose another folder, then score again."
        ) from error
    except BaseException:  # such as Ctrl-C
        remove_file(unfinished)
        raise


def _encode(ending: str, picture: NDArray[np.uint8] | NDArray[np.uint16], flags: list[int]) -> bytes:
    done, data = cv2.imencode(ending, picture, flags)
    if not done:
        raise ValueError(f"a {picture.dtype} picture of shape {picture.shape} cannot be written as {ending}")
    return data.tobytes()


def remove_file(path: Path) -> None:
    """Delete a file of ours, if it is there."""
    with suppress(OSError):  # what cannot even be removed must not hide why
        path.unlink()


def reason_of(error: OSError) -> str:
    """What the system says of a failure."""
    return error.strerror or type(error).__name__
