"""Score all photos in files and folders: results written as they come, records kept, memory flat."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from scorer.batch.task import LOG_NAME, Outcome, ScoreOne, Task, Wanted, digest_of
from scorer.batch.workers import outcomes_of
from scorer.crew_summary import CrewTally
from scorer.csv_tables import CsvTables
from scorer.photo_files import PhotoFile, find_photos
from scorer.records.keep import OpenImport, close_import, is_scored, keep_score, refresh_photo
from scorer.records.scores import score_of_photo
from scorer.results import MASKS, PICTURES, prepare_results, remove_unfinished, result_stems, write_whole
from scorer.score_tables import empty_fruit
from scorer.tag import Tag

PHOTOS_SHOWN = 30
"""Photos whose fruit a report lists one by one; nobody reads more on a screen."""
TRACES_KEPT = 50


@dataclass(frozen=True)
class BatchReport:
    """All that a batch gave.

    Attributes
    ----------
    crews : counts per crew.
    fruit : rows of fruit.csv, where the batch has no more than PHOTOS_SHOWN photos; else None.
    photos : photos in the batch.
    refused : photos that were not scored.
    retake : photos to be taken again.
    known : photos whose score was in the records already.
    faults : refused photos that scorer itself failed on.
    notes : sentences on what the officer should know of the batch as a whole.
    log : the developers' log; None without faults.
    """

    crews: CrewTally
    fruit: pd.DataFrame | None = None
    photos: int = 0
    refused: int = 0
    retake: int = 0
    known: int = 0
    faults: int = 0
    notes: tuple[str, ...] = ()
    log: Path | None = None


@dataclass(frozen=True)
class Plan:
    """How a batch is done.

    Attributes
    ----------
    score : scores one photo. With more than one worker it must be fit to be sent to another process.
    out : folder for the results; None writes none.
    records : the batch in the season's records; None keeps none.
    wanted : what to write besides the tables.
    manifest : tags by photo, for what the photos' own tags do not say.
    jobs : photos worked on at once, each by a process of its own.
    cluster : address of a Dask scheduler; then its workers do the work.
    any_hold : whether photos count for crews however soon after picking they were taken.
    """

    score: ScoreOne
    out: Path | None = None
    records: OpenImport | None = None
    wanted: Wanted = field(default_factory=Wanted)
    manifest: Mapping[str, Tag] = field(default_factory=dict)
    jobs: int = 1
    cluster: str | None = None
    any_hold: bool = False


def score_paths(
    paths: Sequence[Path],
    plan: Plan,
    *,
    on_found: Callable[[int], None] | None = None,
    on_done: Callable[[Outcome], None] | None = None,
) -> BatchReport:
    """Score all photos in files and folders.

    Parameters
    ----------
    paths : files, and folders with all their subfolders; photos inside the folder of the results are not scored.
    plan : how.
    on_found : told the number of photos before the first is scored.
    on_done : told of each photo in order, as soon as it and all before it are done.

    Returns
    -------
    What came of it; tables and records hold the photos in the order they were given, whatever the number of jobs.

    Raises
    ------
    OutputError, RecordsError, ClusterError : results or records cannot be written, or the cluster is gone.
    CardError, LimitsError, ModelError : what every photo is scored with cannot be used.
    KeyboardInterrupt : passed on after the tables of all photos done so far have been written.
    """
    files = find_photos(paths, leave_out=plan.out)
    if on_found:
        on_found(len(files))
    batch = Batch(plan, on_done)
    try:
        batch.score(files)
    finally:
        batch.close()
    return batch.report()


class Batch:
    """A batch that photos can be added to until it is closed."""

    def __init__(self, plan: Plan, on_done: Callable[[Outcome], None] | None = None) -> None:
        self._plan, self._on_done = plan, on_done
        self._files: list[PhotoFile] = []
        self._stems: dict[str, str] = {}
        self._crews = CrewTally(any_hold=plan.any_hold)
        self._shown: list[pd.DataFrame] = []
        self._traces: list[str] = []
        self._counts = dict.fromkeys(("photos", "refused", "retake", "known", "faults"), 0)
        self._newly_refused = 0
        self._tables: CsvTables | None = None
        if plan.out is not None:
            prepare_results(plan.out, masks=plan.wanted.masks, pictures=plan.wanted.draw is not None)
            self._tables = CsvTables(plan.out)

    def score(self, files: Sequence[PhotoFile]) -> None:
        """Score more photos; raises as ``score_paths`` does."""
        self._files += files
        stems = result_stems([file.photo for file in self._files])
        self._stems = stems | self._stems  # a name once given to a mask stays
        for outcome in self._outcomes(files):
            self._take(outcome)

    def put_down(self) -> None:
        """Let the tables show all photos so far."""
        if self._tables is not None:
            self._tables.put_down()

    def close(self) -> None:
        """Finish tables and records; to be called whatever happened."""
        if self._tables is not None and self._plan.out is not None:
            self._tables.finish()
            remove_unfinished(self._plan.out)
        if self._plan.records is not None:
            known = self._counts["known"]
            scored = self._counts["photos"] - known - self._newly_refused
            close_import(self._plan.records, scored=scored, known=known, refused=self._newly_refused)

    def report(self) -> BatchReport:
        """What came of the batch."""
        shown = len(self._files) <= PHOTOS_SHOWN
        filled = [table for table in self._shown if len(table)]
        fruit = pd.concat(filled, ignore_index=True) if filled else empty_fruit()
        notes = _notes(self._files, self._stems, self._plan)
        return BatchReport(self._crews, fruit if shown else None, **self._counts, notes=notes, log=self._write_log())

    def _outcomes(self, files: Sequence[PhotoFile]) -> Iterator[Outcome]:
        """Outcomes in the order of the files: from the records where they are known, else from the workers."""
        if self._plan.records is None:
            yield from outcomes_of(map(self._task, files), jobs=self._plan.jobs, cluster=self._plan.cluster)
            return
        # the tasks are made in a thread of the workers' pool, ahead of the outcomes; this is how both keep in step
        order: deque[tuple[PhotoFile, str | None]] = deque()

        def unknown() -> Iterator[Task]:
            for file in files:
                sha256 = digest_of(file.path)
                known = sha256 if sha256 is not None and self._is_known(file, sha256) else None
                order.append((file, known))
                if known is None:
                    yield self._task(file)

        for outcome in outcomes_of(unknown(), jobs=self._plan.jobs, cluster=self._plan.cluster):
            yield from self._known_before(order)
            order.popleft()
            yield outcome
        yield from self._known_before(order)

    def _known_before(self, order: deque[tuple[PhotoFile, str | None]]) -> Iterator[Outcome]:
        assert self._plan.records is not None
        while order and (sha256 := order[0][1]) is not None:
            file = order.popleft()[0]
            refresh_photo(self._plan.records, sha256, file.photo, self._plan.manifest.get(file.photo))
            kept = score_of_photo(self._plan.records.engine, sha256, self._plan.records.model_sha256)
            yield Outcome(kept.photo, kept.fruit, kept.marks, known=True)

    def _is_known(self, file: PhotoFile, sha256: str) -> bool:
        """Whether nothing of this photo is left to do: its score is recorded, its masks and picture are there."""
        assert self._plan.records is not None
        wanted, out, stem = self._plan.wanted, self._plan.out, self._stems[file.photo]
        if out is not None and wanted.masks and not (out / MASKS / f"{stem}.marks.png").exists():
            return False
        if out is not None and wanted.draw is not None and not (out / PICTURES / f"{stem}.jpg").exists():
            return False
        return is_scored(self._plan.records, sha256)

    def _task(self, file: PhotoFile) -> Task:
        tag = self._plan.manifest.get(file.photo)
        wanted = self._plan.wanted if self._plan.out is not None else Wanted()
        return Task(file.path, file.photo, tag, self._stems[file.photo], self._plan.score, wanted)

    def _take(self, outcome: Outcome) -> None:
        """Record one photo, write it down, count it; in this order, so that what is told is kept."""
        identified = not outcome.known and not pd.isna(outcome.photo["sha256"].iloc[0])
        if self._plan.records is not None and identified and not outcome.trace:
            keep_score(self._plan.records, outcome.photo, outcome.fruit, outcome.marks)
        for name, data in outcome.files.items():
            assert self._plan.out is not None
            write_whole(self._plan.out / name, data)
        if self._tables is not None:
            self._tables.add(outcome.photo, outcome.fruit, outcome.marks)
        self._crews.add(outcome.photo, outcome.fruit)
        if len(self._shown) <= PHOTOS_SHOWN:
            self._shown.append(outcome.fruit)
        self._counts["photos"] += 1
        self._counts["refused"] += outcome.refused
        self._newly_refused += outcome.refused and not outcome.known
        self._counts["retake"] += bool(outcome.photo["verdict"].iloc[0] == "retake")
        self._counts["known"] += outcome.known
        self._counts["faults"] += bool(outcome.trace)
        if outcome.trace and len(self._traces) < TRACES_KEPT:
            self._traces.append(f"{outcome.name}\n{outcome.trace}\n")
        if self._on_done:
            self._on_done(outcome)

    def _write_log(self) -> Path | None:
        """Write the traces for the developers; none are left over from an earlier run."""
        if self._plan.out is None:
            return None
        path = self._plan.out / LOG_NAME
        if not self._traces:
            path.unlink(missing_ok=True)
            return None
        write_whole(path, "\n".join(self._traces).encode("utf-8"))
        return path


def _notes(files: Sequence[PhotoFile], stems: Mapping[str, str], plan: Plan) -> tuple[str, ...]:
    notes = []
    photos = {file.photo for file in files}
    idle = [photo for photo in plan.manifest if photo not in photos]
    if idle:
        notes.append(
            f"The manifest names {len(idle)} photos that are not here, such as {idle[0]}; "
            "write each photo's path as in photos.csv."
        )
    renamed = [photo for photo in stems if stems[photo] != Path(photo).stem]
    if renamed and plan.out is not None and (plan.wanted.masks or plan.wanted.draw is not None):
        first = renamed[0]
        notes.append(
            f"{len(renamed)} photos share their name with another, so their masks and pictures are named by "
            f"folder or ending: those of {first} begin with {stems[first]}."
        )
    return tuple(notes)
