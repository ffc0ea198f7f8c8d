"""What differs between two versions of a table, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from scorer.limits import Limits

LAYOUT_ONLY = "only comments, order or layout differ"


@dataclass(frozen=True)
class Fact:
    """One value of a table.

    Parameters
    ----------
    about : what it is the value of, in words.
    value : written out.
    unit : follows the value; may be empty.
    """

    about: str
    value: str
    unit: str = ""


def differences(older: Mapping[str, Fact], newer: Mapping[str, Fact]) -> list[str]:
    """Sentences without a full stop, such as ``class I, size B: 3 -> 2.5 cm2``.

    Parameters
    ----------
    older, newer : facts by a key that stays when the words about them change.
    """
    said = []
    for key in dict.fromkeys((*older, *newer)):
        old, new = older.get(key), newer.get(key)
        if old is None and new is not None:
            said.append(f"{new.about}: new, {_with_unit(new)}")
        elif new is None and old is not None:
            said.append(f"{old.about}: gone, was {_with_unit(old)}")
        elif old and new and old.value != new.value:
            said.append(f"{new.about}: {old.value} -> {_with_unit(new)}")
    return said or [LAYOUT_ONLY]


def limit_facts(limits: Limits) -> dict[str, Fact]:
    """All values of a limit table."""
    facts = {f"about {part}": Fact(part, getattr(limits, part)) for part in ("name", "title", "source", "note")}
    for part, how in limits.known.items():
        facts[f"known {part}"] = Fact(f"how {part.replace('_', ' ')} are known", how)
    for size in limits.size_codes:
        upper = "and more" if size.to_g is None else f"to {size.to_g}"
        facts[f"size {size.code}"] = Fact(f"size {size.code}", f"{size.from_g} {upper}", "g")
    for each in limits.classes:
        facts[f"words {each.name}"] = Fact(f"words for {each.name}", each.words)
        for code, area in each.area_cm2.items():
            about = f"{each.words}, size {code}" if code else each.words
            facts[f"area {each.name} {code}"] = Fact(about, f"{area:g}", "cm2")
    for kind, length in limits.open_wounds_mm.items():
        facts[f"wound {kind}"] = Fact(f"{kind.replace('_', ' ')} keeps out from", f"{length:g}", "mm")
    return facts


def price_facts(raw: Mapping[str, Any]) -> dict[str, Fact]:
    """All values of a price table's file."""
    money = str(raw["currency"])
    facts = {
        "currency": Fact("currency", money),
        "fruit": Fact("fruit in a carton", f"{raw['fruit_per_carton']:g}"),
        "sound": Fact("sound fruit are packed as", str(raw["packed_as"]["sound"])),
    }
    lists: tuple[tuple[str, Mapping[str, float], Callable[[str], str], str], ...] = (
        ("price", raw["price_per_carton"], "carton of {}".format, money),
        ("part", raw["packed_as"]["downgraded"], "part of downgraded fruit packed as {}".format, ""),
        ("cartons", raw.get("cartons", {}), "cartons of {}".format, ""),
    )
    for key, values, words, unit in lists:
        facts |= {f"{key} {name}": Fact(words(name), f"{value:g}", unit) for name, value in values.items()}
    return facts


def _with_unit(fact: Fact) -> str:
    return f"{fact.value} {fact.unit}".strip()
