"""Labels as tables: which photos somebody looked at, what they outlined, and what they said of fruit and marks.

Everything that was said is here, also twice of one thing by one person; ``Labels.newest`` leaves each person's last
word. Outlines are in pixels of the upright full photo, x right, y down, whole numbers at the corners of pixels, as COCO
has them.
"""

from __future__ import annotations

import hashlib
import json
import warnings
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pycocotools import mask as coco_mask

from scorer.errors import LabelsError

MOMENT: Final = "datetime64[us, UTC]"
PHOTO_DTYPES: Final = {"sha256": "str", "who": "str", "said_at": MOMENT, "source": "str"}
OUTLINE_DTYPES: Final = {**PHOTO_DTYPES, "kind": "str", "size_px": "object", "polygons_px": "object", "rle": "object"}
VERDICT_DTYPES: Final = {
    "sha256": "str",
    "fruit": "int64",
    "downgraded": "bool",
    "who": "str",
    "said_at": MOMENT,
    "source": "str",
}
NAMED_DTYPES: Final = {
    "sha256": "str",
    "fruit": "int64",
    "mark": "int64",
    "kind": "str",
    "who": "str",
    "said_at": MOMENT,
    "measures": "object",
    "model": "str",
}
TABLES: Final = {
    "photos": PHOTO_DTYPES,
    "outlines": OUTLINE_DTYPES,
    "verdicts": VERDICT_DTYPES,
    "named": NAMED_DTYPES,
}


def label_table(name: str, rows: Iterable[Mapping[str, Any]] = ()) -> pd.DataFrame:
    """One of the TABLES from rows keyed by its columns; no rows keep all columns, and what a row lacks is None."""
    given = list(rows)
    columns = {
        column: pd.Series([row.get(column) for row in given], dtype=dtype) for column, dtype in TABLES[name].items()
    }
    return pd.DataFrame(columns)


@dataclass(frozen=True)
class Labels:
    """What people said, with who and when; two people's labels of one thing are two rows.

    Parameters
    ----------
    photos : PHOTO_DTYPES; each row says that ``who`` looked at the whole photo and outlined every mark they saw, so
        that a fruit without outlines is clean.
    outlines : OUTLINE_DTYPES; ``kind`` is one of KINDS, ``unsure`` or ``fruit``. ``size_px`` is (width, height) of the
        upright photo, None for marks drawn on the pages; of ``polygons_px`` (lists [x, y, x, y, ...]; the outline is
        all they cover) and ``rle`` (COCO's compressed counts, text) one is None.
    verdicts : VERDICT_DTYPES; whether a fruit, by its number on the photo, is ``downgraded``.
    named : NAMED_DTYPES; what a mark that was scored is: one of SAID_KINDS, ``not a mark`` among them. ``measures``
        are what was measured of it, and ``model`` is the SHA-256 of the model that scored it; ``fruit`` and ``mark``
        are numbers of that score.

    Raises
    ------
    ValueError : a table has other columns.
    """

    photos: pd.DataFrame
    outlines: pd.DataFrame
    verdicts: pd.DataFrame
    named: pd.DataFrame = field(default_factory=lambda: label_table("named"))

    def __post_init__(self) -> None:
        for name, table in self._tables():
            if tuple(table.columns) != tuple(TABLES[name]):
                raise ValueError(f"{name} must have the columns {list(TABLES[name])}, got {list(table.columns)}")

    def __len__(self) -> int:
        return sum(len(table) for _, table in self._tables())

    @property
    def sha256(self) -> str:
        """Known by what was said, of what, by whom and when: in any order, and whatever the files were called."""
        lines = sorted(line for name, table in self._tables() for line in _as_lines(name, table))
        return hashlib.sha256("\n".join(lines).encode()).hexdigest()

    def of_photos(self, sha256s: Collection[str]) -> Labels:
        """Those of some photos, by the SHA-256 of the photo as it arrived."""
        return self._where(lambda table: table["sha256"].isin(list(sha256s)))

    def by(self, *who: str) -> Labels:
        """Those of some people."""
        return self._where(lambda table: table["who"].isin(who))

    def people(self) -> list[str]:
        """Everybody who said anything, by name."""
        return sorted({str(who) for _, table in self._tables() for who in table["who"]})

    def newest(self) -> Labels:
        """Each person's last word on each thing; what they said of it before is left out.

        Whoever looks at a whole photo again says all of it anew, so their earlier outlines on it go.
        """
        photos = _last(self.photos, "sha256", "who")
        again = self.outlines[["sha256", "who"]].merge(
            photos[["sha256", "who", "said_at", "source"]], on=["sha256", "who"], how="left"
        )
        said_at = self.outlines["said_at"].reset_index(drop=True)
        source = self.outlines["source"].reset_index(drop=True)
        same = (said_at == again["said_at"]) & (source == again["source"])
        stands = again["said_at"].isna() | (said_at > again["said_at"]) | same
        return Labels(
            photos,
            self.outlines[stands.to_numpy(dtype=bool)].reset_index(drop=True),
            _last(self.verdicts, "sha256", "fruit", "who"),
            _last(self.named, "sha256", "model", "fruit", "mark", "who"),
        )

    def _tables(self) -> Iterator[tuple[str, pd.DataFrame]]:
        return ((name, getattr(self, name)) for name in TABLES)

    def _where(self, wanted: Any) -> Labels:
        return Labels(**{name: table[wanted(table)].reset_index(drop=True) for name, table in self._tables()})


def no_labels() -> Labels:
    """Labels in which nobody has said anything."""
    return Labels(**{name: label_table(name) for name in TABLES})


def together(parts: Iterable[Labels]) -> Labels:
    """All labels of several parts, in their order; what is in two parts is there twice."""
    given = list(parts)
    tables = {name: [table for part in given if len(table := getattr(part, name))] for name in TABLES}
    return Labels(
        **{name: pd.concat(some, ignore_index=True) if some else label_table(name) for name, some in tables.items()}
    )


def mask_of(outline: Mapping[Any, Any] | pd.Series, size_px: tuple[int, int] | None = None) -> NDArray[np.bool_]:
    """Which pixels an outline covers, by the rules of COCO's own reader.

    Parameters
    ----------
    outline : a row of ``Labels.outlines``.
    size_px : width and height of the upright photo; needed for marks drawn on the pages, whose rows have none.

    Returns
    -------
    (H, W) bool.

    Raises
    ------
    LabelsError : neither the row nor the caller tells the photo's size.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of numpy, about how the reader hands over its array
        covered = coco_mask.decode(rle_of(outline, size_px))
    return np.ascontiguousarray(covered, dtype=np.bool_)


def rle_of(outline: Mapping[Any, Any] | pd.Series, size_px: tuple[int, int] | None = None) -> dict[str, Any]:
    """An outline as the compressed run length encoding of COCO's own reader: size (height, width) and counts.

    Raises
    ------
    LabelsError : as for ``mask_of``.
    """
    width, height = _size_of(outline, size_px)
    if outline["polygons_px"] is None:
        return {"size": [height, width], "counts": str(outline["rle"]).encode("ascii")}
    # a line far outside would be followed pixel by pixel; a pixel's breadth is what files may be off by
    kept = [
        np.column_stack(
            [np.clip(points[0::2], -1, width + 1), np.clip(points[1::2], -1, height + 1)],
        )
        .ravel()
        .tolist()
        for points in outline["polygons_px"]
    ]
    merged: dict[str, Any] = coco_mask.merge(coco_mask.frPyObjects(kept, height, width))
    return merged


def _size_of(outline: Mapping[Any, Any] | pd.Series, size_px: tuple[int, int] | None) -> tuple[int, int]:
    own = outline["size_px"]
    size = own if isinstance(own, (tuple, list)) else size_px
    if size is None:
        raise LabelsError(
            f"The photo {str(outline['sha256'])[:12]} of a drawn mark has no known size; put the photo where it is "
            "looked for."
        )
    return int(size[0]), int(size[1])


def _last(table: pd.DataFrame, *key: str) -> pd.DataFrame:
    in_time = table.sort_values("said_at", kind="stable")
    return in_time.drop_duplicates(list(key), keep="last").sort_index().reset_index(drop=True)


def _as_lines(name: str, table: pd.DataFrame) -> Iterator[str]:
    for row in table.drop(columns="source", errors="ignore").to_dict("records"):
        said = row | {"said_at": row["said_at"].isoformat()}
        yield json.dumps([name, said], sort_keys=True, ensure_ascii=True)
