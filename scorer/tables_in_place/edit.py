"""Look at limit and price tables and change a shed's own: what a page calls.

Whoever may see crew figures may look; to change takes ``Right.EDIT_TABLES``. Nothing is replaced before the very
readers that scoring uses have taken the new table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import pandas as pd

from scorer.access.roles import Person, Right
from scorer.errors import LimitsError, PricesError, ScorerError, TableError
from scorer.tables_in_place.content import content_of
from scorer.tables_in_place.differences import differences
from scorer.tables_in_place.limit_frames import limits_as_toml
from scorer.tables_in_place.names import LIMITS, TableName, names_there
from scorer.tables_in_place.price_frames import prices_as_toml
from scorer.tables_in_place.toml_text import with_values
from scorer.tables_in_place.versions import (
    BEGUN,
    CHANGED,
    PUT_AGAIN,
    TAKEN_BACK,
    Version,
    back_to,
    keep_version,
    must_be_newest,
    steps_of,
    versions_of,
)

THERE_DTYPES: Final = {
    "subject": "str",
    "name": "str",
    "own": "bool",
    "version": "Int64",
    "who": "str",
    "at": "datetime64[us, UTC]",
    "label": "str",
    "trouble": "str",
}
HISTORY_DTYPES: Final = {
    "version": "int64",
    "who": "str",
    "at": "datetime64[us, UTC]",
    "did": "str",
    "same_as": "Int64",
    "why": "str",
    "differences": "str",
}


@dataclass(frozen=True)
class Editable:
    """A table as it is now.

    Parameters
    ----------
    which : its name.
    version : to be handed back with a change, so that nobody's change is written over; 0 for a shipped table.
    own : whether it is the shed's own and can be changed.
    frames : by part, with the columns of LIMIT_COLUMNS or PRICE_COLUMNS.
    can_undo, can_redo : whether a change can be taken back, or put again.
    """

    which: TableName
    version: int
    own: bool
    frames: Mapping[str, pd.DataFrame]
    can_undo: bool = False
    can_redo: bool = False


def tables_there(person: Person, folder: Path) -> pd.DataFrame:
    """All tables: one row to each, with the columns THERE_DTYPES.

    ``label`` is what to call it; ``trouble`` says why a table cannot be used, and is empty for the others.

    Raises
    ------
    AccessError : the person may not look.
    """
    _must_look(person)
    rows = [_row_of(folder, which) for which in names_there(folder)]
    return pd.DataFrame(rows, columns=list(THERE_DTYPES)).astype(THERE_DTYPES)


def path_of(folder: Path, which: TableName) -> Path:
    """The file by which scoring and crew figures use a table."""
    return which.shipped_file if which.is_shipped else which.own_file(folder)


def as_frames(person: Person, folder: Path, which: TableName) -> Editable:
    """A table's values as frames to edit.

    Raises
    ------
    AccessError : the person may not look.
    TableError : there is no such table.
    LimitsError, PricesError : its file cannot be used as it is.
    """
    _must_look(person)
    if which.is_shipped:
        return Editable(which, 0, False, content_of(which, _shipped_text(which)).frames)
    versions = versions_of(folder, which)
    steps = steps_of(versions)
    return Editable(
        which,
        versions[-1].number,
        True,
        content_of(which, versions[-1].text).frames,
        can_undo=len(steps.done) > 1,
        can_redo=bool(steps.undone),
    )


def begin_own(person: Person, folder: Path, source: TableName, name: str, why: str = "") -> Editable:
    """Begin a shed's own table as a copy of another, comments and all.

    Parameters
    ----------
    source : a shipped table, or one of the shed's own.
    name : of the new one.

    Raises
    ------
    AccessError : the person may not change tables.
    TableError : the name cannot be used or is taken, there is no such source, nobody is named, or it cannot be written.
    LimitsError, PricesError : the source cannot be used.
    """
    who = _who(person)
    new = TableName(source.subject, name)
    if new in names_there(folder):
        raise TableError(f"There is a table {name} of {new.subject} already; take another name.")
    text = _shipped_text(source) if source.is_shipped else versions_of(folder, source)[-1].text
    content_of(new, text)
    why = why.strip() or f"copy of {source.name}"
    keep_version(folder, new, Version(1, who, datetime.now(UTC), BEGUN, why, text))
    return as_frames(person, folder, new)


def changed(
    person: Person,
    folder: Path,
    which: TableName,
    frames: Mapping[str, pd.DataFrame],
    why: str,
    *,
    basis: int,
) -> int:
    """Change a shed's own table to what edited frames say.

    Parameters
    ----------
    frames : as ``as_frames`` gave them, edited; rows may be added, removed and moved.
    why : a word on why, for those who look later.
    basis : the version that was edited.

    Returns
    -------
    Number of the new version.

    Raises
    ------
    AccessError : the person may not change tables.
    TableError : the table is a shipped one, has a newer version than ``basis``, is not changed at all, or cannot be
        written; nobody is named, no reason is given, or two rows contradict each other.
    LimitsError, PricesError : the readers refuse the new values. Nothing was written.
    """
    who = _who(person)
    if not why.strip():
        raise TableError(f"Say in a word why {which.name} is changed; others will want to know.")
    versions = _to_change(folder, which, basis)
    newest = versions[-1]
    content_of(which, newest.text)  # what cannot be read cannot be edited, only taken back
    text = with_values(newest.text, limits_as_toml(frames) if which.subject == LIMITS else prices_as_toml(frames))
    content_of(which, text)
    if text == newest.text:
        raise TableError(f"Nothing differs from version {newest.number} of {which.name}; change a value first.")
    keep_version(folder, which, Version(newest.number + 1, who, datetime.now(UTC), CHANGED, why.strip(), text))
    return newest.number + 1


def undo(person: Person, folder: Path, which: TableName, *, basis: int, why: str = "") -> int:
    """Take the newest change back that still is in force; the table is then as before, under a new number.

    Raises
    ------
    AccessError, TableError : as for ``changed``; or there is nothing to take back.
    """
    who = _who(person)
    versions = _to_change(folder, which, basis)
    done = steps_of(versions).done
    if len(done) < 2:
        raise TableError(f"There is no change of {which.name} to take back.")
    keep_version(folder, which, back_to(versions, done[-2], TAKEN_BACK, who, why.strip()))
    return basis + 1


def redo(person: Person, folder: Path, which: TableName, *, basis: int, why: str = "") -> int:
    """Put the change again that was taken back last; possible until another change is made.

    Raises
    ------
    AccessError, TableError : as for ``changed``; or there is nothing to put again.
    """
    who = _who(person)
    versions = _to_change(folder, which, basis)
    undone = steps_of(versions).undone
    if not undone:
        raise TableError(f"There is no change of {which.name} that was taken back and can be put again.")
    keep_version(folder, which, back_to(versions, undone[-1], PUT_AGAIN, who, why.strip()))
    return basis + 1


def history(person: Person, folder: Path, which: TableName) -> pd.DataFrame:
    """All versions of a shed's own table, newest first, with the columns HISTORY_DTYPES.

    ``differences`` says in words what each changed of the one before it.

    Raises
    ------
    AccessError : the person may not look.
    TableError : there is no such table of the shed's own.
    """
    _must_look(person)
    versions = versions_of(folder, which)
    rows = []
    for before, version in zip([None, *versions[:-1]], versions, strict=True):
        said = "; ".join(_differences(which, before, version)) if before else ""
        rows.append((version.number, version.who, version.at, version.did, version.same_as, version.why, said))
    return pd.DataFrame(rows[::-1], columns=list(HISTORY_DTYPES)).astype(HISTORY_DTYPES)


def text_of(person: Person, folder: Path, which: TableName, number: int) -> str:
    """The whole file as it was in one version, comments and all.

    Raises
    ------
    AccessError : the person may not look.
    TableError : there is no such version.
    """
    _must_look(person)
    return _numbered(folder, which, number).text


def what_differs(person: Person, folder: Path, which: TableName, older: int, newer: int) -> list[str]:
    """What differs between two versions, in words such as ``class I, size B: 3 -> 2.5 cm2``.

    Raises
    ------
    AccessError : the person may not look.
    TableError : there is no such version.
    """
    _must_look(person)
    return _differences(which, _numbered(folder, which, older), _numbered(folder, which, newer))


def _must_look(person: Person) -> None:
    if not person.may(Right.EDIT_TABLES):
        person.must(Right.SEE_CREWS)


def _who(person: Person) -> str:
    person.must(Right.EDIT_TABLES)
    if not person.name.strip():
        raise TableError("Nobody is named who changes the table; say your name first.")
    return person.name.strip()


def _to_change(folder: Path, which: TableName, basis: int) -> list[Version]:
    if which.is_shipped:
        raise TableError(f"{which.name} came with scorer and is never changed; begin a table of your own as its copy.")
    versions = versions_of(folder, which)
    must_be_newest(versions, which, basis)
    return versions


def _numbered(folder: Path, which: TableName, number: int) -> Version:
    versions = versions_of(folder, which)
    if not 1 <= number <= len(versions):
        raise TableError(f"{which.name} has no version {number}; it has 1 to {len(versions)}.")
    return versions[number - 1]


def _differences(which: TableName, older: Version, newer: Version) -> list[str]:
    facts = []
    for version in (older, newer):
        try:
            facts.append(content_of(which, version.text).facts)
        except (LimitsError, PricesError) as refusal:
            return [f"version {version.number} cannot be used: {refusal}"]
    return differences(*facts)


def _shipped_text(which: TableName) -> str:
    return which.shipped_file.read_text(encoding="utf-8")


def _row_of(folder: Path, which: TableName) -> dict[str, Any]:
    own = not which.is_shipped
    row: dict[str, Any] = {"subject": which.subject, "name": which.name, "own": own, "label": which.name, "trouble": ""}
    try:
        if not own:
            return row | {"label": content_of(which, _shipped_text(which)).label}
        newest = versions_of(folder, which)[-1]
        row |= {"version": newest.number, "who": newest.who, "at": newest.at}
        return row | {"label": content_of(which, newest.text).label}
    except ScorerError as error:
        return row | {"trouble": str(error)}
