"""Who is at the page: asked anew on every run, so that a way in that is taken back is closed with the next click."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import streamlit as st

from app.parts.plain import plain
from app.settings import AppSettings, Mode, app_settings
from app.words import Words, chosen_words
from scorer.access.roles import Person, Role
from scorer.access.sign_in import SignIn, person_of, read_sign_in, why_without_role
from scorer.access.tokens import let_in
from scorer.errors import AccessError

NOBODY: Final = Person("", frozenset())
LONGEST_NAME: Final = 60
_NAME: Final = "visitor_name"
_AT_THE_COMPUTER: Final = Person("", frozenset(Role), host=True)


def visitor() -> Person:
    """Who is at the page; somebody who is not let in has no role, and a name only where they signed in.

    Raises
    ------
    AccessError : the file of tokens, or of those who may sign in, cannot be used.
    """
    settings = app_settings()
    if settings.mode is Mode.LOOPBACK:
        return _AT_THE_COMPUTER
    if settings.mode is Mode.LAN:
        return _with_token(settings)
    return person_of(_sign_in(settings), st.user.to_dict()) if st.user.get("is_logged_in") else NOBODY


def require_visitor() -> Person:
    """Who is at the page; for somebody without a role, draw what to do about it, and nothing more.

    Somebody who has not signed in yet is offered that.
    """
    words = chosen_words()
    try:
        person = visitor()
    except AccessError as refusal:
        st.error(plain(words.told(str(refusal))), icon=":material/report:")
        st.stop()
    if person.roles:
        return person
    if app_settings().mode is not Mode.SIGN_IN:
        st.error(words.text("This way in has ended or was taken back; scan today's code again."))
    elif st.user.get("is_logged_in"):
        st.error(plain(words.told(why_without_role(st.user.to_dict()))))
        st.button(words.text("Sign out"), on_click=st.logout)
    else:
        st.write(words.text("These pages are for people of this shed; sign in to see yours."))
        st.button(words.text("Sign in"), on_click=st.login, type="primary")
    st.stop()


def named(person: Person, words: Words) -> Person:
    """The person with the name they give; somebody who signed in has one already, and may sign out instead."""
    if app_settings().mode is Mode.SIGN_IN:
        st.text(person.name)
        st.button(words.text("Sign out"), on_click=st.logout)
        return person
    help_ = words.text("Written beside what you decide.")
    given = st.text_input(words.text("Your name"), key=_NAME, max_chars=LONGEST_NAME, help=help_)
    return replace(person, name=" ".join(given.split()))


def _with_token(settings: AppSettings) -> Person:
    token = st.context.cookies.get(settings.token_cookie)
    if token is None or settings.tokens_file is None:
        return NOBODY
    holder = let_in(settings.tokens_file, token, datetime.now(UTC))
    if holder is None:
        return NOBODY
    return _AT_THE_COMPUTER if holder.role is None else Person("", frozenset({holder.role}))


def _sign_in(settings: AppSettings) -> SignIn:
    if settings.sign_in_file is None:
        raise AccessError("Nobody may sign in, for no list of who may was given; start the pages with --sign-in.")
    return read_sign_in(settings.sign_in_file)
