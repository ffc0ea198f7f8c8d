"""The printed sheets, turned into pixels by PDFium and measured there with OpenCV and zxing-cpp."""

import json
from datetime import datetime

import cv2
import numpy as np
import pypdfium2
import pytest
import zxingcpp

from scorer.errors import CardError, OutputError
from scorer.printing import PAPERS, print_card, print_tags
from scorer.printing.lettering import BOLD, fit, printable, register_fonts, width_of, wrap
from scorer.printing.tag_sheet import TAG_MM
from scorer.resources import shared_folder
from scorer.tag import Tag, encode_tag, parse_tag, read_tag

DPI = 300
PX_PER_MM = DPI / 25.4
CARD = json.loads((shared_folder() / "card.json").read_text(encoding="utf-8"))
TAG = Tag("North Ladder", "17", datetime(2025, 2, 14, 7, 30), "snip", "A")
PAPER_MM = {"A4": (210, 297), "Letter": (215.9, 279.4)}  # ISO 216 and ANSI Y14.1


def pages(path, dpi=DPI):
    """Pages as RGB arrays."""
    document = pypdfium2.PdfDocument(path)
    pictures = [page.render(scale=dpi / 72, rev_byteorder=True).to_numpy()[..., :3].copy() for page in document]
    document.close()
    return pictures


def words(path):
    document = pypdfium2.PdfDocument(path)
    text = " ".join(page.get_textpage().get_text_bounded() for page in document)
    document.close()
    return " ".join(text.split())


def codes(picture):
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    return zxingcpp.read_barcodes(grey, formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode))


@pytest.fixture(scope="module", params=PAPERS)
def card_page(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("card") / "card.pdf"
    print_card(path, paper=request.param)
    return request.param, path, pages(path)


def card_corner_mm(paper):
    """Where the card's top left corner lies: centred, so that its middle is the sheet's middle across."""
    return (PAPER_MM[paper][0] - CARD["size"][0]) / 2


def found_markers(picture):
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CARD["marker_dictionary"]))
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(
        cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    )
    # OpenCV's whole numbers are the middles of pixels, so the picture's edge lies at -0.5.
    return {
        int(marker): (each.reshape(4, 2) + 0.5) / PX_PER_MM for marker, each in zip(ids.ravel(), corners, strict=True)
    }


def test_the_card_fills_one_sheet_of_the_paper(card_page):
    paper, _, pictures = card_page
    assert len(pictures) == 1
    height_px, width_px = pictures[0].shape[:2]
    assert (width_px / PX_PER_MM, height_px / PX_PER_MM) == pytest.approx(PAPER_MM[paper], abs=0.1)


def test_markers_are_found_where_the_card_has_them(card_page):
    paper, _, (picture,) = card_page
    found = found_markers(picture)
    assert sorted(found) == sorted(marker["id"] for marker in CARD["markers"])
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * CARD["marker_side"]
    printed = np.concatenate([found[marker["id"]] for marker in CARD["markers"]])
    meant = np.concatenate([np.array(marker["top_left"]) + square for marker in CARD["markers"]])
    distances = [np.linalg.norm(points[:, None] - points[None], axis=-1) for points in (printed, meant)]
    np.testing.assert_allclose(distances[0], distances[1], atol=0.1)
    assert printed[0, 0] - meant[0, 0] == pytest.approx(card_corner_mm(paper), abs=0.1)


def patch_views(picture):
    """Each patch's name and the picture cut to its square, placed by the first marker alone."""
    corner = found_markers(picture)[CARD["markers"][0]["id"]][0] - CARD["markers"][0]["top_left"]
    for patch in CARD["patches"]:
        begin = np.round((corner + patch["top_left"]) * PX_PER_MM).astype(int)
        end = np.round((corner + patch["top_left"] + np.full(2, CARD["patch_side"])) * PX_PER_MM).astype(int)
        yield patch, picture[begin[1] : end[1], begin[0] : end[0]]


def test_patches_have_their_colours_over_their_whole_squares(card_page):
    _, _, (picture,) = card_page
    for patch, view in patch_views(picture):
        off = np.abs(view[2:-2, 2:-2].astype(int) - patch["srgb"]).max()
        assert off <= 2, patch["name"]


def test_the_bar_is_as_long_as_it_says(card_page):
    _, path, _ = card_page
    (fine,) = pages(path, dpi=600)
    px_per_mm = 600 / 25.4
    bar = CARD["scale_bar"]
    corner = found_markers(cv2.resize(fine, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))[10][0] - (
        5,
        5,
    )
    row = round((corner[1] + bar["start"][1] + 0.9) * px_per_mm)  # below the bar, through its ticks
    dark = (fine[row, :, 0] < 128).astype(int)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], dark, [0]]))).reshape(-1, 2)
    ticks = edges.mean(axis=1) / px_per_mm - corner[0] - bar["start"][0]
    np.testing.assert_allclose(ticks, np.arange(0, bar["length"] + 1, bar["tick_every"]), atol=0.1)


def test_the_sheet_says_how_to_print_and_what_to_take_care_of(card_page):
    said = words(card_page[1])
    for words_needed in (
        "100 %",
        "100 mm",
        "matt paper",
        "skin and eyes",
        "see a doctor",
        "safety data sheet",
        "shade",
    ):
        assert words_needed in said.replace("\u00a0", " ")


def test_nothing_but_the_card_is_printed_inside_the_crop_marks(card_page):
    paper, _, (picture,) = card_page
    left, top = np.round(np.array([card_corner_mm(paper), 44.0]) * PX_PER_MM).astype(int)
    width, height = np.round(np.array(CARD["size"]) * PX_PER_MM).astype(int)
    card = picture[top : top + height, left : left + width].copy()
    things = [(marker["top_left"], (CARD["marker_side"],) * 2) for marker in CARD["markers"]]
    things += [(patch["top_left"], (CARD["patch_side"],) * 2) for patch in CARD["patches"]]
    things.append(((CARD["scale_bar"]["start"][0] - 5, CARD["scale_bar"]["start"][1] - 0.3), (111, 4.2)))
    for corner, size in things:
        begin = np.floor((np.array(corner) - 0.2) * PX_PER_MM).astype(int)
        end = np.ceil((np.array(corner) + size + 0.2) * PX_PER_MM).astype(int)
        card[begin[1] : end[1], begin[0] : end[0]] = 255
    assert (card == 255).all()


def test_printing_twice_gives_the_same_file(tmp_path):
    for name in ("a.pdf", "b.pdf"):
        print_card(tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


@pytest.mark.parametrize("change", [{"scale_bar": None}, {"marker_dictionary": "DICT_9X9"}, {"markers": [{"id": 10}]}])
def test_a_card_that_cannot_be_drawn_is_refused(tmp_path, change):
    (tmp_path / "card.json").write_text(json.dumps(CARD | change), encoding="utf-8")
    with pytest.raises(CardError):
        print_card(tmp_path / "card.pdf", card_file=tmp_path / "card.json")
    assert not (tmp_path / "card.pdf").exists()


def test_a_pdf_that_cannot_be_written_is_told_and_leaves_nothing(tmp_path):
    (tmp_path / "card.pdf").mkdir()
    with pytest.raises(OutputError, match="cannot be written"):
        print_card(tmp_path / "card.pdf")
    with pytest.raises(OutputError, match="cannot be written"):
        print_card(tmp_path / "none" / "card.pdf")
    assert [path.name for path in tmp_path.iterdir()] == ["card.pdf"]


def test_an_unknown_paper_is_refused(tmp_path):
    with pytest.raises(ValueError, match="A4, Letter"):
        print_card(tmp_path / "card.pdf", paper="A3")


@pytest.mark.parametrize("paper", PAPERS)
def test_every_tag_is_read_back_from_the_paper(tmp_path, paper):
    tags = [Tag("North Ladder", str(number), datetime(2025, 2, 14, 7, number), "snip", "A") for number in range(20)]
    assert print_tags(tags, tmp_path / "tags.pdf", paper=paper) == ()
    pictures = pages(tmp_path / "tags.pdf")
    assert len(pictures) == 2
    assert [len(codes(picture)) for picture in pictures] == [18, 2]
    read = [parse_tag(code.text) for picture in pictures for code in codes(picture)]
    assert sorted(read, key=lambda tag: int(tag.bin)) == tags
    assert {code.ec_level for code in codes(pictures[0])} == {"M"}


def test_a_code_is_large_enough_and_keeps_its_quiet_zone(tmp_path):
    print_tags([TAG, TAG, TAG, TAG], tmp_path / "tags.pdf")
    (picture,) = pages(tmp_path / "tags.pdf")
    for code in codes(picture):
        names = ("top_left", "top_right", "bottom_right", "bottom_left")
        corners = np.array([(getattr(code.position, name).x, getattr(code.position, name).y) for name in names])
        side_mm = np.linalg.norm(corners[1] - corners[0]) / PX_PER_MM
        assert side_mm >= 24
        modules = 17 + 4 * int(code.extra["Version"])  # ISO/IEC 18004
        quiet_px = int(3.8 * side_mm / modules * PX_PER_MM)  # four by ISO/IEC 18004, less the rounding of pixels
        (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
        around = picture[top - quiet_px : bottom + quiet_px, left - quiet_px : right + quiet_px].copy()
        around[quiet_px - 3 : -quiet_px + 3, quiet_px - 3 : -quiet_px + 3] = 255
        assert (around == 255).all()


def test_a_printed_tag_is_read_from_a_photo_of_it(tmp_path):
    # 0.22 mm to the pixel, as in a photo of 2016 px over 440 mm of tray, turned and a little soft
    print_tags([TAG], tmp_path / "tags.pdf")
    (sheet,) = pages(tmp_path / "tags.pdf", dpi=25.4 / 0.22)
    turn = cv2.getRotationMatrix2D((200, 200), 33, 1.0)
    turn[:, 2] += (300, 300)
    photo = cv2.GaussianBlur(cv2.warpAffine(sheet, turn, (1400, 1400), borderValue=(90, 110, 80)), (0, 0), 0.8)
    assert read_tag(photo) == TAG


def test_people_can_read_the_tag_as_well(tmp_path):
    tag = Tag("Đội hái Xoài", "K-9", datetime(2025, 2, 14, 13, 5), "Лестница", "Ανατολή")
    assert print_tags([tag], tmp_path / "tags.pdf") == ()
    said = words(tmp_path / "tags.pdf")
    for text in ("Đội hái", "Xoài", "K-9", "2025-02-14 13:05", "Лестница", "Ανατολή", "Print at 100 %"):
        assert text in said


def test_a_script_that_cannot_be_printed_is_told_and_is_still_in_the_code(tmp_path):
    tag = Tag("ทีมสวน", "7")
    (note,) = print_tags([tag], tmp_path / "tags.pdf")
    assert note == "Tag 1: crew ทีมสวน is in a script that cannot be printed; write it on the line."
    (picture,) = pages(tmp_path / "tags.pdf")
    assert read_tag(picture) == tag


@pytest.mark.parametrize("text", ["North 12", "Đội hái", "Süd, Ñandú", "Бригада", "Βορράς", "Ọṣun"])
def test_scripts_that_print(text):
    assert printable(text)


@pytest.mark.parametrize("text", ["उत्तर", "ทีม", "北", "فريق", "צפון", "கிழக்கு", "x\u0331"])
def test_scripts_that_do_not_print(text):
    assert not printable(text)


def test_names_that_do_not_fit_are_cut_with_a_note(tmp_path):
    tag = Tag("W" * 60, "17")
    (note,) = print_tags([tag], tmp_path / "tags.pdf")
    assert note.endswith("is cut in the plain text; the code has all of it.")
    (picture,) = pages(tmp_path / "tags.pdf")
    assert read_tag(picture) == tag


def test_no_text_runs_over_its_tag(tmp_path):
    longest = Tag(
        "River Flat second harvest crew",
        "Upper Gate 1042 blue",
        datetime(2025, 2, 14, 13, 5),
        "pole " * 4,
        "east",
    )
    print_tags([longest], tmp_path / "tags.pdf")
    (picture,) = pages(tmp_path / "tags.pdf")
    left, top = (PAPER_MM["A4"][0] - 3 * TAG_MM[0]) / 2, 26.0
    sheet = picture[round((top - 1) * PX_PER_MM) :].copy()
    inner = np.round(np.array([left + 0.6, 1.6, left + TAG_MM[0] - 0.6, TAG_MM[1] + 0.4]) * PX_PER_MM).astype(int)
    sheet[inner[1] : inner[3], inner[0] : inner[2]] = 255
    assert sheet.min() >= 160  # only the faint lines to cut along are left


@pytest.mark.parametrize(
    ("tags", "sentence"),
    [
        ([], "no tags to print"),
        ([TAG, Tag(method="snip")], "Tag 2 names neither a crew nor a bin"),
        ([Tag("n" * 61)], "longer than 60"),
        ([Tag("ทีม" * 20, "ถัง" * 20, None, "วิธี" * 15)], "too much text"),
    ],
)
def test_tags_that_cannot_be_printed_are_refused(tmp_path, tags, sentence):
    with pytest.raises(OutputError, match=sentence):
        print_tags(tags, tmp_path / "tags.pdf")
    assert not list(tmp_path.iterdir())


def test_the_text_of_the_code_is_the_text_of_the_tag(tmp_path):
    print_tags([TAG], tmp_path / "tags.pdf")
    (code,) = codes(pages(tmp_path / "tags.pdf")[0])
    assert code.text == encode_tag(TAG)


def test_wrapping_keeps_to_the_width():
    register_fonts()
    text = "a crew with a verylongnamewithoutanyblankinside at 100\u00a0% of it"
    lines = wrap(text, 20, font=BOLD, size_pt=9)
    assert all(width_of(line, BOLD, 9) <= 20 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert any("100\u00a0%" in line for line in lines)
    assert fit("North", 30, font=BOLD, choices=((12.0, 1), (5.0, 1))) == (["North"], 12.0, False)
    assert fit("North", 8, font=BOLD, choices=((12.0, 1), (5.0, 1))) == (["North"], 5.0, False)
    (cut,), _, was_cut = fit("North of everything", 8, font=BOLD, choices=((12.0, 1), (5.0, 1)))
    assert was_cut
    assert cut.endswith("…")
