"""What the readers of single file formats raise; `scorer.arrivals.place` puts it into words."""

from __future__ import annotations


class NotWhole(ValueError):
    """The file is not built as its standard wants."""
