"""Tokens that let phones in for a day: random words, of which only a digest is kept, one for each role.

The computer that shares its pages gives out one token for each role, and one for itself. Whoever shows a token has its
role until the day ends or the token is taken back. The file holds SHA-256 digests, so that reading it lets nobody in;
a token of 256 random bits needs no salt or slow hash, for it cannot be guessed.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from threading import Lock
from typing import Final
from zoneinfo import ZoneInfo

from scorer.access.roles import Role
from scorer.errors import AccessError

TOKEN_BYTES: Final = 32
SHORTEST_HOURS: Final = 4
"""A token given out late in the evening lasts at least so long, or a night shift would be out after minutes."""
_HOST: Final = "host"
_HOLDERS: Final = frozenset({*Role, _HOST})
_WRITTEN_BY_OTHERS: Final = 0o022
_ONE_CHANGE_AT_A_TIME: Final = Lock()


@dataclass(frozen=True)
class LetIn:
    """What a token lets its holder be.

    Parameters
    ----------
    role : of the holder; None for the computer that the pages run on.
    ends_at : when the token ends.
    """

    role: Role | None
    ends_at: datetime


@dataclass(frozen=True)
class _Kept:
    sha256: str
    ends_at: datetime


def end_of_day(now: datetime, zone: ZoneInfo) -> datetime:
    """When tokens given out at ``now`` end: at the site's next midnight, or in four hours where that is later.

    Parameters
    ----------
    now : with its time zone.
    zone : of the site.
    """
    tomorrow = now.astimezone(zone).date() + timedelta(days=1)
    midnight = datetime.combine(tomorrow, time(), zone).astimezone(UTC)
    return max(midnight, now.astimezone(UTC) + timedelta(hours=SHORTEST_HOURS)).astimezone(zone)


def issue(file: Path, role: Role, ends_at: datetime) -> str:
    """A new token for a role; the one before, if any, lets nobody in any more.

    Raises
    ------
    AccessError : the file is damaged, or cannot be written.
    """
    return _issue(file, role, ends_at)


def issue_for_host(file: Path, ends_at: datetime) -> str:
    """A new token for the computer that the pages run on; raises as ``issue`` does."""
    return _issue(file, _HOST, ends_at)


def let_in(file: Path, token: str, now: datetime) -> LetIn | None:
    """Who the holder of a token is; None for a token that is unknown, ended or taken back.

    Parameters
    ----------
    file : where the digests are kept; where there is none, nobody is let in.
    token : as it was shown; any text.
    now : with its time zone.

    Raises
    ------
    AccessError : the file is damaged, cannot be read, or may be changed by other users of the computer.
    """
    shown = _digest(token)
    found = None
    for holder, kept in _read(file).items():
        # All are compared, each in the same time, so that the time taken says nothing of how much was right.
        if hmac.compare_digest(kept.sha256, shown) and now < kept.ends_at:
            found = LetIn(None if holder == _HOST else Role(holder), kept.ends_at)
    return found


def role_of(file: Path, token: str, now: datetime) -> Role | None:
    """The role that a token gives now, None where it gives none; raises as ``let_in`` does."""
    holder = let_in(file, token, now)
    return holder.role if holder else None


def open_roles(file: Path, now: datetime) -> Mapping[Role, datetime]:
    """Roles whose token lets somebody in now, and when each ends; raises as ``let_in`` does."""
    return {
        Role(holder): kept.ends_at for holder, kept in _read(file).items() if holder != _HOST and now < kept.ends_at
    }


def revoke(file: Path, role: Role) -> None:
    """Take back a role's token: from now on it lets nobody in.

    Raises
    ------
    AccessError : the file is damaged, or cannot be written.
    """
    with _ONE_CHANGE_AT_A_TIME:
        _write(file, {holder: kept for holder, kept in _read(file).items() if holder != role})


def revoke_all(file: Path) -> None:
    """Take back all tokens, also where the file is damaged.

    Raises
    ------
    AccessError : the file cannot be removed.
    """
    try:
        with _ONE_CHANGE_AT_A_TIME:
            file.unlink(missing_ok=True)
    except OSError as error:
        raise AccessError(f"{file} cannot be removed ({error.strerror}); delete it to take back its tokens.") from error


def _issue(file: Path, holder: str, ends_at: datetime) -> str:
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with _ONE_CHANGE_AT_A_TIME:
        _write(file, {**_read(file), holder: _Kept(_digest(token), ends_at.astimezone(UTC))})
    return token


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _read(file: Path) -> dict[str, _Kept]:
    try:
        with file.open("rb") as opened:
            open_to_others = os.name == "posix" and os.fstat(opened.fileno()).st_mode & _WRITTEN_BY_OTHERS
            text = opened.read()
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise AccessError(f"{file} cannot be read ({error.strerror}); nobody is let in until it can.") from error
    if open_to_others:
        raise AccessError(
            f"{file} may be changed by other users, so nobody is let in; delete it and start the app again."
        )
    try:
        return {holder: _kept(holder, entry) for holder, entry in json.loads(text).items()}
    except (ValueError, TypeError, AttributeError, KeyError, RecursionError) as error:
        raise AccessError(
            f"{file} is damaged, so nobody is let in; delete it and start the app again for new tokens."
        ) from error


def _kept(holder: str, entry: Mapping[str, str]) -> _Kept:
    ends_at = datetime.fromisoformat(entry["ends_at"])
    if holder not in _HOLDERS or len(bytes.fromhex(entry["sha256"])) != hashlib.sha256().digest_size:
        raise ValueError(holder)
    if ends_at.tzinfo is None or len(entry) != 2:
        raise ValueError(entry)
    return _Kept(entry["sha256"], ends_at)


def _write(file: Path, kept: Mapping[str, _Kept]) -> None:
    """Replace the whole file at once; ``mkstemp`` makes it readable for its owner alone."""
    text = json.dumps({holder: {"sha256": of.sha256, "ends_at": of.ends_at.isoformat()} for holder, of in kept.items()})
    try:
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        descriptor, name = tempfile.mkstemp(dir=file.parent, prefix=file.name)
        try:
            with os.fdopen(descriptor, "w", encoding="ascii") as written:
                written.write(text)
                written.flush()
                os.fsync(written.fileno())
            Path(name).replace(file)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise AccessError(
            f"The tokens cannot be written to {file} ({error.strerror}); make that folder writable."
        ) from error
