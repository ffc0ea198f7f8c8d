"""The table of practices: what to look at when fruit carry marks of one kind, and when a line goes first.

It is one or several TOML files under ``shared/advice/``, or a shed's own copy; ``practices.toml`` explains itself.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from scorer.errors import PracticesError
from scorer.language import placeholders
from scorer.limits import WAYS_OF_KNOWING
from scorer.marks.measure import MEASURES
from scorer.resources import shared_folder
from scorer.score_tables import KINDS

START_MM: Final = "start_mm"
"""Measure of patterns beside those of marks: distance of a mark's nearest point from the stem end."""
EARLY, LATE = "early", "late"
LINES_SHOWN: Final = 2
"""Lines chosen for a crew."""
ALWAYS: Final = ("sap", "heat", "rules")
"""Cautions that stand on every sheet."""

_PLACE_VALUES: Final = {"count", "total"}
_SHIFT_VALUES: Final = {"count", "total", "other_count", "other_total", "hour"}
_LONGEST: Final = {"question": 110, "why": 150, "words": 190, "cautions": 220}  # letters that a sheet has room for
_SECTIONS: Final = ("methods", "cautions", "patterns", "lines")


@dataclass(frozen=True)
class Span:
    """Values of a measure, both ends included; NaN, a measure that is missing, lies in none."""

    low: float
    high: float


@dataclass(frozen=True)
class Pattern:
    """Something that the marks of one kind may show.

    Parameters
    ----------
    id, kind : its name, and the kind of mark.
    measures : spans by measure, all of which a mark must lie in; empty for a time of the shift.
    shift : `EARLY` or `LATE`; "" for a place.
    words : the sentence with the numbers behind it, in source text.
    """

    id: str
    kind: str
    measures: Mapping[str, Span]
    shift: str
    words: str


@dataclass(frozen=True)
class PracticeLine:
    """One thing to look at.

    Parameters
    ----------
    id, kind : its name, and the kind of mark that it may explain.
    methods : picking methods that it is for; empty for any.
    when : id of the pattern that brings it to the front; "" for a general line.
    question, why : source texts; the question's good answer is yes.
    cautions : names of the cautions that belong to it.
    known : how it is known, one of ``scorer.limits.WAYS_OF_KNOWING``.
    """

    id: str
    kind: str
    methods: tuple[str, ...]
    when: str
    question: str
    why: str
    cautions: tuple[str, ...]
    known: str


@dataclass(frozen=True)
class Practices:
    """All lines, with what they refer to by name.

    Parameters
    ----------
    lines : in the order in which they are taken where nothing else decides.
    patterns : by id, in the order of the table.
    cautions : source texts by name.
    methods : method by every way of writing it, in the form of `plain_method`.
    """

    lines: tuple[PracticeLine, ...]
    patterns: Mapping[str, Pattern]
    cautions: Mapping[str, str]
    methods: Mapping[str, str]

    def method(self, written: object) -> str:
        """The method that a tag's free text means; "" where it means none of the table's."""
        return self.methods.get(plain_method(written), "") if isinstance(written, str) else ""


def plain_method(written: str) -> str:
    """A method's free text without what does not matter: ``Harvest_Aid`` and ``harvest aid`` are one."""
    return " ".join(re.findall(r"\w+", written.replace("_", " ").casefold()))


def practice_texts(practices: Practices) -> Iterator[str]:
    """Every source text of the table that a catalogue translates."""
    for line in practices.lines:
        yield line.question
        yield line.why
    for pattern in practices.patterns.values():
        yield pattern.words
    yield from practices.cautions.values()


@lru_cache(maxsize=4)
def load_practices(path: Path | None = None) -> Practices:
    """Read the table of practices and check it.

    Parameters
    ----------
    path : a TOML file, or a folder of them that make one table; None is the shipped one.

    Raises
    ------
    PracticesError : there is none, or a line lacks something or refers to what is not there.
    """
    path = path or shared_folder() / "advice"
    files = sorted(path.glob("*.toml")) if path.is_dir() else [path]
    if not files:
        raise PracticesError(f"{path} holds no table of practices; put a .toml file there.")
    sections: dict[str, Any] = {"methods": {}, "cautions": {}, "patterns": [], "lines": []}
    for file in files:
        _merge(sections, file)
    return _Reader(path.name).practices(sections)


def _merge(sections: dict[str, Any], file: Path) -> None:
    try:
        raw = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise PracticesError(f"{file.name} cannot be read ({error.strerror}); check its name and rights.") from error
    except ValueError as error:  # TOML that does not parse, or text that is not UTF-8
        raise PracticesError(f"{file.name} is not a TOML table ({error}); mend the file.") from error
    for name, value in raw.items():
        if name not in _SECTIONS:
            raise PracticesError(f"{file.name}, {name}: unknown key, the keys are {', '.join(_SECTIONS)}; remove it.")
        if not isinstance(value, type(sections[name])):
            wanted = f"[{name}]" if isinstance(sections[name], dict) else f"[[{name}]]"
            raise PracticesError(f"{file.name}, {name}: write it as {wanted}.")
        if isinstance(value, dict):
            sections[name] |= value
        else:
            sections[name] += value


@dataclass(frozen=True)
class _Reader:
    """Turns raw sections into `Practices`; remembers the file's name for its refusals."""

    file: str

    def refuse(self, where: str, what: str) -> PracticesError:
        return PracticesError(f"{self.file}, {where}: {what}.")

    def practices(self, raw: dict[str, Any]) -> Practices:
        methods = self.methods(raw["methods"])
        cautions = {name: self.wording(raw["cautions"], name, "cautions.", "cautions") for name in raw["cautions"]}
        for name in ALWAYS:
            if name not in cautions:
                raise self.refuse(f"cautions.{name}", "every sheet carries this caution; write it")
        patterns = {pattern.id: pattern for pattern in (self.pattern(each) for each in raw["patterns"])}
        self.once("patterns", [self.wording(each, "id", "patterns.") for each in raw["patterns"]])
        lines = tuple(self.line(each, methods, patterns, cautions) for each in raw["lines"])
        self.once("lines", [line.id for line in lines])
        for kind in KINDS:
            general = [line for line in lines if line.kind == kind and not line.methods and not line.when]
            if len(general) < LINES_SHOWN:
                raise self.refuse(f"lines of {kind}", f"{LINES_SHOWN} without methods and when are needed; add them")
        return Practices(lines, patterns, cautions, methods)

    def wording(self, raw: object, key: str, where: str, limit: str = "") -> str:
        value = raw.get(key) if isinstance(raw, dict) else None
        if not isinstance(value, str) or not value.strip():
            raise self.refuse(where + key, "a text is expected here; write one")
        value = " ".join(value.split())
        if limit and len(value) > _LONGEST[limit]:
            raise self.refuse(
                where + key, f"{len(value)} letters, and a sheet has room for {_LONGEST[limit]}; shorten it"
            )
        return value

    def only(self, raw: dict[str, Any], keys: tuple[str, ...], where: str) -> None:
        for key in raw:
            if key not in keys:
                raise self.refuse(f"{where}, {key}", f"unknown key, the keys are {', '.join(keys)}; remove it")

    def once(self, section: str, ids: list[str]) -> None:
        for name in ids:
            if ids.count(name) > 1:
                raise self.refuse(f"{section} {name}", "the id stands there twice; rename one")

    def one_of(self, value: object, known: tuple[str, ...], where: str) -> str:
        if not isinstance(value, str) or value not in known:
            raise self.refuse(where, f"found {value!r}; write one of {', '.join(known)}")
        return value

    def names(self, value: object, known: tuple[str, ...], where: str) -> tuple[str, ...]:
        if not isinstance(value, list):
            raise self.refuse(where, "a list of names is expected; write it in square brackets")
        return tuple(self.one_of(each, known, where) for each in value)

    def methods(self, raw: dict[str, Any]) -> dict[str, str]:
        ways: dict[str, str] = {}
        for name, others in raw.items():
            if not isinstance(others, list) or not all(isinstance(other, str) for other in others):
                raise self.refuse(f"methods.{name}", "a list of ways to write it is expected; write it in brackets")
            for way in {plain_method(each) for each in (name, *others)}:
                if ways.setdefault(way, name) != name:
                    raise self.refuse(f"methods.{name}", f"{way!r} already means {ways[way]}; remove one")
        return ways

    def pattern(self, raw: dict[str, Any]) -> Pattern:
        name = self.wording(raw, "id", "patterns.")
        where = f"patterns {name}"
        self.only(raw, ("id", "kind", "measures", "shift", "words"), where)
        if ("measures" in raw) == ("shift" in raw):
            raise self.refuse(where, "either measures or shift is needed, not both; write one")
        shift = self.one_of(raw["shift"], (EARLY, LATE), f"{where}, shift") if "shift" in raw else ""
        words = self.wording(raw, "words", f"{where}, ", "words")
        self.values(words, _SHIFT_VALUES if shift else _PLACE_VALUES, f"{where}, words")
        return Pattern(
            id=name,
            kind=self.one_of(raw.get("kind"), KINDS, f"{where}, kind"),
            measures={} if shift else self.spans(raw["measures"], f"{where}, measures"),
            shift=shift,
            words=words,
        )

    def values(self, words: str, wanted: set[str], where: str) -> None:
        try:
            named = placeholders(words)
        except ValueError:
            named = set()
        if named != wanted:
            raise self.refuse(where, f"it must name the values {', '.join(sorted(wanted))} in braces; write them in")

    def spans(self, raw: object, where: str) -> dict[str, Span]:
        if not isinstance(raw, dict) or not raw:
            raise self.refuse(where, "a table of measures is expected; write at least one")
        spans = {}
        for measure, ends in raw.items():
            self.one_of(measure, (START_MM, *MEASURES), where)
            if not isinstance(ends, dict) or not ends or not set(ends) <= {"from", "to"}:
                raise self.refuse(f"{where} {measure}", "from, to or both are expected; write { from = ..., to = ... }")
            low, high = (self.number(ends.get(key, usual), f"{where} {measure}.{key}") for key, usual in _NO_ENDS)
            if low > high:
                raise self.refuse(f"{where} {measure}", f"from {low:g} lies above to {high:g}; exchange them")
            spans[measure] = Span(low, high)
        return spans

    def number(self, value: object, where: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
            raise self.refuse(where, f"a number is expected, found {value!r}; correct it")
        return float(value)

    def line(
        self,
        raw: dict[str, Any],
        methods: Mapping[str, str],
        patterns: Mapping[str, Pattern],
        cautions: Mapping[str, str],
    ) -> PracticeLine:
        name = self.wording(raw, "id", "lines.")
        where = f"lines {name}"
        self.only(raw, ("id", "kind", "methods", "when", "question", "why", "cautions", "known"), where)
        kind = self.one_of(raw.get("kind"), KINDS, f"{where}, kind")
        of_kind = tuple(pattern.id for pattern in patterns.values() if pattern.kind == kind)
        return PracticeLine(
            id=name,
            kind=kind,
            methods=self.names(raw.get("methods", []), tuple(dict.fromkeys(methods.values())), f"{where}, methods"),
            when=self.one_of(raw["when"], of_kind, f"{where}, when") if "when" in raw else "",
            question=self.plain(raw, "question", f"{where}, "),
            why=self.plain(raw, "why", f"{where}, "),
            cautions=self.names(raw.get("cautions", []), tuple(cautions), f"{where}, cautions"),
            known=self.one_of(raw.get("known"), WAYS_OF_KNOWING, f"{where}, known"),
        )

    def plain(self, raw: dict[str, Any], key: str, where: str) -> str:
        """A text of a line, which is shown without values."""
        text = self.wording(raw, key, where, key)
        self.values(text, set(), where + key)
        return text


_NO_ENDS: Final = (("from", -math.inf), ("to", math.inf))
