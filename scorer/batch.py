"""Score many photos: one bad photo never stops the rest, and any number of jobs gives the same."""

from __future__ import annotations

import hashlib
import signal
import threading
import time
import traceback
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.errors import CardError, LimitsError, ModelError, OutputError, ScorerError
from scorer.photo import LARGEST_FILE_BYTES
from scorer.photo_files import PhotoFile, find_photos
from scorer.results import (
    prepare_results,
    remove_unfinished,
    result_stems,
    write_masks,
    write_picture,
    write_tables,
    write_whole,
)
from scorer.score_tables import TrayScore, empty_fruit, empty_marks, photo_table
from scorer.tag import Tag

LOG_NAME = "errors.log"
_SECONDS_BETWEEN_TABLES = 20.0

ScoreOne = Callable[[Path, str, Tag | None], TrayScore]
"""Scores one photo: its path, its name in the tables, and what the manifest says of it."""

Draw = Callable[[Path, TrayScore], NDArray[np.uint8]]
"""Draws a score on its photo: the photo's path, the score; gives an (H, W, 3) uint8 BGR picture."""


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
    """

    photo: pd.DataFrame
    fruit: pd.DataFrame
    marks: pd.DataFrame
    trace: str = ""

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
        return f"{row['verdict']}, {row['fruit']} fruit, {len(self.marks)} marks{reasons}"


@dataclass(frozen=True)
class BatchReport:
    """All that a batch gave.

    Attributes
    ----------
    photo, fruit, marks : the tables as written.
    refused : photos that were not scored.
    faults : those of them that scorer itself failed on.
    notes : sentences on what the officer should know of the batch as a whole.
    log : the developers' log; None without faults.
    """

    photo: pd.DataFrame
    fruit: pd.DataFrame
    marks: pd.DataFrame
    refused: int = 0
    faults: int = 0
    notes: tuple[str, ...] = ()
    log: Path | None = None


@dataclass
class _Gathered:
    """Outcomes so far, and when they were last written down."""

    folder: Path
    outcomes: list[Outcome] = field(default_factory=list)
    written_at: float = field(default_factory=time.monotonic)

    def add(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)
        if time.monotonic() - self.written_at > _SECONDS_BETWEEN_TABLES:
            self.write()

    def tables(self) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        return (
            _joined([one.photo for one in self.outcomes], photo_table([])),
            _joined([one.fruit for one in self.outcomes], empty_fruit()),
            _joined([one.marks for one in self.outcomes], empty_marks()),
        )

    def write(self) -> None:
        write_tables(self.folder, *self.tables())
        self.written_at = time.monotonic()


def score_paths(
    paths: Sequence[Path],
    out: Path,
    score: ScoreOne,
    *,
    wanted: Wanted | None = None,
    manifest: Mapping[str, Tag] | None = None,
    jobs: int = 1,
    on_found: Callable[[int], None] | None = None,
    on_done: Callable[[Outcome], None] | None = None,
) -> BatchReport:
    """Score all photos in files and folders, and write the results.

    Parameters
    ----------
    paths : files, and folders with all their subfolders.
    out : folder for the results; made when missing. Photos inside it are not scored.
    score : scores one photo. With more than one job it must be fit to be sent to another process.
    wanted : what to write besides the tables.
    manifest : tags by photo, for what the photos' own tags do not say.
    jobs : photos worked on at once, each by a process of its own.
    on_found : told the number of photos before the first is scored.
    on_done : told of each photo in order, as soon as it and all before it are done.

    Returns
    -------
    The tables, in the order the photos were given whatever the number of jobs.

    Raises
    ------
    OutputError : the results cannot be written.
    CardError, LimitsError, ModelError : what every photo is scored with cannot be used.
    KeyboardInterrupt : passed on after the tables of all photos done so far have been written.
    """
    wanted = wanted or Wanted()
    files = find_photos(paths, leave_out=out)
    stems = result_stems([file.photo for file in files])
    tags = manifest or {}
    prepare_results(out, masks=wanted.masks, pictures=wanted.draw is not None)
    if on_found:
        on_found(len(files))
    tasks = [_Task(file, tags.get(file.photo), stems[file.photo], out, score, wanted) for file in files]
    gathered = _Gathered(out)
    try:
        for outcome in _run(tasks, jobs):
            gathered.add(outcome)
            if on_done:
                on_done(outcome)
    finally:
        remove_unfinished(out)
        gathered.write()
    photo, fruit, marks = gathered.tables()
    return BatchReport(
        photo,
        fruit,
        marks,
        refused=sum(one.refused for one in gathered.outcomes),
        faults=sum(bool(one.trace) for one in gathered.outcomes),
        notes=_notes(files, stems, tags, told=wanted.masks or wanted.draw is not None),
        log=_write_log(out, gathered.outcomes),
    )


@dataclass(frozen=True)
class _Task:
    """One photo's work; goes to a worker process whole."""

    file: PhotoFile
    tag: Tag | None
    stem: str
    out: Path
    score: ScoreOne
    wanted: Wanted

    def __call__(self) -> Outcome:
        started = time.perf_counter()
        try:
            result = self.score(self.file.path, self.file.photo, self.tag)
            if self.wanted.masks:
                write_masks(self.out, self.stem, result)
            if self.wanted.draw is not None:
                write_picture(self.out, self.stem, self.wanted.draw(self.file.path, result))
            return Outcome(result.photo, result.fruit, result.marks)
        except (OutputError, CardError, LimitsError, ModelError):
            raise  # the photo is not at fault: the next one would fail as well
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
            "photo": self.file.photo,
            "sha256": _digest(self.file.path),
            "crew": tag.crew,
            "bin": tag.bin,
            "picked_at": tag.picked_at,
            "method": tag.method,
            "side": tag.side,
            "verdict": "refused",
            "reasons": reason,
            "seconds": time.perf_counter() - started,
        }
        return Outcome(photo_table([row]), empty_fruit(), empty_marks(), trace)


def _run(tasks: Sequence[_Task], jobs: int) -> Iterator[Outcome]:
    if jobs == 1 or len(tasks) < 2:
        yield from (task() for task in tasks)
        return
    from joblib import Parallel, delayed
    from joblib.externals.loky.process_executor import BrokenProcessPool

    done = 0
    try:
        pool = Parallel(n_jobs=min(jobs, len(tasks)), return_as="generator", batch_size=1)
        answers = pool(delayed(_in_worker)(task) for task in tasks)
        try:
            for answer in answers:
                done += 1
                yield _outcome(answer)
        finally:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # joblib warns of work that is cancelled, which is meant
                answers.close()
        return
    except BrokenProcessPool:
        pass  # a worker died and nobody knows over which photo: the rest go one by one
    for task in tasks[done:]:
        yield _alone(task)


def _alone(task: _Task) -> Outcome:
    """Score a photo in a process of its own, which may die of it."""
    from joblib.externals.loky import ProcessPoolExecutor
    from joblib.externals.loky.process_executor import BrokenProcessPool

    started = time.perf_counter()
    with ProcessPoolExecutor(1) as pool:
        try:
            return _outcome(pool.submit(_in_worker, task).result())
        except BrokenProcessPool as error:
            reason = "Scoring ended its process, most likely for lack of memory; score it on a larger computer."
            return task.refused(reason, started, f"{type(error).__name__}: {error}")


def _in_worker(task: _Task) -> Outcome | ScorerError:
    """Do a task; a refusal that stops the batch comes back in its turn, after all photos before it."""
    cv2.setNumThreads(1)  # the processes share the cores already
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the main process's to answer
    try:
        return task()
    except ScorerError as refusal:
        return refusal


def _outcome(answer: Outcome | ScorerError) -> Outcome:
    if isinstance(answer, ScorerError):
        raise answer
    return answer


def _joined(tables: list[pd.DataFrame], empty: pd.DataFrame) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else empty


def _digest(path: Path) -> str | None:
    try:
        if not path.is_file() or path.stat().st_size > LARGEST_FILE_BYTES:
            return None
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def _notes(
    files: Sequence[PhotoFile], stems: Mapping[str, str], tags: Mapping[str, Tag], *, told: bool
) -> tuple[str, ...]:
    notes = []
    photos = {file.photo for file in files}
    idle = [photo for photo in tags if photo not in photos]
    if idle:
        notes.append(
            f"The manifest names {len(idle)} photos that are not here, such as {idle[0]}; "
            "write each photo's path as in photos.csv."
        )
    renamed = [photo for photo in stems if stems[photo] != Path(photo).stem]
    if renamed and told:
        first = renamed[0]
        notes.append(
            f"{len(renamed)} photos share their name with another, so their masks and pictures are named by "
            f"folder or ending: those of {first} begin with {stems[first]}."
        )
    return tuple(notes)


def _write_log(out: Path, outcomes: Sequence[Outcome]) -> Path | None:
    """Write the traces for the developers; none are left over from an earlier run."""
    path = out / LOG_NAME
    traces = [f"{one.name}\n{one.trace}\n" for one in outcomes if one.trace]
    if not traces:
        path.unlink(missing_ok=True)
        return None
    write_whole(path, "\n".join(traces).encode("utf-8"))
    return path
