"""Labels from any annotation program: the COCO format, read and written, held against its reference reader pycocotools.

The format's rules are those of cocodataset.org, "Data format" (from memory): polygons [x, y, x, y, ...] in lists of
parts; run lengths with size [height, width] and counts that begin with pixels outside, column by column; pixel (0, 0)
covers [0, 1] x [0, 1]; iscrowd 1 goes with run lengths.
"""

from __future__ import annotations

import contextlib
import io
import json
import warnings
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from pycocotools import mask as coco_mask
from pycocotools.coco import COCO

from scorer.errors import LabelsError, PhotoError
from scorer.labels.coco import LEFT_OUT, photo_names_in_coco, read_coco, write_coco
from scorer.labels.coco_segmentation import counts_of
from scorer.labels.label_file import LabelFile
from scorer.labels.labels import Labels, label_table, mask_of, no_labels, together
from scorer.labels.photos_there import PhotoThere, photos_in_folders
from tests.label_files import SIZE, SQUARE, WHEN, WHO, annotation, coco, drawn_photos, write_json

WIDTH, HEIGHT = SIZE
Photos = dict[str, PhotoThere]


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Photos:
    return drawn_photos(tmp_path_factory.mktemp("photos"))


def read(folder: Path, document: Any, photos: Photos, **how: Any) -> LabelFile:
    return read_coco(write_json(folder / "labels.json", document), photos, **how)


def of(name: str, photos: Photos) -> str:
    return next(sha256 for sha256, photo in photos.items() if photo.name == name)


def reference(path: Path) -> COCO:
    """The reference reader, which tells on the terminal what it does."""
    with contextlib.redirect_stdout(io.StringIO()):
        return COCO(str(path))


def mask_by_reference(reader: COCO, number: int) -> NDArray[np.bool_]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of numpy, about how the reader hands over its array
        return reader.annToMask(reader.anns[number]).astype(bool)


def packed(mask: NDArray[np.bool_]) -> dict[str, Any]:
    rle = coco_mask.encode(np.asfortranarray(mask.astype(np.uint8)))
    return {"size": list(rle["size"]), "counts": rle["counts"].decode()}


def counts(mask: NDArray[np.bool_]) -> list[int]:
    """Run lengths by the format's rule: column by column, beginning with pixels outside."""
    runs, now = [0], False
    for pixel in mask.ravel(order="F"):
        if pixel != now:
            runs.append(0)
            now = bool(pixel)
        runs[-1] += 1
    return runs


def square() -> NDArray[np.bool_]:
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[20:40, 10:30] = True
    return mask


def test_an_outline_tells_its_photo_kind_person_and_time(tmp_path: Path, photos: Photos) -> None:
    file = read(tmp_path, coco(), photos)
    (outline,) = file.labels.outlines.to_dict("records")
    assert (outline["sha256"], outline["kind"], outline["who"]) == (of("tray_1.png", photos), "sap_burn", WHO)
    assert outline["said_at"] == WHEN
    assert outline["source"] == f"labels.json ({file.sha256[:8]})"
    assert np.array_equal(mask_of(outline), square())


def test_every_image_was_looked_at_and_one_without_outlines_is_told(tmp_path: Path, photos: Photos) -> None:
    file = read(tmp_path, coco(), photos)
    assert set(file.labels.photos["sha256"]) == {of("tray_1.png", photos), of("tray_2.png", photos)}
    assert file.notes == (
        "1 photos have no outline and count as looked at and clean (tray_2.png); "
        "take them out of the file if nobody looked at them.",
    )


# The compressed text of the published example M=[0 0 1 1 1 0 1] -> [2 3 1 1]: head of pycocotools/mask.py
def test_run_lengths_are_those_of_the_published_example() -> None:
    text = packed(np.array([0, 0, 1, 1, 1, 0, 1], bool)[:, None])["counts"]
    assert counts_of(text, "here") == [2, 3, 1, 1]


@pytest.mark.parametrize(
    "form",
    [
        lambda mask: {"size": [HEIGHT, WIDTH], "counts": counts(mask)},
        packed,
        lambda mask: packed(mask) | {"counts": str(packed(mask)["counts"].encode())},
    ],
    ids=["list", "text", "bytes shown by Python"],
)
@pytest.mark.parametrize("crowd", [0, 1])
def test_run_lengths_in_every_form_are_one_outline(
    tmp_path: Path, photos: Photos, form: Callable[[NDArray[np.bool_]], Any], crowd: int
) -> None:
    file = read(tmp_path, coco(annotations=[annotation(form(square()), iscrowd=crowd)]), photos)
    (outline,) = file.labels.outlines.to_dict("records")
    assert np.array_equal(mask_of(outline), square())
    assert any("flagged as a crowd (iscrowd 1)" in note for note in file.notes) == bool(crowd)


def test_a_backslash_in_shown_bytes_is_one_sign(tmp_path: Path, photos: Photos) -> None:
    mask = np.zeros((HEIGHT, WIDTH), bool)
    found = 0
    for length in range(1, 120):
        mask[:length, :] = True
        text = packed(mask)["counts"]
        if "\\" in text:
            shown = packed(mask) | {"counts": str(text.encode())}
            (outline,) = read(tmp_path, coco(annotations=[annotation(shown)]), photos).labels.outlines.to_dict(
                "records"
            )
            assert np.array_equal(mask_of(outline), mask)
            found += 1
    assert found > 0


def test_parts_of_one_outline_belong_together(tmp_path: Path, photos: Photos) -> None:
    other = [100.0, 20.0, 120.0, 20.0, 120.0, 30.0, 100.0, 30.0]
    file = read(tmp_path, coco(annotations=[annotation([SQUARE, other])]), photos)
    assert mask_of(file.labels.outlines.iloc[0]).sum() == 400 + 200


@pytest.mark.parametrize("written", ["Sap Burn", "sap-burn", "SAP_BURN", "sapburn"])
def test_categories_are_told_however_they_are_spelt(tmp_path: Path, photos: Photos, written: str) -> None:
    file = read(tmp_path, coco(categories=[{"id": 1, "name": written}]), photos)
    assert file.labels.outlines["kind"].tolist() == ["sap_burn"]


def test_other_categories_are_mapped_or_left_out(tmp_path: Path, photos: Photos) -> None:
    document = coco(
        categories=[{"id": 1, "name": "Rub"}, {"id": 2, "name": "stalk"}, {"id": 3, "name": "unused"}],
        annotations=[annotation(), annotation(id=8, category_id=2)],
    )
    with pytest.raises(LabelsError, match=r"categories that are no kind of mark \(Rub, stalk\); say which of sap_burn"):
        read(tmp_path, document, photos)
    file = read(tmp_path, document, photos, kinds={"rub": "abrasion", "Stalk": LEFT_OUT})
    assert file.labels.outlines["kind"].tolist() == ["abrasion"]
    assert "1 outlines are of categories that are left out." in file.notes
    with pytest.raises(LabelsError, match="There is no kind bruise"):
        read(tmp_path, document, photos, kinds={"rub": "bruise"})


def test_the_caller_says_who_and_when(tmp_path: Path, photos: Photos) -> None:
    bare = coco(info={})
    with pytest.raises(LabelsError, match=r"does not tell who labelled \(info.contributor is empty\)"):
        read(tmp_path, bare, photos)
    with pytest.raises(LabelsError, match=r"does not tell when the labels were made \(info.date_created is empty\)"):
        read(tmp_path, bare, photos, who="Wattle")
    later = WHEN + timedelta(days=7)
    file = read(tmp_path, coco(), photos, who=" Wattle ", said_at=later)
    assert (file.labels.people(), file.labels.outlines["said_at"].tolist()) == (["Wattle"], [later])
    with pytest.raises(ValueError, match="without a zone"):
        read(tmp_path, coco(), photos, said_at=datetime(2026, 2, 14))


@pytest.mark.parametrize(
    ("written", "moment"),
    [
        ("2026/02/14", datetime(2026, 2, 14, tzinfo=UTC)),
        ("2026-02-14T17:00:00+09:30", WHEN),
        ("2026-02-14 07:30:00", WHEN),
    ],
)
def test_dates_are_read_as_programs_write_them(tmp_path: Path, photos: Photos, written: str, moment: datetime) -> None:
    info = {"contributor": WHO, "date_created": written}
    assert read(tmp_path, coco(info=info), photos).labels.photos["said_at"].tolist() == [moment] * 2


@pytest.mark.parametrize(
    "written", ["tray_1.png", "/home/other/photos/tray_1.png", "C:\\photos\\tray_1.png", "../../tray_1.png"]
)
def test_photos_are_told_by_the_last_part_of_the_name(tmp_path: Path, photos: Photos, written: str) -> None:
    document = coco()
    document["images"][0]["file_name"] = written
    assert photo_names_in_coco(write_json(tmp_path / "labels.json", document)) == ["tray_1.png", "tray_2.png"]
    assert of("tray_1.png", photos) in set(read(tmp_path, document, photos).labels.outlines["sha256"])


def test_a_photo_of_the_store_is_told_by_its_hash(tmp_path: Path, photos: Photos) -> None:
    document = coco()
    document["images"][0]["file_name"] = of("tray_3.png", photos) + ".png"
    assert read(tmp_path, document, photos).labels.outlines["sha256"].tolist() == [of("tray_3.png", photos)]


def test_two_photos_of_one_name_are_told_by_their_folder_or_not_at_all(tmp_path: Path) -> None:
    for folder in ("monday", "tuesday"):
        drawn_photos(tmp_path / "photos" / folder, 2)
        path = tmp_path / "photos" / folder / "tray_1.png"
        path.write_bytes(path.read_bytes() + folder.encode())
    photos = photos_in_folders([tmp_path / "photos"])
    document = coco(images=[{"id": 1, "file_name": "tray_1.png", "width": WIDTH, "height": HEIGHT}])
    with pytest.raises(LabelsError, match=r"image 1 \(tray_1.png\) can be any of 2 photos"):
        read(tmp_path, document, photos)
    document["images"][0]["file_name"] = "tuesday/tray_1.png"
    assert read(tmp_path, document, photos).labels.outlines["sha256"].tolist() == [of("tuesday/tray_1.png", photos)]


def test_the_size_is_that_of_the_upright_photo(tmp_path: Path) -> None:
    """EXIF orientation 6: turned by a quarter to stand upright (CIPA DC-008, tag 0x0112; from memory)."""
    exif = Image.Exif()
    exif[0x0112] = 6
    (tmp_path / "photos").mkdir()
    Image.new("RGB", SIZE, (120, 140, 60)).save(tmp_path / "photos" / "tray_1.jpg", exif=exif)
    photos = photos_in_folders([tmp_path / "photos"])
    assert [photo.size_px for photo in photos.values()] == [(HEIGHT, WIDTH)]
    image = {"id": 1, "file_name": "tray_1.jpg", "width": HEIGHT, "height": WIDTH}
    assert len(read(tmp_path, coco(images=[image]), photos).labels.outlines) == 1
    with pytest.raises(LabelsError, match=r"labelled lying \(200 x 150 px\) and the photo stands upright .* EXIF"):
        read(tmp_path, coco(images=[image | {"width": WIDTH, "height": HEIGHT}]), photos)
    with pytest.raises(LabelsError, match=r"labelled at 100 x 75 px, and the photo has 150 x 200 px"):
        read(tmp_path, coco(images=[image | {"width": 100, "height": 75}]), photos)


def test_a_damaged_photo_counts_only_where_it_is_asked_for(tmp_path: Path) -> None:
    drawn_photos(tmp_path, 1)
    (tmp_path / "tray_9.png").write_bytes(b"no picture")
    assert [photo.name for photo in photos_in_folders([tmp_path]).values()] == ["tray_1.png"]
    assert len(photos_in_folders([tmp_path], called=["elsewhere/tray_1.png"])) == 1
    with pytest.raises(PhotoError, match=r"tray_9.png is not a picture"):
        photos_in_folders([tmp_path], called=["tray_9.png"])


def with_part(key: str, place: int, **changed: Any) -> dict[str, Any]:
    document = coco()
    document[key][place] |= changed
    return document


def drawn(segmentation: Any, **more: Any) -> dict[str, Any]:
    return coco(annotations=[annotation(segmentation, **more)])


HERE = r"labels.json, image 1 \(tray_1.png\), annotation 7"
FULL = WIDTH * HEIGHT
BAD: dict[str, tuple[Any, str]] = {
    "nothing in it": ("", "labels.json is empty"),
    "blanks": (" \n", "labels.json is empty"),
    "no JSON": ("{'a'", "labels.json, line 1 is not JSON"),
    "nested for ever": ("[" * 200_000, "nested too deeply"),
    "an endless number": ('{"images": ' + "9" * 5000 + "}", "number that is too long"),
    "a list": ([], "is JSON but no COCO document"),
    "info is text": (coco(info="Finch"), "info is no object but Finch"),
    "nobody's name": (coco(info={"contributor": 5}), "info.contributor is not a person's name"),
    "a long name": (coco(info={"contributor": "F" * 101}), "longer than 100 characters"),
    "no date": (coco(info={"contributor": WHO, "date_created": "soon"}), "info.date_created is soon, not a date"),
    "a date before phones": (coco(info={"contributor": WHO, "date_created": "0001-01-01"}), "not a date"),
    "a date that is a number": (coco(info={"contributor": WHO, "date_created": 5}), "info.date_created is 5, not"),
    "no list of images": (coco(images={}), "has no list of images"),
    "no images": (coco(images=[]), "has no images; label the photos first"),
    "no annotations": (coco(annotations=[]), "has no annotations"),
    "no categories": (coco(categories=[]), "has no categories"),
    "an image that is text": (coco(images=["x"]), "number 1 of the images is no object but x"),
    "an image without an id": (with_part("images", 1, id=None), "number 2 of the images has no number as id"),
    "an id that is true": (with_part("images", 0, id=True), "has True as id, which is no number"),
    "two images of one id": (with_part("images", 1, id=1), "the id 1 stands twice among the images"),
    "two annotations of one id": (coco(annotations=[annotation()] * 2), "the id 7 stands twice among the annotations"),
    "two categories of one id": (with_part("categories", 1, id=1), "the id 1 stands twice among the categories"),
    "a photo without a name": (with_part("images", 0, file_name=" "), "image 1 has no file_name"),
    "a photo without a width": (with_part("images", 0, width=None), "image 1: width is None, not a number of pixels"),
    "a width of 0": (with_part("images", 0, width=0), "width is 0, not a number of pixels"),
    "half a pixel": (with_part("images", 0, width=200.5), "width is 200.5, not a number of pixels"),
    "a width that is true": (with_part("images", 0, width=True), "width is True, not a number of pixels"),
    "an infinite width": (with_part("images", 0, width=float("inf")), "width is inf, not a number of pixels"),
    "a photo that is not there": (
        with_part("images", 0, file_name="gone.png"),
        r"labels for 1 photos that are not there \(gone.png\)",
    ),
    "one photo twice": (
        with_part("images", 1, file_name="old/tray_1.png"),
        r"image 2 \(tray_1.png\) is the same photo as image 1 \(tray_1.png\)",
    ),
    "an image that does not exist": (
        with_part("annotations", 0, image_id=9),
        "annotation 7 belongs to image 9, which is not in the file",
    ),
    "a category that does not exist": (
        with_part("annotations", 0, category_id=9),
        "image 1, annotation 7 is of category 9, which is not in the file",
    ),
    "a category without a name": (with_part("categories", 0, name=3), "category 1 has no name"),
    "half a crowd": (with_part("annotations", 0, iscrowd=0.5), "annotation 7: iscrowd is 0.5"),
    "a crowd in words": (with_part("annotations", 0, iscrowd="no"), "annotation 7: iscrowd is no"),
    "a crowd as a list": (with_part("annotations", 0, iscrowd=[]), "annotation 7: iscrowd is"),
    "a box alone": (drawn([]), f"{HERE} has no outline \\(a box alone"),
    "no outline": (drawn(None), f"{HERE} has no outline"),
    "a flat list": (drawn(SQUARE), f"{HERE}: its segmentation is neither polygons nor run lengths"),
    "an outline that is text": (drawn("x"), f"{HERE}: its segmentation is neither"),
    "a crowd of polygons": (drawn([SQUARE], iscrowd=1), f"{HERE} is a crowd \\(iscrowd 1\\) drawn as polygons"),
    "an odd coordinate": (drawn([SQUARE[:-1]]), f"{HERE} has an odd number of coordinates \\(7\\)"),
    "two points": (drawn([SQUARE[:4]]), f"{HERE} has a part of 2 points, and 3 to 20000 are needed"),
    "no point": (drawn([[]]), f"{HERE} has a part of 0 points"),
    "too many points": (drawn([[1.0, 1.0] * 20_001]), f"{HERE} has a part of 20001 points"),
    "too many parts": (drawn([SQUARE] * 1001), f"{HERE} has 1001 parts"),
    "not a number": (drawn([[*SQUARE[:-1], float("nan")]]), f"{HERE} has the coordinate nan, which is not a number"),
    "an infinite place": (drawn([[*SQUARE[:-1], float("inf")]]), f"{HERE} has the coordinate inf"),
    "a coordinate in words": (drawn([[*SQUARE[:-1], "4"]]), f"{HERE} has the coordinate 4, which is not a number"),
    "outside": (
        drawn([[190, 20, 201.5, 20, 195, 40]]),
        f"{HERE} has the point \\(201.5, 20\\) outside of its picture of 200 x 150 px",
    ),
    "above": (drawn([[190, -1.5, 199, 20, 195, 40]]), f"{HERE} has the point \\(190, -1.5\\) outside"),
    "an endless line": (drawn([[0.0, 0.0, 200.0, 150.0] * 5000]), f"{HERE} has a line that runs to and fro"),
    "endless parts": (drawn([[0.0, 0.0, 200.0, 150.0, 0.0, 150.0]] * 40), f"{HERE} has a line that runs to and fro"),
    "no area": (
        coco(annotations=[annotation(id=n) for n in (1, 2)] + [annotation([[5, 5, 5, 9, 5, 12]], id=3)]),
        r"has 1 outlines that cover no pixel \(annotation 3 of image 1\)",
    ),
    "run lengths of no pixel": (
        drawn({"size": [HEIGHT, WIDTH], "counts": [FULL]}),
        r"has 1 outlines that cover no pixel \(annotation 7 of image 1\)",
    ),
    "run lengths of another size": (
        drawn({"size": [WIDTH, HEIGHT], "counts": [FULL]}),
        rf"{HERE}: its run lengths are of the size \[200, 150\], and its picture's is \[150, 200\] \(height first\)",
    ),
    "run lengths without a size": (drawn({"counts": [FULL]}), f"{HERE}: its run lengths are of the size None"),
    "run lengths without counts": (drawn({"size": [HEIGHT, WIDTH]}), f"{HERE}: its counts are neither a list"),
    "too few pixels": (
        drawn({"size": [HEIGHT, WIDTH], "counts": [10, 5]}),
        f"{HERE}: its counts are of 15 pixels, and the picture has 30000",
    ),
    "a negative count": (
        drawn({"size": [HEIGHT, WIDTH], "counts": [FULL + 5, -5]}),
        f"{HERE}: its counts hold -5, not a number of pixels",
    ),
    "half a count": (drawn({"size": [HEIGHT, WIDTH], "counts": [0.5]}), f"{HERE}: its counts hold 0.5"),
    "more counts than pixels": (drawn({"size": [HEIGHT, WIDTH], "counts": [0] * (FULL + 2)}), "its counts are neither"),
    "a huge count": (drawn({"size": [HEIGHT, WIDTH], "counts": [10**30]}), f"{HERE}: its counts are of 1000000000000"),
    "strange text": (drawn({"size": [HEIGHT, WIDTH], "counts": "é~"}), f"{HERE}: its counts are not in COCO's"),
    "text without an end": (drawn({"size": [HEIGHT, WIDTH], "counts": "oo"}), f"{HERE}: its counts are cut short"),
    "text that never ends": (drawn({"size": [HEIGHT, WIDTH], "counts": "o" * 50}), "not in COCO's compressed form"),
    "no text at all": (drawn({"size": [HEIGHT, WIDTH], "counts": ""}), f"{HERE}: its counts are of 0 pixels"),
}


@pytest.mark.parametrize("what", BAD)
def test_what_cannot_be_meant_is_one_sentence(tmp_path: Path, photos: Photos, what: str) -> None:
    document, sentence = BAD[what]
    with pytest.raises(LabelsError, match=sentence) as refusal:
        read(tmp_path, document, photos)
    said = str(refusal.value)
    assert (said[-1], said.count("\n"), len(said) < 600) == (".", 0, True)


def test_a_file_that_cannot_be_read_is_one_sentence(tmp_path: Path, photos: Photos) -> None:
    with pytest.raises(LabelsError, match=r"gone.json cannot be read"):
        read_coco(tmp_path / "gone.json", photos)
    (tmp_path / "labels.json").write_bytes(b'{"images": "\xff"}')
    with pytest.raises(LabelsError, match="not UTF-8"):
        read_coco(tmp_path / "labels.json", photos)


def test_a_point_up_to_a_pixel_outside_is_taken(tmp_path: Path, photos: Photos) -> None:
    file = read(tmp_path, drawn([[-1, -1, 201, -1, 201, 151, -1, 151]]), photos)
    assert mask_of(file.labels.outlines.iloc[0]).all()


def test_names_of_others_cannot_change_a_sentence(tmp_path: Path, photos: Photos) -> None:
    document = with_part("images", 0, file_name="a\n\u202eb\ud800" + "x" * 400 + ".png")
    with pytest.raises(LabelsError, match="not there") as refusal:
        read(tmp_path, document, photos)
    said = str(refusal.value)
    assert said.isprintable(), "neither line breaks, nor marks that turn the writing, nor halves of signs"
    assert len(said) < 300


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)
KEYS = {
    "images": ("id", "file_name", "width", "height", "looked_at_whole"),
    "annotations": ("id", "image_id", "category_id", "segmentation", "iscrowd"),
    "categories": ("id", "name"),
    "info": ("contributor", "date_created"),
}
PLACES = [(key, inner) for key, inners in KEYS.items() for inner in (None, *inners)]


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.sampled_from(PLACES), JSON)
def test_no_json_makes_it_stumble(tmp_path: Path, photos: Photos, place: tuple[str, str | None], value: Any) -> None:
    """Whatever stands in any place: labels or a sentence, never another error."""
    key, inner = place
    document = coco()
    if inner is None:
        document[key] = value
    else:
        (document[key] if key == "info" else document[key][0])[inner] = value
    try:
        outcome: Any = read(tmp_path, document, photos)
    except LabelsError as refusal:
        outcome = refusal
    assert isinstance(outcome, LabelFile) or str(outcome).endswith(".")


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.text(st.characters(min_codepoint=48, max_codepoint=111), max_size=12))
def test_no_compressed_text_makes_it_stumble(tmp_path: Path, photos: Photos, text: str) -> None:
    try:
        outcome: Any = read(tmp_path, drawn({"size": [HEIGHT, WIDTH], "counts": text}), photos)
    except LabelsError as refusal:
        outcome = refusal
    assert isinstance(outcome, LabelFile) or str(outcome).endswith(".")


@st.composite
def polygons(draw: st.DrawFn) -> list[list[float]]:
    """One to three parts with an area: triangles to octagons about a place in the picture."""
    parts = []
    for _ in range(draw(st.integers(1, 3))):
        x, y = draw(st.floats(12, WIDTH - 12)), draw(st.floats(12, HEIGHT - 12))
        corners = draw(st.integers(3, 8))
        far = [draw(st.floats(4, 12)) for _ in range(corners)]
        turns = np.arange(corners) * 2 * np.pi / corners
        points = np.column_stack([x + far * np.cos(turns), y + far * np.sin(turns)])
        parts.append(points.ravel().tolist())
    return parts


@st.composite
def masks(draw: st.DrawFn) -> NDArray[np.bool_]:
    """Anything painted: a few boxes, and single pixels, among them those of the corners."""
    mask = np.zeros((HEIGHT, WIDTH), bool)
    for _ in range(draw(st.integers(1, 4))):
        top, left = draw(st.integers(0, HEIGHT - 1)), draw(st.integers(0, WIDTH - 1))
        mask[top : top + draw(st.integers(1, 40)), left : left + draw(st.integers(1, 40))] = True
    if draw(st.booleans()):
        mask[0, 0] = mask[-1, -1] = True
    return mask


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.tuples(polygons() | masks(), st.sampled_from(["cut", "fruit", "unsure"])), min_size=1, max_size=4))
def test_what_is_written_is_what_the_reference_reader_and_ours_read(
    tmp_path: Path, photos: Photos, outlines: list[tuple[Any, str]]
) -> None:
    about = {"sha256": of("tray_2.png", photos), "who": WHO, "said_at": WHEN, "source": "drawn"}
    rows = [
        about
        | {"kind": kind, "size_px": SIZE}
        | ({"polygons_px": drawn} if isinstance(drawn, list) else {"rle": packed(drawn)["counts"]})
        for drawn, kind in outlines
    ]
    labels = Labels(label_table("photos", [about]), label_table("outlines", rows), label_table("verdicts"))
    path = tmp_path / "written.json"
    write_coco(labels, photos, path)
    reader = reference(path)
    for number, row in enumerate(labels.outlines.to_dict("records"), start=1):
        (one,) = reader.loadAnns([number])
        mask = mask_of(row)
        assert np.array_equal(mask_by_reference(reader, number), mask)
        assert one["area"] == mask.sum()
        if row["rle"]:
            assert np.array_equal(mask, outlines[number - 1][0])
        assert reader.loadCats(one["category_id"])[0]["name"] == row["kind"]
    back = read_coco(path, photos)
    assert back.labels.sha256 == labels.sha256, "kind, outline, person and time come back as they were"


def test_a_photo_that_nobody_looked_at_as_a_whole_stays_so(tmp_path: Path, photos: Photos) -> None:
    file = read(tmp_path, coco(), photos)
    only_outlines = Labels(label_table("photos"), file.labels.outlines, label_table("verdicts"))
    write_coco(only_outlines, photos, tmp_path / "written.json")
    back = read_coco(tmp_path / "written.json", photos)
    assert (len(back.labels.photos), len(back.labels.outlines)) == (0, 1)
    assert len(reference(tmp_path / "written.json").imgs) == 1


def test_a_mark_drawn_on_the_pages_has_the_size_of_its_photo(tmp_path: Path, photos: Photos) -> None:
    about = {"sha256": of("tray_1.png", photos), "who": WHO, "said_at": WHEN, "source": "records"}
    row = about | {"kind": "cut", "size_px": None, "polygons_px": [SQUARE], "rle": None}
    with pytest.raises(LabelsError, match="has no known size"):
        mask_of(row)
    assert np.array_equal(mask_of(row, SIZE), square())
    write_coco(
        Labels(label_table("photos"), label_table("outlines", [row]), label_table("verdicts")),
        photos,
        tmp_path / "written.json",
    )
    reader = reference(tmp_path / "written.json")
    assert np.array_equal(mask_by_reference(reader, 1), square())


def test_a_line_drawn_far_outside_is_cut_at_the_rim() -> None:
    row = {"sha256": "a" * 64, "size_px": SIZE, "polygons_px": [[0.0, 0.0, 1e12, 0.0, 1e12, 1e12, 0.0, 1e12]]}
    assert mask_of(row).all()


def test_what_cannot_be_written_is_one_sentence(tmp_path: Path, photos: Photos) -> None:
    file = read(tmp_path, coco(), photos).labels
    both = together([file, read(tmp_path, coco(), photos, who="Wattle").labels])
    path = tmp_path / "written.json"
    with pytest.raises(LabelsError, match=r"are of 2 people \(Finch, Wattle\); write one file for each"):
        write_coco(both, photos, path)
    with pytest.raises(LabelsError, match="hold no outlines"):
        write_coco(no_labels(), photos, path)
    with pytest.raises(LabelsError, match="2 labelled photos are not there"):
        write_coco(file, {}, path)
    other = {sha256: PhotoThere(one.path, one.name, sha256, (99, 99)) for sha256, one in photos.items()}
    with pytest.raises(LabelsError, match=r"tray_1.png was labelled at 200 x 150 px and has another size now"):
        write_coco(file, other, path)
    assert not path.exists()
    write_coco(both.by("Wattle"), photos, path)
    assert json.loads(path.read_text())["info"]["contributor"] == "Wattle"


def test_photos_that_share_a_name_are_written_by_their_hash(tmp_path: Path, photos: Photos) -> None:
    file = read(tmp_path, coco(), photos)
    shared = {
        sha256: PhotoThere(one.path, f"{n}/tray.png", sha256, one.size_px)
        for n, (sha256, one) in enumerate(photos.items())
    }
    write_coco(file.labels, shared, tmp_path / "written.json")
    assert read_coco(tmp_path / "written.json", shared).labels.sha256 == file.labels.sha256


def test_labels_are_known_by_what_was_said_in_any_order(tmp_path: Path, photos: Photos) -> None:
    pair = [annotation(), annotation([[50, 50, 60, 50, 60, 60]], id=8)]
    one = read(tmp_path, coco(annotations=pair), photos).labels
    other = read(tmp_path, coco(annotations=pair[::-1]), photos).labels
    assert one.sha256 == other.sha256
    assert one.sha256 != read(tmp_path, coco(annotations=pair[:1]), photos).labels.sha256
    assert one.sha256 != read(tmp_path, coco(annotations=pair), photos, who="Wattle").labels.sha256
    assert one.sha256 != together([one, one]).sha256, "said twice is not said once"


def test_labels_are_narrowed_by_photo_and_person(tmp_path: Path, photos: Photos) -> None:
    both = together([read(tmp_path, coco(), photos, who=who).labels for who in ("Finch", "Wattle")])
    assert both.people() == ["Finch", "Wattle"]
    assert (len(both.by("Finch").photos), len(both.by("Finch", "Wattle").outlines)) == (2, 2)
    clean = both.of_photos([of("tray_2.png", photos)])
    assert (len(clean.photos), len(clean.outlines), len(clean)) == (2, 0, 2)


def test_a_second_look_at_a_photo_replaces_the_first_of_the_same_person_only(tmp_path: Path, photos: Photos) -> None:
    first = read(tmp_path, coco(), photos)
    other = read(tmp_path, coco(), photos, who="Wattle")
    again = coco(annotations=[annotation([[50, 50, 60, 50, 60, 60]], category_id=2)])
    second = read(tmp_path, again, photos)  # the same day, as a program writes it that tells no time
    newest = together([first.labels, other.labels, second.labels]).newest()
    assert newest.outlines[["who", "kind"]].to_numpy().tolist() == [["Wattle", "sap_burn"], ["Finch", "fruit"]]
    assert len(newest.photos) == 4
