"""The gate before a real server: what it answers to whom, over HTTP and through sockets."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http.client import HTTPConnection, HTTPResponse
from http.cookies import Morsel, SimpleCookie
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pytest
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from app.settings import Mode
from scorer.access.lan import lan_addresses
from scorer.access.roles import Role
from scorer.access.tokens import issue, issue_for_host, revoke
from tests.serving import PATIENCE_S, Served, serving, settings_in

PAGE = """\
import streamlit as st
from app.who import require_visitor
person = require_visitor()
st.text(f"here is {' and '.join(sorted(person.roles))}, host {person.host}")
"""
EVERYWHERE = ("/", "/hand-in", "/_stcore/health", "/_stcore/host-config", "/_stcore/upload_file/a/b", "/media/a.jpg")
STATIC = "/static/js/index.js"
HOUR = timedelta(hours=1)


def script_in(folder: Path) -> Path:
    script = folder / "page.py"
    script.write_text(PAGE)
    return script


@pytest.fixture(scope="module")
def open_to_lan(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Pages for phones, in all networks of this computer."""
    folder = tmp_path_factory.mktemp("lan")
    settings = settings_in(folder, mode=Mode.LAN, tokens_file=folder / "tokens.json", hosts=lan_addresses())
    with serving(replace(settings, address="0.0.0.0"), script_in(folder)) as served:
        yield served


@pytest.fixture(scope="module")
def open_here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Pages for this computer alone."""
    folder = tmp_path_factory.mktemp("here")
    with serving(settings_in(folder), script_in(folder)) as served:
        yield served


def token_of(served: Served, role: Role, lasts: timedelta = HOUR) -> str:
    assert served.settings.tokens_file is not None
    return issue(served.settings.tokens_file, role, datetime.now(UTC) + lasts)


def hosts_token_of(served: Served) -> str:
    assert served.settings.tokens_file is not None
    return issue_for_host(served.settings.tokens_file, datetime.now(UTC) + HOUR)


def ask(served: Served, path: str, method: str = "GET", host: str = "127.0.0.1", **headers: str) -> HTTPResponse:
    """One answer, its redirect not followed and the path sent as it is."""
    connection = HTTPConnection(host, served.settings.port, timeout=PATIENCE_S)
    connection.putrequest(method, path, skip_host="Host" in headers)
    for name, value in headers.items():
        connection.putheader(name, value)
    connection.endheaders()
    answer = connection.getresponse()
    answer.body = answer.read().decode("utf-8", "replace")  # type: ignore[attr-defined]
    connection.close()
    return answer


def cookie_of(served: Served, token: str) -> str:
    return f"{served.settings.token_cookie}={token}"


def socket_of(served: Served, host: str = "127.0.0.1", origin: str | None = None, **headers: str) -> ClientConnection:
    address = f"ws://{host}:{served.settings.port}/_stcore/stream"
    return connect(
        address,
        origin=origin or f"http://{host}:{served.settings.port}",  # type: ignore[arg-type]
        additional_headers=headers,
        subprotocols=["streamlit"],  # type: ignore[list-item]
        open_timeout=PATIENCE_S,
        close_timeout=PATIENCE_S,
        max_size=None,
    )


def run_of_page(opened: ClientConnection) -> str:
    """Let the page run once through a socket, and give the text that it drew."""
    run = BackMsg()
    run.rerun_script.query_string = ""
    opened.send(run.SerializeToString())
    drawn = []
    while True:
        message = ForwardMsg()
        message.ParseFromString(bytes(opened.recv(PATIENCE_S)))  # type: ignore[arg-type]
        element = message.delta.new_element
        drawn.append(element.text.body or element.alert.body)
        if message.WhichOneof("type") == "script_finished":
            return " ".join(drawn)


def test_without_a_token_everything_is_closed(open_to_lan: Served) -> None:
    for path in (*EVERYWHERE, STATIC):
        for method in ("GET", "HEAD", "POST", "PUT", "DELETE"):
            answer = ask(open_to_lan, path, method)
            assert answer.status == 403, (method, path)


def test_with_a_token_the_same_places_are_open(open_to_lan: Served) -> None:
    cookie = cookie_of(open_to_lan, token_of(open_to_lan, Role.OFFICER))
    for path in EVERYWHERE[:4]:
        assert ask(open_to_lan, path, Cookie=cookie).status == 200, path


def test_who_is_not_let_in_is_told_in_words_without_a_trace(open_to_lan: Served) -> None:
    answer = ask(open_to_lan, "/")
    assert answer.headers["Content-Type"] == "text/html; charset=utf-8"
    assert "scan its code on the computer" in answer.body  # type: ignore[attr-defined]
    assert "Traceback" not in answer.body  # type: ignore[attr-defined]


@pytest.mark.parametrize("role", Role)
def test_a_token_in_the_address_becomes_a_cookie_and_leaves_the_address(open_to_lan: Served, role: Role) -> None:
    token = token_of(open_to_lan, role)
    answer = ask(open_to_lan, f"/hand-in?tray=7&token={token}&crew=A%26B&note=")
    assert answer.status == 303
    assert answer.headers["Location"] == "/hand-in?tray=7&crew=A%26B&note="
    assert answer.headers["Cache-Control"] == "no-store"
    cookie = cookie_set_by(answer, open_to_lan)
    assert cookie.value == token
    again = ask(open_to_lan, answer.headers["Location"], Cookie=cookie_of(open_to_lan, cookie.value))
    assert again.status == 200


def cookie_set_by(answer: HTTPResponse, served: Served) -> Morsel[str]:
    return SimpleCookie(answer.headers["Set-Cookie"])[served.settings.token_cookie]


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites_and_ends_with_the_token(open_to_lan: Served) -> None:
    """HttpOnly and Max-Age: RFC 6265, 5.2.6 and 5.2.2; SameSite: draft-ietf-httpbis-rfc6265bis, 5.6.7."""
    cookie = cookie_set_by(ask(open_to_lan, f"/?token={token_of(open_to_lan, Role.OFFICER)}"), open_to_lan)
    assert cookie["httponly"]
    assert cookie["samesite"].lower() == "lax"
    assert cookie["path"] == "/"
    assert 0 < int(cookie["max-age"]) <= HOUR.total_seconds()


def test_two_servers_on_one_computer_do_not_share_a_cookie(open_to_lan: Served) -> None:
    """Cookies are not kept apart by port (RFC 6265, 8.5), so the name does it."""
    assert str(open_to_lan.settings.port) in open_to_lan.settings.token_cookie


@pytest.mark.parametrize("path", ["//evil.example/", "/%2Fevil.example/", "/%5Cevil.example/", "///evil.example"])
def test_no_address_makes_the_gate_send_somebody_elsewhere(open_to_lan: Served, path: str) -> None:
    """What follows two slashes is a host (RFC 3986, 4.2); browsers take backslashes for slashes (WHATWG URL)."""
    answer = ask(open_to_lan, f"{path}?token={token_of(open_to_lan, Role.OFFICER)}")
    assert answer.status == 303
    location = answer.headers["Location"].replace("\\", "/")
    assert urlsplit(urljoin(open_to_lan.address, location)).netloc == urlsplit(open_to_lan.address).netloc


def test_a_wrong_ended_or_revoked_token_is_refused_in_address_and_cookie(open_to_lan: Served) -> None:
    assert open_to_lan.settings.tokens_file is not None
    revoked = token_of(open_to_lan, Role.MANAGER)
    revoke(open_to_lan.settings.tokens_file, Role.MANAGER)
    for token in ("", "wrong", token_of(open_to_lan, Role.ANALYST, -timedelta(seconds=1)), revoked):
        for answer in (
            ask(open_to_lan, f"/?token={token}"),
            ask(open_to_lan, "/", Cookie=cookie_of(open_to_lan, token)),
        ):
            assert answer.status == 403
            assert "ended or was taken back" in answer.body  # type: ignore[attr-defined]
            assert "Set-Cookie" not in answer.headers


def test_a_token_in_the_address_of_an_upload_opens_nothing(open_to_lan: Served) -> None:
    assert ask(open_to_lan, f"/hand-in?token={token_of(open_to_lan, Role.OFFICER)}", "POST").status == 403


def test_every_answer_keeps_addresses_to_itself(open_to_lan: Served, open_here: Served) -> None:
    """Referrer Policy (W3C), 3.1."""
    token = token_of(open_to_lan, Role.OFFICER)
    for answer in (
        ask(open_to_lan, "/"),
        ask(open_to_lan, f"/?token={token}"),
        ask(open_to_lan, "/", Cookie=cookie_of(open_to_lan, token)),
        ask(open_here, "/"),
    ):
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert answer.headers["Content-Security-Policy"] == "frame-ancestors 'self'"


@pytest.mark.parametrize("served", ["open_to_lan", "open_here"])
@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "localhost@evil.example"]
)
def test_under_a_strangers_name_nothing_is_served(served: str, host: str, request: pytest.FixtureRequest) -> None:
    """421 Misdirected Request (RFC 9110, 15.5.20); a name may be pointed at this computer by anybody."""
    of = request.getfixturevalue(served)
    for path in EVERYWHERE:
        assert ask(of, path, Host=host).status in (400, 421)


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:1", "127.0.0.1", "[::1]:8501"])
def test_under_the_computers_own_names_pages_are_served(open_here: Served, host: str) -> None:
    assert ask(open_here, "/", Host=host).status == 200


@pytest.mark.parametrize("hosts", [(), ("localhost", "evil.example"), ("localhost", "localhost")])
def test_a_request_must_name_one_host(open_here: Served, hosts: tuple[str, ...]) -> None:
    """None or several: 400 (RFC 9112, 3.2)."""
    lines = ["GET / HTTP/1.1", *(f"Host: {host}" for host in hosts), "Connection: close", "", ""]
    with socket.create_connection(("127.0.0.1", open_here.settings.port), PATIENCE_S) as opened:
        opened.sendall("\r\n".join(lines).encode())
        assert opened.recv(100).split()[1] == b"400"


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:1", "http://localhost", "http://["]
)
def test_another_sites_page_changes_nothing_here(open_here: Served, origin: str) -> None:
    """Origin is scheme, host and port (RFC 6454, 4 and 7); "null" is nobody's."""
    for method in ("POST", "PUT", "DELETE"):
        assert ask(open_here, "/hand-in", method, Origin=origin).status == 403
    with pytest.raises(InvalidStatus) as refused:
        socket_of(open_here, origin=origin)
    assert refused.value.response.status_code == 403


def test_our_own_page_may_post(open_here: Served) -> None:
    """Nothing takes it in this small server, which is another answer than that of the gate."""
    own = open_here.address.rstrip("/")
    assert ask(open_here, "/hand-in", "POST", Origin=own).status == 405


def test_on_this_computer_alone_nobody_is_asked_and_all_roles_are_there(open_here: Served) -> None:
    with socket_of(open_here) as opened:
        assert "here is analyst and manager and officer, host True" in run_of_page(opened)


@pytest.mark.parametrize("role", Role)
def test_through_a_socket_each_token_draws_the_page_of_its_role(open_to_lan: Served, role: Role) -> None:
    with socket_of(open_to_lan, Cookie=cookie_of(open_to_lan, token_of(open_to_lan, role))) as opened:
        assert f"here is {role}, host False" in run_of_page(opened)


@pytest.mark.parametrize("token", [None, "", "wrong"])
def test_a_socket_without_a_token_is_refused(open_to_lan: Served, token: str | None) -> None:
    headers = {} if token is None else {"Cookie": cookie_of(open_to_lan, token)}
    with pytest.raises(InvalidStatus) as refused:
        socket_of(open_to_lan, **headers)
    assert refused.value.response.status_code == 403


@pytest.mark.parametrize("how", ["taken back", "ended"])
def test_an_open_socket_is_closed_at_the_next_message_after_its_token(open_to_lan: Served, how: str) -> None:
    """1008 is a violation of policy (RFC 6455, 7.4.1)."""
    assert open_to_lan.settings.tokens_file is not None
    token = token_of(open_to_lan, Role.OFFICER)
    with socket_of(open_to_lan, Cookie=cookie_of(open_to_lan, token)) as opened:
        assert "here is officer" in run_of_page(opened)
        if how == "taken back":
            revoke(open_to_lan.settings.tokens_file, Role.OFFICER)
        else:
            kept = json.loads(open_to_lan.settings.tokens_file.read_text())
            kept["officer"]["ends_at"] = datetime.now(UTC).isoformat()
            open_to_lan.settings.tokens_file.write_text(json.dumps(kept))
        with pytest.raises(ConnectionClosed) as closed:
            assert "here is" not in run_of_page(opened)
    assert closed.value.rcvd is not None
    assert closed.value.rcvd.code == 1008


def test_when_the_file_of_tokens_is_damaged_nobody_is_let_in(open_to_lan: Served) -> None:
    tokens_file = open_to_lan.settings.tokens_file
    assert tokens_file is not None
    token = token_of(open_to_lan, Role.OFFICER)
    whole = tokens_file.read_bytes()
    tokens_file.write_bytes(b"damaged")
    try:
        answer = ask(open_to_lan, "/", Cookie=cookie_of(open_to_lan, token))
        assert answer.status == 403
        assert str(tokens_file) not in answer.body  # type: ignore[attr-defined]
    finally:
        tokens_file.write_bytes(whole)
    assert ask(open_to_lan, "/", Cookie=cookie_of(open_to_lan, token)).status == 200


def test_the_hosts_token_opens_all_roles_on_the_computer_itself(open_to_lan: Served) -> None:
    with socket_of(open_to_lan, Cookie=cookie_of(open_to_lan, hosts_token_of(open_to_lan))) as opened:
        assert "here is analyst and manager and officer, host True" in run_of_page(opened)


def test_from_the_network_the_hosts_token_opens_nothing_and_a_roles_token_does(open_to_lan: Served) -> None:
    if not lan_addresses():
        pytest.skip("this computer is in no network")
    lan = lan_addresses()[0]
    assert ask(open_to_lan, f"/?token={hosts_token_of(open_to_lan)}", host=lan).status == 403
    assert ask(open_to_lan, f"/?token={token_of(open_to_lan, Role.OFFICER)}", host=lan).status == 303
