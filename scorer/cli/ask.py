"""What all commands share: kinds of options, exit codes, and refusals as one sentence."""

from __future__ import annotations

import getpass
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from scorer.errors import ScorerError

if TYPE_CHECKING:
    from scorer.access.roles import Person

Result = TypeVar("Result")

SOME_FAILED: Final = 1
INTERRUPTED: Final = 130
USUAL_PLACE: Final = "(usual place)"
"""What --records holds when it is given without a file."""

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)
PDF = CSV = CHART = click.Path(dir_okay=False, path_type=Path)


def of_records(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the option that says which records; it is handed to ``where``."""
    return click.option(
        "--records",
        "where",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help="The records' SQLite file. [default: what SCORER_DATABASE_URL says, else the usual place]",
    )(command)


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


def analyst(who: str | None) -> Person:
    """Whoever sits at this computer, as an analyst; its files are theirs to change anyway."""
    from scorer.access.roles import Person, Role

    if who is None:
        try:
            who = getpass.getuser()
        except (OSError, KeyError, ImportError) as error:  # a user without a name, as in some containers
            raise click.UsageError("This computer's user has no name; say who you are with --who NAME.") from error
    return Person(who, frozenset({Role.ANALYST}))
