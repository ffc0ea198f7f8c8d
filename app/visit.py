"""One run of a page: for whom, in which language, and over which season."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from app.desk import Desk
from app.words import Words
from scorer.access.roles import Person


@dataclass(frozen=True)
class Visit:
    """What a page is given.

    Parameters
    ----------
    desk : the season as it lies open.
    words : what the page says it in.
    person : whom it is for.
    ways : the pages that are theirs, by address, to lead from one to another.
    """

    desk: Desk
    words: Words
    person: Person
    ways: dict[str, Any] = field(default_factory=dict)

    def at_the_site(self, moment: datetime | None) -> datetime | None:
        """A moment by the clock of the site."""
        if moment is None or pd.isna(moment):
            return None
        return moment.astimezone(ZoneInfo(self.desk.settings.zone))
