"""Whose photo is next: deliveries take turns, so a large one does not make a small one wait for its end."""

from __future__ import annotations

from pathlib import Path

from scorer.arrivals.deliveries import Item, delivery_folders, item_folders, read_item
from scorer.arrivals.outcomes import is_dealt_with


class Turns:
    """Gives the photos of an inbox one by one, for as long as they arrive."""

    def __init__(self, inbox: Path) -> None:
        """Begin.

        Parameters
        ----------
        inbox : holds the deliveries; may come later.
        """
        self._inbox = inbox
        self._last = ""
        self._dealt_with: dict[str, set[str]] = {}

    def next(self) -> Item | None:
        """The first photo that waits in the delivery whose turn it is; None where none waits."""
        folders = delivery_folders(self._inbox)
        self._dealt_with = {each.name: self._dealt_with.get(each.name, set()) for each in folders}
        later = [each for each in folders if each.name > self._last]
        earlier = [each for each in folders if each.name <= self._last]
        for folder in later + earlier:
            item = self._first_waiting(folder)
            if item is not None:
                self._last = folder.name
                return item
        return None

    def _first_waiting(self, delivery_folder: Path) -> Item | None:
        dealt_with = self._dealt_with[delivery_folder.name]
        for folder in item_folders(delivery_folder):
            if folder.name in dealt_with:
                continue
            if is_dealt_with(folder):
                dealt_with.add(folder.name)
            elif (item := read_item(folder)) is not None:
                return item
        return None
