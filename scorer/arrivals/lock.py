"""A lock that one process holds and that its death sets free."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

LOOK_AGAIN_S: Final = 0.1


@contextmanager
def lock_held(path: Path, give_up: Callable[[], bool] = lambda: False) -> Iterator[bool]:
    """Wait for the lock of a file, hold it, and let it go.

    Parameters
    ----------
    path : the file; made where it is missing, and left there.
    give_up : asked again and again while somebody else holds it.

    Returns
    -------
    Whether it is held; not where ``give_up`` said so first.

    Raises
    ------
    OSError : the file cannot be made.
    """
    file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        held = _take(file)
        while not held and not give_up():
            time.sleep(LOOK_AGAIN_S)
            held = _take(file)
        yield held
    finally:
        os.close(file)  # lets it go


def _take(file: int) -> bool:
    with suppress(BlockingIOError, PermissionError):
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return True
    return False
