"""A folder with a picture of each thing that people differ on, and a list of who said what of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.agreement.disagreements import disagreements
from scorer.agreement.item_picture import Word, item_picture
from scorer.csv_tables import table_as_csv
from scorer.drawing import Picture
from scorer.errors import OutputError, PhotoError
from scorer.labels.labels import Labels, mask_of
from scorer.labels.photos_there import PhotoThere
from scorer.labels.said_of_items import item_in_words
from scorer.labels.scored_outlines import ScoredMasks, marks_of, rle_in_mask
from scorer.picture import to_srgb, upright
from scorer.picture_file import damaged, open_picture
from scorer.results import reason_of, write_whole

INDEX_FILE: Final = "index.csv"
INDEX_COLUMNS: Final = ("picture", "photo", "item", "divided", "who", "said", "said_at")


def _as_it_is(said: str) -> str:
    return said.replace("_", " ")


@dataclass(frozen=True)
class Told:
    """What people said, and what is needed to show it.

    Parameters
    ----------
    said : tables of ``scorer.labels.same_marks.SAID_DTYPES``: of kinds, of verdicts.
    labels : those that ``outline`` of these tables counts the rows of.
    photos : those that are there, by SHA-256.
    masks : of what was scored.
    names : what photos are called, by SHA-256.
    say : puts kinds, verdicts and items into the reader's language.
    """

    said: tuple[pd.DataFrame, ...]
    labels: Labels
    photos: Mapping[str, PhotoThere]
    masks: ScoredMasks
    names: Mapping[str, str]
    say: Callable[[str], str] = _as_it_is


def write_disagreements(told: Told, folder: Path, *, most: int, on_done: Callable[[str], None]) -> pd.DataFrame:
    """Write pictures of the things that people differ on most, and the list; the list last.

    Parameters
    ----------
    folder : made if it is not there; what is in it must not be from before.
    most : how many things, at most.
    on_done : told of each thing.

    Returns
    -------
    The list, INDEX_COLUMNS: a row for each person's word; ``picture`` is empty where the photo is not there.

    Raises
    ------
    OutputError : the folder cannot be written, or is not empty.
    PhotoError : a photo cannot be read.
    """
    _prepare(folder)
    differing = _most_divided(told.said, most)
    rows: list[dict[Any, Any]] = []
    for number, (item, words) in enumerate(differing.groupby("item", sort=False), start=1):
        sha256 = str(words["sha256"].iloc[0])
        name = f"{number:04d}.png" if sha256 in told.photos else ""
        if name:
            done, data = cv2.imencode(".png", _picture(words, told))
            if not done:
                raise OutputError(f"{folder / name} cannot be written as PNG; look at the photo.")
            write_whole(folder / name, data.tobytes())
        called = item_in_words(str(item), told.names, told.say)
        about: dict[Any, Any] = {"picture": name, "photo": told.names.get(sha256, sha256), "item": called}
        rows += [about | row for row in words[["divided", "who", "said", "said_at"]].to_dict("records")]
        on_done(called)
    index = pd.DataFrame(rows, columns=list(INDEX_COLUMNS))
    write_whole(folder / INDEX_FILE, table_as_csv(index).encode())
    return index


def _prepare(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        full = next(folder.iterdir(), None) is not None
    except OSError as error:
        raise OutputError(f"{folder} cannot be made ({reason_of(error)}); choose another folder.") from error
    if full:
        raise OutputError(f"{folder} is not empty; choose a new folder, so that old and new pictures do not mix.")


def _most_divided(said: tuple[pd.DataFrame, ...], most: int) -> pd.DataFrame:
    """Words on the most divided items of all tables, with where each lies."""
    key = ["item", "who", "said_at", "said"]
    found = [
        disagreements(table).merge(table[[*key, "sha256", "fruit", "mark", "model", "outline"]], on=key)
        for table in said
        if len(table)
    ]
    if not found:
        return pd.DataFrame(columns=[*key, "divided", "sha256", "fruit", "mark", "model", "outline"])
    words = pd.concat(found, ignore_index=True).drop_duplicates(key)
    words = words.sort_values("divided", ascending=False, kind="stable")
    return words[words["item"].isin(words["item"].unique()[:most])]


def _picture(words: pd.DataFrame, told: Told) -> Picture:
    first = words.iloc[0]
    photo = told.photos[first["sha256"]]
    bgr = _whole_photo(photo.path)
    shown = [
        Word(
            f"{row['who']}: {told.say(str(row['said']))} ({row['said_at']:%Y-%m-%d})",
            _outline(row, told, photo),
        )
        for row in words.to_dict("records")
    ]
    return item_picture(bgr, item_in_words(str(first["item"]), told.names, told.say), shown, _scored(first, told.masks))


def _outline(row: Mapping[Any, Any], told: Told, photo: PhotoThere) -> NDArray[np.bool_] | None:
    if pd.isna(row["outline"]):
        return None
    return mask_of(told.labels.outlines.iloc[int(row["outline"])], photo.size_px)


def _scored(word: pd.Series, masks: ScoredMasks) -> NDArray[np.bool_] | None:
    """What was scored where a word was said of a scored mark or of a fruit; None where that is not known."""
    rle = None
    if pd.notna(word["mark"]):
        rle = rle_in_mask(marks_of(masks, word["sha256"], word["model"]), int(word["mark"]))
    if rle is None and pd.notna(word["fruit"]):
        rle = rle_in_mask(masks.fruit_mask(word["sha256"]), int(word["fruit"]))
    if rle is None:
        return None
    height, width = rle["size"]
    return mask_of({"size_px": (width, height), "polygons_px": None, "rle": rle["counts"].decode("ascii")})


def _whole_photo(path: Path) -> Picture:
    """A photo in all its pixels, upright."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PhotoError(f"{path.name} cannot be read ({reason_of(error)}); check the disk and its rights.") from error
    header, decode = open_picture(data, path.name)
    try:
        return upright(to_srgb(decode(1, []), header.profile, []), header.orientation)
    except PhotoError:
        raise
    except Exception as error:  # whatever a damaged file makes a decoder raise
        raise damaged(path.name) from error
