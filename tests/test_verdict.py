"""The verdict on a fruit, against the areas of the published tables."""

import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.limits import available_limits, load_limits
from scorer.verdict import NOT_JUDGED, OUT_OF_CLASS, OVER, UNSIZED, VERDICTS, WITHIN, judge_fruit

KINDS = ("sap_burn", "abrasion", "cut", "stem_puncture", "crease", "unsure")
SIZE_A, SIZE_B, SIZE_C = (105.0, 75.0), (120.0, 85.0), (150.0, 95.0)  # about 290, 430 and 665 g
MEMORY = "CXS 184 (size codes and class limits from memory)"


def marks_of(*marks):
    return pd.DataFrame(list(marks), columns=["kind", "area_mm2", "length_mm"]).astype(
        {"kind": "str", "area_mm2": "float64", "length_mm": "float64"}
    )


def judged(*marks, table="cxs_184", size_mm=SIZE_B, visible_area_mm2=14000.0, **more):
    return judge_fruit(
        marks_of(*marks),
        visible_area_mm2=visible_area_mm2,
        length_mm=size_mm[0],
        width_mm=size_mm[1],
        limits=load_limits(table),
        **more,
    )


# Codex CXS 184-1993: class I 3, 4, 5 cm2 and class II 5, 6, 7 cm2 for sizes A, B, C (from memory): "not
# exceeding", so the limit itself is still inside.
@pytest.mark.parametrize(
    ("size_mm", "code", "first_mm2", "second_mm2"),
    [(SIZE_A, "A", 300, 500), (SIZE_B, "B", 400, 600), (SIZE_C, "C", 500, 700)],
)
def test_classes_of_the_codex_standard(size_mm, code, first_mm2, second_mm2):
    steps = [
        (first_mm2, "I", False, WITHIN),
        (first_mm2 + 1, "II", True, WITHIN),
        (second_mm2, "II", True, WITHIN),
        (second_mm2 + 1, OUT_OF_CLASS, True, OVER),
    ]
    for area_mm2, class_name, downgraded, verdict in steps:
        fruit = judged(("sap_burn", area_mm2, 30.0), size_mm=size_mm)
        assert (fruit.size_code, fruit.class_name) == (code, class_name)
        assert (fruit.downgraded, fruit.verdict) == (downgraded, verdict)


# Indian grading rules (read): 2 and 4 cm2 for size A; FFV-45 (from memory): 6 and 8 cm2 for size D.
@pytest.mark.parametrize(
    ("table", "size_mm", "areas"),
    [("indian_grading", (85, 60), (200, 400)), ("ffv_45", (170, 110), (600, 800))],
)
def test_classes_of_the_other_tables(table, size_mm, areas):
    classes = [
        judged(("abrasion", area + more, 9.0), table=table, size_mm=size_mm) for area in areas for more in (0, 1)
    ]
    assert [fruit.class_name for fruit in classes] == ["I", "II", "II", OUT_OF_CLASS]


def test_the_shed_table_asks_for_no_size():
    fruit = judged(("abrasion", 250.0, 20.0), table="shed", size_mm=(60.0, 40.0))
    assert (fruit.size_code, fruit.class_name, fruit.downgraded) == ("", "second", True)
    assert fruit.reason.startswith("abrasion 2.5 cm2, over the 2 cm2 of first class, so second class. Table: shed")
    assert judged(("abrasion", 601.0, 20.0), table="shed", size_mm=(None, None)).class_name == OUT_OF_CLASS


def test_the_reason_names_marks_limit_class_size_and_table():
    fruit = judged(("sap_burn", 300.0, 40.0), ("abrasion", 110.0, 20.0), size_mm=SIZE_A)
    assert fruit.reason == (
        "sap burn and abrasion 4.1 cm2, over the 3 cm2 of class I for size A, so class II; only one side is "
        f"seen and the other may take it over: turn the fruit. Table: {MEMORY}"
    )
    out = judged(("crease", 10.0, 9.0), ("unsure", 300.0, 40.0), ("sap_burn", 500.0, 20.0), size_mm=SIZE_A)
    assert out.reason == (
        f"sap burn, unnamed marks and crease 8.1 cm2, over the 5 cm2 of class II for size A. Table: {MEMORY}"
    )
    assert judged().reason == f"no marks on the side seen, so class I. Table: {MEMORY}"


def test_a_reason_never_says_that_3_is_over_3():
    assert "3.01 cm2, over the 3 cm2" in judged(("sap_burn", 301.0, 9.0), size_mm=SIZE_A).reason
    assert "3.001 cm2, over the 3 cm2" in judged(("sap_burn", 300.1, 9.0), size_mm=SIZE_A).reason
    assert "3.0 cm2, within the 3 cm2" in judged(("sap_burn", 300.0, 9.0), size_mm=SIZE_A).reason


def test_the_side_that_nobody_saw_is_named_from_half_of_a_limit_on():
    # a second side marked alike takes 2.1 + 2.1 over 4 cm2, but not 2.0 + 2.0
    assert "turn the fruit" not in judged(("sap_burn", 200.0, 9.0)).reason
    assert "turn the fruit" in judged(("sap_burn", 210.0, 9.0)).reason


# Horticulturae 2023, 9(1), 54: root mean square error of the mass 25.0 g. 345 g is size A, 370 g is B.
def test_a_mass_near_the_border_of_a_size_is_said_where_it_matters():
    near_a = (120.0, 76.6)
    assert judged(size_mm=near_a).mass_g == pytest.approx(345, abs=2)
    assert "weigh it" in judged(("sap_burn", 350.0, 9.0), size_mm=near_a).reason
    assert "weigh it" not in judged(("sap_burn", 250.0, 9.0), size_mm=near_a).reason
    assert "weigh it" not in judged(("sap_burn", 350.0, 9.0), size_mm=SIZE_A).reason


def test_mass_of_the_worked_fruit():
    # 12.0 x 8.0 x 7.2 cm, Horticulturae 2023, 9(1), 54
    assert judged(size_mm=(120.0, 80.0)).mass_g == pytest.approx(376.99, abs=0.005)
    assert judged(size_mm=(120.0, 80.0), thickness_mm=72.0).mass_g == pytest.approx(378.22, abs=0.005)
    assert judged(size_mm=(120.0, 80.0), thickness_mm=math.nan).mass_g == pytest.approx(376.99, abs=0.005)


def test_an_open_wound_keeps_a_fruit_out_of_every_class():
    # whole and sound: minimum requirements of CXS 184; the lengths are common practice, no source
    fruit = judged(("cut", 12.0, 8.0), ("stem_puncture", 12.0, 4.0))
    assert (fruit.class_name, fruit.downgraded, fruit.verdict) == (OUT_OF_CLASS, True, OVER)
    assert fruit.reason.startswith("cut 8 mm long: an open wound of 5 mm or more keeps a fruit out of every class")
    assert judged(("stem_puncture", 10.0, 3.0)).class_name == OUT_OF_CLASS
    assert judged(("cut", 12.0, 8.0), size_mm=(60.0, 40.0)).class_name == OUT_OF_CLASS


def test_a_wound_too_small_to_matter_counts_with_its_area():
    assert judged(("cut", 10.0, 4.9), ("stem_puncture", 10.0, 2.9)).class_name == "I"
    assert judged(("cut", 10.0, math.nan)).class_name == "I"
    assert judged(("cut", 10.0, 4.0), ("sap_burn", 395.0, 30.0)).class_name == "II"


def test_a_fruit_without_a_size_code_is_not_judged():
    small = judged(("sap_burn", 100.0, 9.0), size_mm=(90.0, 55.0))
    assert (small.size_code, small.class_name, small.verdict) == ("", UNSIZED, NOT_JUDGED)
    assert not small.downgraded
    assert small.reason.startswith("estimated mass 134 g lies below the smallest size code, which begins at 200 g")
    large = judged(size_mm=(180.0, 120.0))
    assert "above the largest size code, which ends at 800 g" in large.reason
    unknown = judged(("sap_burn", 100.0, 9.0), size_mm=(math.nan, 60.0))
    assert (unknown.mass_g, unknown.class_name, unknown.verdict) == (None, UNSIZED, NOT_JUDGED)
    assert unknown.brown_area_mm2 == 100.0


@pytest.mark.parametrize("visible_area_mm2", [None, math.nan])
def test_without_a_scale_nothing_is_judged_or_invented(visible_area_mm2):
    fruit = judged(("sap_burn", math.nan, math.nan), visible_area_mm2=visible_area_mm2, size_mm=(None, None))
    assert (fruit.verdict, fruit.class_name, fruit.downgraded) == (NOT_JUDGED, "", False)
    areas = (
        fruit.brown_area_mm2,
        fruit.sap_burn_mm2,
        fruit.abrasion_mm2,
        fruit.other_mm2,
        fruit.brown_fraction,
    )
    assert areas == (None,) * 5
    assert fruit.mass_g is None
    assert fruit.reason.startswith("no scale")


def test_marks_without_an_area_are_not_taken_for_clean_skin():
    assert judged(("sap_burn", 100.0, 9.0), ("abrasion", math.nan, 9.0)).verdict == NOT_JUDGED


def test_missing_columns_are_refused():
    with pytest.raises(ValueError, match="length_mm"):
        judge_fruit(
            marks_of().drop(columns="length_mm"),
            visible_area_mm2=1.0,
            length_mm=1.0,
            width_mm=1.0,
            limits=load_limits("shed"),
        )


some_marks = st.lists(st.tuples(st.sampled_from(KINDS), st.floats(10, 900), st.floats(0.6, 80)), max_size=6)
sizes = st.tuples(st.floats(60, 180), st.floats(0.5, 0.9)).map(lambda pair: (pair[0], pair[0] * pair[1]))


@given(some_marks, sizes, st.sampled_from(available_limits()))
def test_the_sums_are_those_of_pandas(marks, size_mm, table):
    fruit = judged(*marks, size_mm=size_mm, table=table)
    # pandas' own grouping as reference
    by_kind = marks_of(*marks).groupby("kind")["area_mm2"].sum()
    assert fruit.sap_burn_mm2 == pytest.approx(by_kind.get("sap_burn", 0.0))
    assert fruit.abrasion_mm2 == pytest.approx(by_kind.get("abrasion", 0.0))
    assert fruit.brown_area_mm2 == pytest.approx(by_kind.sum())
    assert fruit.sap_burn_mm2 + fruit.abrasion_mm2 + fruit.other_mm2 == pytest.approx(fruit.brown_area_mm2)
    assert fruit.brown_fraction == pytest.approx(by_kind.sum() / 14000.0)
    assert fruit.verdict in VERDICTS
    assert load_limits(table).label in fruit.reason


@given(some_marks, some_marks, sizes, st.sampled_from(available_limits()))
def test_more_marks_never_make_a_better_class(marks, more, size_mm, table):
    order = [each.name for each in load_limits(table).classes] + [UNSIZED, OUT_OF_CLASS]
    fewer, all_ = (judged(*each, size_mm=size_mm, table=table) for each in (marks, marks + more))
    assert order.index(fewer.class_name) <= order.index(all_.class_name)
    assert fewer.downgraded <= all_.downgraded
