"""Put new values into the text of a TOML file and leave its comments and layout as they are."""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Table


def with_values(text: str, wanted: Mapping[str, Any]) -> str:
    """The text with these values, and no others.

    Comments stay where the parts they stand in stay; those of a part that goes, or of a list that grows or shrinks,
    go with it.

    Parameters
    ----------
    text : a TOML file.
    wanted : all that the file is to hold: texts, numbers, mappings, and lists of mappings.
    """
    document = tomlkit.parse(text)
    _set_into(document, wanted)
    return tomlkit.dumps(document)


def _set_into(there: MutableMapping[str, Any], wanted: Mapping[str, Any]) -> None:
    for key in [key for key in there if key not in wanted]:
        del there[key]
    for key, value in wanted.items():
        old = there.get(key)
        if isinstance(value, Mapping) and isinstance(old, MutableMapping):
            _set_into(old, value)
        elif _is_list_of_tables(value) and isinstance(old, list) and len(old) == len(value):
            for entry, values in zip(old, value, strict=True):
                _set_into(entry, values)
        elif old is None or not _says_the_same(old, value):
            there[key] = _new(value)


def _says_the_same(old: Any, value: Any) -> bool:
    """Whether a value need not be written anew; how a text is broken into lines is layout."""
    if isinstance(old, str) and isinstance(value, str):
        return old.split() == value.split()
    return bool(old == value)


def _is_list_of_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(entry, Mapping) for entry in value)


def _new(value: Any) -> Any:
    if _is_list_of_tables(value):
        return _tables(value)
    if isinstance(value, Mapping):
        return _table(value)
    return value


def _tables(values: Sequence[Mapping[str, Any]]) -> AoT:
    tables = tomlkit.aot()
    for entry in values:
        tables.append(_table(entry))
    return tables


def _table(values: Mapping[str, Any]) -> Table:
    table = tomlkit.table()
    for key, value in values.items():
        table.append(key, _in_line(value) if isinstance(value, Mapping) else value)
    table.add(tomlkit.nl())
    return table


def _in_line(values: Mapping[str, Any]) -> InlineTable:
    table = tomlkit.inline_table()
    table.update(values)
    return table
