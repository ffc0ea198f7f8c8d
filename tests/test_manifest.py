"""The manifest: every spelling a spreadsheet writes, and one sentence for each mistake."""

from dataclasses import replace
from datetime import datetime

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.errors import ManifestError
from scorer.manifest import TAG_COLUMNS, merge, read_manifest, read_tag_list
from scorer.tag import TWO_TAGS, Tag, parse_tag

WHEN = datetime(2025, 2, 14, 7, 30)


@pytest.fixture
def written(tmp_path):
    def write(content):
        path = tmp_path / "photos.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("separator", [",", ";"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_spreadsheet_spellings_are_read(written, mark, separator, end):
    lines = (
        ("Photo", "crew", "bin", "picked_at", "method", "side"),
        ("monday/1.jpg", "Süd", "17", "2025-02-14T07:30", "snip", "A"),
        ("", "", "", "", "", ""),
        (r"monday\2.jpg", '"a, b; c"', "", "2025-02-14 07:30", "", ""),
    )
    path = written(mark + end.join(separator.join(line) for line in lines) + end)
    assert read_manifest(path) == {
        "monday/1.jpg": Tag("Süd", "17", WHEN, "snip", "A"),
        "monday/2.jpg": Tag("a, b; c", None, WHEN),
    }


def test_any_columns_besides_photo_will_do(written):
    assert read_manifest(written("bin,photo\n4,./a.jpg\n")) == {"a.jpg": Tag(bin="4")}
    assert read_manifest(written("photo\na.jpg\n")) == {"a.jpg": Tag()}


@given(st.lists(st.text("abcdefgh,;\"' é", min_size=1, max_size=20), min_size=1, max_size=5))
def test_what_pandas_writes_comes_back(tmp_path_factory, crews):
    # pandas.DataFrame.to_csv as another writer of CSV
    path = tmp_path_factory.mktemp("manifest") / "photos.csv"
    photos = [f"{number}.jpg" for number in range(len(crews))]
    pd.DataFrame({"photo": photos, "crew": crews}).to_csv(path, index=False)
    read = read_manifest(path)
    assert list(read) == photos
    assert [tag.crew for tag in read.values()] == [" ".join(crew.split()) or None for crew in crews]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "photos.csv is empty"),
        ("photo,crew\n", "photos.csv is empty"),
        ("crew,bin\nNorth,1\n", "line 1: the column photo is missing"),
        ("photo,colour\n1.jpg,red\n", "line 1: unknown column colour"),
        ("photo,\n1.jpg,red\n", "line 1: unknown column (without a name)"),
        ("photo,crew,crew\n1.jpg,a,b\n", "line 1: column crew stands there twice"),
        ("photo\n1.jpg\n2.jpg\n./1.jpg\n", "line 4: photo 1.jpg is named a second time"),
        ("photo,picked_at\n1.jpg,14.2.2025\n", "line 2: picked_at is 14.2.2025, not a date and time"),
        ("photo,picked_at\n1.jpg,2025-02-30T07:30\n", "line 2: picked_at is 2025-02-30T07:30"),
        ("photo,crew\n1.jpg,a,b\n", "line 2: expected 2 cells (photo, crew) but found 3"),
        ("photo,crew\n,a\n", "line 2: no photo is named"),
        ("photo,crew\n../1.jpg,a\n", "line 2: no photo is named"),
        ("photo,crew\n/home/1.jpg,a\n", "line 2: /home/1.jpg is a full path"),
        ("photo,crew\nC:\\1.jpg,a\n", "line 2: C:/1.jpg is a full path"),
        ("photo,crew\n1.jpg," + "n" * 61 + "\n", "line 2: crew is longer than 60 characters"),
        ('photo,crew\n1.jpg,"a"b\n', "line 2: not a CSV line"),
        ("photo,crew\n1.jpg,a\n2.jpg,Süd\n".encode("latin-1"), "line 3: not UTF-8"),
        ("photo,crew\n1.jpg,a\n".encode("utf-16"), "line 1: not UTF-8"),
    ],
)
def test_each_mistake_is_told_in_one_sentence(written, content, sentence):
    with pytest.raises(ManifestError) as refusal:
        read_manifest(written(content))
    assert str(refusal.value).startswith("photos.csv")
    assert sentence in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(ManifestError, match=r"none\.csv cannot be read"):
        read_manifest(tmp_path / "none.csv")


def test_tags_to_print_need_no_photo_but_a_crew_or_bin(written):
    assert read_tag_list(written("crew,bin\nNorth,1\nNorth,1\n,2\n")) == [Tag("North", "1")] * 2 + [Tag(bin="2")]
    with pytest.raises(ManifestError, match="line 3: a tag needs a crew or a bin"):
        read_tag_list(written("crew,method\nNorth,snip\n,snip\n"))


def test_the_manifest_goes_before_the_tag_where_it_says_something():
    tag = Tag("North", "17", WHEN, "snip", "A")
    assert merge(tag, Tag(crew="South", side="B")) == replace(tag, crew="South", side="B")
    assert merge(tag, None) == merge(tag, Tag()) == merge(None, tag) == merge(Tag(), tag) == tag
    assert merge(None, None) == Tag()


def test_a_doubt_goes_only_when_the_manifest_settles_it():
    tag = parse_tag("crew=North&bin=1&picked=soon&side=%FF")
    assert merge(tag, Tag(crew="South")).doubts == tag.doubts
    assert merge(tag, Tag(picked_at=WHEN)).doubts == ("side has unreadable letters",)
    two = Tag(doubts=(TWO_TAGS,))
    assert merge(two, Tag(crew="North")) == Tag("North", doubts=(TWO_TAGS,))
    assert merge(two, Tag("North", "1")) == Tag("North", "1")


some = st.builds(Tag, *[st.none() | st.sampled_from(["a", "b"])] * 2, st.none() | st.just(WHEN))


@given(some, some)
def test_merging_takes_each_field_from_one_of_the_two(tag, override):
    merged = merge(tag, override)
    for name in TAG_COLUMNS:
        given_value = getattr(override, name)
        assert getattr(merged, name) == (getattr(tag, name) if given_value is None else given_value)
