"""``scorer app``: the pages, for this computer alone, for phones in its network, or for people who sign in."""

from __future__ import annotations

import signal
import sys
import tempfile
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from threading import Thread
from types import FrameType
from typing import TYPE_CHECKING, Any, Final

import click

from scorer.cli.ask import FILE, USUAL_PLACE, or_sentence, or_usage

if TYPE_CHECKING:
    from sqlalchemy.engine import URL

    from app.settings import AppSettings

IN_THE_OPEN: Final = (
    "The way between phones and this computer is not encrypted (plain http): whoever is in the same network could read "
    "along and use a token, so let only your own phones into that network."
)

THIS_COMPUTER: Final = "127.0.0.1"
EVERY_NETWORK: Final = "0.0.0.0"


@dataclass(frozen=True)
class Asked:
    """The options, as they were given; see the help of each."""

    records: str | None
    sample: bool
    lan: bool
    sign_in: Path | None
    site: str | None
    zone: str | None
    limits: str | None
    port: int
    address: str | None
    no_browser: bool


@click.command()
@click.option(
    "--records",
    metavar="FILE",
    is_flag=False,
    flag_value=USUAL_PLACE,
    help="The season's records: this SQLite file. [default: the usual place]",
)
@click.option("--sample", is_flag=True, help="An invented season to try things on; it is gone afterwards.")
@click.option("--lan", is_flag=True, help="Let in phones of the same network that show a token of the day.")
@click.option("--sign-in", metavar="TOML", type=FILE, help="Let in people who sign in, as this file says.")
@click.option("--site", metavar="NAME", help="Packing shed that the records are kept for. [default: shed]")
@click.option("--zone", metavar="AREA/CITY", help="Time zone of a new site. [default: this computer's]")
@click.option("--limits", metavar="NAME", help="Limit table by name, or a TOML file. [default: shed]")
@click.option(
    "--port", metavar="N", type=click.IntRange(1, 65535), default=8501, show_default=True, help="Port to listen on."
)
@click.option("--address", metavar="IP", help="Address to listen on. [default: 127.0.0.1, this computer alone]")
@click.option("--no-browser", is_flag=True, help="Do not open the pages in this computer's browser.")
def app(**options: Any) -> None:
    """Show the pages: hand in photos, look at trays and crews, and print.

    Without --lan and --sign-in they are for this computer alone. With --lan, the address of each role is shown here as
    a code to scan; it lets in until the day ends or the command does. End with Ctrl-C.
    """
    asked = Asked(**options)
    if asked.sample and asked.records is not None:
        raise click.UsageError("Give either --sample or --records.")
    if asked.lan and asked.sign_in:
        raise click.UsageError("Give either --lan or --sign-in.")
    if asked.lan and asked.address:
        raise click.UsageError("--lan listens in every network; leave --address out.")
    with _ended_by_sigterm(), _season(asked) as url:
        try:
            _serve(_settled(asked, url), opens_browser=not (asked.no_browser or asked.lan or asked.sign_in))
        except KeyboardInterrupt:
            click.echo("Stopped.", err=True)


@contextmanager
def _ended_by_sigterm() -> Iterator[None]:
    """Let SIGTERM, by which systems end what runs in the background, leave by the way that clears up.

    While the pages are served the server takes it first, ends them, and then passes it on.
    """

    def end(number: int, _: FrameType | None) -> None:
        signal.signal(number, signal.SIG_IGN)  # a second one must not cut the clearing up short
        sys.exit(128 + number)

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def _season(asked: Asked) -> Iterator[URL]:
    from scorer.records.database import records_url

    if not asked.sample:
        file = None if asked.records in (None, USUAL_PLACE) else Path(str(asked.records))
        yield or_usage(partial(records_url, file))
        return
    from scorer.sample_season import make_sample_season

    with tempfile.TemporaryDirectory(prefix="scorer-sample-", ignore_cleanup_errors=True) as folder:
        click.echo("Making an invented season ...", err=True)
        yield records_url(or_sentence(lambda: make_sample_season(Path(folder))))


def _settled(asked: Asked, url: URL) -> AppSettings:
    """All settings, checked, with the site as the records know it."""
    from app.settings import Mode, settings_beside, usual_tokens_file
    from scorer.access.lan import lan_addresses
    from scorer.limits import load_limits
    from scorer.records.keep import DEFAULT_SITE
    from scorer.tray import DEFAULT_LIMITS

    limits = asked.limits or DEFAULT_LIMITS
    or_usage(partial(load_limits, limits))
    hosts = lan_addresses() if asked.lan else ()
    if asked.lan and not hosts:
        raise click.ClickException("This computer is in no network; join the one that the phones are in first.")
    site = asked.site or DEFAULT_SITE
    return replace(
        settings_beside(url, site=site, zone=_zone(url, site, asked.zone)),
        limits=limits,
        port=asked.port,
        address=asked.address or (EVERY_NETWORK if asked.lan else THIS_COMPUTER),
        mode=Mode.LAN if asked.lan else Mode.SIGN_IN if asked.sign_in else Mode.LOOPBACK,
        hosts=hosts,
        tokens_file=usual_tokens_file(asked.port) if asked.lan else None,
        sign_in_file=asked.sign_in.absolute() if asked.sign_in else None,
        sample=asked.sample,
    )


def _zone(url: URL, site: str, zone: str | None) -> str:
    """Time zone of the site as the records know it; of a site they do not know, the one given or this computer's."""
    from sqlalchemy import select

    from scorer.cli.score import this_zone
    from scorer.hold_time.clock import zone_of
    from scorer.records.database import open_records
    from scorer.records.tables import Site

    engine = or_sentence(partial(open_records, url))
    with engine.connect() as connection:
        kept_in = connection.execute(select(Site.zone).where(Site.name == site)).scalar()
    engine.dispose()
    if kept_in and zone and kept_in != zone:
        raise click.UsageError(
            f"The site {site} is kept in the time zone {kept_in}, not {zone}; leave --zone out, or give another --site."
        )
    return or_usage(lambda: zone_of(kept_in or zone or this_zone())).key


def _serve(settings: AppSettings, *, opens_browser: bool) -> None:
    from app.serve import check_address, run_app
    from app.whole import whole_app
    from scorer.access.tokens import revoke_all

    or_sentence(partial(check_address, settings))
    whole = or_usage(lambda: whole_app(settings, partial(_open_in_browser, settings.port) if opens_browser else None))
    try:
        if settings.tokens_file:
            _show_ways_in(settings, settings.tokens_file)
        else:
            click.echo(f"The pages are at {_shown_address(settings)} ; end with Ctrl-C.")
        or_sentence(partial(run_app, settings, whole))
    finally:
        if settings.tokens_file:
            or_sentence(partial(revoke_all, settings.tokens_file))


def _shown_address(settings: AppSettings) -> str:
    from scorer.access.lan import address_of
    from scorer.access.sign_in import read_sign_in

    if settings.sign_in_file:
        return f"{read_sign_in(settings.sign_in_file).origin}/"
    return address_of(THIS_COMPUTER, settings.port)


def _show_ways_in(settings: AppSettings, tokens_file: Path) -> None:
    """Give out today's tokens, and show on this terminal alone what each opens."""
    from scorer.access.lan import address_of
    from scorer.access.roles import Role
    from scorer.access.tokens import end_of_day, issue, issue_for_host, revoke_all
    from scorer.hold_time.clock import zone_of

    ends_at = end_of_day(datetime.now(UTC), zone_of(settings.zone))
    or_sentence(partial(revoke_all, tokens_file))
    usual, *others = settings.hosts
    for role in Role:
        address = address_of(usual, settings.port, or_sentence(partial(issue, tokens_file, role, ends_at)))
        click.echo(f"\n{role.capitalize()}: {address}")
        _show_code(address)
    if others:
        click.echo(f"\nIf phones do not reach {usual}, write one of these in its place: {', '.join(others)}.")
    token = or_sentence(partial(issue_for_host, tokens_file, ends_at))
    click.echo(f"\nOn this computer: {address_of(THIS_COMPUTER, settings.port, token)}")
    click.echo(f"All of them end at {ends_at:%H:%M} on {ends_at:%Y-%m-%d}, or with Ctrl-C here.")
    click.echo(IN_THE_OPEN)


def _show_code(text: str) -> None:
    from scorer.access.code_for_terminal import code_lines

    try:
        for line in code_lines(text):
            click.secho(line, fg="black", bg="bright_white")
    except UnicodeEncodeError:
        click.echo("(This terminal cannot show a code; type the address.)")


def _open_in_browser(port: int) -> None:
    from scorer.access.lan import address_of

    # A thread of its own: some browsers keep the call until they are closed.
    Thread(target=webbrowser.open, args=(address_of(THIS_COMPUTER, port),), daemon=True).start()
