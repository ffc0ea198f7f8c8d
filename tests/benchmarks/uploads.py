"""Memory of the server's process while photos of 12 megapixels come in from several phones at once."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import cv2
import httpx
import numpy as np
from playwright.sync_api import Browser

PHOTOS: Final = 200
PHONES: Final = 4
SIZE_PX: Final = (3000, 4000)
_GRAIN: Final = 9.0
"""Noise that makes the file as large as a phone's, about 4 MB."""
_HEADERS: Final = {"X-Scorer-Delivery": "yes", "Content-Type": "application/octet-stream"}
_LOOK_EVERY_S: Final = 0.02


def memory_of_uploads(browser: Browser, address: str, process: int, folder: Path) -> str:
    """Hand in many photos, and say how large the process was before, at most meanwhile, and afterwards.

    Parameters
    ----------
    address : of the server.
    process : its number.
    folder : for a photo on its way.
    """
    photo = _photo()
    way_in = _way_in(browser, address, folder, photo)
    before = resident_mb(process)
    with _peak_mb(process) as peak, ThreadPoolExecutor(PHONES) as phones:
        taken = sum(phones.map(lambda number: _hand_in(way_in, photo, number), range(PHOTOS)))
    after = resident_mb(process)
    return (
        f"{taken} of {PHOTOS} photos of {len(photo) / 1e6:.1f} MB taken in, {PHONES} at a time\n"
        f"memory of the server, MB   before {before:.0f}   peak {max(peak):.0f}   after {after:.0f}"
    )


def resident_mb(process: int) -> float:
    """Resident memory of a process."""
    return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def _photo() -> bytes:
    draw = np.random.default_rng(1)
    picture = draw.normal(128, _GRAIN, (*SIZE_PX, 3)).clip(0, 255).astype(np.uint8)
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
    assert done
    return data.tobytes()


def _way_in(browser: Browser, address: str, folder: Path, photo: bytes) -> str:
    """Where the page posts a photo to, seen by handing in one."""
    page = browser.new_page()
    file = folder / "first.jpg"
    file.write_bytes(photo)
    page.goto(f"{address}/hand-in")
    with page.expect_request(lambda request: request.method == "POST" and "/hand-in/" in request.url) as posted:
        page.locator(".st-key-photo_drop input[type=file]").first.set_input_files(file)
    page.wait_for_timeout(1000)
    page.close()
    return posted.value.url.partition("?")[0]


def _hand_in(way_in: str, photo: bytes, number: int) -> int:
    """How many photos the server says it took in; a few bytes after the picture's end make each one another."""
    data = photo + number.to_bytes(4, "big")
    answer = httpx.post(
        way_in, params={"name": f"{number}.jpg"}, content=data, headers=_HEADERS, timeout=600, trust_env=False
    )
    return int(answer.raise_for_status().json()["photos"])


@contextmanager
def _peak_mb(process: int) -> Iterator[list[float]]:
    seen = [resident_mb(process)]
    ended = threading.Event()

    def look() -> None:
        while not ended.wait(_LOOK_EVERY_S):
            seen.append(resident_mb(process))

    watcher = threading.Thread(target=look)
    watcher.start()
    try:
        yield seen
    finally:
        ended.set()
        watcher.join()
