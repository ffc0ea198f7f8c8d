"""What became of the photos of a delivery: each on its own, how far all are, and what no tag told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from scorer.arrivals.deliveries import OUTCOME, Delivery, Item, items_of
from scorer.arrivals.whole_files import read_json, write_json
from scorer.manifest import TAG_COLUMNS, TIME_COLUMNS

WANTED_FIELDS: Final = ("crew", "bin", "picked_at")
"""What a photo must tell to count for a crew after its bin's time."""
BEING_SCORED: Final = "being_scored"
"""Name of the file that holds a byte for each try at scoring that has not come to its end."""
TELLABLE: Final = TAG_COLUMNS
"""What a tag may tell, or a person instead of it."""
_TIMES: Final = TIME_COLUMNS
_FROM_ROW: Final = (*TELLABLE, "verdict", "hold", "seconds")


class State(StrEnum):
    """How far a photo is."""

    WAITING = "waiting"
    BEING_SCORED = "being scored"
    DONE = "done"
    REFUSED = "refused"


@dataclass(frozen=True)
class PhotoOutcome:
    """What became of one photo.

    Parameters
    ----------
    number, shown, sha256 : of the photo, see `scorer.arrivals.deliveries.Item`.
    state : how far it is; what follows is only known once that is done or refused.
    verdict : on the photo: good, usable, retake or refused.
    reasons : in words; empty where there are none.
    fruit, marks : how many were found.
    crew, bin, method, side, tray, block, cultivar : as told by the tag, or said since.
    picked_at, taken_at : by the site's clock.
    hold : how long fruit were held, one of ``scorer.score_tables.HOLDS``.
    seconds : that scoring took.
    known : whether it was scored before it was handed in this time.
    told : names of the fields that the tag, or the records before, told; nothing said later stands against them.
    """

    number: int
    shown: str
    sha256: str
    state: State
    verdict: str | None = None
    reasons: str = ""
    fruit: int | None = None
    marks: int | None = None
    crew: str | None = None
    bin: str | None = None
    method: str | None = None
    side: str | None = None
    tray: str | None = None
    block: str | None = None
    cultivar: str | None = None
    picked_at: datetime | None = None
    taken_at: datetime | None = None
    hold: str | None = None
    seconds: float | None = None
    known: bool = False
    told: tuple[str, ...] = ()


@dataclass(frozen=True)
class Progress:
    """How far a delivery is.

    Parameters
    ----------
    items : photos in it.
    done : of them scored or refused.
    left : still to come.
    seconds_left : estimated from those that were scored; None before the first, 0 when none is left.
    """

    items: int
    done: int
    left: int
    seconds_left: float | None


def outcomes_of(delivery: Delivery) -> tuple[PhotoOutcome, ...]:
    """What became of each photo of a delivery so far, in the order they arrived."""
    return tuple(map(outcome_of, items_of(delivery)))


def outcome_of(item: Item) -> PhotoOutcome:
    """What became of one photo so far."""
    said = read_json(item.folder / OUTCOME)
    if said is not None:
        return _from_json(item, said)
    return PhotoOutcome(item.number, item.shown, item.sha256, _state_before_outcome(item.folder / BEING_SCORED))


def _state_before_outcome(note: Path) -> State:
    try:
        return State.BEING_SCORED if note.stat().st_size else State.WAITING
    except FileNotFoundError:
        return State.WAITING


def is_dealt_with(item_folder: Path) -> bool:
    """Whether a photo is scored or refused, and nothing of that is left to do."""
    return (item_folder / OUTCOME).exists() and not (item_folder / BEING_SCORED).exists()


def is_written(item: Item) -> bool:
    """Whether it is written down what became of a photo."""
    return (item.folder / OUTCOME).exists()


def write_outcome(item: Item, outcome: PhotoOutcome) -> None:
    """Keep what became of a photo, whole or not at all; raises OutputError where it cannot be written."""
    said: dict[str, Any] = asdict(outcome)
    said |= {name: value.isoformat() for name in _TIMES if (value := said[name]) is not None}
    write_json(item.folder / OUTCOME, said)


def outcome_from_score(item: Item, photo: pd.DataFrame, marks: int, *, known: bool = False) -> PhotoOutcome:
    """What became of a photo, from its row of the tables of scores.

    Parameters
    ----------
    photo : one row with the columns ``scorer.score_tables.PHOTO_COLUMNS``.
    marks : how many were found.
    known : whether the row is an earlier one.
    """
    row = _plain(photo)
    refused = row["verdict"] == "refused"
    about = {name: row[name] for name in _FROM_ROW}
    about |= {"reasons": row["reasons"] or "", "fruit": None if refused else row["fruit"]}
    return PhotoOutcome(
        item.number,
        item.shown,
        item.sha256,
        State.REFUSED if refused else State.DONE,
        marks=None if refused else marks,
        known=known,
        told=tuple(name for name in TELLABLE if row[name] is not None),
        **about,
    )


def as_table(outcomes: Sequence[PhotoOutcome]) -> pd.DataFrame:
    """Outcomes as a table, a row for each; its columns are the fields of `PhotoOutcome` but ``told``."""
    names = [field.name for field in fields(PhotoOutcome) if field.name != "told"]
    rows = [{name: getattr(outcome, name) for name in names} for outcome in outcomes]
    table = pd.DataFrame(rows, columns=names)
    types = {"number": "int64", "fruit": "Int64", "marks": "Int64", "seconds": "float64", "known": "bool"}
    types |= dict.fromkeys(_TIMES, "datetime64[s]")
    types |= {name: "str" for name in names if name not in types}
    return table.astype(types)


def progress_of(outcomes: Sequence[PhotoOutcome]) -> Progress:
    """How far a delivery is, from what became of its photos."""
    over = [one for one in outcomes if one.state in (State.DONE, State.REFUSED)]
    left = len(outcomes) - len(over)
    took = [one.seconds for one in over if one.seconds is not None and not one.known]
    seconds_left = 0.0 if not left else left * sum(took) / len(took) if took else None
    return Progress(len(outcomes), len(over), left, seconds_left)


def missing(outcomes: Sequence[PhotoOutcome]) -> Mapping[str, int]:
    """How many scored photos lack a crew, a bin or a time of picking; what none lacks is left out."""
    done = [one for one in outcomes if one.state is State.DONE]
    lacking = {name: sum(getattr(one, name) is None for one in done) for name in WANTED_FIELDS}
    return {name: count for name, count in lacking.items() if count}


def _from_json(item: Item, said: Mapping[str, Any]) -> PhotoOutcome:
    about = {field.name: said.get(field.name, field.default) for field in fields(PhotoOutcome)}
    about |= {"number": item.number, "shown": item.shown, "sha256": item.sha256}
    about |= {"state": State(said["state"]), "told": tuple(said["told"])}
    about |= {name: datetime.fromisoformat(said[name]) for name in _TIMES if said[name] is not None}
    return PhotoOutcome(**about)


def _plain(photo: pd.DataFrame) -> dict[str, Any]:
    """A row of plain values; what is missing is None."""
    values: dict[str, Any] = {}
    for name in photo.columns:
        value = photo[name].iloc[0]
        if pd.isna(value):
            values[str(name)] = None
        elif isinstance(value, pd.Timestamp):
            values[str(name)] = value.to_pydatetime()
        else:
            values[str(name)] = value.item() if isinstance(value, np.generic) else value
    return values
