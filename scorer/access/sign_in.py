"""Who may sign in to a shared server, and with which roles, as its operator wrote it in a file.

::

    [provider]
    redirect_uri = "https://scorer.shed.example/oauth2callback"
    cookie_secret = "..."
    client_id = "..."
    client_secret = "..."
    server_metadata_url = "https://accounts.shed.example/.well-known/openid-configuration"

    [roles]
    officer = ["bowerbird@shed.example"]
    analyst = ["curlew@shed.example"]
    manager = ["curlew@shed.example"]
"""

from __future__ import annotations

import tomllib
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from scorer.access.lan import is_loopback
from scorer.access.roles import Person, Role
from scorer.errors import AccessError

CALLBACK: Final = "/oauth2callback"
"""Where the pages expect people back from the provider."""
SECRET_CHARACTERS: Final = 32
"""Shortest secret for signing: a key as long as the hash, 256 bits (RFC 7518, 3.2)."""
_PROVIDER: Final = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")


@dataclass(frozen=True)
class SignIn:
    """The file, read.

    Parameters
    ----------
    provider : what the pages need to send people to the provider and to know them when they come back.
    roles : roles of each e-mail address, as ``_as_compared`` gives it.
    """

    provider: Mapping[str, str]
    roles: Mapping[str, frozenset[Role]]

    @property
    def host(self) -> str:
        """Name of the place that people come back to."""
        return urlsplit(self.provider["redirect_uri"]).hostname or ""

    @property
    def origin(self) -> str:
        """Scheme, name and port of the place that people come back to (RFC 6454)."""
        parts = urlsplit(self.provider["redirect_uri"])
        return f"{parts.scheme}://{parts.netloc}"


def read_sign_in(file: Path) -> SignIn:
    """Read the file.

    Raises
    ------
    AccessError : it cannot be read, is no TOML, lacks something, holds something unknown, or would be unsafe to use.
    """
    try:
        tables = tomllib.loads(file.read_text("utf-8"))
    except OSError as error:
        raise AccessError(f"{file} cannot be read ({error.strerror}); give the file of who may sign in.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise AccessError(f"{file} is no TOML ({error}); correct it there.") from error
    _only(tables, ("provider", "roles"), "the file", file)
    return SignIn(_provider(tables["provider"], file), _roles(tables["roles"], file))


def person_of(sign_in: SignIn, claims: Mapping[str, object]) -> Person:
    """Who signed in; somebody unknown, or whose address is not verified, has no role.

    Parameters
    ----------
    sign_in : who may.
    claims : what the provider says of the person (OpenID Connect Core 1.0, 5.1). An address counts unless
        ``email_verified`` is there and is not true; a provider that does not tell must itself hand out only addresses
        that belong to the person.
    """
    email = _email(claims)
    name = claims.get("name")
    roles = sign_in.roles.get(_as_compared(email), frozenset()) if email and _is_verified(claims) else frozenset()
    return Person(name.strip() if isinstance(name, str) and name.strip() else email, roles)


def why_without_role(claims: Mapping[str, object]) -> str:
    """The sentence for somebody who signed in and has no role."""
    email = _email(claims)
    if not email:
        return "The provider did not say your e-mail address; ask whoever runs this server to let it ask for that."
    if not _is_verified(claims):
        return f"Your provider has not verified the address {email}; verify it there and sign in again."
    return f"{email} has no role here; ask whoever runs this server to write it into the list of roles."


def _email(claims: Mapping[str, object]) -> str:
    email = claims.get("email")
    return email.strip() if isinstance(email, str) else ""


def _is_verified(claims: Mapping[str, object]) -> bool:
    return claims.get("email_verified", True) is True


def _as_compared(email: str) -> str:
    """Without regard to case, but for ASCII alone: other letters may fold into ASCII ones that are somebody else's."""
    return email.lower() if email.isascii() else email


def _provider(table: object, file: Path) -> Mapping[str, str]:
    provider = _table(table, "provider", file)
    _only(provider, _PROVIDER, "[provider]", file)
    for key, value in provider.items():
        if not isinstance(value, str) or not value.strip():
            raise AccessError(f"[provider] {key} in {file} is no text; write it in quotation marks.")
    texts = {key: str(value) for key, value in provider.items()}
    for key in ("redirect_uri", "server_metadata_url"):
        _check_address(key, texts[key], file)
    if urlsplit(texts["redirect_uri"]).path != CALLBACK:
        raise AccessError(f"redirect_uri in {file} must end in {CALLBACK}, right after the server's name and port.")
    if len(texts["cookie_secret"]) < SECRET_CHARACTERS:
        raise AccessError(
            f"cookie_secret in {file} is shorter than {SECRET_CHARACTERS} characters; "
            "write there what `python -c 'import secrets; print(secrets.token_hex())'` prints."
        )
    return texts


def _check_address(key: str, address: str, file: Path) -> None:
    try:
        parts = urlsplit(address)
        name, _ = parts.hostname, parts.port
    except ValueError:
        name = None
    if not name or parts.scheme not in ("http", "https") or "@" in parts.netloc or "{" in address or parts.fragment:
        raise AccessError(f"{key} in {file} is no full address; write it like https://scorer.shed.example/...")
    if parts.scheme == "http" and not is_loopback(name):
        raise AccessError(f"{key} in {file} is not safe over plain http; write an address with https.")


def _roles(table: object, file: Path) -> Mapping[str, frozenset[Role]]:
    lists = _table(table, "roles", file)
    unknown = sorted(set(lists) - set(Role))
    if unknown:
        raise AccessError(f"[roles] in {file} names {unknown[0]}; the roles are {', '.join(Role)}.")
    found: dict[str, set[Role]] = defaultdict(set)
    for role, emails in lists.items():
        if not isinstance(emails, list):
            raise AccessError(f'[roles] {role} in {file} is no list; write it like ["bowerbird@shed.example"].')
        for email in emails:
            if not isinstance(email, str) or not _is_email(email):
                raise AccessError(f"[roles] {role} in {file} holds {email!r}, which is no e-mail address; correct it.")
            found[_as_compared(email)].add(Role(role))
    if not found:
        raise AccessError(f"[roles] in {file} lets nobody in; write e-mail addresses beside the roles.")
    return {email: frozenset(roles) for email, roles in found.items()}


def _is_email(text: str) -> bool:
    before, at, domain = text.rpartition("@")
    return bool(before and at and domain) and not any(sign.isspace() for sign in text) and "@" not in before


def _table(table: object, name: str, file: Path) -> Mapping[str, object]:
    if not isinstance(table, dict):
        raise AccessError(f"{name} in {file} is no table; begin it with a line [{name}].")
    return table


def _only(table: Mapping[str, object], keys: tuple[str, ...], where: str, file: Path) -> None:
    missing = [key for key in keys if key not in table]
    if missing:
        raise AccessError(f"{where} of {file} has no {missing[0]}; it needs {', '.join(keys)}.")
    unknown = sorted(set(table) - set(keys))
    if unknown:
        raise AccessError(f"{where} of {file} has {unknown[0]}, which nothing reads; leave it out.")
