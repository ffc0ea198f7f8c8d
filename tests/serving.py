"""Real servers and a real browser for tests of the pages.

``serving`` starts the server in a process of its own, either as `scorer app` does or with a script of the test's; run
as a module, this file is that process.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, sync_playwright

from app.settings import SETTINGS_VARIABLE, AppSettings, app_settings, settings_beside
from scorer.access.lan import address_of
from scorer.records.database import records_url

CHECKOUT = Path(__file__).resolve().parent.parent
CHROMIUM = Path("/usr/bin/chromium")
NEED_BROWSER = "SCORER_TESTS_NEED_BROWSER"
PATIENCE_S = 120
"""How long a start or an answer may take before a test gives up; a busy machine is no fault."""


@dataclass(frozen=True)
class Served:
    """A server that runs.

    Parameters
    ----------
    settings : that it was started with.
    process : that it runs in.
    output : file of what it writes to the terminal.
    """

    settings: AppSettings
    process: subprocess.Popen[bytes]
    output: Path

    @property
    def address(self) -> str:
        """Where its pages are, on this computer."""
        return address_of("127.0.0.1", self.settings.port)

    def terminal(self) -> str:
        """What it has written to the terminal so far."""
        return self.output.read_text("utf-8", "replace")


def free_port() -> int:
    """A port that nothing listens on now."""
    with socket.socket() as tried:
        tried.bind(("127.0.0.1", 0))
        return int(tried.getsockname()[1])


def settings_in(folder: Path, **changes: object) -> AppSettings:
    """Settings for a server whose season and photos lie in a folder, at a free port."""
    plain = settings_beside(records_url(folder / "season.sqlite"), site="shed", zone="Australia/Darwin")
    return replace(plain, **{"port": free_port(), **changes})  # type: ignore[arg-type]


@contextmanager
def serving(settings: AppSettings, script: Path | None = None, **environment: str) -> Iterator[Served]:
    """A server with these settings while the block lasts.

    Parameters
    ----------
    settings : how it is started.
    script : that every visit runs, alone; without it, the pages with all their parts.
    environment : more environment variables for the server.
    """
    command = [sys.executable, "-m", "tests.serving", *([str(script)] if script else [])]
    with started(command, settings, **environment) as served:
        yield served


@contextmanager
def started(command: list[str], settings: AppSettings, **environment: str) -> Iterator[Served]:
    """The process of a command that serves at the port in the settings, once it listens there."""
    output = settings.log_file.with_name(f"terminal-{settings.port}.txt")
    output.parent.mkdir(parents=True, exist_ok=True)
    everything = {**os.environ, SETTINGS_VARIABLE: settings.to_json(), "PYTHONUNBUFFERED": "1", **environment}
    with output.open("wb") as written:
        process = subprocess.Popen(command, cwd=CHECKOUT, env=everything, stdout=written, stderr=subprocess.STDOUT)
    served = Served(settings, process, output)
    try:
        _wait_until_it_answers(served)
        yield served
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextmanager
def chromium() -> Iterator[Browser]:
    """A real browser; skips the test where there is none, unless SCORER_TESTS_NEED_BROWSER is set."""
    if not CHROMIUM.exists():
        if os.environ.get(NEED_BROWSER) == "1":
            pytest.fail(f"{NEED_BROWSER} is set, and there is no {CHROMIUM}")
        pytest.skip(f"there is no {CHROMIUM}; set {NEED_BROWSER}=1 to fail instead")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


def _wait_until_it_answers(served: Served) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while time.monotonic() < give_up:
        if served.process.poll() is not None:
            pytest.fail(f"the server ended with {served.process.returncode}:\n{served.terminal()}")
        try:
            httpx.get(served.address, timeout=PATIENCE_S, trust_env=False)
        except httpx.TransportError:
            time.sleep(0.05)
            continue
        return
    pytest.fail(f"the server did not answer:\n{served.terminal()}")


def _serve() -> None:
    from app.serve import build_app, run_app

    settings = app_settings()
    if sys.argv[1:]:
        run_app(settings, build_app(settings, script=Path(sys.argv[1])))
        return
    from app.whole import whole_app

    run_app(settings, whole_app(settings))


if __name__ == "__main__":
    _serve()
