"""Memory and throughput of batches that go into the records.

Memory is that of the process that keeps the records, while two workers score small drawn photos (each with six fruit
and six marks); a step that needs more for a longer folder would show. Throughput is that of real scoring of the sample
photos, by one worker and by two in the same run.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from statistics import median

import cv2

from scorer.batch.run import Plan, score_paths
from scorer.batch.task import Outcome, ScoreOne
from scorer.kinds import load_model
from scorer.records.database import open_records, records_url
from scorer.records.keep import OpenImport, open_import
from scorer.tray import Settings
from tests.benchmarks.accuracy import score_source
from tests.drawn_trays import score_by_hand, write_drawing

SIZES = (100, 1000, 10_000)
GOAL_SPEED_UP = 1.8
COPIES, ROUNDS, STARTING = 2, 3, 4
ROOT = Path(__file__).resolve().parents[2]


def memory_table() -> str:
    """Resident memory at the start, half-way and at the end of batches of growing length, each in its own process."""
    lines = ["photos   first 50, MB   half-way, MB   end, MB   photos/s"]
    for photos in SIZES:
        start, half, end, per_second = _in_own_process(photos)
        lines.append(f"{photos:6d} {start:14.0f} {half:14.0f} {end:9.0f} {per_second:10.1f}")
    return "\n".join(lines)


def throughput_table() -> str:
    """Photos per second of one worker and of two, in turn, medians; the first few photos start the workers.

    One worker is one thread: its pixel work must not borrow the second core.
    """
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work) / "photos"
        folder.mkdir()
        for copy in range(COPIES):
            for photo in sorted((ROOT / "sample_images").glob("*.jpg")):
                _distinct(photo, folder / f"{copy}_{photo.name}", copy)
        rates: dict[int, list[float]] = {1: [], 2: []}
        for turn in range(ROUNDS):
            for workers in rates:
                records = Path(work) / f"{turn}_{workers}.sqlite"
                rates[workers].append(_score(folder, records, partial(score_source, Settings()), workers)[1])
    one, two = (median(rates[workers]) for workers in (1, 2))
    return (
        f"one worker, photos/s   {one:6.2f}\ntwo workers, photos/s  {two:6.2f}\n"
        f"two : one              {two / one:6.2f}   goal >= {GOAL_SPEED_UP}"
    )


def _in_own_process(photos: int) -> tuple[float, ...]:
    import subprocess

    command = [sys.executable, "-m", "tests.benchmarks.batches", str(photos)]
    said = subprocess.run(command, check=True, capture_output=True, text=True, cwd=ROOT).stdout
    return tuple(float(figure) for figure in said.split()[-4:])


def _measure_memory(photos: int) -> tuple[float, ...]:
    with tempfile.TemporaryDirectory() as work:
        one = write_drawing(Path(work) / "one.jpg", (400, 300))
        folder = Path(work) / "photos"
        for number in range(photos):
            place = folder / f"{number // 500:02d}" / f"tray_{number}.jpg"
            place.parent.mkdir(parents=True, exist_ok=True)
            _distinct(one, place, number)
        memory, rate = _score(folder, Path(work) / "season.sqlite", score_by_hand, 2)
    return memory[min(50, photos) - 1], memory[photos // 2], memory[-1], rate


def _distinct(photo: Path, copy: Path, number: int) -> None:
    """Copy a photo so that its bytes, by which it is known, are its own: a few bytes after the picture's end."""
    shutil.copyfile(photo, copy)
    with copy.open("ab") as file:
        file.write(number.to_bytes(4, "big"))


def _score(folder: Path, records: Path, score: ScoreOne, workers: int) -> tuple[list[float], float]:
    """Resident memory in MB after each photo, and photos per second once the workers run."""
    memory: list[float] = []
    times: list[float] = []

    def note(_: Outcome) -> None:
        memory.append(_resident_mb())
        times.append(time.perf_counter())

    batch = _batch(records)
    score_paths([folder], Plan(score, records=batch, jobs=workers), on_done=note)
    batch.engine.dispose()
    return memory, (len(times) - STARTING) / (times[-1] - times[STARTING - 1])


def _batch(records: Path) -> OpenImport:
    model = load_model(None)
    about = {"source": "benchmark", "software": "benchmark", "limits": "shed", "zone": "UTC"}
    engine = open_records(records_url(records))
    return open_import(engine, model_sha256=model.sha256, model_card=model.card, **about)


def _resident_mb() -> float:
    with Path("/proc/self/statm").open() as file:
        return int(file.read().split()[1]) * 4096 / 1e6


if __name__ == "__main__":
    print(*_measure_memory(int(sys.argv[1])))
