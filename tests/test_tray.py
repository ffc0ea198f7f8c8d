"""A photo from pixels to named marks, on ray-traced trays by another hand whose truth is known exactly.

``tests/reference_trays`` holds three of them; nothing in scorer was fitted on them.
"""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from scorer import Settings, score_photo
from scorer.score_tables import FRUIT_COLUMNS, KINDS, MARK_COLUMNS, PHOTO_COLUMNS, UNSURE
from scorer.tag import Tag

TRAYS = Path(__file__).parent / "reference_trays"
STEMS = sorted(path.stem for path in (TRAYS / "photos").glob("*.jpg"))


@pytest.fixture(scope="module")
def scores():
    return {stem: score_photo(TRAYS / "photos" / f"{stem}.jpg") for stem in STEMS}


def truth_of(stem):
    described = json.loads((TRAYS / "truth" / f"{stem}.json").read_text(encoding="utf-8"))
    masks = (
        cv2.imread(str(TRAYS / "truth" / f"{stem}.{name}.png"), cv2.IMREAD_UNCHANGED) for name in ("fruit", "marks")
    )
    return described, *masks


def matched(fruit_true, fruit_said, number):
    """The said fruit that covers most of a true one, and their intersection over union."""
    here = fruit_true == number
    counts = np.bincount(fruit_said[here])
    counts[0] = 0
    said = int(counts.argmax())
    return said, counts[said] / (here.sum() + (fruit_said == said).sum() - counts[said])


@pytest.mark.parametrize("stem", STEMS)
def test_every_fruit_is_found_once(scores, stem):
    described, fruit_true, _ = truth_of(stem)
    score = scores[stem]
    assert len(score.fruit) == len(described["fruit"])
    overlaps = [matched(fruit_true, score.fruit_mask, fruit["number"])[1] for fruit in described["fruit"]]
    assert min(overlaps) > 0.9
    assert np.median(overlaps) > 0.97


@pytest.mark.parametrize("stem", STEMS)
def test_dimensions_and_skin_area_are_true(scores, stem):
    described, fruit_true, _ = truth_of(stem)
    score = scores[stem]
    rows = score.fruit.set_index("fruit")
    errors = []
    for fruit in described["fruit"]:
        row = rows.loc[matched(fruit_true, score.fruit_mask, fruit["number"])[0]]
        errors.append([row[name] / fruit[name] - 1 for name in ("length_mm", "width_mm", "visible_area_mm2")])
    assert np.abs(np.median(errors, axis=0)).max() < 0.035
    assert np.abs(errors).max() < 0.2


@pytest.mark.parametrize("stem", STEMS)
def test_the_camera_stands_where_it_stood(scores, stem):
    described, *_ = truth_of(stem)
    photo = scores[stem].photo.iloc[0]
    assert photo["card_found"]
    assert photo["camera_height_mm"] == pytest.approx(described["camera_height_mm"], rel=0.01)
    assert photo["colour_residual"] < 1.5


@pytest.mark.parametrize("stem", STEMS)
def test_the_tag_is_read(scores, stem):
    described, *_ = truth_of(stem)
    fields = dict(part.split("=") for part in described["tag"].split("&"))
    photo = scores[stem].photo.iloc[0]
    assert (photo["crew"], photo["bin"], photo["method"], photo["side"]) == (
        fields["crew"],
        fields["bin"],
        fields["method"],
        fields["side"],
    )


def test_plain_marks_are_found(scores):
    """Marks over 40 mm2 that differ by 20 Delta E from the skin: a person sees them at a glance."""
    found = []
    for stem in STEMS:
        described, _, marks_true = truth_of(stem)
        for mark in (mark for fruit in described["fruit"] for mark in fruit["marks"]):
            if mark["contrast_delta_e"] >= 20 and mark["visible_area_mm2"] >= 40:
                found.append(np.mean(scores[stem].mark_mask[marks_true == mark["id"]] > 0) >= 0.5)
    assert len(found) >= 8
    assert np.mean(found) >= 0.7


@pytest.mark.parametrize("stem", STEMS)
def test_tables_and_masks_tell_the_same(scores, stem):
    score = scores[stem]
    assert tuple(score.photo.columns) == PHOTO_COLUMNS
    assert tuple(score.fruit.columns) == FRUIT_COLUMNS
    assert tuple(score.marks.columns[: len(MARK_COLUMNS)]) == MARK_COLUMNS
    assert set(np.unique(score.mark_mask)) - {0} == set(score.marks["mark"])
    assert set(np.unique(score.fruit_mask)) - {0} == set(score.fruit["fruit"])
    assert set(score.marks["kind"]) <= {*KINDS, UNSURE}
    assert score.marks["probability"].between(0, 1).all()
    for row in score.marks.itertuples():
        under = score.fruit_mask[score.mark_mask == row.mark]
        assert np.mean(under == row.fruit) > 0.97
    summed = score.marks.groupby("fruit")["area_mm2"].sum()
    for row in score.fruit.itertuples():
        assert row.brown_area_mm2 == pytest.approx(summed.get(row.fruit, 0.0), abs=1e-6)
        assert row.brown_fraction == pytest.approx(row.brown_area_mm2 / row.visible_area_mm2, rel=1e-6)


def test_reading_order_runs_from_the_top_left(scores):
    score = scores[STEMS[0]]
    ys = [np.nonzero(score.fruit_mask == number)[0].mean() for number in (1, len(score.fruit))]
    assert ys[0] < ys[1]


@pytest.fixture(scope="module")
def upright():
    return cv2.imread(str(TRAYS / "photos" / f"{STEMS[0]}.jpg"))


@pytest.mark.parametrize(
    "turn", [cv2.ROTATE_90_CLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_COUNTERCLOCKWISE], ids=["90", "180", "270"]
)
def test_turning_the_photo_changes_no_mm(upright, turn):
    one, other = score_photo(upright), score_photo(cv2.rotate(upright, turn))
    assert len(one.fruit) == len(other.fruit)
    for name, tolerance in (("length_mm", 0.01), ("width_mm", 0.01), ("visible_area_mm2", 0.015)):
        assert np.sort(other.fruit[name]) == pytest.approx(np.sort(one.fruit[name]), rel=tolerance)
    assert other.fruit["brown_area_mm2"].sum() == pytest.approx(one.fruit["brown_area_mm2"].sum(), rel=0.15, abs=20)


@pytest.mark.parametrize("factor", [0.75, 1.4])
def test_a_smaller_or_larger_photo_changes_no_mm(upright, factor):
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    one, other = score_photo(upright), score_photo(cv2.resize(upright, None, fx=factor, fy=factor, interpolation=how))
    assert len(one.fruit) == len(other.fruit)
    assert np.sort(other.fruit["length_mm"]) == pytest.approx(np.sort(one.fruit["length_mm"]), rel=0.02)
    assert np.sort(other.fruit["visible_area_mm2"]) == pytest.approx(np.sort(one.fruit["visible_area_mm2"]), rel=0.03)


def test_the_same_photo_gives_the_same_score_twice(upright):
    one, other = score_photo(upright), score_photo(upright)
    assert (one.mark_mask == other.mark_mask).all()
    assert one.marks.equals(other.marks)


def test_a_covered_card_gives_fractions_but_no_mm(upright):
    covered = upright.copy()
    described, *_ = truth_of(STEMS[0])
    score = score_photo(upright)
    assert score.photo["card_found"].item()
    grey = cv2.cvtColor(covered, cv2.COLOR_BGR2GRAY)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, _, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    for quad in corners:
        cv2.fillConvexPoly(covered, np.round(quad[0]).astype(np.int32), (90, 120, 150))
    blind = score_photo(covered)
    assert not blind.photo["card_found"].item()
    assert blind.fruit["length_mm"].isna().all()
    assert blind.marks["area_mm2"].isna().all()
    assert blind.fruit["brown_fraction"].notna().all()
    assert abs(len(blind.fruit) - len(described["fruit"])) <= 2


def test_a_photo_of_nothing_says_so():
    grey_floor = np.full((1200, 1600, 3), (120, 125, 122), np.uint8)
    grey_floor[::2, :, 2] += 3
    score = score_photo(grey_floor)
    assert score.fruit.empty
    assert score.photo["verdict"].item() == "retake"
    assert "no fruit was found" in score.photo["reasons"].item()


def test_the_manifest_overrides_the_tag(upright):
    score = score_photo(upright, manifest_tag=Tag(crew="Curlew"))
    assert score.photo["crew"].item() == "Curlew"
    assert (score.fruit["crew"] == "Curlew").all()


def test_the_limit_table_is_a_choice(upright):
    shed, published = (score_photo(upright, settings=Settings(limits=name)) for name in ("shed", "cxs_184"))
    assert published.fruit["reason"].str.contains("CXS 184").all()
    assert not shed.fruit["reason"].str.contains("CXS 184").any()


def test_each_mark_says_what_drove_its_name(scores):
    for score in scores.values():
        if len(score.marks):
            assert (score.marks["because"].str.len() > 0).mean() > 0.9
