"""A PostgreSQL server of the tests' own: on a loopback port, in a folder that goes away with it."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

NEEDED = "SCORER_TESTS_NEED_POSTGRESQL"
"""Set where a missing server is a failure and not a reason to skip, as in `.ci/run`."""
SERVER_USER = "postgres"  # the server refuses to run as root; Debian's package makes this user


def _programs() -> Path | None:
    """Folder of the newest installed server's programs."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def server() -> Iterator[str]:
    """Run a server in a folder of its own and give the address of its empty database."""
    programs = _programs()
    if programs is None:
        if os.environ.get(NEEDED):
            pytest.fail(f"{NEEDED} is set, but PostgreSQL's server is not installed.")
        pytest.skip("PostgreSQL's server is not installed; Debian's package is called postgresql.")
    user = SERVER_USER if os.geteuid() == 0 else None
    port = _free_port()
    with tempfile.TemporaryDirectory(prefix="season") as name:  # not in pytest's own, which are closed to other users
        folder = Path(name)
        if user is not None:
            shutil.chown(folder, user)

        def run(program: str, *arguments: str) -> None:
            command = [str(programs / program), *arguments]
            with (folder / "said").open("w") as said:  # a pipe would stay open as long as the server runs
                done = subprocess.run(command, stdout=said, stderr=said, user=user, cwd=folder, check=False)
            assert done.returncode == 0, (folder / "said").read_text()

        data = str(folder / "data")
        run("initdb", "-D", data, "-U", "season", "-A", "trust", "-E", "UTF8", "--no-sync")
        options = f"-p {port} -c listen_addresses=127.0.0.1 -k {folder} -c fsync=off"
        run("pg_ctl", "-D", data, "-w", "-o", options, "-l", str(folder / "log"), "start")
        try:
            yield f"postgresql://season@127.0.0.1:{port}/postgres"
        finally:
            run("pg_ctl", "-D", data, "-m", "immediate", "stop")
