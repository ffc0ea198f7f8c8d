"""Scores skin marks on trays of sampled mangoes from phone photos.

>>> import scorer
>>> score = scorer.score_photo("tray.jpg")  # doctest: +SKIP
>>> score.fruit[["fruit", "brown_fraction", "verdict"]]  # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from scorer.errors import ScorerError
    from scorer.score_tables import TrayScore
    from scorer.tray import Settings, score_photo

__all__ = ["ScorerError", "Settings", "TrayScore", "score_photo"]

_HOME = {
    "ScorerError": "scorer.errors",
    "Settings": "scorer.tray",
    "TrayScore": "scorer.score_tables",
    "score_photo": "scorer.tray",
}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for, so that the command line starts at once."""
    if name not in _HOME:
        raise AttributeError(f"module 'scorer' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME[name]), name)
