"""All pages, section by section, in the order in which the menu shows them."""

from __future__ import annotations

from typing import Final

from app.screens import (
    crews,
    hand_in,
    health,
    labels,
    models,
    phones,
    plan,
    print_card,
    second_look,
    sheets,
    tables,
    tray,
)
from scorer.language import message

SECTIONS: Final = (
    (message("Trays"), (hand_in, tray, second_look)),
    (message("Crews"), (crews, sheets)),
    (message("Before picking"), (plan, print_card)),
    (message("Tables and models"), (tables, labels, models)),
    (message("The shed"), (health, phones)),
)
