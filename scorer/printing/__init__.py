"""What a shed prints: the reference card and the bin tags, as PDF at 100 % scale."""

from scorer.printing.card_sheet import print_card
from scorer.printing.paper import PAPERS
from scorer.printing.tag_sheet import print_tags

__all__ = ["PAPERS", "print_card", "print_tags"]
