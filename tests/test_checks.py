"""Photo checks: photos made bad on purpose are told from good ones, for the reason they are bad."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from scorer.camera import FULL_FRAME_DIAGONAL_MM
from scorer.card.correction import no_correction
from scorer.card.definition import load_card
from scorer.card.pose import CardPose, find_card
from scorer.card.sharpness import EdgeWidth, marker_edge_width
from scorer.checks import GOOD, RETAKE, USABLE, Check, check_photo, figure_of, overall
from scorer.colour import linear_to_srgb, srgb_to_linear
from scorer.photo import open_photo
from scorer.simulate import TraySettings, simulate_tray
from scorer.tray import locate
from tests.drawn.views import camera_over, card_photo

Picture = NDArray[np.uint8]

CARD = load_card()
SIZE = (1800, 1350)
FOCAL_35MM = 1500 / np.hypot(*SIZE) * FULL_FRAME_DIAGONAL_MM
REFERENCE = sorted((Path(__file__).parent / "reference_trays" / "photos").glob("*.jpg"))


def blurred(picture: Picture, sigma_px: float, along_px: float | None = None) -> Picture:
    """Blur as a lens does, on the light and not on the coded values."""
    light = cv2.GaussianBlur(srgb_to_linear(picture / 255.0), (0, 0), sigma_px, sigmaY=along_px or sigma_px)
    return np.round(255 * linear_to_srgb(light)).astype(np.uint8)


def pose_in(picture: Picture) -> CardPose:
    pose = find_card(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), CARD, FOCAL_35MM)
    assert pose is not None
    return pose


def edge_in(picture: Picture) -> EdgeWidth:
    found = marker_edge_width(picture, pose_in(picture), CARD, no_correction())
    assert found is not None
    return found


def cover(picture: Picture, pose: CardPose, corners_mm: NDArray[np.float64], colour: tuple[int, int, int]) -> None:
    cv2.fillConvexPoly(picture, np.round(pose.to_pixels(corners_mm)).astype(np.int32), colour)


@dataclass(frozen=True)
class Tray:
    """A simulated tray and what is said of photos of it."""

    bgr: Picture
    fruit: int

    def said_of(self, picture: Picture) -> dict[str, Check]:
        photo = open_photo(picture)
        tray = locate(photo)
        checks = check_photo(photo.bgr, tray.bgr, tray.fruit, tray.pose, tray.correction)
        return {check.name: check for check in checks}


@pytest.fixture(scope="module")
def tray() -> Tray:
    settings = TraySettings(
        image_size=(1800, 1350), floor="white", look="hard_green", light="overcast", tag="", habits={}, card=True,
        fruit=6, walls=False, lookalikes=0.0, focal_35mm=26.0, camera_height_mm=560.0, tilt_deg=2.0,
    )  # fmt: skip
    drawn = simulate_tray(7, settings)
    return Tray(drawn.bgr, len(drawn.truth["fruit"]))


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 45.0])
@pytest.mark.parametrize("sigma_px", [1.0, 1.5, 2.0])
def test_edge_width_is_that_of_a_gaussian_edge(turn_deg: float, sigma_px: float) -> None:
    """Quantiles of the normal distribution, by scipy; the drawn photo is itself no sharper than its pixels."""
    camera = camera_over(turn_deg=turn_deg, over=(70.0, -50.0))
    sharp = card_photo(camera, SIZE)
    own_sigma_px = np.sqrt(1 / 12)  # a square pixel's standard deviation
    expected_px = (norm.ppf(0.9) - norm.ppf(0.1)) * np.hypot(sigma_px, own_sigma_px)
    edge = edge_in(blurred(sharp, sigma_px))
    assert edge.px == pytest.approx(expected_px, rel=0.05)
    assert edge.mm == pytest.approx(expected_px * camera.mm_per_px(np.array([900.0, 675.0])), rel=0.05)


def test_edge_width_does_not_hang_on_the_size_of_the_photo() -> None:
    wide = card_photo(camera_over(over=(70.0, -50.0), focal_px=2100, size=(2520, 1890)), (2520, 1890))
    fine = edge_in(blurred(wide, 2.0))
    coarse = edge_in(cv2.resize(blurred(wide, 2.0), SIZE, interpolation=cv2.INTER_AREA))
    assert coarse.mm == pytest.approx(fine.mm, rel=0.08)


def test_a_shaken_photo_counts_by_its_softer_direction() -> None:
    sharp = card_photo(camera_over(over=(70.0, -50.0)), SIZE)
    assert edge_in(blurred(sharp, 0.3, 2.0)).mm == pytest.approx(edge_in(blurred(sharp, 2.0)).mm, rel=0.05)
    assert edge_in(blurred(sharp, 2.0, 0.3)).mm == pytest.approx(edge_in(blurred(sharp, 2.0)).mm, rel=0.05)


def test_noise_does_not_pass_for_blur() -> None:
    sharp = blurred(card_photo(camera_over(turn_deg=9, over=(70.0, -50.0)), SIZE), 1.0)
    noise = np.random.default_rng(1).normal(0, 6, sharp.shape)
    noisy = np.clip(sharp + noise, 0, 255).astype(np.uint8)
    assert edge_in(noisy).mm == pytest.approx(edge_in(sharp).mm, rel=0.1)


def test_covered_sides_are_left_out() -> None:
    sharp = blurred(card_photo(camera_over(over=(70.0, -50.0)), SIZE), 1.0)
    pose, whole = pose_in(sharp), edge_in(sharp)
    leaf = sharp.copy()
    cover(leaf, pose, np.array([[22.0, 30.0], [60.0, 30.0], [60.0, 28.5], [22.0, 28.5]]), (60, 90, 70))
    cover(leaf, pose, np.array([[28.5, 2.0], [60.0, 2.0], [60.0, 30.0], [28.5, 30.0]]), (60, 90, 70))
    found = marker_edge_width(leaf, pose, CARD, no_correction())
    assert found is not None
    assert found.sides < whole.sides
    assert found.mm == pytest.approx(whole.mm, rel=0.03)


def contrast_left(figure_mm: float, shape: NDArray[np.float64], mm_per_px: float) -> float:
    sigma_px = figure_mm / (norm.ppf(0.9) - norm.ppf(0.1)) / mm_per_px
    return float(cv2.GaussianBlur(shape, (0, 0), sigma_px).max())


def test_limits_are_where_a_line_and_a_spot_lose_half_their_contrast(tray: Tray) -> None:
    """Drawn at 0.02 mm a pixel and blurred by OpenCV, against the formulas that the limits come from."""
    x, y = np.meshgrid(*[np.arange(-150, 151) * 0.02] * 2)
    line, spot = (np.abs(x) <= 0.3).astype(float), (np.hypot(x, y) <= 1.0).astype(float)
    limits = {}
    for sigma_px in np.arange(0.8, 2.8, 0.25):
        check = tray.said_of(blurred(tray.bgr, sigma_px))["blur_mm"]
        limits.setdefault(check.verdict, []).append(check.figure)
    assert max(limits[GOOD]) < min(limits[USABLE]) < max(limits[USABLE]) < min(limits[RETAKE])
    assert contrast_left(max(limits[GOOD]), line, 0.02) > 0.5 > contrast_left(min(limits[USABLE]), line, 0.02)
    assert contrast_left(max(limits[USABLE]), spot, 0.02) > 0.5 > contrast_left(min(limits[RETAKE]), spot, 0.02)


@pytest.mark.parametrize("path", REFERENCE, ids=lambda path: path.stem)
def test_sharp_reference_photos_are_good(path: Path) -> None:
    photo = open_photo(path)
    found = locate(photo)
    checks = check_photo(photo.bgr, found.bgr, found.fruit, found.pose, found.correction)
    assert overall(checks) == (GOOD, "")
    assert 0.2 < figure_of(checks, "blur_mm") < 1.0


def test_a_good_photo_has_nothing_to_say(tray: Tray) -> None:
    said = tray.said_of(tray.bgr)
    assert overall(list(said.values())) == (GOOD, "")
    assert all(np.isfinite(check.figure) for check in said.values())


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("blur_mm", "not sharp"),
        ("clipped_share", "burnt out"),
        ("dark_share", "too dark"),
        ("glare_share", "glare"),
    ],
)
def test_a_bad_photo_is_told_why(tray: Tray, name: str, words: str) -> None:
    said = tray.said_of(_spoilt(tray.bgr, name))
    assert said[name].verdict == RETAKE
    assert words in said[name].reason
    assert overall(list(said.values()))[0] == RETAKE


def _spoilt(picture: Picture, name: str) -> Picture:
    if name == "blur_mm":
        return blurred(picture, 3.0)
    factor = {"clipped_share": 9.0, "dark_share": 0.02}.get(name)
    if factor is not None:
        return np.round(255 * linear_to_srgb(factor * srgb_to_linear(picture / 255.0))).astype(np.uint8)
    shining, found = picture.copy(), locate(open_photo(picture))
    scale = picture.shape[1] / found.bgr.shape[1]
    for fruit in found.fruit:
        x, y = fruit.outline.points_px.mean(axis=0)
        centre = int(x * scale), int(y * scale)
        cv2.ellipse(shining, centre, (46, 46), 0, 0, 360, (238, 240, 241), cv2.FILLED)
    return shining


def test_a_slanted_photo_is_told_so() -> None:
    said = {}
    for tilt_deg in (5.0, 27.0, 40.0):
        picture = card_photo(camera_over(tilt_deg=tilt_deg, over=(70.0, -50.0)), SIZE)
        checks = check_photo(picture, picture, [], pose_in(picture), no_correction())
        said[tilt_deg] = next(check for check in checks if check.name == "tilt_deg")
        assert said[tilt_deg].figure == pytest.approx(tilt_deg, abs=1.0)
    assert [check.verdict for check in said.values()] == [GOOD, USABLE, RETAKE]
    assert "slant" in said[40.0].reason


def test_fruit_cut_by_the_edge_are_counted(tray: Tray) -> None:
    found = locate(open_photo(tray.bgr))
    leftmost = min(found.fruit, key=lambda fruit: fruit.outline.points_px[:, 0].min())
    scale = tray.bgr.shape[1] / found.bgr.shape[1]
    cut = int(leftmost.outline.points_px[:, 0].mean() * scale)
    said = tray.said_of(np.ascontiguousarray(tray.bgr[:, cut:]))
    assert said["cut_off_fruit"].figure >= 1
    assert said["cut_off_fruit"].verdict != GOOD
    assert "cut off" in said["cut_off_fruit"].reason


def test_without_a_card_focus_rests_on_the_fruit(tray: Tray) -> None:
    pose = pose_in(tray.bgr)
    bare = tray.bgr.copy()
    cover(bare, pose, CARD.outline_mm + np.array([[-2, -2], [2, -2], [2, 2], [-2, 2]]), (200, 205, 205))
    said = tray.said_of(bare)
    assert said["card"].verdict == USABLE
    assert "no reference card" in said["card"].reason
    assert "blur_mm" not in said
    assert said["outline_mm"].verdict == GOOD
    assert tray.said_of(blurred(bare, 7.0))["outline_mm"].verdict != GOOD


def test_a_tray_without_fruit_is_to_be_taken_again() -> None:
    picture = card_photo(camera_over(over=(70.0, -50.0)), SIZE)
    checks = check_photo(picture, picture, [], pose_in(picture), no_correction())
    verdict, reasons = overall(checks)
    assert verdict == RETAKE
    assert "no fruit" in reasons
    assert np.isfinite(figure_of(checks, "blur_mm"))
