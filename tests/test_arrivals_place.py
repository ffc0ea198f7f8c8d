"""A photo is kept without the place where it was taken; its pixels and what scoring reads of it stay."""

from __future__ import annotations

import io
import struct
import zlib
from datetime import datetime

import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from PIL.ExifTags import GPS, IFD, Base
from PIL.PngImagePlugin import PngInfo

from scorer.arrivals.exif_block import NotTiff, take_place_out
from scorer.arrivals.place import tells_place, without_place
from scorer.errors import ArrivalError, ScorerError
from scorer.picture_file import open_picture

XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="12,27.77S"/>'
    b"</rdf:RDF></x:xmpmeta>"
)
LATITUDE = struct.pack(">6I", 12, 1, 27, 1, 77, 10)
LATITUDES = (LATITUDE, struct.pack("<6I", 12, 1, 27, 1, 77, 10))


def picture() -> Image.Image:
    rng = np.random.default_rng(7)
    return Image.fromarray(rng.integers(0, 255, (150, 200, 3), np.uint8))


def phone_exif() -> Image.Exif:
    """What a phone writes: a turned camera, a time, a focal length, a maker's note and a place."""
    exif = Image.Exif()
    exif[Base.Orientation] = 6
    exif[Base.DateTime] = "2026:01:14 09:26:53"
    details = exif.get_ifd(IFD.Exif)
    details[Base.DateTimeOriginal] = "2026:01:14 09:26:53"
    details[Base.FocalLengthIn35mmFilm] = 26
    details[Base.MakerNote] = b"a maker's own note that may say anything"
    place = exif.get_ifd(IFD.GPSInfo)
    place[GPS.GPSLatitudeRef] = "S"
    place[GPS.GPSLatitude] = (12.0, 27.0, 7.7)
    place[GPS.GPSLongitudeRef] = "E"
    place[GPS.GPSLongitude] = (130.0, 50.0, 30.0)
    return exif


def photo_of(kind: str) -> bytes:
    out = io.BytesIO()
    if kind == "HEIC":
        heif = pillow_heif.from_pillow(picture())
        heif.save(out, exif=phone_exif().tobytes(), xmp=XMP, quality=90)
    elif kind == "PNG":
        texts = PngInfo()
        texts.add_itxt("XML:com.adobe.xmp", XMP.decode())
        picture().save(out, "PNG", exif=phone_exif(), pnginfo=texts)
    else:
        picture().save(out, "JPEG", exif=phone_exif(), xmp=XMP, quality=90, progressive=kind == "progressive JPEG")
    return out.getvalue()


def opened(data: bytes) -> Image.Image:
    if data[4:8] == b"ftyp":
        heif = pillow_heif.open_heif(data)
        image = heif.to_pillow()
        assert isinstance(image, Image.Image)
        return image
    return Image.open(io.BytesIO(data))


def exif_of(data: bytes) -> Image.Exif:
    if data[4:8] != b"ftyp":
        return Image.open(io.BytesIO(data)).getexif()
    exif = Image.Exif()
    exif.load(pillow_heif.open_heif(data).info["exif"])
    return exif


def pixels(data: bytes) -> NDArray[np.uint8]:
    return np.asarray(opened(data).convert("RGB"))


KINDS = ("JPEG", "progressive JPEG", "PNG", "HEIC")


@pytest.mark.parametrize("kind", KINDS)
def test_pillow_finds_no_place_any_more_but_time_turn_and_focal_length(kind: str) -> None:
    """Outside reader: Pillow, for HEIC with libheif."""
    before = photo_of(kind)
    after = without_place(before, "tray.jpg")
    assert exif_of(before).get_ifd(IFD.GPSInfo)
    assert tells_place(before)
    assert not exif_of(after).get_ifd(IFD.GPSInfo)
    assert not tells_place(after)
    assert IFD.GPSInfo not in exif_of(after)
    details = exif_of(after).get_ifd(IFD.Exif)
    assert details[Base.DateTimeOriginal] == "2026:01:14 09:26:53"
    assert details[Base.FocalLengthIn35mmFilm] == 26
    assert exif_of(after)[Base.Orientation] == exif_of(before)[Base.Orientation]
    header, _ = open_picture(after, "tray.jpg")
    assert header.taken_at == datetime(2026, 1, 14, 9, 26, 53)


@pytest.mark.parametrize("kind", KINDS)
def test_the_decoded_pixels_are_the_same(kind: str) -> None:
    before = photo_of(kind)
    np.testing.assert_array_equal(pixels(without_place(before, "tray.jpg")), pixels(before))


@pytest.mark.parametrize("kind", KINDS)
def test_no_byte_of_the_place_is_left_anywhere_in_the_file(kind: str) -> None:
    before = photo_of(kind)
    after = without_place(before, "tray.jpg")
    assert b"GPSLatitude" in before or kind == "PNG"
    latitude = exif_of(before).get_ifd(IFD.GPSInfo)[GPS.GPSLatitude]
    assert [float(part) for part in latitude] == [12.0, 27.0, 7.7]
    assert any(one in before for one in LATITUDES), "the place is written as three fractions"
    assert not any(one in after for one in LATITUDES)
    assert b"GPSLatitude" not in after
    assert b"own note" not in after


def test_a_film_behind_a_jpeg_is_cut_off() -> None:
    """Phones hang a short film with its own place behind the picture (common practice, no source)."""
    film = b"\0\0\0\x18ftypmp42" + b"\xa9xyz-12.46+130.84/"
    after = without_place(photo_of("JPEG") + film, "tray.jpg")
    assert b"130.84" not in after
    assert after.endswith(b"\xff\xd9")


def test_the_second_view_of_a_double_picture_is_cut_off() -> None:
    out = io.BytesIO()
    second = picture()
    picture().save(out, "MPO", exif=phone_exif(), save_all=True, append_images=[second])
    assert getattr(Image.open(io.BytesIO(out.getvalue())), "n_frames", 1) == 2
    after = without_place(out.getvalue(), "tray.jpg")
    assert getattr(Image.open(io.BytesIO(after)), "n_frames", 1) == 1
    assert not tells_place(after)


def test_a_film_in_a_heic_is_blanked_and_what_follows_its_boxes_is_cut_off() -> None:
    film = b"mpvd" + b"\xa9xyz-12.46+130.84/"
    before = photo_of("HEIC") + struct.pack(">I", len(film) + 4) + film + b"\xff\xff\xff\xfftrailer 130.84"
    after = without_place(before, "tray.heic")
    assert b"130.84" not in after
    np.testing.assert_array_equal(pixels(after), pixels(before))


def test_a_heic_stays_as_long_as_it_was_for_its_boxes_say_where_things_lie() -> None:
    before = photo_of("HEIC")
    assert len(without_place(before, "tray.heic")) == len(before)


def test_a_colour_profile_stays() -> None:
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for kind in ("JPEG", "PNG"):
        out = io.BytesIO()
        picture().save(out, kind, exif=phone_exif(), icc_profile=profile)
        after = Image.open(io.BytesIO(without_place(out.getvalue(), "tray")))
        assert after.info["icc_profile"] == profile


def test_a_photo_without_notes_is_kept_as_it_is() -> None:
    for kind in ("JPEG", "PNG"):
        out = io.BytesIO()
        picture().save(out, kind)
        assert without_place(out.getvalue(), "tray") == out.getvalue()


def test_a_png_whose_exif_stands_in_a_text_is_refused_for_its_turn_would_be_lost() -> None:
    raw = phone_exif().tobytes()
    text = f"\nexif\n{len(raw):8d}\n{raw.hex()}\n"
    texts = PngInfo()
    texts.add_text("Raw profile type exif", text)
    out = io.BytesIO()
    picture().save(out, "PNG", pnginfo=texts)
    with pytest.raises(ArrivalError, match="cannot be taken out") as refusal:
        without_place(out.getvalue(), "tray_3.png")
    assert str(refusal.value).startswith("tray_3.png")


def test_png_chunks_keep_right_checksums() -> None:
    data = without_place(photo_of("PNG"), "tray.png")
    at, kinds = 8, []
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        kinds.append(data[at + 4 : at + 8])
        assert int.from_bytes(data[at + 8 + size : at + 12 + size], "big") == zlib.crc32(data[at + 4 : at + 8 + size])
        at += 12 + size
    assert b"eXIf" in kinds
    assert b"iTXt" not in kinds


@given(st.binary(max_size=400))
def test_a_block_of_any_bytes_keeps_its_length_or_is_no_tiff(noise: bytes) -> None:
    for head in (b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08", b""):
        try:
            assert len(take_place_out(head + noise)) == len(head + noise)
        except NotTiff:
            assert not head


@settings(max_examples=150)
@given(st.sampled_from(KINDS), st.data())
def test_a_damaged_photo_is_kept_without_its_place_or_refused_in_words(kind: str, data: st.DataObject) -> None:
    photo = bytearray(PHOTOS[kind])
    for _ in range(data.draw(st.integers(1, 8))):
        photo[data.draw(st.integers(12, min(len(photo), 1500) - 1))] = data.draw(st.integers(0, 255))
    refused, after = "", b""
    try:
        after = without_place(bytes(photo), "tray")
    except ScorerError as refusal:
        refused = str(refusal)
    assert refused.startswith("tray") or not tells_place(after)


PHOTOS = {kind: photo_of(kind) for kind in KINDS}
