"""What the text of a table holds, once the reader that scoring uses has taken it."""

from __future__ import annotations

import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from scorer.crews.prices import load_prices
from scorer.errors import TableError
from scorer.limits import load_limits
from scorer.results import reason_of
from scorer.tables_in_place.differences import Fact, limit_facts, price_facts
from scorer.tables_in_place.limit_frames import limit_frames
from scorer.tables_in_place.names import LIMITS, TableName
from scorer.tables_in_place.price_frames import price_frames


@dataclass(frozen=True)
class Content:
    """A table that can be used.

    Parameters
    ----------
    label : what to call it where it is shown.
    frames : its values to edit, by part.
    facts : its values in words.
    """

    label: str
    frames: Mapping[str, pd.DataFrame]
    facts: Mapping[str, Fact]


def content_of(which: TableName, text: str) -> Content:
    """Read a table from its text as scoring would read it from its file.

    Parameters
    ----------
    text : the file; bytes that are no UTF-8 as surrogates.

    Raises
    ------
    LimitsError, PricesError : the reader refuses it.
    TableError : this computer has no room to try it.
    """
    with tempfile.TemporaryDirectory() as work:
        file = Path(work) / f"{which.name}.toml"
        try:
            file.write_bytes(text.encode("utf-8", "surrogateescape"))
        except OSError as error:
            raise TableError(
                f"{file.name} cannot be tried ({reason_of(error)}); make room on the disk, nothing was changed."
            ) from error
        if which.subject == LIMITS:
            limits = load_limits(file)
            return Content(limits.label, limit_frames(limits), limit_facts(limits))
        prices = load_prices(file)
    raw = tomllib.loads(text)
    return Content(f"{which.name} ({prices.currency})", price_frames(raw), price_facts(raw))
