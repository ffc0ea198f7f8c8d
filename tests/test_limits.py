"""The limit tables against the published values, and one sentence for each mistake in a shed's own table."""

import tomllib

import pytest

from scorer.errors import LimitsError
from scorer.limits import COMMON_PRACTICE, FROM_MEMORY, OUR_OWN, READ, available_limits, load_limits
from scorer.resources import shared_folder

SHED = (shared_folder() / "limits" / "shed.toml").read_text(encoding="utf-8")
CXS = (shared_folder() / "limits" / "cxs_184.toml").read_text(encoding="utf-8")


# cm2 of skin defects by size code. CXS 184-1993 and UNECE FFV-45 (2017): from memory.
# Indian grading rules (Agmark): read at leafconagro.com/mangoes-agromark.
@pytest.mark.parametrize(
    ("table", "codes", "first", "second"),
    [
        ("cxs_184", "ABC", (3, 4, 5), (5, 6, 7)),
        ("ffv_45", "ABCD", (3, 4, 5, 6), (5, 6, 7, 8)),
        ("indian_grading", "ABCD", (2, 3, 4, 5), (4, 5, 6, 7)),
    ],
)
def test_areas_of_the_published_tables(table, codes, first, second):
    limits = load_limits(table)
    assert [each.name for each in limits.classes] == ["I", "II"]
    assert limits.classes[0].area_cm2 == dict(zip(codes, first, strict=True))
    assert limits.classes[1].area_cm2 == dict(zip(codes, second, strict=True))


def test_the_shed_table_is_marked_as_our_own():
    limits = load_limits("shed")
    assert [(each.words, each.area_cm2) for each in limits.classes] == [
        ("first class", {"": 2.0}),
        ("second class", {"": 6.0}),
    ]
    assert set(limits.known.values()) == {OUR_OWN}
    assert "our own starting point, no standard" in limits.label
    assert not limits.from_memory


def test_values_from_memory_show_in_the_label():
    assert load_limits("cxs_184").label == "CXS 184 (size codes and class limits from memory)"
    assert load_limits("ffv_45").label == "FFV-45 (size codes and class limits from memory)"
    assert load_limits("indian_grading").label == "Indian grading rules (size codes from memory)"
    assert all(load_limits(name).from_memory for name in ("cxs_184", "ffv_45", "indian_grading"))


def test_how_each_part_is_known():
    assert load_limits("indian_grading").known == {
        "size_codes": FROM_MEMORY,
        "classes": READ,
        "open_wounds": COMMON_PRACTICE,
    }


def test_every_table_that_comes_along_can_be_read():
    assert available_limits() == ("cxs_184", "ffv_45", "indian_grading", "shed")
    for name in available_limits():
        limits = load_limits(name)
        assert limits.title
        assert limits.source
        assert limits.note
        # Defect guide of the Fruit and Vegetable Research Institute, Viet Nam: a cut is slight from 0.5 cm.
        assert limits.open_wounds_mm["cut"] == 5


def test_a_shed_can_bring_its_own_table(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(SHED.replace("area_cm2 = 2", "area_cm2 = 1.5").replace("cut_mm = 5\n", ""), encoding="utf-8")
    limits = load_limits(path)
    assert limits.classes[0].area_cm2 == {"": 1.5}
    assert limits.open_wounds_mm == {"stem_puncture": 3.0}
    assert load_limits(str(path)) == limits


def test_a_table_need_not_rule_on_wounds(tmp_path):
    path = tmp_path / "mine.toml"
    text = SHED[: SHED.index("[open_wounds]")].replace('open_wounds = "our own"', "")
    path.write_text(text, encoding="utf-8")
    assert load_limits(path).open_wounds_mm == {}


@pytest.mark.parametrize(
    ("original", "old", "new", "sentence"),
    [
        (SHED, "area_cm2 = 2", "area_cm2 = -2", "classes first, area_cm2: a number of 0 or more is expected"),
        (
            SHED,
            "area_cm2 = 2",
            "area_cm2 = nan",
            "classes first, area_cm2: a number of 0 or more is expected",
        ),
        (
            SHED,
            "area_cm2 = 2",
            "area_cm2 = true",
            "classes first, area_cm2: a number of 0 or more is expected",
        ),
        (
            SHED,
            "area_cm2 = 2",
            'area_cm2 = "2"',
            "classes first, area_cm2: a number of 0 or more is expected",
        ),
        (
            SHED,
            "area_cm2 = 2",
            "area_cm2 = 7",
            "classes second, area_cm2: it allows less than the better class",
        ),
        (SHED, 'name = "second"', 'name = "first"', "classes first: the name stands there twice"),
        (SHED, 'words = "first class"', "", "classes first, words: a text is expected"),
        (SHED, 'name = "shed table"', "", "name: a text is expected"),
        (SHED, 'name = "shed table"', 'nane = "shed table"', "nane: unknown key"),
        (SHED, 'classes = "our own"', "", "known.classes: say how these values are known"),
        (SHED, 'classes = "our own"', 'classes = "sure"', "known.classes: say how these values are known"),
        (SHED, "[known]", '[known]\nsize_codes = "read"', "known.size_codes: the table has no such part"),
        (SHED, "cut_mm", "bruise_mm", "open_wounds: only cut_mm, stem_puncture_mm are known"),
        (SHED, "[[classes]]", "[[klasses]]", "klasses: unknown key"),
        (CXS, "from_g = 351", "from_g = 352", "size_codes B: it does not begin 1 g above the end of A"),
        (CXS, "from_g = 200", "from_g = 199.5", "size_codes A: masses are whole grams"),
        (CXS, "to_g = 350", "to_g = 150", "size_codes A: to_g 150 lies below from_g 200"),
        (CXS, 'code = "B"', 'code = "A"', "size_codes A: the code stands there twice"),
        (CXS, "to_g = 350", "", "size_codes B: it does not begin 1 g above the end of A"),
        (CXS, "{ A = 3, B = 4, C = 5 }", "{ A = 3, B = 4 }", "classes I, area_cm2: one area for each"),
        (CXS, "{ A = 3, B = 4, C = 5 }", "3", "classes I, area_cm2: one area for each"),
        (CXS, "note = ", "note == ", "is not a TOML table"),
    ],
)
def test_each_mistake_is_told_in_one_sentence(tmp_path, original, old, new, sentence):
    assert old in original
    path = tmp_path / "mine.toml"
    path.write_text(original.replace(old, new), encoding="utf-8")
    with pytest.raises(LimitsError) as refusal:
        load_limits(path)
    assert str(refusal.value).startswith("mine.toml")
    assert sentence in str(refusal.value)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("text", ["", "classes = 3\n", "classes = []\n", "size_codes = 1\n", "[known]\n"])
def test_a_table_of_another_form_is_refused(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LimitsError):
        load_limits(path)


def test_a_table_that_is_not_there_is_told(tmp_path):
    with pytest.raises(LimitsError, match="no limit table cxs; give a file or one of cxs_184"):
        load_limits("cxs")
    with pytest.raises(LimitsError, match=r"none\.toml cannot be read"):
        load_limits(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes('name = "Süd"'.encode("latin-1"))
    with pytest.raises(LimitsError, match=r"latin\.toml is not a TOML table"):
        load_limits(tmp_path / "latin.toml")


@pytest.mark.parametrize("name", available_limits())
def test_the_file_itself_says_how_its_values_are_known(name):
    raw = tomllib.loads((shared_folder() / "limits" / f"{name}.toml").read_text(encoding="utf-8"))
    assert set(raw["known"]) == {"classes", "open_wounds"} | ({"size_codes"} if "size_codes" in raw else set())
