"""What sentences look like that were put together from a source text and values, and which values stood in them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from string import Formatter
from typing import Final, Self

# fmt: off
NUMBER_NAMES: Final = frozenset((
    "allowed", "area", "base", "bins", "count", "done", "fewest", "fruit", "high", "icc", "length", "limit", "low",
    "marks", "mass", "mb", "most", "number", "percent", "points", "seconds", "share", "total", "version",
))
# fmt: on
"""Names of values that are numbers, also with ``other_`` before them."""
TOLD_ENDING: Final = "_told"
"""Names of values end so that are words or a sentence themselves, to be translated as well."""
ALL_TOLD_ENDING: Final = "_all_told"
"""Names of values end so that may be several such, with a semicolon or full stop between them."""
ARROW: Final = "->"
"""Between what something was and what it is now: as good as a word to tell a source text by."""
FEWEST_LETTERS: Final = 8
"""Of a source text around names and the like; fewer would be found in sentences that mean something else."""

_NUMBER: Final = r"[-+]?\d+(?:[.,]\d+)*"
_AMOUNT: Final = re.compile(r"[-+]?\d+(?:\.\d+)?(?: [^\s\d]\S*)?")
_SEVERAL: Final = r".+?"
_ONE: Final = r"(?:(?!; |\. ).)+?"


@dataclass(frozen=True)
class TextPattern:
    """A source text as a pattern.

    Parameters
    ----------
    source : the text, with the names of its values in braces.
    filled : what it looks like once they are filled in; a value that comes twice is the same twice.
    longest : its longest piece between values, looked for first, as that is quick.
    """

    source: str
    filled: re.Pattern[str]
    longest: str

    @classmethod
    def of(cls, source: str) -> Self:
        """The pattern of a text."""
        pattern, pieces, seen = "", [""], set[str]()
        for words, name, _, _ in Formatter().parse(source):
            pattern += re.escape(words)
            pieces.append(words)
            if name is not None:
                pattern += f"(?P={name})" if name in seen else f"(?P<{name}>{_shape_of(name)})"
                seen.add(name)
        return cls(source, re.compile(pattern, re.DOTALL), max(pieces, key=len))

    def values_in(self, sentence: str) -> dict[str, str] | None:
        """What stands for each value in a sentence; None where the sentence is another."""
        found = self.filled.fullmatch(sentence) if self.longest in sentence else None
        return None if found is None else found.groupdict()


def is_pattern(text: str) -> bool:
    """Whether a source text has values, and enough words around them to be told by."""
    pieces = list(Formatter().parse(text))
    names = [name for _, name, _, _ in pieces if name is not None]
    letters = sum(letter.isalpha() for words, _, _, _ in pieces for letter in words)
    meant = all(map(is_number, names)) or any(name.endswith(TOLD_ENDING) for name in names)
    return bool(names) and (letters >= FEWEST_LETTERS or (meant and (letters > 0 or ARROW in text)))


def is_number(name: str) -> bool:
    """Whether a value of this name is a number."""
    return name.removeprefix("other_") in NUMBER_NAMES


def is_amount(text: str) -> bool:
    """Whether a text is one number, alone or with its unit, without a sign for thousands."""
    return _AMOUNT.fullmatch(text) is not None


def _shape_of(name: str) -> str:
    if name.endswith(ALL_TOLD_ENDING):
        return _SEVERAL
    return _NUMBER if is_number(name) else _ONE
