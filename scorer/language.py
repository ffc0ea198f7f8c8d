"""The words of sheets in the reader's language: gettext catalogues, and numbers and dates as that language writes them.

English is the source text. A catalogue is a ``.po`` file under ``shared/locale/<language>/LC_MESSAGES``; it is read as
it is, so that whoever adds a language writes that one text file. What a catalogue lacks stays English.
"""

from __future__ import annotations

import gettext
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from functools import cached_property, lru_cache
from pathlib import Path
from string import Formatter
from typing import Final

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_interval, format_time
from babel.lists import format_list
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import PoFileError, read_po
from babel.numbers import format_decimal, format_percent, get_decimal_symbol, get_group_symbol

from scorer.errors import LanguageError
from scorer.resources import shared_folder
from scorer.text_patterns import TOLD_ENDING, TextPattern, is_amount, is_number, is_pattern

SOURCE_LANGUAGE: Final = "en"
CATALOGUE: Final = "scorer.po"
_LISTED: Final = re.compile(r", | and ")
_ASKED_FOR: Final = re.compile(r"([a-z]{1,8})(?:-[a-z\d]{1,8})*(?:\s*;\s*q=(0(?:\.\d{0,3})?|1(?:\.0{0,3})?))?", re.I)
"""One language in a header, and its weight (RFC 9110, 12.4.2 and 12.5.4)."""


def message(text: str) -> str:
    """Mark a text as one that catalogues translate; it is given back unchanged, to be looked up when it is shown."""
    return text


@dataclass(frozen=True)
class Saying:
    """A sentence that is put into a language only when it is shown.

    Parameters
    ----------
    message : the source text, with the names of its values in braces.
    values : what stands in the braces; see `Language.text`.
    """

    message: str
    values: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Language:
    """One language: its words, and how it writes numbers and dates.

    Parameters
    ----------
    code : name of the language, such as ``es`` or ``es_PE``.
    locale : rules for numbers and dates.
    catalogue : translations of the source texts.
    """

    code: str
    locale: Locale
    catalogue: gettext.NullTranslations = field(repr=False, compare=False)

    def text(self, message: str, /, **values: object) -> str:
        """Translate a source text and fill in its values.

        Whole and decimal numbers, dates, times of day and other `Saying` are written as the language writes them;
        everything else, such as a crew's name, is taken as it is.
        """
        return self._filled(self.catalogue.gettext(message) if message else "", values)

    def counted(self, one: str, many: str, count: int, /, **values: object) -> str:
        """Translate a text that depends on a number, with that number as the value ``count``."""
        return self._filled(self.catalogue.ngettext(one, many, count), {**values, "count": count})

    def told(self, sentence: str) -> str:
        """Translate a sentence that was put together elsewhere, such as a photo's reasons in the records.

        It is translated whole, by the source text whose braces it fills, as a list of known words, or else part by part
        between semicolons; what no source text fits stays as it is, but for the signs in a part that is nothing but a
        number with its unit. Of what fills the braces, numbers are written as the language writes them, values whose
        name ends in ``_told`` are themselves translated so, and all else, such as names, stays.
        """
        parts, said = sentence.split("; "), []
        while parts:
            heads = ((cut, self._known("; ".join(parts[:cut]))) for cut in range(len(parts), 0, -1))
            cut, head = next(((cut, known) for cut, known in heads if known is not None), (1, self._unknown(parts[0])))
            said.append(head)
            parts = parts[cut:]
        return "; ".join(said)

    @cached_property
    def patterns(self) -> tuple[TextPattern, ...]:
        """Source texts with values, as patterns of what they look like filled in; the longest first."""
        catalogue = getattr(self.catalogue, "_catalog", {})
        sources = [text for text in catalogue if isinstance(text, str) and is_pattern(text)]
        return tuple(TextPattern.of(text) for text in sorted(sources, key=len, reverse=True))

    def _known(self, sentence: str) -> str | None:
        """The translation of a text, of one with values, or of a list of texts; None where the catalogue has none."""
        text = self._translated(sentence)
        if text is not None:
            return text
        for pattern in self.patterns:
            values = pattern.values_in(sentence)
            if values is not None:
                filled = {name: self._retold(name, value) for name, value in values.items()}
                return self.catalogue.gettext(pattern.source).format(**filled)
        parts = _LISTED.split(sentence)
        words = [word for part in parts if (word := self._known(part)) is not None] if len(parts) > 1 else []
        return str(format_list(words, locale=self.locale)) if len(words) == len(parts) else None

    def _translated(self, text: str) -> str | None:
        known = getattr(self.catalogue, "_catalog", {})
        return self.catalogue.gettext(text) if text and text in known else None

    def _retold(self, name: str, value: str) -> str:
        if name.endswith(TOLD_ENDING):
            return self.told(value)
        return self._with_signs(value) if is_number(name) else value

    def _unknown(self, part: str) -> str:
        return self._with_signs(part) if is_amount(part) else part

    def _with_signs(self, number: str) -> str:
        signs = {".": get_decimal_symbol(self.locale), ",": get_group_symbol(self.locale)}
        return "".join(signs.get(sign, sign) for sign in number)

    def say(self, saying: Saying) -> str:
        """Translate a sentence with its values."""
        return self.text(saying.message, **saying.values)

    def number(self, value: float, decimals: int = 0) -> str:
        """Write a number with so many decimals at most."""
        return str(format_decimal(value, format=f"#,##0.{'#' * decimals}", locale=self.locale))

    def percent(self, share: float, decimals: int = 0) -> str:
        """Write a share from 0 to 1 in percent."""
        rounded = round(share, decimals + 2)
        return str(format_percent(rounded, locale=self.locale, decimal_quantization=False))

    def day(self, day: date) -> str:
        """Write a date."""
        return str(format_date(day, format="medium", locale=self.locale))

    def clock(self, moment: time) -> str:
        """Write a time of day."""
        return str(format_time(moment, format="short", locale=self.locale))

    def period(self, first: date, last: date) -> str:
        """Write the days from first to last, or the one day that they are."""
        if first == last:
            return self.day(first)
        return str(format_interval(first, last, skeleton="yMMMd", locale=self.locale))

    def _filled(self, translated: str, values: Mapping[str, object]) -> str:
        return translated.format(**{name: self._shown(value) for name, value in values.items()})

    def _shown(self, value: object) -> str:
        match value:
            case Saying():
                return self.say(value)
            case float():
                return self.number(value, decimals=1)
            case int():
                return self.number(value)
            case date():
                return self.day(value)
            case time():
                return self.clock(value)
            case _:
                return str(value)


def available_languages(folder: Path | None = None) -> tuple[str, ...]:
    """Languages that there is a catalogue for, English among them; ``folder`` as for `load_language`."""
    found = {path.parent.parent.name for path in _locales(folder).glob(f"*/LC_MESSAGES/{CATALOGUE}")}
    return tuple(sorted(found | {SOURCE_LANGUAGE}))


@lru_cache(maxsize=16)
def load_language(code: str = SOURCE_LANGUAGE, folder: Path | None = None) -> Language:
    """Read the catalogue of a language.

    Parameters
    ----------
    code : such as ``es``; with a country, such as ``es_PE`` or ``es-MX``, numbers and dates are written as there,
        and the words are those of the country's own catalogue or else of the language's.
    folder : where the catalogues lie; None is the shipped place.

    Raises
    ------
    LanguageError : there is no catalogue for it, or the catalogue cannot be read or leaves out a value.
    """
    wanted = code.strip().replace("-", "_")
    names = available_languages(folder)
    name = next((each for each in (wanted, wanted.split("_")[0].lower()) if each in names), None)
    if name is None:
        raise LanguageError(f"There is no catalogue for the language {code!r}; choose one of {', '.join(names)}.")
    path = _locales(folder) / name / "LC_MESSAGES" / CATALOGUE
    if name == SOURCE_LANGUAGE and not path.exists():
        return Language(wanted, _locale(wanted, name), gettext.NullTranslations())
    compiled = io.BytesIO()
    write_mo(compiled, _checked(path, name))
    compiled.seek(0)
    return Language(wanted, _locale(wanted, name), gettext.GNUTranslations(compiled))


def language_asked_for(accepted: str) -> Language:
    """The language that a browser would rather have, of those that there is a catalogue for; English for any other.

    Parameters
    ----------
    accepted : what its header Accept-Language holds (RFC 9110, 12.5.4), such as ``es-PE, en;q=0.5``; may be anything.
    """
    asked = [found for each in accepted.split(",") if (found := _ASKED_FOR.fullmatch(each.strip()))]
    there = available_languages()
    for found in sorted(asked, key=lambda one: -float(one[2] or 1)):
        if found[1].lower() in there and float(found[2] or 1) > 0:
            try:
                return load_language(found[1].lower())
            except LanguageError:  # what cannot be read is as if it were not there
                continue
    return load_language(SOURCE_LANGUAGE)


def placeholders(text: str) -> set[str]:
    """Names in braces in a text.

    Raises
    ------
    ValueError : the braces do not pair up.
    """
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def read_catalogue(path: Path) -> Catalog:
    """Read a ``.po`` file.

    Raises
    ------
    LanguageError : it cannot be read, or is not a catalogue.
    """
    try:
        return read_po(io.BytesIO(path.read_bytes()), abort_invalid=True)
    except OSError as error:
        raise LanguageError(f"{path} cannot be read ({error.strerror}); check its name and rights.") from error
    except (PoFileError, ValueError, LookupError) as error:  # not a catalogue, or not in the encoding it names
        raise LanguageError(f"{path} is not a catalogue that can be read ({error}); mend the file.") from error


def _locales(folder: Path | None) -> Path:
    return folder or shared_folder() / "locale"


def _locale(wanted: str, name: str) -> Locale:
    """Rules for numbers and dates; English ones for a language that Babel knows nothing of."""
    for code in (wanted, name):
        try:
            return Locale.parse(code)
        except (ValueError, UnknownLocaleError):
            continue
    return Locale.parse(SOURCE_LANGUAGE)


def _checked(path: Path, name: str) -> Catalog:
    """The catalogue, once each translation has the values of its source text: a sheet must not lose a number."""
    catalogue = read_catalogue(path)
    for entry in catalogue:
        if not entry.id or entry.fuzzy:
            continue
        sources = [entry.id] if isinstance(entry.id, str) else list(entry.id)
        allowed = set().union(*(placeholders(source) for source in sources))
        translations = [entry.string] if isinstance(entry.string, str) else list(entry.string or ())
        for translated in filter(None, translations):
            try:
                names = placeholders(translated)
            except ValueError:
                names = {"an open brace"}
            if names != allowed and not (len(sources) > 1 and names | {"count"} == allowed):
                raise LanguageError(
                    f"{path.name} of {name}: {translated!r} must name the values "
                    f"{', '.join(sorted(allowed)) or '(none)'} of {sources[0]!r} and no others; mend that line."
                )
    return catalogue
