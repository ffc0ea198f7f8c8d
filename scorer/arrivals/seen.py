"""Look at the photos of the store: what a page calls, asked for by whoever may look at trays."""

from __future__ import annotations

from scorer.access.roles import Person, Right
from scorer.arrivals.store import Box, PhotoStore


def see_picture(person: Person, store: PhotoStore, sha256: str, long_side_px: int) -> bytes | None:
    """Upright JPEG of a photo, as `PhotoStore.picture` gives it.

    Raises
    ------
    AccessError : the person may not look at trays.
    """
    person.must(Right.SEE_TRAYS)
    return store.picture(sha256, long_side_px)


def see_crop(person: Person, store: PhotoStore, sha256: str, box_px: Box, long_side_px: int) -> bytes:
    """JPEG of a part of a photo, as `PhotoStore.crop` gives it.

    Raises
    ------
    AccessError : the person may not look at trays.
    """
    person.must(Right.SEE_TRAYS)
    return store.crop(sha256, box_px, long_side_px)
