"""A COCO document: its images, annotations and categories, each looked at before anything is made of it.

The format is that of COCO's object detection (cocodataset.org, "Data format"; from memory). Programs write it with many
liberties; what cannot be meant in one way only is refused, with the image and the annotation named.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from scorer.errors import LabelsError
from scorer.labels.label_file import listed, told

LARGEST_FILE_BYTES: Final = 200_000_000
MOST_IMAGES: Final = 20_000
MOST_ANNOTATIONS: Final = 300_000
LONGEST_SIDE_PX: Final = 100_000

Id = int | str
"""COCO's own are whole numbers; some programs write text."""


@dataclass(frozen=True)
class Image:
    """One picture: its number, what it is called, width and height, and whether somebody looked at all of it."""

    id: Id
    file_name: str
    size_px: tuple[int, int]
    looked_at_whole: bool


@dataclass(frozen=True)
class Annotation:
    """One outline: its number, of which picture and category, as it is written, and whether it is of a crowd."""

    id: Id
    image_id: Id
    category_id: Id
    segmentation: Any
    crowd: bool


@dataclass(frozen=True)
class CocoDocument:
    """What a document holds.

    Parameters
    ----------
    contributor, date_created : as ``info`` has them; None where it says nothing.
    images : by their number.
    annotations : in the order of the file; each is of one of the images and categories.
    categories : names by their number.
    """

    contributor: object
    date_created: object
    images: dict[Id, Image]
    annotations: list[Annotation]
    categories: dict[Id, str]


def read_document(data: bytes, name: str) -> CocoDocument:
    """Read a document's parts and how they belong together.

    Parameters
    ----------
    data : the file's bytes.
    name : what messages call the file.

    Raises
    ------
    LabelsError : it is no such document, has too many parts or none, or two of one number; a part lacks something, has
        it in a form that cannot be meant, or belongs to another that is not there.
    """
    document = _json_of(data, name)
    info = document.get("info", {})
    if not isinstance(info, dict):
        raise LabelsError(f"{name}: info is no object but {told(info)}; export the labels in the COCO format.")
    images = {image.id: image for image in _images(document, name)}
    categories = dict(_categories(document, name))
    annotations = list(_annotations(document, name))
    for one in annotations:
        if one.image_id not in images:
            raise LabelsError(
                f"{name}, annotation {told(one.id)} belongs to image {told(one.image_id)}, which is not in the file; "
                "export images and annotations together."
            )
        if one.category_id not in categories:
            raise LabelsError(
                f"{name}, image {told(one.image_id)}, annotation {told(one.id)} is of category "
                f"{told(one.category_id)}, which is not in the file; export categories and annotations together."
            )
    return CocoDocument(info.get("contributor"), info.get("date_created"), images, annotations, categories)


def _json_of(data: bytes, name: str) -> dict[str, Any]:
    try:
        document = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise LabelsError(f"{name} is not UTF-8 text; export the labels as JSON in the COCO format.") from error
    except RecursionError as error:
        raise LabelsError(f"{name} is nested too deeply; export the labels as JSON in the COCO format.") from error
    except json.JSONDecodeError as error:
        raise LabelsError(
            f"{name}, line {error.lineno} is not JSON ({error.msg}); export the labels as JSON in the COCO format."
        ) from error
    except ValueError as error:  # a number of thousands of digits
        raise LabelsError(f"{name} holds a number that is too long to be one; export the labels again.") from error
    if not isinstance(document, dict):
        raise LabelsError(f"{name} is JSON but no COCO document; export the labels in the COCO format.")
    return document


def _parts(document: Mapping[str, Any], key: str, name: str, most: int) -> Iterator[tuple[dict[str, Any], Id]]:
    """The objects of one of the document's lists, each with its number."""
    parts = document.get(key)
    if not isinstance(parts, list):
        raise LabelsError(f"{name} has no list of {key}; export the labels in the COCO format.")
    if not parts:
        raise LabelsError(f"{name} has no {key}; label the photos first, then export them.")
    if len(parts) > most:
        raise LabelsError(f"{name} has {len(parts)} {key}, and at most {most} are read; hand it in in several files.")
    seen: set[Id] = set()
    for place, part in enumerate(parts, start=1):
        if not isinstance(part, dict):
            raise LabelsError(f"{name}: number {place} of the {key} is no object but {told(part)}; export it again.")
        number = _id(part, "id", f"{name}: number {place} of the {key}")
        if number in seen:
            raise LabelsError(f"{name}: the id {told(number)} stands twice among the {key}; give each its own.")
        seen.add(number)
        yield part, number


def _images(document: Mapping[str, Any], name: str) -> Iterator[Image]:
    for part, number in _parts(document, "images", name, MOST_IMAGES):
        written = part.get("file_name")
        where = f"{name}, image {told(number)}"
        if not isinstance(written, str) or not written.strip():
            raise LabelsError(f"{where} has no file_name; export the labels with the photos' names.")
        size = _side(part, "width", where), _side(part, "height", where)
        yield Image(number, written, size, part.get("looked_at_whole") is not False)


def _annotations(document: Mapping[str, Any], name: str) -> Iterator[Annotation]:
    for part, number in _parts(document, "annotations", name, MOST_ANNOTATIONS):
        where = f"{name}, annotation {told(number)}"
        image_id, category_id = _id(part, "image_id", where), _id(part, "category_id", where)
        crowd = part.get("iscrowd", 0)
        if crowd not in (0, 1) or not isinstance(crowd, (int, float)):
            raise LabelsError(f"{where}: iscrowd is {told(crowd)}, and can be 0 or 1; export the labels again.")
        yield Annotation(number, image_id, category_id, part.get("segmentation"), bool(crowd))


def _categories(document: Mapping[str, Any], name: str) -> Iterator[tuple[Id, str]]:
    for part, number in _parts(document, "categories", name, MOST_IMAGES):
        called = part.get("name")
        if not isinstance(called, str) or not called.strip():
            raise LabelsError(f"{name}, category {told(number)} has no name; give it that of a kind of mark.")
        yield number, called


def _id(part: Mapping[str, Any], key: str, where: str) -> Id:
    number = part.get(key)
    if isinstance(number, bool) or not isinstance(number, (int, str)) or number == "":
        if number is None:
            raise LabelsError(f"{where} has no number as {key}; export the labels again.")
        raise LabelsError(f"{where} has {told(number)} as {key}, which is no number; export the labels again.")
    return number


def _side(part: Mapping[str, Any], key: str, where: str) -> int:
    side = part.get(key)
    number = isinstance(side, (int, float)) and not isinstance(side, bool)
    if not number or not 0 < side <= LONGEST_SIDE_PX or side != int(side):  # type: ignore[operator,arg-type]
        raise LabelsError(f"{where}: {key} is {told(side)}, not a number of pixels; export the labels again.")
    return int(side)


def places(annotations: list[Annotation]) -> str:
    """The first few of some annotations, in words."""
    return listed(f"annotation {told(one.id)} of image {told(one.image_id)}" for one in annotations)
