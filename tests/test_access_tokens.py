"""Tokens of the day: who is let in, until when, and what the file gives away."""

from __future__ import annotations

import base64
import hashlib
import os
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.access.roles import Role
from scorer.access.tokens import (
    SHORTEST_HOURS,
    end_of_day,
    issue,
    issue_for_host,
    let_in,
    open_roles,
    revoke,
    revoke_all,
    role_of,
)
from scorer.errors import AccessError

NOW = datetime(2026, 3, 14, 1, 0, tzinfo=UTC)
LATER = NOW + timedelta(hours=8)
DARWIN = ZoneInfo("Australia/Darwin")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "state" / "tokens.json"


@pytest.mark.parametrize("role", Role)
def test_a_token_gives_its_role_until_it_ends(file: Path, role: Role) -> None:
    token = issue(file, role, LATER)
    assert role_of(file, token, NOW) is role
    assert role_of(file, token, LATER - timedelta(seconds=1)) is role
    assert role_of(file, token, LATER) is None


def test_a_token_has_256_random_bits(file: Path) -> None:
    """256 bits in base64 for addresses (RFC 4648, 5), without padding."""
    tokens = {issue(file, Role.OFFICER, LATER) for _ in range(20)}
    assert len(tokens) == 20
    assert {len(base64.urlsafe_b64decode(token + "=")) for token in tokens} == {32}


def test_the_file_holds_the_digest_and_not_the_token(file: Path) -> None:
    token = issue(file, Role.MANAGER, LATER)
    kept = file.read_text("ascii")
    assert token not in kept
    assert hashlib.sha256(token.encode()).hexdigest() in kept


@pytest.mark.skipif(os.name != "posix", reason="rights of files are POSIX's")
def test_the_file_is_its_owners_alone(file: Path) -> None:
    issue(file, Role.OFFICER, LATER)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_taking_back_one_token_leaves_the_others(file: Path) -> None:
    tokens = {role: issue(file, role, LATER) for role in Role}
    revoke(file, Role.OFFICER)
    assert role_of(file, tokens[Role.OFFICER], NOW) is None
    assert role_of(file, tokens[Role.MANAGER], NOW) is Role.MANAGER
    assert set(open_roles(file, NOW)) == {Role.ANALYST, Role.MANAGER}


def test_a_new_token_ends_the_one_before(file: Path) -> None:
    old, new = issue(file, Role.ANALYST, LATER), issue(file, Role.ANALYST, LATER)
    assert role_of(file, old, NOW) is None
    assert role_of(file, new, NOW) is Role.ANALYST


def test_the_hosts_token_is_no_roles(file: Path) -> None:
    token = issue_for_host(file, LATER)
    holder = let_in(file, token, NOW)
    assert holder is not None
    assert holder.role is None
    assert holder.ends_at == LATER
    assert role_of(file, token, NOW) is None
    assert not open_roles(file, NOW)


def test_open_roles_say_until_when(file: Path) -> None:
    issue(file, Role.OFFICER, LATER)
    issue(file, Role.ANALYST, NOW)
    assert open_roles(file, NOW) == {Role.OFFICER: LATER}


@given(st.text(max_size=60))
def test_no_other_text_lets_in(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    file = tmp_path_factory.getbasetemp() / "tokens.json"
    token = issue(file, Role.OFFICER, LATER)
    assert (role_of(file, text, NOW) is Role.OFFICER) == (text == token)
    assert role_of(file, token + text, NOW) is (None if text else Role.OFFICER)


def test_where_there_is_no_file_nobody_is_let_in(file: Path) -> None:
    assert let_in(file, "anything", NOW) is None


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"not json",
        b"[]",
        b"null",
        b"\xff\xfe",
        b'{"officer": {}}',
        b'{"officer": {"sha256": "00", "ends_at": "2026-03-14T09:00:00+00:00"}}',
        b'{"officer": {"sha256": "%s", "ends_at": "2026-03-14T09:00:00"}}' % (b"0" * 64),
        b'{"officer": {"sha256": "%s", "ends_at": "some day"}}' % (b"0" * 64),
        b'{"owner": {"sha256": "%s", "ends_at": "2026-03-14T09:00:00+00:00"}}' % (b"0" * 64),
        b"[" * 100_000,
    ],
)
def test_a_damaged_file_is_refused_in_words_and_can_be_put_away(file: Path, damage: bytes) -> None:
    token = issue(file, Role.OFFICER, LATER)
    file.write_bytes(damage)
    with pytest.raises(AccessError, match=r"damaged.*nobody is let in.*delete it.*\.$"):
        let_in(file, token, NOW)
    with pytest.raises(AccessError):
        issue(file, Role.OFFICER, LATER)
    assert file.read_bytes() == damage
    revoke_all(file)
    assert let_in(file, token, NOW) is None


@pytest.mark.skipif(os.name != "posix", reason="rights of files are POSIX's")
def test_a_file_that_others_may_write_lets_nobody_in(file: Path) -> None:
    token = issue(file, Role.OFFICER, LATER)
    file.chmod(0o622)
    with pytest.raises(AccessError, match="may be changed by other users"):
        let_in(file, token, NOW)


def test_a_place_that_cannot_be_read_or_written_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(AccessError, match="cannot be read"):
        let_in(tmp_path, "anything", NOW)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(AccessError, match=r"cannot be (read|written)"):
        issue(tmp_path / "file" / "tokens.json", Role.OFFICER, LATER)


def test_a_failed_write_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "tokens.json").mkdir()
    with pytest.raises(AccessError):
        issue(tmp_path / "tokens.json", Role.OFFICER, LATER)
    assert [path.name for path in tmp_path.iterdir()] == ["tokens.json"]


@pytest.mark.parametrize(
    ("now", "zone", "end"),
    [
        ("2026-03-14T06:00+09:30", "Australia/Darwin", "2026-03-15T00:00+09:30"),
        ("2026-03-14T19:59+09:30", "Australia/Darwin", "2026-03-15T00:00+09:30"),
        ("2026-03-14T22:30+09:30", "Australia/Darwin", "2026-03-15T02:30+09:30"),
        # 5 April 2026: clocks in Brisbane stay, in Sydney go back at 3:00 (IANA database).
        ("2026-04-04T20:00+11:00", "Australia/Sydney", "2026-04-05T00:00+11:00"),
        ("2026-04-05T00:30+11:00", "Australia/Sydney", "2026-04-06T00:00+10:00"),
    ],
)
def test_tokens_end_with_the_sites_day_but_not_within_four_hours(now: str, zone: str, end: str) -> None:
    assert end_of_day(datetime.fromisoformat(now), ZoneInfo(zone)) == datetime.fromisoformat(end)


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1), timezones=st.just(UTC)),
    st.sampled_from(["Australia/Darwin", "Australia/Sydney", "America/Lima", "America/Santiago", "Africa/Cairo"]),
)
def test_tokens_last_from_four_hours_to_the_longest_day(now: datetime, zone: str) -> None:
    """A day has up to 25 hours where clocks go back (IANA database)."""
    lasts = end_of_day(now, ZoneInfo(zone)).astimezone(UTC) - now
    assert timedelta(hours=SHORTEST_HOURS) <= lasts <= timedelta(hours=25)
