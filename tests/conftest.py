"""What all tests share: the setting of property tests, and records to write into.

CI draws the same examples each time, a developer's machine new ones.
"""

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from sqlalchemy import Engine

from tests.drawn_records import fresh_records
from tests.postgresql import server

SLOW_IS_FINE = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}  # a busy machine is no fault
settings.register_profile("ci", derandomize=True, **SLOW_IS_FINE)
settings.register_profile("here", **SLOW_IS_FINE)
settings.load_profile("ci" if os.environ.get("CI") else "here")


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """Address of a PostgreSQL database of the tests' own; skips where no server is installed."""
    with server() as address:
        yield address


@pytest.fixture(params=["sqlite", "postgresql"])
def records(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Engine]:
    """Empty records, once in an SQLite file and once in PostgreSQL."""
    engine = fresh_records(request.param, tmp_path, lambda: str(request.getfixturevalue("postgresql")))
    yield engine
    engine.dispose()


@pytest.fixture(scope="session", autouse=True)
def _ctrl_c_is_heard() -> None:
    """Let what tests start end with Ctrl-C, even where the tests run in the background of a shell without job control:
    such a shell has SIGINT ignored by all that it starts there (POSIX.1-2017, XCU 2.11).
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True)
def _same_main_module(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put the main module back after each test: Streamlit's tester leaves a page's script there, which processes that a
    later test spawns would run.
    """
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])
