"""The words of sheets: every catalogue that comes along is complete and can be printed, and any other can be added."""

import ast
import re
from datetime import date, time
from functools import cache
from itertools import combinations
from pathlib import Path

import pytest

import app
import scorer
from app.mishaps import SORRY
from scorer.access.roles import Role
from scorer.advice.practice_table import load_practices, practice_texts
from scorer.crew_summary import FAIR_USE, FOR_COACHING
from scorer.crews.breakdown import ALL_CREWS
from scorer.kinds import load_model
from scorer.language import (
    CATALOGUE,
    SOURCE_LANGUAGE,
    LanguageError,
    Saying,
    available_languages,
    load_language,
    placeholders,
    read_catalogue,
)
from scorer.limits import WAYS_OF_KNOWING, available_limits, load_limits
from scorer.marks.measure import MEASURES
from scorer.printing.lettering import printable
from scorer.resources import shared_folder
from scorer.sampling.pick_list import LAYERS, PICK_DTYPES, PLACES
from scorer.sampling.sequential import lines_by_tray, plan_door_check
from scorer.tables_in_place.differences import LAYOUT_ONLY
from scorer.tables_in_place.limit_frames import LIMIT_COLUMNS
from scorer.tables_in_place.price_frames import PRICE_COLUMNS
from scorer.tables_in_place.versions import BEGUN, CHANGED, FOUND, PUT_AGAIN, TAKEN_BACK
from scorer.text_patterns import is_pattern
from scorer.training.build import LIMITS_OF_USE

PACKAGES = (scorer, app)
KEYWORDS = {"message": 1, "text": 1, "Saying": 1, "counted": 2}
"""What marks a source text, and how many of its arguments are one."""
UNITS = ("_g", "_mm", "_cm2")
"""Endings of columns that pages show as a unit behind the word."""
TRANSLATED = [name for name in available_languages() if name != SOURCE_LANGUAGE]

HEAD = 'msgid ""\nmsgstr ""\n"Language: {}\\n"\n"Content-Type: text/plain; charset=utf-8\\n"\n{}\n'
# GNU gettext manual, section "Additional functions for plural forms": the rule for Polish, with its own example word
POLISH = (
    '"Plural-Forms: nplurals=3; plural=n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2;\\n"\n\n'
    'msgid "{count} file"\nmsgid_plural "{count} files"\n'
    'msgstr[0] "{count} plik"\nmsgstr[1] "{count} pliki"\nmsgstr[2] "{count} plików"\n'
)


def source_texts():
    """Every source text of scorer and its pages, of table columns and practices; texts with a number as pairs."""
    marked = {text for _, tree in sources() for text in marked_in(tree)}
    return marked | set(practice_texts(load_practices())) | column_words() | named_words()


@cache
def sources():
    """The files of both packages, read as Python."""
    files = sorted(file for package in PACKAGES for file in Path(package.__file__).parent.rglob("*.py"))
    return [(file, ast.parse(file.read_text(encoding="utf-8"))) for file in files]


def marked_in(tree):
    """Texts in calls of KEYWORDS, also within f-strings, which gettext's own readers pass over."""
    for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
        name = getattr(call.func, "attr", getattr(call.func, "id", ""))
        given = [one.value for one in call.args[: KEYWORDS.get(name, 0)] if isinstance(one, ast.Constant)]
        if given and all(isinstance(text, str) for text in given):
            yield given[0] if len(given) == 1 else tuple(given)


def column_words():
    """Words that pages make of the columns of tables."""
    edited = {name for columns in (LIMIT_COLUMNS, PRICE_COLUMNS) for frame in columns.values() for name in frame}
    stems = {re.sub(f"({'|'.join(UNITS)})$", "", name) for name in edited}
    picks = set(PICK_DTYPES) - {"crew"}
    door = set(lines_by_tray(plan_door_check(0.03, 0.12, fruit_per_tray=10, icc=0.05)))
    health = {name.capitalize() for name in ("photo", "bin", "crew", "side")}
    return {name.replace("_", " ") for name in stems | picks | door | set(MEASURES)} | health


def named_words():
    """Words and sentences of the library that are shown by a name of Python, or as a list, not by the text itself."""
    roles = [list(some) for number in range(1, len(Role) + 1) for some in combinations(Role, number)]
    lists = {" or ".join(some) for some in roles} | {", ".join(sorted(some)) for some in roles if len(some) < len(Role)}
    classes = {each.words for name in available_limits() for each in load_limits(name).classes}
    versions = {BEGUN, CHANGED, TAKEN_BACK, PUT_AGAIN, FOUND}
    spots = {*LAYERS, *PLACES}
    ways = set(load_practices().methods)
    cards = {LIMITS_OF_USE, str(load_model().card["name"])}
    others = {"block or method", ALL_CREWS, FOR_COACHING, FAIR_USE, SORRY, LAYOUT_ONLY, *WAYS_OF_KNOWING}
    return versions | lists | classes | spots | ways | cards | others


def word_pairs(text):
    """Each two words that follow each other, or the word where there is but one."""
    words = re.findall(r"[^\W\d]+", text.lower())
    return {tuple(words[start : start + 2]) for start in range(max(len(words) - 1, 1))} if words else set()


@cache
def written_in_sources():
    """The pairs of words that stand in the strings of both packages."""
    strings = (node.value for _, tree in sources() for node in ast.walk(tree) if isinstance(node, ast.Constant))
    return {pair for string in strings if isinstance(string, str) for pair in word_pairs(string)}


def both(text):
    return text if isinstance(text, tuple) else (text,)


def is_still_said(text):
    """Whether a sentence that the library puts together still is: two in three of its pairs of words stand there.

    Not all do, for it is put together from several strings.
    """
    pairs = {pair for piece in re.split(r"\{\w+\}", text) for pair in word_pairs(piece)}
    return 3 * len(pairs & written_in_sources()) >= 2 * len(pairs)


def write(folder, language, entries):
    path = folder / language / "LC_MESSAGES" / CATALOGUE
    path.parent.mkdir(parents=True)
    path.write_text(HEAD.format(language, entries), encoding="utf-8")
    return folder


def test_the_source_texts_are_found():
    texts = source_texts()
    assert "Fair use" in texts
    assert ("{count} bin", "{count} bins") in texts
    assert "sure to {percent}" in texts, "within an f-string"
    assert "price per carton" in texts, "a column"
    assert len(texts) > 300


def test_spanish_comes_along():
    assert "es" in TRANSLATED


@pytest.mark.parametrize("language", TRANSLATED)
def test_every_source_text_is_translated(language):
    catalogue = read_catalogue(shared_folder() / "locale" / language / "LC_MESSAGES" / CATALOGUE)
    entries = {entry.id: entry for entry in catalogue if entry.id}
    texts = source_texts()
    assert texts - set(entries) == set(), "translate these"
    assert {text for text in set(entries) - texts if not is_still_said(text)} == set(), "these are said no more"
    for entry in entries.values():
        assert not entry.fuzzy, entry.id
        assert len(both(entry.string)) == (catalogue.num_plurals if isinstance(entry.id, tuple) else 1)
        for translated in both(entry.string):
            assert translated.strip(), entry.id
            assert placeholders(translated) == placeholders(both(entry.id)[-1]), entry.id
            assert translated == " ".join(translated.split()), "one line, without blanks at its ends"


@pytest.mark.parametrize("language", TRANSLATED)
def test_every_translation_can_be_printed(language):
    catalogue = read_catalogue(shared_folder() / "locale" / language / "LC_MESSAGES" / CATALOGUE)
    letters = {letter for entry in catalogue if entry.id for text in both(entry.string) for letter in text}
    assert printable("".join(sorted(letters)))


@pytest.mark.parametrize("language", available_languages())
def test_what_a_language_makes_of_numbers_and_dates_can_be_printed(language):
    words = load_language(language)
    shown = (words.number(1234.5, 1), words.percent(0.95), words.clock(time(15)), words.day(date(2026, 3, 14)))
    assert all(printable(text) for text in (*shown, words.period(date(2025, 12, 30), date(2026, 1, 3))))


def test_a_language_that_is_not_there_is_told_with_those_that_are():
    with pytest.raises(LanguageError) as refusal:
        load_language("tlh")
    assert str(refusal.value) == "There is no catalogue for the language 'tlh'; choose one of en, es."


@pytest.mark.parametrize("code", ["", "../es", "x" * 500, "es/../en", "C:"])
def test_no_code_reaches_outside_the_catalogues(code):
    with pytest.raises(LanguageError, match="There is no catalogue"):
        load_language(code)


# How numbers are written: Unicode CLDR, from memory. A comma parts the decimals in Ecuador, a point in Mexico and Peru.
@pytest.mark.parametrize(
    ("code", "number", "percent"),
    [
        ("en", "1,234.5", "14%"),
        ("es", "1.234,5", "14\u00a0%"),
        ("es_EC", "1.234,5", "14%"),
        ("es-MX", "1,234.5", "14%"),
        ("es_PE", "1,234.5", "14%"),
    ],
)
def test_numbers_are_written_as_in_the_country(code, number, percent):
    language = load_language(code)
    assert language.number(1234.5, 1) == number
    assert language.percent(0.14) == percent


def test_a_country_without_its_own_catalogue_has_the_words_of_its_language():
    assert load_language("es_PE").text("Fair use") == load_language("es").text("Fair use") == "Uso justo"


def test_values_stand_in_a_sentence_as_the_language_writes_them():
    spanish = load_language("es")
    message = "{kind} {share} {count} {hour} {day}"
    values = {"kind": Saying("cuts"), "share": 2.5, "count": 12000, "hour": time(15), "day": date(2026, 3, 14)}
    assert spanish.text(message, **values) == "cortes 2,5 12.000 15:00 14 mar 2026"
    assert spanish.say(Saying(message, values)) == spanish.text(message, **values)


def test_a_crew_whose_name_has_braces_keeps_them():
    assert load_language("en").text("{crew} picks", crew="{count} {0}") == "{count} {0} picks"


@pytest.mark.parametrize(("count", "words"), [(1, "1 plik"), (22, "22 pliki"), (5, "5 plików"), (112, "112 plików")])
def test_plurals_follow_the_catalogues_own_rule(tmp_path, count, words):
    polish = load_language("pl", write(tmp_path, "pl", POLISH))
    assert polish.counted("{count} file", "{count} files", count) == words


def test_a_language_is_added_by_its_catalogue_and_what_it_lacks_stays_english(tmp_path):
    folder = write(tmp_path, "pt", '\nmsgid "Fair use"\nmsgstr "Uso justo"\n\nmsgid "Take care"\nmsgstr ""\n')
    assert available_languages(folder) == ("en", "pt")
    portuguese = load_language("pt_BR", folder)
    assert [portuguese.text(text) for text in ("Fair use", "Take care", "yes")] == ["Uso justo", "Take care", "yes"]


def test_a_language_that_no_table_of_locales_has_writes_numbers_as_english_does(tmp_path):
    nahuatl = load_language("nah", write(tmp_path, "nah", '\nmsgid "yes"\nmsgstr "kema"\n'))
    assert (nahuatl.text("yes"), nahuatl.number(1234.5, 1)) == ("kema", "1,234.5")


def test_an_uncertain_translation_is_not_shown(tmp_path):
    folder = write(tmp_path, "pt", '\n#, fuzzy\nmsgid "yes"\nmsgstr "não"\n')
    assert load_language("pt", folder).text("yes") == "yes"


@pytest.mark.parametrize(
    ("entries", "sentence"),
    [
        ('\nmsgid "{count} of {total}"\nmsgstr "{count}"\n', "must name the values count, total"),
        ('\nmsgid "{count}"\nmsgstr "{count} {other}"\n', "must name the values count"),
        ('\nmsgid "yes"\nmsgstr "si{m"\n', r"must name the values \(none\)"),
        ('\nmsgid "{count} bin"\nmsgid_plural "{count} bins"\nmsgstr[0] "um"\nmsgstr[1] "{n}"\n', "count"),
        ("\nmsgid yes\n", "not a catalogue"),
    ],
)
def test_a_catalogue_that_would_lose_a_number_is_refused(tmp_path, entries, sentence):
    folder = write(tmp_path, "pt", entries)
    with pytest.raises(LanguageError, match=sentence):
        load_language("pt", folder)


def test_a_catalogue_that_is_no_text_is_refused(tmp_path):
    folder = write(tmp_path, "pt", "")
    (folder / "pt" / "LC_MESSAGES" / CATALOGUE).write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LanguageError, match="not a catalogue"):
        load_language("pt", folder)


TOLD = """
msgid "{crew} has {count} {kind_told}: {why_all_told}."
msgstr "{why_all_told}: {crew}, {count} {kind_told}."

msgid "wash"
msgstr "lavado"

msgid "tired wash; ask the crew. Today"
msgstr "lavado gastado; pregunte. Hoy"

msgid "{low} to {high}"
msgstr "{low} a {high}"

msgid "{who} and more"
msgstr "{who} y otros"
"""


@pytest.mark.parametrize(
    ("sentence", "told"),
    [
        ("wash", "lavado"),
        (
            "Curlew has 1,200.5 wash: tired wash; ask the crew. Today.",
            "lavado gastado; pregunte. Hoy: Curlew, 1.200,5 lavado.",
        ),
        ("wash has 3 wash: wash.", "lavado: wash, 3 lavado."),  # the crew's name stays
        ("wash; tired wash; ask the crew. Today; wash", "lavado; lavado gastado; pregunte. Hoy; lavado"),
        ("wash, wash and 3 to 4", "lavado, lavado y 3 a 4"),
        ("wash and Curlew", "wash and Curlew"),
        ("3 to 4", "3 a 4"),
        ("from east to west", "from east to west"),  # only numbers stand there
        ("many and more", "many and more"),  # too few words to be told by
        ("Curlew has no wash: wash.", "Curlew has no wash: wash."),
    ],
)
def test_sentences_put_together_elsewhere_are_told(tmp_path, sentence, told):
    spanish = load_language("es", write(tmp_path, "es", TOLD))
    assert spanish.told(sentence) == told


def test_a_sentence_that_was_reworded_is_noticed():
    assert is_still_said("{count} seen again from the other side")
    assert not is_still_said("the picture is blurry, so wipe the lens")


def test_only_sentences_with_values_are_patterns():
    assert is_pattern("{count} is damaged")
    assert is_pattern("{reason_told}. Table: {table_told}")
    assert not is_pattern("is damaged")
    assert not is_pattern("{who}: {what}")
    assert is_pattern("{about_told}: {before_told} -> {after_told}")
    assert not is_pattern("{before} -> {after}"), "an arrow alone stands between names, too"
