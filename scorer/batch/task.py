"""One photo's work in a batch, fit to be sent to another process or computer, and what comes back."""

from __future__ import annotations

import hashlib
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.errors import CardError, LimitsError, ModelError, OutputError, ScorerError
from scorer.photo import LARGEST_FILE_BYTES
from scorer.results import mask_files, picture_file
from scorer.score_tables import UNKNOWN_HOLD, TrayScore, empty_fruit, empty_marks, photo_table
from scorer.tag import Tag

LOG_NAME: Final = "errors.log"

Source = Path | bytes
"""A photo's path, or its bytes where a worker cannot see the path."""

ScoreOne = Callable[[Source, str, Tag | None], TrayScore]
"""Scores one photo: its path or bytes, its name in the tables, and what the manifest says of it."""

Draw = Callable[[Source, TrayScore], NDArray[np.uint8]]
"""Draws a score on its photo: the photo, the score; gives an (H, W, 3) uint8 BGR picture."""


@dataclass(frozen=True)
class Wanted:
    """What to write besides the tables.

    Attributes
    ----------
    masks : whether to write the masks.
    draw : what draws the pictures; None for no pictures.
    """

    masks: bool = False
    draw: Draw | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of one photo.

    Attributes
    ----------
    photo : its row of photos.csv.
    fruit, marks : its rows of fruit.csv and marks.csv; none when it was refused.
    trace : the developers' trace of a failure that is scorer's own fault; else empty.
    files : masks and picture by their path in the results, as they are to be written.
    known : whether the score is an earlier one, from the records.
    """

    photo: pd.DataFrame
    fruit: pd.DataFrame
    marks: pd.DataFrame
    trace: str = ""
    files: dict[str, bytes] = field(default_factory=dict)
    known: bool = False

    @property
    def name(self) -> str:
        """Name of the photo in the tables."""
        return str(self.photo["photo"].iloc[0])

    @property
    def refused(self) -> bool:
        """Whether the photo was not scored."""
        return bool(self.photo["verdict"].iloc[0] == "refused")

    def sentence(self) -> str:
        """Say in a line what became of the photo."""
        row = self.photo.iloc[0]
        if self.refused:
            return f"refused: {row['reasons']}"
        reasons = "" if pd.isna(row["reasons"]) or not row["reasons"] else f" ({row['reasons']})"
        before = ", scored before" if self.known else ""
        return f"{row['verdict']}, {row['fruit']} fruit, {len(self.marks)} marks{before}{reasons}"


@dataclass(frozen=True)
class Task:
    """One photo's work; goes to a worker whole.

    Attributes
    ----------
    source : the photo.
    photo : its name in the tables.
    tag : what the manifest says of it.
    stem : what its masks and picture are called.
    score, wanted : how to score it, and what to make besides.
    """

    source: Source
    photo: str
    tag: Tag | None
    stem: str
    score: ScoreOne
    wanted: Wanted

    def __call__(self) -> Outcome:
        """Score the photo, or say why not.

        Raises
        ------
        CardError, LimitsError, ModelError, OutputError : the photo is not at fault, the next one would fail as well.
        """
        started = time.perf_counter()
        try:
            result = self.score(self.source, self.photo, self.tag)
            files = mask_files(self.stem, result) if self.wanted.masks else {}
            if self.wanted.draw is not None:
                files |= picture_file(self.stem, self.wanted.draw(self.source, result))
            return Outcome(result.photo, result.fruit, result.marks, files=files)
        except (OutputError, CardError, LimitsError, ModelError):
            raise
        except ScorerError as refusal:
            return self.refused(str(refusal), started)
        except Exception as error:
            fault = f"This is scorer's own fault ({type(error).__name__})"
            reason = f"{fault}; send the photo and {LOG_NAME} to its developers."
            return self.refused(reason, started, traceback.format_exc())

    def refused(self, reason: str, started: float, trace: str = "") -> Outcome:
        """Row of a photo that was not scored, with what is known of it all the same."""
        tag = self.tag or Tag()
        row: dict[str, object] = {
            "photo": self.photo,
            "sha256": digest_of(self.source),
            "crew": tag.crew,
            "bin": tag.bin,
            "picked_at": tag.picked_at,
            "method": tag.method,
            "side": tag.side,
            "tray": tag.tray,
            "block": tag.block,
            "cultivar": tag.cultivar,
            "hold": UNKNOWN_HOLD,
            "verdict": "refused",
            "reasons": reason,
            "seconds": time.perf_counter() - started,
        }
        return Outcome(photo_table([row]), empty_fruit(), empty_marks(), trace)


def digest_of(source: Source) -> str | None:
    """SHA-256 of a photo's bytes, by which it is known; None where it cannot be read or is no photo by its size."""
    if isinstance(source, bytes):
        return hashlib.sha256(source).hexdigest()
    try:
        if not source.is_file() or source.stat().st_size > LARGEST_FILE_BYTES:
            return None
        with source.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None
