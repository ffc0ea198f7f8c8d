"""Watching a folder: photos are given as they arrive, each once it is whole."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from queue import Empty, Queue

import pytest

from scorer.batch.watch import STILL_S, arrivals
from tests.drawn_trays import write_drawing

PATIENCE_S = 40


@contextmanager
def watched(folder: Path, **more: Path) -> Iterator[Queue[str]]:
    """What arrives in a folder, by name, while the block lasts."""
    stop, given = threading.Event(), Queue[str]()

    def look() -> None:
        for files in arrivals(folder, stop=stop, **more):
            for file in files:
                given.put(file.photo)

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield given
    finally:
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def test_what_is_there_comes_first_and_then_what_arrives(tmp_path: Path) -> None:
    write_drawing(tmp_path / "tray_1.jpg", (400, 300))
    with watched(tmp_path, leave_out=tmp_path / "results") as given:
        assert given.get(timeout=PATIENCE_S) == "tray_1.jpg"
        write_drawing(tmp_path / "results" / "pictures" / "tray_1.jpg", (400, 300))
        (tmp_path / "notes.txt").write_text("mine")
        write_drawing(tmp_path / "phone" / "tray_2.jpg", (400, 300))
        assert given.get(timeout=PATIENCE_S) == "phone/tray_2.jpg"
        with pytest.raises(Empty):
            given.get(timeout=STILL_S + 1)


def test_a_photo_is_waited_for_while_it_is_written(tmp_path: Path) -> None:
    data = write_drawing(tmp_path / "elsewhere" / "tray.jpg", (400, 300)).read_bytes()
    folder = tmp_path / "photos"
    folder.mkdir()
    with watched(folder) as given, (folder / "tray.jpg").open("wb") as file:
        for part in range(6):  # slower than the watch looks, faster than a file is taken as whole
            file.write(data[part * len(data) // 6 : (part + 1) * len(data) // 6])
            file.flush()
            time.sleep(STILL_S / 2)
            if part < 5:
                assert given.empty(), "half a photo was given"
        assert given.get(timeout=PATIENCE_S) == "tray.jpg"


def test_a_photo_that_is_written_over_is_given_again(tmp_path: Path) -> None:
    write_drawing(tmp_path / "tray.jpg", (400, 300))
    with watched(tmp_path) as given:
        assert given.get(timeout=PATIENCE_S) == "tray.jpg"
        write_drawing(tmp_path / "tray.jpg", (500, 375))
        assert given.get(timeout=PATIENCE_S) == "tray.jpg"


def test_the_command_scores_arrivals_until_ctrl_c(tmp_path: Path) -> None:
    """The whole command, ended as a person ends it."""
    photos, out = tmp_path / "photos", tmp_path / "out"
    write_drawing(photos / "tray_1.jpg", (1600, 1200))
    command = [sys.executable, "-m", "scorer", "score", str(photos), "--watch", "--out", str(out), "--held", "any"]
    hears_ctrl_c = partial(signal.signal, signal.SIGINT, signal.SIG_DFL)  # a shell's background jobs ignore it
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=hears_ctrl_c
    ) as run:
        assert run.stderr is not None
        lines = iter(run.stderr.readline, "")
        assert "Watching" in next(lines)
        assert next(lines).startswith("1 tray_1.jpg")
        write_drawing(photos / "tray_2.jpg", (1600, 1200))
        assert next(lines).startswith("2 tray_2.jpg")
        run.send_signal(signal.SIGINT)
        said, trouble = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 0, trouble
    assert "2 photos scored; tables in" in said
    assert [line.split(",")[0] for line in (out / "photos.csv").read_text().splitlines()] == [
        "photo",
        "tray_1.jpg",
        "tray_2.jpg",
    ]
