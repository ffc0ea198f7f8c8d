"""Photos in the store: found by their bytes as they arrived, without their place, with masks and pictures."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.ExifTags import IFD, Base

from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import inbox_beside
from scorer.arrivals.seen import see_crop, see_picture
from scorer.arrivals.store import PICTURE_SIDES_PX, PhotoStore, store_beside
from scorer.errors import AccessError, ArrivalError, RecordsError, ScorerError
from scorer.records.database import records_url
from scorer.results import mask_files
from tests.drawn_trays import draw_tray, score_drawing

OFFICER = Person("Ines", frozenset({Role.OFFICER}))
NOBODY = Person("Nadi", frozenset())
SIZE = (1200, 900)


def photo_bytes(kind: str = "JPEG", orientation: int = 1) -> bytes:
    """The drawn tray as a phone with this turn stores it, with a place."""
    upright = Image.fromarray(cv2.cvtColor(draw_tray(SIZE)[0], cv2.COLOR_BGR2RGB))
    turned = upright if orientation == 1 else upright.transpose(Image.Transpose.ROTATE_90)  # 6: turn it back clockwise
    exif = Image.Exif()
    exif[Base.Orientation] = orientation
    exif.get_ifd(IFD.GPSInfo)[1] = "S"
    out = io.BytesIO()
    if kind == "HEIC":
        pillow_heif.from_pillow(turned).save(out, exif=exif.tobytes())
    else:
        turned.save(out, kind, exif=exif, quality=95)
    return out.getvalue()


def kept(folder: Path, data: bytes) -> tuple[PhotoStore, str]:
    store, sha256 = PhotoStore(folder / "season.photos"), hashlib.sha256(data).hexdigest()
    arrived = folder / "photo.any"
    arrived.write_bytes(data)
    files = mask_files("x", score_drawing(size=SIZE))
    store.keep(arrived, sha256, {"fruit": files["masks/x.fruit.png"], "marks": files["masks/x.marks.png"]})
    assert not arrived.exists()
    return store, sha256


@pytest.mark.parametrize(("kind", "ending"), [("JPEG", ".jpg"), ("PNG", ".png"), ("HEIC", ".heic")])
def test_a_photo_is_moved_in_under_its_bytes_as_they_arrived(tmp_path: Path, kind: str, ending: str) -> None:
    store, sha256 = kept(tmp_path, photo_bytes(kind))
    path = store.photo_path(sha256)
    assert path == tmp_path / "season.photos" / sha256[:2] / f"{sha256}{ending}"
    assert hashlib.sha256(path.read_bytes()).hexdigest() != sha256, "without its place the file has other bytes"
    assert store.photo_path("0" * 64) is None


def test_masks_come_back_as_they_were(tmp_path: Path) -> None:
    store, sha256 = kept(tmp_path, photo_bytes())
    _, fruit, marks = draw_tray(SIZE)
    for got, wanted in ((store.fruit_mask(sha256), fruit), (store.mark_mask(sha256), marks)):
        assert got is not None
        assert got.dtype == np.uint16
        np.testing.assert_array_equal(got, wanted)
    assert store.fruit_mask("0" * 64) is None


@pytest.mark.parametrize("side", PICTURE_SIDES_PX)
def test_a_picture_is_upright_and_made_once(tmp_path: Path, side: int) -> None:
    """Outside reader: Pillow."""
    store, sha256 = kept(tmp_path, photo_bytes(orientation=6))
    data = store.picture(sha256, side)
    assert data is not None
    picture = Image.open(io.BytesIO(data))
    assert (picture.format, picture.size) == ("JPEG", (min(side, 1200), min(side * 3 // 4, 900)))
    assert not picture.getexif()
    upright = cv2.cvtColor(
        cv2.resize(draw_tray(SIZE)[0], picture.size, interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2RGB
    )
    assert np.abs(np.asarray(picture).astype(int) - upright).mean() < 4
    path = store.photo_path(sha256)
    assert path is not None
    path.unlink()
    assert store.picture(sha256, side) == data


def test_pictures_of_any_other_size_are_refused(tmp_path: Path) -> None:
    store, sha256 = kept(tmp_path, photo_bytes())
    with pytest.raises(ArrivalError, match="ask for one of 320, 800, 1600"):
        store.picture(sha256, 321)
    assert store.picture("0" * 64, 320) is None


@pytest.mark.parametrize("orientation", [1, 6])
def test_a_crop_shows_the_part_that_the_masks_call_so(tmp_path: Path, orientation: int) -> None:
    store, sha256 = kept(tmp_path, photo_bytes(orientation=orientation))
    photo, fruit, _ = draw_tray(SIZE)
    rows, columns = np.nonzero(fruit == 2)
    box = (int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1)
    crop = np.asarray(Image.open(io.BytesIO(store.crop(sha256, box, 4000))))
    assert crop.shape == (box[3] - box[1], box[2] - box[0], 3)
    part = cv2.cvtColor(photo[box[1] : box[3], box[0] : box[2]], cv2.COLOR_BGR2RGB)
    assert np.abs(crop.astype(int) - part).mean() < 4


def test_a_crop_is_no_larger_than_asked_and_ends_at_the_edge(tmp_path: Path) -> None:
    store, sha256 = kept(tmp_path, photo_bytes())
    small = Image.open(io.BytesIO(store.crop(sha256, (0, 0, 1200, 900), 200)))
    assert small.size == (200, 150)
    edge = Image.open(io.BytesIO(store.crop(sha256, (-50, 800, 100, 5000), 400)))
    assert edge.size == (100, 100)
    for outside in ((2000, 0, 2100, 50), (10, 10, 10, 20), (50, 50, 10, 20)):
        with pytest.raises(ArrivalError, match="lies outside"):
            store.crop(sha256, outside, 200)
    with pytest.raises(ArrivalError, match="is not in the store"):
        store.crop("0" * 64, (0, 0, 10, 10), 200)


@given(st.one_of(st.text(max_size=80), st.just("../" * 21 + "x"), st.just("A" * 64), st.just("a" * 64 + "\n")))
def test_what_is_no_sha256_is_never_a_path(text: str) -> None:
    store = PhotoStore(Path("nowhere"))
    for ask in (store.photo_path, store.fruit_mask, store.mark_mask, lambda s: store.picture(s, 320)):
        with pytest.raises(ArrivalError, match="64 hex digits"):
            ask(text)
    with pytest.raises(ArrivalError, match="64 hex digits"):
        store.crop(text, (0, 0, 1, 1), 10)


def test_a_photo_that_cannot_be_kept_stays_where_it_was(tmp_path: Path) -> None:
    arrived = tmp_path / "tray.jpg"
    arrived.write_bytes(b"\xff\xd8\xff\xe0 no photo")
    store = PhotoStore(tmp_path / "photos")
    with pytest.raises(ScorerError):
        store.keep(arrived, "a" * 64, {})
    assert arrived.exists()
    assert store.photo_path("a" * 64) is None


def test_only_who_may_look_at_trays_sees_pictures(tmp_path: Path) -> None:
    store, sha256 = kept(tmp_path, photo_bytes())
    assert see_picture(OFFICER, store, sha256, 320) == store.picture(sha256, 320)
    assert see_crop(OFFICER, store, sha256, (0, 0, 50, 50), 50)
    with pytest.raises(AccessError, match="may not look at trays"):
        see_picture(NOBODY, store, sha256, 320)
    with pytest.raises(AccessError):
        see_crop(NOBODY, store, sha256, (0, 0, 50, 50), 50)


def test_the_store_lies_beside_the_records(tmp_path: Path) -> None:
    url = records_url(tmp_path / "season 26.sqlite")
    assert store_beside(url).folder == tmp_path / "season 26.photos"
    assert inbox_beside(url) == tmp_path / "season 26.inbox"
    assert store_beside(str(url)).folder == tmp_path / "season 26.photos"


def test_the_store_of_a_database_lies_in_the_users_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))  # XDG Base Directory Specification 0.8
    for database in ("season", "..", "a/../../b"):
        folder = store_beside(f"postgresql+psycopg://ines@shed/{database}").folder
        assert folder.parent == tmp_path / "mango-tray-scorer"
    assert store_beside("postgresql+psycopg://ines@shed/season").folder.name == "season.photos"
    with pytest.raises(RecordsError, match="no photos can be kept"):
        store_beside("sqlite://")
