"""Time and memory of scoring one 12-megapixel photo on one core, beside the time to decode the same file.

Run by `tests.benchmarks` as a process of its own, so that the libraries start with one thread:
``python -m tests.benchmarks.speed FILE [--model FOLDER] [--memory]``.
"""

from __future__ import annotations

import os
import statistics
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

RUNS = 9
GOAL_RATIO, GOAL_MB = 5.0, 600.0
SEED = 12
SIZE = (4032, 3024)
STEPS = {
    "open": ("open_photo",),
    "card": ("find_card", "fit_correction"),
    "tag": ("read_tag",),
    "fruit": ("find_fruit",),
    "checks": ("check_photo",),
    "marks": ("measure_proposals",),
    "names": ("name_marks", "driving_measures"),
    "verdict": ("judge_fruit",),
    "masks": ("_at_full_size",),
}
"""Steps by the functions of `scorer.tray` that do them; none of these calls another."""


def write_photo(path: Path) -> None:
    """Simulate a tray at 12 megapixels, as a phone would store it."""
    from scorer.simulate import TraySettings, simulate_tray, write_tray

    settings = TraySettings(
        image_size=SIZE,
        fruit=10,
        card=True,
        habits={"sap": 0.4, "abrasion": 0.4, "cut": 0.1},
        lookalikes=1.0,
        camera_height_mm=560.0,
        tilt_deg=4.0,
        focal_35mm=26.0,
        exif_focal=True,
    )
    tray = simulate_tray(SEED, settings)
    tray = replace(tray, exif=replace(tray.exif, orientation=1, jpeg_quality=95))
    write_tray(tray, path.parent, path.stem)
    (path.parent / "photos" / path.name).replace(path)


@click.command()
@click.argument("photo", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--model", "model_folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--memory", is_flag=True, help="Score it once and print the peak memory of this process in MB.")
def main(photo: Path, model_folder: Path | None, memory: bool) -> None:
    """Measure one photo in this process."""
    import cv2

    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    cv2.setNumThreads(1)
    from scorer.tray import Settings

    settings = Settings(model_folder=model_folder)
    if memory:
        _print_memory(photo, settings)
    else:
        _print_times(photo.read_bytes(), settings)


def _print_memory(photo: Path, settings: Any) -> None:
    from scorer.tray import score_photo

    score_photo(photo, settings=settings)
    print(f"{'peak memory, MB':<28} {_peak_mb():8.0f}   goal <= {GOAL_MB:.0f}")


def _peak_mb() -> float:
    """Peak memory of this program; on Linux, getrusage would also count the process that started it."""
    status = Path("/proc/self/status")
    if status.exists():
        (line,) = (line for line in status.read_text().splitlines() if line.startswith("VmHWM:"))
        return int(line.split()[1]) * 1024 / 1e6
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def _print_times(data: bytes, settings: Any) -> None:
    import cv2
    import numpy as np

    from scorer.tray import score_photo

    buffer = np.frombuffer(data, np.uint8)
    score_photo(data, settings=settings)
    decoding, scoring = [], []
    for _ in range(RUNS):  # taken in turn, so that what else the machine does falls on both
        decoding.append(_seconds(lambda: cv2.imdecode(buffer, cv2.IMREAD_COLOR)))
        scoring.append(_seconds(lambda: score_photo(data, settings=settings)))
    decode, score = statistics.median(decoding), statistics.median(scoring)
    print(f"{'file, MB':<28} {len(data) / 1e6:8.1f}")
    print(f"{'cv2.imdecode, ms':<28} {1e3 * decode:8.0f}")
    print(f"{'score_photo, ms':<28} {1e3 * score:8.0f}")
    ratio = statistics.median(s / d for s, d in zip(scoring, decoding, strict=True))
    print(f"{'score_photo : cv2.imdecode':<28} {ratio:8.2f}   goal <= {GOAL_RATIO:.0f}")
    for name, seconds in _step_seconds(data, settings).items():
        print(f"{'  ' + name + ', ms':<28} {1e3 * seconds:8.0f}")


def _seconds(call: Callable[[], object]) -> float:
    started = time.perf_counter()
    call()
    return time.perf_counter() - started


def _step_seconds(data: bytes, settings: Any) -> dict[str, float]:
    """Median seconds of each step, by a clock around the functions that do it; ``rest`` is between them."""
    import scorer.tray as tray

    spent: defaultdict[str, float] = defaultdict(float)

    def clocked(step: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            started = time.perf_counter()
            try:
                return function(*args, **kwargs)
            finally:
                spent[step] += time.perf_counter() - started

        return call

    functions = {name: getattr(tray, name) for names in STEPS.values() for name in names}
    for step, names in STEPS.items():
        for name in names:
            setattr(tray, name, clocked(step, functions[name]))
    runs: defaultdict[str, list[float]] = defaultdict(list)
    try:
        for _ in range(RUNS):
            spent.clear()
            total = _seconds(lambda: tray.score_photo(data, settings=settings))
            for step in STEPS:
                runs[step].append(spent[step])
            runs["rest"].append(total - sum(spent.values()))
    finally:
        for name, function in functions.items():
            setattr(tray, name, function)
    return {step: statistics.median(seconds) for step, seconds in runs.items()}


if __name__ == "__main__":
    main()
