"""Keep a process that scores arriving photos alive: start it, start it again when it died, stop it.

It is a plain child process rather than one of ``multiprocessing``: that would load the main module of this process a
second time, and under Streamlit that may be a page.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from contextlib import suppress
from threading import Event, Lock, Thread
from typing import Final

from scorer.arrivals.scoring import ALL_WELL, STOPPED_BY_REFUSAL, ScoringPlan
from scorer.errors import OutputError
from scorer.records.scoring_trouble import note_trouble

PATIENCE_S: Final = 60.0
"""How long the photo in hand may take before a stop becomes a kill; it is begun again next time."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 30.0
LONG_RUN_S: Final = 60.0
"""A process that lived so long did not die of how it was started, so the next one follows at once."""
DIED: Final = "The process that scores photos died and is started again; photos that wait are safe."
_ONE_THREAD: Final = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


class ScoringProcess:
    """The scoring of one inbox, in a process of its own that is started again whenever it dies."""

    def __init__(self, plan: ScoringPlan) -> None:
        """Begin nothing yet.

        Parameters
        ----------
        plan : what to score from, with and into.
        """
        self._plan = plan
        self._ended, self._lock = Event(), Lock()
        self._child: subprocess.Popen[str] | None = None
        self._watcher: Thread | None = None
        self._trouble = ""

    @property
    def trouble(self) -> str:
        """Why nothing is being scored at the moment, in a sentence; empty while all is well."""
        return self._trouble

    @property
    def pid(self) -> int | None:
        """Number of the process that scores; None while there is none."""
        child = self._child
        return child.pid if child is not None and child.poll() is None else None

    def start(self) -> None:
        """Begin scoring; does nothing where that has begun."""
        with self._lock:
            if self._watcher is None:
                self._ended.clear()
                self._watcher = Thread(target=self._keep_alive, name="scoring", daemon=True)
                self._watcher.start()

    def stop(self, patience_s: float = PATIENCE_S) -> None:
        """End scoring after the photo in hand, or after so long without it."""
        with self._lock:
            if self._watcher is None:
                return
            self._ended.set()
            self._ask_to_end()
            self._watcher.join(patience_s)
            if self._watcher.is_alive() and (child := self._child) is not None:
                child.kill()
            self._watcher.join()
            self._watcher = None

    def _keep_alive(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._ended.is_set():
            began = time.monotonic()
            self._run_once()
            pause_s = FIRST_PAUSE_S if time.monotonic() - began > LONG_RUN_S else min(2 * pause_s, LONGEST_PAUSE_S)
            self._ended.wait(pause_s)

    def _run_once(self) -> None:
        """Run the process until it ends, by itself or because it is to."""
        with subprocess.Popen(
            [sys.executable, "-m", "scorer.arrivals.scoring"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            env=os.environ | _ONE_THREAD | {"PYTHONIOENCODING": "utf-8"},
        ) as child:
            self._child = child
            assert child.stdin is not None
            assert child.stdout is not None
            with suppress(BrokenPipeError):  # it died at once
                child.stdin.write(self._plan.to_json() + "\n")
                child.stdin.flush()
            if self._ended.is_set():
                self._ask_to_end()
            said = ""
            for line in child.stdout:
                said = line.strip()
                if said == ALL_WELL:
                    self._note("")
            code = child.wait()
        self._child = None
        if not self._ended.is_set():
            self._note(said if code == STOPPED_BY_REFUSAL else DIED)

    def _note(self, trouble: str) -> None:
        """Keep in mind why nothing is scored, and beside the records for the page on their health."""
        self._trouble = trouble
        with suppress(OutputError):  # a full disk may be the trouble
            note_trouble(self._plan.records_url, trouble)

    def _ask_to_end(self) -> None:
        """Close the process's input, which tells it to end."""
        if (child := self._child) is not None and child.stdin is not None:
            with suppress(BrokenPipeError):
                child.stdin.close()
