"""`scorer app` as a person starts it: real processes, what they print, and what they refuse."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import httpx
import numpy as np
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st

from app.serve import build_app, check_address, door_of, run_app
from app.settings import (
    SETTINGS_VARIABLE,
    AppSettings,
    Mode,
    app_settings,
    settings_beside,
    settings_from_json,
)
from scorer.access.code_for_terminal import code_lines
from scorer.access.lan import address_of, is_loopback, lan_addresses
from scorer.access.roles import Role
from scorer.access.tokens import let_in
from scorer.errors import AccessError
from scorer.records.database import records_url
from tests.serving import PATIENCE_S, Served, free_port, settings_in, started
from tests.test_access_sign_in import WHOLE
from tests.test_cli import run

MODULE_PX = 8
COLOURS = re.compile(r"\x1b\[[0-9;]*m")


def read_code(lines: list[str]) -> str:
    """What a phone would read from the terminal (zxing-cpp, which did not draw it)."""
    rows = [[[sign in "▀█", sign in "▄█"] for sign in line] for line in lines]
    dark = np.array(rows).transpose(0, 2, 1).reshape(2 * len(lines), -1)
    picture = np.where(dark, 0, 255).astype(np.uint8).repeat(MODULE_PX, 0).repeat(MODULE_PX, 1)
    (found,) = zxingcpp.read_barcodes(picture)
    return str(found.text)


@given(st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=120))
def test_any_address_is_read_back_from_its_code(text: str) -> None:
    assert read_code(list(code_lines(text))) == text


def test_a_code_keeps_its_quiet_zone() -> None:
    """Four modules on each side (ISO/IEC 18004): two lines of halves above and below, four columns beside."""
    lines = code_lines("http://192.0.2.1:8501/")
    assert not "".join([*lines[:2], *lines[-2:]]).strip()
    assert {line[:4] + line[-4:] for line in lines} == {" " * 8}
    assert len({len(line) for line in lines}) == 1


@pytest.fixture(scope="module")
def in_lan(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """`scorer app --lan`, whole."""
    if not lan_addresses():
        pytest.skip("this computer is in no network")
    folder = tmp_path_factory.mktemp("lan")
    settings = settings_in(folder)
    command = [
        *(sys.executable, "-m", "scorer", "app", "--lan", "--no-browser", "--zone", "Australia/Darwin"),
        *("--records", str(folder / "season.sqlite"), "--port", str(settings.port)),
    ]
    with started(command, settings, XDG_STATE_HOME=str(folder)) as served:
        yield served


def shown_addresses(served: Served) -> dict[str, str]:
    return dict(re.findall(r"^([\w ]+): (http\S+)$", served.terminal(), re.MULTILINE))


def test_each_role_is_shown_its_address_as_text_and_code(in_lan: Served) -> None:
    shown = shown_addresses(in_lan)
    assert set(shown) == {"Officer", "Analyst", "Manager", "On this computer"}
    lines = COLOURS.sub("", in_lan.terminal()).splitlines()
    for role in ("Officer", "Analyst", "Manager"):
        start = lines.index(f"{role}: {shown[role]}") + 1
        end = next(number for number, line in enumerate(lines[start:], start) if line == "")
        assert read_code(lines[start:end]) == shown[role]


def test_each_shown_address_lets_in_and_each_token_is_its_roles(in_lan: Served) -> None:
    (tokens_file,) = in_lan.output.parent.rglob("tokens-*.json")
    for name, address in shown_addresses(in_lan).items():
        token = parse_qs(urlsplit(address).query)["token"][0]
        holder = let_in(tokens_file, token, datetime.now(UTC))
        assert holder is not None
        assert holder.role == (None if name == "On this computer" else Role(name.lower()))
        with httpx.Client(trust_env=False, follow_redirects=True) as phone:
            assert phone.get(address).status_code == 200
        assert httpx.get(address.split("?")[0], trust_env=False).status_code == 403


def test_the_danger_and_the_end_are_said(in_lan: Served) -> None:
    said = in_lan.terminal()
    assert "not encrypted (plain http)" in said
    assert re.search(r"All of them end at \d\d:\d\d on \d{4}-\d\d-\d\d", said)


def test_the_command_ends_with_ctrl_c_and_its_tokens_with_it(tmp_path: Path) -> None:
    if not lan_addresses():
        pytest.skip("this computer is in no network")
    settings = settings_in(tmp_path)
    command = [
        *(sys.executable, "-m", "scorer", "app", "--lan", "--no-browser"),
        *("--records", str(tmp_path / "season.sqlite"), "--port", str(settings.port)),
    ]
    with started(command, settings, XDG_STATE_HOME=str(tmp_path)) as served:
        assert list(tmp_path.rglob("tokens-*.json"))
    assert served.process.returncode == 0, served.terminal()
    assert not list(tmp_path.rglob("tokens-*.json"))
    assert "Stopped." in served.terminal()
    assert "Traceback" not in served.terminal()


ENDED_BY_SIGTERM = 143
"""128 and the signal's number, as shells tell it (POSIX.1-2017, XCU 2.8.2, and the habit of shells)."""


def sample_command(port: int) -> list[str]:
    return [sys.executable, "-m", "scorer", "app", "--sample", "--no-browser", "--port", str(port)]


def test_an_invented_season_is_gone_after_sigterm(tmp_path: Path) -> None:
    settings = settings_in(tmp_path)
    with started(sample_command(settings.port), settings, TMPDIR=str(tmp_path)) as served:
        (folder,) = tmp_path.glob("scorer-sample-*")
        assert (folder / "season.sqlite").exists()
        served.process.send_signal(signal.SIGTERM)
        assert served.process.wait(PATIENCE_S) == ENDED_BY_SIGTERM
    assert not list(tmp_path.glob("scorer-sample-*"))
    assert "Traceback" not in served.terminal()


def test_an_invented_season_is_gone_after_sigterm_while_it_is_made(tmp_path: Path) -> None:
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    process = subprocess.Popen(sample_command(free_port()), env=environment, stderr=subprocess.PIPE)
    give_up = time.monotonic() + PATIENCE_S
    while not list(tmp_path.glob("scorer-sample-*/*")):
        assert time.monotonic() < give_up, "the season was not begun"
        time.sleep(0.02)
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == ENDED_BY_SIGTERM
    assert not list(tmp_path.glob("scorer-sample-*"))
    assert b"Traceback" not in said


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--sample", "--records", "x.sqlite"), "Give either --sample or --records."),
        (("--lan", "--address", "127.0.0.1"), "--lan listens in every network; leave --address out."),
        (("--limits", "nowhere"), "nowhere"),
        (("--zone", "Nowhere/Town"), "There is no time zone Nowhere/Town"),
        (("--port", "0"), "0 is not in the range"),
    ],
)
def test_what_does_not_go_together_is_refused_as_wrong_use(tmp_path: Path, options: tuple[str, ...], said: str) -> None:
    given = options if "--sample" in options else ("--records", str(tmp_path / "season.sqlite"), *options)
    result = run("app", "--no-browser", *given)
    assert result.exit_code == 2
    assert said in " ".join(result.output.split())


def test_another_zone_than_that_of_the_site_is_refused(tmp_path: Path) -> None:
    from scorer.records.database import open_records
    from scorer.records.keep import open_import

    file = tmp_path / "season.sqlite"
    engine = open_records(records_url(file))
    open_import(
        engine, source="t", model_sha256="0", model_card={}, software="t", limits="shed", zone="Australia/Darwin"
    )
    engine.dispose()
    result = run("app", "--no-browser", "--records", file, "--zone", "Australia/Sydney")
    assert result.exit_code == 2
    assert "kept in the time zone Australia/Darwin, not Australia/Sydney" in " ".join(result.output.split())


def test_a_taken_port_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = run("app", "--no-browser", "--records", tmp_path / "season.sqlite", "--port", port)
    assert result.exit_code == 1
    assert f"Error: Port {port} cannot be listened on at 127.0.0.1" in result.output
    assert result.output.rstrip().endswith("give another with --port.")


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "192.0.2.1", "shed.example"])
def test_to_listen_in_a_network_without_asking_is_refused(tmp_path: Path, address: str) -> None:
    settings = replace(settings_in(tmp_path), address=address)
    with pytest.raises(AccessError, match="would open the pages to everybody"):
        run_app(settings, build_app(settings))
    result = run("app", "--no-browser", "--records", tmp_path / "season.sqlite", "--address", address)
    assert result.exit_code == 1
    assert "would open the pages to everybody" in result.output


def may_listen(settings: AppSettings) -> bool:
    try:
        check_address(settings)
    except AccessError:
        return False
    return True


def test_only_modes_that_ask_may_listen_in_a_network(tmp_path: Path) -> None:
    listening = {mode for mode in Mode if may_listen(settings_in(tmp_path, mode=mode, address="0.0.0.0"))}
    assert listening == {Mode.LAN, Mode.SIGN_IN}


def test_a_mode_that_asks_needs_its_file(tmp_path: Path) -> None:
    for mode in (Mode.LAN, Mode.SIGN_IN):
        with pytest.raises(AccessError, match=r"start the pages with"):
            build_app(settings_in(tmp_path, mode=mode))


def test_behind_a_proxy_its_name_and_pages_are_ours(tmp_path: Path) -> None:
    file = tmp_path / "sign-in.toml"
    file.write_text(WHOLE)
    door = door_of(settings_in(tmp_path, mode=Mode.SIGN_IN, sign_in_file=file))
    assert door.hosts == {"scorer.shed.example"}
    assert door.origins == {"https://scorer.shed.example"}


names = st.text(min_size=1, max_size=20).filter(lambda text: "\x00" not in text)
paths = names.map(Path)


@given(
    st.builds(
        AppSettings,
        records=names,
        store_folder=paths,
        inbox_folder=paths,
        tables_folder=paths,
        log_file=paths,
        site=names,
        zone=names,
        model_folder=st.none() | paths,
        port=st.integers(1, 65535),
        mode=st.sampled_from(Mode),
        hosts=st.lists(names, max_size=3).map(tuple),
        tokens_file=st.none() | paths,
        sign_in_file=st.none() | paths,
        sample=st.booleans(),
    )
)
def test_settings_arrive_as_they_were_sent(settings: AppSettings) -> None:
    assert settings_from_json(settings.to_json()) == settings
    assert isinstance(json.loads(settings.to_json()), dict)


def test_pages_started_without_the_command_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(SETTINGS_VARIABLE, raising=False)
    with pytest.raises(LookupError, match="scorer app"):
        app_settings()


def test_photos_and_tables_of_two_seasons_in_one_folder_do_not_mix(tmp_path: Path) -> None:
    one, two = (settings_beside(records_url(tmp_path / f"{name}.sqlite"), site="shed", zone="UTC") for name in "ab")
    for place in ("store_folder", "inbox_folder", "tables_folder", "log_file"):
        assert getattr(one, place) != getattr(two, place)
        assert getattr(one, place).parent == tmp_path


def test_addresses_in_networks_are_this_computers_and_not_loopback() -> None:
    for address in lan_addresses():
        assert not is_loopback(address)
        with socket.socket() as tried:
            tried.bind((address, free_port()))


def test_an_address_carries_its_token_whole() -> None:
    address = address_of("192.0.2.1", 8501, "a-_b&c=d")
    assert parse_qs(urlsplit(address).query) == {"token": ["a-_b&c=d"]}
