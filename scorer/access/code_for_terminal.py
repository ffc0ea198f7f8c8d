"""An address as a QR code in a terminal, for phones to scan from the screen."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import qrcode

_QUIET_MODULES: Final = 4
"""Light modules around a code (ISO/IEC 18004)."""
_HALVES: Final = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def code_lines(text: str) -> tuple[str, ...]:
    """Lines of a QR code of ``text``, two rows of modules each; to be printed black on white.

    Parameters
    ----------
    text : ASCII.
    """
    code = qrcode.QRCode(error_correction=qrcode.constants.ERROR_CORRECT_L, border=_QUIET_MODULES)
    code.add_data(text.encode("ascii"))
    rows = [tuple(map(bool, row)) for row in code.get_matrix()]
    rows += [(False,) * len(rows[0])] * (len(rows) % 2)
    pairs = [pair for number, pair in enumerate(pairwise(rows)) if number % 2 == 0]
    return tuple("".join(_HALVES[modules] for modules in zip(upper, lower, strict=True)) for upper, lower in pairs)
