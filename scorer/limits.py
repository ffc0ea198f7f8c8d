"""Limit tables: how much of a fruit's skin may be marked in each class.

A table is a TOML file under ``shared/limits/``, or a shed's own copy of one. It says of each of its parts how
the values are known, and `Limits.label` carries that to wherever the table is shown.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scorer.errors import LimitsError
from scorer.resources import shared_folder

READ = "read"
FROM_MEMORY = "from memory"
COMMON_PRACTICE = "common practice, no source"
OUR_OWN = "our own"
WAYS_OF_KNOWING = (READ, FROM_MEMORY, COMMON_PRACTICE, OUR_OWN)
"""What a table may say of how a part of it is known."""

WOUND_KINDS = ("cut", "stem_puncture")
"""Kinds of marks that open the fruit, so that it is no longer whole and sound."""

_PARTS = {"size_codes": "size codes", "classes": "class limits", "open_wounds": "wound lengths"}
_KEYS = ("name", "title", "source", "note", "known", "size_codes", "classes", "open_wounds")


@dataclass(frozen=True)
class SizeCode:
    """A size by the mass of the fruit in whole grams, both ends included; to_g None: no upper end."""

    code: str
    from_g: int
    to_g: int | None = None


@dataclass(frozen=True)
class ClassLimit:
    """The marked area up to which a fruit is in a class.

    Parameters
    ----------
    name : short name for tables, such as "I".
    words : name within a sentence, such as "class I".
    area_cm2 : area by size code, in cm2 of skin; one area under the code "" when the table has no size codes.
    """

    name: str
    words: str
    area_cm2: Mapping[str, float]


@dataclass(frozen=True)
class Limits:
    """A limit table.

    Parameters
    ----------
    name, title, source, note : what the table is, where it is from, and what to know when using it.
    known : how each part (size_codes, classes, open_wounds) is known, one of `WAYS_OF_KNOWING`.
    size_codes : from small to large; empty when the classes are the same for fruit of every size.
    classes : from best to lowest.
    open_wounds_mm : length by kind of `WOUND_KINDS` from which such a mark keeps a fruit out of every class;
        shorter ones count with their area only, as does a kind that is not named.
    """

    name: str
    title: str
    source: str
    note: str
    known: Mapping[str, str]
    size_codes: tuple[SizeCode, ...]
    classes: tuple[ClassLimit, ...]
    open_wounds_mm: Mapping[str, float]

    @property
    def from_memory(self) -> bool:
        """Whether any value of the table was written down from memory."""
        return FROM_MEMORY in self.known.values()

    @property
    def label(self) -> str:
        """The table's name with what must be known wherever it is shown, such as values from memory."""
        doubts = []
        for way, words in ((FROM_MEMORY, FROM_MEMORY), (OUR_OWN, "our own starting point, no standard")):
            parts = [_PARTS[part] for part, known in self.known.items() if known == way]
            if parts:
                doubts.append(f"{' and '.join(parts)} {words}")
        return f"{self.name} ({'; '.join(doubts)})" if doubts else self.name


def available_limits() -> tuple[str, ...]:
    """Names of the tables that come with scorer, for `load_limits`."""
    return tuple(sorted(path.stem for path in (shared_folder() / "limits").glob("*.toml")))


def load_limits(name_or_path: str | Path) -> Limits:
    """Read a limit table and check it.

    Parameters
    ----------
    name_or_path : one of `available_limits`, or the path of a shed's own table: a name with a
        folder or ending in ``.toml``.

    Raises
    ------
    LimitsError : there is no such table, or it lacks a part or contradicts itself.
    """
    text = str(name_or_path)
    path = Path(name_or_path)
    if path.suffix != ".toml" and path.name == text:
        path = shared_folder() / "limits" / f"{text}.toml"
        if text not in available_limits():
            raise LimitsError(f"There is no limit table {text}; give a file or one of {', '.join(available_limits())}.")
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise LimitsError(f"{path.name} cannot be read ({error.strerror}); check its name and rights.") from error
    except ValueError as error:  # TOML that does not parse, or text that is not UTF-8
        raise LimitsError(f"{path.name} is not a TOML table ({error}); mend the file.") from error
    return _Reader(path.name).limits(raw)


@dataclass(frozen=True)
class _Reader:
    """Turns the raw table into `Limits`; remembers the file's name for its refusals."""

    file: str

    def refuse(self, key: str, what: str) -> LimitsError:
        return LimitsError(f"{self.file}, {key}: {what}.")

    def limits(self, raw: dict[str, Any]) -> Limits:
        for key in raw:
            if key not in _KEYS:
                raise self.refuse(key, f"unknown key, the keys are {', '.join(_KEYS)}; remove it")
        size_codes = self.size_codes(raw.get("size_codes", []))
        classes = self.classes(raw.get("classes"), tuple(size.code for size in size_codes))
        wounds = self.wounds(raw.get("open_wounds", {}))
        present = {"size_codes": bool(size_codes), "classes": True, "open_wounds": bool(wounds)}
        return Limits(
            name=self.text(raw, "name"),
            title=self.text(raw, "title"),
            source=self.text(raw, "source"),
            note=self.text(raw, "note"),
            known=self.known(raw.get("known"), [part for part, there in present.items() if there]),
            size_codes=size_codes,
            classes=classes,
            open_wounds_mm=wounds,
        )

    def text(self, raw: dict[str, Any], key: str, where: str = "") -> str:
        value = raw.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self.refuse(where + key, "a text is expected here; write one")
        return " ".join(value.split())

    def number(self, value: object, where: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < math.inf:
            raise self.refuse(where, f"a number of 0 or more is expected, found {value!r}; correct it")
        return float(value)

    def known(self, raw: object, parts: list[str]) -> dict[str, str]:
        ways = ", ".join(f'"{way}"' for way in WAYS_OF_KNOWING)
        given = raw if isinstance(raw, dict) else {}
        for part in parts:
            if given.get(part) not in WAYS_OF_KNOWING:
                raise self.refuse(f"known.{part}", f"say how these values are known, one of {ways}")
        for part in given:
            if part not in parts:
                raise self.refuse(f"known.{part}", "the table has no such part; remove the line")
        return {part: given[part] for part in parts}

    def size_codes(self, raw: object) -> tuple[SizeCode, ...]:
        if not isinstance(raw, list) or not all(isinstance(entry, dict) for entry in raw):
            raise self.refuse("size_codes", "a list of [[size_codes]] is expected; write one for each size")
        sizes: list[SizeCode] = []
        for entry in raw:
            code = self.text(entry, "code", "size_codes.")
            where = f"size_codes {code}"
            to_g = entry.get("to_g")
            from_g = self.number(entry.get("from_g"), f"{where}, from_g")
            upper = math.inf if to_g is None else self.number(to_g, f"{where}, to_g")
            if from_g != int(from_g) or (to_g is not None and upper != int(upper)):
                raise self.refuse(where, "masses are whole grams; round them")
            if upper < from_g:
                raise self.refuse(where, f"to_g {to_g} lies below from_g {from_g:g}; exchange them")
            previous = sizes[-1] if sizes else None
            if previous and (previous.to_g is None or from_g != previous.to_g + 1):
                raise self.refuse(where, f"it does not begin 1 g above the end of {previous.code}; close the gap")
            if code in {size.code for size in sizes}:
                raise self.refuse(where, "the code stands there twice; rename one")
            sizes.append(SizeCode(code, int(from_g), None if to_g is None else int(upper)))
        return tuple(sizes)

    def classes(self, raw: object, codes: tuple[str, ...]) -> tuple[ClassLimit, ...]:
        if not isinstance(raw, list) or not raw or not all(isinstance(entry, dict) for entry in raw):
            raise self.refuse("classes", "at least one [[classes]] is needed, the best first; write it")
        classes: list[ClassLimit] = []
        for entry in raw:
            name = self.text(entry, "name", "classes.")
            where = f"classes {name}, area_cm2"
            areas = self.areas(entry.get("area_cm2"), codes, where)
            if name in {earlier.name for earlier in classes}:
                raise self.refuse(f"classes {name}", "the name stands there twice; rename one")
            if classes and any(areas[code] < classes[-1].area_cm2[code] for code in areas):
                raise self.refuse(where, f"it allows less than the better class {classes[-1].name}; put the best first")
            classes.append(ClassLimit(name, self.text(entry, "words", f"classes {name}, "), areas))
        return tuple(classes)

    def areas(self, raw: object, codes: tuple[str, ...], where: str) -> dict[str, float]:
        if not codes:
            return {"": self.number(raw, where)}
        if not isinstance(raw, dict) or set(raw) != set(codes):
            raise self.refuse(where, f"one area for each of the size codes {', '.join(codes)} is needed; complete it")
        return {code: self.number(raw[code], f"{where} {code}") for code in codes}

    def wounds(self, raw: object) -> dict[str, float]:
        keys = {f"{kind}_mm": kind for kind in WOUND_KINDS}
        if not isinstance(raw, dict) or not set(raw) <= set(keys):
            raise self.refuse("open_wounds", f"only {', '.join(keys)} are known here; remove the others")
        return {keys[key]: self.number(value, f"open_wounds.{key}") for key, value in raw.items()}
