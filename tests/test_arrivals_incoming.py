"""Files that come in pieces: on the disk and counted as arrived, or refused in words and gone."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import unicodedata
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import (
    KEPT_FOR,
    LONGEST_NAME,
    Delivery,
    begin_delivery,
    find_delivery,
    items_of,
    new_folder,
    sweep_inbox,
)
from scorer.arrivals.file_kind import Kind
from scorer.arrivals.incoming import Receiving
from scorer.arrivals.landing import shown_name
from scorer.errors import AccessError, ArrivalError, ScorerError
from scorer.photo import LARGEST_FILE_BYTES

OFFICER = Person("Ines", frozenset({Role.OFFICER}))
MANAGER = Person("Maro", frozenset({Role.MANAGER}))
JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8


def hand_in(delivery: Delivery, name: str, *chunks: bytes) -> Receiving:
    receiving = Receiving(delivery, name)
    for chunk in chunks:
        receiving.add(chunk)
    return receiving


def files_under(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def left_in(delivery: Delivery) -> set[str]:
    return files_under(delivery.folder) - {"delivery.json"}


@pytest.fixture
def delivery(tmp_path: Path) -> Delivery:
    return begin_delivery(OFFICER, tmp_path / "inbox")


def test_a_photo_in_pieces_arrives_byte_for_byte_and_is_described(delivery: Delivery) -> None:
    (item,) = hand_in(delivery, "IMG_0042.JPG", JPEG[:5], JPEG[5:700], JPEG[700:]).finish()
    assert item.photo.read_bytes() == JPEG
    assert (item.number, item.shown, item.kind, item.who) == (1, "IMG_0042.JPG", Kind.JPEG, "Ines")
    assert item.sha256 == hashlib.sha256(JPEG).hexdigest()
    assert item.size_bytes == len(JPEG)


def test_a_restart_finds_every_photo_again(delivery: Delivery) -> None:
    handed_in = [hand_in(delivery, f"{n}.jpg", JPEG, bytes([n])).finish()[0] for n in range(12)]
    again = find_delivery(OFFICER, delivery.folder.parent, delivery.key)
    assert again == delivery
    assert list(items_of(again)) == handed_in


def test_a_file_still_arriving_is_no_photo_of_the_delivery(delivery: Delivery) -> None:
    with hand_in(delivery, "a.jpg", JPEG):
        assert items_of(delivery) == ()
    assert left_in(delivery) == set()


def test_two_officers_do_not_mix(tmp_path: Path) -> None:
    one, two = (begin_delivery(Person(name, frozenset({Role.OFFICER})), tmp_path) for name in ("Ines", "Tavi"))
    hand_in(one, "a.jpg", JPEG).finish()
    assert one.key != two.key
    assert len(items_of(one)) == 1
    assert items_of(two) == ()


def test_only_who_may_hand_in_begins_or_finds_a_delivery(tmp_path: Path) -> None:
    with pytest.raises(AccessError, match="may not hand in photos"):
        begin_delivery(MANAGER, tmp_path)
    assert list(tmp_path.iterdir()) == []
    delivery = begin_delivery(OFFICER, tmp_path)
    with pytest.raises(AccessError):
        find_delivery(MANAGER, tmp_path, delivery.key)


@pytest.mark.parametrize("key", ["", "..", "../inbox", "a" * 32, "A" * 32, "\0", "/etc/passwd"])
def test_a_delivery_that_is_not_there_is_not_found(tmp_path: Path, key: str) -> None:
    begin_delivery(OFFICER, tmp_path / "inbox")
    with pytest.raises(ArrivalError, match="begin a new one"):
        find_delivery(OFFICER, tmp_path / "inbox", key)


def test_what_is_no_photo_is_refused_with_its_first_bytes(delivery: Delivery) -> None:
    receiving = Receiving(delivery, "tray.jpg")
    with pytest.raises(ArrivalError, match=r"^tray\.jpg is no photo"):
        receiving.add(b"<!doctype html><script>alert(1)</script>")
    assert left_in(delivery) == set()


def test_the_ending_of_a_name_tells_nothing(delivery: Delivery) -> None:
    png = b"\x89PNG\r\n\x1a\n" + bytes(40)
    (item,) = hand_in(delivery, "tray.heic", png).finish()
    assert (item.kind, item.photo.name) == (Kind.PNG, "photo.png")


def test_an_empty_file_is_refused(delivery: Delivery) -> None:
    with pytest.raises(ArrivalError, match="is empty"):
        Receiving(delivery, "tray.jpg").finish()
    assert left_in(delivery) == set()


def test_a_photo_that_is_too_large_is_refused_at_the_byte_too_much(delivery: Delivery) -> None:
    receiving = hand_in(delivery, "tray.jpg", JPEG)
    rest = bytes(1_000_000)
    for _ in range(LARGEST_FILE_BYTES // len(rest) - 1):
        receiving.add(rest)
    receiving.add(bytes(LARGEST_FILE_BYTES - len(JPEG) - len(rest) * (LARGEST_FILE_BYTES // len(rest) - 1)))
    with pytest.raises(ArrivalError, match="more than 60 MB"):
        receiving.add(b"\0")
    assert left_in(delivery) == set()


def test_nothing_is_added_to_a_file_that_was_given_up(delivery: Delivery) -> None:
    receiving = hand_in(delivery, "tray.jpg", JPEG)
    receiving.abandon()
    receiving.abandon()
    with pytest.raises(ValueError, match="given up"):
        receiving.add(b"x")


def test_files_that_begin_at_the_same_time_get_a_number_each(delivery: Delivery) -> None:
    with ThreadPoolExecutor(8) as pool:
        folders = list(pool.map(lambda _: new_folder(delivery), range(64)))
    assert sorted(int(folder.name) for folder in folders) == list(range(1, 65))


FULL_DISK = """
import resource, sys
from pathlib import Path
from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import begin_delivery
from scorer.arrivals.incoming import Receiving
from scorer.errors import ArrivalError
delivery = begin_delivery(Person("Ines", frozenset({Role.OFFICER})), Path(sys.argv[1]))
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
receiving = Receiving(delivery, "tray.jpg")
try:
    receiving.add(b"\\xff\\xd8\\xff" + bytes(50))
    receiving.add(bytes(200_000))
    receiving.finish()
except ArrivalError as refusal:
    print(refusal)
print(sorted(path.name for path in delivery.folder.rglob("*")))
"""


def test_a_disk_that_takes_no_more_is_one_sentence_and_leaves_no_part(tmp_path: Path) -> None:
    """The system itself refuses to write on: setrlimit(2), RLIMIT_FSIZE."""
    ran = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(tmp_path)], capture_output=True, text=True, check=True, timeout=120
    )
    assert "tray.jpg could not be taken to disk (File too large); make room there and hand it in again." in ran.stdout
    assert "['delivery.json']" in ran.stdout


MEMORY = """
import resource, sys
from pathlib import Path
from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import begin_delivery
from scorer.arrivals.incoming import Receiving
delivery = begin_delivery(Person("Ines", frozenset({Role.OFFICER})), Path(sys.argv[1]))
start, chunk = b"\\xff\\xd8\\xff" + bytes(64 * 1024 - 3), bytes(64 * 1024)
def hand_in():
    receiving = Receiving(delivery, "tray.jpg")
    receiving.add(start)
    for _ in range(int(sys.argv[3]) // len(chunk)):
        receiving.add(chunk)
    receiving.finish()[0].photo.unlink()
hand_in()
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
for _ in range(int(sys.argv[2])):
    hand_in()
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1000)
"""


def memory_raised_mb(folder: Path, photos: int, size_bytes: int) -> float:
    """By how much taking in so many photos raises the peak memory of a process of its own (getrusage(2), in kB)."""
    command = [sys.executable, "-c", MEMORY, str(folder), str(photos), str(size_bytes)]
    return float(subprocess.run(command, capture_output=True, text=True, check=True, timeout=300).stdout)


def test_many_photos_need_no_more_memory_than_one(tmp_path: Path) -> None:
    assert memory_raised_mb(tmp_path, photos=20, size_bytes=5_000_000) < 5


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\Users\\Ines\\tray 1.jpg", "tray 1.jpg"),
        ("/", "photo"),
        ("..", "photo"),
        ("", "photo"),
        ("tr\x00ay\x1b[31m.jpg", "tray[31m.jpg"),
        ("tray\u202egpj.exe", "traygpj.exe"),  # U+202E turns the writing direction, Unicode Standard Annex 9
        ("a" * 500, "a" * LONGEST_NAME),
    ],
)
def test_the_name_shown_is_the_bare_last_part_without_control_characters(sent: str, shown: str) -> None:
    assert shown_name(sent) == shown


@settings(max_examples=300)
@given(st.binary(max_size=80), st.one_of(st.binary(max_size=200), st.binary(max_size=200).map(lambda b: JPEG + b)))
def test_any_name_and_content_gives_a_photo_or_a_refusal_and_no_file_elsewhere(name: bytes, content: bytes) -> None:
    with TemporaryDirectory() as folder:
        outside = Path(folder)
        delivery = begin_delivery(OFFICER, outside / "inbox")
        refused = ""
        try:
            hand_in(delivery, name.decode("utf-8", "surrogateescape"), content).finish()
        except ScorerError as refusal:
            refused = str(refusal)
        if refused:
            assert refused.endswith(".")
            assert left_in(delivery) == set()
        else:
            (item,) = items_of(delivery)
            assert item.photo.read_bytes() == content
            assert not [c for c in item.shown if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp")]
            assert 0 < len(item.shown) <= LONGEST_NAME
            assert "/" not in item.shown
            assert "\\" not in item.shown
        assert {path.split("/")[:2][1] for path in files_under(outside)} == {delivery.key}


def test_the_sweep_at_the_start_removes_what_was_broken_off_and_keeps_what_waits(delivery: Delivery) -> None:
    (waiting,) = hand_in(delivery, "waits.jpg", JPEG).finish()
    broken_off = hand_in(delivery, "broken_off.jpg", JPEG)  # as if the computer were switched off here
    sweep_inbox(delivery.folder.parent, datetime.now(UTC) + 2 * KEPT_FOR)
    assert items_of(delivery) == (waiting,)
    assert {path.split("/")[0] for path in left_in(delivery)} == {"00001"}
    broken_off.abandon()


def test_the_sweep_removes_a_delivery_that_has_long_been_done_with(delivery: Delivery) -> None:
    inbox = delivery.folder.parent
    sweep_inbox(inbox, datetime.now(UTC) + KEPT_FOR - timedelta(hours=1))
    assert delivery.folder.exists()
    sweep_inbox(inbox, datetime.now(UTC) + KEPT_FOR + timedelta(hours=1))
    assert not delivery.folder.exists()
