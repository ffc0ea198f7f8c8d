"""What the server answers besides pages: photos that are handed in, and pictures of those that are kept.

What it refuses it refuses in the language that the request asks for; a page asks for that of its visitor.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final

from anyio import to_thread
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from app.seals import DELIVERY, PICTURE, opened, sealed
from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import Delivery, find_delivery
from scorer.arrivals.incoming import Receiving
from scorer.arrivals.store import PICTURE_SIDES_PX, PhotoStore
from scorer.errors import ScorerError
from scorer.language import language_asked_for, message

Answer = Callable[[Request], Awaitable[Response]]

SENT_BY_A_PAGE: Final = "x-scorer-delivery"
"""A header that only a page of the same place can send, so that no foreign page hands in photos in one's name."""
_SEALED: Final = Person("", frozenset({Role.OFFICER}))
"""Whoever shows a seal: a page asked for this right when it wrote the address."""
_KEEP: Final = "private, max-age=86400, immutable"


def address_of_delivery(delivery: Delivery) -> str:
    """Where photos of a delivery are posted to."""
    return f"/hand-in/{sealed(DELIVERY, delivery.key)}"


def address_of_picture(sha256: str, long_side_px: int) -> str:
    """Where a kept photo is shown, that large."""
    return f"/tray-picture/{sealed(PICTURE, sha256)}/{long_side_px}"


def address_of_crop(sha256: str, box_px: tuple[int, int, int, int], long_side_px: int) -> str:
    """Where a part of a kept photo is shown; ``box_px`` is left, top, right, bottom in the full photo."""
    return f"{address_of_picture(sha256, long_side_px)}?box={','.join(map(str, box_px))}"


def routes(inbox: Path, store: PhotoStore) -> list[Route]:
    """The ways in and out for photos."""
    return [
        Route("/hand-in/{seal}", _take_photo(inbox), methods=["POST"]),
        Route("/tray-picture/{seal}/{long_side:int}", _show_picture(store)),
    ]


def _take_photo(inbox: Path) -> Answer:
    async def take(request: Request) -> Response:
        key = opened(DELIVERY, request.path_params["seal"])
        if key is None or SENT_BY_A_PAGE not in request.headers:
            return _refused(request, message("This page is too old to hand in photos; load it anew."), 403)
        try:
            delivery = find_delivery(_SEALED, inbox, key)
            receiving = Receiving(delivery, request.query_params.get("name", "photo"))
        except ScorerError as refusal:
            return _refused(request, str(refusal), 400)
        try:
            with receiving:
                async for chunk in request.stream():
                    if chunk:
                        await to_thread.run_sync(receiving.add, chunk)
                items = await to_thread.run_sync(receiving.finish)
        except ScorerError as refusal:
            return _refused(request, str(refusal), 400)
        except ClientDisconnect:
            return Response(status_code=400)
        return JSONResponse({"photos": len(items)})

    return take


def _show_picture(store: PhotoStore) -> Answer:
    async def show(request: Request) -> Response:
        sha256 = opened(PICTURE, request.path_params["seal"])
        long_side_px = request.path_params["long_side"]
        if sha256 is None or long_side_px not in PICTURE_SIDES_PX:
            return _not_shown(request, message("This address is too old; load the page anew."), 403)
        box = _box(request.query_params.get("box", ""))
        data: bytes | None
        try:
            if box:
                data = await to_thread.run_sync(store.crop, sha256, box, long_side_px)
            else:
                data = await to_thread.run_sync(store.picture, sha256, long_side_px)
        except ScorerError as refusal:
            return _not_shown(request, str(refusal), 404)
        if data is None:
            return _not_shown(request, message("This photo is not kept here."), 404)
        return Response(data, media_type="image/jpeg", headers={"Cache-Control": _KEEP})

    return show


def _box(text: str) -> tuple[int, int, int, int] | None:
    numbers = text.split(",")
    if len(numbers) != 4 or not all(part.isdigit() and len(part) < 6 for part in numbers):
        return None
    left, top, right, bottom = map(int, numbers)
    return (left, top, right, bottom) if left < right and top < bottom else None


def _refused(request: Request, sentence: str, status: int) -> Response:
    return JSONResponse({"refused": _told(request, sentence)}, status)


def _not_shown(request: Request, sentence: str, status: int) -> Response:
    return Response(_told(request, sentence), status, media_type="text/plain")


def _told(request: Request, sentence: str) -> str:
    return language_asked_for(request.headers.get("accept-language", "")).told(sentence)
