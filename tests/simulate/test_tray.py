"""Whole trays: repeatable, true to themselves, and readable by general readers of markers and codes."""

from __future__ import annotations

import json
from dataclasses import replace
from urllib.parse import parse_qs

import cv2
import numpy as np
import pytest
import zxingcpp
from PIL import Image, ImageOps

from scorer.camera import Camera
from scorer.resources import shared_folder
from scorer.simulate import MARK_KINDS, TraySettings, simulate_tray, write_tray

SMALL = TraySettings(image_size=(1200, 900), fruit=6)
BUSY = TraySettings(image_size=(1200, 900), fruit=8, habits=dict.fromkeys(MARK_KINDS, 0.5), lookalikes=2.0)


@pytest.fixture(scope="module")
def busy_trays():
    return [simulate_tray(seed, BUSY) for seed in range(4)]


def camera_of(truth):
    width, height = truth["image_size"]
    rotation = np.array(truth["world_to_camera"])
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    return Camera(truth["focal_px"], centre, rotation, -rotation @ np.array(truth["camera_origin"]))


def test_the_same_seed_gives_the_same_files(tmp_path):
    for folder in ("one", "two"):
        write_tray(simulate_tray([3, 7], SMALL), tmp_path / folder, "tray")
    names = sorted(path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*.*"))
    assert len(names) == 4
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    assert (simulate_tray([3, 8], SMALL).bgr != simulate_tray([3, 7], SMALL).bgr).any()


def test_masks_and_truth_agree(busy_trays):
    for tray in busy_trays:
        told = {}
        for fruit in tray.truth["fruit"]:
            assert fruit["pixels"] == (tray.fruit_mask == fruit["number"]).sum() > 0
            assert 0 < fruit["visible_area_mm2"] < fruit["total_area_mm2"]
            assert fruit["height_mm"] < fruit["length_mm"]
            for mark in fruit["marks"]:
                told[mark["id"]] = mark
                where = tray.mark_mask == mark["id"]
                assert where.sum() == mark["pixels"]
                assert set(np.unique(tray.fruit_mask[where])) == {fruit["number"]}
                assert 0 < mark["visible_area_mm2"] < fruit["visible_area_mm2"]
        assert set(np.unique(tray.mark_mask)) - {0} == set(told)


def test_all_kinds_of_marks_and_many_lookalikes_occur(busy_trays):
    marks = [mark for tray in busy_trays for fruit in tray.truth["fruit"] for mark in fruit["marks"]]
    assert {mark["kind"] for mark in marks} == set(MARK_KINDS)
    assert sum(8 <= mark["contrast_delta_e"] <= 50 for mark in marks) > 0.7 * len(marks)
    kinds = {each["kind"] for tray in busy_trays for each in tray.truth["lookalikes"]}
    assert {"stem_scar", "stalk", "dust", "water_drop", "fibre"} <= kinds


def test_a_habit_of_nothing_leaves_clean_fruit():
    tray = simulate_tray(1, TraySettings(image_size=(900, 675), fruit=4, habits={}))
    assert not tray.mark_mask.any()
    assert all(fruit["marks"] == [] for fruit in tray.truth["fruit"])


def test_fixing_the_floors_colour_or_the_lights_temperature_moves_nothing_else():
    plain = TraySettings(image_size=(900, 675), fruit=3, floor="white", light="window_and_lamp", walls=False)
    red, blue = ((170.0, 40.0, 40.0), (200.0, 60.0, 60.0)), ((40.0, 40.0, 170.0), (60.0, 60.0, 200.0))
    on_red, on_blue, warm, cool = (
        simulate_tray(5, replace(plain, **fixed))
        for fixed in ({"floor_tone": red}, {"floor_tone": blue}, {"kelvin": 2600.0}, {"kelvin": 7000.0})
    )
    assert (warm.truth["kelvin"], cool.truth["kelvin"]) == (2600, 7000)
    for one, other in ((on_red, on_blue), (warm, cool)):
        np.testing.assert_array_equal(one.fruit_mask, other.fruit_mask)
        blue_less_red = [tray.bgr[tray.fruit_mask == 0].astype(float) @ [1, 0, -1] for tray in (one, other)]
        assert blue_less_red[0].mean() < blue_less_red[1].mean() - 5


def sharp_tray():
    settings = TraySettings(image_size=(2016, 1512), fruit=4, floor="grey", light="overcast", card=True, tilt_deg=8)
    return simulate_tray(11, settings)


def test_markers_lie_where_the_truth_says_and_the_tag_is_read():
    tray = sharp_tray()
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(tray.bgr)
    card = json.loads((shared_folder() / "card.json").read_text(encoding="utf-8"))
    assert sorted(ids.ravel()) == [10, 11, 12, 13]
    angle = np.radians(tray.truth["card"]["angle_deg"])
    right, down = np.array([np.cos(angle), np.sin(angle)]), np.array([np.sin(angle), -np.cos(angle)])
    places = {marker["id"]: marker["top_left"] for marker in card["markers"]}
    card_mm, seen = [], []
    for marker, found in zip(ids.ravel(), corners, strict=True):
        x, y = places[int(marker)]
        side = card["marker_side"]
        card_mm += [(x, y), (x + side, y), (x + side, y + side), (x, y + side)]
        seen += list(found[0])
    flat = np.array(card_mm) - np.array(card["size"]) / 2
    floor = np.array(tray.truth["card"]["center"]) + flat[:, :1] * right + flat[:, 1:] * down
    expected = camera_of(tray.truth).project(np.column_stack([floor, np.zeros(len(floor))]))
    seen = np.array(seen)
    cv2.cornerSubPix(cv2.cvtColor(tray.bgr, cv2.COLOR_BGR2GRAY), seen, (4, 4), (-1, -1), (3, 30, 0.01))
    homography, _ = cv2.findHomography(np.array(card_mm, np.float32), seen)
    mapped = cv2.perspectiveTransform(np.array(card_mm, np.float32)[None], homography)[0]
    assert np.abs(mapped - expected).max() < 0.5
    texts = [each.text for each in zxingcpp.read_barcodes(np.ascontiguousarray(tray.bgr[..., ::-1]))]
    assert texts == [tray.truth["tag"]]
    assert set(parse_qs(texts[0])) == {"crew", "bin", "picked", "method", "side"}


def test_the_file_turned_upright_is_the_picture(tmp_path):
    turned = set()
    for seed in range(6):
        tray = simulate_tray(seed, TraySettings(image_size=(640, 480), fruit=2, exif_focal=True))
        write_tray(tray, tmp_path, f"tray_{seed}")
        with Image.open(tmp_path / "photos" / f"tray_{seed}.jpg") as photo:
            exif = photo.getexif()
            upright = np.array(ImageOps.exif_transpose(photo))[..., ::-1]
        turned.add(exif[0x0112])
        block = exif.get_ifd(0x8769)
        assert block[0xA405] == tray.truth["f35"]
        assert block[0x9003] == tray.exif.taken_at.strftime("%Y:%m:%d %H:%M:%S")
        assert upright.shape == tray.bgr.shape
        assert np.abs(upright.astype(int) - tray.bgr).mean() < 6
        marks = cv2.imread(str(tmp_path / "truth" / f"tray_{seed}.marks.png"), cv2.IMREAD_UNCHANGED)
        assert marks.dtype == np.uint16
        assert (marks == tray.mark_mask).all()
    assert len(turned) > 1


def test_focal_length_follows_the_picture_diagonal():
    # 43.2666 mm is the diagonal of the 36 mm x 24 mm frame of "35 mm-equivalent" lengths (CIPA DCG-001).
    truth = simulate_tray(2, TraySettings(image_size=(800, 600), fruit=1, focal_35mm=26)).truth
    assert truth["focal_px"] == pytest.approx(26 / 43.2666 * 1000, rel=1e-4)


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="floor must be one of white"):
        TraySettings(floor="lava")
    with pytest.raises(ValueError, match="skins must hold at least one pair of colours"):
        TraySettings(skins=())
    with pytest.raises(ValueError, match="habits must name kinds"):
        TraySettings(habits={"hail": 1.0})
