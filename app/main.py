"""The script that every visit runs: who is there, in which language, and the page that they chose of theirs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from types import ModuleType
from typing import Any

import streamlit as st

from app.desk import the_desk
from app.parts.plain import plain
from app.screens import start
from app.sections import SECTIONS
from app.theme import ICON, STYLE
from app.visit import Visit
from app.who import named, require_visitor
from app.words import chosen_words, language_choice
from scorer.errors import ScorerError


def main() -> None:
    """Draw the page that the visitor chose, if it is theirs."""
    st.set_page_config(page_title="Tray scorer", page_icon=str(ICON), layout="wide")
    visitor = require_visitor()
    words = chosen_words()
    menu = st.sidebar.container()
    with st.sidebar:
        person = named(visitor, words)
        language_choice()
    visit = Visit(the_desk(), words, person)
    mine = {
        words.text(section): [(_page(module, visit), module) for module in modules if person.may(module.RIGHT)]
        for section, modules in SECTIONS
    }
    mine = {section: pages for section, pages in mine.items() if pages}
    purposes = {section: [(page, module.PURPOSE) for page, module in pages] for section, pages in mine.items()}
    first = st.Page(partial(_run, start.TITLE, partial(start.draw, pages=purposes), visit), **_about(start, visit))
    # Streamlit's own menu nests its sections in a way that screen readers cannot follow (WCAG 1.3.1)
    chosen = st.navigation([first, *(page for pages in mine.values() for page, _ in pages)], position="hidden")
    with menu:
        _menu(first, mine)
    st.html(STYLE)
    chosen.run()


def _menu(first: Any, mine: Mapping[str, Sequence[tuple[Any, ModuleType]]]) -> None:
    st.page_link(first)
    for section, pages in mine.items():
        st.caption(section)
        for page, _ in pages:
            st.page_link(page)
    st.divider()


def _page(module: ModuleType, visit: Visit) -> Any:
    page = st.Page(partial(_run, module.TITLE, module.draw, visit), url_path=module.ADDRESS, **_about(module, visit))
    visit.ways[module.ADDRESS] = page
    return page


def _about(module: ModuleType, visit: Visit) -> dict[str, Any]:
    return {"title": visit.words.text(module.TITLE), "icon": module.ICON, "default": module is start}


def _run(title: str, draw: Callable[[Visit], None], visit: Visit) -> None:
    st.title(visit.words.text(title))
    try:
        draw(visit)
    except ScorerError as refusal:
        st.error(plain(visit.words.told(str(refusal))), icon=":material/report:")


main()
