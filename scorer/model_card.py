"""A model's card as Markdown, for people: what the model was fitted on, how good it was found to be, where it ends.

The JSON card is what counts; this text is made from it and can be made again at any time.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from scorer.errors import ModelError
from scorer.kinds import CARD_FILE, CLASSES
from scorer.results import write_whole
from scorer.score_tables import UNSURE

CARD_TEXT_FILE: Final = "card.md"

SECTIONS: Final[Mapping[str, tuple[str, ...]]] = {
    "Limits of use": ("limits_of_use",),
    "What it was fitted on": (
        "made_on",
        "trained_on",
        "adapted_from",
        "trays",
        "fruit",
        "marks",
        "proposals",
        "proposals_by_kind",
        "labels",
        "seed",
    ),
    "How good it was found to be": ("figures",),
    "Look it was fitted on": ("look",),
    "Software": ("software", "scikit_learn"),
    "Limits that it names by": ("mark_from", "sure_from"),
    "What it looks at": ("contrasts", "measures", "usual", "spread"),
    "Files, by SHA-256": ("files",),
}
"""Headings in their order, and how the names of the card's entries under each begin; all others come last."""
NOT_SAID: Final[Mapping[str, str]] = {
    "labels": "The card names no labels by their hash.",
    "figures": "The card holds no figures.",
    "look": "The card does not say what look the photos had.",
    "limits_of_use": "The card names no limits of use.",
}
"""What stands where an entry that people will look for is missing."""
NO_INTERVALS: Final = "The figures stand without intervals, for the card holds none."

_FIGURE_KEYS: Final = ("value", "figure", "estimate")
_MARKUP: Final = re.compile(r"([\\`*|<>\[\]])")


def card_text(card: Mapping[str, Any]) -> str:
    """The card as Markdown (CommonMark with tables).

    Parameters
    ----------
    card : as ``card.json`` holds it. A figure with its interval is an object with ``value``, ``low`` and ``high``, and
        ``confidence`` where that is not 0.95. Entries that are not known here are shown as well, under their own names.
    """
    left = {str(name): value for name, value in card.items() if name != "name"}
    lines = [f"# {_plain(card.get('name', 'Model'))}", ""]
    for heading, begins in SECTIONS.items():
        own = {name: left.pop(name) for start in begins for name in [*left] if _belongs(name, start)}
        missing = [text for start, text in NOT_SAID.items() if start in begins and not _has(own, start)]
        if "figures" in begins and own and not _has_interval(own):
            missing.append(NO_INTERVALS)
        lines += _section(heading, own, missing)
    if left:
        lines += _section("Also on the card", left, [])
    return "\n".join(lines).rstrip() + "\n"


def write_card_text(folder: Path) -> Path:
    """Write ``card.md`` beside the ``card.json`` of a model's folder, and return where.

    Raises
    ------
    ModelError : the card is missing or cannot be read.
    OutputError : the folder cannot be written to.
    """
    try:
        card = json.loads((folder / CARD_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ModelError(f"{folder.name}: the model's card cannot be read ({error}).") from error
    if not isinstance(card, dict):
        raise ModelError(f"{folder.name}: the model's card is not one; restore the folder.")
    path = folder / CARD_TEXT_FILE
    write_whole(path, card_text(card).encode("utf-8"))
    return path


def _belongs(name: str, start: str) -> bool:
    return name == start or name.startswith(f"{start}_")


def _has(entries: Mapping[str, Any], start: str) -> bool:
    return any(_belongs(name, start) for name in entries)


def _has_interval(value: Any) -> bool:
    if isinstance(value, Mapping):
        return _is_interval(value) or any(_has_interval(one) for one in value.values())
    return isinstance(value, list) and any(_has_interval(one) for one in value)


def _section(heading: str, entries: Mapping[str, Any], missing: Sequence[str]) -> list[str]:
    if not entries and not missing:
        return []
    lines = [f"## {_plain(heading)}", ""]
    short = {name: value for name, value in entries.items() if _is_short(value)}
    for name, value in short.items():
        lines.append(_cell(value) if _words(name) == heading.lower() else f"- {_words(name)}: {_cell(value)}")
    lines += [""] if short else []
    for name, value in entries.items():
        if not _is_short(value):
            lines += [] if _words(name) in heading.lower() else [f"### {_words(name)}", ""]
            lines += [*_block(name, value), ""]
    return [*lines, *(line for text in missing for line in (text, ""))]


def _block(name: str, value: Any) -> list[str]:
    """Lines of an entry that does not fit on one."""
    if isinstance(value, Mapping) and value and all(_is_short(one) for one in value.values()):
        return _table(["", ""], [[_words(key), _cell(one)] for key, one in value.items()])
    if isinstance(value, Mapping) and value and all(_is_row(one) for one in value.values()):
        columns = list(dict.fromkeys(column for row in value.values() for column in row))
        rows = [[_words(key), *(_cell(row.get(column, "")) for column in columns)] for key, row in value.items()]
        return _table(["", *map(_words, columns)], rows)
    if isinstance(value, Mapping):
        lines: list[str] = []
        for key, one in value.items():
            lines += [f"- {_words(key)}: {_cell(one)}", ""] if _is_short(one) else [f"**{_words(key)}**", ""]
            lines += [] if _is_short(one) else [*_block(str(key), one), ""]
        return lines
    if isinstance(value, list) and value and all(_is_row(one) for one in value):
        columns = list(dict.fromkeys(column for row in value for column in row))
        return _table([*map(_words, columns)], [[_cell(row.get(column, "")) for column in columns] for row in value])
    if isinstance(value, list) and value and all(isinstance(row, list) for row in value):
        return _matrix(name, value)
    return [", ".join(_cell(one) for one in value) if value else "none"]


def _matrix(name: str, rows: Sequence[Sequence[Any]]) -> list[str]:
    """Rows of numbers; those of a confusion over all kinds have their names."""
    said = (*CLASSES, UNSURE)
    known = "confusion" in name and len(rows) == len(CLASSES)
    if not (known and all(len(row) in (len(CLASSES), len(said)) for row in rows)):
        return _table([""] * max(len(row) for row in rows), [[_cell(one) for one in row] for row in rows])
    names = [_words(each) for each in CLASSES]
    return _table(
        ["", *map(_words, said[: len(rows[0])])],
        [[name, *(_cell(one) for one in row)] for name, row in zip(names, rows, strict=True)],
    )


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    line = "| " + " | ".join(heads) + " |"
    return [line, "|" + " --- |" * len(heads), *("| " + " | ".join(row) + " |" for row in rows)]


def _is_short(value: Any) -> bool:
    return value is None or isinstance(value, str | int | float) or _is_interval(value)


def _is_row(value: Any) -> bool:
    return isinstance(value, Mapping) and not _is_interval(value) and all(_is_short(one) for one in value.values())


def _is_interval(value: Any) -> bool:
    if not isinstance(value, Mapping) or not {"low", "high"} <= set(value):
        return False
    return any(key in value for key in _FIGURE_KEYS)


def _cell(value: Any) -> str:
    if _is_interval(value):
        figure = next(value[key] for key in _FIGURE_KEYS if key in value)
        percent = 100 * float(value.get("confidence", 0.95))
        return f"{_cell(figure)} ({percent:g} % interval {_cell(value['low'])} to {_cell(value['high'])})"
    if isinstance(value, float):
        return f"{value:.4g}"
    if value is None:
        return "not known"
    return _plain(value) if isinstance(value, str | int) else _plain(json.dumps(value, ensure_ascii=False))


def _words(name: object) -> str:
    return _plain(str(name).replace("_", " "))


def _plain(value: object) -> str:
    """A value's text on one line, with nothing in it taken for markup."""
    return _MARKUP.sub(r"\\\1", " ".join(str(value).split()))
