"""A shed's own prices: a TOML file that says what a downgraded fruit costs."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from scorer.errors import PricesError

_KEYS: Final = ("currency", "fruit_per_carton", "price_per_carton", "packed_as", "cartons")
_ROUNDING: Final = 1e-6


@dataclass(frozen=True)
class Prices:
    """What fruit bring.

    Parameters
    ----------
    currency : the word behind sums of money.
    fruit_per_carton : fruit in a carton.
    sound_per_carton, downgraded_per_carton : what a carton of either brings; of downgraded fruit on the average.
    cartons : that each crew picked, by its name; crews that are not named have none.
    """

    currency: str
    fruit_per_carton: float
    sound_per_carton: float
    downgraded_per_carton: float
    cartons: Mapping[str, float]

    @property
    def lost_per_carton(self) -> float:
        """Money that a carton of nothing but downgraded fruit brings less."""
        return self.sound_per_carton - self.downgraded_per_carton


def load_prices(path: Path) -> Prices:
    """Read a shed's prices and check them.

    Raises
    ------
    PricesError : the file cannot be read, lacks something, holds what cannot be, or contradicts itself.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PricesError(f"{path.name} cannot be read ({error.strerror}); check its name and rights.") from error
    except ValueError as error:  # TOML that does not parse, or text that is not UTF-8
        raise PricesError(f"{path.name} is not a TOML table ({error}); mend the file.") from error
    return _Reader(path.name).prices(raw)


@dataclass(frozen=True)
class _Reader:
    """Turns the raw table into `Prices`; remembers the file's name for its refusals."""

    file: str

    def refuse(self, key: str, what: str) -> PricesError:
        return PricesError(f"{self.file}, {key}: {what}.")

    def prices(self, raw: dict[str, Any]) -> Prices:
        for key in raw:
            if key not in _KEYS:
                raise self.refuse(key, f"not known here; a table of prices has {', '.join(_KEYS)}")
        for key in _KEYS[:-1]:
            if key not in raw:
                raise self.refuse(key, "missing; see shared/prices/example.toml for how it is written")
        currency = raw["currency"]
        if not isinstance(currency, str) or not currency.strip():
            raise self.refuse("currency", "must be a word, such as dollars")
        price = self.numbers("price_per_carton", raw["price_per_carton"])
        sound, parts = self.packed_as(raw["packed_as"], price)
        return Prices(
            currency.strip(),
            self.number("fruit_per_carton", raw["fruit_per_carton"], above=0),
            price[sound],
            sum(part * price[name] for name, part in parts.items()),
            self.numbers("cartons", raw.get("cartons", {}), may_be_empty=True),
        )

    def packed_as(self, raw: Any, price: Mapping[str, float]) -> tuple[str, dict[str, float]]:
        if not isinstance(raw, dict) or set(raw) != {"sound", "downgraded"}:
            raise self.refuse("packed_as", "must say what becomes of sound and of downgraded fruit")
        parts = self.numbers("packed_as.downgraded", raw["downgraded"])
        for key, name in (("packed_as.sound", raw["sound"]), *(("packed_as.downgraded", name) for name in parts)):
            if name not in price:
                raise self.refuse(key, f"{name} has no price; price_per_carton has {', '.join(price)}")
        if abs(sum(parts.values()) - 1) > _ROUNDING:
            raise self.refuse("packed_as.downgraded", f"the parts must sum to 1, they sum to {sum(parts.values()):g}")
        return raw["sound"], parts

    def numbers(self, key: str, raw: Any, *, may_be_empty: bool = False) -> dict[str, float]:
        if not isinstance(raw, dict) or not (raw or may_be_empty):
            raise self.refuse(key, "must be a table of names with numbers")
        return {name: self.number(f"{key}.{name}", value) for name, value in raw.items()}

    def number(self, key: str, value: Any, *, above: float | None = None) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise self.refuse(key, f"must be a number, got {value!r}")
        if value < 0 or (above is not None and value <= above):
            raise self.refuse(key, f"must be {'above' if above is not None else 'at least'} 0, got {value:g}")
        return float(value)
