"""Pages in a real browser: signing in at a real provider, being shown out, and needing no internet."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect
from streamlit.web.server.starlette.starlette_app_utils import create_signed_value

from app.settings import Mode
from app.theme import THEME
from scorer.access.roles import Role
from scorer.access.tokens import issue, revoke
from tests.serving import PATIENCE_S, Served, chromium, free_port, serving, settings_in

PAGE = """\
import pandas as pd
import streamlit as st
from app.who import named, require_visitor
from app.words import chosen_words
from scorer.errors import TableError
person = require_visitor()
with st.sidebar:
    person = named(person, chosen_words())
st.text(f"here is {' and '.join(sorted(person.roles))} by the name of {person.name}.")
if st.button("Fail"):
    raise ZeroDivisionError("a secret of the inside")
if st.button("Refuse"):
    raise TableError("The table cannot be changed so; change it otherwise.")
st.code("x = 1")
st.success("well", icon=":material/eco:")
st.dataframe(pd.DataFrame({"a": [1, 2]}))
st.bar_chart(pd.DataFrame({"a": [1, 2]}))
st.latex("x^2")
st.file_uploader("Photos")
"""
PEOPLE = (
    {"sub": "bowerbird", "email": "bowerbird@shed.example", "email_verified": True, "name": "Bowerbird"},
    {"sub": "curlew", "email": "curlew@shed.example", "email_verified": True},
    {"sub": "quandong", "email": "quandong@shed.example", "email_verified": True},
    {"sub": "brolga", "email": "brolga@shed.example", "email_verified": False},
    {"sub": "paperbark"},
)
SIGN_IN = """\
[provider]
redirect_uri = "{pages}/oauth2callback"
cookie_secret = "0123456789abcdef0123456789abcdef"
client_id = "scorer"
client_secret = "hush"
server_metadata_url = "{provider}/.well-known/openid-configuration"

[roles]
officer = ["bowerbird@shed.example", "brolga@shed.example"]
analyst = ["curlew@shed.example"]
manager = ["curlew@shed.example"]
"""
PATIENCE_MS = 1000 * PATIENCE_S


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page of a browser that has been nowhere yet."""
    context = browser.new_context()
    context.set_default_timeout(PATIENCE_MS)
    expect.set_options(timeout=PATIENCE_MS)
    yield context.new_page()
    context.close()


@pytest.fixture(scope="module")
def script(tmp_path_factory: pytest.TempPathFactory) -> Path:
    script = tmp_path_factory.mktemp("script") / "page.py"
    script.write_text(PAGE)
    return script


@contextmanager
def provider() -> Iterator[str]:
    """Address of an OpenID provider that knows PEOPLE."""
    port = free_port()
    claims = [part for person in PEOPLE for part in ("--user-claims", json.dumps(person))]
    command = [sys.executable, "-m", "oidc_provider_mock", "--port", str(port), *claims]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        address = f"http://127.0.0.1:{port}"
        try:
            while process.poll() is None:
                try:
                    httpx.get(address, trust_env=False, timeout=PATIENCE_S)
                    break
                except httpx.TransportError:
                    time.sleep(0.05)
            yield address
        finally:
            process.terminate()


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory, script: Path) -> Iterator[Served]:
    """Pages of a shared server."""
    folder = tmp_path_factory.mktemp("shared")
    file = folder / "sign-in.toml"
    settings = settings_in(folder, mode=Mode.SIGN_IN, sign_in_file=file)
    with provider() as at:
        file.write_text(SIGN_IN.format(pages=f"http://127.0.0.1:{settings.port}", provider=at))
        with serving(settings, script) as served:
            yield served


def sign_in(page: Page, served: Served, who: str) -> None:
    page.goto(served.address)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name=who, exact=True).click()


@pytest.mark.parametrize(
    ("who", "said"),
    [
        ("bowerbird", "here is officer by the name of Bowerbird."),
        ("curlew", "here is analyst and manager by the name of curlew@shed.example."),
    ],
)
def test_who_is_in_the_list_gets_their_roles_and_name(page: Page, shared: Served, who: str, said: str) -> None:
    sign_in(page, shared, who)
    expect(page.get_by_text(said)).to_be_visible()


@pytest.mark.parametrize(
    ("who", "said"),
    [
        ("quandong", "quandong@shed.example has no role here"),
        ("brolga", "has not verified the address brolga@shed.example"),
        ("paperbark", "did not say your e-mail address"),
    ],
)
def test_who_has_no_role_is_told_why_and_sees_nothing_else(page: Page, shared: Served, who: str, said: str) -> None:
    """An address counts only if verified (OpenID Connect Core 1.0, 5.1)."""
    sign_in(page, shared, who)
    expect(page.get_by_text(said)).to_be_visible()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()
    assert "here is" not in page.inner_text("body")


def test_who_signs_out_must_sign_in_again(page: Page, shared: Served) -> None:
    sign_in(page, shared, "bowerbird")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/end_session**")  # the provider asks whether to leave it too
    page.goto(shared.address)
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()
    assert "here is" not in page.inner_text("body")


def test_a_role_taken_out_of_the_list_is_gone_with_the_next_click(page: Page, shared: Served) -> None:
    file = shared.settings.sign_in_file
    assert file is not None
    whole = file.read_text()
    sign_in(page, shared, "bowerbird")
    expect(page.get_by_text("here is officer")).to_be_visible()
    try:
        file.write_text(whole.replace('"bowerbird@shed.example", ', ""))
        page.get_by_role("button", name="Refuse").click()
        expect(page.get_by_text("bowerbird@shed.example has no role here")).to_be_visible()
        expect(page.get_by_text("here is officer")).to_be_hidden()
    finally:
        file.write_text(whole)


def test_a_cookie_that_this_server_did_not_sign_is_nobodys(page: Page, shared: Served) -> None:
    """Made as Streamlit makes it, but with another secret."""
    origin = shared.address.rstrip("/")
    claims = {"email": "bowerbird@shed.example", "is_logged_in": True, "origin": origin, "provider": "default"}
    forged = create_signed_value("another secret, also of 32 letters", "_streamlit_user", json.dumps(claims))
    page.context.add_cookies([{"name": "_streamlit_user", "value": forged.decode(), "url": origin}])
    page.goto(shared.address)
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()


def test_a_phone_whose_token_is_taken_back_is_shown_out_with_the_next_touch(
    page: Page, tmp_path: Path, script: Path
) -> None:
    tokens_file = tmp_path / "tokens.json"
    settings = settings_in(tmp_path, mode=Mode.LAN, tokens_file=tokens_file)
    token = issue(tokens_file, Role.OFFICER, datetime.now(UTC) + timedelta(hours=1))
    with serving(settings, script) as served:
        page.goto(f"{served.address}?token={token}")
        expect(page.get_by_text("here is officer")).to_be_visible()
        assert token not in page.url
        assert token not in page.evaluate("document.cookie")
        page.wait_for_load_state("networkidle")
        revoke(tokens_file, Role.OFFICER)
        page.get_by_role("button", name="Fail").click()
        expect(page.get_by_text("ended or was taken back")).to_be_visible()
        assert "here is" not in page.inner_text("body")
        assert not settings.log_file.exists(), "what was clicked was done"


def test_pages_ask_nothing_outside_even_where_the_users_own_options_would(
    page: Page, tmp_path: Path, script: Path
) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("websocket", lambda opened: asked.append(opened.url))
    settings = settings_in(tmp_path)
    with serving(settings, script, STREAMLIT_BROWSER_GATHER_USAGE_STATS="true") as served:
        page.goto(served.address)
        expect(page.get_by_text("well", exact=True)).to_be_visible()
        page.wait_for_load_state("networkidle")
    hosts = {urlsplit(url).netloc for url in asked if not url.startswith(("data:", "blob:"))}
    assert hosts == {f"127.0.0.1:{settings.port}"}


def test_an_error_shows_one_sentence_and_writes_its_trace_down(page: Page, tmp_path: Path, script: Path) -> None:
    settings = settings_in(tmp_path)
    with serving(settings, script) as served:
        page.goto(served.address)
        page.get_by_role("textbox", name="Your name").fill("  Bower \t bird ")
        page.get_by_role("textbox", name="Your name").press("Enter")
        expect(page.get_by_text("by the name of Bower bird.")).to_be_visible()
        page.get_by_role("button", name="Refuse").click()
        expect(page.get_by_text("The table cannot be changed so; change it otherwise.")).to_be_visible()
        assert not settings.log_file.exists()
        page.get_by_role("button", name="Fail").click()
        expect(page.get_by_text("Something went wrong here and was written down")).to_be_visible()
        shown = page.inner_text("body")
    assert "secret" not in shown
    assert "Traceback" not in shown
    assert "ZeroDivisionError: a secret of the inside" in settings.log_file.read_text()


def _luminance(colour: str) -> float:
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("ground", ["theme.backgroundColor", "theme.secondaryBackgroundColor"])
@pytest.mark.parametrize(
    ("sign", "at_least"), [("theme.textColor", 7), ("theme.primaryColor", 4.5), ("theme.borderColor", 3)]
)
def test_colours_stand_out_in_the_sun(sign: str, ground: str, at_least: float) -> None:
    """Contrast of text, links and edges: WCAG 2.2, 1.4.6, 1.4.3 and 1.4.11, by its definition of relative luminance."""
    light, dark = _luminance(str(THEME[ground])), _luminance(str(THEME[sign]))
    assert (light + 0.05) / (dark + 0.05) >= at_least


def test_the_theme_names_no_address_and_large_letters() -> None:
    assert not [value for value in THEME.values() if re.search("://|url", str(value))]
    assert int(str(THEME["theme.baseFontSize"])) >= 17
