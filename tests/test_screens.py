"""Every page drawn by Streamlit's own tester: empty, full, and for each role; nothing is shown that is not theirs."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app.sections import SECTIONS
from app.settings import SETTINGS_VARIABLE, AppSettings, settings_beside
from scorer.access.roles import RIGHTS, Person, Right, Role
from scorer.records.database import open_records, records_url
from scorer.records.keep import keep_score
from tests.drawn_records import batch_into, tray_score

SCREENS = {module.__name__.rsplit(".", 1)[-1]: module for _, modules in SECTIONS for module in modules}
PATIENCE_S = 60
SCRIPT = """
import importlib

import streamlit as st

from app.desk import the_desk
from app.visit import Visit
from app.words import chosen_words
from scorer.access.roles import Person, Role
from scorer.errors import ScorerError

screen = importlib.import_module("app.screens." + {screen!r})
person = Person("Wattle", frozenset(Role(name) for name in {roles!r}), host={host!r})
try:
    screen.draw(Visit(the_desk(), chosen_words(), person))
except ScorerError as refusal:
    st.error(str(refusal))
"""


@pytest.fixture
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AppSettings:
    """Settings over records that hold nothing yet."""
    made = settings_beside(records_url(tmp_path / "season.sqlite"), site="shed", zone="Australia/Darwin")
    monkeypatch.setenv(SETTINGS_VARIABLE, made.to_json())
    return made


@pytest.fixture
def full(settings: AppSettings) -> AppSettings:
    """The same, with drawn scores of two crews."""
    batch = batch_into(open_records(settings.records_url), zone="Australia/Darwin")
    for number in range(6):
        crew = "Curlew" if number % 2 else "Brolga"
        score = tray_score(f"tray_{number}.jpg", crew=crew, bin=f"T-{number}")
        assert keep_score(batch, score.photo, score.fruit, score.marks)
    return settings


def drawn(screen: str, roles: tuple[Role, ...] = tuple(Role), *, host: bool = True) -> AppTest:
    script = SCRIPT.format(screen=screen, roles=[str(role) for role in roles], host=host)
    return AppTest.from_string(script, default_timeout=PATIENCE_S).run()


def said(page: AppTest) -> str:
    """All that a page says in words."""
    parts = (page.markdown, page.caption, page.info, page.warning, page.success, page.error, page.subheader)
    return "\n".join(str(element.value) for elements in parts for element in elements)


@pytest.mark.parametrize("screen", SCREENS)
def test_every_page_is_drawn_over_empty_records(screen: str, settings: AppSettings) -> None:
    page = drawn(screen)
    assert not page.exception
    assert not page.error


@pytest.mark.parametrize("screen", SCREENS)
def test_every_page_is_drawn_over_a_season(screen: str, full: AppSettings) -> None:
    page = drawn(screen)
    assert not page.exception
    assert not page.error


@pytest.mark.parametrize(
    ("screen", "next_step"),
    [
        ("hand_in", "Take one of a tray"),
        ("tray", "Photos that were handed in are listed here"),
        ("second_look", "hand in photos of trays"),
        ("crews", "hand in photos of trays"),
        ("sheets", "hand in photos of trays"),
        ("phones", "start them with --lan"),
    ],
)
def test_an_empty_page_says_what_to_do_next(screen: str, next_step: str, settings: AppSettings) -> None:
    assert next_step in said(drawn(screen))


@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize("roles", [(), *((role,) for role in Role)], ids=lambda roles: "".join(roles) or "no role")
def test_a_page_shows_nothing_to_whom_it_is_not_for(screen: str, roles: tuple[Role, ...], full: AppSettings) -> None:
    """By the library's own word: the menu, which would not list the page, is not asked here."""
    right = SCREENS[screen].RIGHT
    page = drawn(screen, roles, host=False)
    assert not page.exception
    if any(right in RIGHTS[role] for role in roles):
        assert not page.error
        return
    (refusal,) = page.error
    assert f"may not {right}" in refusal.value
    figures = said(page)
    assert "Curlew" not in figures
    assert "Brolga" not in figures
    assert not page.table
    assert not page.dataframe


@pytest.mark.parametrize("part", ["photos", "kinds", "days", "rest", "mix", "cost"])
def test_each_part_of_the_crew_figures_is_drawn(part: str, full: AppSettings) -> None:
    page = drawn("crews")
    page.segmented_control(key="part").set_value(part).run()
    assert not page.exception
    assert not page.error


def test_the_crew_page_says_sample_size_and_fair_use_beside_the_figures(full: AppSettings) -> None:
    page = drawn("crews")
    words = said(page)
    assert "For coaching; not for pay or discipline" in words
    assert "fruit count" in words
    table = page.table[0].value
    assert {"Share", "Interval", "Fruit", "Bins"} <= set(table.columns)


def test_every_right_that_a_page_asks_for_is_somebody_s() -> None:
    for name, module in SCREENS.items():
        holders = [role for role in Role if module.RIGHT in RIGHTS[role]]
        assert holders or module.RIGHT is Right.HOST, name


def test_a_person_without_roles_may_see_no_page() -> None:
    nobody = Person("Nobody", frozenset())
    assert not [name for name, module in SCREENS.items() if nobody.may(module.RIGHT)]
