"""Labels from any annotation program, and to it: the COCO format, read and written.

An image of the file says that somebody looked at the whole photo, also where nothing is outlined on it: COCO counts it
as a photo without marks. Photos are told by the last part of their file's name only, which is never opened.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from pycocotools import mask as coco_mask

from scorer.errors import LabelsError
from scorer.labels.coco_document import (
    LARGEST_FILE_BYTES,
    Annotation,
    CocoDocument,
    Id,
    Image,
    places,
    read_document,
)
from scorer.labels.coco_segmentation import outline_drawn
from scorer.labels.label_file import (
    UTC_ZONE,
    LabelFile,
    file_name,
    listed,
    moment_said,
    person_of,
    read_bytes,
    said_by_caller,
    source_of,
    told,
)
from scorer.labels.labels import Labels, label_table, rle_of
from scorer.labels.photos_there import PhotoNames, PhotoThere, base_name
from scorer.records.tables import LABEL_KINDS
from scorer.results import write_whole

LEFT_OUT: Final = "left out"
"""What a category is mapped to whose outlines are not wanted."""


def photo_names_in_coco(path: Path) -> list[str]:
    """What a file calls its photos: to look for those only.

    Raises
    ------
    LabelsError : it is no COCO document.
    """
    data, _ = read_bytes(path, most_bytes=LARGEST_FILE_BYTES)
    return [base_name(image.file_name) for image in read_document(data, file_name(path)).images.values()]


def read_coco(
    path: Path,
    photos: Mapping[str, PhotoThere],
    kinds: Mapping[str, str] | None = None,
    who: str | None = None,
    said_at: datetime | None = None,
    *,
    zone: ZoneInfo = UTC_ZONE,
) -> LabelFile:
    """Read outlines of marks and fruit, and which photos were looked at.

    Parameters
    ----------
    path : a JSON file in the COCO format.
    photos : those that can be meant, by SHA-256; see ``scorer.labels.photos_there``.
    kinds : for categories of other names, which of LABEL_KINDS each is, or LEFT_OUT. Capitals, blanks, dashes and
        underscores do not count in names of categories.
    who : who labelled; None takes ``info.contributor``.
    said_at : when, with its zone; None takes ``info.date_created``.
    zone : of ``info.date_created``, where it is written without one.

    Raises
    ------
    LabelsError : the file cannot be used; nothing of it is. It says which image and annotation is wrong: a photo that
        is not there, has another size or is named twice, a category of no known kind, an outline that is none, lies
        outside of its picture or covers no pixel; or nobody says who labelled, or when.
    ClockError : ``info.date_created`` is a time that the zone's clocks left out.
    """
    name = file_name(path)
    data, sha256 = read_bytes(path, most_bytes=LARGEST_FILE_BYTES)
    document = read_document(data, name)
    about = {"who": _who(who, document, name), "said_at": _when(said_at, document, zone, name)}
    about["source"] = source_of(name, sha256)
    meant = _photos_meant(document.images.values(), photos, name)
    kind_of = _kinds_of(document, kinds or {}, name)
    wanted = [one for one in document.annotations if kind_of[one.category_id] != LEFT_OUT]
    outlines = [
        about
        | {"sha256": meant[one.image_id].sha256, "kind": kind_of[one.category_id]}
        | _outline(one, document.images[one.image_id], name)
        for one in wanted
    ]
    empty = [one for one, outline in zip(wanted, outlines, strict=True) if coco_mask.area(rle_of(outline)) == 0]
    if empty:
        raise LabelsError(
            f"{name} has {len(empty)} outlines that cover no pixel ({places(empty)}); draw them again or remove them."
        )
    looked_at = [about | {"sha256": meant[one.id].sha256} for one in document.images.values() if one.looked_at_whole]
    labels = Labels(label_table("photos", looked_at), label_table("outlines", outlines), label_table("verdicts"))
    return LabelFile(name, sha256, "coco", labels, _notes(document, wanted))


def write_coco(labels: Labels, photos: Mapping[str, PhotoThere], path: Path) -> None:
    """Write one person's outlines for any annotation program: their newest, with the photos they looked at.

    Photos that they did not look at as a whole get ``looked_at_whole: false``, which ``read_coco`` heeds and other
    programs pass over. Photos are called by the last part of their names; by their SHA-256 where two would share it.

    Parameters
    ----------
    photos : those of the labels, by SHA-256: for their names and sizes.

    Raises
    ------
    LabelsError : the labels are of several people or of nobody, or a photo of theirs is not there or has another size.
    OutputError : the file cannot be written.
    """
    newest = labels.newest()
    shown = {*newest.photos["sha256"], *newest.outlines["sha256"]}
    people = sorted({*newest.photos["who"], *newest.outlines["who"]})
    if len(people) != 1:
        said = f"are of {len(people)} people ({listed(people)})" if people else "hold no outlines"
        raise LabelsError(f"These labels {said}; write one file for each person who outlined marks.")
    gone = sorted(shown - set(photos))
    if gone:
        raise LabelsError(
            f"{len(gone)} labelled photos are not there ({listed(each[:12] for each in gone)}); "
            "put them where they are looked for."
        )
    numbers = {sha256: number for number, sha256 in enumerate(sorted(shown, key=lambda one: photos[one].name), start=1)}
    said_at = max([*newest.photos["said_at"], *newest.outlines["said_at"]])
    document = {
        "info": {"contributor": people[0], "date_created": said_at.isoformat()},
        "images": _images_written(numbers, photos, set(newest.photos["sha256"])),
        "annotations": [
            {"id": number, "image_id": numbers[row["sha256"]]} | _annotation_written(row, photos[row["sha256"]])
            for number, row in enumerate(newest.outlines.to_dict("records"), start=1)
        ],
        "categories": [{"id": number, "name": kind} for number, kind in enumerate(LABEL_KINDS, start=1)],
    }
    write_whole(path, json.dumps(document, indent=1).encode())


def _who(who: str | None, document: CocoDocument, name: str) -> str:
    person = person_of(who, "The name given") or person_of(document.contributor, f"{name}: info.contributor")
    if person is None:
        raise LabelsError(f"{name} does not tell who labelled (info.contributor is empty); say who did.")
    return person


def _when(said_at: datetime | None, document: CocoDocument, zone: ZoneInfo, name: str) -> datetime:
    moment = said_by_caller(said_at) or moment_said(document.date_created, zone, f"{name}: info.date_created")
    if moment is None:
        raise LabelsError(f"{name} does not tell when the labels were made (info.date_created is empty); say when.")
    return moment


def _photos_meant(images: Iterable[Image], photos: Mapping[str, PhotoThere], name: str) -> dict[Id, PhotoThere]:
    """The photo of each image, by the image's number."""
    names = PhotoNames(photos)
    found = {image.id: (image, names.called(image.file_name)) for image in images}
    gone = [base_name(image.file_name) for image, meant in found.values() if not meant]
    if gone:
        raise LabelsError(
            f"{name} has labels for {len(gone)} photos that are not there ({listed(gone)}); "
            "put them where they are looked for, under these names."
        )
    owner: dict[str, Image] = {}
    for image, meant in found.values():
        where = f"{name}, image {told(image.id)} ({told(base_name(image.file_name))})"
        if len(meant) > 1:
            raise LabelsError(f"{where} can be any of {len(meant)} photos of that name; give each a name of its own.")
        (photo,) = meant
        if photo.sha256 in owner:
            other = owner[photo.sha256]
            raise LabelsError(
                f"{where} is the same photo as image {told(other.id)} ({told(base_name(other.file_name))}); "
                "keep one of them."
            )
        owner[photo.sha256] = image
        _same_size(image, photo, where)
    return {number: meant[0] for number, (_, meant) in found.items()}


def _same_size(image: Image, photo: PhotoThere, where: str) -> None:
    (width, height), (there_width, there_height) = image.size_px, photo.size_px
    if image.size_px == photo.size_px:
        return
    if (height, width) == photo.size_px:
        raise LabelsError(
            f"{where} is labelled lying ({width} x {height} px) and the photo stands upright "
            f"({there_width} x {there_height} px), for the program passed over its EXIF orientation; "
            "label a copy that was turned upright, or switch that on in the program."
        )
    raise LabelsError(
        f"{where} is labelled at {width} x {height} px, and the photo has {there_width} x {there_height} px; "
        "label the photo itself and not a smaller copy."
    )


def _kinds_of(document: CocoDocument, kinds: Mapping[str, str], name: str) -> dict[Id, str]:
    """What each category that annotations are of stands for."""
    wrong = sorted({kind for kind in kinds.values() if kind not in (*LABEL_KINDS, LEFT_OUT)})
    if wrong:
        raise LabelsError(f"There is no kind {listed(wrong)}; choose from {', '.join((*LABEL_KINDS, LEFT_OUT))}.")
    known = {_bare(kind): kind for kind in LABEL_KINDS} | {_bare(given): kind for given, kind in kinds.items()}
    used = {one.category_id for one in document.annotations}
    called = {number: written for number, written in document.categories.items() if number in used}
    strange = sorted({written for written in called.values() if _bare(written) not in known})
    if strange:
        raise LabelsError(
            f"{name} has categories that are no kind of mark ({listed(strange)}); "
            f"say which of {', '.join(LABEL_KINDS)} each is, or that it is left out."
        )
    return {number: known[_bare(written)] for number, written in called.items()}


def _bare(category: str) -> str:
    return re.sub(r"[\s_-]+", "", category).casefold()


def _outline(one: Annotation, image: Image, name: str) -> dict[str, Any]:
    photo = told(base_name(image.file_name))
    where = f"{name}, image {told(image.id)} ({photo}), annotation {told(one.id)}"
    drawn = outline_drawn(one.segmentation, crowd=one.crowd, size_px=image.size_px, where=where)
    return {"size_px": image.size_px, "polygons_px": drawn.polygons_px, "rle": drawn.rle}


def _notes(document: CocoDocument, wanted: list[Annotation]) -> tuple[str, ...]:
    notes = []
    marked = {one.image_id for one in document.annotations}
    bare = [image for image in document.images.values() if image.id not in marked and image.looked_at_whole]
    if bare:
        names = listed(base_name(image.file_name) for image in bare)
        notes.append(
            f"{len(bare)} photos have no outline and count as looked at and clean ({names}); "
            "take them out of the file if nobody looked at them."
        )
    if left := len(document.annotations) - len(wanted):
        notes.append(f"{left} outlines are of categories that are left out.")
    if crowds := sum(one.crowd for one in wanted):
        notes.append(f"{crowds} outlines are flagged as a crowd (iscrowd 1) and are read as one mark each.")
    return tuple(notes)


def _images_written(
    numbers: Mapping[str, int], photos: Mapping[str, PhotoThere], looked_at: set[str]
) -> list[dict[str, Any]]:
    often = Counter(base_name(photos[sha256].name) for sha256 in numbers)
    images = []
    for sha256, number in numbers.items():
        called = base_name(photos[sha256].name)
        width, height = photos[sha256].size_px
        own = called if often[called] == 1 else f"{sha256}{photos[sha256].path.suffix}"
        image = {"id": number, "file_name": own, "width": width, "height": height}
        images.append(image if sha256 in looked_at else image | {"looked_at_whole": False})
    return images


def _annotation_written(row: Mapping[Any, Any], photo: PhotoThere) -> dict[str, Any]:
    if row["size_px"] is not None and tuple(row["size_px"]) != photo.size_px:
        width, height = row["size_px"]
        raise LabelsError(f"{told(photo.name)} was labelled at {width} x {height} px and has another size now.")
    rle = rle_of(row, photo.size_px)
    polygons = row["polygons_px"]
    return {
        "category_id": LABEL_KINDS.index(row["kind"]) + 1,
        "segmentation": polygons or {"size": rle["size"], "counts": rle["counts"].decode("ascii")},
        "area": int(coco_mask.area(rle)),
        "bbox": [float(side) for side in coco_mask.toBbox(rle)],
        "iscrowd": 0,
    }
