"""Wait for photos to arrive in a folder, from a phone's sync or a cable, and give each once it is whole."""

from __future__ import annotations

import time
from collections.abc import Generator
from pathlib import Path
from threading import Event
from typing import Final

from watchfiles import watch

from scorer.photo_files import PhotoFile, find_photos

STILL_S: Final = 2.0
"""How long a file must not have changed to be taken as whole: copying over a phone's cable pauses for less."""
LOOK_EVERY_MS: Final = 500

_Look = tuple[int, int]  # size and time of the last change


def arrivals(folder: Path, *, leave_out: Path | None = None, stop: Event | None = None) -> Generator[list[PhotoFile]]:
    """Give the photos of a folder, those that are there first, then those that arrive, each once it is whole.

    A photo that is written over, such as one that was cut off and copied again, is given again.

    Parameters
    ----------
    folder : watched with all its subfolders.
    leave_out : a folder in it that is not watched, such as the one for the results.
    stop : ends the watch once set; without it, Ctrl-C does.
    """
    given: dict[Path, _Look] = {}
    seen: dict[Path, tuple[_Look, float]] = {}
    for _ in watch(folder, stop_event=stop, yield_on_timeout=True, rust_timeout=LOOK_EVERY_MS, step=50):
        now = time.monotonic()
        whole = []
        for file in find_photos([folder], leave_out=leave_out):
            look = _look_at(file.path)
            if look is None or given.get(file.path) == look:
                continue
            before, since = seen.get(file.path, (None, now))
            seen[file.path] = (look, since if before == look else now)
            if before == look and now - since >= STILL_S:
                given[file.path] = look
                del seen[file.path]
                whole.append(file)
        if whole:
            yield whole


def _look_at(path: Path) -> _Look | None:
    """Size and last change of a file; None where it is empty yet, or gone again."""
    try:
        state = path.stat()
    except OSError:
        return None
    return (state.st_size, state.st_mtime_ns) if state.st_size else None
