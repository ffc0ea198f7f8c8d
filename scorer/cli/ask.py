"""What all commands share: kinds of options, exit codes, and refusals as one sentence."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar

import click

from scorer.errors import ScorerError

Result = TypeVar("Result")

SOME_FAILED: Final = 1
INTERRUPTED: Final = 130
USUAL_PLACE: Final = "(usual place)"
"""What --records holds when it is given without a file."""

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)
PDF = CSV = CHART = click.Path(dir_okay=False, path_type=Path)


def or_usage(call: Callable[[], Result]) -> Result:
    """Answer of a call whose refusal means that the command was given wrong input."""
    try:
        return call()
    except ScorerError as error:
        raise click.UsageError(str(error)) from error


def or_sentence(call: Callable[[], Result]) -> Result:
    """Answer of a call whose refusal ends the command with its sentence."""
    try:
        return call()
    except ScorerError as error:
        raise click.ClickException(str(error)) from error
