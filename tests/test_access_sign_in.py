"""The file of who may sign in, and whom it knows; facts are those of OpenID Connect Core 1.0, 5.1."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.access.roles import Role
from scorer.access.sign_in import SignIn, person_of, read_sign_in, why_without_role
from scorer.errors import AccessError

WHOLE = """\
[provider]
redirect_uri = "https://scorer.shed.example/oauth2callback"
cookie_secret = "0123456789abcdef0123456789abcdef"
client_id = "scorer"
client_secret = "hush"
server_metadata_url = "https://accounts.shed.example/.well-known/openid-configuration"

[roles]
officer = ["Bowerbird@Shed.example", "brolga@shed.example"]
analyst = ["curlew@shed.example"]
manager = ["curlew@shed.example"]
"""


def read(folder: Path, text: str = WHOLE) -> SignIn:
    file = folder / "sign-in.toml"
    file.write_text(text, "utf-8")
    return read_sign_in(file)


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> SignIn:
    return read(tmp_path_factory.mktemp("sign-in"))


def test_the_file_says_where_people_come_back_to(known: SignIn) -> None:
    assert known.host == "scorer.shed.example"
    assert known.origin == "https://scorer.shed.example"


def test_a_person_has_every_role_that_names_them(known: SignIn) -> None:
    person = person_of(known, {"email": "curlew@shed.example", "email_verified": True, "name": "Curlew"})
    assert person.roles == {Role.ANALYST, Role.MANAGER}
    assert person.name == "Curlew"
    assert not person.host


def test_large_and_small_letters_are_the_same_address(known: SignIn) -> None:
    assert person_of(known, {"email": "bowerBIRD@shed.EXAMPLE"}).roles == {Role.OFFICER}


def test_a_foreign_letter_that_looks_or_folds_alike_is_another_address(known: SignIn) -> None:
    """The Kelvin sign folds to k and the long s to s (Unicode CaseFolding.txt); both stay themselves here."""
    for email in ("bowerbird@\u017fhed.example", "curlew@shed.examp\u217ce", "\u212aurlew@shed.example"):
        assert not person_of(known, {"email": email, "email_verified": True}).roles


@pytest.mark.parametrize("told", [False, None, "true", "false", 1, 0, [True]])
def test_an_address_that_the_provider_does_not_call_verified_has_no_role(known: SignIn, told: object) -> None:
    """``email_verified`` is a JSON boolean, true only where the provider made sure (5.1)."""
    claims = {"email": "bowerbird@shed.example", "email_verified": told}
    assert not person_of(known, claims).roles
    assert "has not verified the address bowerbird@shed.example" in why_without_role(claims)


def test_a_provider_that_does_not_tell_is_believed(known: SignIn) -> None:
    """The claim is optional (5.1)."""
    assert person_of(known, {"email": "brolga@shed.example"}).roles == {Role.OFFICER}


@given(st.dictionaries(st.text(max_size=8), st.none() | st.booleans() | st.text(max_size=20), max_size=4))
def test_whatever_else_a_provider_says_gives_no_role(known: SignIn, claims: dict[str, object]) -> None:
    assert not person_of(known, claims).roles
    assert why_without_role(claims).endswith(".")


def test_each_without_a_role_is_told_why() -> None:
    assert "did not say your e-mail address" in why_without_role({})
    assert "quandong@shed.example has no role here" in why_without_role({"email": "quandong@shed.example"})


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("[provider]", "[provider", "is no TOML"),
        ("[roles]", "[rolls]", "the file of .* has no roles"),
        ("[roles]", "[more]\na = 1\n[roles]", "has more, which nothing reads"),
        ('client_id = "scorer"\n', "", r"\[provider\] of .* has no client_id"),
        ('client_id = "scorer"', 'client_id = "scorer"\nscope = "all"', "has scope, which nothing reads"),
        ('client_id = "scorer"', "client_id = 7", "client_id in .* is no text"),
        ('client_id = "scorer"', 'client_id = " "', "client_id in .* is no text"),
        ("0123456789abcdef0123456789abcdef", "short", "cookie_secret in .* is shorter than 32 characters"),
        ("https://scorer.shed", "http://scorer.shed", "redirect_uri in .* is not safe over plain http"),
        ("https://accounts", "http://accounts", "server_metadata_url in .* is not safe over plain http"),
        ("https://scorer.shed.example", "scorer", "redirect_uri in .* is no full address"),
        ("https://scorer.shed.example/", "https://scorer.shed.example:x/", "redirect_uri in .* is no full address"),
        ("https://scorer.shed.example/", "https://localhost:{port}/", "redirect_uri in .* is no full address"),
        ("/oauth2callback", "/back", "redirect_uri in .* must end in /oauth2callback"),
        ("officer =", "picker =", r"\[roles\] in .* names picker; the roles are officer, analyst, manager"),
        ('analyst = ["curlew@shed.example"]', 'analyst = "curlew@shed.example"', "analyst in .* is no list"),
        ("brolga@shed.example", "brolga", "'brolga', which is no e-mail address"),
        ("brolga@shed.example", "@shed.example", "which is no e-mail address"),
        ('"brolga@shed.example"', "5", "holds 5, which is no e-mail address"),
        (WHOLE[WHOLE.index("[roles]") :], "[roles]\nofficer = []", "lets nobody in"),
        (WHOLE, "provider = 1\nroles = 2", "provider in .* is no table"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_in_one_sentence(
    tmp_path: Path, before: str, after: str, said: str
) -> None:
    assert before in WHOLE
    with pytest.raises(AccessError, match=said) as refused:
        read(tmp_path, WHOLE.replace(before, after, 1))
    assert str(refused.value).endswith((".", "..."))


def test_plain_http_is_fine_within_this_computer(tmp_path: Path) -> None:
    text = WHOLE.replace("https://scorer.shed.example", "http://localhost:8501")
    assert read(tmp_path, text).origin == "http://localhost:8501"


def test_a_file_that_is_not_there_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(AccessError, match="cannot be read"):
        read_sign_in(tmp_path / "nowhere.toml")
