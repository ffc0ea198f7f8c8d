"""Catch what the C decoders print about a damaged file, for they tell it nowhere else."""

from __future__ import annotations

import os
import tempfile
import threading
from types import TracebackType

_STDERR = 2
_ONE_AT_A_TIME = threading.Lock()  # the error stream belongs to the whole process
_DECODERS_SAY = (
    "Corrupt JPEG",
    "Premature end",
    "Invalid",
    "Unsupported",
    "Bogus",
    "Warning: ",
    "libpng",
    "[",
)
_HARMLESS = "extraneous bytes before marker"  # some cameras pad their files so


class DecoderNoise:
    """A block in which the process's error stream is read instead of shown.

    libjpeg reports a scan that breaks off in the middle, and paints grey in its place, by one line on the
    error stream. Lines that no decoder wrote are passed on afterwards.

    Attributes
    ----------
    lines : what the decoders said, once the block has ended; empty as well where there is no error stream.
    """

    def __init__(self) -> None:
        self.lines: list[str] = []

    @property
    def tells_damage(self) -> bool:
        """Whether something was said that means wrong pixels."""
        return any(_HARMLESS not in line for line in self.lines)

    def __enter__(self) -> DecoderNoise:
        _ONE_AT_A_TIME.acquire()
        self._file = tempfile.TemporaryFile()
        try:
            self._shown: int | None = os.dup(_STDERR)
            os.dup2(self._file.fileno(), _STDERR)
        except OSError:  # a process without an error stream
            self._shown = None
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if self._shown is None:
                return
            os.dup2(self._shown, _STDERR)
            self._file.seek(0)
            for line in self._file.read().decode("utf-8", "replace").splitlines():
                if line.startswith(_DECODERS_SAY):
                    self.lines.append(line)
                else:
                    os.write(self._shown, line.encode() + b"\n")
            os.close(self._shown)
        finally:
            self._file.close()
            _ONE_AT_A_TIME.release()
