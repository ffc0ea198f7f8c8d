"""The bin tag: its text there and back, and its code read from pictures drawn by another library."""

from datetime import UTC, datetime
from urllib.parse import parse_qs, urlencode

import cv2
import numpy as np
import pytest
import qrcode
from hypothesis import given, settings
from hypothesis import strategies as st

from scorer.tag import LONGEST_FIELD, TWO_TAGS, Tag, clean_field, encode_tag, parse_tag, read_tag

TAG = Tag("North Ladder", "17", datetime(2025, 2, 14, 7, 30), "snip", "A")
fields = st.text(max_size=LONGEST_FIELD).map(clean_field).filter(lambda text: not text or len(text) <= LONGEST_FIELD)
readable = fields.filter(lambda text: not text or "\N{REPLACEMENT CHARACTER}" not in text)
times = st.none() | st.datetimes().map(lambda when: when.replace(microsecond=0))
tags = st.builds(Tag, readable, readable, times, readable, readable).filter(lambda tag: tag.crew or tag.bin)


def code_of(text, *, module_px=4):
    code = qrcode.QRCode(error_correction=qrcode.constants.ERROR_CORRECT_M, border=4)
    code.add_data(text)
    code.make()
    modules = np.where(np.array(code.get_matrix()), 25, 225).astype(np.uint8)
    return np.kron(modules, np.ones((module_px, module_px), np.uint8))


def tray_with(*texts, turn_deg=0.0, module_px=4, blur_px=0.8):
    """A 2016 x 1512 grey picture of smooth blobs, with codes lying on it side by side."""
    rng = np.random.default_rng(8)
    blobs = rng.integers(40, 210, (48, 63)).astype(np.uint8)
    picture = cv2.resize(blobs, (2016, 1512), interpolation=cv2.INTER_CUBIC)
    for place, text in enumerate(texts):
        code = code_of(text, module_px=module_px)
        turn = cv2.getRotationMatrix2D((code.shape[1] / 2, code.shape[0] / 2), turn_deg, 1.0)
        turn[:, 2] += (250 + 600 * place, 600)
        where = cv2.warpAffine(np.full_like(code, 255), turn, (2016, 1512)) > 127
        picture[where] = cv2.warpAffine(code, turn, (2016, 1512))[where]
    noisy = cv2.GaussianBlur(picture, (0, 0), blur_px) + rng.normal(0, 3, picture.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


def test_the_text_of_a_tag():
    tag = parse_tag("crew=North+Ladder&bin=17&picked=2025-02-14T07:30&method=snip&side=A")
    assert tag == TAG
    assert encode_tag(TAG) == "crew=North+Ladder&bin=17&picked=2025-02-14T07:30&method=snip&side=A"


@given(st.permutations(["crew=S%C3%BCd", "bin=9", "picked=2025-02-14T07:30", "method=", "colour=blue", "side=B"]))
def test_order_and_unknown_fields_do_not_matter(parts):
    assert parse_tag("&".join(parts)) == Tag("Süd", "9", datetime(2025, 2, 14, 7, 30), None, "B")


@given(tags)
def test_a_tag_comes_back_from_its_text(tag):
    assert parse_tag(encode_tag(tag)) == tag


@given(tags)
def test_the_standard_library_reads_the_text_too(tag):
    # urllib.parse.parse_qs, the WHATWG application/x-www-form-urlencoded parser of Python, as reference
    read = parse_qs(encode_tag(tag))
    assert (read.get("crew", [None])[0], read.get("bin", [None])[0]) == (tag.crew, tag.bin)


@given(readable, readable)
def test_text_that_the_standard_library_wrote_is_read(crew, place):
    tag = parse_tag(urlencode({"crew": crew or "", "bin": place or ""}))
    assert (tag.crew, tag.bin) == (crew, place) if crew or place else tag is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "17",
        "https://orchard.example/?crew=North&bin=17",
        "WIFI:S:shed;T:WPA;P:crew=1;;",
        "method=snip&side=A",
        "crew=&bin=",
        "lot 17 & bin=3",
        "crew=" + "x" * 5000,
    ],
)
def test_other_codes_are_not_tags(text):
    assert parse_tag(text) is None


@given(st.text())
def test_no_text_breaks_the_reading(text):
    tag = parse_tag(text)
    assert tag is None or tag.crew or tag.bin or tag.doubts


@pytest.mark.parametrize(
    "picked",
    [
        "yesterday",
        "2025-02-30T07:30",
        "2025-02-14",
        "14.2.2025 07:30",
        "2025-02-14T07:30Z",
        "2025-02-14T25:00",
    ],
)
def test_a_date_that_needs_a_guess_is_left_out_with_a_doubt(picked):
    tag = parse_tag(f"crew=North&bin=1&picked={picked}")
    assert tag.picked_at is None
    assert tag.doubts == (f"picked is not a date and time: {picked}",)


def test_doubtful_fields_say_so():
    assert parse_tag("crew=North&crew=South&bin=4") == Tag(bin="4", doubts=("crew is given twice",))
    assert parse_tag("crew=North&crew=North&bin=4") == Tag("North", "4")
    assert parse_tag("crew=%FF&bin=4") == Tag(bin="4", doubts=("crew has unreadable letters",))
    long = parse_tag("bin=4&crew=" + "n" * (LONGEST_FIELD + 1))
    assert long.crew == "n" * LONGEST_FIELD
    assert long.doubts == (f"crew is longer than {LONGEST_FIELD} characters and was cut",)


def test_fields_hold_nothing_that_changes_what_stands_beside_them():
    assert clean_field(" North\x00\n\tLadder\u202e\u200b ") == "North Ladder"
    assert clean_field("Su\u0308d") == "S\u00fcd"
    assert clean_field("\x07 ") is None


@given(st.text())
def test_cleaning_twice_changes_nothing_more(text):
    once = clean_field(text)
    assert once is None or clean_field(once) == once


def test_a_time_zone_is_refused():
    with pytest.raises(ValueError, match="local time"):
        Tag(picked_at=datetime(2025, 2, 14, tzinfo=UTC))


@settings(max_examples=20, deadline=None)
@given(st.floats(0, 360), st.floats(3.0, 6.0))
def test_a_tag_is_read_at_any_rotation(turn_deg, module_px):
    picture = tray_with(encode_tag(TAG), turn_deg=turn_deg, module_px=round(module_px))
    assert read_tag(picture) == TAG
    assert read_tag(np.dstack([picture] * 3)) == TAG


def test_letters_of_every_script_come_back():
    tag = Tag("Đội hái ทีมสวน उत्तर", "七", None, "раннее")
    assert read_tag(tray_with(encode_tag(tag), module_px=5)) == tag


def test_a_small_soft_tag_takes_the_slower_readings():
    # 3 px a module, blurred by half a module: the plain reading finds nothing here, the sharpened one does
    assert read_tag(tray_with(encode_tag(TAG), turn_deg=20, module_px=3, blur_px=1.5)) == TAG


def test_other_codes_in_view_are_passed_over():
    assert read_tag(tray_with("https://orchard.example/?bin=5", encode_tag(TAG), "4006381333931")) == TAG
    assert read_tag(tray_with("https://orchard.example/?bin=5")) is None


def test_two_bins_in_view_are_not_guessed_at():
    other = encode_tag(Tag("South Ladder", "18"))
    assert read_tag(tray_with(encode_tag(TAG), other)) == Tag(doubts=(TWO_TAGS,))
    assert read_tag(tray_with(encode_tag(TAG), encode_tag(TAG))) == TAG


def test_a_picture_without_codes_has_no_tag():
    assert read_tag(tray_with()) is None
    assert read_tag(np.zeros((3, 3), np.uint8)) is None


@pytest.mark.parametrize("shape", [(10,), (0, 10), (10, 10, 4)])
def test_arrays_that_are_no_picture_are_refused(shape):
    with pytest.raises(ValueError, match="uint8"):
        read_tag(np.zeros(shape, np.uint8))
