"""How this server was started: handed to the page scripts as one environment variable, so that tests can set it too."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from pathlib import Path
from typing import Final

from platformdirs import user_state_path
from sqlalchemy.engine import URL, make_url

from scorer.arrivals.deliveries import inbox_beside
from scorer.records.beside import place_beside
from scorer.tray import DEFAULT_LIMITS

SETTINGS_VARIABLE: Final = "SCORER_APP_SETTINGS"
DEFAULT_PORT: Final = 8501
LOOPBACK_NAMES: Final = ("localhost", "127.0.0.1", "::1")
_OWN_FOLDER: Final = "mango-tray-scorer"


class Mode(StrEnum):
    """Whom the pages are open to."""

    LOOPBACK = "loopback"
    """Only this computer, without asking."""
    LAN = "lan"
    """Phones in the same network that show a token of the day."""
    SIGN_IN = "sign-in"
    """People who sign in at a provider."""


@dataclass(frozen=True)
class AppSettings:
    """How this server was started.

    Parameters
    ----------
    records : address of the records, as SQLAlchemy writes it, with its password.
    store_folder, inbox_folder : photos that are kept, and photos that come in.
    tables_folder : the shed's own limit and price tables.
    log_file : what went wrong on pages, with its trace.
    site, zone : the packing shed and its time zone.
    limits : limit table, by name or as a TOML file.
    model_folder : a fitted model to score with whatever is in use; None for the one in use beside the records.
    port, address : where it listens.
    mode : whom it is open to.
    hosts : names and IP addresses it is reached by, besides those of this computer itself.
    tokens_file : tokens that let phones in.
    sign_in_file : who may sign in.
    sample : whether the season is an invented one to try things on.
    """

    records: str
    store_folder: Path
    inbox_folder: Path
    tables_folder: Path
    log_file: Path
    site: str
    zone: str
    limits: str = DEFAULT_LIMITS
    model_folder: Path | None = None
    port: int = DEFAULT_PORT
    address: str = "127.0.0.1"
    mode: Mode = Mode.LOOPBACK
    hosts: tuple[str, ...] = ()
    tokens_file: Path | None = None
    sign_in_file: Path | None = None
    sample: bool = False

    @property
    def records_url(self) -> URL:
        """Address of the records."""
        return make_url(self.records)

    @property
    def token_cookie(self) -> str:
        """Name of the cookie that holds a token; with the port, for cookies are shared by all ports (RFC 6265, 8.5)."""
        return f"scorer_token_{self.port}"

    def publish(self) -> None:
        """Make these the settings of this process and of those it starts."""
        os.environ[SETTINGS_VARIABLE] = self.to_json()

    def to_json(self) -> str:
        """These settings as text, for ``settings_from_json``."""
        return json.dumps(asdict(self), default=str)


def app_settings() -> AppSettings:
    """The settings that this process was given.

    Raises
    ------
    LookupError : it was given none, for the pages were not started by `scorer app`.
    """
    written = os.environ.get(SETTINGS_VARIABLE)
    if written is None:
        raise LookupError(f"{SETTINGS_VARIABLE} is not set; start the pages with `scorer app`.")
    return settings_from_json(written)


def settings_from_json(written: str) -> AppSettings:
    """Settings as ``AppSettings.to_json`` wrote them."""
    values = json.loads(written)
    for field in fields(AppSettings):
        if "Path" in str(field.type) and values[field.name] is not None:
            values[field.name] = Path(values[field.name])
    return AppSettings(**{**values, "mode": Mode(values["mode"]), "hosts": tuple(values["hosts"])})


def settings_beside(records: URL, *, site: str, zone: str) -> AppSettings:
    """Settings for these records: photos, what comes in and tables lie beside them, see ``place_beside``.

    Raises
    ------
    RecordsError : the records have no place of their own.
    """
    if records.get_backend_name() == "sqlite":
        records = records.set(database=str(Path(str(records.database)).absolute()))
    return AppSettings(
        records=records.render_as_string(hide_password=False),
        store_folder=place_beside(records, "photos"),
        inbox_folder=inbox_beside(records),
        tables_folder=place_beside(records, "tables"),
        log_file=place_beside(records, "pages.log"),
        site=site,
        zone=zone,
    )


def usual_tokens_file(port: int) -> Path:
    """Where the tokens of the server at a port are kept; no two servers share a port, nor then a file."""
    return user_state_path(_OWN_FOLDER, appauthor=False) / f"tokens-{port}.json"
