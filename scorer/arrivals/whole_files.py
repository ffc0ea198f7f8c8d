"""Write small files so that their names never stand for a part of them, also where two writers meet; read them back."""

from __future__ import annotations

import json
import secrets
from pathlib import Path
from typing import Any

from scorer.errors import OutputError
from scorer.results import reason_of, remove_file, write_whole


def write_bytes(path: Path, data: bytes) -> None:
    """Put a file in its place, whole and on the disk; of two writers at once, the later stands.

    Raises
    ------
    OutputError : the disk is full, or the folder is gone or may not be written to.
    """
    own = path.with_name(f"{secrets.token_hex(4)}.{path.name}")  # two threads of one process must not share it
    write_whole(own, data, to_disk=True)
    try:
        own.replace(path)
    except OSError as error:
        remove_file(own)
        raise OutputError(f"{path} cannot be written ({reason_of(error)}); check the disk and its rights.") from error


def write_json(path: Path, said: dict[str, Any]) -> None:
    """Put a JSON file in its place; raises as `write_bytes` does."""
    write_bytes(path, json.dumps(said, ensure_ascii=False, indent=1).encode("utf-8", "replace"))


def read_json(path: Path) -> dict[str, Any] | None:
    """What a JSON file says; None where it is not there (yet) or is not one of ours."""
    try:
        said = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None
    return said if isinstance(said, dict) else None
