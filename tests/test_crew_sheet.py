"""The crew sheet, read back from its PDF by pypdf and PDFium: all of it is there, on one page, and nothing overlaps."""

import re
from dataclasses import replace
from datetime import date
from functools import cache
from itertools import combinations

import cv2
import numpy as np
import pandas as pd
import pypdfium2
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from scorer.advice.crew_sheet import CrewSheet, print_crew_sheets
from scorer.advice.examples import SIZE_PX, Example, cut_examples
from scorer.advice.page_layout import FAIR_USE
from scorer.advice.practices import choose_practices
from scorer.advice.share_words import (
    ALL_CREWS,
    TARGET,
    Comparison,
    Share,
    comparison_sentence,
    share_of_crew,
    share_sentence,
)
from scorer.crews.shares import BINS_DIFFER_MORE, NO_BINS_TO_COMPARE, NO_FRUIT, ONE_BIN, defect_share
from scorer.errors import OutputError
from scorer.language import CATALOGUE, available_languages, load_language
from scorer.printing import PAPERS

PAPER_MM = {"A4": (210, 297), "Letter": (215.9, 279.4)}  # ISO 216 and ANSI Y14.1
PT_PER_MM = 72 / 25.4
BAND, BAR = (176, 203, 158), (52, 84, 40)
SHARE = Share(fruit=240, bins=12, defective=22, low=0.0543, high=0.1488)
SLOW = settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])


@cache
def advice(kind="sap_burn", count=14):
    """Advice for a crew that has so many marks of a kind, all on the cheek."""
    fruit = pd.DataFrame(
        {"photo": "a.jpg", "fruit": range(count), "crew": "Curlew", "bin": range(count), "defective": True}
    )
    marks = fruit[["photo", "fruit"]].assign(
        kind=kind,
        area_mm2=90.0,
        length_mm=14.0,
        width_mm=10.0,
        elongation=1.4,
        stem_distance_mm=70.0,
        stem_direction=0.3,
    )
    return choose_practices(fruit, marks, "Curlew")


def example(colour=(90, 140, 60), shape=(510, 680), **changes):
    picture = np.full((*shape, 3), colour, np.uint8)
    return Example(**{"picture": picture, "kind": "sap_burn", "area_mm2": 139.4, **changes})


def crew_sheet(language="en", **changes):
    whole = {
        "crew": "Curlew",
        "share": SHARE,
        "days": 6,
        "advice": advice(),
        "language": load_language(language),
        "compared": Comparison(ALL_CREWS, 0.07),
        "period": (date(2026, 1, 12), date(2026, 1, 17)),
        "examples": (example(), example(kind="crease", area_mm2=None), example(kind="unsure", area_mm2=8.2)),
    }
    return CrewSheet(**(whole | changes))


def read(path):
    """Text of each page, blanks and line breaks all alike."""
    return [plain(page.extract_text()) for page in PdfReader(path).pages]


def plain(text):
    return " ".join(re.sub(r"\s+", " ", text).split())


def printed(tmp_path, *sheets, paper="A4"):
    path = tmp_path / "crew.pdf"
    notes = print_crew_sheets(sheets, path, paper=paper)
    return path, notes


def lines_of(path):
    """Boxes (left, bottom, right, top) in pt of the runs of text on the only page, by PDFium."""
    document = pypdfium2.PdfDocument(path)
    assert len(document) == 1
    page = document[0].get_textpage()
    boxes = [page.get_rect(index) for index in range(page.count_rects())]
    size = document[0].get_size()
    document.close()
    return boxes, size


def pixels(path, dpi=150):
    document = pypdfium2.PdfDocument(path)
    picture = document[0].render(scale=dpi / 72, rev_byteorder=True).to_numpy()[..., :3].copy()
    document.close()
    return picture


def overlap_mm(one, other):
    across = min(one[2], other[2]) - max(one[0], other[0])
    down = min(one[3], other[3]) - max(one[1], other[1])
    return min(across, down) / PT_PER_MM


def assert_nothing_overlaps(path):
    boxes, (width, height) = lines_of(path)
    assert boxes
    for box in boxes:
        assert box[0] >= 14 * PT_PER_MM, box
        assert box[2] <= width - 14 * PT_PER_MM, box
        assert box[1] >= 9 * PT_PER_MM, box
        assert box[3] <= height - 9 * PT_PER_MM, box
    for one, other in combinations(boxes, 2):
        assert overlap_mm(one, other) < 0.3, (one, other)


# What stands on it


@pytest.mark.parametrize("language", available_languages())
@pytest.mark.parametrize("paper", PAPERS)
def test_one_page_has_all_of_it_in_every_language(tmp_path, language, paper):
    sheet = crew_sheet(language)
    path, notes = printed(tmp_path, sheet, paper=paper)
    (said,) = read(path)
    words = sheet.language
    assert notes == ()
    assert plain(share_sentence(SHARE, words)) in said
    assert plain(comparison_sentence(SHARE, sheet.compared, words)) in said
    for chosen in sheet.advice.chosen:
        for text in (chosen.line.question, chosen.line.why):
            assert plain(words.text(text)) in said
        for reason in chosen.reasons:
            assert plain(words.say(reason)) in said
    for text in (*sheet.advice.cautions, FAIR_USE):
        assert plain(words.text(text)) in said
    for note in sheet.advice.notes:
        assert plain(words.say(note)) in said
    assert_nothing_overlaps(path)
    page = PdfReader(path).pages[0]
    assert [float(side) / PT_PER_MM for side in page.mediabox[2:]] == pytest.approx(PAPER_MM[paper], abs=0.1)


def test_it_speaks_plainly_in_english(tmp_path):
    path, _ = printed(tmp_path, crew_sheet())
    (said,) = read(path)
    for text in (
        "Of every 100 fruit about 9 were downgraded; the truth is likely between 5 and 15.",
        "240 fruit looked at · 12 bins · 6 days of picking.",
        "14 of 14 sap-burn marks are blotches 25 mm or more from the stem end.",
        "Sap burn, 139 mm²",
        "see a doctor at once",
        "shade",
        "Not for pay or discipline",
    ):
        assert text in said


def test_it_speaks_plainly_in_spanish(tmp_path):
    path, _ = printed(tmp_path, crew_sheet("es"))
    (said,) = read(path)
    for text in (
        "De cada 100 frutos, cerca de 9 bajaron de categoría; lo verdadero está probablemente entre 5 y 15.",
        "240 frutos revisados · 12 bins · 6 días de cosecha.",
        "14 de 14 quemaduras por látex son manchas a 25 mm o más del pedúnculo.",
        "Quemadura por látex, 139 mm²",
        "vaya al médico de inmediato",
        "sombra",
        "No para el pago ni para sanciones",
    ):
        assert text in said


def test_the_file_says_its_language_to_programs_that_read_aloud(tmp_path):
    path, _ = printed(tmp_path, crew_sheet("es_PE"))
    reader = PdfReader(path)
    assert reader.trailer["/Root"]["/Lang"] == "es-PE"
    assert reader.metadata.title == "Hoja de la cuadrilla: Curlew"


def letter_sizes(path):
    """Sizes in pt of all text on the first page."""
    sizes = []

    def note(text, cm, tm, font, size):
        if text.strip():
            sizes.append(size)

    PdfReader(path).pages[0].extract_text(visitor_text=note)
    return sizes


def test_letters_are_large_enough_for_a_phone(tmp_path):
    path, _ = printed(tmp_path, crew_sheet())
    assert min(letter_sizes(path)) >= 7.5
    assert max(letter_sizes(path)) >= 24


def test_the_pictures_are_there_whole_and_upright(tmp_path):
    top_red = np.zeros((510, 680, 3), np.uint8)
    top_red[:255] = (200, 30, 30)
    top_red[255:] = (30, 30, 200)
    path, _ = printed(tmp_path, crew_sheet(examples=(example(picture=top_red), example(), example((9, 9, 9)))))
    assert len(PdfReader(path).pages[0].images) == 3
    picture = pixels(path).astype(int)
    red, blue = (np.argwhere(np.abs(picture - colour).max(axis=-1) < 30) for colour in ((200, 30, 30), (30, 30, 200)))
    assert red[:, 0].max() < blue[:, 0].min() + 3
    width, height = (np.ptp(np.concatenate([red, blue])[:, axis]) + 1 for axis in (1, 0))
    assert width / height == pytest.approx(680 / 510, rel=0.02)


@pytest.mark.parametrize(("low", "high", "defective"), [(0.05, 0.15, 24), (0.3, 0.9, 120), (0.0, 0.04, 2)])
def test_the_band_is_drawn_where_the_numbers_say(tmp_path, low, high, defective):
    path, _ = printed(tmp_path, crew_sheet(share=Share(240, 12, defective, low, high), compared=None, examples=()))
    picture = pixels(path, dpi=300).astype(int)
    band = np.abs(picture - BAND).max(axis=-1) < 12
    rows = np.flatnonzero(band.sum(axis=1) > 20)
    columns = np.flatnonzero(band[rows[len(rows) // 2]])
    above = rows[0] - 6  # only the bar of the share stands higher than the band
    here = np.flatnonzero(np.abs(picture[above, columns[0] - 40 : columns[-1] + 40] - BAR).max(axis=-1) < 12)
    share = (here.mean() + columns[0] - 40 - columns[0]) / (columns[-1] - columns[0])
    assert share == pytest.approx((defective / 240 - low) / (high - low), abs=0.03)


# The words for the share

# The counts and ends below are made up; what is checked is how they are said.


@pytest.mark.parametrize(
    ("share", "sentence"),
    [
        (SHARE, "Of every 100 fruit about 9 were downgraded; the truth is likely between 5 and 15."),
        (
            Share(90, 9, 1, 0.001, 0.06),
            "Of every 100 fruit about 1 was downgraded; the truth is likely between 0 and 6.",
        ),
        (
            Share(2400, 99, 12, 0.003, 0.008),
            "Of every 1,000 fruit about 5 were downgraded; the truth is likely between 3 ",
        ),
        (
            Share(40, 4, 0, 0.0, 0.0871),
            "No fruit looked at was downgraded; of every 100 the truth is likely 9 or",
        ),
        (
            Share(40, 4, 40, 0.9129, 1.0),
            "Every fruit looked at was downgraded; of every 100 the truth is likely 91",
        ),
        (Share(12, 1, 3), "3 of 12 fruit looked at were downgraded: too little to say how many of all its fruit are."),
        (Share(12, 1, 1), "1 of 12 fruit looked at was downgraded: too little to say"),
        (Share(0, 0, 0), "No fruit of this crew was looked at, so nothing can be said yet."),
    ],
)
def test_a_share_is_said_in_so_many_of_a_hundred_with_its_interval(share, sentence):
    assert share_sentence(share, load_language("en")).startswith(sentence)


@given(st.integers(1, 400), st.data())
def test_rounding_never_makes_the_interval_shorter(fruit, data):
    defective = data.draw(st.integers(0, fruit))
    low = data.draw(st.floats(0, defective / fruit))
    high = data.draw(st.floats(defective / fruit, 1))
    share = Share(fruit, 5, defective, low, high)
    numbers = [
        int(each.replace(",", "")) for each in re.findall(r"[\d,]*\d", share_sentence(share, load_language("en")))
    ]
    if defective == 0:
        base, top = numbers
        assert top >= high * base - 1e-6
    elif defective == fruit:
        base, bottom = numbers
        assert bottom <= low * base + 1e-6
    else:
        base, about, bottom, top = numbers
        assert bottom <= low * base + 1e-6
        assert top >= high * base - 1e-6
        assert bottom - 1 < about < top + 1
        assert 0 < about < base


@pytest.mark.parametrize(
    ("other", "end"),
    [
        (0.07, "Whether the crew does better or worse, its fruit cannot tell yet."),
        (0.05, "The crew likely lies above that."),
        (0.2, "The crew likely lies below that."),
    ],
)
def test_a_crew_is_called_better_or_worse_only_beyond_its_interval(other, end):
    words = load_language("en")
    assert (
        comparison_sentence(SHARE, Comparison(TARGET, other), words) == f"The target: {100 * other:.0f} of 100. {end}"
    )
    assert comparison_sentence(Share(12, 1, 3), Comparison(TARGET, other), words) == ""


def test_a_share_is_taken_from_the_table_of_shares():
    fruit = pd.DataFrame({"crew": "Brolga", "bin": np.repeat(range(6), 10), "defective": np.arange(60) % 10 == 0})
    table = defect_share(pd.concat([fruit, fruit[:5].assign(crew="Curlew")]))
    share = share_of_crew(table, "Brolga")
    row = table[table["crew"] == "Brolga"].iloc[0]
    assert (share.fruit, share.bins, share.defective, share.low, share.high) == (60, 6, 6, row["low"], row["high"])
    assert share_of_crew(defect_share(fruit[:5]), "Brolga").interval is None
    with pytest.raises(ValueError, match="no crew 'Quandong'"):
        share_of_crew(table, "Quandong")


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Share(3, 1, 4),
        lambda: Share(3, 1, 1, 0.5, 0.2),
        lambda: Share(3, 1, 1, 0.1, None),
        lambda: Share(3, 1, 1, float("nan"), 0.5),
        lambda: Comparison(TARGET, 1.2),
        lambda: crew_sheet(examples=(example(),) * 4),
        lambda: crew_sheet(period=(date(2026, 2, 1), date(2026, 1, 1))),
        lambda: example(kind="rot"),
        lambda: Example(np.zeros((4, 4), np.uint8), "cut", None),
        lambda: Example(np.zeros((4, 4, 3)), "cut", None),
    ],
)
def test_what_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match=r".{20}"):
        wrong()


# Odd sheets


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"share": Share(12, 1, 3, note=NO_BINS_TO_COMPARE)}, "No crew has two bins yet"),
        ({"share": replace(SHARE, note=ONE_BIN)}, "Only one bin was looked at"),
        ({"share": replace(SHARE, note=BINS_DIFFER_MORE)}, "look at them one by one"),
        ({"share": Share(0, 0, 0, note=NO_FRUIT), "days": 0, "period": None}, "nothing can be said yet"),
        ({"examples": ()}, "Two things to check"),
        ({"examples": (example(shape=(900, 40)), example(shape=(1, 1)))}, "What it looks like"),
        ({"compared": None}, "Two things to check"),
        ({"compared": Comparison(ALL_CREWS, 1.0)}, "The crew likely lies below that."),
        ({"share": Share(300, 20, 294, 0.96, 0.99)}, "about 98 were downgraded"),
        ({"share": Share(9000, 300, 9, 0.0005, 0.002)}, "Of every 1,000 fruit about 1 was"),
    ],
)
def test_a_sheet_that_lacks_something_is_sound(tmp_path, changes, words):
    path, _ = printed(tmp_path, crew_sheet(**changes))
    (said,) = read(path)
    assert words in said
    assert plain(FAIR_USE) in said
    assert_nothing_overlaps(path)


@pytest.mark.parametrize("name", ["ทีมสวน", "", " \n\t", "\x00", "क्रू"])
def test_a_name_that_cannot_be_printed_leaves_a_line_to_write_on(tmp_path, name):
    path, (note,) = printed(tmp_path, crew_sheet(crew=name))
    assert note.endswith("cannot be printed; write it on the line.")
    assert plain(FAIR_USE) in read(path)[0]
    assert_nothing_overlaps(path)


def test_a_name_that_is_far_too_long_is_cut_and_told(tmp_path):
    path, (note,) = printed(tmp_path, crew_sheet(crew="W" * 200))
    assert note.endswith("is cut on the sheet.")
    assert "WWW…" in read(path)[0].replace(" ", "")
    assert_nothing_overlaps(path)


NAMES = st.text(st.characters(codec="utf-8"), max_size=120) | st.text("Wiñ -", min_size=1, max_size=150)


@SLOW
@given(
    crew=NAMES,
    language=st.sampled_from(available_languages()),
    fruit=st.integers(1, 5000),
    bad=st.floats(0, 1),
    ends=st.tuples(st.floats(0, 1), st.floats(0, 1)),
    other=st.none() | st.floats(0, 1),
    pictures=st.integers(0, 3),
    kind=st.sampled_from(["sap_burn", "abrasion", "cut", "stem_puncture", "crease"]),
    paper=st.sampled_from(sorted(PAPERS)),
)
def test_whatever_stands_on_a_sheet_nothing_overlaps_or_leaves_the_page(
    tmp_path, crew, language, fruit, bad, ends, other, pictures, kind, paper
):
    defective = round(bad * fruit)
    low, high = min(*ends, defective / fruit), max(*ends, defective / fruit)
    sheet = crew_sheet(
        language,
        crew=crew,
        share=Share(fruit, 7, defective, low, high),
        compared=None if other is None else Comparison(ALL_CREWS, other),
        examples=(example(kind=kind),) * pictures,
        advice=advice(kind),
    )
    path, notes = printed(tmp_path, sheet, paper=paper)
    assert len(notes) <= 1
    assert_nothing_overlaps(path)


@pytest.mark.parametrize("kind", ["sap_burn", "abrasion", "cut", "stem_puncture", "crease"])
@pytest.mark.parametrize("language", available_languages())
def test_every_kinds_advice_fits_at_a_readable_size(tmp_path, kind, language):
    path, _ = printed(tmp_path, crew_sheet(language, advice=advice(kind)))
    assert min(letter_sizes(path)) >= 7.0


def test_many_crews_make_one_page_each(tmp_path):
    path, _ = printed(tmp_path, crew_sheet(), crew_sheet(crew="Brolga"), crew_sheet("es", crew="Quandong"))
    said = read(path)
    assert [name in text for name, text in zip(("Curlew", "Brolga", "Quandong"), said, strict=True)] == [True] * 3
    assert not any("Curlew" in text for text in said[1:])


def test_printing_twice_gives_the_same_file(tmp_path):
    files = []
    for name in ("a.pdf", "b.pdf"):
        print_crew_sheets([crew_sheet()], tmp_path / name)
        files.append((tmp_path / name).read_bytes())
    assert files[0] == files[1]


def test_no_sheets_and_a_language_that_the_fonts_lack_are_refused(tmp_path):
    catalogue = tmp_path / "hi" / "LC_MESSAGES" / CATALOGUE
    catalogue.parent.mkdir(parents=True)
    head = 'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n\n'
    catalogue.write_text(f'{head}msgid "Fair use"\nmsgstr "उचित"\n', encoding="utf-8")
    with pytest.raises(OutputError, match="cannot print the text 'उचित'; choose another language"):
        print_crew_sheets([replace(crew_sheet(), language=load_language("hi", tmp_path))], tmp_path / "crew.pdf")
    with pytest.raises(OutputError, match="no crew sheets"):
        print_crew_sheets([], tmp_path / "crew.pdf")
    assert not (tmp_path / "crew.pdf").exists()


# Examples

SKIN, MARK = (110, 150, 60), (200, 40, 160)  # a colour that no outline has


def tray(marks, size=(900, 1200)):
    """A drawn photo and mask: discs (x, y, radius) of mark colour on skin, numbered from 1."""
    photo, mask = np.full((*size, 3), SKIN, np.uint8), np.zeros(size, np.uint16)
    for number, (x, y, radius) in enumerate(marks, start=1):
        cv2.circle(photo, (x, y), radius, MARK, -1)
        disc = np.zeros(size, np.uint8)
        cv2.circle(disc, (x, y), radius, 1, -1)
        mask[disc > 0] = number
    return photo, mask


def tables(rows):
    """Tables from (photo, bin, fruit, mark, kind, probability, area_mm2); every fruit is downgraded."""
    marks = pd.DataFrame(rows, columns=["photo", "bin", "fruit", "mark", "kind", "probability", "area_mm2"])
    fruit = marks[["photo", "bin", "fruit"]].drop_duplicates().assign(crew="Curlew", defective=True)
    return fruit, marks.drop(columns="bin")


def cut(fruit, marks, trays, kinds=("cut",), **options):
    return cut_examples(
        fruit,
        marks,
        "Curlew",
        kinds=kinds,
        open_photo=lambda name: trays[name][0] if name in trays else None,
        open_mark_mask=lambda name: trays[name][1] if name in trays else None,
        **options,
    )


def drawn_mark(picture):
    return np.abs(picture.astype(int) - MARK).max(axis=-1) < 25


@pytest.mark.parametrize("scale", [0.5, 1, 2])
def test_an_example_shows_the_whole_mark_with_skin_around_it(scale):
    photo, mask = tray([(600, 450, 40)])
    photo = cv2.resize(photo, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    (found,) = cut(*tables([("a", "1", 1, 1, "cut", 0.9, 201.0)]), {"a": (photo, mask)})
    assert found.picture.shape == (SIZE_PX[1], SIZE_PX[0], 3)
    rows, columns = np.nonzero(drawn_mark(found.picture))
    assert (columns.mean(), rows.mean()) == pytest.approx((SIZE_PX[0] / 2, SIZE_PX[1] / 2), abs=4)
    # the window is 1.9 times as high as the disc of 81 pixels; a photo of half the size has a softer edge
    assert len(rows) == pytest.approx(np.pi / 4 * (SIZE_PX[1] / 1.9) ** 2, rel=0.08)


def test_the_outline_goes_around_the_mark_and_hides_none_of_it():
    (found,) = cut(*tables([("a", "1", 1, 1, "cut", 0.9, 201.0)]), {"a": tray([(600, 450, 40)])})
    light = (found.picture.min(axis=-1) > 200).astype(np.uint8)
    (outline,), _ = cv2.findContours(light, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    inside = cv2.drawContours(np.zeros_like(light), [outline], -1, 1, -1)
    assert (inside[drawn_mark(found.picture)] == 1).all()
    assert inside.sum() < 1.4 * drawn_mark(found.picture).sum()


@pytest.mark.parametrize(("x", "y"), [(30, 30), (1180, 880), (30, 880)])
def test_a_mark_at_the_photos_edge_is_shown_whole(x, y):
    (found,) = cut(*tables([("a", "1", 1, 1, "cut", 0.9, 25.0)]), {"a": tray([(x, y, 14)])})
    rows, columns = np.nonzero(drawn_mark(found.picture))
    assert np.ptp(rows) == pytest.approx(np.ptp(columns), rel=0.1)
    assert min(np.ptp(rows), np.ptp(columns)) > 30


def test_a_small_mark_is_shown_with_its_surroundings():
    # 25 mm2 on 616 pixels are 0.2 mm to the pixel: 22 mm are 110 pixels, so that the disc of 29 fills a quarter
    (found,) = cut(*tables([("a", "1", 1, 1, "cut", 0.9, 25.0)]), {"a": tray([(600, 450, 14)])})
    height = np.ptp(np.nonzero(drawn_mark(found.picture))[0])
    assert height / SIZE_PX[1] == pytest.approx(29 / 110, rel=0.1)


def test_a_mark_larger_than_the_window_and_one_without_a_scale_are_shown():
    for radius, area_mm2 in ((440, 9000.0), (20, None), (20, np.nan)):
        (found,) = cut(*tables([("a", "1", 1, 1, "cut", 0.9, area_mm2)]), {"a": tray([(600, 450, radius)])})
        assert drawn_mark(found.picture).any()
        assert found.area_mm2 == (9000.0 if radius == 440 else None)


def test_examples_come_from_different_bins_before_any_bin_comes_again():
    rows = [
        *((f"p{mark}", "1", 1, 1, "cut", 0.99, 60.0) for mark in range(4)),
        ("q", "2", 1, 1, "cut", 0.5, 60.0),
        ("r", "3", 1, 1, "cut", 0.4, 60.0),
    ]
    trays = {name: tray([(600, 450, 30)]) for name in ("p0", "p1", "p2", "p3", "q", "r")}
    assert [each.photo for each in cut(*tables(rows), trays)] == ["p0", "q", "r"]
    assert [each.photo for each in cut(*tables(rows), trays, count=5)] == ["p0", "q", "r", "p1", "p2"]


def test_the_costliest_kind_is_shown_before_the_next():
    rows = [
        ("a", "1", 1, 1, "cut", 0.99, 60.0),
        ("a", "1", 2, 2, "crease", 0.5, 60.0),
        ("b", "2", 1, 1, "cut", 0.9, 60.0),
    ]
    trays = {"a": tray([(300, 450, 30), (800, 450, 30)]), "b": tray([(600, 450, 30)])}
    shown = cut(*tables(rows), trays, kinds=("crease", "cut"))
    assert [(each.kind, each.photo, each.mark) for each in shown] == [
        ("crease", "a", 2),
        ("cut", "a", 1),
        ("cut", "b", 1),
    ]


@pytest.mark.parametrize(
    ("better", "worse"),
    [
        ({"probability": 0.9}, {"probability": 0.5}),
        ({"area_mm2": 60.0}, {"area_mm2": 600.0}),
        ({"area_mm2": 60.0}, {"area_mm2": 2.0}),
        ({"facing": 0.9}, {"facing": 0.2}),
    ],
)
def test_the_clearer_mark_of_usual_size_is_shown(better, worse):
    rows = [("a", "1", number, number, "cut", 0.8, 60.0) for number in (1, 2, 3)]
    fruit, marks = tables(rows)
    marks = marks.assign(facing=0.8)
    for changes, mark in ((worse, 1), (better, 2)):
        for column, value in changes.items():
            marks.loc[marks["mark"] == mark, column] = value
    marks.loc[marks["mark"] == 3, "probability"] = 0.001  # sets the usual size with the others, and is shown last
    trays = {"a": tray([(200, 450, 30), (600, 450, 30), (1000, 450, 30)])}
    assert [each.mark for each in cut(fruit, marks, trays)] == [2, 1, 3]


def test_marks_of_downgraded_fruit_go_first():
    fruit, marks = tables([("a", "1", number, number, "cut", 0.8, 60.0) for number in (1, 2)])
    fruit["defective"] = [False, True]
    trays = {"a": tray([(200, 450, 30), (600, 450, 30)])}
    assert [each.mark for each in cut(fruit, marks, trays)] == [2, 1]


def test_photos_and_marks_that_are_not_there_any_more_are_passed_over():
    rows = [(name, name, 1, 1, "cut", 0.9, 60.0) for name in "abc"]
    trays = {"b": tray([(600, 450, 30)]), "c": tray([])}
    assert [each.photo for each in cut(*tables(rows), trays)] == ["b"]
    assert cut(*tables(rows), {}) == ()
    assert cut(*tables(rows), trays, kinds=()) == ()


def test_other_crews_marks_are_not_shown():
    fruit, marks = tables([("a", "1", 1, 1, "cut", 0.9, 60.0)])
    assert cut(fruit.assign(crew="Brolga"), marks, {"a": tray([(600, 450, 30)])}) == ()
