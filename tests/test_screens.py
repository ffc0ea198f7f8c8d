"""Every page by itself, drawn without a browser: over an empty season and a full one, for whom it is and for whom not.

Drawn by Streamlit's own AppTest, over records and photos that are real.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Final

import pytest
import sqlalchemy as sa
import streamlit as st
from streamlit.testing.v1 import AppTest

import app
from app.desk import the_desk
from app.parts.plain import plain
from app.screens import (
    crews,
    hand_in,
    health,
    labels,
    models,
    phones,
    plan,
    print_card,
    second_look,
    sheets,
    tables,
    tray,
)
from app.sections import SECTIONS
from app.settings import SETTINGS_VARIABLE
from scorer.access.roles import Person, Role
from tests.browser.season import IN_SEASON, make_season, settings_of

SCREENS: Final = [pytest.param(module, id=module.ADDRESS) for _, modules in SECTIONS for module in modules]
"""All pages of the menu: a new one is tested with the rest."""
SCRIPT: Final = """
from importlib import import_module
import streamlit as st
from app.desk import the_desk
from app.visit import Visit
from app.words import Words
from scorer.access.roles import Person, Role
from scorer.errors import AccessError
from scorer.language import load_language
person = Person({name!r}, frozenset(map(Role, {roles!r})), host={host!r})
trays = st.Page(lambda: None, title="Look at a tray", url_path="tray")
st.navigation([trays], position="hidden")
visit = Visit(the_desk(), Words(load_language("en")), person, {{"tray": trays}})
try:
    import_module({module!r}).draw(visit)
except AccessError as refusal:
    st.error(f"refused: {{refusal}}")
"""
EVERYBODY: Final = Person("Wattle", frozenset(Role), host=True)
PEOPLE: Final = [Person("Wattle", frozenset(roles)) for roles in ((), *((role,) for role in Role))]
FIRST_PHOTOS: Final = "hand in photos of trays, 48 h or more after picking."
NEXT_STEPS: Final = {
    hand_in: "Take one of a tray, or choose those you have.",
    tray: "Photos that were handed in are listed here.",
    second_look: FIRST_PHOTOS,
    crews: FIRST_PHOTOS,
    sheets: FIRST_PHOTOS,
    plan: "a few fruit from many bins tell more than many from a few.",
    print_card: "Name a crew or a bin, or give a list, and the tags can be printed.",
    tables: "Begin one of your own as its copy.",
    labels: "Nobody has labelled anything yet: say what marks are on Look at a tray, or take in a file of labels.",
    models: "No model has scored a photo yet.",
    health: "None.",
    phones: "To let phones in, start them with --lan:",
}
"""What each page says while there is nothing yet: what to do, or what will stand there."""
WITH_PHOTOS: Final = {tray: IN_SEASON[3].name, crews: "Brolga", sheets: "Brolga", models: "4 scores", health: "None."}
"""What of the season stands on a page."""


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a season of four photos."""
    folder = tmp_path_factory.mktemp("full")
    make_season(folder, IN_SEASON[:4])
    return folder


@pytest.fixture
def over(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    """Lets pages be drawn over a season, and closes its records afterwards."""
    yield monkeypatch
    the_desk().engine.dispose()
    st.cache_resource.clear()


def drawn(over: pytest.MonkeyPatch, folder: Path, module: ModuleType, person: Person = EVERYBODY) -> AppTest:
    """A page as it is drawn for a person over the season in a folder."""
    over.setenv(SETTINGS_VARIABLE, settings_of(folder).to_json())
    roles = [str(role) for role in sorted(person.roles)]
    script = SCRIPT.format(name=person.name, roles=roles, host=person.host, module=module.__name__)
    return AppTest.from_string(script, default_timeout=60).run()


def text_of(page: AppTest) -> str:
    """All that a page says in text and tables."""
    parts = [*page.markdown, *page.caption, *page.info, *page.success, *page.warning, *page.error]
    tables_ = [frame.value.to_csv() for frame in (*page.table, *page.dataframe)]
    options = [option for choice in (*page.selectbox, *page.multiselect) for option in choice.options]
    return "\n".join([*(part.value for part in parts), *tables_, *options]).replace("\\", "")


@pytest.mark.parametrize("module", SCREENS)
def test_over_an_empty_season_a_page_says_what_to_do_next(
    over: pytest.MonkeyPatch, tmp_path: Path, module: ModuleType
) -> None:
    page = drawn(over, tmp_path, module)
    assert not page.exception
    assert not page.error
    assert NEXT_STEPS[module] in text_of(page)


@pytest.mark.parametrize("module", SCREENS)
def test_over_a_full_season_a_page_is_drawn_without_an_error(
    over: pytest.MonkeyPatch, full: Path, module: ModuleType
) -> None:
    page = drawn(over, full, module)
    assert not page.exception
    assert not page.error
    assert WITH_PHOTOS.get(module, "") in text_of(page)
    says_so_always = module in (hand_in, plan, print_card, tables, health, phones, labels)
    assert says_so_always or NEXT_STEPS[module] not in text_of(page)


@pytest.mark.parametrize("person", PEOPLE, ids=lambda person: "".join(person.roles) or "no role")
@pytest.mark.parametrize("module", SCREENS)
def test_a_page_is_drawn_for_whom_it_is_and_refused_to_others_in_a_sentence_alone(
    over: pytest.MonkeyPatch, full: Path, module: ModuleType, person: Person
) -> None:
    page = drawn(over, full, module, person)
    assert not page.exception
    refusals = [error.value for error in page.error]
    if person.may(module.RIGHT):
        assert refusals == []
        return
    (refusal,) = refusals
    assert f"may not {module.RIGHT}; " in refusal
    assert len(page.main.children) == 1, "nothing but the refusal is shown"


MARKED_UP: Final = "_one_ *two* <b>three</b> [four](http:five) $six$ :red[seven] `eight`"
"""A name that Markdown would read as more than a name (CommonMark 0.31.2, 6; Streamlit adds colours and formulas)."""
APP: Final = Path(app.__file__).parent


def test_a_refusal_on_a_page_calls_a_folder_by_its_name_as_it_is(over: pytest.MonkeyPatch, tmp_path: Path) -> None:
    folder = tmp_path / MARKED_UP.replace("/", "")
    folder.mkdir()
    over.setenv(SETTINGS_VARIABLE, settings_of(folder).to_json())
    page = AppTest.from_file(str(APP / "main.py"), default_timeout=60).run()
    assert not page.error
    with the_desk().engine.begin() as connection:
        connection.execute(sa.text("DROP TABLE score"))
    (refusal,) = page.run().error
    assert plain(folder.name) in refusal.value
    assert as_shown(refusal.value).count(folder.name) == 1


def test_a_refusal_that_no_page_foresaw_calls_a_crew_by_its_name_as_it_is(tmp_path: Path) -> None:
    script = f"""
from pathlib import Path
from app.mishaps import on_page
from scorer.errors import TableError
on_page(Path({str(tmp_path / "errors.log")!r}))(TableError({f"The crew {MARKED_UP} is not there."!r}))
"""
    (refusal,) = AppTest.from_string(script).run().error
    assert as_shown(refusal.value) == f"The crew {MARKED_UP} is not there."
    assert refusal.value == plain(f"The crew {MARKED_UP} is not there.")


def as_shown(markdown: str) -> str:
    """What is left of escaped text: a backslash before punctuation stands for that alone (CommonMark 0.31.2, 2.4)."""
    return re.sub(r"\\([^a-zA-Z0-9\s])", r"\1", markdown)


def test_no_sentence_of_the_librarys_is_shown_as_a_refusal_but_as_plain_text() -> None:
    bare = [
        f"{file.relative_to(APP)}:{call.lineno}"
        for file in sorted(APP.rglob("*.py"))
        for call in calls(ast.parse(file.read_text("utf-8")))
        if isinstance(call.func, ast.Attribute) and call.func.attr in ("error", "warning")
        if told_bare(call)
    ]
    assert bare == []
    assert told_bare(ast.parse("st.error(words.told(sentence))", mode="eval").body), "such a one would be found"


def calls(tree: ast.AST) -> list[ast.Call]:
    return [node for node in ast.walk(tree) if isinstance(node, ast.Call)]


def told_bare(node: ast.AST) -> bool:
    """Whether a sentence of the library's stands in code without ``plain`` around it."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "plain":
        return False
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "told":
        return True
    return any(told_bare(child) for child in ast.iter_child_nodes(node))
