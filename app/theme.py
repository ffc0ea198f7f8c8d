"""How the pages look: black on white and large, to be read on a phone in the sun, with fonts that are already there."""

from __future__ import annotations

from pathlib import Path
from typing import Final

INK: Final = "#111111"
PAPER: Final = "#ffffff"
SHADE: Final = "#eef2ec"
LEAF: Final = "#1b5e20"
_FONTS: Final = "sans-serif"

THEME: Final[dict[str, object]] = {
    "theme.base": "light",
    "theme.primaryColor": LEAF,
    "theme.backgroundColor": PAPER,
    "theme.secondaryBackgroundColor": SHADE,
    "theme.textColor": INK,
    "theme.linkColor": LEAF,
    "theme.linkUnderline": True,
    "theme.borderColor": "#6b7568",
    "theme.showWidgetBorder": True,
    "theme.baseFontSize": 18,
    "theme.headingFontSizes": ["2.1rem", "1.35rem", "1.25rem", "1.1rem", "1rem", "1rem"],
    "theme.font": _FONTS,
    "theme.headingFont": _FONTS,
    "theme.codeFont": "monospace",
    "theme.sidebar.backgroundColor": SHADE,
    "theme.sidebar.secondaryBackgroundColor": PAPER,
    "theme.sidebar.textColor": INK,
}
"""Options of Streamlit. Nothing here may name an address: a shed may have no internet."""

ICON: Final = Path(__file__).with_name("icon.png")
"""The sign of the pages in a browser's tab: a mango with its stem."""

STYLE: Final = """<style>
[data-testid="stMainBlockContainer"] { padding-top: 3.2rem; padding-bottom: 4rem; max-width: 76rem; }
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] * { color: #3f463e; opacity: 1; }
button, [role="option"] { min-height: 2.75rem; }
button[data-variant], summary, [data-testid="stPageLink-NavLink"] { min-height: 44px !important; }
[data-testid="stCheckbox"] label { min-height: 44px; align-items: center; }
[data-testid="stHeaderActionElements"] { display: none; }
kbd { color: inherit !important; opacity: 1 !important; }
@media (max-width: 30rem) {
  [data-testid="stTable"] :is(td, th) { padding: 0.35rem 0.3rem !important; font-size: 0.85rem; white-space: normal; }
  [data-testid="stMainBlockContainer"] { padding-left: 0.9rem; padding-right: 0.9rem; }
}
</style>"""
"""What the theme's options do not reach: less margin, darker small print, targets as large as a thumb."""
