"""What a crew is told to look at: chosen by its own marks, with the numbers said, and honest where there are few."""

from datetime import time

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from scorer.advice.costliest import costliest_kinds
from scorer.advice.evidence import MOSTLY_CONFIDENCE, mostly, sightings, start_mm
from scorer.advice.practice_table import load_practices, plain_method
from scorer.advice.practices import NO_MARKS, NO_METHOD, NO_PATTERN, STEM_END_TAKEN, TOO_CLOSE, TOO_FEW_MARKS
from scorer.advice.practices import choose_practices as choose
from scorer.errors import PracticesError
from scorer.language import load_language
from scorer.limits import COMMON_PRACTICE
from scorer.resources import shared_folder
from scorer.score_tables import KINDS

TABLE = (shared_folder() / "advice" / "practices.toml").read_text(encoding="utf-8")
ENGLISH = load_language("en")

# A trail down from the stem end, a splash beside it, and a blotch on the cheek.
TRAIL = {"stem_distance_mm": 20.0, "stem_direction": 0.98, "length_mm": 30.0, "width_mm": 6.0, "elongation": 5.0}
SPLASH = {"stem_distance_mm": 14.0, "stem_direction": 0.2, "length_mm": 10.0, "width_mm": 8.0, "elongation": 1.25}
BLOTCH = {"stem_distance_mm": 70.0, "stem_direction": 0.5, "length_mm": 14.0, "width_mm": 11.0, "elongation": 1.3}
CUT = {"stem_distance_mm": 15.0, "stem_direction": 0.5, "length_mm": 12.0, "width_mm": 1.5, "elongation": 8.0}


def season(marks_of_fruit, *, crew="Bowerbird", fruit_per_bin=4, defective=None, method="aid", hour=9):
    """Tables of fruit and marks: ``marks_of_fruit`` lists each fruit's marks, bins are filled in that order."""
    count = len(marks_of_fruit)
    fruit = pd.DataFrame(
        {
            "photo": [f"{crew}_{index // fruit_per_bin}.jpg" for index in range(count)],
            "fruit": np.arange(count) % fruit_per_bin + 1,
            "crew": crew,
            "bin": [f"B{index // fruit_per_bin}" for index in range(count)],
            "method": method,
            "hour": hour,
            "defective": [bool(each) for each in marks_of_fruit] if defective is None else defective,
        }
    )
    rows = [
        {"photo": fruit["photo"][index], "fruit": fruit["fruit"][index], "kind": kind, "area_mm2": 80.0, **measures}
        for index, of_fruit in enumerate(marks_of_fruit)
        for kind, measures in of_fruit
    ]
    columns = ["photo", "fruit", "kind", "area_mm2", *TRAIL]
    return fruit, pd.DataFrame(rows, columns=columns)


def of(kind, measures, count):
    return [[(kind, measures)] for _ in range(count)]


def mixed(many, few):
    """Marks with the few spread evenly among the many, as where bins do not differ."""
    step = -(-(len(many) + len(few)) // len(few))
    for place, each in enumerate(few, start=1):
        many = [*many[: place * step - 1], each, *many[place * step - 1 :]]
    return many


def said(advice):
    return " ".join(ENGLISH.say(reason) for each in advice.chosen for reason in each.reasons)


def ids(advice):
    return [each.line.id for each in advice.chosen]


# The table


# What the trade looks at: common practice, no source
@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("sap_burn", "in the wash within 5 seconds"),
        ("sap_burn", "under the spray or in the bath for a full minute"),
        ("sap_burn", "every fruit in it wet"),
        ("sap_burn", "hands and gloves washed of sap"),
        ("sap_burn", "10 to 20 cm of stem"),
        ("sap_burn", "under the detergent when its stem is cut"),
        ("abrasion", "dust and dirt"),
        ("abrasion", "leaves and sticks"),
        ("abrasion", "below the rim of the bin or crate"),
        ("cut", "tips of secateurs"),
        ("cut", "sharp edges"),
        ("cut", "dragged past"),
        ("stem_puncture", "short stems"),
        ("crease", "foam pad in the bin, and is it moved up"),
        ("crease", "rims and slats that fruit can fall onto"),
    ],
)
def test_the_table_has_what_the_trade_looks_at(kind, words):
    assert any(words in line.question for line in load_practices().lines if line.kind == kind)


def test_every_line_says_that_it_has_no_source():
    assert {line.known for line in load_practices().lines} == {COMMON_PRACTICE}


def test_every_line_asks_one_thing_and_says_why():
    for line in load_practices().lines:
        assert line.question.endswith("?"), line.id
        assert line.question.count("?") == 1, line.id
        assert line.why.endswith("."), line.id


def test_work_with_sap_wash_and_blades_comes_with_its_caution():
    practices = load_practices()
    needed = {"sap": r"\bsap\b", "blade": r"secateurs|blade|clipper", "wash": r"\bspray\b|\bbath\b|detergent"}
    for name, words in needed.items():
        lines = [line for line in practices.lines if pd.Series([line.question]).str.contains(words, case=False)[0]]
        assert lines
        assert [line.id for line in lines if name not in line.cautions] == [], name


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("method", ["aid", "stem-on", "pole", "hand", "ladder", None])
def test_every_kind_has_two_lines_for_every_method(kind, method):
    marks = of(kind, BLOTCH, 3)
    advice = choose(*season(marks, method=method), "Bowerbird")
    assert len(set(ids(advice))) == 2
    assert {each.line.kind for each in advice.chosen} == {kind}
    known = {each.line.methods for each in advice.chosen if each.line.methods}
    assert all(method in methods for methods in known)


@pytest.mark.parametrize(
    ("written", "method"),
    [
        ("Harvest_Aid", "aid"),
        ("AID", "aid"),
        ("stem on", "stem-on"),
        ("Con Pedúnculo", "stem-on"),
        ("hand-snap", "hand"),
    ],
)
def test_methods_are_understood_however_they_are_written(written, method):
    assert load_practices().method(written) == method


@given(st.text())
def test_any_text_may_stand_for_a_method(written):
    practices = load_practices()
    assert practices.method(written) in {"", *practices.methods.values()}
    assert plain_method(plain_method(written)) == plain_method(written)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'id = "wash_within_5_seconds"',
            'id = "stems_long"',
            "lines stems_long: the id stands there twice; rename one.",
        ),
        ('id = "sap_late"', 'id = "sap_early"', "patterns sap_early: the id stands there twice"),
        ('kind = "abrasion"', 'kind = "rot"', "found 'rot'; write one of sap_burn"),
        ('methods = ["stem-on"]', 'methods = ["tractor"]', "found 'tractor'; write one of aid, stem-on, pole, hand"),
        ('when = "sap_trails"', 'when = "rub_long"', "found 'rub_long'; write one of sap_trails"),
        ('cautions = ["sap"]', 'cautions = ["sun"]', "found 'sun'; write one of sap, wash"),
        ('known = "common practice, no source"\n', "", "known: found None; write one of read"),
        ("why = ", "reason = ", "reason: unknown key, the keys are id, kind"),
        ("\n[cautions]\n", "\n[warnings]\n", "warnings: unknown key, the keys are methods, cautions, patterns, lines"),
        ("heat = ", "sun = ", "cautions.heat: every sheet carries this caution; write it."),
        ('shift = "late"', 'shift = "noon"', "found 'noon'; write one of early, late"),
        ('shift = "late"\n', "", "either measures or shift is needed, not both"),
        ("{ to = 15 }", '{ to = "15" }', "measures start_mm.to: a number is expected, found '15'"),
        ("{ to = 15 }", "{ to = 15, from = 20 }", "from 20 lies above to 15; exchange them."),
        ("{ start_mm = { to = 15 } }", "{ redness = { to = 15 } }", "found 'redness'; write one of start_mm"),
        ("{ start_mm = { to = 15 } }", "{}", "a table of measures is expected"),
        (
            "{count} of {total} sap-burn marks start",
            "Most marks start",
            "it must name the values count, total in braces",
        ),
        ('hand = ["by hand"', 'hand = ["pole"', "methods.hand: 'pole' already means pole; remove one."),
        ("Count aloud: is", "Count {aloud}: is", "it must name the values"),
        (
            "Count aloud: is",
            "Count aloud" + " slowly" * 20 + ": is",
            "letters, and a sheet has room for 110; shorten it.",
        ),
        (
            'id = "gear_free_of_grit"',
            'when = "rub_late"\nid = "gear_free_of_grit"',
            "lines of abrasion: 2 without methods",
        ),
        ("\n[methods]\n", "\n[methods\n", "is not a TOML table"),
    ],
)
def test_a_table_that_cannot_be_used_is_told_in_one_sentence(tmp_path, old, new, sentence):
    assert old in TABLE
    (tmp_path / "mine.toml").write_text(TABLE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(PracticesError) as refusal:
        load_practices(tmp_path / "mine.toml")
    assert sentence in str(refusal.value)
    assert str(refusal.value).startswith("mine.toml")


def test_a_table_may_lie_in_several_files(tmp_path):
    cut = TABLE.index("# -----", TABLE.index("sap_burn"))
    (tmp_path / "1.toml").write_text(TABLE[:cut], encoding="utf-8")
    (tmp_path / "2.toml").write_text(TABLE[cut:], encoding="utf-8")
    assert load_practices(tmp_path) == load_practices()


def test_a_folder_without_a_table_is_refused(tmp_path):
    with pytest.raises(PracticesError, match="holds no table of practices"):
        load_practices(tmp_path)


# Where marks lie


@settings(max_examples=40)
@given(
    st.floats(0, 120), st.floats(0, 1), st.floats(1, 60), st.floats(0.1, 1), st.sampled_from([-1, 1])
)  # fmt: skip
def test_a_marks_nearest_point_is_that_of_an_ellipse_along_the_way_to_the_stem_end(far, cosine, length, slim, side):
    width = length * slim
    turn = side * np.arccos(cosine)
    around = np.linspace(0, 2 * np.pi, 20_001)
    # points of the ellipse's edge, by its definition; the stem end lies at x = far
    x = length / 2 * np.cos(around) * np.cos(turn) - width / 2 * np.sin(around) * np.sin(turn)
    mark = pd.DataFrame(
        {"stem_distance_mm": [far], "stem_direction": [cosine], "length_mm": [length], "width_mm": [width]}
    )
    assert start_mm(mark).item() == pytest.approx(max(0.0, far - x.max()), abs=1e-4)


@pytest.mark.parametrize("marks", [3, 14, 60])
def test_mostly_means_that_the_interval_keeps_clear_of_one_half(marks):
    for true in range(marks + 1):
        table = pd.DataFrame({"crew": "Curlew", "bin": range(marks), "so": np.arange(marks) < true})
        # statsmodels: Jeffreys' interval where every bin gives one mark, Clopper and Pearson's where all marks are so
        method = "beta" if true == marks else "jeffreys"
        low, _ = proportion_confint(true, marks, alpha=1 - MOSTLY_CONFIDENCE, method=method)
        assert mostly(table, "Curlew", true="so") == (low > 0.5)


def test_marks_of_few_bins_say_less_than_as_many_of_many_bins():
    so = np.array([True] * 13 + [False] * 7)
    many = pd.DataFrame({"crew": "Curlew", "bin": range(20), "so": so})
    few = many.assign(bin=np.repeat([0, 1, 2], [7, 6, 7]))
    assert mostly(many, "Curlew", true="so")
    assert not mostly(few, "Curlew", true="so")


def test_trails_from_the_stem_end_say_spurt():
    advice = choose(*season(mixed(of("sap_burn", TRAIL, 11), of("sap_burn", BLOTCH, 3))), "Bowerbird")
    assert ids(advice) == ["stem_under_spray", "stem_under_spray_at_stem_end"]
    assert "11 of 14 sap-burn marks are trails that run down from the stem end" in said(advice)
    assert "11 of 14 sap-burn marks start within 15 mm of the stem end" in said(advice)
    assert STEM_END_TAKEN in [note.message for note in advice.notes]


def test_splashes_at_the_stem_end_say_spurt_without_being_trails():
    advice = choose(*season(of("sap_burn", SPLASH, 14)), "Bowerbird")
    assert advice.chosen[0].line.id == "stem_under_spray_at_stem_end"
    assert "14 of 14 sap-burn marks start within 15 mm" in said(advice)
    assert "trails" not in said(advice)


def test_blotches_elsewhere_say_hands_and_other_fruit():
    advice = choose(*season(mixed(of("sap_burn", BLOTCH, 12), of("sap_burn", TRAIL, 2))), "Bowerbird")
    assert ids(advice) == ["hands_washed", "no_drip_on_others"]
    assert "12 of 14 sap-burn marks are blotches 25 mm or more from the stem end" in said(advice)


@pytest.mark.parametrize(
    ("method", "lines"),
    [
        ("stem-on", ["drain_stem_down", "turned_away_when_snapped"]),
        ("pole", ["pole_keeps_stem", "turned_away_when_snapped"]),
        ("ladder", ["turned_away_when_snapped", "stem_end_rinsed_first"]),
    ],
)
def test_the_lines_suit_the_method(method, lines):
    assert ids(choose(*season(of("sap_burn", TRAIL, 14), method=method), "Bowerbird")) == lines


def test_a_method_that_nobody_knows_is_told():
    known, unknown = (choose(*season(of("cut", CUT, 9), method=method), "Bowerbird") for method in ("pole", "ladder"))
    assert NO_METHOD not in [note.message for note in known.notes]
    assert NO_METHOD in [note.message for note in unknown.notes]


@pytest.mark.parametrize(("marks", "fruit_per_bin"), [(7, 2), (14, 7)])
def test_with_few_marks_or_bins_the_lines_are_general_and_say_so(marks, fruit_per_bin):
    advice = choose(*season(of("sap_burn", TRAIL, marks), fruit_per_bin=fruit_per_bin), "Bowerbird")
    assert ids(advice) == ["wash_within_5_seconds", "full_minute_of_wash"]
    reasons = [reason for each in advice.chosen for reason in each.reasons]
    (few,) = [reason for reason in reasons if reason.message == TOO_FEW_MARKS]
    assert few.values == {"marks": marks, "bins": -(-marks // fruit_per_bin)}


def test_marks_that_lie_here_and_there_show_no_pattern():
    marks = mixed(of("sap_burn", TRAIL, 8), of("sap_burn", BLOTCH, 8))
    advice = choose(*season(marks), "Bowerbird")
    assert ids(advice) == ["wash_within_5_seconds", "full_minute_of_wash"]
    assert NO_PATTERN in [reason.message for reason in advice.chosen[0].reasons]


@pytest.mark.parametrize("lost", [["stem_distance_mm"], ["stem_direction", "elongation"]])
def test_marks_without_their_measures_tell_no_place(lost):
    fruit, marks = season(of("sap_burn", TRAIL, 14))
    blank = marks.assign(**dict.fromkeys(lost, np.nan))
    for table in (blank, marks.drop(columns=lost)):
        assert "stem end" not in said(choose(fruit, table, "Bowerbird"))


# When in the shift


HOURS = (6, 7, 8, 9, 11, 12, 13, 14)


def shift(bad_of_bins, hours=HOURS, fruit_per_bin=4):
    """One bin for each hour, with so many cut fruit in each."""
    marks = [[("cut", CUT)] if place < bad else [] for bad in bad_of_bins for place in range(fruit_per_bin)]
    fruit, table = season(marks, fruit_per_bin=fruit_per_bin)
    return fruit.assign(hour=np.repeat(hours, fruit_per_bin)), table


def late_cuts(fruit, marks):
    late = [pattern for pattern in load_practices().patterns.values() if pattern.id == "cut_late"]
    return sightings(late, "cut", fruit, marks.merge(fruit, on=["photo", "fruit"]), "Bowerbird")


# Mann and Whitney (1947), Annals of Mathematical Statistics 18, 50-60, table I, from memory: of two times 4, the
# one-sided probability of U <= 1 is 0.029 (2 in 70), of U <= 2 it is 0.057 (4 in 70).
@pytest.mark.parametrize(
    ("bad_of_bins", "seen"),
    [((0, 1, 2, 3, 4, 5, 6, 7), True), ((0, 1, 2, 4, 3, 5, 6, 7), True), ((0, 1, 2, 5, 3, 4, 6, 7), False)],
)
def test_late_means_that_the_later_bins_bear_more(bad_of_bins, seen):
    assert bool(late_cuts(*shift(bad_of_bins, fruit_per_bin=10))) == seen
    assert not late_cuts(*shift(bad_of_bins[::-1], fruit_per_bin=10))


def test_damage_late_in_the_shift_says_tired_gear():
    advice = choose(*shift((0, 0, 1, 0, 3, 3, 4, 3)), "Bowerbird")
    assert "blades_sharp_in_the_shift" in ids(advice)
    text = said(advice).replace("\u202f", " ")
    assert "Fruit with cuts: 13 of 16 picked from 11:00 AM on, 1 of 16 before." in text


def test_the_same_damage_at_every_hour_is_not_called_late():
    rng = np.random.default_rng(4)
    called = 0
    for _ in range(100):
        fruit, marks = shift(rng.binomial(4, 0.4, 12), np.arange(6, 18))
        called += bool(late_cuts(fruit, marks))
    assert called <= 11  # of 100 with a chance of 0.05 each: more has a probability of 0.4 %


def test_hours_that_are_not_known_say_nothing():
    fruit, marks = shift((0, 0, 1, 0, 3, 3, 4, 3))
    unknown = fruit.assign(hour=pd.array([pd.NA] * len(fruit), dtype="Int64"))
    for table in (unknown, fruit.drop(columns="hour"), fruit.assign(hour=9)):
        assert "picked from" not in said(choose(table, marks, "Bowerbird"))


def test_bins_whose_hour_is_missing_are_left_out():
    fruit, marks = shift((0, 0, 1, 0, 3, 3, 4, 3, 0), (*HOURS, 5))
    some = fruit.assign(hour=fruit["hour"].where(fruit["hour"] != 5).astype("Int64"))
    values = {"count": 13, "total": 16, "other_count": 1, "other_total": 16, "hour": time(11)}
    assert late_cuts(some, marks)["cut_late"].saying.values == values


# What costs most


def kinds_of(fruit, marks, **wounds):
    cost = costliest_kinds(fruit, marks.merge(fruit, on=["photo", "fruit"]), "Bowerbird", open_wounds_mm=wounds)
    return {each.kind: each.fruit for each in cost.kinds}, cost


def test_a_fruit_is_laid_to_the_kind_with_the_largest_area_on_it():
    fruit, marks = season([[("sap_burn", TRAIL), ("abrasion", BLOTCH), ("abrasion", BLOTCH)]] * 3)
    assert kinds_of(fruit, marks)[0] == {"abrasion": 3}


def test_an_open_wound_goes_before_any_area():
    fruit, marks = season([[("sap_burn", TRAIL), ("sap_burn", BLOTCH), ("cut", CUT)]] * 3)
    assert kinds_of(fruit, marks, cut=5.0)[0] == {"cut": 3}
    assert kinds_of(fruit, marks, cut=13.0)[0] == {"sap_burn": 3}


def test_marks_that_nobody_could_name_are_laid_to_no_kind_and_still_count():
    fruit, marks = season([*of("unsure", BLOTCH, 2), *of("crease", BLOTCH, 3)])
    found, cost = kinds_of(fruit, marks)
    assert found == {"crease": 3}
    assert cost.kinds[0].of_fruit == 5
    assert "Main damage on 3 of 5 downgraded fruit: creases." in said(choose(fruit, marks, "Bowerbird"))


def test_where_no_fruit_was_downgraded_the_marked_ones_speak():
    marks = [*of("crease", BLOTCH, 3), [], []]
    fruit, table = season(marks, defective=[False] * 5)
    assert "No fruit was downgraded. Main damage on 3 of 3 marked fruit: creases." in said(
        choose(fruit, table, "Bowerbird")
    )


def test_a_kind_that_stands_out_gets_both_lines():
    fruit, marks = season([*of("cut", CUT, 20), *of("crease", BLOTCH, 3)], fruit_per_bin=1)
    assert {each.line.kind for each in choose(fruit, marks, "Bowerbird").chosen} == {"cut"}


def test_two_kinds_that_cannot_be_parted_get_one_line_each_and_say_so():
    fruit, marks = season([*of("cut", CUT, 6), *of("crease", BLOTCH, 5)], fruit_per_bin=1)
    advice = choose(fruit, marks, "Bowerbird")
    assert [each.line.kind for each in advice.chosen] == ["cut", "crease"]
    assert TOO_CLOSE in [note.message for note in advice.notes]
    assert "Main damage on 6 of 11" in said(advice)
    assert "Main damage on 5 of 11" in said(advice)


def test_without_a_named_mark_the_lines_are_general_and_say_so():
    for marks in ([[], [], []], of("unsure", BLOTCH, 3)):
        advice = choose(*season(marks, defective=[True, False, False]), "Bowerbird")
        assert len(set(ids(advice))) == 2
        assert [reason.message for each in advice.chosen for reason in each.reasons] == [NO_MARKS]
        assert advice.kinds == ()


# The advice as a whole


def test_heat_and_local_rules_stand_on_every_advice_and_what_harms_most_on_top():
    advice = choose(*season(of("sap_burn", TRAIL, 14)), "Bowerbird")
    assert advice.cautions[0].startswith("Mango sap burns skin and eyes")
    assert any("alkaline" in text for text in advice.cautions)
    for table in (season(of("abrasion", BLOTCH, 3)), season([[]])):
        cautions = choose(*table, "Bowerbird").cautions
        assert any("rest in the shade" in text for text in cautions)
        assert any("Local safety rules and a doctor's advice come before" in text for text in cautions)


def test_other_crews_marks_change_neither_the_counts_nor_the_crew():
    own = season(of("sap_burn", TRAIL, 14))
    other = season(of("cut", CUT, 30), crew="Curlew", method="pole")
    fruit, marks = (pd.concat(pair, ignore_index=True) for pair in zip(own, other, strict=True))
    assert said(choose(fruit, marks, "Bowerbird")) == said(choose(*own, "Bowerbird"))
    assert choose(fruit, marks, "Curlew").kinds[0].kind == "cut"


def test_marks_of_fruit_that_do_not_count_are_left_out():
    fruit, marks = season([*of("cut", CUT, 6), *of("crease", BLOTCH, 9)])
    assert choose(fruit[:6], marks, "Bowerbird").kinds[0].kind == "cut"


@settings(max_examples=15)
@given(st.randoms(use_true_random=False), st.lists(st.sampled_from(KINDS), min_size=1, max_size=24))
def test_the_order_of_the_rows_does_not_matter(chance, kinds):
    fruit, marks = season([[(kind, TRAIL if chance.random() < 0.5 else BLOTCH)] for kind in kinds])
    seed = chance.randrange(2**32)
    mixed = (table.sample(frac=1, random_state=seed) for table in (fruit, marks))
    assert choose(*mixed, "Bowerbird") == choose(fruit, marks, "Bowerbird")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda fruit: fruit.drop(columns="defective"), "no column 'defective'"),
        (lambda fruit: fruit.assign(bin=None), "5 of 5 fruit have no value in the column 'bin'"),
        (lambda fruit: fruit.assign(crew="Curlew"), "no fruit of the crew 'Bowerbird'"),
    ],
)
def test_a_table_of_fruit_that_cannot_be_used_is_told(change, sentence):
    fruit, marks = season(of("cut", CUT, 5))
    with pytest.raises(ValueError, match=sentence):
        choose(change(fruit), marks, "Bowerbird")


def test_a_table_of_marks_without_kinds_is_told():
    fruit, marks = season(of("cut", CUT, 5))
    with pytest.raises(ValueError, match="no column 'kind'"):
        choose(fruit, marks.drop(columns="kind"), "Bowerbird")


def test_bins_may_stand_in_another_column():
    fruit, marks = season(of("sap_burn", TRAIL, 14))
    renamed = fruit.rename(columns={"bin": "lot", "defective": "over"}).assign(bin=None)
    assert ids(choose(renamed, marks, "Bowerbird", cluster="lot", defective="over")) == ids(
        choose(fruit, marks, "Bowerbird")
    )
