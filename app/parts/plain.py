"""Names and sentences of others as plain text: nothing in them is taken for markup."""

from __future__ import annotations

_MARKUP = frozenset(r"\`*_{}[]()<>#+-.!|$~:&")


def plain(text: str) -> str:
    """The text, with everything escaped that Markdown would read as more than text."""
    return "".join(f"\\{sign}" if sign in _MARKUP else sign for sign in " ".join(str(text).split()))
