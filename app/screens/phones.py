"""Let phones in: today's code for each role, shown on this computer only, and taken back at a tap."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import qrcode
import streamlit as st

from app.settings import Mode
from app.visit import Visit
from scorer.access.lan import address_of
from scorer.access.roles import Right, Role
from scorer.access.tokens import end_of_day, issue, open_roles, revoke
from scorer.hold_time.clock import zone_of
from scorer.language import message

TITLE = message("Let phones in")
ICON = ":material/qr_code_scanner:"
ADDRESS = "phones"
RIGHT = Right.HOST
PURPOSE = message("Today's codes for phones in the same network, and taking them back.")

ROLE_WORDS = {
    Role.OFFICER: message("Quality officer"),
    Role.ANALYST: message("Analyst"),
    Role.MANAGER: message("Manager"),
}


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words, settings = visit.words, visit.desk.settings
    if settings.mode is not Mode.LAN or settings.tokens_file is None:
        st.info(words.text("These pages are open on this computer only. To let phones in, start them with --lan:"))
        st.code("scorer app --lan")
        return
    st.warning(
        words.text(
            "What goes over plain http can be read and changed by others in the same network: use the shed's own, and "
            "show a code only to whom it is for."
        )
    )
    opened = open_roles(settings.tokens_file, datetime.now(UTC))
    for role in Role:
        with st.container(border=True):
            _role(visit, role, opened.get(role))


def _role(visit: Visit, role: Role, ends_at: datetime | None) -> None:
    words, settings = visit.words, visit.desk.settings
    assert settings.tokens_file is not None
    st.header(words.text(ROLE_WORDS[role]))
    if ends_at is not None:
        st.markdown(words.text("Open until {when}.", when=words.moment(visit.at_the_site(ends_at))))
        if st.button(words.text("Take it back"), key=f"revoke_{role}", icon=":material/block:"):
            revoke(settings.tokens_file, role)
            st.rerun()
    else:
        st.markdown(words.text("Closed."))
    if st.button(words.text("Show a new code; the one before ends"), key=f"issue_{role}", icon=":material/qr_code:"):
        token = issue(settings.tokens_file, role, end_of_day(datetime.now(UTC), zone_of(settings.zone)))
        for host in settings.hosts:
            address = address_of(host, settings.port, token)
            st.image(_code(address), width=300, caption=words.text("Scan it with the phone's camera"))
            st.code(address, wrap_lines=True)


def _code(address: str) -> bytes:
    picture = io.BytesIO()
    qrcode.make(address, box_size=8).save(picture)
    return picture.getvalue()
