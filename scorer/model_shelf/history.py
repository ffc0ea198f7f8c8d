"""Which model is in use: a history of steps, each a file that is made once and never touched again.

Two people who change it at the same time both try to make the file of the next number, and the disk lets only one of
them: no lock is needed, and none can be left behind.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pandas as pd

from scorer.access.roles import Person, Right
from scorer.errors import ModelError, OutputError
from scorer.model_shelf.compare import WORSE, Comparison
from scorer.model_shelf.shelf import HISTORY_FOLDER, SHIPPED, KeptModel, Shelf, kept_model
from scorer.results import UNFINISHED, reason_of, remove_file

PROMOTED, ROLLED_BACK = "promoted", "rolled back"
HISTORY_DTYPES: Final = {
    "number": "int64",
    "name": "str",
    "sha256": "str",
    "who": "str",
    "at": "datetime64[us, UTC]",
    "did": "str",
    "why": "str",
    "comparison": "str",
}


@dataclass(frozen=True)
class Step:
    """A change of the model in use.

    Parameters
    ----------
    number : from 1 on, without gaps.
    name, sha256, card_sha256 : the model in use from then on; see ``KeptModel``.
    who, at : changed it, and when, in UTC.
    did : PROMOTED or ROLLED_BACK.
    why : in their words; may be empty where a comparison speaks for it.
    comparison : what it said, in words; "" where there was none.
    """

    number: int
    name: str
    sha256: str
    card_sha256: str
    who: str
    at: datetime
    did: str
    why: str
    comparison: str = ""


def in_use(shelf: Shelf) -> Path | None:
    """Folder of the model in use, as ``scorer.tray.Settings`` takes it; None is the shipped model.

    Raises
    ------
    ModelError : the model in use is gone, damaged or changed, or the history cannot be read; no other model takes its
        place by itself, for nobody would know by which one photos were scored.
    """
    step = step_in_use(shelf)
    if step is None or step.name == SHIPPED:
        return None
    return _as_it_was(shelf, step).folder


def step_in_use(shelf: Shelf) -> Step | None:
    """The step that put the model in use there; None where no model was ever promoted.

    Raises
    ------
    ModelError : the history cannot be read.
    """
    steps = _steps(shelf)
    return steps[-1] if steps else None


def promote(person: Person, shelf: Shelf, name: str, why: str = "", comparison: Comparison | None = None) -> Step:
    """Put a model to use.

    Parameters
    ----------
    name : as on the shelf; SHIPPED too.
    why : needed where there is no comparison, or where it calls the model worse.
    comparison : of this model, as the new one, with the one in use; None takes what its card says of these two.

    Raises
    ------
    AccessError : the person may not put models to use.
    ModelError : nobody is named; the model cannot be loaded or is in use already; the comparison is of other models, is
        missing, or calls the model worse, and no reason is given; somebody else changed the model in use meanwhile.
    OutputError : the history cannot be written.
    """
    who = _who(person)
    steps = _steps(shelf)
    model = kept_model(shelf, name)
    before = steps[-1].name if steps else SHIPPED
    before_sha256 = kept_model(shelf, SHIPPED).sha256 if before == SHIPPED else steps[-1].sha256
    if before == name:
        raise ModelError(f"{name} is the model in use already; choose another one.")
    why = " ".join(why.split())
    if comparison is not None:
        _must_speak_of(comparison, model, before_sha256)
    verdict, said = (comparison.verdict, comparison.sentence) if comparison else _on_card(model, before_sha256)
    if not verdict and not why:
        raise ModelError(f"{name} was not compared with the model in use; compare the two, or say why it goes without.")
    if verdict == WORSE and not why:
        raise ModelError(f"{name} is found to be worse; say why it is to be used all the same. {said}")
    return _take(shelf, steps, model, who=who, did=PROMOTED, why=why, comparison=said)


def rollback(person: Person, shelf: Shelf, why: str) -> Step:
    """Put the model to use again that was in use before the newest promotion that still holds.

    Parameters
    ----------
    why : for those who look later.

    Raises
    ------
    AccessError : the person may not put models to use.
    ModelError : nobody is named, no reason is given, there is no model before, or it cannot be loaded any more;
        somebody else changed the model in use meanwhile.
    OutputError : the history cannot be written.
    """
    who = _who(person)
    why = " ".join(why.split())
    if not why:
        raise ModelError("Say in a word why the model is taken back; others will want to know.")
    steps = _steps(shelf)
    held = _held(steps)
    if not held:
        raise ModelError("No model was put to use that could be taken back; the one that comes with scorer is in use.")
    own = [step for step in held[-2:-1] if step.name != SHIPPED]
    model = _as_it_was(shelf, own[0]) if own else kept_model(shelf, SHIPPED)
    return _take(shelf, steps, model, who=who, did=ROLLED_BACK, why=why)


def history_of(shelf: Shelf) -> pd.DataFrame:
    """All steps, newest first, with the columns HISTORY_DTYPES.

    Raises
    ------
    ModelError : the history cannot be read.
    """
    rows = [{name: value for name, value in asdict(step).items() if name in HISTORY_DTYPES} for step in _steps(shelf)]
    return pd.DataFrame(rows[::-1], columns=list(HISTORY_DTYPES)).astype(HISTORY_DTYPES)


def _who(person: Person) -> str:
    person.must(Right.PROMOTE)
    if not person.name.strip():
        raise ModelError("Nobody is named who changes the model in use; say your name first.")
    return person.name.strip()


def _on_card(model: KeptModel, before_sha256: str) -> tuple[str, str]:
    """What was found when the model was fitted, on trays it had not seen, if that was against the model in use."""
    compared = model.card.get("compared")
    if not isinstance(compared, dict) or compared.get("with") != before_sha256:
        return "", ""
    return str(compared.get("verdict", "")), str(compared.get("sentence", ""))


def _must_speak_of(comparison: Comparison, model: KeptModel, before_sha256: str) -> None:
    if (comparison.new_sha256, comparison.old_sha256) != (model.sha256, before_sha256):
        raise ModelError(
            f"The comparison is of {comparison.new_sha256[:12]} with {comparison.old_sha256[:12]}; compare "
            f"{model.name} with the model in use, {before_sha256[:12]}, instead."
        )


def _as_it_was(shelf: Shelf, step: Step) -> KeptModel:
    """The model of a step, if it still is what it was then."""
    remedy = "restore its folder from a copy, or put another model to use"
    try:
        model = kept_model(shelf, step.name)
    except ModelError as error:
        raise ModelError(f"The model {step.name} cannot be used ({error}) - {remedy}.") from error
    if (model.sha256, model.card_sha256) != (step.sha256, step.card_sha256):
        raise ModelError(f"The model {step.name} is not what it was when {step.who} put it to use; {remedy}.")
    return model


def _held(steps: Sequence[Step]) -> list[Step]:
    """The promotions that hold, the newest last: each rollback takes the newest one away."""
    held: list[Step] = []
    for step in steps:
        if step.did == PROMOTED:
            held.append(step)
        elif held:
            held.pop()
    return held


def _take(
    shelf: Shelf, steps: Sequence[Step], model: KeptModel, *, who: str, did: str, why: str, comparison: str = ""
) -> Step:
    number, now = len(steps) + 1, datetime.now(UTC)
    step = Step(number, model.name, model.sha256, model.card_sha256, who, now, did, why, comparison)
    path = _file_of(shelf, step.number)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _write_first(path, json.dumps(asdict(step) | {"at": now.isoformat()}, indent=1).encode("ascii"))
    except FileExistsError:
        other = _read(path)
        raise ModelError(
            f"{other.who} put {other.name} to use at {other.at:%Y-%m-%d %H:%M} UTC, while you were deciding, so your "
            "change was not made; look at that model first."
        ) from None
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({reason_of(error)}); make room or check its rights.") from error
    return step


def _write_first(path: Path, data: bytes) -> None:
    """Make a whole file under a name that is free; FileExistsError where it is taken."""
    unfinished = path.with_name(f".{path.name}.{secrets.token_hex(8)}{UNFINISHED}")
    try:
        with unfinished.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.link(unfinished, path)  # unlike a renaming, this fails where the name is taken
    finally:
        remove_file(unfinished)


def _steps(shelf: Shelf) -> list[Step]:
    """All steps, oldest first."""
    steps = [_read(path) for path in sorted((shelf.folder / HISTORY_FOLDER).glob("[0-9]*.json"))]
    for number, step in enumerate(steps, start=1):
        if step.number != number:
            raise ModelError(
                f"Step {number} of the models' history is missing in {shelf.folder / HISTORY_FOLDER}; restore "
                f"{number:06}.json from a copy."
            )
    return steps


def _file_of(shelf: Shelf, number: int) -> Path:
    return shelf.folder / HISTORY_FOLDER / f"{number:06}.json"


def _read(path: Path) -> Step:
    try:
        raw = json.loads(path.read_text(encoding="ascii"))
        step = Step(**raw | {"at": datetime.fromisoformat(raw["at"])})
        if step.did not in (PROMOTED, ROLLED_BACK) or step.number != int(path.stem):
            raise ValueError(f"a step {step.number} that was {step.did}")
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise ModelError(
            f"Step {path.stem} of the models' history cannot be read ({error}); restore {path.name} from a copy."
        ) from error
    return step
