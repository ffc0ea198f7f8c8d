"""Fit a model in the background: a process of its own that runs ``scorer train fit``, one at a time for the records.

Run as ``python -m scorer.fitting_process`` it is that process: it is told what to fit on its input, and says on its
output that it has begun. What it does lies in files beside the records, so that any server sees it, also one that was
started later::

    season.fitting/lock         held by the process for as long as it lives
                   run.json     what is fitted, by whom, since when, and the number of the process
                   log.txt      what the command said
                   ended.json   how it ended; missing where the process was killed

A model comes onto the shelf whole or not at all, so a process that is stopped or dies leaves nothing of it behind.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import Thread
from typing import Any, Final

from sqlalchemy.engine import URL

from scorer.access.roles import Person, Right
from scorer.arrivals.lock import lock_held
from scorer.arrivals.whole_files import read_json, write_json
from scorer.errors import ModelError, OutputError
from scorer.language import message
from scorer.model_shelf.site_model import Wishes
from scorer.records.beside import place_beside
from scorer.records.database import DATABASE_VARIABLE
from scorer.results import reason_of, remove_file

RUNNING, FINISHED, REFUSED, STOPPED, DIED = "running", "finished", "refused", "stopped", "died"
LINES_SHOWN: Final = 8
PATIENCE_S: Final = 20.0
"""How long a process may take to end once it is asked to; then it is killed, which loses nothing either."""
LONGEST_NAME: Final = 40
UNFORESEEN: Final = message(
    "The fitting failed in a way that nobody foresaw; what it said is in log.txt beside the records."
)

_NAME: Final = re.compile(r"[^\W_][\w -]*")
_INTERRUPTED: Final = 130
_BEGUN, _BUSY = "begun", "busy"
_REFUSAL, _STEP = "Error: ", " ..."
_MOST_LOG_BYTES: Final = 65_536


@dataclass(frozen=True)
class Fitting:
    """The newest fit of a model, and how far it is.

    Parameters
    ----------
    name : that the model is to have.
    who, began_at : asked for it, and when, in UTC.
    state : RUNNING, FINISHED, REFUSED (``said`` tells why), STOPPED by somebody, or DIED without a word.
    said : the last sentence of the command: what it does, what came out, or why it was refused.
    lines : the last LINES_SHOWN lines of its log.
    """

    name: str
    who: str
    began_at: datetime
    state: str
    said: str
    lines: tuple[str, ...]


def start(person: Person, records: URL, name: str, wishes: Wishes) -> Fitting:
    """Begin to fit a model on all labels in the records.

    Parameters
    ----------
    records : address of the records; the model comes onto their shelf.
    name : that the model is to have there.
    wishes : as for ``scorer.model_shelf.site_model.fit_on_labels``.

    Raises
    ------
    AccessError : the person may not train models.
    ModelError : nobody is named, the model has no name, or another model is being fitted.
    OutputError : the place beside the records cannot be written, or no process can be started.
    """
    person.must(Right.TRAIN)
    who, called = " ".join(person.name.split()), " ".join(name.split())
    if not who:
        raise ModelError("Nobody is named who fits a model; say your name first.")
    if len(called) > LONGEST_NAME or not _NAME.fullmatch(called):  # it becomes the name of a folder
        raise ModelError(
            f"Give the model a name of 1 to {LONGEST_NAME} letters, digits, blanks and dashes, a letter or digit first."
        )
    folder = _folder(records)
    plan = {"folder": str(folder), "name": called, "who": who, "arguments": _arguments(called, who, wishes)}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        answer = _spawn(plan, records)
    except OSError as error:
        raise OutputError(f"No model can be fitted from {folder} ({reason_of(error)}); check its rights.") from error
    now = _state(folder)
    if answer == _BUSY and now is not None:
        raise ModelError(f"{now.who} is having a model fitted, {now.name}; wait for its end, or stop it first.")
    if answer != _BEGUN or now is None:
        raise OutputError(f"The process that fits models did not begin ({answer or 'it died'}); look at {folder}.")
    return now


def state(person: Person, records: URL) -> Fitting | None:
    """How the newest fit is getting on; None where there was none.

    Raises
    ------
    AccessError : the person may not train models.
    RecordsError : the records have no place of their own.
    """
    person.must(Right.TRAIN)
    return _state(_folder(records))


def stop(person: Person, records: URL) -> None:
    """End the fit that is running, if one is; its model is not kept.

    Raises
    ------
    AccessError : the person may not train models.
    RecordsError : the records have no place of their own.
    """
    person.must(Right.TRAIN)
    folder = _folder(records)
    for sign in (signal.SIGINT, getattr(signal, "SIGKILL", signal.SIGTERM)):
        run = read_json(folder / "run.json")
        if run is None or not _is_held(folder):
            return
        with suppress(ProcessLookupError):
            os.kill(int(run["pid"]), sign)
        _wait(lambda: not _is_held(folder))


def _folder(records: URL) -> Path:
    return place_beside(records, "fitting")


def _arguments(name: str, who: str, wishes: Wishes) -> list[str]:
    """The command, without the records' address, which may hold a password."""
    more = [] if wishes.wanted_error is None else ["--error", f"{100 * wishes.wanted_error:g}"]
    more += ["--thresholds"] if wishes.thresholds else []
    more += ["--drawn-trays", str(wishes.drawn_trays)]
    more += ["--limits", wishes.limits, "--seed", str(wishes.seed), "--jobs", str(wishes.jobs)]
    return ["train", "fit", f"--who={who}", *more, "--", name]


def _spawn(plan: Mapping[str, Any], records: URL) -> str:
    """Start the process, and wait for its first word."""
    address = records.render_as_string(hide_password=False)
    child = subprocess.Popen(
        [sys.executable, "-m", "scorer.fitting_process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        encoding="utf-8",
        env=os.environ | {DATABASE_VARIABLE: address, "PYTHONIOENCODING": "utf-8"},
    )
    assert child.stdin is not None
    assert child.stdout is not None
    with child.stdin, child.stdout:
        with suppress(BrokenPipeError):  # it died at once
            child.stdin.write(json.dumps(plan) + "\n")
            child.stdin.flush()
        word = child.stdout.readline().strip()
    Thread(target=child.wait, name="fitting", daemon=True).start()  # so that it leaves no entry when it ends
    return word


def _state(folder: Path) -> Fitting | None:
    held = _is_held(folder)  # asked first: what ends in between has written how
    run, ended = read_json(folder / "run.json"), read_json(folder / "ended.json")
    if run is None:
        return None
    lines = _log(folder / "log.txt")
    code = None if ended is None else ended.get("code")
    how = RUNNING if held else DIED if code is None else {0: FINISHED, _INTERRUPTED: STOPPED}.get(code, REFUSED)
    began_at = datetime.fromisoformat(run["began_at"])
    return Fitting(run["name"], run["who"], began_at, how, _said(lines, how), lines[-LINES_SHOWN:])


def _log(path: Path) -> tuple[str, ...]:
    """The lines of a log, without blank ones; of a very long one the last."""
    try:
        text = path.read_bytes()[-_MOST_LOG_BYTES:].decode("utf-8", "replace")
    except OSError:
        return ()
    return tuple(line.strip() for line in text.splitlines() if line.strip())


def _said(lines: tuple[str, ...], how: str) -> str:
    """The sentence that counts: of a refusal all from its beginning on, of a result the one before its place."""
    if how == REFUSED:
        begins = [number for number, line in enumerate(lines) if line.startswith(_REFUSAL)]
        return " ".join(lines[begins[-1] :]).removeprefix(_REFUSAL) if begins else UNFORESEEN
    if how == RUNNING:
        return next((line.removesuffix(_STEP) for line in reversed(lines) if line.endswith(_STEP)), "")
    told = lines[:-1] if how == FINISHED and len(lines) > 1 else lines  # the last line says where it lies
    return told[-1] if told else ""


def _is_held(folder: Path) -> bool:
    """Whether a process is at it."""
    if not (folder / "lock").exists():
        return False
    with lock_held(folder / "lock", _after(1)) as free:  # once more, for somebody else may just be asking the same
        return not free


def _after(tries: int) -> Callable[[], bool]:
    """Give up once this has been asked so often and once more."""
    left = iter([False] * tries)
    return lambda: next(left, True)


def _wait(done: Callable[[], bool]) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while time.monotonic() < give_up and not done():
        time.sleep(0.05)


def main() -> None:
    """Fit what the input says, as the command would, and write down how it ended."""
    plan = json.loads(sys.stdin.readline())
    folder = Path(plan["folder"])
    with lock_held(folder / "lock", _after(10)) as held:
        if not held:
            sys.stdout.write(f"{_BUSY}\n")
            return
        for name in ("run.json", "ended.json", "log.txt"):
            remove_file(folder / name)
        about = {"name": plan["name"], "who": plan["who"], "pid": os.getpid()}
        write_json(folder / "run.json", about | {"began_at": datetime.now(UTC).isoformat()})
        write_json(folder / "ended.json", {"code": _run(folder / "log.txt", plan["arguments"])})


def _run(log: Path, arguments: list[str]) -> int:
    """Exit code of the command, all that it says being written to the log."""
    asked_to_stop = False

    def interrupt(number: int, frame: object) -> None:
        nonlocal asked_to_stop
        asked_to_stop = True
        raise KeyboardInterrupt

    signal.signal(signal.SIGINT, interrupt)  # a server in the background of a shell hands down that it is passed over
    try:
        sys.stdout.write(f"{_BEGUN}\n")
        sys.stdout.flush()
        with log.open("wb") as file:
            os.dup2(file.fileno(), 1)
            os.dup2(file.fileno(), 2)
        from scorer.cli import main as command

        command.main(arguments, prog_name="scorer")
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    except KeyboardInterrupt:
        code = _INTERRUPTED
    except Exception:
        import traceback

        traceback.print_exc()
        code = 1
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # how it ended is to be written down
    sys.stdout.flush()
    return _INTERRUPTED if asked_to_stop and code else code


if __name__ == "__main__":
    main()
