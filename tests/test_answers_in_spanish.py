"""What whoever reads Spanish is answered outside of pages, and the words on pages that are names of things to scorer.

Outside sources: which language a header asks for is RFC 9110, 12.4.2 and 12.5.4. That the Spanish is well said is
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import anyio
import httpx
import pytest
import streamlit as st
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp
from streamlit.testing.v1 import AppTest

from app.desk import the_desk
from app.gate import Door, Gate
from app.routes import SENT_BY_A_PAGE, address_of_delivery, address_of_picture, routes
from app.screens import crews, models, plan, tables, tray
from app.settings import SETTINGS_VARIABLE
from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import Delivery, begin_delivery
from scorer.arrivals.store import PICTURE_SIDES_PX, PhotoStore
from scorer.language import language_asked_for, load_language
from scorer.marks.measure import MEASURES
from scorer.records.photos import find_photos
from scorer.records.scores import newest_scores_of
from scorer.sampling.pick_list import LAYERS, PLACES, draw_pick_list
from scorer.tables_in_place.edit import as_frames, begin_own, changed, history
from scorer.tables_in_place.names import LIMITS, PRICES, TableName
from tests.browser.season import IN_SEASON, make_season, settings_of

ENGLISH: Final = load_language("en")
SPANISH: Final = load_language("es")
ANALYST: Final = Person("Wattle", frozenset({Role.ANALYST}))
OFFICER: Final = Person("Wattle", frozenset({Role.OFFICER}))
ASKS_FOR_SPANISH: Final = {"Accept-Language": "es-PE,es;q=0.9,en;q=0.5"}
SCRIPT: Final = """
from importlib import import_module
import streamlit as st
from app.desk import the_desk
from app.visit import Visit
from app.words import Words
from scorer.access.roles import Person, Role
from scorer.language import load_language
person = Person("Wattle", frozenset(Role), host=True)
trays = st.Page(lambda: None, title="Look at a tray", url_path="tray")
st.navigation([trays], position="hidden")
import_module({module!r}).draw(Visit(the_desk(), Words(load_language("es")), person, {{"tray": trays}}))
"""


# Which language a header asks for


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("es", "es"),
        ("ES-pe", "es"),  # letter case does not matter: RFC 5646, 2.1.1
        ("da, en-gb;q=0.8, en;q=0.7", "en"),  # RFC 9110's own example
        ("en;q=0.5, es;q=0.8", "es"),
        ("en, es", "en"),
        ("es;q=0, en;q=0.1", "en"),  # a weight of 0 means "not acceptable"
        ("da, es;q=0.001", "es"),
        ("*", "en"),
        ("", "en"),
        ("es;q=2", "en"),
        ("../es", "en"),
        ("es\x00, \xff;;q=, " + "x" * 5000, "en"),
    ],
)
def test_the_language_is_the_one_that_the_header_would_rather_have(header: str, code: str) -> None:
    assert language_asked_for(header).code == code


def ask(app: ASGIApp, method: str, address: str, **request: Any) -> httpx.Response:
    """What an application answers to one request."""

    async def answer() -> httpx.Response:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1") as client:
            return await client.request(method, address, **request)

    return anyio.run(answer)


# Uploads and pictures


@pytest.fixture
def delivery(tmp_path: Path) -> Delivery:
    return begin_delivery(OFFICER, tmp_path / "inbox")


@pytest.fixture
def server(tmp_path: Path) -> ASGIApp:
    """What the server answers besides pages, over an empty season."""
    return Starlette(routes=routes(tmp_path / "inbox", PhotoStore(tmp_path / "photos")))


def refused(server: ASGIApp, address: str, name: str, data: bytes, **headers: str) -> str:
    sent = {SENT_BY_A_PAGE: "yes", **headers}
    answer = ask(server, "POST", address, params={"name": name}, content=data, headers=sent)
    assert answer.status_code in (400, 403)
    return str(answer.json()["refused"])


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("carta.jpg", b"a letter, not a photo", "carta.jpg no es una foto"),
        ("nada.jpg", b"", "nada.jpg está vacía"),
        ("meses.zip", b"PK\x03\x04 and no more", "meses.zip"),
    ],
)
def test_a_file_is_refused_in_the_language_that_the_page_sends_along(
    server: ASGIApp, delivery: Delivery, name: str, data: bytes, said: str
) -> None:
    address = address_of_delivery(delivery)
    spanish, english = refused(server, address, name, data, **ASKS_FOR_SPANISH), refused(server, address, name, data)
    assert spanish.startswith(said)
    assert spanish == SPANISH.told(english) != english


def test_an_address_that_is_too_old_or_not_there_is_told_in_spanish(server: ASGIApp, tmp_path: Path) -> None:
    old = refused(server, "/hand-in/made-up", "a.jpg", b"", **ASKS_FOR_SPANISH)
    gone = Delivery(tmp_path / "inbox" / ("0" * 32), "Wattle", datetime(2026, 1, 12))
    missing = refused(server, address_of_delivery(gone), "a.jpg", b"", **ASKS_FOR_SPANISH)
    assert old == "Esta página es demasiado vieja para entregar fotos; cárguela de nuevo."
    assert missing == SPANISH.told("This delivery is not there (any more); begin a new one.")
    assert "entrega" in missing


def test_a_picture_that_is_not_shown_is_told_in_spanish(server: ASGIApp) -> None:
    kept = address_of_picture("0" * 64, PICTURE_SIDES_PX[0])
    said = [ask(server, "GET", address, headers=ASKS_FOR_SPANISH).text for address in ("/tray-picture/made-up/1", kept)]
    assert said == [
        "Esta dirección es demasiado vieja; cargue la página de nuevo.",
        "Esta foto no se guarda aquí.",
    ]


# The gate


def at_the_gate(door: Door, path: str = "/", method: str = "GET", **headers: str) -> httpx.Response:
    """What the gate answers; behind it, everything is answered with one word."""
    behind: ASGIApp = PlainTextResponse("inside")
    asked = {"Host": "127.0.0.1", **ASKS_FOR_SPANISH, **headers}
    return ask(Gate(behind, door), method, path, headers=asked)


@pytest.mark.parametrize(
    ("path", "method", "headers", "said"),
    [
        ("/", "GET", {}, "escanee su código en la computadora"),
        ("/?token=wrong", "GET", {}, "Este acceso se venció o se retiró"),
        ("/", "GET", {"Host": "evil.example"}, "Estas páginas no están en esta dirección"),
        ("/", "POST", {"Origin": "http://evil.example"}, "la página de otro servidor"),
    ],
)
def test_the_gate_answers_in_the_language_that_the_browser_asks_for(
    tmp_path: Path, path: str, method: str, headers: dict[str, str], said: str
) -> None:
    door = Door(tokens_file=tmp_path / "tokens.json")
    answer = at_the_gate(door, path, method, **headers)
    assert answer.status_code in (403, 421)
    assert said in answer.text
    assert "<h1>No está abierto</h1>" in answer.text
    assert '<html lang="es">' in answer.text
    english = at_the_gate(door, path, method, **{**headers, "Accept-Language": "de"})
    assert '<html lang="en">' in english.text
    assert "<h1>Not open</h1>" in english.text


# A table's history


def spanish_history(folder: Path, which: TableName) -> list[str]:
    said = [str(words) for words in history(ANALYST, folder, which)["differences"]]
    assert [ENGLISH.told(words) for words in said] == said
    return [SPANISH.told(words) for words in said]


def test_what_differs_between_versions_of_a_limit_table_is_told_in_spanish(tmp_path: Path) -> None:
    which = TableName(LIMITS, "buyer")
    frames = dict(begin_own(ANALYST, tmp_path, TableName(LIMITS, "cxs_184"), "buyer").frames)
    frames["areas"].loc[1, "area_cm2"] = 2.5
    frames["wounds"] = frames["wounds"][frames["wounds"]["kind"] != "cut"]
    frames["sizes"] = frames["sizes"].assign(to_g=[350, 550, None])
    frames["known"] = frames["known"].assign(known="read")
    frames["about"].loc[frames["about"]["part"] == "note", "text"] = "As agreed; see their list. The rest stays"
    changed(ANALYST, tmp_path, which, frames, "a new buyer", basis=1)
    newest = spanish_history(tmp_path, which)[0]
    beginning, _, end = newest.partition("-> As agreed; see their list. The rest stays")
    assert beginning.startswith("nota: ")
    assert end.split("; ")[1:] == [
        "origen de calibres: de memoria -> leído",
        "origen de clases: de memoria -> leído",
        "origen de heridas abiertas: práctica común, sin fuente -> leído",
        "calibre C: 551 a 800 -> 551 o más g",
        "la clase I, calibre B: 4 -> 2,5 cm2",
        "corte deja fuera desde: se quitó, era 5 mm",
    ]


def test_what_differs_between_versions_of_a_price_table_is_told_in_spanish(tmp_path: Path) -> None:
    which = TableName(PRICES, "ours")
    frames = dict(begin_own(ANALYST, tmp_path, TableName(PRICES, "example"), "ours").frames)
    frames["grades"] = frames["grades"].assign(
        price_per_carton=[26.5, 17.0, 5.0], part_of_downgraded=[None, 0.65, 0.35]
    )
    frames["money"] = frames["money"].assign(currency="soles", fruit_per_carton=18.0)
    frames["cartons"].loc[0] = ["Brolga", 1200.0]
    changed(ANALYST, tmp_path, which, frames, "cartons are counted", basis=1)
    assert spanish_history(tmp_path, which)[0].split("; ") == [
        "moneda: dollars -> soles",
        "frutos en una caja: 16 -> 18",
        "caja de first: 26 -> 26,5 soles",
        "parte de la fruta que bajó que se empaca como second: 0,7 -> 0,65",
        "parte de la fruta que bajó que se empaca como juice: 0,3 -> 0,35",
        "cajas de Brolga: nuevo, 1200",
    ]


# Pages


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a season of two photos."""
    folder = tmp_path_factory.mktemp("season")
    make_season(folder, IN_SEASON[:2])
    return folder


@pytest.fixture
def over(monkeypatch: pytest.MonkeyPatch, season: Path) -> Iterator[Path]:
    """Lets pages be drawn over the season, and closes its records afterwards."""
    monkeypatch.setenv(SETTINGS_VARIABLE, settings_of(season).to_json())
    yield season
    the_desk().engine.dispose()
    st.cache_resource.clear()


def page_of(module: ModuleType, **session: Any) -> AppTest:
    """A page in Spanish, not drawn yet."""
    page = AppTest.from_string(SCRIPT.format(module=module.__name__), default_timeout=60)
    for name, value in session.items():
        page.session_state[name] = value
    return page


def words_of(page: AppTest) -> str:
    assert not page.exception
    return "\n".join(part.value for part in (*page.markdown, *page.caption)).replace("\\", "")


@pytest.mark.usefixtures("over")
def test_what_decided_on_a_mark_is_named_in_spanish() -> None:
    engine = the_desk().engine
    photos = find_photos(ANALYST, engine)
    marks_of = {str(sha256): newest_scores_of(engine, str(sha256)).marks for sha256 in photos["sha256"]}
    sha256, mark = next((sha256, marks.iloc[0]) for sha256, marks in marks_of.items() if not marks.empty)
    page = page_of(tray, tray_chosen={sha256: ("mark", int(mark["mark"]))})
    page.query_params["photo"] = sha256
    said = next(
        line
        for line in words_of(page.run()).splitlines()
        if line.startswith(SPANISH.text("What decided: {measures}", measures=""))
    )
    named = [name for name in str(mark["because"]).split(", ") if name in MEASURES]
    assert named
    for name in named:
        english = name.replace("_", " ")
        assert SPANISH.text(english) != english
        assert f"{SPANISH.text(english)} " in said
        assert f"{english} " not in said


@pytest.mark.usefixtures("over")
def test_the_cells_of_a_drawn_list_are_in_spanish() -> None:
    page = page_of(plan).run()
    page.segmented_control(key="question").set_value("picks").run()
    page.button[0].click().run()
    assert not page.exception
    shown = page.table[0].value
    assert set(shown["capa"]) <= {SPANISH.text(layer) for layer in LAYERS}
    assert set(shown["lugar"]) <= {SPANISH.text(place) for place in PLACES}
    assert not set(shown["capa"]) | set(shown["lugar"]) <= {*LAYERS, *PLACES}
    assert len(shown) == len(picked_as_shown())


def picked_as_shown() -> list[object]:
    """Rows of a list with the numbers that the page proposes: each bin has places of its own."""
    begin, end = datetime(2026, 1, 12, 6), datetime(2026, 1, 12, 14)
    return list(draw_pick_list(60, 12, 10, shift_start=begin, shift_end=end).picks.itertuples())


@pytest.mark.usefixtures("over")
def test_the_models_card_names_its_values_in_spanish() -> None:
    said = words_of(page_of(models).run())
    for name in ("hecho el", "entrenado con", "bandejas", "límites de uso"):
        assert f"**{name}**: " in said
    assert "**made on**" not in said


@pytest.mark.usefixtures("over")
def test_known_ways_of_picking_are_named_in_spanish_and_others_stay() -> None:
    page = page_of(crews, any_hold=True).run()
    assert not page.exception
    methods = page.multiselect(key="only_method")
    assert "a mano, quebrando el pedúnculo" in methods.options
    assert not any("hand snap" in option for option in methods.options)
    blocks = page.multiselect(key="only_block")
    assert blocks.label == SPANISH.text("Blocks")


@pytest.mark.usefixtures("over")
def test_the_chart_of_days_says_in_spanish_what_it_shows() -> None:
    page = page_of(crews, any_hold=True, part="days").run()
    assert not page.exception
    told = [line.removeprefix("- ") for line in words_of(page).splitlines() if line.startswith("- ")]
    alts = [chart.proto.alt for chart in page.get("vega_lite_chart")]
    assert told
    assert any(told[-1] in alt for alt in alts)
    assert not any("day" in alt for alt in alts)


def test_a_tables_history_is_in_spanish_on_its_page(over: Path) -> None:
    folder = settings_of(over).tables_folder
    which = TableName(LIMITS, "buyer")
    begin_own(ANALYST, folder, TableName(LIMITS, "cxs_184"), "buyer")
    frames = dict(as_frames(ANALYST, folder, which).frames)
    frames["areas"].loc[1, "area_cm2"] = 2.5
    changed(ANALYST, folder, which, frames, "copy of cxs_184", basis=1)
    said = words_of(page_of(tables, table_limits="buyer").run())
    assert "la clase I, calibre B: 4 -> 2,5 cm2" in said
    assert "empezada: copia de cxs_184" in said
    assert "cambiada: copy of cxs_184" in said, "what somebody wrote stays as it is"
