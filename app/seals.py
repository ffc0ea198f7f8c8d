"""Sealed addresses: a picture or a delivery is given only to whom a page showed its address, until the next day ends.

A page asks the library whether its visitor may see a photo, and then writes the address with a seal. So the server
need not ask again for each picture, and nobody can guess another's. The seal of a day stays the same, so that browsers
can keep pictures.
"""

from __future__ import annotations

import secrets
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Final

from itsdangerous import BadData, URLSafeSerializer

PICTURE: Final = "picture"
DELIVERY: Final = "delivery"


@lru_cache(maxsize=1)
def _key() -> str:
    """A new key with every start: addresses of an earlier one are void."""
    return secrets.token_hex(32)


def sealed(purpose: str, what: str, today: date | None = None) -> str:
    """``what`` with its seal, fit for an address."""
    day = (today or _today()).isoformat()
    return str(URLSafeSerializer(_key(), salt=purpose).dumps([what, day]))


def opened(purpose: str, seal: str, today: date | None = None) -> str | None:
    """What was sealed for this purpose on this day or the one before; None for anything else."""
    try:
        what, day = URLSafeSerializer(_key(), salt=purpose).loads(seal)
    except (BadData, ValueError, TypeError):
        return None
    age = (today or _today()) - date.fromisoformat(day)
    return str(what) if timedelta(0) <= age <= timedelta(1) else None


def _today() -> date:
    return datetime.now(UTC).date()
