"""A zip is unpacked by what really comes out of it; nothing that it says is trusted.

The zips are built byte by byte after PKWARE APPNOTE 6.3.10, 4.3.7 and 4.3.12 (from memory), or by Python's zipfile.
"""

from __future__ import annotations

import io
import stat
import struct
import zipfile
import zlib
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scorer.access.roles import Person, Role
from scorer.arrivals import zip_photos
from scorer.arrivals.deliveries import Delivery, Item, begin_delivery, items_of, notes_of
from scorer.arrivals.file_kind import Kind
from scorer.arrivals.incoming import Receiving
from scorer.arrivals.landing import NAMELESS
from scorer.errors import ArrivalError, ScorerError

OFFICER = Person("Ines", frozenset({Role.OFFICER}))
JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8
PNG = b"\x89PNG\r\n\x1a\n" + bytes(100)


@pytest.fixture
def delivery(tmp_path: Path) -> Delivery:
    return begin_delivery(OFFICER, tmp_path / "inbox")


def zipped(*entries: tuple[str | zipfile.ZipInfo, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in entries:
            archive.writestr(name, data)
    return out.getvalue()


def raw_zip(*entries: tuple[bytes, bytes, int, int], flags: int = 0) -> bytes:
    """Deflated entries of which the headers say what they are told to: name, bytes packed, size said, checksum."""
    body, listing = b"", b""
    for name, packed, size, checksum in entries:
        about = struct.pack("<HHHHHIIIHH", 20, flags, 8, 0, 0x21, checksum, len(packed), size, len(name), 0)
        listing += b"PK\x01\x02" + struct.pack("<H", 20) + about + struct.pack("<HHHII", 0, 0, 0, 0, len(body)) + name
        body += b"PK\x03\x04" + about + name + packed
    end = struct.pack("<HHHHIIH", 0, 0, len(entries), len(entries), len(listing), len(body), 0)
    return body + listing + b"PK\x05\x06" + end


def deflated(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    return packer.compress(data) + packer.flush()


def hand_in(delivery: Delivery, data: bytes) -> tuple[tuple[Item, ...], tuple[str, ...]]:
    receiving = Receiving(delivery, "monday.zip")
    receiving.add(data)
    items = receiving.finish()
    return items, receiving.notes


def files_under(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_the_photos_of_a_zip_arrive_one_by_one_and_the_rest_is_counted_in_a_sentence(delivery: Delivery) -> None:
    data = zipped(("a/tray_1.jpg", JPEG), ("b/tray_2.png", PNG), ("notes.txt", b"bin 7"), ("list.csv", b"x"))
    items, notes = hand_in(delivery, data)
    assert [(item.shown, item.kind, item.photo.read_bytes()) for item in items] == [
        ("tray_1.jpg", Kind.JPEG, JPEG),
        ("tray_2.png", Kind.PNG, PNG),
    ]
    assert notes == ("Of monday.zip was left out: 2 files are no photos.",)
    assert items_of(delivery) == items
    assert notes_of(delivery) == notes


def test_the_zip_itself_is_not_kept(delivery: Delivery) -> None:
    hand_in(delivery, zipped(("tray_1.jpg", JPEG)))
    assert not [path for path in files_under(delivery.folder) if path.endswith((".zip", ".part"))]


@pytest.mark.parametrize(
    "name",
    ["../../../escaped.jpg", "/etc/escaped.jpg", "C:\\escaped.jpg", "..\\..\\escaped.jpg", "a/../../../escaped.jpg"],
)
def test_a_name_is_never_a_path(tmp_path: Path, delivery: Delivery, name: str) -> None:
    (item,), _ = hand_in(delivery, zipped((name, JPEG)))
    assert item.shown == "escaped.jpg"
    assert not list(tmp_path.rglob("*escaped*"))
    assert item.photo.is_relative_to(delivery.folder)


def test_a_link_is_left_out(delivery: Delivery) -> None:
    link = zipfile.ZipInfo("tray_9.jpg")
    link.create_system = 3
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    items, notes = hand_in(delivery, zipped((link, b"/etc/passwd"), ("tray_1.jpg", JPEG)))
    assert [item.shown for item in items] == ["tray_1.jpg"]
    assert notes == ("Of monday.zip was left out: 1 is a link.",)


def test_a_zip_in_a_zip_is_not_opened(delivery: Delivery) -> None:
    items, notes = hand_in(delivery, zipped(("inner.zip", zipped(("x.jpg", JPEG))), ("tray_1.jpg", JPEG)))
    assert [item.shown for item in items] == ["tray_1.jpg"]
    assert notes == ("Of monday.zip was left out: 1 is a zip itself.",)


def test_a_locked_entry_is_left_out(delivery: Delivery) -> None:
    data = raw_zip((b"tray_1.jpg", deflated(JPEG), len(JPEG), zlib.crc32(JPEG)), flags=1)
    with pytest.raises(ArrivalError, match="1 is locked by a password"):
        hand_in(delivery, data)
    assert files_under(delivery.folder) == {"delivery.json"}


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_packing_that_may_ask_for_any_memory_is_left_out(delivery: Delivery, method: int) -> None:
    with pytest.raises(ArrivalError, match="1 is packed in an unusual way"):
        hand_in(delivery, zipped(("tray_1.jpg", JPEG), method=method))


def test_what_a_computer_adds_of_its_own_is_passed_over_silently(delivery: Delivery) -> None:
    items, notes = hand_in(
        delivery, zipped(("trays/", b""), ("__MACOSX/._tray_1.jpg", b"\0\5\x16\7"), ("trays/tray_1.jpg", JPEG))
    )
    assert (len(items), notes) == (1, ())


def test_an_entry_that_unpacks_to_more_than_its_header_says_is_not_taken_as_a_photo(delivery: Delivery) -> None:
    lying = raw_zip((b"tray_1.jpg", deflated(JPEG + bytes(50_000_000)), 100, zlib.crc32(JPEG)))
    with pytest.raises(ArrivalError, match="1 is damaged"):
        hand_in(delivery, lying)
    assert files_under(delivery.folder) == {"delivery.json"}


def test_an_entry_that_is_larger_than_a_photo_may_be_is_left_out_wherever_its_header_lies(delivery: Delivery) -> None:
    bomb = JPEG + bytes(70_000_000)
    honest = (b"tray_2.jpg", deflated(JPEG), len(JPEG), zlib.crc32(JPEG))
    items, notes = hand_in(delivery, raw_zip((b"tray_1.jpg", deflated(bomb), len(bomb), zlib.crc32(bomb)), honest))
    assert [item.shown for item in items] == ["tray_2.jpg"]
    assert notes == ("Of monday.zip was left out: 1 is larger than 60 MB.",)


def test_a_zip_that_unpacks_to_too_much_is_refused_whole_and_leaves_nothing(delivery: Delivery) -> None:
    """36 photos of 59 MB, each packed to 60 kB: 2.1 GB out of 2 MB."""
    photo = JPEG + bytes(59_000_000)
    packed, checksum = deflated(photo), zlib.crc32(photo)
    data = raw_zip(*((b"tray_%d.jpg" % n, packed, len(photo), checksum) for n in range(36)))
    assert len(data) < 3_000_000
    with pytest.raises(ArrivalError, match=r"monday\.zip unpacks to more than 2 GB, so nothing of it was taken"):
        hand_in(delivery, data)
    assert files_under(delivery.folder) == {"delivery.json"}


def test_entries_that_lie_over_each_other_are_refused(delivery: Delivery) -> None:
    """One packed stream, listed many times: the way to a bomb that needs no nesting."""
    photo = JPEG * 100
    packed = deflated(photo)
    about = struct.pack("<HHHHHIIIHH", 20, 0, 8, 0, 0x21, zlib.crc32(photo), len(packed), len(photo), 5, 0)
    body = b"PK\x03\x04" + about + b"a.jpg" + packed
    listing = (b"PK\x01\x02" + struct.pack("<H", 20) + about + struct.pack("<HHHII", 0, 0, 0, 0, 0) + b"a.jpg") * 400
    data = body + listing + b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, 400, 400, len(listing), len(body), 0)
    assert len(packed) * 400 > len(data)
    with pytest.raises(ArrivalError, match="lie over each other"):
        hand_in(delivery, data)
    assert files_under(delivery.folder) == {"delivery.json"}


def test_more_than_five_hundred_entries_are_refused(delivery: Delivery) -> None:
    within = zipped(*((f"{n}.txt", b"x") for n in range(zip_photos.MOST_ENTRIES - 1)), ("tray.jpg", JPEG))
    assert len(hand_in(delivery, within)[0]) == 1
    with pytest.raises(ArrivalError, match="more than 500 entries"):
        hand_in(delivery, zipped(*((f"{n}.txt", b"x") for n in range(zip_photos.MOST_ENTRIES + 1))))


def test_a_list_of_entries_without_end_is_refused_before_it_is_read(delivery: Delivery) -> None:
    listing = b"PK\x01\x02" + bytes(42)
    count = zip_photos.LARGEST_LIST_BYTES // len(listing) + 1
    end = struct.pack("<HHHHIIH", 0, 0, 1, 1, len(listing) * count, 0, 0)
    with pytest.raises(ArrivalError, match="more than 500 entries"):
        hand_in(delivery, b"PK\x03\x04" + listing * count + b"PK\x05\x06" + end)


def test_a_zip_without_photos_says_what_it_holds(delivery: Delivery) -> None:
    with pytest.raises(ArrivalError, match=r"holds no photo that can be taken \(1 file is no photo\)"):
        hand_in(delivery, zipped(("notes.txt", b"bin 7")))
    with pytest.raises(ArrivalError, match="holds no photo that can be taken; put"):
        hand_in(delivery, zipped())
    assert files_under(delivery.folder) == {"delivery.json"}


def test_half_a_zip_is_refused(delivery: Delivery) -> None:
    data = zipped(("tray_1.jpg", JPEG))
    with pytest.raises(ArrivalError, match="is no zip that can be read"):
        hand_in(delivery, data[: len(data) // 2])
    assert files_under(delivery.folder) == {"delivery.json"}


def test_a_photo_whose_name_is_empty_or_begins_with_a_zero_byte_arrives_without_a_name(delivery: Delivery) -> None:
    """Python's zipfile ends a name at its first zero byte, so that nothing is left of the second."""
    names = (b"", b"\x00tray_1.jpg")
    items, notes = hand_in(delivery, raw_zip(*((name, deflated(JPEG), len(JPEG), zlib.crc32(JPEG)) for name in names)))
    assert [(item.shown, item.photo.read_bytes()) for item in items] == [(NAMELESS, JPEG)] * 2
    assert notes == ()


GOOD = zipped(("tray_1.jpg", JPEG), ("deep/tray_2.png", PNG), ("notes.txt", b"bin 7"))


@settings(max_examples=300)
@given(st.lists(st.tuples(st.integers(4, len(GOOD) - 1), st.integers(0, 255)), min_size=1, max_size=6))
def test_a_zip_with_any_bytes_changed_gives_photos_or_a_refusal_and_no_file_elsewhere(
    changes: list[tuple[int, int]],
) -> None:
    changed = bytearray(GOOD)
    for at, byte in changes:
        changed[at] = byte
    with TemporaryDirectory() as folder:
        delivery = begin_delivery(OFFICER, Path(folder) / "inbox")
        refused = ""
        try:
            hand_in(delivery, bytes(changed))
        except ScorerError as refusal:
            refused = str(refusal)
        if refused:
            assert refused.startswith("monday.zip")
            assert files_under(delivery.folder) == {"delivery.json"}
        else:
            assert items_of(delivery)
        assert all(path.split("/")[1] == delivery.key for path in files_under(Path(folder)))
