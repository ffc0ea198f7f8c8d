"""Fruit verdicts as a plain list: read line by line, or refused with the line that is wrong."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from scorer.errors import ClockError, LabelsError
from scorer.labels.label_file import LabelFile
from scorer.labels.photos_there import PhotoThere
from scorer.labels.verdict_list import photo_names_in_list, read_verdicts
from tests.label_files import WHEN, drawn_photos

HEAD = "photo,fruit,verdict,who,said_at\n"
Photos = dict[str, PhotoThere]


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Photos:
    return drawn_photos(tmp_path_factory.mktemp("photos"))


def read(folder: Path, text: str | bytes, photos: Photos, **how: Any) -> LabelFile:
    path = folder / "verdicts.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_verdicts(path, photos, **how)


def test_each_line_is_one_persons_word_on_one_fruit(tmp_path: Path, photos: Photos) -> None:
    file = read(
        tmp_path,
        HEAD + "tray_1.png,1,downgraded,Finch,2026-02-14T07:30\ntray_1.png,2,sound,Wattle,2026-02-14T07:30Z\n",
        photos,
    )
    verdicts = file.labels.verdicts
    (tray_1,) = [sha256 for sha256, photo in photos.items() if photo.name == "tray_1.png"]
    assert verdicts[["sha256", "fruit", "downgraded", "who"]].to_numpy().tolist() == [
        [tray_1, 1, True, "Finch"],
        [tray_1, 2, False, "Wattle"],
    ]
    assert verdicts["said_at"].tolist() == [WHEN, WHEN]
    assert (file.form, len(file.labels.photos), len(file.labels.outlines)) == ("verdicts", 0, 0)


@pytest.mark.parametrize(
    ("word", "downgraded"),
    [("downgraded", True), ("Yes", True), ("sound", False), ("NO", False), ("not  downgraded", False)],
)
def test_words_for_a_verdict(tmp_path: Path, photos: Photos, word: str, downgraded: bool) -> None:
    file = read(tmp_path, f"photo,fruit,verdict\ntray_1.png,1,{word}\n", photos, who="Finch", said_at=WHEN)
    assert file.labels.verdicts["downgraded"].tolist() == [downgraded]


def test_a_spreadsheets_own_ways_are_read(tmp_path: Path, photos: Photos) -> None:
    """Byte order mark, semicolons, Windows line ends, quotes, an empty line, one not filled in, and a path's guard."""
    text = '\ufeffPhoto;Fruit;Verdict\r\n"./tray_1.png";1;sound\r\n;;\r\ntray_2.png;1;\r\n'
    file = read(tmp_path, text, photos, who="Finch", said_at=WHEN)
    assert file.labels.verdicts["fruit"].tolist() == [1]
    assert photo_names_in_list(tmp_path / "verdicts.csv") == ["tray_1.png", "tray_2.png"]


def test_times_without_a_zone_are_the_sheds(tmp_path: Path, photos: Photos) -> None:
    """Darwin keeps UTC+9:30 all year; Madrid's clocks leave out 2:00 to 3:00 on 29 March 2026 (IANA database)."""
    line = HEAD + "tray_1.png,1,sound,Finch,2026-02-14 17:00\n"
    file = read(tmp_path, line, photos, zone=ZoneInfo("Australia/Darwin"))
    assert file.labels.verdicts["said_at"].tolist() == [WHEN]
    with pytest.raises(ClockError, match="does not exist in Europe/Madrid"):
        read(tmp_path, HEAD + "tray_1.png,1,sound,Finch,2026-03-29 02:30\n", photos, zone=ZoneInfo("Europe/Madrid"))


def test_two_people_on_one_fruit_stay_two(tmp_path: Path, photos: Photos) -> None:
    text = HEAD + "tray_1.png,1,downgraded,Finch,2026-02-14\ntray_1.png,1,sound,Wattle,2026-02-14\n"
    assert read(tmp_path, text, photos).labels.verdicts["downgraded"].tolist() == [True, False]


def test_the_same_said_twice_is_said_once_and_a_week_later_again(tmp_path: Path, photos: Photos) -> None:
    line = "tray_1.png,1,sound,Finch,2026-02-{}\n"
    file = read(tmp_path, HEAD + "".join(line.format(day) for day in ("14", "14", "21", "14")), photos)
    assert [moment.day for moment in file.labels.verdicts["said_at"]] == [14, 21]
    assert file.labels.newest().verdicts["said_at"].tolist() == [datetime(2026, 2, 21, tzinfo=UTC)]


WHOLE = "tray_1.png,1,sound,Finch,2026-02-14\n"
BAD: dict[str, tuple[str | bytes, str]] = {
    "nothing": ("", "verdicts.csv is empty"),
    "a head alone": (HEAD, "verdicts.csv has no lines"),
    "nothing filled in": (HEAD + "tray_1.png,1,,Finch,\n", "no verdict on any line"),
    "not UTF-8": (b"photo,fruit,verdict\ntray_\xff.png,1,sound\n", "line 2: not UTF-8 text"),
    "a zip": (b"PK\x03\x04\x00\x00", "line 1: unknown column pk"),
    "a strange column": ("photo,fruit,verdict,colour\nx,1,sound,red\n", "line 1: unknown column colour"),
    "no column verdict": ("photo,fruit\nx,1\n", "line 1: the column verdict is missing"),
    "a column twice": ("photo,fruit,verdict,fruit\nx,1,sound,1\n", "line 1: column fruit stands there twice"),
    "a cell too many": (HEAD + WHOLE + "a,b,c,d,e,f\n", "line 3: expected 5 cells .* but found 6"),
    "an open quote": (HEAD + '"tray_1.png,1,sound\n', "line 2: not a CSV line"),
    "an unknown verdict": (HEAD + "tray_1.png,1,fine,Finch,2026-02-14\n", "line 2: verdict is fine; write"),
    "fruit 0": (HEAD + "tray_1.png,0,sound,Finch,2026-02-14\n", "line 2: fruit is 0; it is a number from 1"),
    "fruit in words": (HEAD + "tray_1.png,one,sound,Finch,2026-02-14\n", "line 2: fruit is one"),
    "a fruit beyond all": (HEAD + f"tray_1.png,{'9' * 5000},sound,Finch,2026-02-14\n", "line 2: fruit is 999"),
    "digits of another script": (HEAD + "tray_1.png,٣,sound,Finch,2026-02-14\n", "line 2: fruit is"),
    "nobody": (HEAD + "tray_1.png,1,sound,,2026-02-14\n", "line 2 does not tell who says it"),
    "no time": (HEAD + "tray_1.png,1,sound,Finch,\n", "line 2 does not tell when it was said"),
    "a time that is none": (HEAD + "tray_1.png,1,sound,Finch,noon\n", "line 2: said_at is noon, not a date"),
    "no photo": (HEAD + ",1,sound,Finch,2026-02-14\n", "line 2: no photo is named"),
    "a photo that is not there": (
        HEAD + WHOLE + "gone.png,1,sound,Finch,2026-02-14\n",
        r"verdicts for 1 photos that are not there \(gone.png\)",
    ),
    "a contradiction": (
        HEAD + WHOLE + "tray_2.png,1,sound,Finch,2026-02-14\ntray_1.png,1,yes,Finch,2026-02-15\n",
        "lines 2 and 4 contradict each other: Finch calls fruit 1 of tray_1.png downgraded and sound",
    ),
}


@pytest.mark.parametrize("what", BAD)
def test_what_cannot_be_meant_is_one_sentence(tmp_path: Path, photos: Photos, what: str) -> None:
    text, sentence = BAD[what]
    with pytest.raises(LabelsError, match=sentence) as refusal:
        read(tmp_path, text, photos)
    said = str(refusal.value)
    assert (said[-1], said.count("\n"), len(said) < 400) == (".", 0, True)


def test_a_name_that_two_photos_share_is_told_by_its_path(tmp_path: Path) -> None:
    for folder in ("monday", "tuesday"):
        (tmp_path / folder).mkdir()
    one = PhotoThere(tmp_path / "a.png", "monday/a.png", "a" * 64, (200, 150))
    other = PhotoThere(tmp_path / "b.png", "tuesday/a.png", "b" * 64, (200, 150))
    photos = {photo.sha256: photo for photo in (one, other)}
    with pytest.raises(LabelsError, match=r"line 2: a.png can be any of 2 photos of that name"):
        read(tmp_path, HEAD + "a.png,1,sound,Finch,2026-02-14\n", photos)
    file = read(tmp_path, HEAD + "tuesday/a.png,1,sound,Finch,2026-02-14\n", photos)
    assert file.labels.verdicts["sha256"].tolist() == ["b" * 64]
